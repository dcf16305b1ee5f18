"""Stone, shadow and facets told apart: drawn coloured stones with hard shadows, exact truth by the polygons drawn."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from skimage.filters import threshold_otsu
from skimage.measure import label, regionprops

from fixtures.outlines import smallest_box_mm
from rimsight.calibration.camera import Camera, View
from rimsight.calibration.pixels import LightImage, encode_srgb
from rimsight.vision.circle import fit_circle
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.shape import as_well_seen, refuse_rivals, refuse_unclear
from rimsight.vision.shape_beyond import own_colour_beyond, refuse_beyond
from rimsight.vision.shape_colour import beside, colour_offsets, share_inside
from rimsight.vision.shape_edges import ShapeEdge
from rimsight.vision.shape_evidence import girdle_maps
from rimsight.vision.shape_fit import offsets_along
from rimsight.vision.shape_hypotheses import Hypothesis, hypotheses
from rimsight.vision.shape_likeness import stone_likeness, surroundings
from rimsight.vision.shape_models import FAMILIES
from rimsight.vision.shape_path import closed_path, ellipse_of
from rimsight.vision.shape_search import EdgeMap, Found, scanned
from rimsight.vision.stone import NotRound, OutlineUnclear
from tests.vision.test_shapes import drawn_outline

PX_PER_MM = 30.0
SIZE = 400
VIEW = View(Camera(f_px=3000.0, cx_px=199.5, cy_px=199.5), (0.0, 0.0, 0.0), (0.0, 0.0, 100.0))
PAPER = np.array([0.62, 0.60, 0.57])
#: A shadow of 2 to 4 pixels' width along a straight side can't be told from the stone; this one is wider on each.
SHADOW_MM = (0.3, 0.6)
RED, GREY = np.array([0.35, 0.06, 0.05]), np.array([0.42, 0.41, 0.40])


def covered(points_mm: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Share of every pixel that a polygon covers."""
    fine = 8
    picture = np.zeros((SIZE * fine, SIZE * fine), np.uint8)
    corners = (points_mm * PX_PER_MM + 200.0) * fine
    cv2.fillPoly(picture, [np.rint(corners * 16 - 8).astype(np.int32)], 255, shift=4)
    return np.asarray(cv2.resize(picture.astype(np.float32) / 255.0, (SIZE, SIZE), interpolation=cv2.INTER_AREA))


def photographed(
    points_mm: np.ndarray[Any, Any], colour: np.ndarray[Any, Any], shadow_mm: tuple[float, float] = SHADOW_MM
) -> tuple[LightImage, np.ndarray[Any, Any]]:
    """A stone of one colour with flecks and a hard shadow on paper, and the rough hull (M, 2) px of both."""
    rng = np.random.default_rng(11)
    stone, shade = covered(points_mm), covered(points_mm + shadow_mm)
    light = PAPER * (1.0 - 0.6 * shade[:, :, None])
    flecks = cv2.resize(rng.uniform(0.6, 1.4, (40, 40)).astype(np.float32), (SIZE, SIZE))
    light = light * (1.0 - stone[:, :, None]) + (colour * flecks[:, :, None]) * stone[:, :, None]
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 0.8)
    light += rng.normal(0.0, 0.004, light.shape).astype(np.float32)
    codes = np.rint(255.0 * encode_srgb(np.clip(light, 0.0, 1.0))).astype(np.uint8)
    both = np.vstack([points_mm, points_mm + shadow_mm]).astype(np.float32)
    hull = cv2.convexHull(both).reshape(-1, 2) * PX_PER_MM + 199.5
    return LightImage(np.ascontiguousarray(codes)), np.asarray(hull, dtype=np.float64)


def outlines(
    image: LightImage, hull: np.ndarray[Any, Any], families: tuple[str, ...] | None = None
) -> list[Hypothesis]:
    """Outlines that may be the stone's, at the card's own height."""
    return hypotheses(image, VIEW, surroundings(image, hull, 0.8), (0.0, 0.0), families)


