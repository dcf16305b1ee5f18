"""Finding the reference square in a reduced copy of the photograph: where to look, not how long anything is.

Everything here works on a copy of about 1000 px and returns corners that are good to a pixel or two of that copy;
the measuring itself starts from them in the original pixels (`band`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.card import LAYOUTS, CardLayout
from rimsight.calibration.errors import MirrorImage
from rimsight.calibration.homography import apply_homography, homography
from rimsight.calibration.markers import SHIFTS, read_markers
from rimsight.calibration.pixels import FloatArray, LightImage

#: Longer side of the reduced copy, pixels.
WORKING_SIZE_PX = 1000
#: A square smaller than this share of the copy's longer side is not looked for.
SMALLEST_SIDE = 0.05


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
    hollow : bool
        There is a large light patch inside of it, of whatever outline.
    from_hole : bool
        The outer edge is not seen as a quadrilateral (something lies across it); the corners are where they would be
        for one of the cards, from the hole.
    """

    corners_px: FloatArray
    hole_px: FloatArray | None
    cut_off: bool
    hollow: bool = False
    from_hole: bool = False

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
        for quad in _quads_of_mask(dark, factor, found):
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


def _quads_of_mask(dark: NDArray[np.uint8], factor: int, known: Sequence[Quad]) -> list[Quad]:
    """Quadrilaterals of one mask that are not known from another."""
    height, width = dark.shape
    contours, hierarchy = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if hierarchy is None:
        return []
    tree = np.asarray(hierarchy).reshape(-1, 4)
    smallest = SMALLEST_SIDE * max(dark.shape)
    outlines = [(quad.corners_px + 0.5) / factor - 0.5 for quad in known if not quad.from_hole]
    boxes = np.array([[*corners.min(axis=0), *corners.max(axis=0)] for corners in outlines]).reshape(-1, 4)
    quads = []
    for index, contour in enumerate(contours):
        if tree[index, 3] >= 0 or len(contour) < 4 * smallest * 0.8:
            continue
        x, y, wide, high = cv2.boundingRect(contour)
        if (np.abs(boxes - (x, y, x + wide - 1, y + high - 1)).max(axis=1) < 3.0).any():
            continue
        hole = _largest_child(contours, tree, index)
        hollow = hole is not None
        inner = _as_quad(hole) if hole is not None else None
        corners = _as_quad(contour)
        if corners is not None:
            candidates, from_hole = [corners], False
        elif inner is not None:
            candidates, from_hole = [_grown(inner, card.outer_mm / card.inner_mm) for card in LAYOUTS.values()], True
        else:
            continue
        for outline in candidates:
            if np.linalg.norm(outline - np.roll(outline, 1, axis=0), axis=1).min() < smallest:
                continue
            edge = bool((outline < 1.5).any() or (outline > (width - 2.5, height - 2.5)).any())
            if edge and _fills_picture(outline, width, height):
                continue  # the table round the sheet
            hole_px = None if inner is None else (inner + 0.5) * factor - 0.5
            quads.append(Quad((outline + 0.5) * factor - 0.5, hole_px, edge, hollow, from_hole))
    return quads


def _largest_child(
    contours: Sequence[NDArray[np.int32]], tree: NDArray[np.int32], index: int
) -> NDArray[np.int32] | None:
    """The largest hole of a contour, if it is more than a fifth of it."""
    best, largest = None, 0.2 * float(cv2.contourArea(cv2.convexHull(contours[index])))
    child = int(tree[index, 2])
    while child >= 0:
        area = float(cv2.contourArea(contours[child]))
        if area > largest:
            best, largest = contours[child], area
        child = int(tree[child, 0])
    return best


def _grown(corners: FloatArray, factor: float) -> FloatArray:
    """Corners of the square that is `factor` times as large in the plane of the square with these corners."""
    unit = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    return apply_homography(homography(unit, corners), unit * factor)


def _fills_picture(outline: FloatArray, width: int, height: int) -> bool:
    corners = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    apart = np.linalg.norm(outline[:, None] - corners[None], axis=2).min(axis=0)
    return bool((apart < 0.05 * max(width, height)).all())


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
        direction = np.linalg.eigh((near - centre).T @ (near - centre))[1][:, 1]
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
    rough : bool
        The corners are only where the markers say; they may be off by a millimetre or two.
    """

    card: CardLayout
    corners_px: FloatArray
    oriented: bool
    rough: bool = False


def identify(light: LightImage, quad: Quad) -> Identified | None:
    """Tell which card a quad is: by its markers, or without them by how wide its band is.

    Returns
    -------
    Identified or None
        None when it is none of the program's own cards.

    Raises
    ------
    MirrorImage
        The markers read only when the picture is flipped.
    """
    band = None
    if quad.hole_px is not None:
        hole_sides = np.linalg.norm(quad.hole_px - np.roll(quad.hole_px, 1, axis=0), axis=1)
        band = float(hole_sides.mean()) / quad.side_px
    # Reading beside the expected place takes time: only where the band's width speaks for a card.
    like_a_card = band is not None and any(abs(band - one.inner_mm / one.outer_mm) < 0.06 for one in LAYOUTS.values())
    for shift in SHIFTS if like_a_card else SHIFTS[:1]:
        readings = [(card, read_markers(light, quad.corners_px, card, shift)) for card in LAYOUTS.values()]
        card, reading = max(readings, key=lambda one: one[1].markers if one[1] else 0)
        if reading is None:
            continue
        if reading.mirrored:
            raise MirrorImage(
                "the picture is mirrored: the card's markers read only when it is flipped",
                "a photo that is not flipped",
                "switch off mirroring (selfie cameras do it) and photograph again",
            )
        return Identified(card, np.roll(quad.corners_px, -reading.turn, axis=0), True)
    for card in LAYOUTS.values():
        # The two sizes differ by 0.057 in this ratio; ink spread and blur change it by 0.005.
        if band is not None and not quad.from_hole and abs(band - card.inner_mm / card.outer_mm) < 0.02:
            return Identified(card, quad.corners_px, False)
    return None
