"""Rings of several photographs that are one level circle, and a chamfer told apart in all of them together."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from rimsight.calibration.camera import View
from rimsight.calibration.spread import EdgeSpread
from rimsight.vision.circle import fit_circle
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.ring_model import RingFit, fit_rings
from rimsight.vision.several_chamfer import NARROWED_PX, OUTER_EVIDENCE_SPREAD, choose_together, evidence_needed
from rimsight.vision.several_rings import lifted, matched
from tests.synthetic import look
from tests.vision.test_face_edge import RADIUS, ring_light

FloatArray = NDArray[np.float64]

PLANE = 7.5
VIEWS = (look(tilt_deg=3.0, azimuth_deg=200.0), look(tilt_deg=17.0, azimuth_deg=60.0))
CENTRE = (3.0, -2.0)
#: A tube's end, its bore, its foot and its bore's far end: radius and height, millimetres.
END, BORE, FOOT, FAR = (2.5, 6.3), (1.7, 6.3), (2.5, 0.0), (1.7, 0.0)


def seen(view: View, radius_mm: float, height_mm: float) -> FloatArray:
    """Pixels of a level circle, projected by OpenCV."""
    angle = np.arange(90) * 2.0 * np.pi / 90
    circle = np.array(CENTRE) + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    points = np.column_stack([circle, np.full(90, -height_mm)])
    camera = view.camera
    matrix = np.array([[camera.f_px, 0.0, camera.cx_px], [0.0, camera.f_px, camera.cy_px], [0.0, 0.0, 1.0]])
    pixels = cv2.projectPoints(points, np.array(view.rvec), np.array(view.t_mm), matrix, np.zeros(4))[0]
    return np.asarray(pixels, dtype=np.float64).reshape(-1, 2)


def ring(view: View, radius_mm: float, height_mm: float) -> RoundEdge:
    """A ring as it is measured in the plane where rings are looked for."""
    points_px = seen(view, radius_mm, height_mm)
    circle = fit_circle(view.to_plane(points_px, PLANE))
    return RoundEdge(points_px, np.ones(90), circle, level(PLANE), 12.0, 360.0, 0.8, np.zeros(90), 0.001)


def test_a_circle_lifted_covers_the_same_pixels() -> None:
    view = VIEWS[1]
    centre, radius = lifted(view, np.array(CENTRE), 2.5, 6.3, 1.2)
    circle = fit_circle(view.to_plane(seen(view, *END), 1.2))
    np.testing.assert_allclose([*centre, radius], [circle.x, circle.y, circle.radius], rtol=0, atol=1e-6)


def test_heights_tell_which_rings_are_one_circle() -> None:
    # In the plane of search all are circles; foot and far end even have the same sizes.
    kinds = (FOOT, FAR, BORE, END)
    rings = [[(1.0, ring(view, *kind)) for kind in kinds] for view in VIEWS]
    found = matched(VIEWS, rings, PLANE)
    for one in found[:4]:
        assert one.rings[0] == one.rings[1]
        radius, height = kinds[one.rings[0]]
        assert (one.radius_mm, one.height_mm) == pytest.approx((radius, height), abs=1e-4)
        np.testing.assert_allclose(one.centre_mm, CENTRE, rtol=0, atol=1e-4)
        assert one.score == pytest.approx(1.0, abs=1e-3)
    # The next are a foot in one and an end in the other: seen so nearly along the baseline they miss by 2 px only.
    assert found[4].score < 0.3


def test_a_ring_that_moved_is_no_circle_and_tells_by_how_much() -> None:
    other = RoundEdge(**{**vars(ring(VIEWS[1], *END))})
    moved = fit_circle(VIEWS[1].to_plane(seen(VIEWS[1], *END), PLANE) + np.array([0.3, -0.25]))
    rings = [[(1.0, ring(VIEWS[0], *END))], [(1.0, RoundEdge(**{**vars(other), "circle": moved}))]]
    (one,) = matched(VIEWS, rings, PLANE)
    assert one.score < 0.2
    # What lies along the way that height moves it is taken for height; the rest is left, half on either side.
    way = VIEWS[1].slant(np.array([CENTRE]), PLANE)[0] - VIEWS[0].slant(np.array([CENTRE]), PLANE)[0]
    across = abs(float(way @ np.array([-0.25, -0.3]))) / float(np.hypot(*way))
    assert 2.0 * one.apart_mm == pytest.approx(across, rel=0.1)


def fits(gap: float, noise: float, shift: float) -> list[RingFit]:
    """Every width of a chamfer fitted to drawn light, as of one photograph."""
    data = ring_light(gap, spread=EdgeSpread(0.9, 0.7), outer=False, noise=noise, shift=(0.4, -0.3))
    found = [fit_rings(data, RADIUS + shift, 0.0, rounds=3)]
    for width in (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0):
        few = [fit_rings(data, RADIUS + shift - s * width, width, rounds=3) for s in (0.0, 0.5, 1.0)]
        found.append(min(few, key=lambda fit: float(np.median(fit.left))))
    return found


@pytest.mark.parametrize("gap", [0.0, 2.0, 3.0])
def test_photographs_tell_a_chamfer_together(gap: float) -> None:
    both = [fits(gap, 0.002, 0.6 * gap), fits(gap, 0.02, 0.3 * gap)]
    chosen, located, which, chamfer = choose_together([25.0, 25.0], both, outer=False)
    assert abs(chosen[0].gap - gap) <= 0.5
    assert chamfer.width_mm == chosen[0].gap
    for fit in chosen:
        assert abs(fit.radius - RADIUS) < 2.5 * np.hypot(located, which)


def told(radius: float, gap: float, left: float) -> RingFit:
    """A fit that leaves the same on every radius."""
    count = 8
    zero = np.zeros(count)
    return RingFit(
        radius, 0.0, 0.0, gap, 1.0, np.full(count, left), np.ones((count, 2 if gap else 1)), zero, zero
    )  # fmt: skip


def doubtful(beyond: float, radius: float, gap_mm: float) -> list[RingFit]:
    """A plain edge at 50 px and a chamfer's, whose evidence is so much more than is needed at the outside."""
    needed = evidence_needed([25.0, 25.0], gap_mm, outer=True) + beyond
    # Both of what is left and of its logarithm; a radius says no more than 3 for it.
    times = brentq(lambda times: min(times - 1.0, 3.0) + np.log(times) - needed, 0.01, 1000.0)
    return [told(50.0, 0.0, 1e-3 * times), told(radius, gap_mm, 1e-3)]


