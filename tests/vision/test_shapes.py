"""Outlines of stones that aren't round: models, fits, smallest box, and the edge of drawn shapes with exact truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from skimage.draw import polygon2mask
from skimage.measure import label, regionprops

from fixtures.outlines import SHAPES, outline_mm, smallest_box_mm
from fixtures.sets_shapes import PROPORTIONS
from rimsight.calibration.camera import Camera, View
from rimsight.calibration.pixels import LightImage, encode_srgb
from rimsight.vision.outline import level
from rimsight.vision.shape_box import closed_outline, departures, smallest_box
from rimsight.vision.shape_edges import ShapeEdge, follow
from rimsight.vision.shape_fit import coarse_fits
from rimsight.vision.shape_models import CUT, FAMILIES, at_shares, curve_of, sensitivity
from rimsight.vision.shape_name import name_shape
from rimsight.vision.shape_strip import patch_round
from rimsight.vision.shape_tips import with_tips

FAMILY_OF = {
    "oval": "superellipse", "cushion": "superellipse", "marquise": "marquise", "pear": "pear",
    "square": "rectangle", "rectangle": "rectangle", "cut-corner": "rectangle", "triangle": "triangle",
}  # fmt: skip
NAMES = {"cut-corner": "rectangle, corners cut"}
PX_PER_MM = 30.0
#: A camera straight above at 100 mm.
VIEW = View(Camera(f_px=3000.0, cx_px=199.5, cy_px=199.5), (0.0, 0.0, 0.0), (0.0, 0.0, 100.0))


def drawn_outline(shape: str, turn_deg: float = 23.0) -> np.ndarray[Any, Any]:
    """An outline of middling proportions, 6 mm long, turned and off the middle."""
    low, high, least, most = PROPORTIONS[shape]
    points = outline_mm(shape, 6.0, 6.0 / ((low + high) / 2), (least + most) / 2)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.asarray(points @ np.array([[c, -s], [s, c]]).T + (0.21, -0.34))


def photographed(points_mm: np.ndarray[Any, Any], *, noise: float = 0.004) -> LightImage:
    """The outline filled dark on white paper: area coverage, blur of 0.8 px, noise, 8 bits."""
    fine = 8
    corners = (points_mm * PX_PER_MM + 200.0) * fine
    picture = np.zeros((400 * fine, 400 * fine), np.uint8)
    cv2.fillPoly(picture, [np.rint(corners * 16 - 8).astype(np.int32)], 255, lineType=cv2.LINE_8, shift=4)
    cover = cv2.resize(picture.astype(np.float32) / 255.0, (400, 400), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(0.75 - 0.6 * cover, (0, 0), 0.8)
    light += np.random.default_rng(5).normal(0.0, noise, light.shape).astype(np.float32)
    codes = np.rint(255.0 * encode_srgb(np.clip(light, 0.0, 1.0))).astype(np.uint8)
    return LightImage(np.ascontiguousarray(np.repeat(codes[:, :, None], 3, axis=2)))


def followed(points_mm: np.ndarray[Any, Any], image: LightImage) -> tuple[ShapeEdge, list[ShapeEdge]]:
    """The edge of highest merit of all families that suit a rough copy of the outline."""
    rough = points_mm.mean(axis=0) + 1.03 * (points_mm - points_mm.mean(axis=0))
    patch = patch_round(image, VIEW.to_pixels(rough))
    edges = [
        edge
        for fit in coarse_fits(rough)[:3]
        if (edge := follow(patch, VIEW, fit.family, fit.parameters, level(0.0), 0.8)) is not None
    ]
    return max(edges, key=lambda edge: edge.merit), edges


@pytest.mark.parametrize("shape", SHAPES)
def test_length_and_width_of_a_drawn_shape(shape: str) -> None:
    """Truth: the polygon's own box, by code that shares nothing with the program's."""
    points = drawn_outline(shape)
    length, width = smallest_box_mm(points)
    edge, tried = followed(points, photographed(points))
    assert edge.family.name == FAMILY_OF[shape]
    outline = closed_outline(edge.family, edge.parameters, edge, edge.curve.points_mm, departures(edge))
    box = smallest_box(outline)
    # A tenth of a pixel is 3 micrometres here. The tips of marquise and pear are extrapolated from their sides; how far
    # a triangle's small tips are cut `shape_tips` tells, which isn't part of this.
    limit = {"marquise": 0.02, "pear": 0.02, "triangle": 0.05}.get(shape, 0.008)
    assert box.length_mm == pytest.approx(length, abs=limit)
    assert box.width_mm == pytest.approx(width, abs=max(limit, 0.01) if shape == "triangle" else 0.01)
    merits = [(one, one.merit) for one in tried]
    assert name_shape(edge, edge.merit, merits, box).shape == NAMES.get(shape, shape)


@pytest.mark.parametrize("shape", ["cushion", "pear", "rectangle", "triangle"])
def test_sensitivity_is_the_same_wherever_the_curve_was_laid(shape: str) -> None:
    """It was taken from the curve's own points: parameters that had moved since hardly moved any more."""
    fit = coarse_fits(drawn_outline(shape), (FAMILY_OF[shape],))[0]
    curve = curve_of(fit.family, fit.parameters, 0.1)
    elsewhere = fit.parameters + 0.01
    own = replace(curve, points_mm=at_shares(fit.family, elsewhere, curve))
    np.testing.assert_allclose(
        sensitivity(fit.family, elsewhere, curve), sensitivity(fit.family, elsewhere, own), atol=1e-9
    )


