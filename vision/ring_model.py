"""A model of the light across a tube's edge: concentric steps of unknown height on every radius.

Where a chamfer of 0.05 mm lies between face and side, its two edges are one or two pixels apart and melt into one; the
sharpest place lies somewhere between them. Three things tell them apart: the photograph's own edge spread is known from
the printed square; the chamfer glints where the face does not, so the two steps' heights vary differently round the
tube; and the geometry is known: the outer edge of a 45 degree chamfer lies as far below the face as it lies outside of
it, and the far end of the wall, a tube's length below, shows beside the edge on the side that leans away.

On every radius the light is constant + slope + heights times steps: linear. The few common unknowns (radius, centre,
blur) are found by Gauss-Newton on what is left after the linear part is eliminated (variable projection, Golub &
Pereyra 1973, with Kaufman's approximation of the derivative), robustly over the radii.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.spread import EdgeSpread

FloatArray = NDArray[np.float64]

#: Resolution and reach of the tabulated step, pixels.
TABLE_STEP_PX, TABLE_REACH_PX = 0.02, 12.0
#: The far end shows when it lies this far beyond the edge, pixels.
SMALLEST_STRIP_PX = 0.3
#: Standard uncertainty of the logarithm of the blur: the tube's end is a few millimetres nearer than the card.
BLUR_U_LOG = 0.05
#: How many samples that prior weighs as much as.
BLUR_WEIGHT = 60.0
#: A chamfer's light lies between these, as a share of the scale: black with some room for sharpening, and what glints
#: may have that are blown out. Where the light inside of it is looked at, pixels, on so many samples at least.
BLACK, GLARING = -0.05, 1.15
BESIDE_PX, SMALLEST_BESIDE = (1.5, 4.5), 3
#: Slopes of the light are counted by so many pixels; what holds a bend of the slope where little lies beyond the edge.
SLOPE_PX, BEND_RIDGE = 10.0, 0.02
#: Largest change of one Gauss-Newton step, pixels.
LARGEST_MOVE_PX = 0.7


@dataclass(frozen=True)
class RingData:
    """Light round a tube's edge; lengths in pixels of the plane of the tube's face.

    Parameters
    ----------
    light : ndarray of shape (A, N)
        Luminance along the radii.
    place : ndarray of shape (N,)
        Radii of the samples.
    angles : ndarray of shape (A,)
        Directions of the radii.
    seen : ndarray of shape (A, N), bool
        Samples that count.
    slant : ndarray of shape (2,)
        Sideways shift of the sight line for each unit of depth, away from the camera.
    distance : float
        Height of the camera above the face.
    length : float
        Depth of the wall's far end below the face.
    outer : bool
        An outer edge, else a bore's.
    spread : EdgeSpread
        The photograph's edge spread.
    bent : bool
        The light beyond the tube's own edge rises or falls otherwise than on its face: where a tube stands, the paper
        round it lies in its shadow.
    """

    light: FloatArray
    place: FloatArray
    angles: FloatArray
    seen: NDArray[np.bool_]
    slant: FloatArray
    distance: float
    length: float
    outer: bool
    spread: EdgeSpread
    bent: bool = False


def usual(square: FloatArray) -> float:
    """What is left on a usual radius, of those that count (on the others nothing is left)."""
    counting = square[square > 0.0]
    return max(float(np.median(counting)), 1e-14) if len(counting) else 1e-14


@dataclass(frozen=True)
class RingFit:
    """A model fitted to the light round an edge.

    Parameters
    ----------
    radius, x, y : float
        The tube's own edge: radius and centre less the map's centre, pixels; `gap` below the face.
    gap : float
        Width of the chamfer, pixels; 0 for a single edge.
    blur_share : float
        Blur over that of the square.
    left : ndarray of shape (A,)
        Mean square that is left on every radius.
    heights : ndarray of shape (A, 1 or 2)
        Steps of light at the tube's own edge and at the chamfer's other one.
    offsets : ndarray of shape (A,)
        How much further out than the circle each radius by itself would have the edge, pixels, to first order.
    offsets_u : ndarray of shape (A,)
        Standard uncertainty of that by what is left; infinite where a radius doesn't show the edge.
    dark, glaring : float
        Share of the radii on which the chamfer would be darker than black, or brighter than the photograph can show.
    """

    radius: float
    x: float
    y: float
    gap: float
    blur_share: float
    left: FloatArray
    heights: FloatArray
    offsets: FloatArray
    offsets_u: FloatArray
    dark: float = 0.0
    glaring: float = 0.0


class _Steps:
    """The step and its slope, tabulated for one blur."""

    def __init__(self, spread: EdgeSpread, share: float) -> None:
        self.place = np.arange(-TABLE_REACH_PX, TABLE_REACH_PX, TABLE_STEP_PX)
        self.step = EdgeSpread(spread.sigma_px * share, spread.overshoot)(self.place)
        self.slope = np.gradient(self.step, TABLE_STEP_PX)

    def __call__(self, distance: FloatArray) -> tuple[FloatArray, FloatArray]:
        k = ((distance + TABLE_REACH_PX) * (1.0 / TABLE_STEP_PX)).astype(np.intp)
        k = np.clip(k, 0, len(self.place) - 1)
        return self.step[k], self.slope[k]


def fit_rings(
    data: RingData, radius: float, gap: float, *, centre: tuple[float, float] = (0.0, 0.0), rounds: int = 2
) -> RingFit:
    """Fit one edge, or the two edges of a chamfer, to the light round a tube.

    Parameters
    ----------
    data : RingData
        The light.
    radius : float
        Where the tube's own edge is expected, pixels.
    gap : float
        Width of the chamfer, pixels, which is kept; 0 for a single edge.
    centre : tuple of 2 floats
        Expected centre less the map's centre.
    rounds : int
        Rounds in which radii that fit badly lose weight.

    Returns
    -------
    RingFit
    """
    q = np.array([radius, centre[0], centre[1], 0.0])
    weights = np.ones(len(data.angles))
    for turn in range(rounds):
        steps = _Steps(data.spread, float(np.exp(q[3])))
        left, heights, slopes = _solve(data, steps, q, gap)
        damping = 1e-2
        for _ in range(4):
            root = np.sqrt(weights)[:, None]
            r = (left * root).ravel()
            jacobian = (slopes * root[:, :, None]).reshape(-1, 4)
            size = float(r @ r)
            prior = size / max(r.size, 1) * BLUR_WEIGHT / BLUR_U_LOG**2
            normal = jacobian.T @ jacobian
            gradient = -jacobian.T @ r
            normal[3, 3] += prior
            gradient[3] -= prior * q[3]
            normal += damping * np.diag(np.diag(normal)) + 1e-12 * np.eye(4)
            move = np.clip(np.linalg.solve(normal, gradient), -LARGEST_MOVE_PX, LARGEST_MOVE_PX)
            move[3] = np.clip(move[3], -0.1, 0.1)
            trial = q + move
            new_steps = _Steps(data.spread, float(np.exp(trial[3])))
            new_left, new_heights, new_slopes = _solve(data, new_steps, trial, gap)
            new_size = float(np.sum((new_left * root) ** 2))
            if new_size + prior * trial[3] ** 2 < size + prior * q[3] ** 2:
                q, left, heights, slopes = trial, new_left, new_heights, new_slopes
                damping *= 0.3
                if np.abs(move[:3]).max() < 0.01:
                    break
            else:
                damping *= 8.0
        square = mean_square(data, left)
        typical = max(float(np.median(square)), 1e-14)
        if turn < rounds - 1:
            weights = typical / (square + typical)
    return fitted(data, q, gap, left, heights, slopes)


def left_over(data: RingData, q: FloatArray, gap: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What a model leaves.

    Parameters
    ----------
    data : RingData
        The light.
    q : ndarray of shape (4,)
        Radius and centre of the tube's own edge less the map's centre, pixels, and the logarithm of its blur over the
        square's.
    gap : float
        Width of the chamfer, pixels; 0 for a single edge.

    Returns
    -------
    left : ndarray of shape (A, N)
        Light less the model's.
    heights : ndarray of shape (A, 1 or 2)
        The steps of light.
    slopes : ndarray of shape (A, N, 4)
        Derivative of what is left by `q`.
    """
    return _solve(data, _Steps(data.spread, float(np.exp(q[3]))), q, gap)


