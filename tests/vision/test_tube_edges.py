"""Which ring of a drawn tube's end is its outside and which its bore."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.circle import Circle
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.tube import believed_bore
from rimsight.vision.tube_edges import Scored, bore_edges, face_edges, find_outer, pick_outer
from tests.synthetic import Disc, Scene, look, photograph

VIEW = look(f_px=3200.0, size=(1600, 1200))
#: In the card's plane, so that the drawing needs no side wall.
CENTRE, HEIGHT_MM, BLUR_PX = np.array([2.5, -1.2]), 0.0, 0.8
PX_PER_MM = VIEW.px_per_mm((2.5, -1.2), 0.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_edge_as_small_as_the_noise_is_found_along_the_arc(seed: int) -> None:
    """A step of two standard deviations of a pixel's noise: found within 0.3 px, and not at all without."""
    scene = Scene(things=(Disc(2.5, -1.2, 4.8, light=0.72),), noise=0.016, seed=seed)
    image = photograph(VIEW, scene)
    rough = CENTRE + 0.1
    assert pick_outer(face_edges(image, VIEW, rough, 4.6, HEIGHT_MM, BLUR_PX), VIEW, HEIGHT_MM) is None
    _, picked = find_outer(image, VIEW, rough, 4.6, HEIGHT_MM, BLUR_PX)
    assert picked is not None
    assert picked.edge.circle.radius == pytest.approx(4.8, abs=0.3 / PX_PER_MM)
    assert np.hypot(*(picked.edge.circle.centre - CENTRE)) < 0.4 / PX_PER_MM


@pytest.mark.parametrize(
    ("inside", "radius"),
    [
        (Disc(2.5, -1.2, 2.2, light=0.1), 2.2),
        (Disc(2.5, -1.2, 0.4, light=0.1), None),
        (Disc(3.3, -1.2, 1.5, light=0.1), None),
    ],
    ids=["bore", "speck", "beside the middle"],
)
def test_a_bore_lies_in_the_middle_and_is_no_speck(inside: Disc, radius: float | None) -> None:
    image = photograph(VIEW, Scene(things=(Disc(2.5, -1.2, 3.1, light=0.4), inside)))
    edges, picked = find_outer(image, VIEW, CENTRE, 3.0, HEIGHT_MM, BLUR_PX)
    assert picked is not None
    found = bore_edges(image, VIEW, picked.edge, edges, HEIGHT_MM, BLUR_PX)
    clear = [item.edge.circle.radius for item in found if item.merit >= 0.3]
    if radius is None:
        assert clear == []
    else:
        assert clear[0] == pytest.approx(radius, abs=0.1 / PX_PER_MM)


def test_a_clearer_ring_beside_the_middle_gives_way_to_one_in_it() -> None:
    """A bore's far end that showed better than the bore's own edge was read for it, 0.62 mm small, stated 0.10."""
    things = (Disc(2.5, -1.2, 4.1, light=0.25), Disc(2.5, -1.2, 3.5, light=0.36), Disc(2.9, -1.2, 3.0, light=0.9))
    image = photograph(VIEW, Scene(things=things, noise=0.01))
    edges, picked = find_outer(image, VIEW, CENTRE, 4.0, HEIGHT_MM, BLUR_PX)
    assert picked is not None
    found = bore_edges(image, VIEW, picked.edge, edges, HEIGHT_MM, BLUR_PX)
    assert max(found, key=lambda item: item.merit).edge.circle.radius == pytest.approx(3.0, abs=0.05)
    assert found[0].edge.circle.radius == pytest.approx(3.5, abs=0.2 / PX_PER_MM)


LENGTH_MM = 7.0


def raised(radius: float, height_mm: float, light: float, bore: float = 0.0) -> Disc:
    """A level disc or ring above the card."""
    return Disc(2.5, -1.2, radius, light=light, height_mm=height_mm, bore_radius_mm=bore)


def test_the_bores_far_end_is_not_its_edge() -> None:
    """The lower end shows sharply against the paper under it; the edge, metal against metal, is the fainter one."""
    view = look(f_px=3200.0, size=(1600, 1200), tilt_deg=3.5, azimuth_deg=40.0)
    inner_wall, lower_end = raised(3.3, LENGTH_MM, 0.39), raised(3.2, 0.0, 0.85)
    things = (inner_wall, lower_end, raised(4.0, LENGTH_MM, 0.42, bore=3.2))
    image = photograph(view, Scene(things=things, noise=0.016))
    edges, picked = find_outer(image, view, CENTRE, 4.0, LENGTH_MM, BLUR_PX)
    assert picked is not None
    found = bore_edges(image, view, picked.edge, edges, LENGTH_MM, BLUR_PX)
    assert found[0].edge.circle.radius == pytest.approx(3.2, abs=0.5 / PX_PER_MM)


def ring(view: View, x_mm: float, y_mm: float, radius_mm: float, support: float) -> Scored:
    """A ring seen all round, with a scatter of 0.5 px."""
    scale = view.px_per_mm((x_mm, y_mm), LENGTH_MM)
    scatter = np.where(np.arange(360) % 2, 0.5, -0.5) / scale
    circle = Circle(x_mm, y_mm, radius_mm, np.eye(3), scatter, np.ones(360))
    nothing = np.zeros(360)
    edge = RoundEdge(
        np.zeros((360, 2)), nothing, circle, level(LENGTH_MM), scale, 360.0, support, nothing, 0.01
    )
    return Scored(edge.merit, edge)


