"""A closed path round a stone along the strongest evidence, whatever its shape: where the outlines' fits start.

By dynamic programming over directions from the middle: every closed path that bends no faster than a corner is
considered, so that neither a gap nor a stretch of facets leads astray.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Directions; radii in shares of the rough hull's ellipse: smallest, largest, step.
DIRECTIONS = 300
SMALLEST, LARGEST, STEP = 0.3, 1.25, 0.012
#: Steps of radius from one direction to the next, at most, and what each costs of the evidence.
LARGEST_JUMP, JUMP_COST = 4, 0.06


@dataclass(frozen=True)
class Ellipse:
    """An ellipse with the same second moments as a rough hull, pixels and radians."""

    centre: FloatArray
    half_length: float
    half_width: float
    turn: float

    def points(self, directions: FloatArray, shares: FloatArray) -> tuple[FloatArray, FloatArray]:
        """x and y, (D, R), along every direction at every share of the radius."""
        u = self.half_length * np.cos(directions)[:, None] * shares[None, :]
        v = self.half_width * np.sin(directions)[:, None] * shares[None, :]
        c, s = np.cos(self.turn), np.sin(self.turn)
        return self.centre[0] + c * u - s * v, self.centre[1] + s * u + c * v


def ellipse_of(hull_px: FloatArray) -> Ellipse:
    """The ellipse of a polygon's (M, 2) second moments."""
    m = cv2.moments(np.asarray(hull_px, dtype=np.float32).reshape(-1, 1, 2))
    area = max(m["m00"], 1e-9)
    spread = np.array([[m["mu20"], m["mu11"]], [m["mu11"], m["mu02"]]]) / area
    values, vectors = np.linalg.eigh(spread)
    half = 2.0 * np.sqrt(np.maximum(values, 1.0))
    turn = float(np.arctan2(vectors[1, 1], vectors[0, 1]))
    return Ellipse(np.array([m["m10"], m["m01"]]) / area, float(half[1]), float(half[0]), turn)


def closed_path(evidence: NDArray[np.float32], ellipse: Ellipse, *, outermost: float) -> FloatArray:
    """Find the closed path with the most evidence along it.

    Parameters
    ----------
    evidence : ndarray of shape (h, w)
        0 to 1, thin along edges.
    ellipse : Ellipse
        The stone's rough place and size.
    outermost : float
        How much an edge loses by each full edge further out.

    Returns
    -------
    ndarray of shape (DIRECTIONS, 2)
        Pixels of the map.
    """
    directions = np.arange(DIRECTIONS) * 2.0 * np.pi / DIRECTIONS
    shares = np.arange(SMALLEST, LARGEST, STEP)
    x, y = ellipse.points(directions, shares)
    thick = cv2.dilate(evidence, np.ones((3, 3), np.uint8))
    place = x.astype(np.float32), y.astype(np.float32)
    seen = cv2.remap(thick, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    # An edge is three pixels thick here: so many samples of it make one whole edge.
    whole = 3.0 / np.maximum(np.hypot(np.gradient(x, axis=1), np.gradient(y, axis=1)), 1e-9)
    beyond = np.cumsum((seen / whole)[:, ::-1], axis=1)[:, ::-1]
    gap = min(int(np.ceil(1.3 * float(whole.max()))), len(shares) - 1)
    beyond = np.concatenate([beyond[:, gap:], np.zeros((DIRECTIONS, gap))], axis=1)
    at = _best_way(seen * np.exp(-outermost * beyond))
    rows = np.arange(DIRECTIONS)
    return np.column_stack([x[rows, at], y[rows, at]])


def _best_way(gain: FloatArray) -> NDArray[np.intp]:
    """Index of the radius (D,) for every direction: the closed way of largest gain less the cost of its jumps."""
    open_way = _way(gain, None)
    half = len(gain) // 2
    # Half way round the open way is no longer touched by where it began: close it there.
    return np.roll(_way(np.roll(gain, -half, axis=0), int(open_way[half])), half)


def _way(gain: FloatArray, first: int | None) -> NDArray[np.intp]:
    count, radii = gain.shape
    total = np.zeros(radii) if first is None else np.where(np.arange(radii) == first, 0.0, -1e9)
    jumps = np.arange(-LARGEST_JUMP, LARGEST_JUMP + 1)
    came = np.zeros((count, radii), dtype=np.intp)
    padded = np.full(radii + 2 * LARGEST_JUMP, -np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, radii)
    cost = JUMP_COST * np.abs(jumps)[:, None]
    for k in range(count):
        padded[LARGEST_JUMP:-LARGEST_JUMP] = total
        reached = windows - cost
        best = np.argmax(reached, axis=0)
        came[k] = best - LARGEST_JUMP
        total = reached[best, np.arange(radii)] + gain[k]
    if first is None:
        at = int(np.argmax(total))
    else:
        low, high = max(first - LARGEST_JUMP, 0), min(first + LARGEST_JUMP + 1, radii)
        at = low + int(np.argmax(total[low:high]))
    way = np.zeros(count, dtype=np.intp)
    for k in range(count - 1, -1, -1):
        way[k] = at
        at = at + int(came[k, at])
    return way
