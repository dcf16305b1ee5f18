"""Edges of the reference square at sub-pixel, along profiles across its four sides, in linear light.

For the printed card both edges of the black band are located and their mean, the MIDLINE, is the measure: ink
spread, blur, glare, threshold and tone curve move the two edges opposite ways and cancel. A plain square has only
its outer edges, and keeps their bias.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.homography import apply_homography
from rimsight.calibration.pixels import FloatArray, LightImage

#: Profiles across each side. Random error is never the limit (0.02 px / sqrt(64)); more only cost time.
PROFILES_PER_SIDE = 64
#: Distance of the samples along a profile, pixels, and how many are taken at most before the edges' surroundings are
#: sampled again finely: the profile is 9 mm long, 220 px at 25 px/mm, and the edge only a few.
STEP_PX = 0.4
COARSE_SAMPLES = 120
#: Half the length that is sampled finely round a coarse edge, pixels.
FINE_HALF_PX = 3.6
#: Variance that linear interpolation adds to a blur, px^2: the mean of p (1 - p) over a pixel.
LINEAR_INTERPOLATION_VARIANCE = 1.0 / 6.0
#: Standard deviations between the places where a Gaussian's integral passes 30 % and 70 %.
QUANTILE_DISTANCE = 1.0488
#: Light from here on counts as the top of the scale.
FULL_LIGHT = 1.0 - 1e-6
#: Light steps smaller than this share of full scale are no edge of a black print on white paper.
SMALLEST_CONTRAST = 0.06
#: Share of the white searched outside of the frame that must lie in the picture: 0.8 mm of it beside the small card's
#: frame. The rest is taken to go on as it ends. A whole frame 1 mm from the picture's edge was called cut off.
WHITE_SEEN = 0.45

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
    edge_px : ndarray of shape (E, N, 2)
        Points on the edges, pixels: the band's outer and inner edge, or the one edge of a plain square.
    edge_place : ndarray of shape (E,)
        Where the edges are drawn: distance from the centre over half the side of the reference line.
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
    outside : ndarray of shape (4,)
        Share of each side's profiles that run out of the photograph.
    """

    side: np.ndarray
    edge_px: FloatArray
    edge_place: FloatArray
    blur_px: float
    blur_spread_px: float
    white: float
    black: float
    clipped: float
    found: FloatArray
    outside: FloatArray

    @property
    def points_px(self) -> FloatArray:
        """Middles of the edges (N, 2), pixels: on the reference line, but for what the lens bends within the band."""
        return np.asarray(self.edge_px.mean(axis=0))


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
    strip = _Strip.around(light, card_to_px, side_mm, band_mm)
    reach, step = strip.reach, 2.0 * strip.reach / (len(strip.across) - 1)
    edge = 0.5 * band_mm if band_mm is not None else 0.0
    across = strip.across
    values = _continued(strip.sampled(across[None, :]), across > edge + WHITE_SEEN * (reach - edge))
    black = np.median(values[:, np.abs(across) < 0.5 * edge if band_mm is not None else across < -0.35 * reach], axis=1)

    # Outer edge first, then the inner one with its light on the other side.
    zones = [across > edge + 0.3 * (reach - edge)]
    if band_mm is not None:
        zones.append(across < -edge - 0.3 * (reach - edge))
    in_picture = np.asarray(np.isfinite(values).all(axis=1))
    good = in_picture.copy()
    edges, spreads, whites = [], [], []
    for sign, zone in zip((1.0, -1.0), zones, strict=False):
        white = np.median(values[:, zone], axis=1)
        place = crossing(across, values, 0.5 * (black + white), near=sign * edge, window=0.45 * reach, rising=sign > 0)
        found = np.isfinite(place) & (white - black > SMALLEST_CONTRAST) & good
        if step * strip.px_per_mm > 1.25 * STEP_PX:
            place, spread = _finely(strip, place, black, white, found, sign)
        else:
            spread = edge_spread(np.broadcast_to(across, values.shape), values, place, black, white, found)
        good &= np.isfinite(place) & found
        edges.append(place)
        spreads.append(np.sqrt(np.maximum((spread * strip.local_px) ** 2 - LINEAR_INTERPOLATION_VARIANCE, 0.04)))
        whites.append(white)
    if band_mm is not None and good.any():
        # A stone, a shadow's edge or a finger on the band: its width is off from the rest by many blurs.
        width = edges[0] - edges[1]
        good &= np.abs(width - np.median(width[good])) < max(0.08 * band_mm, 3.0 / strip.px_per_mm)
    edge_px = strip.pixels(np.where(good[:, None], np.array(edges).T, 0.0))[good].transpose(1, 0, 2)
    edge_place = 1.0 + np.array([edge, -edge][: len(edges)]) / strip.half
    side = np.repeat(np.arange(4), PROFILES_PER_SIDE)
    share = np.array([np.mean(good[side == k]) for k in range(4)])
    outside = np.array([1.0 - np.mean(in_picture[side == k]) for k in range(4)])
    if not good.any():
        nothing = float("nan")
        return SquareEdges(
            side[good], edge_px, edge_place, nothing, nothing, nothing, nothing, 0.0, share, outside
        )
    blur = float(np.nanmedian(np.array(spreads)[:, good]))
    sides_seen = [k for k in range(4) if share[k] > 0]
    per_side = np.array([np.nanmedian(np.array(spreads)[:, good & (side == k)]) for k in sides_seen])
    return SquareEdges(
        side=side[good],
        edge_px=edge_px,
        edge_place=edge_place,
        blur_px=blur,
        blur_spread_px=float(np.abs(per_side - blur).max()),
        white=float(np.median(np.array(whites)[:, good])),
        black=float(np.median(black[good])),
        clipped=float(np.mean(values[:, zones[0]][good] >= FULL_LIGHT)),
        found=share,
        outside=outside,
    )