@pytest.mark.parametrize(("off_px", "taken"), [(0.0, True), (6.0, False)])
def test_the_walls_foot_is_not_the_outside(off_px: float, taken: bool) -> None:
    """A ring where a fainter one's foot would be seen gives way to that one; a few pixels beside it does not.

    Where the foot is seen follows from OpenCV's projection of a circle on the card.
    """
    view = look(f_px=3200.0, size=(1600, 1200), tilt_deg=9.0, azimuth_deg=40.0)
    angles = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    foot = np.column_stack([2.5 + 4.0 * np.cos(angles), -1.2 + 4.0 * np.sin(angles), np.zeros(90)])
    camera, zero = view.camera, np.zeros(5)
    matrix = np.array([[camera.f_px, 0.0, camera.cx_px], [0.0, camera.f_px, camera.cy_px], [0.0, 0.0, 1.0]])
    seen_px, _ = cv2.projectPoints(foot, np.array(view.rvec), np.array(view.t_mm), matrix, zero)
    (x, y), radius = cv2.minEnclosingCircle(view.to_plane(seen_px.reshape(-1, 2), LENGTH_MM).astype(np.float32))
    own = ring(view, 2.5, -1.2, 4.0, 0.2)
    lower = ring(view, x + off_px * own.edge.px_per_mm**-1, y, radius, 0.3)
    assert pick_outer([lower, own], view, LENGTH_MM) is (own if taken else lower)


def test_marks_of_a_lathe_do_not_hide_the_outside() -> None:
    """Seven grooves in the face are sharper rings than its edge; the OD was read 0.35 mm small, stated 0.07."""
    grooves = [
        Disc(2.5, -1.2, radius + part, light=light)
        for radius in np.arange(3.85, 3.05, -0.11)
        for part, light in ((0.03, 0.35), (0.0, 0.62))
    ]
    things = (Disc(2.5, -1.2, 4.1, light=0.62), *grooves, Disc(2.5, -1.2, 3.0, light=0.1))
    image = photograph(VIEW, Scene(things=things, noise=0.01))
    _, picked = find_outer(image, VIEW, CENTRE, 4.0, HEIGHT_MM, BLUR_PX)
    assert picked is not None
    assert picked.edge.circle.radius == pytest.approx(4.1, abs=0.5 / PX_PER_MM)


def test_the_halo_of_sharpening_is_no_edge() -> None:
    """Round a bright end the paper looks darker for some pixels; the OD was read 0.31 mm large, stated 0.03."""
    things = (Disc(2.5, -1.2, 1.5, light=0.95), Disc(2.5, -1.2, 1.1, light=0.1))
    codes = photograph(VIEW, Scene(things=things, white=0.45, noise=0.004)).codes.astype(np.float32)
    wide = cv2.GaussianBlur(codes, (0, 0), 2.0)
    sharpened = np.clip(np.rint(codes + 0.8 * (codes - wide)), 0, 255).astype(np.uint8)
    # As the card's own edges would show it, black to white.
    _, halo = find_outer(LightImage(sharpened), VIEW, CENTRE, 1.5, HEIGHT_MM, BLUR_PX)
    _, picked = find_outer(LightImage(sharpened), VIEW, CENTRE, 1.5, HEIGHT_MM, BLUR_PX, overshoot=0.08)
    assert halo is not None
    assert halo.edge.circle.radius > 1.6
    assert picked is not None
    assert picked.edge.circle.radius == pytest.approx(1.5, abs=0.3 / PX_PER_MM)


@pytest.mark.parametrize(("off_px", "gap_mm", "taken"), [(5.0, 0.15, True), (1.0, 0.15, False), (5.0, 0.6, False)])
def test_a_faint_ring_round_another_centre_is_not_the_outside(off_px: float, gap_mm: float, taken: bool) -> None:
    """Wall, foot and shadow made a ring 0.33 mm too large; a chamfer's edge is concentric, a bore further in."""
    px = 1.0 / VIEW.px_per_mm((2.5, -1.2), LENGTH_MM)
    own = ring(VIEW, 2.5, -1.2, 1.26, 0.8)
    outermost = ring(VIEW, 2.5 + off_px * px, -1.2, 1.26 + gap_mm, 0.3)
    assert pick_outer([own, outermost], VIEW, LENGTH_MM) is (own if taken else outermost)


@pytest.mark.parametrize(
    ("radius", "merit", "other", "believed"),
    [
        (2.5, 0.45, 0.15, True),
        (2.5, 0.45, 0.4, False),
        (0.9, 0.45, 0.15, False),
        (0.9, 1.2, 1.0, True),
    ],
    ids=["faint", "as faint as another ring", "in too thick a wall", "clear"],
)
def test_a_ring_in_the_grain_inside_is_no_bore(radius: float, merit: float, other: float, believed: bool) -> None:
    """Grainy paper seen through a bore makes rings of its own; the bore was read 3.5 mm small."""
    outer = ring(VIEW, 2.5, -1.2, 3.1, 0.9).edge
    edge, another = (ring(VIEW, 2.5, -1.2, r, 0.3).edge for r in (radius, 1.7))
    bores = [Scored(merit, edge), Scored(other, another)]
    assert believed_bore(bores, outer) is (bores[0].edge if believed else None)