@pytest.mark.parametrize("shape", ["oval", "pear", "cushion", "rectangle", "triangle"])
def test_a_hard_shadow_is_not_taken_for_the_stone(shape: str) -> None:
    """Outside comparison: Otsu's threshold (scikit-image) takes stone and shadow for one, tenths of a millimetre."""
    points = drawn_outline(shape)
    image, hull = photographed(points, RED)
    length, width = smallest_box_mm(points)
    best = outlines(image, hull)[0]
    assert best.box.length_mm == pytest.approx(length, abs=0.06 if shape == "triangle" else 0.03)
    assert best.box.width_mm == pytest.approx(width, abs=0.06 if shape == "triangle" else 0.03)
    dark = image.luminance(0, 0, SIZE, SIZE)
    things = regionprops(label(dark < threshold_otsu(dark)))
    thing = max(things, key=lambda one: one.area)
    assert thing.feret_diameter_max / PX_PER_MM > best.box.length_mm + 0.1


def test_a_coloured_stone_tells_itself_from_paper_and_shadow() -> None:
    points = drawn_outline("oval")
    image, hull = photographed(points, RED)
    around = surroundings(image, hull, 0.8)
    likeness = stone_likeness(around)
    assert likeness is not None
    assert len(girdle_maps(around)) == 1
    x0, y0 = around.corner_px.astype(int)
    stone = covered(points)[y0 : y0 + likeness.plane.shape[0], x0 : x0 + likeness.plane.shape[1]]
    shade = covered(points + SHADOW_MM)[y0 : y0 + likeness.plane.shape[0], x0 : x0 + likeness.plane.shape[1]]
    inner = cv2.erode(stone, np.ones((9, 9))) > 0.99
    only_shade = (cv2.dilate(stone, np.ones((9, 9))) < 0.01) & (shade > 0.99)
    assert np.median(likeness.plane[inner]) == pytest.approx(1.0, abs=0.05)
    assert abs(np.median(likeness.plane[only_shade])) < 0.1


def test_a_clear_stone_does_not_tell_itself() -> None:
    image, hull = photographed(drawn_outline("oval"), GREY)
    around = surroundings(image, hull, 0.8)
    assert stone_likeness(around) is None
    assert len(girdle_maps(around)) == 2


