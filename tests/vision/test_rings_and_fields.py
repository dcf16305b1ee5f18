"""Rings by consensus, fields of edges, and novelty, each on its own."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special

from rimsight.vision.fields import (
    boundary_field,
    colour_crests,
    edge_field,
    novelty,
    outermost,
    roughness,
    shifted_mean,
    telling_weights,
)
from rimsight.vision.polar import PolarMap, unroll
from rimsight.vision.rings import best_ring, strongest_rings
from tests.vision.rounds import drawn, near_look

FloatArray = NDArray[np.float64]
BLUR = 0.8


def polar_of(values: FloatArray, *, px_per_mm: float = 20.0, inner_mm: float = 1.0) -> PolarMap:
    """A polar map of given light (A, R), four samples a pixel."""
    angles = np.asarray(np.arange(len(values)) * (2.0 * np.pi / len(values)), dtype=np.float64)
    radii = np.asarray(inner_mm + np.arange(values.shape[1]) * (0.25 / px_per_mm), dtype=np.float64)
    rgb = np.repeat(values[:, :, None], 3, axis=2)
    return PolarMap(np.zeros(2), 0.0, angles, radii, rgb, px_per_mm)


def noisy(shape: tuple[int, int] = (360, 400), level: float = 0.5, sigma: float = 0.002, seed: int = 0) -> FloatArray:
    return np.asarray(level + np.random.default_rng(seed).normal(0.0, sigma, shape))


def flat_rings(*radii_mm: float) -> tuple[FloatArray, PolarMap]:
    """A field that is 1 along rings about the map's centre."""
    polar = polar_of(np.zeros((360, 400)))
    field = np.zeros((360, 400))
    for radius in radii_mm:
        field[:, round(float(polar.index(np.array(radius))))] = 1.0
    return field, polar


# --- polar ---


def test_the_polar_map_samples_where_it_says() -> None:
    view = near_look(7.0)

    def light(x: FloatArray, y: FloatArray) -> FloatArray:
        return 0.4 + 0.02 * x + 0.03 * y  # a plane: any shift of the sampling shows

    image = drawn(light, view, 2.0, blur_px=0.0, factor=1)
    centre = np.array([3.0, -2.0])
    polar = unroll(image, view, centre, 2.0, 1.0, 4.0, arc_px=0.0)
    expected = centre + polar.directions[:, None, :] * polar.radii_mm[None, :, None]
    assert np.abs(polar.channel() - light(expected[..., 0], expected[..., 1])).max() < 2e-4
    assert polar.step_px == pytest.approx(0.25)
    assert polar.px_per_mm == pytest.approx(view.px_per_mm((3.0, -2.0), 2.0))
    assert polar.index(polar.radii_mm) == pytest.approx(np.arange(len(polar.radii_mm)))


# --- rings ---


def test_a_shifted_ring_is_found_among_arcs_spokes_and_specks() -> None:
    rng = np.random.default_rng(2)
    polar = polar_of(np.zeros((360, 400)))
    field = np.where(rng.random((360, 400)) < 0.03, rng.random((360, 400)), 0.0)
    shift, radius = np.array([0.31, -0.22]), 3.1
    index = np.rint(polar.index(radius + polar.directions @ shift)).astype(int)
    seen = rng.random(360) < 0.7
    field[np.flatnonzero(seen), index[seen]] = 1.0
    field[:110, round(float(polar.index(np.array(4.6))))] = 1.0  # a shadow's edge: a stronger, partial arc
    field[::45, :] = 1.0  # facet edges that run outwards
    ring = best_ring(field, polar, largest_shift_mm=0.6, tolerance_px=0.5)
    assert ring.radius_mm == pytest.approx(radius, abs=0.05)
    assert np.hypot(*(np.array(ring.shift_mm) - shift)) < 0.06
    assert ring.support > 0.6


def test_the_range_of_radii_is_kept() -> None:
    field, polar = flat_rings(2.0, 4.0)
    field[:, round(float(polar.index(np.array(2.0))))] = 2.0
    assert best_ring(field, polar, largest_shift_mm=0.0).radius_mm == pytest.approx(2.0, abs=0.02)
    inside = best_ring(field, polar, largest_shift_mm=0.0, range_mm=(3.0, 5.0))
    assert inside.radius_mm == pytest.approx(4.0, abs=0.02)


def test_concentric_rings_come_one_after_another_the_strongest_first() -> None:
    field, polar = flat_rings(2.0, 3.0, 4.5)
    field[::2, round(float(polar.index(np.array(3.0))))] = 0.0
    rings = strongest_rings(field, polar, largest_shift_mm=0.3, smallest_support=0.3)
    assert sorted(ring.radius_mm for ring in rings) == pytest.approx([2.0, 3.0, 4.5], abs=0.05)
    assert rings[-1].radius_mm == pytest.approx(3.0, abs=0.05)
    supports = [ring.support for ring in rings]
    assert supports == sorted(supports, reverse=True)
    assert len(strongest_rings(field, polar, largest_shift_mm=0.3, smallest_support=0.3, most=1)) == 1


