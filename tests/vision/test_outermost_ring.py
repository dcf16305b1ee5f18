"""The girdle of a stone with sharp rings of facets inside and a soft shadow outside, drawn."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.vision.girdle import ring_hypotheses
from rimsight.vision.outline import level
from rimsight.vision.stone import CLEAR_MERIT, outermost_first
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
