"""Finding the reference square in a reduced copy of the photograph: where to look, not how long anything is.

Everything here works on a copy of about 1000 px and returns corners that are good to a pixel or two of that copy;
the measuring itself starts from them in the original pixels (`band`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.card import LAYOUTS, MARKER_DICTIONARY, CardLayout
from rimsight.calibration.errors import MirrorImage
from rimsight.calibration.pixels import FloatArray, LightImage

#: Longer side of the reduced copy, pixels.
WORKING_SIZE_PX = 1000
#: A square smaller than this share of the copy's longer side is not looked for.
SMALLEST_SIDE = 0.05
#: Pixels per marker module in the flattened patch that is searched for a marker.
PATCH_PX_PER_MODULE = 10


@dataclass(frozen=True)
class Quad:
    """A dark quadrilateral with straight sides.

    Parameters
    ----------
    corners_px : ndarray of shape (4, 2)
        Corners of its outer edge in the photograph's pixels, clockwise as seen.
    hole_px : ndarray of shape (4, 2) or None
        Corners of the white quadrilateral inside of it, if there is one.
    cut_off : bool
        It touches the edge of the photograph.
    """

    corners_px: FloatArray
    hole_px: FloatArray | None
    cut_off: bool

    @property
    def side_px(self) -> float:
        """Mean length of its sides, pixels."""
        return float(np.linalg.norm(self.corners_px - np.roll(self.corners_px, 1, axis=0), axis=1).mean())

    @property
    def centre_px(self) -> FloatArray:
        """Mean of the corners, pixels."""
        return np.asarray(self.corners_px.mean(axis=0))


def find_quads(light: LightImage) -> list[Quad]:
    """Find dark quadrilaterals in the photograph, the largest first.

    Parameters
    ----------
    light : LightImage
        The photograph.

    Returns
    -------
    list of Quad
        Without doubles; empty when there is none.
    """
    longest = max(light.width_px, light.height_px)
    factor = max(1, round(longest / WORKING_SIZE_PX))
    small = light.reduced_gray(factor)
    found: list[Quad] = []
    for dark in _dark_masks(small):
        for quad in _quads_of_mask(dark, factor):
            if not any(_same(quad, other) for other in found):
                found.append(quad)
    return sorted(found, key=lambda quad: -quad.side_px)


def _dark_masks(small: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """Masks of what is darker than its surroundings, 255 where dark: by local means of two sizes, then globally."""
    masks = []
    for block in (101, 301):
        block = min(block, (min(small.shape) // 2) * 2 - 1)
        masks.append(cv2.adaptiveThreshold(small, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, block, 12))
    masks.append(cv2.threshold(small, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)[1])
    return [np.asarray(mask, dtype=np.uint8) for mask in masks]


def _quads_of_mask(dark: NDArray[np.uint8], factor: int) -> list[Quad]:
    height, width = dark.shape
    contours, hierarchy = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if hierarchy is None:
        return []
    tree = np.asarray(hierarchy).reshape(-1, 4)
    smallest = SMALLEST_SIDE * max(dark.shape)
    quads = []
    for index, contour in enumerate(contours):
        if tree[index, 3] >= 0 or len(contour) < 4 * smallest * 0.8:
            continue
        corners = _as_quad(contour)
        if corners is None or np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).min() < smallest:
            continue
        hole = None
        largest = 0.0
        child = tree[index, 2]
        while child >= 0:
            area = cv2.contourArea(contours[child])
            inner = _as_quad(contours[child]) if area > largest and area > 0.2 * cv2.contourArea(contour) else None
            if inner is not None:
                hole, largest = inner, area
            child = tree[child, 0]
        edge = (corners < 1.5).any() or (corners[:, 0] > width - 2.5).any() or (corners[:, 1] > height - 2.5).any()
        quads.append(
            Quad(
                (corners + 0.5) * factor - 0.5,
                None if hole is None else (hole + 0.5) * factor - 0.5,
                bool(edge),
            )
        )
    return quads


def _as_quad(contour: NDArray[np.int32]) -> FloatArray | None:
    """Corners of the contour, clockwise as seen, if it is a convex quadrilateral with straight sides."""
    points = contour.reshape(-1, 2)
    hull = cv2.convexHull(points)
    length = cv2.arcLength(hull, True)
    for share in (0.02, 0.03, 0.05):
        polygon = cv2.approxPolyDP(hull, share * length, True).reshape(-1, 2)
        if len(polygon) <= 4:
            break
    if len(polygon) != 4:
        return None
    area = cv2.contourArea(polygon)
    hull_area = cv2.contourArea(hull)
    filled = cv2.contourArea(points)
    # A square fills its own hull and its four corners; a marker's or a text's outline does not.
    if area <= 0 or hull_area / area > 1.06 or area / max(hull_area, 1.0) > 1.06 or filled < 0.93 * hull_area:
        return None
    corners = _refined_corners(points.astype(np.float64), polygon.astype(np.float64))
    if corners is None:
        return None
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    if sides.max() > 2.5 * sides.min():
        return None
    edges = np.roll(corners, -1, axis=0) - corners
    after = np.roll(edges, -1, axis=0)
    cross = edges[:, 0] * after[:, 1] - edges[:, 1] * after[:, 0]
    if (cross < 0).all():
        corners = corners[::-1]
    elif not (cross > 0).all():
        return None
    return corners


def _refined_corners(points: FloatArray, polygon: FloatArray) -> FloatArray | None:
    """Corners as the crossings of lines fitted to the contour's points along each side."""
    lines = []
    for a, b in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        along = (b - a) / max(float(np.linalg.norm(b - a)), 1e-9)
        length = float(np.linalg.norm(b - a))
        relative = points - a
        position = relative @ along
        offset = np.abs(relative @ np.array([-along[1], along[0]]))
        near = points[(position > 0.1 * length) & (position < 0.9 * length) & (offset < max(4.0, 0.03 * length))]
        if len(near) < 0.5 * length:
            return None
        centre = near.mean(axis=0)
        direction = np.linalg.svd(near - centre, full_matrices=False)[2][0]
        if np.sqrt(np.mean(((near - centre) @ np.array([-direction[1], direction[0]])) ** 2)) > max(2.0, 0.01 * length):
            return None
        lines.append((centre, direction))
    corners = []
    for (p, d), (q, e) in zip(np.roll(np.array(lines), 1, axis=0), lines, strict=True):
        system = np.column_stack([d, -e])
        if abs(np.linalg.det(system)) < 0.2:
            return None
        corners.append(p + d * np.linalg.solve(system, q - p)[0])
    return np.array(corners)


