"""A tube's own edge told from its chamfer's, on drawn faces whose edges and glints are known exactly."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize

from rimsight.calibration.band import SquareEdges, locate
from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage, encode_srgb
from rimsight.calibration.spread import EdgeSpread, measure_spread
from rimsight.vision.circle import Circle
from rimsight.vision.face_edge import (
    CLEAR_BLURS,
    CLEAR_PX,
    FaceEdge,
    blown_note,
    blown_share,
    choose,
    clear_of,
    edge_of,
)
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.polar import PolarMap
from rimsight.vision.ring_model import RingData, RingFit, fit_rings
from tests.synthetic import Disc
from tests.vision.rounds import near_look, photo_of

FloatArray = NDArray[np.float64]

#: Pixels: a tube of 3 mm at 25 px/mm seen from 200 mm, 5 mm long.
RADIUS, DISTANCE, LENGTH = 40.0, 5000.0, 125.0
ANGLES = np.asarray(np.arange(192) * (2.0 * np.pi / 192), dtype=np.float64)


def ring_light(
    gap: float,
    *,
    spread: EdgeSpread,
    outer: bool = True,
    slant: tuple[float, float] = (0.05, -0.03),
    shift: tuple[float, float] = (0.4, -0.3),
    noise: float = 0.002,
    radius: float = RADIUS,
) -> RingData:
    """Light across a tube's edge: face, chamfer that glints in three places, wall, ground, by the geometry alone."""
    place = np.asarray(np.arange(radius - 7.0, radius + 7.0, 0.5), dtype=np.float64)
    outward = 1.0 if outer else -1.0
    cosine, sine = np.cos(ANGLES), np.sin(ANGLES)

    def at(r: float, depth: float) -> FloatArray:
        share = DISTANCE / (DISTANCE + depth)
        return np.asarray(r * share + (shift[0] - depth * slant[0]) * cosine + (shift[1] - depth * slant[1]) * sine)[
            :, None
        ]

    face = 0.35 + 0.1 * cosine
    chamfer = 0.5 + 0.4 * np.cos(3.0 * ANGLES - 2.0)
    wall_light = 0.25 + 0.1 * np.cos(2.0 * ANGLES)
    ground = (0.7 if outer else 0.05) + 0.03 * sine
    own, far = at(radius, gap), at(radius, LENGTH)
    strip = np.where(((far - own) * outward)[:, 0] > 0.0, wall_light, ground)
    beyond = np.where((far - own) * outward > 0.0, far, own)
    light = np.repeat(face[:, None], len(place), axis=1)
    before = face
    rings = [(at(radius - outward * gap, 0.0), chamfer), (own, strip), (beyond, ground)]
    for position, after in rings if gap > 0.0 else rings[1:]:
        light = light + (after - before)[:, None] * spread((place[None, :] - position) * outward)
        before = after
    light = light + np.random.default_rng(1).normal(0.0, noise, light.shape)
    seen = np.ones(light.shape, dtype=bool)
    return RingData(light, place, ANGLES, seen, np.array(slant), DISTANCE, LENGTH, outer, spread)


PLAIN, SHARPENED = EdgeSpread(0.9, 0.0), EdgeSpread(0.9, 0.7)


@pytest.mark.parametrize("outer", [True, False])
@pytest.mark.parametrize("spread", [PLAIN, SHARPENED])
@pytest.mark.parametrize("gap", [0.0, 1.0, 2.0, 3.0])
def test_the_model_returns_the_edge_it_was_drawn_with(outer: bool, spread: EdgeSpread, gap: float) -> None:
    data = ring_light(gap, spread=spread, outer=outer)
    fit = fit_rings(data, RADIUS + 0.5, gap, rounds=3)
    # Noise of 0.002 on steps of 0.3 over 192 radii: 0.01 px; the rest is the sampled step's table.
    assert abs(fit.radius - RADIUS) < 0.04
    assert np.hypot(fit.x - 0.4, fit.y + 0.3) < 0.08
    assert abs(np.log(fit.blur_share)) < 0.03


@pytest.mark.parametrize("outer", [True, False])
@pytest.mark.parametrize("gap", [0.0, 1.5, 2.0, 3.0])
def test_the_width_of_a_chamfer_is_told_from_the_light(outer: bool, gap: float) -> None:
    data = ring_light(gap, spread=SHARPENED, outer=outer)
    outward = 1.0 if outer else -1.0
    traced = RADIUS - 0.6 * outward * gap
    fits = [fit_rings(data, traced, 0.0, rounds=3)]
    fits += [
        fit_rings(data, start, g, rounds=3)
        for g in (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0)
        for start in (traced, traced + outward * g)
    ]
    best, u = choose(fits, outer=outer)
    assert abs(best.gap - gap) <= 0.5
    assert abs(best.radius - RADIUS) < 2.5 * u


