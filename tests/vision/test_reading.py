"""From an edge to figures: its form, its uncertainty, and what figures of one photograph have in common."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.vision.circle import fit_circle
from rimsight.vision.influences import Influences, sensitivities
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.reading import edge_u_px, fit_u_mm, form, metal_edge_u_mm
from tests.vision.rounds import near_look

FloatArray = NDArray[np.float64]
VIEW = near_look(5.0)
SCALE = VIEW.px_per_mm()


def edge_of(radii_mm: FloatArray, *, colour: float = 0.0) -> RoundEdge:
    """An edge whose points lie at given radii about the card's centre, at 360 equal steps."""
    angle = np.arange(len(radii_mm)) * (2.0 * np.pi / len(radii_mm))
    points = np.column_stack([np.cos(angle), np.sin(angle)]) * radii_mm[:, None]
    return RoundEdge(
        points_px=VIEW.to_pixels(points),
        contrast=np.full(len(angle), 0.5),
        circle=fit_circle(points),
        heights=level(0.0),
        px_per_mm=SCALE,
        coverage_deg=360.0,
        support=1.0,
        outside=np.zeros(len(angle)),
        noise=0.002,
        colour=colour,
    )


def round_with(change: FloatArray, noise_mm: float = 0.0, seed: int = 1) -> RoundEdge:
    rng = np.random.default_rng(seed)
    return edge_of(5.0 + change + rng.normal(0.0, noise_mm, len(change)))


THETA = np.arange(360) * (2.0 * np.pi / 360)


def test_every_two_point_diameter_of_a_three_lobed_round_is_the_same() -> None:
    """r = 5 + 0.02 cos 3 theta: the lobes show in the form, but calipers find 10.000 everywhere (geometry)."""
    shape = form(round_with(0.02 * np.cos(3.0 * THETA)), VIEW)
    assert (shape.smallest, shape.largest) == pytest.approx((1.0, 1.0), abs=1e-5)
    assert shape.amplitude_px == pytest.approx(0.02 * SCALE, rel=0.02)


def test_smallest_and_largest_diameter_of_an_ellipse() -> None:
    shape = form(round_with(0.05 * np.cos(2.0 * THETA)), VIEW)
    assert 10.0 * shape.smallest == pytest.approx(9.9, abs=1e-3)
    assert 10.0 * shape.largest == pytest.approx(10.1, abs=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_not_taken_for_form(seed: int) -> None:
    shape = form(round_with(np.zeros(360), 0.01, seed), VIEW)
    assert (shape.smallest, shape.largest, shape.amplitude_px) == (1.0, 1.0, 0.0)


@pytest.mark.parametrize("seed", range(5))
def test_an_oval_well_above_the_noise_is_seen_through_it(seed: int) -> None:
    """What an unsmoothed largest diameter would add is three standard deviations of the noise: 0.04 mm here."""
    shape = form(round_with(0.03 * np.cos(2.0 * THETA + 0.7), 0.01, seed), VIEW)
    assert 10.0 * (shape.largest - shape.smallest) == pytest.approx(0.12, abs=0.02)


def test_the_stated_scatter_grows_with_what_makes_an_edge_doubtful() -> None:
    clean, rough = round_with(np.zeros(360)), round_with(np.zeros(360), 0.02)
    assert edge_u_px(clean, 1.0) < edge_u_px(rough, 1.0) < edge_u_px(rough, 1.0, rival_gap_px=2.0)
    assert edge_u_px(clean, 0.6) < edge_u_px(clean, 1.4)
    assert edge_u_px(clean, 1.0) < edge_u_px(edge_of(np.full(360, 5.0), colour=0.8), 1.0)
    assert metal_edge_u_mm(clean) < metal_edge_u_mm(clean, rival_gap_px=2.0)
    assert fit_u_mm(clean) < fit_u_mm(rough)


def test_the_random_part_follows_from_the_scatter_and_the_independent_points() -> None:
    """std(D) = 2 sigma / sqrt(N), N the points that are independent of each other: no more than there are."""
    own = fit_u_mm(round_with(np.zeros(360), 0.02))
    assert 2.0 * 0.02 / np.sqrt(360) * 0.9 < own < 2.0 * 0.02 / np.sqrt(360) * 3.0


def test_what_two_figures_share_cancels_in_their_difference() -> None:
    influences = Influences()
    outer = influences.figure(6.5, {("scale", "print scale"): 0.06, ("outer edge", "edge"): 0.01})
    stone = influences.figure(6.0, {("scale", "print scale"): 0.055, ("stone edge", "edge"): 0.01})
    rim = (outer - stone) / 2
    assert rim.nominal_value == pytest.approx(0.25)
    assert rim.std_dev == pytest.approx(np.hypot(0.0025, np.hypot(0.01, 0.01) / 2))


def test_sensitivities_are_differences_for_one_influence_at_a_time() -> None:
    values, changes = sensitivities(
        lambda x: np.array([x[0] * x[1], x[1]]), (2.0, 3.0), [("a", "first", (2.1, 3.0)), ("b", "second", (2.0, 3.2))]
    )
    assert values.tolist() == [6.0, 3.0]
    assert changes[("a", "first")] == pytest.approx([0.3, 0.0])
    assert changes[("b", "second")] == pytest.approx([0.4, 0.2])
