"""Circles by consensus: where a field of edges is strong along a whole ring, whatever single radii say."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.vision.polar import PolarMap

FloatArray = NDArray[np.float64]

#: Shifts tried along each axis in the first round are at most twice this plus one.
LARGEST_STEPS = 9


@dataclass(frozen=True)
class Ring:
    """A circle in a polar map.

    Parameters
    ----------
    radius_mm : float
        Radius.
    shift_mm : tuple of 2 floats
        Its centre less the map's centre, millimetres.
    support : float
        Mean of the field along it.
    """

    radius_mm: float
    shift_mm: tuple[float, float]
    support: float


def best_ring(
    field: FloatArray,
    polar: PolarMap,
    *,
    largest_shift_mm: float,
    tolerance_px: float = 0.0,
    range_mm: tuple[float, float] | None = None,
    thin: int = 3,
) -> Ring:
    """Find the ring r(a) = r + x cos a + y sin a along which the field's mean is largest.

    Parameters
    ----------
    field : ndarray of shape (A, R)
        What to add up.
    polar : PolarMap
        The map that the field belongs to.
    largest_shift_mm : float
        How far the ring's centre may lie from the map's centre.
    tolerance_px : float
        The field counts when it lies this near to the ring.
    range_mm : tuple of 2 floats, optional
        Smallest and largest radius.
    thin : int
        Only every so many-th angle is used.

    Returns
    -------
    Ring
    """
    half = round(tolerance_px / polar.step_px)
    spread = (ndimage.maximum_filter1d(field, 2 * half + 1, axis=1) if half else field)[::thin]
    count = spread.shape[1]
    cosine, sine = np.cos(polar.angles[::thin]), np.sin(polar.angles[::thin])
    lowest, highest = 0, count - 1
    if range_mm is not None:
        lowest = round(float(np.clip(polar.index(np.array(range_mm[0])), 0, count - 1)))
        highest = round(float(np.clip(polar.index(np.array(range_mm[1])), lowest, count - 1)))
    limit = largest_shift_mm / polar.step_mm
    # Rays end beyond the map: the outermost samples go on there, so that a whole row can be taken at an offset.
    beyond = int(np.ceil(limit * 1.01)) + 2
    padded = np.pad(spread, ((0, 0), (beyond, beyond)), mode="edge")
    width_padded = padded.shape[1]
    flat = padded.ravel()
    rows = np.arange(len(cosine)) * width_padded + beyond
    pitch = max(1.0, 2.0 * half)
    while limit / pitch > LARGEST_STEPS:
        pitch *= 2.0
    reach = limit
    x0 = y0 = 0.0
    radii = np.arange(lowest, highest + 1, max(1, half))
    best = (-np.inf, 0.0, 0.0, lowest)
    while True:
        steps = np.arange(-np.floor(reach / pitch), np.floor(reach / pitch) + 1.0) * pitch
        for dx in steps:
            for dy in steps:
                x, y = x0 + dx, y0 + dy
                if x * x + y * y > limit * limit * 1.01:
                    continue
                shifted = rows + np.rint(x * cosine + y * sine).astype(np.intp)
                score = flat.take(shifted[:, None] + radii[None, :]).sum(axis=0)
                k = int(np.argmax(score))
                if score[k] > best[0]:
                    best = (float(score[k]), x, y, int(radii[k]))
        if pitch <= 1.0:
            break
        x0, y0 = best[1], best[2]
        reach, pitch = 1.5 * pitch, max(1.0, pitch / 2.0)
        width = int(max(3 * half, np.ceil(2.0 * pitch)))
        radii = np.arange(max(lowest, best[3] - width), min(highest, best[3] + width) + 1)
    total, x, y, r = best
    support = total / len(cosine)
    return Ring(
        float(polar.radii_mm[0] + r * polar.step_mm), (float(x * polar.step_mm), float(y * polar.step_mm)), support
    )


def strongest_rings(
    field: FloatArray,
    polar: PolarMap,
    *,
    largest_shift_mm: float,
    tolerance_px: float = 0.7,
    smallest_support: float = 0.2,
    most: int = 10,
) -> list[Ring]:
    """Find ring after ring, each time without what the earlier ones explain; the strongest first.

    Parameters
    ----------
    field, polar, largest_shift_mm, tolerance_px
        As in `best_ring`.
    smallest_support : float
        Where to stop.
    most : int
        How many at most.
    """
    work = field.copy()
    found: list[Ring] = []
    samples = np.arange(work.shape[1])[None, :]
    for _ in range(most):
        ring = best_ring(work, polar, largest_shift_mm=largest_shift_mm, tolerance_px=tolerance_px)
        if ring.support < smallest_support:
            break
        found.append(ring)
        expected = ring.radius_mm + polar.directions @ np.array(ring.shift_mm)
        distance = np.abs(samples - polar.index(expected)[:, None])
        work = np.where(distance <= 2.0 * tolerance_px / polar.step_px + 1.0, 0.0, work)
    return found
