"""Reading the card's two markers where they must be if a square is the card: which card it is, and how it lies.

The frame's corners say where each marker would lie, in each of the four ways to turn the card and mirrored. So no
search is needed: the 16 cells of the code are read there and compared with the code that belongs there. That works
on a marker that is small, blurred, unevenly lit or touched by something, where a search for its outline fails.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.card import MARKER_MODULES, CardLayout, marker_cells
from rimsight.calibration.homography import apply_homography, homography
from rimsight.calibration.pixels import FloatArray, LightImage

#: Cells round the marker that are read as its white ground; the gap to the frame is one and a half to two modules.
QUIET_MODULES = 1
#: Samples along a cell's middle half, in each direction.
SAMPLES = 3
#: Of the 16 cells of the code, so many may be read wrong. The codes that can be confused (both markers of both cards,
#: turned and mirrored) differ in at least 4 cells.
WRONG_CELLS = 1
#: Share of the border's cells that must be black, and of the ground's that must be white: a finger or a stone may
#: lie on a corner.
BORDER_SHARE, GROUND_SHARE = 0.85, 0.7
#: Smallest contrast of the marker, as a share of full scale.
SMALLEST_CONTRAST = 0.06
#: Shifts of the expected place that are tried, in modules: the frame's corners are good to a few pixels, and a lens
#: bends what lies outside of them.
SHIFTS = tuple((dx, dy) for dx in (0.0, -0.4, 0.4) for dy in (0.0, -0.4, 0.4))


@dataclass(frozen=True)
class Reading:
    """What the markers say about one square.

    Parameters
    ----------
    turn : int
        The square's corner that is the card's top left one: 0 to 3, clockwise as seen in the photograph
        (counter-clockwise from corner 0 where mirrored).
    mirrored : bool
        The code reads only in the mirrored picture.
    markers : int
        How many of the card's markers were read.
    """

    turn: int
    mirrored: bool
    markers: int


def read_markers(
    light: LightImage, corners_px: FloatArray, card: CardLayout, shift_modules: tuple[float, float] = (0.0, 0.0)
) -> Reading | None:
    """Read the markers of a card whose frame has these corners.

    Parameters
    ----------
    light : LightImage
        The photograph.
    corners_px : ndarray of shape (4, 2)
        Outer corners of the frame, clockwise as seen.
    card : CardLayout
        The card that it would be.
    shift_modules : tuple of 2 floats
        How far from the expected place to read, in modules, see `SHIFTS`.

    Returns
    -------
    Reading or None
        None when neither marker is there.
    """
    ways = [
        (turn, mirrored, np.roll(corners_px[::-1] if mirrored else corners_px, -turn, axis=0))
        for mirrored in (False, True)
        for turn in range(4)
    ]
    maps = [homography(card.outer_corners_mm, ordered) for _, _, ordered in ways]
    # (way, marker): how far the code's cells are from what belongs there, infinite where it is not there
    deviation = np.array(
        [_deviations(light.gray(), maps, card, marker_id, np.array(shift_modules)) for marker_id in card.marker_ids]
    ).T
    read = np.isfinite(deviation)
    if not read.any():
        return None
    best = int(np.lexsort((deviation.min(axis=1), -read.sum(axis=1)))[0])
    return Reading(ways[best][0], ways[best][1], int(read[best].sum()))


def _deviations(
    gray: NDArray[np.uint8], maps: list[FloatArray], card: CardLayout, marker_id: int, shift_modules: FloatArray
) -> FloatArray:
    """Mean deviation of the code's cells from the code that belongs there, for each map; infinite if it is not it."""
    count = MARKER_MODULES + 2 * QUIET_MODULES
    cells = (np.arange(count) - QUIET_MODULES)[:, None] + 0.25 + 0.5 * (np.arange(SAMPLES) + 0.5) / SAMPLES
    x, y = np.meshgrid(cells.ravel(), cells.ravel())
    modules = np.column_stack([x.ravel(), y.ravel()]) + shift_modules
    grid = card.marker_corners_mm[marker_id][0] + card.marker_module_mm * modules
    points = np.rint([apply_homography(matrix, grid) for matrix in maps])
    height, width = gray.shape
    inside = np.asarray(((points >= 0) & (points <= (width - 1, height - 1))).all(axis=2))
    index = np.where(inside[..., None], points, 0.0).astype(np.intp)
    values = np.where(inside, gray[index[..., 1], index[..., 0]] / 255.0, np.nan)
    means = values.reshape(-1, count, SAMPLES, count, SAMPLES).mean(axis=(2, 4))  # NaN where any sample is outside

    from_outside = np.minimum(np.arange(count), np.arange(count)[::-1])
    ring = np.minimum(from_outside[:, None], from_outside[None, :])
    ground, border = means[:, ring < QUIET_MODULES], means[:, ring == QUIET_MODULES]
    code = means[:, ring > QUIET_MODULES]
    expected = np.logical_not(np.array(marker_cells(marker_id)))[1:-1, 1:-1].ravel()
    with np.errstate(invalid="ignore", divide="ignore"):
        white = _median_of_known(ground)
        black = np.median(border, axis=1)
        contrast = white - black
        half = (0.5 * (white + black))[:, None]
        ground_share = (ground > half).sum(axis=1) / np.maximum(np.isfinite(ground).sum(axis=1), 1)
        wrong = ((code > half) != expected).sum(axis=1)
        there = (
            np.isfinite(means[:, ring >= QUIET_MODULES]).all(axis=1)
            & (contrast > SMALLEST_CONTRAST)
            & ((border < half).mean(axis=1) >= BORDER_SHARE)
            & (ground_share >= GROUND_SHARE)
            & (wrong <= WRONG_CELLS)
        )
        scaled = np.clip((code - black[:, None]) / contrast[:, None], 0.0, 1.0)
    return np.where(there, np.abs(scaled - expected).mean(axis=1), np.inf)


def _median_of_known(values: FloatArray) -> FloatArray:
    """Median of each row without its NaNs; NaN for a row of nothing else."""
    known = np.isfinite(values)
    ordered = np.sort(np.where(known, values, np.inf), axis=1)
    rows, count = np.arange(len(values)), known.sum(axis=1)
    lower, upper = ordered[rows, np.maximum(count - 1, 0) // 2], ordered[rows, count // 2 % values.shape[1]]
    return np.where(count > 0, 0.5 * (lower + upper), np.nan)