def _continued(values: FloatArray, beyond: NDArray[np.bool_]) -> FloatArray:
    """Profiles (P, M) whose last samples, those `beyond` (M,), may lie outside the picture: the light goes on there."""
    values = values.copy()
    for k in np.flatnonzero(beyond):
        values[:, k] = np.where(np.isfinite(values[:, k]), values[:, k], values[:, k - 1])
    return values


@dataclass(frozen=True)
class _Strip:
    """Profiles across the four sides: where they run in the card's millimetres and in the photograph.

    Parameters
    ----------
    light : LightImage
        The photograph.
    card_to_px : ndarray of shape (3, 3)
        Homography from card millimetres to pixels.
    half : float
        Half the side of the reference line.
    along : ndarray of shape (P,)
        Positions of the profiles along each side, from its middle.
    across : ndarray of shape (M,)
        Positions of the coarse samples, from the reference line outwards.
    px_per_mm : float
        Scale at the centre.
    local_px : ndarray of shape (4 P,)
        Pixels per millimetre along each profile.
    """

    light: LightImage
    card_to_px: FloatArray
    half: float
    along: FloatArray
    across: FloatArray
    px_per_mm: float
    local_px: FloatArray

    @classmethod
    def around(cls, light: LightImage, card_to_px: FloatArray, side_mm: float, band_mm: float | None) -> _Strip:
        reach = 1.1 * band_mm if band_mm is not None else 0.08 * side_mm
        keep = side_mm / 2.0 - (band_mm * 1.3 if band_mm is not None else 0.06 * side_mm)
        px_per_mm = float(np.sqrt(abs(np.linalg.det(_jacobian(card_to_px)))))
        count = min(max(24, int(2 * reach * px_per_mm / STEP_PX)), COARSE_SAMPLES)
        strip = cls(
            light,
            card_to_px,
            side_mm / 2.0,
            np.linspace(-keep, keep, PROFILES_PER_SIDE),
            np.linspace(-reach, reach, count),
            px_per_mm,
            np.ones(4 * PROFILES_PER_SIDE),
        )
        ends = strip.pixels(np.array([[-reach, reach]]))
        return replace(strip, local_px=np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) / (2 * reach))

    @property
    def reach(self) -> float:
        return float(self.across[-1])

    def pixels(self, across: FloatArray) -> FloatArray:
        """Pixels (4 P, M, 2) of positions (4 P or 1, M) across the sides, in millimetres from the reference line."""
        across = np.broadcast_to(across, (4 * PROFILES_PER_SIDE, across.shape[1]))
        normals = np.repeat(NORMALS, PROFILES_PER_SIDE, axis=0)[:, None, :]
        starts = (DIRECTIONS[:, None, :] * self.along[None, :, None]).reshape(-1, 1, 2)
        grid = normals * (self.half + across)[:, :, None] + starts
        return apply_homography(self.card_to_px, grid.reshape(-1, 2)).reshape(grid.shape)

    def sampled(self, across: FloatArray) -> FloatArray:
        """Light at those positions; NaN outside the picture."""
        return self.light.sample_luminance(self.pixels(across), order=1)