def fitted(
    data: RingData, q: FloatArray, gap: float, left: FloatArray, heights: FloatArray, slopes: FloatArray
) -> RingFit:
    """The fit that parameters and what they leave are; see `left_over`."""
    square = mean_square(data, left)
    offsets, offsets_u = _offsets(left, slopes[..., 0], square)
    level = _chamfer_level(data, q, gap, heights)
    dark, glaring = (float(np.mean(wrong)) if len(level) else 0.0 for wrong in (level < BLACK, level > GLARING))
    return RingFit(
        float(q[0]), float(q[1]), float(q[2]), gap, float(np.exp(q[3])), square, heights, offsets, offsets_u, dark,
        glaring,
    )


def _chamfer_level(data: RingData, q: FloatArray, gap: float, heights: FloatArray) -> FloatArray:
    """Light of the chamfer on the radii that show what lies inside of it; none for a single edge."""
    if gap == 0.0:
        return np.zeros(0)
    innermost = q[0] - (gap if data.outer else 0.0) + q[1] * np.cos(data.angles) + q[2] * np.sin(data.angles)
    away = innermost[:, None] - data.place
    inside = data.seen & (away > BESIDE_PX[0]) & (away < BESIDE_PX[1])
    count = inside.sum(axis=1)
    shown = count >= SMALLEST_BESIDE
    level = np.sum(np.where(inside, data.light, 0.0), axis=1)[shown] / count[shown]
    # From within: the face, its chamfer and what lies beyond; or the bore, its chamfer and the face.
    return np.asarray(level + heights[shown, 1 if data.outer else 0])


