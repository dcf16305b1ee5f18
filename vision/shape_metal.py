"""Where the girdle of a stone on a tube may run: where the plain metal of the tube's end stops.

Metal has one colour all over, in the light and in the stone's shadow; what has another colour there is the stone. Only
where a stone reaches beyond the tube, paper lies round it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.pixels import LightImage
from rimsight.vision.shape_evidence import told_map
from rimsight.vision.shape_likeness import (
    CORE,
    SHADOW_TINT,
    Likeness,
    Plane,
    Surroundings,
    hues,
    likeness_from,
    logarithms,
    smoothed,
    stone_likeness,
    surroundings,
)

FloatArray = NDArray[np.float64]

#: Metal is looked for between this share of the tube's radius and its edge less so many pixels and blurs.
BAND_FROM, GUARD_PX, GUARD_BLURS = 0.84, 1.5, 1.5
#: Cells of the histogram of colours in which metal is the commonest, and how far its own colour may lie from there,
#: logarithms of red and blue over green.
CELL, METAL_SPREAD = 0.04, 0.12
#: Less metal than this in view tells nothing, pixels.
LEAST_METAL_PX = 60
#: What is added to the metal's own spread of colour: noise between facets that mirror one another.
COLOUR_FLOOR = 0.05
#: A stone differs from the metal by so many standard deviations at least, and is what differs by this share of that.
TELLING, STONE_SHARE = 4.0, 0.35
#: Logarithms of light by which metal may be lighter or darker than where it was looked for, and how far beyond an
#: outline the stone's glow reaches, pixels.
LIGHTER, DARKER, CLEAR_PX = 0.35, -1.3, 2.0
#: Edges count within this of where the metal stops, pixels; colour is blurred by more than light.
NEAR_PX = 4.0


@dataclass(frozen=True)
class OnMetal:
    """What shows on the end of a tube.

    Parameters
    ----------
    around : Surroundings
        What lies round the stone, with its rough hull.
    likeness : Likeness
        How much each pixel is like the stone.
    evidence : ndarray of shape (h, w)
        Where the girdle may run, 0 to 1, thin along edges.
    plain : ndarray of shape (h, w)
        Pixels that may be metal in light or in shadow.
    face : ndarray of shape (h, w)
        Pixels of the tube's end, clear of its edge and chamfer.
    """

    around: Surroundings
    likeness: Likeness
    evidence: Plane
    plain: NDArray[np.bool_]
    face: NDArray[np.bool_]

    def not_plain_beyond(self, outline_px: FloatArray) -> float:
        """Share of the tube's end beyond an outline (M, 2), from the map's corner, that can't be metal."""
        inside = np.zeros(self.face.shape, dtype=np.uint8)
        cv2.fillPoly(inside, [np.rint(outline_px).astype(np.int32)], 1)
        clear = CLEAR_PX + 2.0 * self.around.blur_px
        rest = self.face & (ndimage.distance_transform_edt(inside == 0) > clear)
        total = int(np.count_nonzero(rest))
        return 1.0 - float(np.count_nonzero(rest & self.plain)) / total if total else 0.0


def stone_on_metal(
    image: LightImage, circle_px: FloatArray, blur_px: float, *, chamfer_px: float = 0.0
) -> OnMetal | None:
    """Find the stone on a tube's end.

    Parameters
    ----------
    image : LightImage
        The photograph.
    circle_px : ndarray of shape (M, 2)
        The outer edge of the tube's end.
    blur_px : float
        Blur, pixels.
    chamfer_px : float
        So far inside of the edge metal may show a chamfer, which mirrors something else.

    Returns
    -------
    OnMetal or None
        None where colour does not tell the stone from the metal.
    """
    around = surroundings(image, circle_px, blur_px)
    metal = _metal(around)
    if metal is None:
        return None
    around = replace(around, grounds=(~around.within(1.03), metal))
    usual = _unlike_metal(around, metal)
    if usual is None:
        return None
    plain = _plain(around, metal)
    face = around.within(1.0 - _guard(around))
    over_paper = stone_likeness(replace(around, grounds=around.grounds[:1]))

    def of(light: Plane) -> Plane:
        found = usual(light)
        if light.shape[:2] != face.shape:
            return found
        beyond = np.minimum(found, over_paper.of(light)) if over_paper is not None else np.zeros_like(found)
        return np.where(face, found, beyond)

    likeness = likeness_from(around, of)
    mask = _largest(likeness.plane > STONE_SHARE)
    if mask is None:
        return None
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = np.asarray(cv2.convexHull(np.vstack(contours)), dtype=np.float64).reshape(-1, 2)
    around = replace(around, hull_px=hull)
    solid = np.zeros(mask.shape, dtype=np.uint8)
    cv2.fillConvexPoly(solid, np.rint(hull).astype(np.int32).reshape(-1, 1, 2), 1)
    border = solid.astype(bool) & ~ndimage.binary_erosion(solid.astype(bool))
    near = ndimage.distance_transform_edt(~border) <= NEAR_PX + blur_px
    evidence = np.asarray(np.where(near, told_map(around, likeness), 0.0), dtype=np.float32)
    clear = ndimage.distance_transform_edt(face) > chamfer_px
    return OnMetal(around, likeness, evidence, plain, face & clear)


