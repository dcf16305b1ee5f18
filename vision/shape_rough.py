"""The map of sharp edges round a small stone, on which its outline is searched: a shadow's edge is soft."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.circle import FloatArray
from rimsight.vision.shape_search import EdgeMap

#: How far round the hull the photograph is looked at, pixels.
MARGIN_PX = 32
#: A narrow and a wide gradient, pixels: a sharp edge is this many times steeper in the narrow one.
NARROW_PX, WIDE_PX, STEEPNESS = 1.0, 3.0, 1.4
SHARP_RATIO = 8.0

def edge_map_round(image: LightImage, view: View, hull_mm: FloatArray, height_mm: float) -> EdgeMap:
    """Map the sharp edges round a hull, for outlines in millimetres at a height."""
    hull_px = view.to_pixels(hull_mm, 0.0)
    x0, y0, x1, y1 = image.window(hull_px, margin_px=MARGIN_PX)
    middle = view.to_plane(hull_px.mean(axis=0)[None, :], height_mm)[0]
    return EdgeMap(sharp_edges(image.codes[y0:y1, x0:x1]), affine_to_px(view, middle, height_mm, np.array([x0, y0])))


def affine_to_px(
    view: View, middle_mm: FloatArray, height_mm: float, corner_px: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Matrix (2, 2) and shift (2,) from millimetres at a height to pixels from a corner of the photograph.

    Perspective within one stone is taken as affine: good to a fraction of a pixel, enough for a search.
    """
    around = view.to_pixels(middle_mm + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), np.full(3, height_mm))
    matrix = np.column_stack([around[1] - around[0], around[2] - around[0]])
    return matrix, np.asarray(around[0] - matrix @ middle_mm - corner_px)


def sharp_edges(codes: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.float32]:
    """How sharp an edge each pixel lies on, 0 to 1, in the channel where it is sharpest."""
    picture = codes.astype(np.float32) / (1.0 if codes.dtype == np.uint8 else 257.0)
    if picture.ndim == 2:
        picture = picture[:, :, None]
    total = np.zeros(picture.shape[:2], dtype=np.float32)
    for channel in range(picture.shape[2]):
        narrow, wide = (_slope(picture[:, :, channel], sigma) for sigma in (NARROW_PX, WIDE_PX))
        excess = np.maximum(narrow - STEEPNESS * wide, 0.0)
        # Of the paper: the smoothest part of the picture. 2.07 makes the median of a Rayleigh distribution of it.
        noise = max(2.07 * float(np.percentile(narrow, 15.0)), 0.3)
        total = np.maximum(total, np.clip(excess / (SHARP_RATIO * noise) * 2.0, 0.0, 1.0))
    return np.asarray(total, dtype=np.float32)


def _slope(plane: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(plane, (0, 0), sigma)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    return np.asarray(np.hypot(gx, gy), dtype=np.float32)