def test_sharpening_is_no_second_edge() -> None:
    """Fitted with the plain spread, a sharpened single edge asks for a second step; with its own it does not."""
    data = ring_light(0.0, spread=SHARPENED)
    own = [fit_rings(data, RADIUS, gap, rounds=3) for gap in (0.0, 1.0, 2.0, 3.0)]
    assert choose(own, outer=True)[0].gap == 0.0
    blind = RingData(**{**data.__dict__, "spread": PLAIN})
    assert np.median(fit_rings(blind, RADIUS, 0.0).left) > 2.0 * np.median(own[0].left)


def test_the_derivative_is_the_light_models_own() -> None:
    """Gauss-Newton's optimum is scipy's, which knows no derivative (Levenberg-Marquardt over all unknowns)."""
    data = ring_light(2.0, spread=PLAIN)
    fit = fit_rings(data, RADIUS + 0.3, 2.0, rounds=1)

    def left(q: FloatArray) -> FloatArray:
        moved = RingData(**{**data.__dict__, "spread": EdgeSpread(0.9 * float(np.exp(q[3])), 0.0)})
        own = fit_fixed(moved, q)
        return np.append(own.ravel(), 0.0)

    best = optimize.least_squares(left, [RADIUS, 0.3, -0.2, 0.0], diff_step=1e-4, x_scale=[1.0, 1.0, 1.0, 0.1])
    # The prior on the blur and the table's step of 0.02 px leave this much.
    assert (fit.radius, fit.x, fit.y) == pytest.approx(tuple(best.x[:3]), abs=0.02)


def fit_fixed(data: RingData, q: FloatArray) -> FloatArray:
    """What numpy's own least squares leaves on every radius, with the rings where `q` puts them."""
    cosine, sine = np.cos(data.angles), np.sin(data.angles)
    out = np.empty_like(data.light)

    def at(r: float, depth: float, k: int) -> float:
        share = data.distance / (data.distance + depth)
        x, y = q[1] - depth * data.slant[0], q[2] - depth * data.slant[1]
        return float(r * share + x * cosine[k] + y * sine[k])

    for k in range(len(data.angles)):
        own, far = at(q[0], 2.0, k), at(q[0], data.length, k)
        columns = [np.ones_like(data.place), data.place - data.place.mean(), data.spread(data.place - own)]
        columns.append(data.spread(data.place - at(q[0] - 2.0, 0.0, k)))
        if far - own > 0.3:
            columns.append(data.spread(data.place - far))
        matrix = np.stack(columns, axis=1)
        out[k] = data.light[k] - matrix @ np.linalg.lstsq(matrix, data.light[k], rcond=None)[0]
    return out


def test_a_thin_walls_other_edge_is_left_out() -> None:
    """Of a wall of 6 px the bore's edge lies within the outer edge's reach; it was read 3 px too far in."""
    blur, px = 1.0, 20.0
    angles = np.arange(64) * (2.0 * np.pi / 64)
    radii = np.asarray(np.arange(4.5, 5.4, 0.025), dtype=np.float64)
    polar = PolarMap(np.array([1.0, 2.0]), 5.0, np.asarray(angles), radii, np.zeros((64, 36, 1)), px)
    other = Circle(1.1, 2.0, 4.7, np.eye(3), np.zeros(0), np.zeros(0))
    for outside in (True, False):
        seen = clear_of(edge_on(other, px), blur, outside=outside)(polar)
        away = np.hypot(
            polar.points_mm(np.full(64, 5.0))[:, 0] - 1.1, polar.points_mm(np.full(64, 5.0))[:, 1] - 2.0
        )
        beyond = away - 4.7 > (CLEAR_BLURS * blur + CLEAR_PX) / px
        within = away - 4.7 < -(CLEAR_BLURS * blur + CLEAR_PX) / px
        np.testing.assert_array_equal(seen[:, 20], beyond if outside else within)


def edge_on(circle: Circle, px_per_mm: float) -> RoundEdge:
    """A traced edge of which only circle and scale count."""
    nothing = np.zeros(0)
    return RoundEdge(np.zeros((0, 2)), nothing, circle, level(0.0), px_per_mm, 360.0, 1.0, nothing, 0.0)


def test_a_second_step_much_fainter_than_the_first_is_not_believed() -> None:
    left = np.full(192, 1.0)
    own = np.zeros(192), np.full(192, np.inf)
    single = RingFit(40.0, 0.0, 0.0, 0.0, 1.0, 9.0 * left, np.full((192, 1), 0.5), *own)
    faint = RingFit(42.0, 0.0, 0.0, 2.0, 1.0, left, np.tile([0.05, 0.5], (192, 1)), *own)
    strong = RingFit(41.0, 0.0, 0.0, 1.0, 1.0, left, np.tile([0.3, 0.5], (192, 1)), *own)
    read, u_px = choose([single, faint], outer=True)
    assert read is single
    # It explains the light all the same: as likely as not it is the chamfer's, 2 px away.
    assert u_px == pytest.approx((0.3**2 + 1.0**2) ** 0.5, abs=0.01)
    chosen, u_px = choose([single, faint, strong], outer=True)
    assert chosen.gap == 1.0
    assert chosen.radius == pytest.approx(41.0, abs=0.01)
    assert u_px < 0.35


