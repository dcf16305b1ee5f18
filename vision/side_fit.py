"""Fitting a body of revolution to its outline in the photograph.

Round after round the edges near the expected outline are looked up on strips across it, the likeliest on each strip is
taken, and the body is fitted to all of them by robust least squares through the real projection; the search narrows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.side_body import STEP_MM, STEP_RAD, Body
from rimsight.vision.side_model import (
    CIRCLE_POINTS,
    axis_points_px,
    circles_px,
    from_ideal,
    ideal_view,
    reach_px,
    some_points_px,
    to_ideal,
)
from rimsight.vision.side_strips import ALONG_PX, ATTENUATION, Track, crests, drawn, outer_edge, track

FloatArray = NDArray[np.float64]

#: Half widths of the search (shares of the radius, at least so many pixels), and the preference's width (pixels).
ROUNDS: tuple[tuple[float, float, float], ...] = (
    (0.22, 9.0, 4.0), (0.14, 7.0, 3.0), (0.10, 6.0, 2.0), (0.05, 5.0, 1.4), (0.0, 2.5, 1.0), (0.0, 2.0, 0.8),
)  # fmt: skip
#: In wide searches the preference for near edges reaches over this share of the half width.
PREFERENCE = 0.4
#: An edge in a colour difference counts this much beside one of luminance: the mosaic and JPEG keep colour coarsely.
COLOUR_SHARE = 0.6
#: Residuals beyond this lose their weight (Cauchy), pixels; narrowing with the rounds, never below.
SMALLEST_SCALE_PX = 0.25
#: Standard uncertainty of one strip's edge in the fit, pixels: neighbours share facets, mosaic and smoothing.
STRIP_U_PX = 0.5
#: Further edges are looked for this far outside, pixels.
OUTSIDE_PX = 8.0
#: ... and outside of a tube, whose streaks of light are as straight as its sides, this share of its half size.
TUBE_OUTSIDE_SHARE = 0.6
#: Strips across a tip lie this far to either side of it, pixels.
TIP_OFFSETS_PX = np.array([-1.8, -0.9, 0.0, 0.9, 1.8])
#: Larger than this no subject appears, pixels.
LARGEST_PX = 6000.0
#: Steps of one round, dampings tried in turn, and the share of the sum of squares below which a step is the last.
STEPS, DAMPINGS, SMALLEST_GAIN = 4, (1e-3, 3e-2, 1.0, 30.0), 3e-3
#: An edge supports the outline when it lies this near, pixels.
TIGHT_PX = 0.7


@dataclass(frozen=True)
class Seen:
    """Edges on the strips of one round.

    Parameters
    ----------
    places : Track
        The strips, ideal pixels of the view that was used.
    edge_px : ndarray of shape (N, 2)
        The edge on each strip, corrected for blur at corners, pixels of the photograph.
    inner_px : ndarray of shape (N, 2)
        A point well inside on the same strip, pixels of the photograph.
    weight : ndarray of shape (N,)
        Strength of the edge; 0 where there is none.
    outside : ndarray of shape (N,)
        Strength of the strongest edge further out.
    colour : ndarray of shape (N,), bool
        Located in a colour difference.
    """

    places: Track
    edge_px: FloatArray
    inner_px: FloatArray
    weight: FloatArray
    outside: FloatArray
    colour: NDArray[np.bool_]


@dataclass(frozen=True)
class Fit:
    """A fitted body.

    Parameters
    ----------
    body : Body
        What was fitted.
    figures : ndarray of shape (P,)
        Its figures, by `body.names`.
    seen : Seen
        The edges of the last round.
    residual_px : ndarray of shape (N,)
        Distance of each strip's edge from the outline, outwards.
    weight : ndarray of shape (N,)
        Final weight, after the robust loss.
    segment : ndarray of shape (N,)
        Which circles the outline runs between there: twice the first one's index, and one more where it runs along
        one circle.
    support : float
        Share of the outline on which an edge lies within 0.7 px.
    by_segment : dict of int to float
        The same for each segment.
    outside : float
        Share of the outline beyond which, within a few pixels, lies a further edge.
    """

    body: Body
    figures: FloatArray
    seen: Seen
    residual_px: FloatArray
    weight: FloatArray
    segment: NDArray[np.intp]
    support: float
    by_segment: dict[int, float]
    outside: float

    def named(self, name: str) -> float:
        """One figure by its name."""
        return float(self.figures[self.body.names.index(name)])

    @property
    def scatter_px(self) -> float:
        """Weighted root mean square of the residuals."""
        total = float(self.weight.sum())
        return float(np.sqrt(np.sum(self.weight * self.residual_px**2) / total)) if total > 0 else float("inf")


def fit_body(
    image: LightImage,
    view: View,
    body: Body,
    start: FloatArray,
    blur_px: float,
    *,
    rounds: tuple[tuple[float, float, float], ...] = ROUNDS,
    coarse: bool = False,
) -> Fit:
    """Fit a body to the photograph.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    body : Body
        What is fitted.
    start : ndarray of shape (P,)
        Figures to start from.
    blur_px : float
        Blur of the photograph.
    rounds : tuple of (share, pixels, pixels)
        How wide is searched, and what distance is preferred.
    coarse : bool
        Fewer strips, sampled quickly: to tell starts apart.

    Raises
    ------
    ValueError
        The figures ran off to where there is no outline.
    """
    figures = np.asarray(start, dtype=np.float64)
    plain = ideal_view(view)
    for share, least, narrow_px in rounds:
        if share > 0:
            figures = body.opened(figures)
        shape = _shape(plain, body, figures)
        outline = shape.corners
        size = float(np.ptp(outline, axis=0).max()) / 2
        reach = max(share * size, least)
        narrow = max(narrow_px, PREFERENCE * reach)
        places = track(outline, ALONG_PX * (2.0 if coarse else 1.0))
        if not coarse:
            places = _with_tips(plain, body, figures, outline, places)
        seen = _look(image, view, places, shape, reach, narrow, blur_px, quick=coarse, outer=body.mirrors,
                     beyond_px=OUTSIDE_PX if body.mirrors else TUBE_OUTSIDE_SHARE * size)  # fmt: skip
        figures, residual, weight = solve(view, body, figures, seen, max(0.5 * narrow, SMALLEST_SCALE_PX))
    shape = _shape(plain, body, figures)
    near = (np.abs(residual) < TIGHT_PX * (1.5 if coarse else 1.0)) & (seen.weight > 0)
    at = _segments(shape.corners, shape.ring, places)
    by = {int(k): float(near[at == k].mean()) for k in np.unique(at)}
    return Fit(body, figures, seen, residual, weight, at, float(near.mean()), by, float(seen.outside.mean()))


def solve(
    view: View, body: Body, figures: FloatArray, seen: Seen, scale_px: float, *, rounds: int = 2
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit the body to edges that are already located.

    Returns
    -------
    figures : ndarray of shape (P,)
    residual_px, weight : ndarray of shape (N,)
        Of each strip.
    """
    plain = ideal_view(view)
    origin, edge = to_ideal(view, seen.inner_px), to_ideal(view, seen.edge_px)
    along = edge - origin
    length = np.linalg.norm(along, axis=1)
    along = along / np.maximum(length, 1e-9)[:, None]
    weight = seen.weight
    residual = length - _reach(plain, body, figures, origin, along)
    for _ in range(rounds):
        weight = seen.weight / (1.0 + (residual / scale_px) ** 2)
        figures = _improved(plain, body, figures, origin, along, length, weight / STRIP_U_PX**2)
        residual = length - _reach(plain, body, figures, origin, along)
    return figures, residual, weight