@pytest.mark.parametrize("beyond", [-2.0, 0.0, 2.0])
def test_where_a_chamfer_is_in_doubt_each_reading_counts_by_how_likely_it_is(beyond: float) -> None:
    few = doubtful(beyond, 51.0, 0.06)
    chosen, _, u, _ = choose_together([25.0, 25.0], [few, few], outer=True)
    share = 1.0 / (1.0 + np.exp(-beyond / OUTER_EVIDENCE_SPREAD))
    assert chosen[0].radius == pytest.approx(50.0 + share * (1.0 + NARROWED_PX), abs=0.02)
    assert (u > 0.49) == (beyond == 0.0)


def test_a_chamfer_that_may_be_one_leaves_the_face_above_the_edge_in_doubt() -> None:
    # Both readings have the edge in the same place; of a chamfer of 0.12 mm the face lies so much above it. A rendered
    # plain edge told so, a reflection on the face taken for the chamfer's other edge, put the end 0.134 mm too high,
    # stated 0.071.
    few = doubtful(0.0, 50.0, 0.12)
    _, _, u, chamfer = choose_together([25.0, 25.0], [few, few], outer=True)
    assert u < 0.3
    assert chamfer.below_mm == pytest.approx(0.06, abs=2e-3)
    assert chamfer.u_below_mm == pytest.approx(0.06, abs=2e-3)


def test_a_single_edge_that_is_the_chamfers_upper_one_lies_at_the_face() -> None:
    few = doubtful(-0.5, 51.5, 0.06)
    *_, chamfer = choose_together([25.0, 25.0], [few, few], outer=True)
    assert chamfer.width_mm == chamfer.below_mm == chamfer.u_below_mm == 0.0


def test_readings_too_far_apart_have_no_mean() -> None:
    few = doubtful(-0.02, 54.0, 0.16)
    chosen, _, u, _ = choose_together([25.0, 25.0], [few, few], outer=True)
    assert chosen[0].radius == pytest.approx(50.0)
    assert u > 0.9


def test_a_photograph_whose_light_is_blown_out_does_not_make_a_chamfer_by_differing() -> None:
    # The same plain edge, 2 px wider where the metal is blown out; a chamfer's reading that agrees explains it better.
    plain = [told(radius, 0.0, 2.0e-3) for radius in (50.0, 52.0)]
    chamfered = [told(51.5, 0.04, 1e-3)] * 2
    fits = [list(pair) for pair in zip(plain, chamfered, strict=True)]
    (near, _), *_ = choose_together([40.0, 40.0], fits, outer=True)
    (kept, _), *_ = choose_together([40.0, 40.0], fits, outer=True, alone_px=[0.0, 2.0])
    assert near.radius > kept.radius + 0.15
    assert kept.radius == pytest.approx(50.0, abs=0.35)