def _offsets(left: FloatArray, slopes: FloatArray, square: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where each radius by itself would have the edge, less the circle's, and how surely; pixels."""
    telling = np.sum(slopes**2, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        offsets = -np.sum(left * slopes, axis=1) / telling
        u = np.sqrt(square / telling)
    shown = np.isfinite(offsets) & np.isfinite(u)
    return np.where(shown, offsets, 0.0), np.where(shown, u, np.inf)


def mean_square(data: RingData, left: FloatArray) -> FloatArray:
    """Mean square (A,) of what is left (A, N) on the samples of each radius that count."""
    return np.asarray(np.sum(left**2, axis=1) / np.maximum(data.seen.sum(axis=1), 1))


def _solve(data: RingData, steps: _Steps, q: FloatArray, gap: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What is left (A, N), the steps' heights (A, K), and the derivative of what is left (A, N, 4)."""
    cosine, sine = np.cos(data.angles), np.sin(data.angles)
    outward = 1.0 if data.outer else -1.0

    def at(radius: float, depth: float) -> FloatArray:
        share = data.distance / (data.distance + depth)
        x, y = q[1] - depth * data.slant[0], q[2] - depth * data.slant[1]
        return np.asarray(radius * share + x * cosine + y * sine)

    own = at(q[0], gap)
    rings = [(own, np.ones(len(own), dtype=bool), 0.0)]
    if gap > 0.0:
        rings.append((at(q[0] - outward * gap, 0.0), np.ones(len(own), dtype=bool), 0.0))
    far = at(q[0], data.length)
    rings.append((far, (far - own) * outward > SMALLEST_STRIP_PX, 0.0 if data.outer else 1.0))
    count = 2 + len(rings) + data.bent
    shape = data.light.shape
    basis = np.empty((*shape, count))
    basis[..., 0] = 1.0
    basis[..., 1] = (data.place - data.place.mean()) / SLOPE_PX
    ridge = np.full(count, 1e-5)
    if data.bent:
        basis[..., -1] = np.maximum((data.place[None, :] - own[:, None]) * outward, 0.0) / SLOPE_PX
        ridge[-1] = BEND_RIDGE
    slopes = []
    for k, (position, shown, level) in enumerate(rings):
        step, slope = steps(data.place[None, :] - position[:, None])
        basis[..., 2 + k] = np.where(shown[:, None], step - level, 0.0)
        slopes.append(np.where(shown[:, None], slope, 0.0))
    basis *= data.seen[..., None]
    light = data.light * data.seen
    transposed = basis.transpose(0, 2, 1)
    normal = transposed @ basis + np.diag(ridge)
    inverse = np.linalg.inv(normal)
    heights = (inverse @ (transposed @ light[..., None]))[..., 0]
    left = light - (basis @ heights[..., None])[..., 0]
    # d left / d position = height * slope, less what the linear part takes up of it.
    moved = np.zeros(shape)
    blurred = np.zeros(shape)
    for k, slope in enumerate(slopes):
        own_part = heights[:, 2 + k, None] * slope * data.seen
        moved += own_part
        blurred += own_part * (data.place[None, :] - rings[k][0][:, None])
    parts = np.stack([moved, moved * cosine[:, None], moved * sine[:, None], blurred], axis=-1)
    parts -= basis @ (inverse @ (transposed @ parts))
    return left, heights[:, 2 : 2 + len(rings) - 1], parts
