"""A second opinion on the outline of a coloured or dark stone: where its colour begins, whatever the light does.

Colour is coarser than light (mosaic, JPEG), but a shadow or a bright facet beside the girdle, which light takes for it,
does not move it. Where both disagree on a stretch, the outline is doubtful by as much. And what lies just inside of the
outline must be the stone, what lies just outside of it must be ground.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LUMINANCE_WEIGHTS
from rimsight.vision.shape_edges import ShapeEdge, usable
from rimsight.vision.shape_likeness import Likeness, Surroundings

FloatArray = NDArray[np.float64]

#: How far on both sides of the outline colour is looked at, and the steps, pixels.
REACH_PX, STEP_PX = 9.0, 0.5
#: Smoothing along the outline, pixels (standard deviation): a facet or two; and where a side is judged by stretches.
ALONG_PX, STRETCH_PX = 12.0, 6.0
#: Light just inside and just outside of the edge is taken this far from it, pixels.
NEAR_PX = 2.5
#: A step of colour below this is none.
SMALLEST_STEP = 0.15
#: Ground of the stone's own colour and the stone itself, pixels from the outline; and what lies beside it.
GROUND_PX, STONE_PX = (4.0, 7.0), (-7.0, -3.0)
OUTSIDE_PX, CLOSE_PX, INSIDE_PX, COLOUR_AT_PX = (2.0, 3.5), (1.5, 3.5), (-2.0, -1.0), -1.0
#: A pixel inside of a stone's edge its colour has risen to a half and more, of the edge of a shadow that hugs the stone
#: to less than this share, and the light there is that of a shadow: between these shares of the light outside.
SHADOW_COLOUR, SHADOW_LIGHT = 0.38, (0.35, 0.92)
#: Beside the outline is stone, not ground, where the colour is more than this share of the stone's, or the light below
#: or above these shares of the paper's: darker than shadows, or a mirror.
STONE_COLOUR, DARKER, BRIGHTER = 0.6, 0.18, 1.12


def colour_offsets(likeness: Likeness, corner_px: FloatArray, edge: ShapeEdge, view: View) -> FloatArray:
    """How far outside of the outline the stone's colour begins, (N,) pixels; NaN where it does not show.

    Parameters
    ----------
    likeness : Likeness
        From `shape_likeness.stone_likeness`.
    corner_px : ndarray of shape (2,)
        Its first column and row in the photograph.
    edge : ShapeEdge
        The outline.
    view : View
        Geometry of the photograph.
    """
    steps, light = _strip(likeness.light, corner_px, edge, view, ALONG_PX)
    profile = np.asarray(likeness.of(light), dtype=np.float64)
    inner, outer = steps < -1.0, steps > 3.0
    high, low = profile[:, inner].max(axis=1), np.median(profile[:, outer], axis=1)
    near_in, near_out = (light[:, int(np.argmin(np.abs(steps - at)))] for at in (-NEAR_PX, NEAR_PX))
    share = likeness.share_at_edge(near_in, near_out)
    # Where the step isn't there, light from further inside and outside tells what share to look for.
    spanned = likeness.of(near_in) - likeness.of(near_out) > 0.5 * (high - low)
    far = likeness.share_at_edge(light[:, inner].mean(axis=1), np.median(light[:, outer], axis=1))
    level = low + np.where(spanned, share, far) * (high - low)
    # From outside in, the first sample above the level.
    above = profile[:, ::-1] >= level[:, None]
    first = np.argmax(above, axis=1)
    k = np.clip(len(steps) - 1 - first, 0, len(steps) - 2)
    rows = np.arange(len(k))
    rise = profile[rows, k] - profile[rows, k + 1]
    part_of = np.where(rise > 1e-9, (profile[rows, k] - level) / np.maximum(rise, 1e-9), 0.0)
    found = steps[k] + np.clip(part_of, 0.0, 1.0) * STEP_PX
    known = above.any(axis=1) & (high - low > SMALLEST_STEP) & (first > 0)
    return np.where(known, found, np.nan)


def beside(likeness: Likeness, around: Surroundings, edge: ShapeEdge, view: View) -> tuple[float, float]:
    """Shares of the outline inside of which a shadow lies, and outside of which stone lies.

    Parameters
    ----------
    likeness : Likeness
        From `shape_likeness.stone_likeness`.
    around : Surroundings
        The photograph round the stone.
    edge : ShapeEdge
        The outline.
    view : View
        Geometry of the photograph.

    Notes
    -----
    Of the outlines of coloured or dark stones (odd-numbered scenes of set `shapes` and set `fresh-shapes-1`, merit
    above 0.75) 34 of 36 that were off by at most 0.03 mm have shares up to 0.06; of eleven others eight have one of
    0.08 to 0.5, among them all that were off by more than 0.07 mm.
    """
    steps, smooth = _strip(likeness.light, around.corner_px, edge, view, STRETCH_PX)
    colour = np.asarray(likeness.of(smooth), dtype=np.float64)
    weights = np.asarray(LUMINANCE_WEIGHTS)
    paper = float(np.median(around.light[around.paper] @ weights))
    # Light as sharp as it is: smoothed, a dark girdle looks like a shadow.
    light = _strip(np.asarray(around.light, dtype=np.float32), around.corner_px, edge, view, STRETCH_PX)[1]
    shade = np.asarray(light @ weights, dtype=np.float64) / max(paper, 1e-3)

    def mean(of: FloatArray, place: tuple[float, float]) -> FloatArray:
        return np.asarray(of[:, (steps >= place[0]) & (steps <= place[1])].mean(axis=1))

    stone, ground = mean(colour, STONE_PX), mean(colour, GROUND_PX)
    rise = np.maximum(stone - ground, 0.05)
    told = stone - ground > 0.1
    risen = (colour[:, int(np.argmin(np.abs(steps - COLOUR_AT_PX)))] - ground) / rise
    outside, inside = mean(shade, OUTSIDE_PX), mean(shade, INSIDE_PX)
    close = shade[:, (steps >= CLOSE_PX[0]) & (steps <= CLOSE_PX[1])]
    low, high = (share * outside for share in SHADOW_LIGHT)
    shadow = told & (risen < SHADOW_COLOUR) & (inside > low) & (inside < high)
    own = told & ((mean(colour, OUTSIDE_PX) - ground) / rise > STONE_COLOUR)
    own |= (close.min(axis=1) < DARKER) | (close.max(axis=1) > BRIGHTER)
    use = usable(edge.curve, around.blur_px / edge.px_per_mm)
    if not use.any():
        return 0.0, 0.0
    return float(shadow[use].mean()), float(own[use].mean())


def share_inside(likeness: Likeness, corner_px: FloatArray, edge: ShapeEdge, view: View) -> float:
    """Share of the outline's inside that is more like the stone's core than like its ground; parameters as above."""
    curve = edge.curve
    pixels = view.to_pixels(curve.points_mm, edge.heights(view, curve.points_mm, curve.normals)) - corner_px
    mask = np.zeros(likeness.plane.shape, dtype=np.uint8)
    cv2.fillPoly(mask, [np.rint(pixels).astype(np.int32).reshape(-1, 1, 2)], 1)
    inside = likeness.plane[mask > 0]
    return float(np.mean(inside > 0.5)) if inside.size else 0.0


def _strip(
    plane: NDArray[np.float32], corner_px: FloatArray, edge: ShapeEdge, view: View, along_px: float
) -> tuple[FloatArray, NDArray[np.float32]]:
    """Steps (R,) outward in pixels, and the light (N, R, 3) there, smoothed along the outline within its parts."""
    curve = edge.curve
    steps = np.arange(-REACH_PX, REACH_PX + 0.5 * STEP_PX, STEP_PX)
    points = curve.points_mm[:, None, :] + (steps / edge.px_per_mm)[None, :, None] * curve.normals[:, None, :]
    heights = np.repeat(edge.heights(view, curve.points_mm, curve.normals), len(steps))
    pixels = view.to_pixels(points.reshape(-1, 2), heights).reshape(len(curve.points_mm), len(steps), 2) - corner_px
    light = np.asarray(cv2.remap(
        plane, np.float32(pixels[..., 0]), np.float32(pixels[..., 1]), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ))  # fmt: skip
    spread = along_px / (curve.step_mm * edge.px_per_mm)
    for part in np.unique(curve.part):
        mine = curve.part == part
        mode = "wrap" if edge.family.parts == 1 else "nearest"
        light[mine] = ndimage.gaussian_filter1d(light[mine], spread, axis=0, mode=mode)
    return steps, light