@pytest.mark.parametrize("sagitta", [0.0, 0.06])
@pytest.mark.parametrize("cut", [0.0, 0.02, 0.04, 0.08])
def test_how_far_a_triangles_tips_are_cut_is_told_from_the_light(cut: float, sagitta: float) -> None:
    """A triangle of sharp tips was read 0.2 mm small, stated 0.04: its tips were taken to be cut as usual."""
    points = cut_triangle(cut, sagitta)
    length, width = smallest_box_mm(points)
    image = photographed(points)
    edge, _ = followed(points, image)
    assert edge.family.name == "triangle"
    edge = with_tips(image, VIEW, edge, 0.8)
    outline = closed_outline(edge.family, edge.parameters, edge, edge.curve.points_mm, departures(edge))
    box = smallest_box(outline)
    # A pixel where the tip ends in a point (its light fades away), a third of one where a face ends it.
    limit = (1.0 if cut == 0.0 else 0.3) / PX_PER_MM
    assert box.length_mm == pytest.approx(length, abs=limit)
    assert box.width_mm == pytest.approx(width, abs=limit)
    # From a start that is wrong either way.
    for wrong in (0.5, 2.0):
        other = replace(edge, parameters=np.append(edge.parameters[:CUT], wrong * 0.04))
        assert with_tips(image, VIEW, other, 0.8).parameters[CUT] == pytest.approx(edge.parameters[CUT], abs=0.001)


def cut_triangle(cut: float, sagitta: float) -> np.ndarray[Any, Any]:
    """An equilateral triangle of 6 mm with sides that bulge, tips cut by a share of the side."""
    turn = np.radians([17.0, 137.0, 257.0])
    tips = 6.0 / 3**0.5 * np.column_stack([np.cos(turn), np.sin(turn)]) + (0.21, -0.34)
    t = np.linspace(cut, 1.0 - cut, 100)[:, None]
    parts = []
    for k in range(3):
        a, b = tips[k], tips[(k + 1) % 3]
        across = np.array([(b - a)[1], -(b - a)[0]])
        bulge = 4.0 * sagitta * (t - cut) * (1.0 - cut - t) / (1.0 - 2.0 * cut)
        parts.append(a + t * (b - a) + bulge * across)
    return np.vstack(parts)


@pytest.mark.parametrize("shape", SHAPES)
def test_a_family_fits_its_own_shape_best(shape: str) -> None:
    fits = coarse_fits(drawn_outline(shape))
    assert fits[0].family.name == FAMILY_OF[shape]
    assert fits[0].misfit_mm < 0.015


@pytest.mark.parametrize("shape", ["oval", "cushion", "marquise", "square", "rectangle", "cut-corner"])
def test_smallest_box_agrees_with_opencv_where_both_boxes_are_one(shape: str) -> None:
    """Outside check: `cv2.minAreaRect` (rotating calipers, smallest AREA), one with the smallest width for these."""
    points = drawn_outline(shape)
    box = smallest_box(points)
    _, sides, _ = cv2.minAreaRect(points.astype(np.float32))
    assert sorted(sides) == pytest.approx([box.width_mm, box.length_mm], abs=1e-3)


@pytest.mark.parametrize("shape", ["oval", "marquise", "pear"])
def test_length_agrees_with_the_feret_diameter_of_skimage(shape: str) -> None:
    """Outside check: `skimage.measure.regionprops`, largest Feret diameter; the longest extent of these shapes."""
    points = drawn_outline(shape)
    mask = polygon2mask((400, 400), (points * PX_PER_MM + 200.0)[:, ::-1])
    feret = regionprops(label(mask))[0].feret_diameter_max / PX_PER_MM
    # The mask's outline is good to a pixel: it runs through whole pixels.
    assert smallest_box(points).length_mm == pytest.approx(feret, abs=1.5 / PX_PER_MM)


def test_smallest_width_of_a_triangle_is_its_least_height() -> None:
    """Of a 3-4-5 triangle the least height stands on the longest side: 3 * 4 / 5."""
    box = smallest_box(np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]]))
    assert box.width_mm == pytest.approx(2.4)
    assert box.length_mm == pytest.approx(5.0)


def test_no_box_round_a_line() -> None:
    with pytest.raises(ValueError, match="three points"):
        smallest_box(np.array([[0.0, 0.0], [1.0, 1.0]]))


def test_noise_does_not_make_a_shape_larger() -> None:
    """Extremes of a noisy outline lie outside; the model's and the smoothed departures' don't."""
    points = drawn_outline("oval")
    clean, noisy = (followed(points, photographed(points, noise=noise))[0] for noise in (0.003, 0.012))
    sizes = [
        smallest_box(closed_outline(e.family, e.parameters, e, e.curve.points_mm, departures(e))).length_mm
        for e in (clean, noisy)
    ]
    assert sizes[1] - sizes[0] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("name", list(FAMILIES))
def test_normals_point_outwards(name: str) -> None:
    parameters = {
        "round": [0.0, 0.0, 2.0], "superellipse": [0.0, 0.0, 0.4, 3.0, 2.0, 2.5], "marquise": [0.0, 0.0, 0.4, 3.0, 1.5],
        "pear": [0.0, 0.0, 0.4, 1.5, 1.5, 3.0], "rectangle": [0.0, 0.0, 0.4, 3.0, 2.0, 0.4],
        "triangle": [-2.0, -1.0, 2.0, -1.0, 0.0, 2.0, 0.03, 0.04],
    }[name]  # fmt: skip
    curve = curve_of(FAMILIES[name], np.array(parameters), 0.05)
    outwards = np.sum(curve.normals * (curve.points_mm - curve.points_mm.mean(axis=0)), axis=1)
    assert (outwards > 0).all()
    assert np.linalg.norm(curve.normals, axis=1) == pytest.approx(1.0)