def _improved(
    plain: View,
    body: Body,
    figures: FloatArray,
    origin: FloatArray,
    along: FloatArray,
    length: FloatArray,
    weight: FloatArray,
) -> FloatArray:
    """A few damped steps of Gauss and Newton; edges come and go with the outline's corners, so each is tried."""
    mean, u = body.prior(figures)
    tight = 1.0 / u**2

    def cost(p: FloatArray) -> float:
        try:
            reach = _reach(plain, body, p, origin, along)
        except ValueError:
            return np.inf
        return float(np.sum(weight * (reach - length) ** 2) + np.sum(tight * (p - mean) ** 2))

    here = cost(figures)
    for _ in range(STEPS):
        reach, change = _reach_and_change(plain, body, figures, origin, along)
        weighted = change * weight[:, None]
        normal = change.T @ weighted + np.diag(tight)
        gradient = weighted.T @ (length - reach) + tight * (mean - figures)
        before = here
        for damping in DAMPINGS:
            step = np.linalg.solve(normal + np.diag(damping * np.diag(normal) + 1e-9), gradient)
            there = cost(figures + step)
            if there < here:
                figures, here = figures + step, there
                break
        if not here < (1.0 - SMALLEST_GAIN) * before:
            break
    return figures


def covariance(view: View, fit: Fit) -> tuple[FloatArray, FloatArray]:
    """How the figures follow the edges.

    Returns
    -------
    gain : ndarray of shape (P, N)
        Change of each figure when one strip's edge moves outwards by a pixel.
    covariance : ndarray of shape (P, P)
        Of the figures, from `STRIP_U_PX` and what is known beforehand.
    """
    plain = ideal_view(view)
    origin, edge = to_ideal(view, fit.seen.inner_px), to_ideal(view, fit.seen.edge_px)
    along = edge - origin
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-9)[:, None]
    _, change = _reach_and_change(plain, fit.body, fit.figures, origin, along)
    _, u = fit.body.prior(fit.figures)
    weighted = change * (fit.weight / STRIP_U_PX**2)[:, None]
    inverse = np.linalg.pinv(change.T @ weighted + np.diag(1.0 / u**2))
    return np.asarray(inverse @ weighted.T), np.asarray(inverse)


