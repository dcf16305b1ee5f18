"""From edges to figures: circles under all influences, smallest and largest diameters, uncertainty."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.camera import View
from rimsight.calibration.square import Calibration
from rimsight.vision.face_edge import FaceEdge
from rimsight.vision.influences import Influences
from rimsight.vision.outline import HeightRule, RoundEdge

FloatArray = NDArray[np.float64]

#: Shares of the blur and of the scatter about the circle that are common to a stone's whole edge. All constants of this
#: group follow from rendered photographs with known truth (75 stones, 75 tubes, 75 stones on tubes; `tests.bench`).
BLUR_SHARE = 0.18
SCATTER_SHARE = 0.7
#: Standard uncertainty of a tube's edge where nothing disturbs it, pixels.
METAL_EDGE_U_PX = 0.12
#: A tube's edge that scatters more than this about its circle jumps between a chamfer's two edges.
STEADY_SCATTER_PX = 0.25
UNSTEADY_SHARE = 4.5
#: A chamfer too narrow to show as a second edge (deburred edges are up to 0.1 mm wide; common practice, no source):
#: standard uncertainty of the radius, millimetres. At the bore it costs more: the mouth's edge is the sharper one.
HIDDEN_CHAMFER_U_MM = 0.013
HIDDEN_BORE_CHAMFER_U_MM = 0.02
#: An edge of less merit than this is weak; each tenth below costs 0.3 px.
WEAK_MERIT = 0.6
WEAK_SHARE = 3.0
#: A girdle over metal: its reflection and its shadow on the face pull at the edge; radius, millimetres.
OVER_METAL_U_MM = 0.01
#: Standard uncertainty of a coordinate of an edge's centre as a share of that of its diameter: an edge that is drawn
#: outwards on one side only moves the centre by as much as half the diameter's change.
CENTRE_SHARE = 0.4
#: An edge that shows in colour only: standard uncertainty of its place, pixels (mosaic, 4:2:0).
COLOUR_U_PX = 1.1
#: Highest harmonic of the outline that is looked at: a round stone's girdle has no finer form than that.
HARMONICS = 6
#: A harmonic counts when it is this many times its own standard uncertainty.
HARMONIC_LIMIT = 3.5


@dataclass(frozen=True)
class State:
    """The inputs of a reading, any of which can be moved by its standard uncertainty."""

    view: View
    heights: dict[str, HeightRule] = field(default_factory=dict)


@dataclass(frozen=True)
class Form:
    """Departure of an edge from its circle.

    Parameters
    ----------
    smallest, largest : float
        Smallest and largest two-point diameter over the mean one.
    amplitude_px : float
        Largest significant departure in radius, pixels.
    """

    smallest: float
    largest: float
    amplitude_px: float


def form(edge: RoundEdge, view: View) -> Form:
    """Smallest and largest two-point diameter of an edge, smoothed to its noise.

    The residuals' harmonics 2 to 6 are fitted with the edge's weights; only those that stand out of the noise count.
    Two-point diameters, as calipers take them, see the even ones only (ISO 14405-1, LP).
    """
    circle = edge.circle
    points = edge.points_mm(view)
    angle = np.arctan2(points[:, 1] - circle.y, points[:, 0] - circle.x)
    orders = np.arange(2, HARMONICS + 1)
    columns = np.concatenate([np.cos(np.outer(orders, angle)), np.sin(np.outer(orders, angle))]).T
    weight = np.sqrt(np.maximum(circle.weights, 0.0))
    try:
        coefficients = np.linalg.lstsq(columns * weight[:, None], circle.residuals * weight, rcond=None)[0]
        normal = np.linalg.pinv((columns * weight[:, None]).T @ (columns * weight[:, None]))
    except np.linalg.LinAlgError:
        return Form(1.0, 1.0, 0.0)
    left = circle.residuals - columns @ coefficients
    # Neighbouring radii share pixels and facets: about one independent value per 4 px of arc.
    arc_px = 2.0 * np.pi * circle.radius * edge.px_per_mm / len(angle)
    shared = max(1.0, 4.0 / arc_px)
    noise = np.sqrt(np.sum(circle.weights * left**2) / max(float(circle.weights.sum()), 1e-9) * shared)
    half = len(orders)
    theta = np.arange(180) * np.pi / 180.0
    change = np.zeros(180)
    amplitude = 0.0
    for k, order in enumerate(orders):
        a, b = coefficients[k], coefficients[half + k]
        own = np.hypot(a, b)
        u = noise * np.sqrt(0.5 * (normal[k, k] + normal[half + k, half + k]))
        if own < HARMONIC_LIMIT * u:
            continue
        kept = 1.0 - (u / own) ** 2
        amplitude += float(own * kept)
        if order % 2 == 0:
            change += 2.0 * kept * (a * np.cos(order * theta) + b * np.sin(order * theta))
    diameter = 2.0 * circle.radius
    return Form(
        float(1.0 + change.min() / diameter), float(1.0 + change.max() / diameter), amplitude * edge.px_per_mm
    )


def edge_u_px(edge: RoundEdge, blur_px: float, *, rival_gap_px: float = 0.0) -> float:
    """Standard uncertainty of a stone's edge, common to the whole round, pixels.

    Parameters
    ----------
    edge : RoundEdge
        The edge.
    blur_px : float
        Blur of the photograph: facets and shadows within one blur of the edge pull at it.
    rival_gap_px : float
        Distance to another edge that would do nearly as well.
    """
    terms = (
        BLUR_SHARE * blur_px,
        SCATTER_SHARE * edge.scatter_px,
        COLOUR_U_PX * edge.colour,
        WEAK_SHARE * max(WEAK_MERIT - edge.merit, 0.0),
        0.5 * rival_gap_px,
    )
    return float(np.sqrt(np.sum(np.square(terms))))


def metal_edge_u_mm(
    edge: RoundEdge,
    own: FaceEdge | None = None,
    *,
    rival_gap_px: float = 0.0,
    chamfer_u_mm: float = HIDDEN_CHAMFER_U_MM,
) -> float:
    """Standard uncertainty of a tube's edge, common to the whole round, millimetres of radius.

    Parameters
    ----------
    edge : RoundEdge
        The edge.
    own : FaceEdge, optional
        What the ring model says of it; default it was traced only.
    rival_gap_px : float
        Distance to another edge that would do nearly as well.
    chamfer_u_mm : float
        What a chamfer too narrow to show costs where the edge was traced only, millimetres of radius.
    """
    unsteady = UNSTEADY_SHARE * max(edge.scatter_px - STEADY_SCATTER_PX, 0.0)
    terms = (
        METAL_EDGE_U_PX / edge.px_per_mm,
        unsteady / edge.px_per_mm,
        COLOUR_U_PX * edge.colour / edge.px_per_mm,
        own.u_px / edge.px_per_mm if own is not None else chamfer_u_mm,
        0.5 * rival_gap_px / edge.px_per_mm,
    )
    return float(np.sqrt(np.sum(np.square(terms))))


def fit_u_mm(edge: RoundEdge) -> float:
    """Random standard uncertainty of the diameter from the points' scatter, millimetres."""
    arc_px = 2.0 * np.pi * edge.circle.radius * edge.px_per_mm / max(len(edge.points_px), 1)
    shared = max(1.0, 4.0 / max(arc_px, 1e-9))
    return float(2.0 * np.sqrt(max(edge.circle.covariance[2, 2], 0.0) * shared))


def evaluate(
    evaluator: Callable[[State], FloatArray],
    best: State,
    calibration: Calibration,
    moved: list[tuple[str, str, State]],
) -> tuple[FloatArray, dict[tuple[str, str], FloatArray]]:
    """Figures at the best inputs and their changes under every influence of view and heights.

    Parameters
    ----------
    evaluator : callable
        From a state to an array of figures.
    best : State
        Best inputs.
    calibration : Calibration
        Gives the variants of the view.
    moved : list of (key, tag, State)
        Further inputs, each moved by one standard uncertainty.
    """
    values = evaluator(best)
    changes = {}
    for k, (tag, view) in enumerate(calibration.variants):
        changes[(f"view {k}", tag)] = evaluator(State(view, best.heights)) - values
    for key, tag, state in moved:
        changes[(key, tag)] = evaluator(state) - values
    return values, changes


def figure(
    influences: Influences,
    index: int,
    values: FloatArray,
    changes: dict[tuple[str, str], FloatArray],
    extra: dict[tuple[str, str], float],
) -> UFloat:
    """One figure with all its influences; `extra` holds those that touch it alone or that are common to edges."""
    own = {key: float(change[index]) for key, change in changes.items()}
    own.update(extra)
    return influences.figure(float(values[index]), own)