def _finely(
    strip: _Strip, place: FloatArray, black: FloatArray, white: FloatArray, found: NDArray[np.bool_], sign: float
) -> tuple[FloatArray, FloatArray]:
    """Place and spread of an edge, sampled again in small steps round its coarse place."""
    steps = np.arange(-FINE_HALF_PX, FINE_HALF_PX + 0.5 * STEP_PX, STEP_PX)
    across = np.where(found, place, 0.0)[:, None] + steps / strip.local_px[:, None]
    values = strip.sampled(across)
    level = 0.5 * (black + white)
    window = FINE_HALF_PX / strip.px_per_mm
    fine = crossing(across, values, level, near=np.where(found, place, 0.0), window=window, rising=sign > 0)
    return fine, edge_spread(across, values, fine, black, white, found & np.isfinite(fine))


def crossing(
    across: FloatArray,
    values: FloatArray,
    level: FloatArray,
    *,
    near: float | FloatArray,
    window: float,
    rising: bool,
) -> FloatArray:
    """First-order crossing of a level on each profile, nearest to an expected place.

    Parameters
    ----------
    across : ndarray of shape (M,) or (P, M)
        Positions of the samples, increasing.
    values : ndarray of shape (P, M)
        Light along the profiles.
    level : ndarray of shape (P,)
        The level to cross.
    near : float or ndarray of shape (P,)
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
    across = np.broadcast_to(across, values.shape)
    shifted = values - level[:, None]
    if not rising:
        shifted = -shifted
    a, b = shifted[:, :-1], shifted[:, 1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        here = (a < 0) & (b >= 0)
        place = across[:, :-1] + np.diff(across, axis=1) * (-a) / (b - a)
        distance = np.where(here, np.abs(place - np.reshape(near, (-1, 1))), np.inf)
    best = np.argmin(distance, axis=1)
    rows = np.arange(len(values))
    return np.where(distance[rows, best] <= window, place[rows, best], np.nan)


def edge_spread(
    across: FloatArray,
    values: FloatArray,
    place: FloatArray,
    low: FloatArray,
    high: FloatArray,
    good: NDArray[np.bool_],
) -> FloatArray:
    """Blur of each profile's edge as a Gaussian's standard deviation, in the unit of `across` (P, M).

    From the light's slope at the edge: where it passes 30 % and 70 % of the step, where sharpening's overshoot and
    the tone curve's ends change it least; for a Gaussian these are 1.049 standard deviations apart. NaN where not
    `good`.
    """
    spread = np.full(len(values), np.nan)
    rows = np.flatnonzero(good)
    if not len(rows):
        return spread
    ends = []
    for share in (0.3, 0.7):
        level = (low + share * (high - low))[rows]
        shifted = values[rows] - level[:, None]
        change = shifted[:, :-1] * shifted[:, 1:] <= 0
        with np.errstate(invalid="ignore", divide="ignore"):
            here = across[rows]
            at = here[:, :-1] + np.diff(here, axis=1) * shifted[:, :-1] / (shifted[:, :-1] - shifted[:, 1:])
            distance = np.where(change, np.abs(at - place[rows, None]), np.inf)
        best = np.argmin(distance, axis=1)
        ends.append(at[np.arange(len(rows)), best])
    spread[rows] = np.abs(ends[1] - ends[0]) / QUANTILE_DISTANCE
    return spread


def _jacobian(matrix: FloatArray) -> FloatArray:
    """Derivative (2, 2) of the projective map at the card's centre."""
    p = apply_homography(matrix, np.array([[-0.5, 0.0], [0.5, 0.0], [0.0, -0.5], [0.0, 0.5]]))
    return np.column_stack([p[1] - p[0], p[3] - p[2]])