def test_colour_begins_where_the_outline_runs_and_says_so_where_it_does_not() -> None:
    """Moved out by 4 pixels, colour wants the outline back by as much."""
    points = drawn_outline("oval")
    image, hull = photographed(points, RED)
    around = surroundings(image, hull, 0.8)
    likeness = stone_likeness(around)
    assert likeness is not None
    best = outlines(image, hull)[0].edge
    true = colour_offsets(likeness, around.corner_px, best, VIEW)
    assert np.isfinite(true).mean() > 0.95
    assert np.std(true[np.isfinite(true)]) < 0.5
    by_four = np.array([[1.0, 0.0, 4.0], [0.0, 1.0, 0.0]])
    size = likeness.plane.shape[::-1]
    there = np.asarray(cv2.warpAffine(likeness.light, by_four, size, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)
    moved = colour_offsets(replace(likeness, light=there), around.corner_px, best, VIEW) - true
    right = best.curve.normals[:, 0] > 0.9
    left = best.curve.normals[:, 0] < -0.9
    assert np.nanmedian(moved[right]) == pytest.approx(4.0, abs=0.6)
    assert np.nanmedian(moved[left]) == pytest.approx(-4.0, abs=0.6)


def test_the_path_passes_by_an_inner_ring_and_its_hull_bridges_a_gap() -> None:
    y, x = np.mgrid[0:200, 0:200].astype(float)
    away, turn = np.hypot(x - 100.0, y - 100.0), np.degrees(np.arctan2(y - 100.0, x - 100.0))
    evidence = (np.abs(away - 70.0) < 0.7) & (np.abs(turn - 20.0) > 20.0)
    evidence |= np.abs(away - 45.0) < 0.7
    hull = 100.0 + 75.0 * np.column_stack([np.cos(np.arange(0, 6.28, 0.1)), np.sin(np.arange(0, 6.28, 0.1))])
    path = closed_path(evidence.astype(np.float32), ellipse_of(hull), outermost=0.7)
    radius = np.hypot(path[:, 0] - 100.0, path[:, 1] - 100.0)
    assert np.mean(np.abs(radius - 70.0) < 2.5) > 0.85
    # A chord over 40 degrees cuts off 70^2 / 2 (0.698 - sin 0.698) = 135 of the circle's 15394 square pixels.
    area = cv2.contourArea(cv2.convexHull(path.astype(np.float32)))
    assert area == pytest.approx(np.pi * 70.0**2 - 135.0, rel=0.04)


def test_a_side_is_moved_past_a_nearer_line_to_the_outermost() -> None:
    """Rectangle of lines at 80 x 50 pixels, its right side doubled 8 pixels further in."""
    evidence = np.zeros((200, 200), np.float32)
    cv2.rectangle(evidence, (60, 75), (140, 125), 1.0, 1)
    cv2.line(evidence, (132, 77), (132, 123), 1.0, 1)
    to_px = np.eye(2) * 20.0, np.array([100.0, 100.0])
    edges = EdgeMap(evidence, to_px, zone_px=(3.0, 5.0, 7.0, 9.0), outside_cost=0.9)
    inner = np.array([-0.2, 0.0, 0.0, 1.8, 1.25, 0.0])
    found = scanned(edges, Found(FAMILIES["rectangle"], inner, 0.0), 0.6)
    assert found.parameters[0] == pytest.approx(0.0, abs=0.06)
    assert found.parameters[3] == pytest.approx(2.0, abs=0.06)


def test_only_families_that_are_asked_for() -> None:
    image, hull = photographed(drawn_outline("oval"), RED)
    assert {one.edge.family.name for one in outlines(image, hull, ("rectangle",))} <= {"rectangle"}


def round_edge(centre_mm: tuple[float, float], radius_mm: float) -> RoundEdge:
    """A circle as if it had been read."""
    turn = np.arange(120) * 2.0 * np.pi / 120
    points = np.array(centre_mm) + radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    circle = fit_circle(points, np.ones(120), start=(*centre_mm, radius_mm))
    ones = np.ones(120)
    return RoundEdge(VIEW.to_pixels(points), ones, circle, level(0.0), PX_PER_MM, 360.0, 1.0, 0.0 * ones, 0.001)


def test_a_circle_that_a_coloured_stone_goes_on_beyond_is_refused() -> None:
    """The largest circle inside a rectangle twice as long as wide leaves half of the stone outside; a disc's none."""
    points = np.array([[-3.0, -1.5], [3.0, -1.5], [3.0, 1.5], [-3.0, 1.5]])
    image, _ = photographed(points, RED)
    with pytest.raises(NotRound, match="beyond the circle"):
        refuse_beyond(image, VIEW, round_edge((0.0, 0.0), 1.5), 0.8)
    turn = np.arange(360) * np.pi / 180.0
    image, _ = photographed(2.0 * np.column_stack([np.cos(turn), np.sin(turn)]), RED)
    refuse_beyond(image, VIEW, round_edge((0.0, 0.0), 2.0), 0.8)
    assert own_colour_beyond(image, VIEW, round_edge((0.0, 0.0), 2.0), 0.8) < 0.01


def accepted(found: list[Hypothesis]) -> Hypothesis:
    """The likeliest outline, if nothing speaks against it."""
    refuse_unclear(found[0], clear=True)
    assert refuse_rivals(found[0], found, coloured=False) == []
    return found[0]


def test_a_grey_stone_is_read_where_it_throws_no_shadow() -> None:
    points = drawn_outline("oval")
    found = outlines(*photographed(points, 0.2 * PAPER, (0.0, 0.0)))
    assert accepted(found).box.length_mm == pytest.approx(smallest_box_mm(points)[0], abs=0.02)


@pytest.mark.parametrize("lightness", [0.2, 0.5])
def test_a_grey_stone_is_never_read_with_its_shadow(lightness: float) -> None:
    """A shadow is grey as well: what can't be told from it has to be refused, not read half a millimetre large."""
    found = outlines(*photographed(drawn_outline("oval"), lightness * PAPER))
    with pytest.raises(OutlineUnclear):
        accepted(found)


def test_straight_sides_without_colour_are_refused() -> None:
    """Facets run along them: of rendered clear stones four of four were read 0.08 to 0.12 mm small, stated 0.02."""
    found = outlines(*photographed(drawn_outline("rectangle"), 0.2 * PAPER, (0.0, 0.0)))
    with pytest.raises(OutlineUnclear, match="straight"):
        refuse_unclear(found[0], clear=True)
    refuse_unclear(found[0], clear=False)


def test_stone_and_shadow_on_the_wrong_side_are_told() -> None:
    """The right outline; one that follows the edge of a narrow shadow on two sides; one that runs within the stone."""
    points, narrow = drawn_outline("rectangle"), (0.1, 0.13)
    image, hull = photographed(points, RED, narrow)
    around = surroundings(image, hull, 0.8)
    likeness = stone_likeness(around)
    assert likeness is not None
    best = outlines(image, hull, ("rectangle",))[0].edge
    right = closest(best, points)

    def moved(by_mm: Any) -> tuple[float, float]:
        curve = replace(right.curve, points_mm=right.curve.points_mm + np.asarray(by_mm) * right.curve.normals)
        return beside(likeness, around, replace(right, curve=curve), VIEW)

    assert moved(0.0) == pytest.approx((0.0, 0.0), abs=0.03)
    assert moved(np.maximum(right.curve.normals @ np.array(narrow), 0.0)[:, None])[0] > 0.25
    assert moved(-0.15)[1] > 0.5


def closest(edge: ShapeEdge, points: np.ndarray[Any, Any]) -> ShapeEdge:
    """The edge with its curve laid on the drawn outline."""
    away = offsets_along(edge.curve.points_mm, edge.curve.normals, points)
    curve = replace(edge.curve, points_mm=edge.curve.points_mm + np.nan_to_num(away)[:, None] * edge.curve.normals)
    return replace(edge, curve=curve)


def test_an_outline_that_sticks_out_where_nothing_shows_is_no_rival() -> None:
    """A pear round an oval has a point without an edge: it is seen less far round and on less evidence."""

    def one(coverage_deg: float, evidence: float) -> Any:
        return SimpleNamespace(edge=SimpleNamespace(coverage_deg=coverage_deg), evidence=evidence)

    oval = one(348.0, 0.84)
    pear, as_far_round, as_much_evidence = one(318.0, 0.77), one(345.0, 0.6), one(300.0, 0.83)
    kept = as_well_seen(oval, [oval, pear, as_far_round, as_much_evidence])
    assert kept == [oval, as_far_round, as_much_evidence]


def test_a_stone_that_is_dark_in_its_middle_only_is_told_from_a_dark_one() -> None:
    """A clear stone mirrors the camera there; its facets, dark beside light, were read 0.4 mm small as its edge."""
    points = drawn_outline("rectangle")
    image, hull = photographed(points, 0.03 * PAPER, (0.0, 0.0))
    around = surroundings(image, hull, 0.8)
    likeness = stone_likeness(around)
    assert likeness is not None
    edge = outlines(image, hull, ("rectangle",))[0].edge
    assert share_inside(likeness, around.corner_px, edge, VIEW) > 0.9
    middle = points.mean(axis=0)
    dark_middle = surroundings(photographed(middle + 0.7 * (points - middle), 0.03 * PAPER, (0.0, 0.0))[0], hull, 0.8)
    likeness = stone_likeness(dark_middle)
    assert likeness is not None
    # A square of 0.7 has 0.49 of the area.
    assert share_inside(likeness, dark_middle.corner_px, edge, VIEW) == pytest.approx(0.49, abs=0.05)
