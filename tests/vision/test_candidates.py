"""What lies on a drawn stage: the outline of the whole, not a ring of facets inside of it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from rimsight.vision.candidates import STAGE_PX, Stage, find_candidates

HALF_MM = 13.0
PAPER = 200.0


def blank() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Noisy paper, and where its pixels lie, millimetres."""
    axis = (np.arange(STAGE_PX) + 0.5) / STAGE_PX * 2 * HALF_MM - HALF_MM
    x, y = np.meshgrid(axis, axis)
    return PAPER + np.random.default_rng(1).normal(0.0, 1.0, x.shape), x, y


def staged(grey: NDArray[np.float64]) -> Stage:
    codes = np.repeat(grey[:, :, None], 3, axis=2).astype(np.float32)
    return Stage(codes, STAGE_PX / (2 * HALF_MM), HALF_MM)


@pytest.mark.parametrize("seed", range(4))
def test_a_large_faceted_stone_is_one_thing(seed: int) -> None:
    """A third of the facets at the outline are as light as the paper, and two short arcs inside show well."""
    rng = np.random.default_rng(seed)
    grey, x, y = blank()
    centre, radius = np.array([1.0, -2.0]), 4.4
    away = np.hypot(x - centre[0], y - centre[1])
    inside = away < radius
    seeds = centre + rng.uniform(-radius, radius, (160, 2))
    tone = np.where(rng.random(160) < 0.35, PAPER - 2.0, rng.uniform(90.0, 150.0, 160))
    cell = cKDTree(seeds).query(np.column_stack([x[inside], y[inside]]))[1]
    grey[inside] = tone[cell]
    for shift, size in ((1.6, 1.5), (-1.8, 1.2)):
        arc = (np.hypot(x - centre[0] - shift, y - centre[1]) < size) & (y > centre[1] + 0.3)
        grey[arc] = 40.0
    first = find_candidates(staged(grey))[0]
    assert np.hypot(*(np.array(first.centre_mm) - centre)) < 0.15 * radius
    assert 0.9 * radius < first.radius_mm < 1.15 * radius


def test_two_stones_that_touch_are_two() -> None:
    """Their common outline is not round: 0.5 of the circle round it."""
    grey, x, y = blank()
    for shift in (-1.5, 1.5):
        grey[np.hypot(x - shift, y) < 1.5] = 90.0
    found = [thing for thing in find_candidates(staged(grey)) if thing.round]
    assert sorted(round(thing.centre_mm[0], 1) for thing in found) == pytest.approx([-1.5, 1.5], abs=0.1)
    assert [thing.radius_mm for thing in found] == pytest.approx([1.5, 1.5], abs=0.1)


def test_a_clear_ring_keeps_its_place_in_its_shadow() -> None:
    grey, x, y = blank()
    grey[np.hypot(x - 0.6, y) < 2.4] = 170.0
    grey[np.hypot(x, y) < 2.0] = 80.0
    first = find_candidates(staged(grey))[0]
    assert np.hypot(*first.centre_mm) < 0.15
    assert first.radius_mm == pytest.approx(2.0, abs=0.15)
