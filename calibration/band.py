"""Edges of the reference square at sub-pixel, along profiles across its four sides, in linear light.

For the printed card both edges of the black band are located and their mean, the MIDLINE, is the measure: ink
spread, blur, glare, threshold and tone curve move the two edges opposite ways and cancel. A plain square has only
its outer edges, and keeps their bias.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimsight.calibration.detect import apply_homography
from rimsight.calibration.pixels import FloatArray, LightImage

#: Profiles across each side. Random error is never the limit (0.02 px / sqrt(64)); more only cost time.
PROFILES_PER_SIDE = 64
#: Distance of the samples along a profile, pixels.
STEP_PX = 0.4
#: Variance that linear interpolation adds to a blur, px^2: the mean of p (1 - p) over a pixel.
LINEAR_INTERPOLATION_VARIANCE = 1.0 / 6.0
#: Light steps smaller than this share of full scale are no edge of a black print on white paper.
SMALLEST_CONTRAST = 0.06

#: Outward normals of the sides top, right, bottom, left as printed, and the directions along them.
NORMALS = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
DIRECTIONS = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])


@dataclass(frozen=True)
class SquareEdges:
    """Edge points of the square.

    Parameters
    ----------
    side : ndarray of shape (N,), int
        0 top, 1 right, 2 bottom, 3 left (as printed).
    points_px : ndarray of shape (N, 2)
        Points on the reference line (midline of the band, or the outer edge of a plain square), pixels.
    band_width_mm : ndarray of shape (N,)
        Distance of the band's two edges in nominal card millimetres; NaN for a plain square.
    blur_px : float
        Standard deviation of the edge spread (Gaussian equivalent), pixels.
    blur_spread_px : float
        Largest difference of the four sides' blur from that, pixels: defocus from a tilted card.
    white, black : float
        Median light of paper and print, linear, 0 to 1.
    clipped : float
        Share of the paper's samples at the top of the scale.
    found : ndarray of shape (4,)
        Share of each side's profiles that gave edges.
    """

    side: np.ndarray
    points_px: FloatArray
    band_width_mm: FloatArray
    blur_px: float
    blur_spread_px: float
    white: float
    black: float
    clipped: float
    found: FloatArray


def locate(light: LightImage, card_to_px: FloatArray, side_mm: float, band_mm: float | None) -> SquareEdges:
    """Locate the square's edges.

    Parameters
    ----------
    light : LightImage
        The photograph.
    card_to_px : ndarray of shape (3, 3)
        Homography from card millimetres to pixels, good to a few pixels.
    side_mm : float
        Side of the reference line: the midline of a band, or the outer edge of a plain square.
    band_mm : float or None
        Width of the band; None for a plain square.

    Returns
    -------
    SquareEdges
        Only the profiles on which every edge was found.
    """
    half = side_mm / 2.0
    reach = 1.1 * band_mm if band_mm is not None else 0.08 * side_mm
    keep = half - (band_mm * 1.3 if band_mm is not None else 0.06 * side_mm)
    along = np.linspace(-keep, keep, PROFILES_PER_SIDE)
    px_per_mm = np.sqrt(abs(np.linalg.det(_jacobian(card_to_px))))
    across = np.linspace(-reach, reach, max(24, int(2 * reach * px_per_mm / STEP_PX)))
    # (4, P, M, 2): side, profile, sample
    grid = (
        NORMALS[:, None, None] * (half + across)[None, None, :, None]
        + DIRECTIONS[:, None, None] * along[None, :, None, None]
    )
    pixels = apply_homography(card_to_px, grid.reshape(-1, 2))
    values = light.sample_luminance(pixels.reshape(grid.shape), order=1).reshape(4 * PROFILES_PER_SIDE, len(across))
    local = _local_scale(pixels.reshape(4 * PROFILES_PER_SIDE, len(across), 2), across)

    edge = 0.5 * band_mm if band_mm is not None else 0.0
    black_zone = np.abs(across) < 0.5 * edge if band_mm is not None else across < -0.35 * reach
    outer_zone = across > edge + 0.3 * (reach - edge)
    with np.errstate(invalid="ignore"):
        black = np.median(values[:, black_zone], axis=1)
        outside = np.median(values[:, outer_zone], axis=1)
    outer = crossing(across, values, 0.5 * (black + outside), near=edge, window=0.45 * reach, rising=True)
    good = np.isfinite(outer) & (outside - black > SMALLEST_CONTRAST)
    spreads = [edge_spread(across, values, outer, black, outside, local, good)]
    whites = [outside]
    if band_mm is not None:
        inner_zone = across < -edge - 0.3 * (reach - edge)
        inside = np.median(values[:, inner_zone], axis=1)
        inner = crossing(across, values, 0.5 * (black + inside), near=-edge, window=0.45 * reach, rising=False)
        good &= np.isfinite(inner) & (inside - black > SMALLEST_CONTRAST)
        spreads.append(edge_spread(across, values, inner, black, inside, local, good))
        whites.append(inside)
        width = outer - inner
        if good.any():
            # A stone, a shadow's edge or a finger on the band: its width is off from the rest by many blurs.
            typical = np.median(width[good])
            good &= np.abs(width - typical) < max(0.08 * band_mm, 3.0 / px_per_mm)
        middle = 0.5 * (outer + inner)
    else:
        width = np.full(len(outer), np.nan)
        middle = outer
    side = np.repeat(np.arange(4), PROFILES_PER_SIDE)
    position = (
        NORMALS[side] * (half + np.where(good, middle, 0.0))[:, None]
        + DIRECTIONS[side] * np.tile(along, 4)[:, None]
    )
    blur = np.nanmedian(np.concatenate(spreads)) if good.any() else np.nan
    per_side = [
        np.nanmedian(np.concatenate([spread[good & (side == k)] for spread in spreads])) if (good & (side == k)).any()
        else blur
        for k in range(4)
    ]
    paper = values[:, outer_zone][good]
    top = 1.0 - 1e-6
    return SquareEdges(
        side=side[good],
        points_px=apply_homography(card_to_px, position)[good],
        band_width_mm=width[good],
        blur_px=float(blur),
        blur_spread_px=float(np.max(np.abs(np.array(per_side) - blur))) if good.any() else float("nan"),
        white=float(np.median(np.concatenate([w[good] for w in whites]))) if good.any() else float("nan"),
        black=float(np.median(black[good])) if good.any() else float("nan"),
        clipped=float(np.mean(paper >= top)) if paper.size else 0.0,
        found=np.array([np.mean(good[side == k]) for k in range(4)]),
    )


def crossing(
    across: FloatArray, values: FloatArray, level: FloatArray, *, near: float, window: float, rising: bool
) -> FloatArray:
    """First-order crossing of a level on each profile, nearest to an expected place.

    Parameters
    ----------
    across : ndarray of shape (M,)
        Positions of the samples, increasing.
    values : ndarray of shape (P, M)
        Light along the profiles.
    level : ndarray of shape (P,)
        The level to cross.
    near : float
        Where the crossing is expected.
    window : float
        How far from there it may lie.
    rising : bool
        Whether the light rises along `across` at the crossing.

    Returns
    -------
    ndarray of shape (P,)
        Positions in the unit of `across`; NaN where there is none.
    """
    shifted = values - level[:, None]
    if not rising:
        shifted = -shifted
    a, b = shifted[:, :-1], shifted[:, 1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        here = (a < 0) & (b >= 0)
        place = across[:-1] + np.diff(across) * (-a) / (b - a)
        distance = np.where(here, np.abs(place - near), np.inf)
    best = np.argmin(distance, axis=1)
    rows = np.arange(len(values))
    return np.where(distance[rows, best] <= window, place[rows, best], np.nan)


def edge_spread(
    across: FloatArray,
    values: FloatArray,
    place: FloatArray,
    low: FloatArray,
    high: FloatArray,
    px_per_unit: FloatArray,
    good: np.ndarray,
) -> FloatArray:
    """Blur of each profile's edge as a Gaussian's standard deviation in pixels.

    From the light's slope at the edge: for a Gaussian blur the slope at the half-way point is
    contrast / (sigma sqrt(2 pi)). It is taken between 30 % and 70 % of the step, where sharpening's overshoot and
    the tone curve's ends change it least: 1.049 sigma apart.
    """
    spread = np.full(len(values), np.nan)
    contrast = high - low
    rows = np.flatnonzero(good)
    if not len(rows):
        return spread
    ends = []
    rising = values[rows, -1] > values[rows, 0] if len(rows) else np.array([], bool)
    del rising
    for share in (0.3, 0.7):
        level = (low + share * contrast)[rows]
        shifted = values[rows] - level[:, None]
        change = shifted[:, :-1] * shifted[:, 1:] <= 0
        with np.errstate(invalid="ignore", divide="ignore"):
            at = across[:-1] + np.diff(across) * shifted[:, :-1] / (shifted[:, :-1] - shifted[:, 1:])
            distance = np.where(change, np.abs(at - place[rows, None]), np.inf)
        best = np.argmin(distance, axis=1)
        ends.append(at[np.arange(len(rows)), best])
    apart = np.abs(ends[1] - ends[0]) * px_per_unit[rows]
    sigma = apart / 1.0488
    spread[rows] = np.sqrt(np.maximum(sigma**2 - LINEAR_INTERPOLATION_VARIANCE, 0.04))
    return spread


def _jacobian(matrix: FloatArray) -> FloatArray:
    """Derivative (2, 2) of the projective map at the card's centre."""
    p = apply_homography(matrix, np.array([[-0.5, 0.0], [0.5, 0.0], [0.0, -0.5], [0.0, 0.5]]))
    return np.column_stack([p[1] - p[0], p[3] - p[2]])


def _local_scale(pixels: FloatArray, across: FloatArray) -> FloatArray:
    """Pixels per unit of `across` on each profile (P,)."""
    length = np.linalg.norm(pixels[:, -1] - pixels[:, 0], axis=1)
    return np.asarray(length / (across[-1] - across[0]))
