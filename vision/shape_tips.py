"""How far a triangle's tips are cut, told from the light about them.

The sides fix where they would meet. Whether they do, or a short face cuts the tip, no point of the outline tells: the
face is shorter than what the blur rounds off, and its points are left out of the fit. So the light about each tip is
compared with what a tip cut by so much would give, blurred as the photograph is.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.shape_edges import ShapeEdge, left_of
from rimsight.vision.shape_fit import moved
from rimsight.vision.shape_models import CUT, at_shares

FloatArray = NDArray[np.float64]

#: Cuts that are tried: distance, pixels of a side, and the largest as a share of the side.
STEP_PX, LARGEST_CUT = 0.5, 0.2
#: The light that is looked at reaches so many blurs, and this many pixels, round the tip and its cut.
REACH_BLURS, REACH_PX = 2.5, 3.0
#: The light is looked at once more about the cut that was found, until it moves by less than this, pixels.
ROUNDS, STEADY_PX = 5, 1.0
#: Parts of a pixel, in each direction, by which an outline's share of it is counted.
PARTS = 8
#: Points of each part of the outline.
POINTS = 41
#: Neighbouring pixels share their light (blur, mosaic, the file's coding): so many count as one.
ALIKE_PIXELS = 6.0
#: Steps of light between tip and paper below this, in linear light, tell nothing.
SMALLEST_STEP = 0.01
#: Least standard uncertainty of a cut, pixels of the side.
SMALLEST_U_PX = 0.3


def with_tips(image: LightImage, view: View, edge: ShapeEdge, blur_px: float) -> ShapeEdge:
    """The same edge with its tips cut as the light tells; of other outlines than triangles the edge as it is.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    edge : ShapeEdge
        A followed outline.
    blur_px : float
        Blur of the photograph, pixels.

    Returns
    -------
    ShapeEdge
        With `tip_u_mm`, the standard uncertainty of where a tip ends.
    """
    if edge.family.name != "triangle":
        return edge
    # What was located on the faces before belongs to other ones.
    edge = replace(edge, weights=np.where(edge.curve.part % 2 == 1, 0.0, edge.weights))
    side_px = float(np.mean(_sides(edge.parameters))) * edge.px_per_mm
    legs = np.arange(0.0, LARGEST_CUT * side_px, STEP_PX)
    tried = [_cut_back(edge, leg / side_px) for leg in legs]
    expected = float(edge.parameters[CUT]) * side_px
    costs: list[FloatArray] = []
    for _ in range(ROUNDS):
        costs = _all_costs(image, view, tried, legs, expected, blur_px)
        # Where there is only paper to see, the tips are cut further back.
        found = _lowest(legs, np.sum(costs, axis=0))[0] if costs else 2.0 * expected + REACH_PX
        if costs and abs(found - expected) < STEADY_PX:
            break
        expected = found
    if not costs:
        # Nothing is told of any tip: anything up to twice the cut that was assumed may be true.
        return replace(edge, tip_u_mm=0.5 * float(edge.parameters[CUT]) * side_px / edge.px_per_mm)
    leg, u = _lowest(legs, np.sum(costs, axis=0))
    own = [_lowest(legs, cost)[0] for cost in costs]
    apart = float(np.std(own)) / len(own) ** 0.5 if len(own) > 1 else 0.0
    # A cut of the sides by a leg ends the tip cos 30 degrees of it further in, half the angle between the sides.
    u_px = float(np.cos(np.pi / 6)) * float(np.hypot(max(u, SMALLEST_U_PX), apart))
    return replace(_cut_back(edge, leg / side_px), tip_u_mm=u_px / edge.px_per_mm)


def _cut_back(edge: ShapeEdge, cut: float) -> ShapeEdge:
    """The triangle with other cuts, its sides fitted to the edge once more: bulging ones move."""
    family, curve, parameters = edge.family, edge.curve, np.array(edge.parameters)
    parameters[CUT] = cut
    parameters = family.clipped(parameters)
    for _ in range(3):
        left = left_of(family, parameters, curve, edge.offsets_mm)
        parameters = moved(family, parameters, curve, left, edge.weights, kept=CUT)
    at = at_shares(family, parameters, curve)
    left = left_of(family, parameters, curve, edge.offsets_mm)
    return replace(edge, parameters=parameters, curve=replace(curve, points_mm=at), offsets_mm=left)


def _sides(parameters: FloatArray) -> FloatArray:
    tips = np.asarray(parameters[:6]).reshape(3, 2)
    return np.asarray(np.linalg.norm(np.roll(tips, -1, axis=0) - tips, axis=1))


def _all_costs(
    image: LightImage, view: View, tried: list[ShapeEdge], legs: FloatArray, expected_px: float, blur_px: float
) -> list[FloatArray]:
    """Minus the logarithm of the likelihood of every cut, for each tip that stands out."""
    edge = tried[int(np.argmin(np.abs(legs - expected_px)))]
    height = float(np.mean(edge.heights(view, edge.curve.points_mm, edge.curve.normals)))
    outlines = [view.to_pixels(_outline(one), height) for one in tried]
    tips = view.to_pixels(np.asarray(edge.parameters[:6]).reshape(3, 2), height)
    reach = REACH_BLURS * blur_px + REACH_PX + expected_px
    found = (_costs(image, outlines, tip, reach, blur_px) for tip in tips)
    return [cost for cost in found if cost is not None]


def _costs(
    image: LightImage, outlines: list[FloatArray], at: FloatArray, reach: float, blur_px: float
) -> FloatArray | None:
    """Those costs within reach of one tip, pixels; None where it doesn't stand out."""
    x0, y0, x1, y1 = image.window(at[None], margin_px=int(np.ceil(reach + 3.0 * blur_px)) + 2)
    light = image.region(x0, y0, x1, y1).astype(np.float64)
    y, x = np.mgrid[y0:y1, x0:x1].astype(np.float64)
    near = np.hypot(x - at[0], y - at[1]) < reach
    if np.count_nonzero(near) < 30:
        return None
    dx, dy = x[near] - at[0], y[near] - at[1]
    seen = light[near]
    plain = np.stack([np.ones_like(dx), dx, dy], axis=1)
    left, step = [], []
    for outline in outlines:
        inside = _share(outline, (x0, y0, x1, y1), blur_px)[near]
        columns = np.concatenate([plain, inside[:, None], (inside * np.hypot(dx, dy))[:, None]], axis=1)
        found = np.linalg.lstsq(columns, seen, rcond=None)[0]
        left.append(float(np.sum((seen - columns @ found) ** 2)))
        step.append(float(np.abs(found[3]).max()))
    if step[int(np.argmin(left))] < SMALLEST_STEP:
        return None
    return np.asarray(0.5 * seen.size / ALIKE_PIXELS * np.log(np.maximum(left, 1e-12)))


