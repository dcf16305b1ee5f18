"""Rough outlines of what lies on the flattened stage: where to look for edges, never a measurement."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.vision.candidates import STAGE_MARGIN, Stage

FloatArray = NDArray[np.float64]

#: An edge is this many codes per pixel strong, and this many times the median of the stage.
SMALLEST_GRADIENT, GRADIENT_RATIO = 5.0, 5.0
#: Gaps in a thing's edge up to this are closed, millimetres.
CLOSING_MM = 0.4
#: Smaller things are dust, millimetres across.
SPECK_MM = 0.8


@dataclass(frozen=True)
class Blob:
    """Something on the stage.

    Parameters
    ----------
    hull_mm : ndarray of shape (M, 2)
        Corners of its convex hull, card millimetres as seen in the card's plane.
    area_mm2 : float
        Its own area.
    hull_area_mm2 : float
        Area of the hull.
    touches_edge : bool
        It reaches the edge of the stage.
    """

    hull_mm: FloatArray
    area_mm2: float
    hull_area_mm2: float
    touches_edge: bool

    @property
    def centre_mm(self) -> FloatArray:
        """Middle of the hull, (2,)."""
        return np.asarray(self.hull_mm.mean(axis=0))

    @property
    def solid(self) -> float:
        """Share of the hull that it fills: things that touch leave notches."""
        return self.area_mm2 / max(self.hull_area_mm2, 1e-9)

    @property
    def radius_mm(self) -> float:
        """Radius of the circle of the hull's area."""
        return float(np.sqrt(self.hull_area_mm2 / np.pi))


def blobs(stage: Stage, *, closing_mm: float = CLOSING_MM) -> list[Blob]:
    """Find the things on the stage, the largest first; parts whose hulls overlap are one thing.

    Parameters
    ----------
    stage : Stage
        The flattened stage.
    closing_mm : float
        Gaps in a thing's edge up to this are closed.
    """
    mask = thing_mask(stage, closing_mm)
    parts = _parts(mask, stage)
    found: list[Blob] = []
    for blob in sorted(parts, key=lambda part: -part.hull_area_mm2):
        whole = blob
        overlapping = [k for k, other in enumerate(found) if _overlap(other, whole)]
        for k in reversed(overlapping):
            whole = _joined(found.pop(k), whole)
        found.append(whole)
    return sorted(found, key=lambda blob: -blob.hull_area_mm2)


def _parts(mask: NDArray[np.bool_], stage: Stage) -> list[Blob]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    border = int(np.ceil(STAGE_MARGIN * stage.half_mm * stage.px_per_mm)) + 2
    size = mask.shape[0]
    found = []
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if max(w, h) < SPECK_MM * stage.px_per_mm:
            continue
        blob = _blob(np.asarray(labels[y : y + h, x : x + w] == k), (x, y), area, stage)
        if blob is not None:
            touches = x <= border or y <= border or x + w >= size - border or y + h >= size - border
            found.append(Blob(blob.hull_mm, blob.area_mm2, blob.hull_area_mm2, touches))
    return found


def _overlap(one: Blob, other: Blob) -> bool:
    """Whether two hulls have a fifth of the smaller one in common."""
    common, _ = cv2.intersectConvexConvex(one.hull_mm.astype(np.float32), other.hull_mm.astype(np.float32))
    return bool(common > 0.2 * min(one.hull_area_mm2, other.hull_area_mm2))


def _joined(one: Blob, other: Blob) -> Blob:
    points = np.vstack([one.hull_mm, other.hull_mm]).astype(np.float32)
    hull = np.asarray(cv2.convexHull(points), dtype=np.float64).reshape(-1, 2)
    area = min(one.area_mm2 + other.area_mm2, float(cv2.contourArea(hull.astype(np.float32))))
    return Blob(hull, area, float(cv2.contourArea(hull.astype(np.float32))), one.touches_edge or other.touches_edge)


def _blob(own: NDArray[np.bool_], corner: tuple[int, int], area: int, stage: Stage) -> Blob | None:
    contours, _ = cv2.findContours(own.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    points = np.vstack([contour.reshape(-1, 2) for contour in contours])
    hull = np.asarray(cv2.convexHull(points), dtype=np.float64).reshape(-1, 2)
    if len(hull) < 3:
        return None
    hull_area = float(cv2.contourArea(hull.astype(np.float32)))
    if hull_area < 4.0:
        return None
    hull_mm = stage.to_mm(hull + corner)
    # A contour runs through the centres of the outermost pixels: half a pixel inside.
    middle = hull_mm.mean(axis=0)
    away = hull_mm - middle
    reach = np.maximum(np.linalg.norm(away, axis=1), 1e-9)[:, None]
    hull_mm = middle + away * (1.0 + 0.5 / stage.px_per_mm / reach)
    return Blob(hull_mm, area / stage.px_per_mm**2, max(hull_area, area) / stage.px_per_mm**2, False)


def thing_mask(stage: Stage, closing_mm: float = CLOSING_MM) -> NDArray[np.bool_]:
    """Pixels of the stage that belong to things: on edges or inside of them."""
    edges = _edges(stage)
    closed = cv2.morphologyEx(edges.astype(np.uint8), cv2.MORPH_CLOSE, _disc(closing_mm, stage))
    return np.asarray(ndimage.binary_fill_holes(closed))


def _gradient(stage: Stage) -> FloatArray:
    """Codes per pixel of the channel in which they change most."""
    smooth = cv2.GaussianBlur(stage.codes, (0, 0), 1.0)
    gx = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)) / 8.0
    gy = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)) / 8.0
    return np.asarray(np.hypot(gx, gy).max(axis=2))


def _edges(stage: Stage) -> NDArray[np.bool_]:
    size = _gradient(stage)
    margin = int(np.ceil(STAGE_MARGIN * stage.half_mm * stage.px_per_mm))
    allowed = np.zeros(size.shape, dtype=bool)
    allowed[margin:-margin, margin:-margin] = True
    noise = float(np.median(size[allowed]))
    return np.asarray((size > max(SMALLEST_GRADIENT, GRADIENT_RATIO * noise)) & allowed)


def _disc(diameter_mm: float, stage: Stage) -> NDArray[np.uint8]:
    radius = max(1, round(0.5 * diameter_mm * stage.px_per_mm))
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)), dtype=np.uint8)