def _look(
    image: LightImage,
    view: View,
    places: Track,
    shape: _Shape,
    reach: float,
    narrow: float,
    blur_px: float,
    *,
    quick: bool,
    outer: bool,
    beyond_px: float,
) -> Seen:
    """The likeliest edge on every strip."""
    found = crests(image, view, places, reach, max(reach, beyond_px) + 2.0, blur_px, quick=quick)
    strength = np.where(found.offsets[None, None, :] <= max(reach, OUTSIDE_PX) + 2.0, found.strength, 0.0)
    shift = drawn(shape.corners, places, 3.0 + 2.5 * blur_px, blur_px)
    beyond = np.cumsum(strength[:, :, ::-1], axis=2)[:, :, ::-1] - strength
    away = found.place - shift[None, :, None]
    merit = strength * np.exp(-ATTENUATION * beyond - 0.5 * (away / narrow) ** 2)
    merit[1:] *= COLOUR_SHARE
    flat = merit.transpose(1, 0, 2).reshape(merit.shape[1], -1)
    best = flat.argmax(axis=1)
    channel, at = np.divmod(best, merit.shape[2])
    rows = np.arange(len(best))
    place = found.place[channel, rows, at]
    weight = strength[channel, rows, at] * np.where(channel > 0, COLOUR_SHARE, 1.0)
    weight = np.where(flat[rows, best] > 1e-3, weight, 0.0)
    further = found.place > (place + 1.5 + blur_px)[None, :, None]
    outside = np.where(further, found.strength, 0.0).max(axis=(0, 2))
    if not quick:
        place = outer_edge(found, channel, at, blur_px) if outer else place
    edge = places.points + (place - shift)[:, None] * places.normals
    inner = places.points - (reach + 4.0) * places.normals
    return Seen(places, from_ideal(view, edge), from_ideal(view, inner), weight, outside, channel > 0)


@dataclass(frozen=True)
class _Shape:
    """An outline: its corners in order, and the circle and the point on it that each is."""

    corners: FloatArray
    ring: NDArray[np.intp]
    point: NDArray[np.intp]


def _shape(plain: View, body: Body, figures: FloatArray) -> _Shape:
    points = circles_px(plain, *body.place(figures)).reshape(-1, 2)
    if not (np.isfinite(points).all() and np.ptp(points, axis=0).max() < LARGEST_PX):
        raise ValueError("the figures have no outline in the photograph")
    corners = np.asarray(ConvexHull(points).vertices, dtype=np.intp)
    ring, point = np.divmod(corners, CIRCLE_POINTS)
    return _Shape(points[corners], ring, point)


def _with_tips(plain: View, body: Body, figures: FloatArray, outline: FloatArray, places: Track) -> Track:
    """Further strips across the tips, where the outline's own strips are few and look past them to either side."""
    lie, _ = body.place(figures)
    level = lie.across[0]
    points, normals = [places.points], [places.normals]
    for inner, outer in body.tips(figures):
        ends = []
        for place, aside in (inner, outer):
            beside = replace(lie, x_mm=lie.x_mm + aside * level[0], y_mm=lie.y_mm + aside * level[1])
            ends.append(axis_points_px(plain, beside, np.array([place]))[0])
        ahead = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
        origin = ends[0] + TIP_OFFSETS_PX[:, None] * np.array([-ahead[1], ahead[0]])
        along = np.tile(ahead, (len(origin), 1))
        points.append(origin + reach_px(outline, origin, along)[:, None] * along)
        normals.append(along)
    count = sum(len(part) for part in points[1:])
    return Track(np.vstack(points), np.vstack(normals), count)


def _segments(outline: FloatArray, ring: NDArray[np.intp], places: Track) -> NDArray[np.intp]:
    """Which piece of the outline is nearest to each strip."""
    ahead = np.roll(outline, -1, axis=0)
    middle = outline[None] - places.points[:, None]
    edge = ahead - outline
    length = np.maximum(np.sum(edge**2, axis=1), 1e-12)
    share = np.clip(-np.sum(middle * edge[None], axis=2) / length, 0.0, 1.0)
    away = np.linalg.norm(middle + share[..., None] * edge[None], axis=2)
    nearest = away.argmin(axis=1)
    following = np.roll(ring, -1)
    label = 2 * np.minimum(ring, following) + (ring == following)
    return np.asarray(label[nearest], dtype=np.intp)


def _reach(plain: View, body: Body, figures: FloatArray, origin: FloatArray, along: FloatArray) -> FloatArray:
    return reach_px(_shape(plain, body, figures).corners, origin, along)


def _reach_and_change(
    plain: View, body: Body, figures: FloatArray, origin: FloatArray, along: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Distances to the outline and their derivatives (N, P); the corners stay the same points of their circles."""
    shape = _shape(plain, body, figures)
    reach = reach_px(shape.corners, origin, along)
    change = np.empty((len(reach), len(figures)))
    for k, name in enumerate(body.names):
        step = STEP_RAD if name in ("turn", "lean") else STEP_MM
        there = figures.copy()
        there[k] += step
        corners = some_points_px(plain, *body.place(there), shape.ring, shape.point)
        change[:, k] = (reach_px(corners, origin, along) - reach) / step
    return reach, change


def outline_of(view: View, fit: Fit) -> FloatArray:
    """The fitted outline (M, 2), pixels of the photograph, in order."""
    return from_ideal(view, _shape(ideal_view(view), fit.body, fit.figures).corners)
