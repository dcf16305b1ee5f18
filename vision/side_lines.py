"""Where a lying tube's four edges may run: straight lines of sharp edges, two along it and two across.

Detection only, on the flattened copy. A tube's shadow is long and straight too, and so are the streaks of light on it;
a rectangle counts by how much of each of its sides is an edge, the larger first where two are alike.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from rimsight.vision.side_find import Start

FloatArray = NDArray[np.float64]

#: Width of the bins in which lines are looked for, millimetres, and how many lines of each direction are combined.
BIN_MM, LINES = 0.08, 7
#: An edge belongs to a direction when its normal is this near to it, radians.
NEAR_RAD = 0.18
#: Shortest side, millimetres.
SHORTEST_MM = 1.0
#: What size counts beside the share of the sides that is an edge.
SIZE_SHARE = 0.5
#: Rectangles that are returned.
RETURNED = 3


def tube_starts(points_mm: FloatArray, normals: FloatArray) -> list[Start]:
    """Rectangles whose sides are edges, the best first.

    Parameters
    ----------
    points_mm : ndarray of shape (N, 2)
        Sharp edges, card millimetres.
    normals : ndarray of shape (N, 2)
        Directions of the steps there, unit vectors.
    """
    if len(points_mm) < 40:
        return []
    angle = np.arctan2(normals[:, 1], normals[:, 0])
    # The sides' normals repeat every quarter turn.
    turn = _peak(np.mod(angle, np.pi / 2))
    lines = []
    for direction in (turn, turn + np.pi / 2):
        off = np.abs((angle - direction + np.pi / 2) % np.pi - np.pi / 2)
        own = points_mm[off < NEAR_RAD]
        axis, along = (
            np.array([np.cos(direction), np.sin(direction)]),
            np.array([-np.sin(direction), np.cos(direction)]),
        )
        lines.append((own @ axis, own @ along))
    places = [_strongest(across) for across, _ in lines]
    found: list[tuple[float, float, tuple[float, float], tuple[float, float]]] = []
    for ahead in combinations(places[0], 2):
        for aside in combinations(places[1], 2):
            sizes = ahead[1] - ahead[0], aside[1] - aside[0]
            if min(sizes) < SHORTEST_MM:
                continue
            shares = [_share(lines[0], place, aside) for place in ahead] + [
                _share(lines[1], place, ahead) for place in aside
            ]
            found.append((float(np.mean(shares)) + min(shares), sizes[0] * sizes[1], ahead, aside))
    if not found:
        return []
    largest = max(size for _, size, _, _ in found)
    found.sort(key=lambda item: -(item[0] + SIZE_SHARE * np.sqrt(item[1] / largest)))
    starts = []
    c, s = np.cos(turn), np.sin(turn)
    for share, _, ahead, aside in found[:RETURNED]:
        u, v = (ahead[0] + ahead[1]) / 2, (aside[0] + aside[1]) / 2
        half, radius = (ahead[1] - ahead[0]) / 2, (aside[1] - aside[0]) / 2
        centre = (float(c * u - s * v), float(s * u + c * v))
        starts.append(
            Start("tube", centre, float(turn), radius, half, half, radius, float(max(0.0, 1.0 - share / 2) / 10))
        )
    return starts


def _peak(angles: FloatArray) -> float:
    """The commonest angle of a quarter turn."""
    grid = np.radians(np.arange(0.0, 90.0, 0.5))
    away = np.abs((angles[None] - grid[:, None] + np.pi / 4) % (np.pi / 2) - np.pi / 4)
    best = float(grid[np.sum(np.exp(-0.5 * (away / 0.03) ** 2), axis=1).argmax()])
    near = (angles - best + np.pi / 4) % (np.pi / 2) - np.pi / 4
    return best + float(np.mean(near[np.abs(near) < 0.08]))


def _strongest(across: FloatArray) -> list[float]:
    """Places at which many edges lie, in order."""
    if not len(across):
        return []
    bins = np.arange(across.min() - 2 * BIN_MM, across.max() + 3 * BIN_MM, BIN_MM)
    count, _ = np.histogram(across, bins)
    smooth = np.convolve(count, [0.5, 1.0, 0.5], mode="same")
    peaks = [k for k in range(1, len(smooth) - 1) if smooth[k] >= smooth[k - 1] and smooth[k] > smooth[k + 1]]
    peaks.sort(key=lambda k: -smooth[k])
    return sorted(float(bins[k] + BIN_MM / 2) for k in peaks[:LINES])


def _share(line: tuple[FloatArray, FloatArray], place: float, between: tuple[float, float]) -> float:
    """Share of a side on which an edge lies."""
    across, along = line
    own = along[np.abs(across - place) < 1.6 * BIN_MM]
    count = max(4, int((between[1] - between[0]) / (2 * BIN_MM)))
    seen, _ = np.histogram(own, np.linspace(between[0], between[1], count + 1))
    return float(np.mean(seen > 0))
