"""A second opinion on the outline of a coloured or dark stone: where its colour begins, whatever the light does.

Colour is coarser than light (mosaic, JPEG), but a shadow or a bright facet beside the girdle, which light takes for it,
does not move it. Where both disagree on a stretch, the outline is doubtful by as much.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.camera import View
from rimsight.vision.shape_edges import ShapeEdge
from rimsight.vision.shape_likeness import Likeness

FloatArray = NDArray[np.float64]

#: How far on both sides of the outline colour is looked at, and the steps, pixels.
REACH_PX, STEP_PX = 9.0, 0.5
#: Smoothing along the outline, pixels (standard deviation): a facet or two.
ALONG_PX = 12.0
#: Light just inside and just outside of the edge is taken this far from it, pixels.
NEAR_PX = 2.5
#: A step of colour below this is none.
SMALLEST_STEP = 0.15


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
    curve = edge.curve
    steps = np.arange(-REACH_PX, REACH_PX + 0.5 * STEP_PX, STEP_PX)
    points = curve.points_mm[:, None, :] + (steps / edge.px_per_mm)[None, :, None] * curve.normals[:, None, :]
    heights = np.repeat(edge.heights(view, curve.points_mm, curve.normals), len(steps))
    pixels = view.to_pixels(points.reshape(-1, 2), heights).reshape(len(curve.points_mm), len(steps), 2) - corner_px
    light = np.asarray(cv2.remap(
        likeness.light, np.float32(pixels[..., 0]), np.float32(pixels[..., 1]), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ))  # fmt: skip
    spread = ALONG_PX / (curve.step_mm * edge.px_per_mm)
    for part in np.unique(curve.part):
        mine = curve.part == part
        mode = "wrap" if edge.family.parts == 1 else "nearest"
        light[mine] = ndimage.gaussian_filter1d(light[mine], spread, axis=0, mode=mode)
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