def _guard(around: Surroundings) -> float:
    """Share of the tube's radius that its edge's blur takes."""
    reach = np.hypot(*(around.hull_px - around.hull_px.mean(axis=0)).T).mean()
    return float((GUARD_PX + GUARD_BLURS * around.blur_px) / max(reach, 1.0))


def _colours(around: Surroundings) -> Plane:
    return hues(logarithms(smoothed(around)))


def _metal(around: Surroundings) -> NDArray[np.bool_] | None:
    """Pixels just inside of the tube's edge that have the commonest colour there."""
    band = around.within(1.0 - _guard(around)) & ~around.within(BAND_FROM)
    colours = _colours(around)
    there = colours[band]
    if len(there) < LEAST_METAL_PX:
        return None
    cells = np.rint(there / CELL).astype(int)
    low = cells.min(axis=0) - 2
    counts = np.zeros(cells.max(axis=0) - low + 3)
    np.add.at(counts, tuple((cells - low).T), 1.0)
    counts = ndimage.gaussian_filter(counts, 1.0)
    peak = (np.array(np.unravel_index(int(np.argmax(counts)), counts.shape)) + low) * CELL
    metal = band & (np.hypot(*(colours - peak).transpose(2, 0, 1)) < METAL_SPREAD)
    return metal if np.count_nonzero(metal) >= LEAST_METAL_PX else None


def _unlike_metal(around: Surroundings, metal: NDArray[np.bool_]) -> Callable[[Plane], Plane] | None:
    """How much a light's colour differs from the metal's, 1 as much as the stone's usually does."""
    colours = _colours(around)
    middle = np.median(colours[metal], axis=0)
    spread = np.cov((colours[metal] - middle).T) + COLOUR_FLOOR**2 * np.eye(2)
    # A shadow is tinted along daylight's line.
    spread += SHADOW_TINT**2 * 0.125 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    inverse = np.linalg.inv(spread)

    def size(light: Plane) -> FloatArray:
        own = hues(logarithms(light)) - middle
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j", own, inverse, own)))

    usual = float(np.median(size(smoothed(around))[around.within(CORE)]))
    if usual < TELLING:
        return None
    return lambda light: np.asarray(np.clip((size(light) - 1.0) / (usual - 1.0), 0.0, 1.2), dtype=np.float32)


def _plain(around: Surroundings, metal: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels that may be metal: of its colour, hardly lighter, and not darker than in its own shadow."""
    colours = _colours(around)
    own = np.hypot(*(colours - np.median(colours[metal], axis=0)).transpose(2, 0, 1))
    light = logarithms(smoothed(around)).mean(axis=-1)
    light = light - np.median(light[metal])
    alike = (own < METAL_SPREAD) & (light < LIGHTER) & (light > DARKER)
    # Noise and single glints are none of the stone.
    return np.asarray(ndimage.uniform_filter(alike.astype(np.float32), 5) > 0.5)


def _largest(mask: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """The largest thing in a mask, without threads and holes; None where there is none."""
    opened = ndimage.binary_opening(ndimage.binary_fill_holes(mask), iterations=2)
    labels, count = ndimage.label(opened)
    if not count:
        return None
    sizes = np.bincount(labels.ravel())[1:]
    return np.asarray(ndimage.binary_fill_holes(labels == 1 + int(np.argmax(sizes))))
