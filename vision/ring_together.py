"""The ring model fitted to several photographs at once: one tube's edge, one chamfer, one height.

By itself a photograph in which a stone hides part of a tube's edge, or metal is as light as what lies behind it, may
put the edge some pixels off, or see a chamfer where a shadow ends. A common circle leaves no room for that. Where each
radius of each photograph would have the edge is then told to first order, with how surely it shows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.vision.ring_model import (
    LARGEST_MOVE_PX,
    RingData,
    RingFit,
    fitted,
    left_over,
    mean_square,
    usual,
)

FloatArray = NDArray[np.float64]

#: Standard uncertainty of the logarithm of a photograph's blur at the tube's end, less that of its square, by where the
#: lens is focused; and how many samples the priors here weigh as much as.
BLUR_U_LOG, PRIOR_WEIGHT = 0.16, 60.0
#: The height at which rings were matched is right within this, standard uncertainty, millimetres.
HEIGHT_U_MM = 0.3
#: A photograph's own edge may lie off the common one by this, standard uncertainty, pixels: what light and shadow do
#: to it. Where a photograph shows its edge well that weighs nothing, where it shows little of it the others tell.
OWN_U_PX = 0.5
#: Gauss-Newton steps of each round.
STEPS = 4


@dataclass(frozen=True)
class RingView:
    """A tube's edge in one photograph.

    Parameters
    ----------
    data : RingData
        The light; its map lies round the common centre in the plane of the tube's face.
    px_per_mm : float
        Scale of the map.
    typical : float
        Mean square that the model leaves on a usual radius: what the photograph counts by.
    u_alone_px : float
        Standard uncertainty of the radius by what this photograph alone does to it: light blown out beside the edge.
    """

    data: RingData
    px_per_mm: float
    typical: float
    u_alone_px: float = 0.0


@dataclass(frozen=True)
class TogetherFit:
    """The ring model in several photographs.

    Parameters
    ----------
    radius_mm, gap_mm : float
        Of the tube's own edge, and the chamfer's width.
    shift_mm : ndarray of shape (2,)
        Centre less that of the maps.
    rise_mm : float
        How much higher the face lies than the maps' plane.
    fits : tuple of RingFit
        The same in each photograph, in pixels of its map.
    """

    radius_mm: float
    gap_mm: float
    shift_mm: FloatArray
    rise_mm: float
    fits: tuple[RingFit, ...]


def fit_together(views: Sequence[RingView], radius_mm: float, gap_mm: float, rounds: int = 3) -> TogetherFit:
    """Fit one edge, or a chamfer's two, to several photographs of one tube.

    Parameters
    ----------
    views : sequence of RingView
        The photographs; their maps have one centre and one plane.
    radius_mm : float
        Where the tube's own edge is expected.
    gap_mm : float
        Width of the chamfer, which is kept; 0 for a single edge.
    rounds : int
        Rounds in which radii that fit badly lose weight.

    Returns
    -------
    TogetherFit

    Raises
    ------
    numpy.linalg.LinAlgError
        Nothing tells where the edge is.
    """
    count = 4 + 4 * len(views)
    p = np.zeros(count)
    p[0] = radius_mm
    ways = [_way(view, k, count) for k, view in enumerate(views)]
    weights = [np.ones(len(view.data.angles)) for view in views]
    unit = 1.0 / float(np.mean([view.px_per_mm for view in views]))
    largest = np.array([LARGEST_MOVE_PX * unit] * 3 + [0.3] + [0.1, *[LARGEST_MOVE_PX] * 3] * len(views))
    own = [u for view in views for u in (BLUR_U_LOG, np.hypot(OWN_U_PX, view.u_alone_px), OWN_U_PX, OWN_U_PX)]
    prior = PRIOR_WEIGHT / np.square([np.inf, np.inf, np.inf, HEIGHT_U_MM, *own])
    for turn in range(rounds):
        states = _states(views, ways, p, gap_mm)
        # Small: what the photographs have in common is held by priors that weigh little beside their own light.
        damping = 1e-4
        for _ in range(STEPS):
            normal, gradient, size = _equations(views, ways, states, weights)
            normal += np.diag(prior)
            gradient -= prior * p
            size += float(np.sum(prior * p**2))
            normal += damping * np.diag(np.diag(normal)) + 1e-12 * np.eye(count)
            move = np.clip(np.linalg.solve(normal, gradient), -largest, largest)
            trial = p + move
            new = _states(views, ways, trial, gap_mm)
            if _size(views, new, weights) + float(np.sum(prior * trial**2)) < size:
                p, states = trial, new
                damping *= 0.3
                if max(np.abs(way @ move)[:3].max() for way in ways) < 0.02:
                    break
            else:
                damping *= 8.0
        if turn < rounds - 1:
            weights = []
            for view, (left, *_) in zip(views, states, strict=True):
                square = mean_square(view.data, left)
                typical = usual(square)
                weights.append(typical / (square + typical))
    fits = tuple(
        fitted(view.data, _own(view, way, p), gap_mm * view.px_per_mm, *state)
        for view, way, state in zip(views, ways, states, strict=True)
    )
    return TogetherFit(float(p[0]), gap_mm, p[1:3].copy(), float(p[3]), fits)


def _way(view: RingView, k: int, count: int) -> FloatArray:
    """The matrix (4, count) from all parameters to radius, centre (px) and blur of one photograph.

    They are radius, centre and rise (mm), then of each photograph its blur and its departures (px).
    """
    way = np.zeros((4, count))
    px, data = view.px_per_mm, view.data
    way[0, 0] = way[1, 1] = way[2, 2] = px
    # Seen in the maps' plane a higher circle lies further from the camera's foot.
    way[1:3, 3] = px * data.slant
    way[3, 4 + 4 * k] = 1.0
    way[[0, 1, 2], [5 + 4 * k, 6 + 4 * k, 7 + 4 * k]] = 1.0
    return way


def _own(view: RingView, way: FloatArray, p: FloatArray) -> FloatArray:
    """Radius, centre and blur in one photograph."""
    q = way @ p
    q[0] *= 1.0 + p[3] * view.px_per_mm / view.data.distance
    return np.asarray(q)


_State = tuple[FloatArray, FloatArray, FloatArray]


def _states(views: Sequence[RingView], ways: Sequence[FloatArray], p: FloatArray, gap_mm: float) -> list[_State]:
    found = []
    for view, way in zip(views, ways, strict=True):
        found.append(left_over(view.data, _own(view, way, p), gap_mm * view.px_per_mm))
    return found


def _equations(
    views: Sequence[RingView], ways: Sequence[FloatArray], states: Sequence[_State], weights: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray, float]:
    """Normal matrix, right-hand side and sum of squares, each photograph in units of what it usually leaves."""
    count = ways[0].shape[1]
    normal, gradient = np.zeros((count, count)), np.zeros(count)
    for view, way, (left, _, slopes), weight in zip(views, ways, states, weights, strict=True):
        root = (weight / view.typical) ** 0.5
        r = (left * root[:, None]).ravel()
        jacobian = (slopes * root[:, None, None]).reshape(-1, 4)
        normal += way.T @ (jacobian.T @ jacobian) @ way
        gradient -= way.T @ (jacobian.T @ r)
    return normal, gradient, _size(views, states, weights)


def _size(views: Sequence[RingView], states: Sequence[_State], weights: Sequence[FloatArray]) -> float:
    return sum(
        float(np.sum(state[0] ** 2 * (weight / view.typical)[:, None]))
        for view, state, weight in zip(views, states, weights, strict=True)
    )