def test_an_empty_field_has_no_ring() -> None:
    field, polar = flat_rings()
    assert strongest_rings(field, polar, largest_shift_mm=0.3) == []


# --- fields ---


@pytest.mark.parametrize("height", [0.3, -0.2])
def test_the_crest_of_a_blurred_step_lies_on_it_with_its_height_and_sign(height: float) -> None:
    place = (np.arange(400) - 203.0) * 0.25  # pixels from the edge
    values = noisy() + 0.5 * height * special.erf(place / (BLUR * 2**0.5))
    field = edge_field(polar_of(values), BLUR)
    at = np.argmax(field.crests, axis=1)
    assert np.abs(np.median(at) - 203) <= 1
    assert np.median(field.step[np.arange(360), at]) == pytest.approx(height, rel=0.03)
    assert np.median(field.fit[np.arange(360), at]) > 0.95


def test_plain_noise_has_hardly_a_crest() -> None:
    assert edge_field(polar_of(noisy()), BLUR).crests.mean() < 0.002


def test_colour_shows_a_crest_where_luminance_has_none() -> None:
    values = noisy((360, 400), 0.3)
    polar = polar_of(values)
    red, green = np.zeros(400), np.zeros(400)
    red[200:], green[200:] = 0.1, -0.1 * 0.2126 / 0.7152  # the relative luminance stays
    rgb = polar.rgb.copy()
    rgb[:, :, 0] += red
    rgb[:, :, 1] += green
    polar = PolarMap(polar.centre_mm, 0.0, polar.angles, polar.radii_mm, rgb, polar.px_per_mm)
    assert edge_field(polar, BLUR).crests[:, 195:206].max(axis=1).mean() < 0.1
    assert colour_crests(polar, BLUR)[:, 190:211].max(axis=1).mean() > 0.9


def test_telling_weights_follow_the_colour_that_stays_and_not_the_light_that_flashes() -> None:
    rng = np.random.default_rng(5)
    flash = rng.uniform(0.0, 0.6, (360, 1))
    inside = flash * np.ones(3) + (0.0, 0.0, 0.15) + rng.normal(0.0, 0.005, (360, 3))
    outside = np.full((360, 3), 0.3) + rng.normal(0.0, 0.005, (360, 3))
    weights = telling_weights(inside, outside)
    assert weights is not None
    # Grey flashes cancel: the weights add up to little; blue decides.
    assert abs(weights.sum()) < 0.1
    assert np.argmax(np.abs(weights)) == 2
    assert telling_weights(flash * np.ones(3), outside) is None


@pytest.mark.parametrize("slope", [0.0, 0.002, -0.004])
def test_novelty_ignores_linear_ramps_and_sees_the_end_of_one(slope: float) -> None:
    """A vignette or the flank of a soft shadow is a ramp: it goes on as it was."""
    ramp = noisy() + slope * np.arange(400) * 0.25
    assert novelty(polar_of(ramp), BLUR)[:, 40:-60].mean() < 0.02
    ramp[:, :200] += np.random.default_rng(1).uniform(-0.3, 0.3, (360, 1))
    new = novelty(polar_of(ramp), BLUR)
    assert new[:, 195:199].mean() > 0.6  # the first pixel of what is new
    assert new[:, 205:-60].mean() < 0.02
    field = boundary_field(polar_of(ramp), new, BLUR, 3.0)
    assert abs(int(np.argmax(field.mean(axis=0))) - 200) < 5.0 / 0.25


def test_roughness_is_high_on_facets_and_low_on_metal_and_ramps() -> None:
    rng = np.random.default_rng(4)
    facets = np.repeat(rng.uniform(0.05, 0.9, (90, 400)), 4, axis=0)
    swept = 0.4 + 0.3 * np.sin(np.arange(360) * 2 * np.pi / 360.0)[:, None] * np.ones(400)
    assert roughness(polar_of(facets)).mean() > 3.0 * roughness(polar_of(swept)).mean()


def test_outermost_weakens_what_lies_inside_of_something() -> None:
    crests = np.zeros((4, 10))
    crests[:, 3], crests[:, 7] = 1.0, 0.8
    weak = outermost(crests)
    assert (weak[:, 7] == 0.8).all()
    assert (weak[:, 3] < 0.8).all()


def test_shifted_mean_is_the_mean_of_the_samples_it_names() -> None:
    values = np.random.default_rng(0).normal(size=(3, 30))
    got = shifted_mean(values, -2, 3)
    assert got[:, 10] == pytest.approx(values[:, 8:14].mean(axis=1))
    assert got[:, 0] == pytest.approx(values[:, 0:4].mean(axis=1))