def test_an_edge_that_the_model_does_not_fit_is_in_doubt() -> None:
    """Radii that would have it half a pixel further out or in: the model's circle is none of what lies there."""
    view = near_look(0.0)
    traced = edge_on(Circle(0.0, 0.0, 2.0, np.eye(3), np.zeros(8), np.ones(8)), 20.0)
    steady = RingFit(RADIUS, 0.0, 0.0, 0.0, 1.0, np.ones(192), np.ones((192, 1)), np.full(192, 0.1), np.ones(192))
    unsteady = replace(steady, offsets=np.where(np.arange(192) % 2, 0.5, -0.5))
    calibration = cast(Any, SimpleNamespace(view=view))
    edges = [edge_of(calibration, traced, 0.0, fit, 0.3) for fit in (steady, unsteady)]
    assert edges[0] is not None
    assert edges[1] is not None
    assert edges[0].u_px == pytest.approx(0.3)
    assert edges[1].u_px == pytest.approx(np.hypot(0.3, 2.0 * 0.35))


@pytest.mark.parametrize(("light", "share"), [(0.5, 0.0), (1.3, 1.0)])
def test_blown_out_light_beside_an_edge_is_seen(light: float, share: float) -> None:
    """Clipped metal: 1.5 px off where 0.3 px were stated (a mouth's chamfer as white as the end beside it)."""
    view = near_look(4.0)
    image = photo_of(view, Disc(0.0, 0.0, 3.0, light=light), white=0.4, noise=0.004)
    edge = edge_on(Circle(0.0, 0.0, 3.0, np.eye(3), np.zeros(8), np.ones(8)), 20.0)
    found = blown_share(image, cast(Any, SimpleNamespace(view=view)), edge, 0.0)
    assert found == pytest.approx(share, abs=0.02)
    notes = blown_note(None, FaceEdge(edge, 0.0, 0.3, found))
    assert len(notes) == (1 if share else 0)


def test_between_a_plain_and_a_chamfered_edge_their_distance_stays_in_doubt() -> None:
    """As likely as not: the middle, and half the distance as the standard deviation of two equal points."""
    left, own = np.full(192, 1e-4), (np.zeros(192), np.full(192, np.inf))
    share = 2.0 * np.exp(0.7) - 1.0  # log(1 + share) - log(1 + 1) = 0.7
    single = RingFit(40.0, 0.0, 0.0, 0.0, 1.0, share * left, np.full((192, 1), 0.5), *own)
    double = RingFit(43.0, 1.0, 0.0, 3.0, 1.0, left, np.tile([0.3, 0.5], (192, 1)), *own)
    chosen, u_px = choose([single, double], outer=True)
    assert chosen.radius == pytest.approx(41.5, abs=0.01)
    assert chosen.x == pytest.approx(0.5, abs=0.01)
    assert u_px == pytest.approx((1.5**2 + (0.3**2 + 0.7**2) / 2.0) ** 0.5, abs=0.01)


@pytest.mark.parametrize("overshoot", [0.0, 0.5, 0.9])
def test_the_spread_is_read_from_the_printed_square(overshoot: float) -> None:
    view = near_look(4.0)
    image, edges = _card_photo(view, EdgeSpread(0.9, overshoot))
    found = measure_spread(image, edges)
    # Within half the steps that are tried and what linear interpolation leaves: compared as curves, not as numbers.
    place = np.arange(-3.0, 3.01, 0.1)
    assert np.abs(found(place) - EdgeSpread(0.9, overshoot)(place)).max() < 0.015


def _card_photo(view: View, spread: EdgeSpread) -> tuple[LightImage, SquareEdges]:
    """A black band on white paper with a given spread, and its located edges."""
    size, half, band_px = 700, 250.0, 50.0
    y, x = np.mgrid[0:size, 0:size].astype(np.float64) - (size - 1) / 2
    turned = np.radians(3.0)
    u, v = np.cos(turned) * x - np.sin(turned) * y, np.sin(turned) * x + np.cos(turned) * y
    reach = np.maximum(np.abs(u), np.abs(v))
    light = 0.05 + 0.6 * (spread(reach - half - band_px / 2) + 1.0 - spread(reach - half + band_px / 2))
    image = LightImage(np.round(encode_srgb(np.clip(light, 0.0, 1.0)) * 65535).astype(np.uint16))
    c, s = np.cos(turned), np.sin(turned)
    scale = 2.0 * half / 30.0
    centre = (size - 1) / 2
    matrix = np.array([[c * scale, s * scale, centre], [-s * scale, c * scale, centre], [0.0, 0.0, 1.0]])
    return image, locate(image, matrix, 30.0, band_px / scale)
