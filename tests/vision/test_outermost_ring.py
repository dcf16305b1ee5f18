"""The girdle of a stone with sharp rings of facets inside and a soft shadow outside, drawn."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.vision.circle import Circle
from rimsight.vision.girdle import ring_hypotheses
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.stone import CLEAR_MERIT, beyond_novelty, outermost_first
from tests.vision.rounds import drawn, near_look

FloatArray = NDArray[np.float64]

RADIUS, FACETS, HEIGHT, BLUR_PX = 1.6, 1.31, 0.3, 1.0


@pytest.mark.parametrize("shadow", [0.0, 0.4])
def test_the_outermost_sharp_ring_is_the_girdle(shadow: float) -> None:
    """A shadow of 0.4 that fades within 0.3 mm: without the rule the facets' ring is read, 18 % too small."""
    view = near_look(3.0)

    def light(x: FloatArray, y: FloatArray) -> FloatArray:
        r, turn = np.hypot(x, y), np.arctan2(y, x)
        table = np.where(np.sin(8.0 * turn) > 0.0, 0.75, 0.9)
        crown = np.where(np.sin(16.0 * turn) > 0.0, 0.45, 0.35)
        paper = 0.75 - shadow * np.exp(-np.maximum(r - RADIUS, 0.0) / 0.3)
        return np.where(r < FACETS, table, np.where(r < RADIUS, crown if shadow == 0.0 else 0.6 * crown, paper))

    image = drawn(light, view, HEIGHT, blur_px=BLUR_PX)
    rings = ring_hypotheses(image, view, np.array([0.05, -0.03]), 1.55, level(HEIGHT), HEIGHT, BLUR_PX)
    px = 1.0 / view.px_per_mm((0.0, 0.0), HEIGHT)
    clear = [(merit, edge) for merit, edge in rings if merit >= CLEAR_MERIT]
    edge = outermost_first(clear, rings, px)[0][1]
    # The shadow's ramp, taken out later (`shadow_ramp.py`), moves the edge by less than a pixel.
    assert edge.circle.radius == pytest.approx(RADIUS, abs=1.0 * px)
    if shadow > 0.0:
        assert rings[0][1].circle.radius == pytest.approx(FACETS, abs=1.0 * px)


def ring(radius_mm: float, support: float, new: float) -> RoundEdge:
    """A ring at 30 px/mm that scatters by 0.3 px, something new outside of it on that share of the round."""
    scatter = np.where(np.arange(100) % 2, 0.3, -0.3) / 30.0
    circle = Circle(0.0, 0.0, radius_mm, np.eye(3), scatter, np.ones(100))
    outside = np.where(np.arange(100) < 100 * new, 1.0, 0.0)
    return RoundEdge(np.zeros((100, 2)), scatter, circle, level(0.3), 30.0, 360.0, support, outside, 0.01)


def test_a_faint_ring_round_a_sharp_one_with_something_new_outside_is_a_rival() -> None:
    """A small clear stone's table is ringed in black, its girdle hardly shows: read 0.23 mm small, stated 0.03."""
    table, girdle = ring(0.97, 0.9, 0.52), ring(1.09, 0.25, 0.2)
    assert beyond_novelty(table, [table, girdle]) == [girdle]
    # As much is new beyond the outer one: a shadow. Fainter: noise. Nothing much is new outside: the girdle itself.
    assert beyond_novelty(table, [ring(1.09, 0.25, 0.4), ring(1.09, 0.1, 0.2)]) == []
    assert beyond_novelty(ring(0.97, 0.9, 0.3), [girdle]) == []
