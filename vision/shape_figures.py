"""From a followed outline to figures: the closed outline under every influence, and what each does to the figures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.square import Calibration
from rimsight.vision.influences import Influences
from rimsight.vision.reading import State, evaluate, figure
from rimsight.vision.shape_box import closed_outline, departures, smallest_box
from rimsight.vision.shape_circles import enclosing_circle, inner_radius
from rimsight.vision.shape_edges import ShapeEdge, usable
from rimsight.vision.shape_fit import moved
from rimsight.vision.shape_models import CUT, at_shares

FloatArray = NDArray[np.float64]

#: From a closed outline (M, 2) and the inputs to an array of figures.
Measure = Callable[[FloatArray, State], FloatArray]

#: Standard uncertainty of the edge's place: share of the blur, share of the scatter about the outline, an edge in
#: colour only, and what each tenth of merit below `WEAK_MERIT` costs, pixels. From rendered photographs; with
#: the doubts of sides, rivals and colour on top 95 % of the intervals of the odd-numbered scenes hold the truth.
BLUR_SHARE, SCATTER_SHARE, COLOUR_U_PX = 0.12, 0.45, 0.8
WEAK_MERIT, WEAK_SHARE = 0.6, 2.0
#: Standard uncertainty of where a corner's tip lies beyond the sides that meet there, in blurs: tips are blunted.
TIP_U_BLURS = 0.5


@dataclass(frozen=True)
class Doubt:
    """Another outline that would do nearly as well.

    Parameters
    ----------
    outline_mm : ndarray of shape (M, 2)
        It, closed.
    share : float
        What of the way to it is one standard uncertainty.
    """

    outline_mm: FloatArray
    share: float = 1.0


def sizes(outline_mm: FloatArray) -> FloatArray:
    """Length and width of the smallest box, diameters of the circle round it and of the one inside about its centre."""
    box = smallest_box(outline_mm)
    centre, radius = enclosing_circle(outline_mm)
    return np.array([box.length_mm, box.width_mm, 2.0 * radius, 2.0 * inner_radius(outline_mm, centre)])


def outline_under(edge: ShapeEdge, state: State, departure: FloatArray) -> FloatArray:
    """The closed outline (M, 2) when view or heights are others, with the same edge points and weights."""
    rule = state.heights["girdle"]
    own = rule(state.view, edge.curve.points_mm, edge.curve.normals)
    points = state.view.to_plane(edge.points_px, own)
    parameters = edge.parameters
    # The cut of tips is told from the light; on the sides it leaves hardly a trace.
    kept = CUT if edge.tip_u_mm > 0.0 else None
    for _ in range(2):
        at = at_shares(edge.family, parameters, edge.curve)
        offsets = np.sum((points - at) * edge.curve.normals, axis=1)
        parameters = moved(edge.family, parameters, edge.curve, offsets, edge.weights, kept)
    return with_parameters(edge, parameters, departure)


def with_parameters(edge: ShapeEdge, parameters: FloatArray, departure: FloatArray) -> FloatArray:
    """The closed outline (M, 2) of an edge's family with other parameters."""
    return closed_outline(edge.family, parameters, edge, at_shares(edge.family, parameters, edge.curve), departure)


def evaluated(
    measure: Measure,
    edge: ShapeEdge,
    best: State,
    calibration: Calibration,
    moves: list[tuple[str, str, State]],
    u_place_mm: float,
    doubts: list[Doubt],
) -> tuple[FloatArray, dict[tuple[str, str], FloatArray]]:
    """Figures of an outline and their changes by view, heights, the edge's place and other outlines.

    Parameters
    ----------
    measure : callable
        Makes the figures.
    edge : ShapeEdge
        The outline's edge.
    best, moves
        As of `reading.evaluate`.
    calibration : Calibration
        Gives the variants of the view.
    u_place_mm : float
        Standard uncertainty of where the edge lies, the same all round.
    doubts : list of Doubt
        Outlines that would do nearly as well.
    """
    departure = departures(edge)

    def evaluator(state: State) -> FloatArray:
        return measure(outline_under(edge, state, departure), state)

    values, changes = evaluate(evaluator, best, calibration, moves)
    outward = outline_under(edge, best, departure + u_place_mm)
    changes[("stone edge", "edge")] = measure(outward, best) - values
    for k, doubt in enumerate(doubts):
        changes[(f"doubt {k}", "edge")] = doubt.share * (measure(doubt.outline_mm, best) - values)
    return values, changes


def edge_u_px(edge: ShapeEdge, blur_px: float) -> float:
    """Standard uncertainty of the edge's place, common to the whole outline, pixels."""
    weak = WEAK_SHARE * max(WEAK_MERIT - edge.merit, 0.0)
    terms = (BLUR_SHARE * blur_px, SCATTER_SHARE * edge.scatter_px, COLOUR_U_PX * edge.colour, weak)
    return float(np.sqrt(np.sum(np.square(terms))))


def fit_u_mm(edge: ShapeEdge) -> float:
    """Random standard uncertainty of a size across the outline from the points' scatter, millimetres."""
    count = max(float(np.count_nonzero(edge.weights)), 8.0)
    shared = max(1.0, 4.0 / (edge.curve.step_mm * edge.px_per_mm))
    return 2.0 * edge.scatter_px / edge.px_per_mm * float(np.sqrt(shared * len(edge.parameters) / count))


def tips_u_mm(edge: ShapeEdge, outline_mm: FloatArray, blur_px: float) -> tuple[float, float, float]:
    """What blunted tips leave of doubt about length, width and the circle round the outline, standard uncertainties."""
    seen = edge.curve.points_mm[usable(edge.curve, blur_px / edge.px_per_mm)]
    beyond = 0.35 * blur_px / edge.px_per_mm
    one = float(np.hypot(TIP_U_BLURS * blur_px / edge.px_per_mm, edge.tip_u_mm))
    box = smallest_box(outline_mm)
    found = []
    for direction in (box.along, np.array([-box.along[1], box.along[0]])):
        along, known = outline_mm @ direction, seen @ direction
        tips = int(along.max() > known.max() + beyond) + int(along.min() < known.min() - beyond)
        found.append(one * float(np.sqrt(tips)))
    centre, radius = enclosing_circle(outline_mm)
    # The circle rests on two tips or three: about as on two.
    round_it = 2.0**0.5 * one if radius > np.hypot(*(seen - centre).T).max() + beyond else 0.0
    return found[0], found[1], round_it


def size_figures(
    influences: Influences,
    edge: ShapeEdge,
    outline_mm: FloatArray,
    values: FloatArray,
    changes: dict[tuple[str, str], FloatArray],
    blur_px: float,
) -> tuple[UFloat, UFloat, UFloat, UFloat]:
    """Length, width and both circles' diameters with their budgets; `values` begin as `sizes` gives them."""
    u_fit = fit_u_mm(edge)
    tips = (*tips_u_mm(edge, outline_mm, blur_px), 0.0)
    found = []
    for index, name in enumerate(("length", "width", "enclosing", "inner")):
        extra = {(f"fit of {name}", "fit"): u_fit, (f"tips of {name}", "tips"): tips[index]}
        found.append(figure(influences, index, values, changes, extra))
    return found[0], found[1], found[2], found[3]