def _outline(edge: ShapeEdge) -> FloatArray:
    shares = np.linspace(0.0, 1.0, POINTS)
    return np.vstack([edge.family.point(edge.parameters, part, shares) for part in range(edge.family.parts)])


def _share(outline_px: FloatArray, window: tuple[int, int, int, int], blur_px: float) -> FloatArray:
    """Share (h, w) of each pixel's light that comes from inside an outline."""
    x0, y0, x1, y1 = window
    fine = np.zeros(((y1 - y0) * PARTS, (x1 - x0) * PARTS), dtype=np.uint8)
    # Pixel centres are whole numbers: the window begins half a pixel before the first; OpenCV counts from centres too.
    at = (outline_px - (x0, y0) + 0.5) * PARTS - 0.5
    cv2.fillPoly(fine, [np.round(at * 256.0).astype(np.int32)], 255, shift=8)
    small = cv2.resize(fine, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0
    return np.asarray(cv2.GaussianBlur(small, (0, 0), blur_px), dtype=np.float64)


def _lowest(places: FloatArray, costs: FloatArray) -> tuple[float, float]:
    """The likeliest place, to a fraction of a step, and the standard deviation about it by the likelihood."""
    k = int(np.argmin(costs))
    best = float(places[k])
    if 0 < k < len(costs) - 1:
        left, middle, right = costs[k - 1 : k + 2]
        best += 0.5 * STEP_PX * float((left - right) / max(left - 2.0 * middle + right, 1e-12))
    likely = np.exp(costs.min() - costs)
    return best, float((likely @ (places - best) ** 2 / likely.sum()) ** 0.5)
