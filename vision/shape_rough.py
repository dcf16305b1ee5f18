"""Which part of a thing on the stage is the stone: shadows that hug it are cut off its rough outline.

A stone's shadow is nearly its own outline, shifted. So the hull of stone and shadow, cut with itself shifted back, is
nearly the stone's. Directions and lengths of the shift are tried; what counts is how much of the cut hull runs along
sharp edges, with no sharp edges just outside of it: a shadow's edge is soft.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.circle import FloatArray
from rimsight.vision.shape_search import EdgeMap

#: Directions and lengths (millimetres) of a shadow that are tried.
DIRECTIONS = 16
LENGTHS_MM = (0.1, 0.2, 0.3, 0.42, 0.56, 0.72, 0.92, 1.2, 1.6, 2.1)
#: A lamp and a window throw two shadows.
SHADOWS = 2
#: Sharp edges within this of the outline count for it; those outside of it within the zone count against it, pixels.
NEAR_PX = 3.0
ZONE_PX = (5.0, 20.0)
OUTSIDE_COST = 0.6
#: How many rough outlines are handed on, and how much their centres or sizes differ at least, millimetres.
HANDED_ON, DISTINCT_MM = 4, 0.08
#: A narrow and a wide gradient, pixels: a sharp edge is this many times steeper in the narrow one.
NARROW_PX, WIDE_PX, STEEPNESS = 1.0, 3.0, 1.4
SHARP_RATIO = 8.0
#: Points of an outline that are looked at.
POINTS = 96


def rough_outlines(image: LightImage, view: View, hull_mm: FloatArray) -> list[FloatArray]:
    """Rough outlines of a stone within the hull of everything that lies there, the likeliest first.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    hull_mm : ndarray of shape (M, 2)
        Hull of stone and shadow, card millimetres as seen in the card's plane.

    Returns
    -------
    list of ndarray of shape (K, 2)
        In the same plane; the hull itself is among those considered.
    """
    hull_px = view.to_pixels(hull_mm, 0.0)
    x0, y0, x1, y1 = image.window(hull_px, margin_px=int(ZONE_PX[1]) + 12)
    sharp = sharp_edges(image.codes[y0:y1, x0:x1])
    scale = view.px_per_mm((float(hull_mm[:, 0].mean()), float(hull_mm[:, 1].mean())))
    corner = np.array([x0, y0], dtype=np.float64)
    current = [np.asarray(hull_px - corner)]
    scored: list[tuple[float, FloatArray]] = [(_score(sharp, current[0]), current[0])]
    for _ in range(SHADOWS):
        best = scored[0][1]
        scored += [(_score(sharp, cut), cut) for cut in _cuts(best, scale)]
        scored.sort(key=lambda item: -item[0])
    kept: list[FloatArray] = []
    for _, outline in scored:
        if all(_differ(outline, other) > DISTINCT_MM * scale for other in kept):
            kept.append(outline)
        if len(kept) == HANDED_ON:
            break
    return [view.to_plane(outline + corner, 0.0) for outline in kept]


def edge_map_round(image: LightImage, view: View, hull_mm: FloatArray, height_mm: float) -> EdgeMap:
    """Map the sharp edges round a hull, for outlines in millimetres at a height.

    Perspective within one stone is taken as affine: good to a fraction of a pixel, enough for a search.
    """
    hull_px = view.to_pixels(hull_mm, 0.0)
    x0, y0, x1, y1 = image.window(hull_px, margin_px=int(ZONE_PX[1]) + 12)
    middle = view.to_plane(hull_px.mean(axis=0)[None, :], height_mm)[0]
    around = view.to_pixels(middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), np.full(3, height_mm))
    matrix = np.column_stack([around[1] - around[0], around[2] - around[0]])
    shift = around[0] - matrix @ middle - np.array([x0, y0])
    return EdgeMap(sharp_edges(image.codes[y0:y1, x0:x1]), (matrix, shift))


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


def _cuts(hull_px: FloatArray, scale: float) -> list[FloatArray]:
    """The hull cut with itself shifted, for every direction and length that leaves something."""
    area = float(cv2.contourArea(hull_px.astype(np.float32)))
    found = []
    for turn in np.arange(DIRECTIONS) * 2.0 * np.pi / DIRECTIONS:
        for length in LENGTHS_MM:
            shift = length * scale * np.array([np.cos(turn), np.sin(turn)])
            common, cut = cv2.intersectConvexConvex(hull_px.astype(np.float32), (hull_px + shift).astype(np.float32))
            if common < 0.3 * area or cut is None:
                break
            found.append(np.asarray(cut, dtype=np.float64).reshape(-1, 2))
    return found


def _resampled(polygon: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Evenly spaced points of a closed polygon and their outward normals."""
    turn = float(np.sum(polygon[:, 0] * np.roll(polygon[:, 1], -1) - np.roll(polygon[:, 0], -1) * polygon[:, 1]))
    ordered = polygon if turn > 0 else polygon[::-1]
    closed = np.vstack([ordered, ordered[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = (np.arange(POINTS) + 0.5) / POINTS * way[-1]
    points = np.column_stack([np.interp(at, way, closed[:, k]) for k in (0, 1)])
    tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1), 1e-9)[:, None]
    return points, np.column_stack([tangent[:, 1], -tangent[:, 0]])


def _score(sharp: NDArray[np.float32], polygon: FloatArray) -> float:
    """Share of the outline along sharp edges, less what lies just outside."""
    points, normals = _resampled(polygon)
    near = np.arange(-NEAR_PX, NEAR_PX + 1.0)
    zone = np.arange(ZONE_PX[0], ZONE_PX[1] + 1.0)
    along = _looked_up(sharp, points, normals, near).max(axis=1)
    # A median along the outline: single sparks of light that the stone throws don't count.
    outside = ndimage.median_filter(_looked_up(sharp, points, normals, zone).max(axis=1), 7, mode="wrap")
    return float(along.mean() - OUTSIDE_COST * outside.mean())


def _looked_up(sharp: NDArray[np.float32], points: FloatArray, normals: FloatArray, offsets: FloatArray) -> FloatArray:
    at = np.rint(points[:, None, :] + offsets[None, :, None] * normals[:, None, :]).astype(int)
    x = np.clip(at[..., 0], 0, sharp.shape[1] - 1)
    y = np.clip(at[..., 1], 0, sharp.shape[0] - 1)
    return np.asarray(sharp[y, x], dtype=np.float64)


def _differ(one: FloatArray, other: FloatArray) -> float:
    """Difference of two outlines: of their middles and sizes together, pixels."""
    sizes = [np.sqrt(cv2.contourArea(p.astype(np.float32))) for p in (one, other)]
    middles = [p.mean(axis=0) if len(p) < 3 else _middle(p) for p in (one, other)]
    return float(np.hypot(np.linalg.norm(middles[0] - middles[1]), sizes[0] - sizes[1]))


def _middle(polygon: FloatArray) -> FloatArray:
    m = cv2.moments(polygon.astype(np.float32).reshape(-1, 1, 2))
    if m["m00"] <= 0:
        return np.asarray(polygon.mean(axis=0))
    return np.array([m["m10"] / m["m00"], m["m01"] / m["m00"]])