def _same(a: Quad, b: Quad) -> bool:
    return bool(np.linalg.norm(a.centre_px - b.centre_px) < 0.1 * a.side_px and 0.8 < a.side_px / b.side_px < 1.25)


def homography(from_points: FloatArray, to_points: FloatArray) -> FloatArray:
    """Projective map (3, 3) that takes four points (4, 2) to four others."""
    return np.asarray(
        cv2.getPerspectiveTransform(from_points.astype(np.float32), to_points.astype(np.float32)), dtype=np.float64
    )


def apply_homography(matrix: FloatArray, xy: FloatArray) -> FloatArray:
    """Map points (N, 2) by a projective map (3, 3)."""
    xy = np.asarray(xy, dtype=np.float64)
    mapped = np.column_stack([xy, np.ones(len(xy))]) @ matrix.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:3])


@dataclass(frozen=True)
class Identified:
    """Which card a quad is, and how it lies.

    Parameters
    ----------
    card : CardLayout
        Its layout.
    corners_px : ndarray of shape (4, 2)
        Outer corners, starting with the top left one as printed, then clockwise.
    oriented : bool
        A marker was read; without one the card is known by its proportions and could lie in four ways.
    """

    card: CardLayout
    corners_px: FloatArray
    oriented: bool


def identify(light: LightImage, quad: Quad) -> Identified | None:
    """Tell which card a quad with a hole is.

    Returns
    -------
    Identified or None
        None when it is none of the program's own cards.

    Raises
    ------
    MirrorImage
        The markers read only when the picture is flipped.
    """
    if quad.hole_px is None:
        return None
    proportion = float(
        np.linalg.norm(quad.hole_px - np.roll(quad.hole_px, 1, axis=0), axis=1).mean() / quad.side_px
    )
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    parameters = cv2.aruco.DetectorParameters()
    detector = cv2.aruco.ArucoDetector(dictionary, parameters)
    for card in LAYOUTS.values():
        for turn in range(4):
            corners = np.roll(quad.corners_px, -turn, axis=0)
            matrix = homography(card.outer_corners_mm, corners)
            for marker_id, marker_mm in card.marker_corners_mm.items():
                patch = _marker_patch(light, matrix, marker_mm, card.marker_module_mm)
                if patch is None:
                    continue
                if marker_id in _ids(detector, patch):
                    return Identified(card, corners, True)
                if set(_ids(detector, np.ascontiguousarray(patch[:, ::-1]))) & set(card.marker_ids):
                    raise MirrorImage(
                        "the picture is mirrored: the card's markers read only when it is flipped",
                        "a photo that is not flipped",
                        "switch off mirroring (selfie cameras do it) and photograph again",
                    )
    for card in LAYOUTS.values():
        expected = card.inner_mm / card.outer_mm
        # The two sizes differ by 0.057 in this ratio; ink spread and blur change it by 0.005.
        if abs(proportion - expected) < 0.02:
            return Identified(card, quad.corners_px, False)
    return None


def _ids(detector: cv2.aruco.ArucoDetector, patch: NDArray[np.uint8]) -> list[int]:
    ids = detector.detectMarkers(patch)[1]
    return [] if ids is None else [int(i) for i in np.asarray(ids).reshape(-1)]


def _marker_patch(
    light: LightImage, card_to_px: FloatArray, marker_mm: FloatArray, module_mm: float
) -> NDArray[np.uint8] | None:
    """Flattened uint8 patch round the place where a marker should be, with 1.5 modules of white."""
    low = marker_mm.min(axis=0) - 1.5 * module_mm
    modules = (marker_mm[2] - marker_mm[0])[0] / module_mm + 3.0
    count = round(modules * PATCH_PX_PER_MODULE)
    step = module_mm / PATCH_PX_PER_MODULE
    corners = low + np.array([[0.0, 0.0], [count * step, 0.0], [count * step, count * step], [0.0, count * step]])
    on_photo = apply_homography(card_to_px, corners)
    margin = 0.5 * np.abs(on_photo[1] - on_photo[0]).max()
    if (on_photo < -margin).any() or (on_photo > (light.width_px + margin, light.height_px + margin)).any():
        return None
    # Averaging blocks first keeps the flattening free of aliasing.
    factor = max(1, int(np.linalg.norm(on_photo[1] - on_photo[0]) / count))
    small = light.reduced_gray(factor)
    patch_px = np.array([[0.0, 0.0], [count, 0.0], [count, count], [0.0, count]]) - 0.5
    matrix = homography(patch_px, (on_photo + 0.5) / factor - 0.5)
    return np.asarray(
        cv2.warpPerspective(small, matrix, (count, count), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                            borderMode=cv2.BORDER_REPLICATE),
        dtype=np.uint8,
    )
