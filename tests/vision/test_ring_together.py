"""The ring model fitted to several photographs at once, on drawn light whose edges are known exactly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rimsight.calibration.spread import EdgeSpread
from rimsight.vision.ring_model import RingData, fit_rings, fitted, left_over
from rimsight.vision.ring_together import RingView, fit_together
from tests.vision.test_face_edge import ANGLES, RADIUS, ring_light

SPREAD = EdgeSpread(0.9, 0.7)
PX_PER_MM = 25.0
SLANTS = ((0.12, -0.03), (-0.10, 0.05))


def views(rise_mm: float, gap: float, shift_mm: tuple[float, float] = (0.01, -0.02)) -> list[RingData]:
    """Light round one tube in two photographs, the face `rise_mm` above the maps' plane."""
    found = []
    for slant in SLANTS:
        seen = tuple(PX_PER_MM * (c + rise_mm * s) for c, s in zip(shift_mm, slant, strict=True))
        found.append(ring_light(gap, spread=SPREAD, slant=slant, shift=(seen[0], seen[1])))
    return found


def together(*data: RingData) -> list[RingView]:
    return [RingView(one, PX_PER_MM, 4e-6) for one in data]


@pytest.mark.parametrize("gap", [0.0, 2.0])
def test_radius_centre_and_rise_of_one_tube(gap: float) -> None:
    fit = fit_together(together(*views(0.08, gap)), (RADIUS + 0.4) / PX_PER_MM, gap / PX_PER_MM)
    # The drawn circles don't grow with the rise (0.08 mm of 200 mm: 0.016 px); noise gives 0.01 px.
    assert fit.radius_mm * PX_PER_MM == pytest.approx(RADIUS, abs=0.05)
    assert fit.shift_mm == pytest.approx([0.01, -0.02], abs=0.004)
    assert fit.rise_mm == pytest.approx(0.08, abs=0.02)


def test_a_photograph_that_shows_little_of_the_edge_is_held_by_the_other() -> None:
    clear, hidden = views(0.0, 0.0)
    rng = np.random.default_rng(3)
    # A fifth of the round is left, faint against uneven metal: by itself it puts the circle anywhere.
    arc = (ANGLES > 0.3) & (ANGLES < 1.6)
    uneven = 0.06 * np.cumsum(rng.normal(0.0, 1.0, hidden.light.shape), axis=1) / hidden.light.shape[1] ** 0.5
    seen = np.repeat(arc[:, None], hidden.light.shape[1], axis=1)
    dim = replace(hidden, light=0.12 * hidden.light + uneven, seen=seen)
    alone = fit_rings(dim, RADIUS + 1.0, 0.0, rounds=3)
    fit = fit_together([*together(clear), RingView(dim, PX_PER_MM, 1e-4)], (RADIUS + 1.0) / PX_PER_MM, 0.0)
    expected = np.array([RADIUS, 0.25, -0.5])
    off = [np.abs(np.array([one.radius, one.x, one.y]) - expected).max() for one in (alone, fit.fits[1])]
    assert off[0] > 1.0
    assert off[1] < 0.5


def test_each_radius_tells_where_it_would_have_the_edge() -> None:
    (data, _) = views(0.0, 0.0)
    q = np.array([RADIUS + 0.3, 0.25, -0.5, 0.0])
    fit = fitted(data, q, 0.0, *left_over(data, q, 0.0))
    surely = fit.offsets_u < 0.2
    assert surely.mean() > 0.7
    assert float(np.median(fit.offsets[surely])) == pytest.approx(-0.3, abs=0.06)


def test_a_radius_that_is_hidden_tells_nothing() -> None:
    (data, _) = views(0.0, 0.0)
    hidden = replace(data, seen=data.seen & (ANGLES > 1.0)[:, None])
    q = np.array([RADIUS, 0.25, -0.5, 0.0])
    fit = fitted(hidden, q, 0.0, *left_over(hidden, q, 0.0))
    assert np.isinf(fit.offsets_u[ANGLES < 0.9]).all()
    assert np.isfinite(fit.offsets_u[ANGLES > 1.1]).all()


@pytest.mark.parametrize("focus", [0.7, 1.4])
def test_the_blur_at_a_tubes_end_is_told_by_its_edges_not_by_the_squares(focus: float) -> None:
    # The lens is focused on the card or on the tube's end, 3 to 12 mm nearer. Held to the square's blur a chamfer of
    # 3.8 px was read 3 px wide, and the tube's outside 0.03 mm small.
    drawn = [
        replace(ring_light(3.0, spread=EdgeSpread(0.9 * focus, 0.7), slant=slant, shift=(0.25, -0.5)), spread=SPREAD)
        for slant in SLANTS
    ]
    # What is left of the light on real metal, which the drawn one is too clean for.
    seen = [RingView(one, PX_PER_MM, 3e-4) for one in drawn]
    fits = {gap: fit_together(seen, RADIUS / PX_PER_MM, gap / PX_PER_MM) for gap in (2.0, 3.0, 4.0)}
    best = min(fits, key=lambda gap: sum(float(np.median(one.left)) for one in fits[gap].fits))
    assert best == 3.0
    assert fits[3.0].radius_mm * PX_PER_MM == pytest.approx(RADIUS, abs=0.1)
    for one in fits[3.0].fits:
        assert one.blur_share == pytest.approx(focus, abs=0.1)
