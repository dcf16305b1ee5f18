"""Measuring the many stones of a parcel in one photograph: every round stone's diameter, or why it has none.

Each stone's circle is searched on its own map of sharp edges from several radii, so that neither a ring of facets nor a
shadow is taken for the girdle, and then located at sub-pixel. A size that isn't sure is not given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.camera import View
from rimsight.calibration.height import GirdleHeights, girdle_on_card
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.influences import Influences
from rimsight.vision.outline import HeightRule, wall
from rimsight.vision.reading import State, evaluate, figure
from rimsight.vision.shape_edges import CLOSE_PX, ShapeEdge, follow
from rimsight.vision.shape_figures import BLUR_SHARE, SCATTER_SHARE
from rimsight.vision.shape_fit import CoarseFit, moved
from rimsight.vision.shape_models import FAMILIES, at_shares
from rimsight.vision.shape_rough import edge_map_round
from rimsight.vision.shape_search import search
from rimsight.vision.shape_strip import patch_round

FloatArray = NDArray[np.float64]

#: Radii that the search starts from, over the rough one.
STARTS = (0.92, 1.08, 1.25, 1.42)
#: Largest step of the search, pixels.
STEP_PX = 3.0
#: How far round a stone its surroundings are looked at, over the rough radius.
REACH = 1.6
#: Two circles whose radii differ by less than this are one, millimetres.
DISTINCT_MM = 0.03
#: A circle of less merit than this, or seen on less of the round, gives no size.
SMALLEST_CLEARNESS, SMALLEST_COVERAGE_DEG = 0.68, 180.0
#: An edge less clear than this is looked for in colour, and taken there if it is as clear as this.
CLEAR = 1.0
#: Beyond a stone's edge no more than so many times what is usual in its lot, and this share of the round, may be new:
#: else the edge proper lies further out, and a ring of facets was taken for it.
NEW_TIMES, NEW_MORE = 2.0, 0.08
#: A less clear edge than this costs so many pixels for each unit below.
WEAK_FROM, WEAK_PX = 1.05, 1.0
#: The shadow at a small stone's foot pulls its edge outwards by this; pale facets between dark ones pull it inwards, a
#: whole lot alike. Mean and standard uncertainty, pixels (12 lots of rendered parcels, all sets: their
#: means lie between -0.25 and +0.35 px).
FOOT_PX, FOOT_U_PX = 0.1, 0.3
#: An edge in colour lies further out by this: the file keeps colour at half resolution in codes, in which the middle of
#: an edge is darker than in light. Mean and standard uncertainty, pixels (one lot of orange stones).
COLOUR_PX, COLOUR_U_PX = 0.3, 0.25
#: Where fewer than this share of the stones are clear, the clear ones are chance: facets that happen to lie in a ring.
SMALLEST_CLEAR_SHARE = 0.2
#: An edge is looked for again so many pixels outside of the clearest; it is taken if its merit reaches this share, it
#: lies within so many millimetres, and by so much less of what lies beyond it is new.
OUTWARD_PX = (1.5, 2.5, 3.5, 4.5)
OUTWARD_SHARE, OUTWARD_MM, LESS_NEW = 0.6, 0.15, 0.1
#: Another circle of nearly the same merit makes the size doubtful.
RIVAL_SHARE = 0.75
#: Stones nearer to each other than this many pixels touch as far as the photograph tells.
TOUCHING_PX = 2.5
#: Two-point diameters that differ by more than this share, and this many millimetres, are of a stone that is not round
#: or lies tipped.
ROUND_SHARE, ROUND_MM = 0.03, 0.07
#: A circle whose centre lies further than this share of the thing's radius from its middle is only a part of it, such
#: as the table of a stone that lies tipped: 0.79 there, 0.22 at most on 164 round stones of rendered parcels.
LARGEST_OFFSET = 0.45


@dataclass(frozen=True)
class Piece:
    """One stone of a parcel.

    Parameters
    ----------
    number : int
        From 1, row by row as the card is printed.
    centre_mm : tuple of 2 floats
        Where it lies, card millimetres.
    radius_mm : float
        Its radius, roughly where no size is given.
    diameter : uncertainties.UFloat or None
        Its girdle diameter; None where it isn't sure.
    trouble : str
        Why there is none; empty where there is.
    touching : tuple of int
        Numbers of the stones that it touches, as far as the photograph tells.
    edge : ShapeEdge or None
        The edge that was followed.
    heights : GirdleHeights
        Heights that were used.
    """

    number: int
    centre_mm: tuple[float, float]
    radius_mm: float
    diameter: UFloat | None
    trouble: str
    touching: tuple[int, ...]
    edge: ShapeEdge | None
    heights: GirdleHeights


def read_stones(
    image: LightImage,
    calibration: Calibration,
    things: list[Candidate],
    *,
    card_height_mm: float = 0.0,
    progress: Callable[[int, int], None] | None = None,
) -> list[Piece]:
    """Measure every stone.

    Parameters
    ----------
    image, calibration
        The photograph and its geometry.
    things : list of Candidate
        Where they lie, in the order of their numbers.
    card_height_mm : float
        How high above the table the card lies.
    progress : callable, optional
        Called with how many are done and how many there are.

    Returns
    -------
    list of Piece
    """
    influences = Influences()
    pieces = []
    for index, thing in enumerate(things):
        pieces.append(_piece(image, calibration, thing, index + 1, card_height_mm, influences))
        if progress is not None:
            progress(index + 1, len(things))
    return _with_neighbours(_without_leftovers(_none_of_few(_without_inner(pieces)), things), calibration)


def clearness(edge: ShapeEdge) -> float:
    """Support over scatter: what lies outside is left out, for a small stone stands in its shadow."""
    return (edge.support + 0.02) / (edge.scatter_px + 0.2)


def _without_inner(pieces: list[Piece]) -> list[Piece]:
    """Take sizes back beyond whose edge much more is new than in the lot as a rule."""
    new = [piece.edge.novelty_outside for piece in pieces if piece.edge is not None and piece.diameter is not None]
    most = NEW_TIMES * float(np.median(new)) + NEW_MORE if new else 1.0
    return [
        replace(piece, diameter=None, trouble="two edges")
        if piece.diameter is not None and piece.edge is not None and piece.edge.novelty_outside > most
        else piece
        for piece in pieces
    ]


def _none_of_few(pieces: list[Piece]) -> list[Piece]:
    """Take the few sizes back where nearly all stones are unclear."""
    sized = sum(piece.diameter is not None for piece in pieces)
    if sized >= SMALLEST_CLEAR_SHARE * len(pieces):
        return pieces
    return [replace(piece, diameter=None, trouble=piece.trouble or "edge unclear") for piece in pieces]


def _without_leftovers(pieces: list[Piece], things: list[Candidate]) -> list[Piece]:
    """Leave out what shows no ring and has no clear edge beside a stone: its shadow; numbers follow on."""
    kept = [
        piece
        for piece, thing in zip(pieces, things, strict=True)
        if piece.diameter is not None
        or thing.coverage > 0.0
        or not any(
            other.diameter is not None
            and np.hypot(*(np.array(other.centre_mm) - thing.centre_mm)) < other.radius_mm + thing.radius_mm
            for other in pieces
        )
    ]
    return [replace(piece, number=number) for number, piece in enumerate(kept, start=1)]


def _piece(
    image: LightImage,
    calibration: Calibration,
    thing: Candidate,
    number: int,
    card_height_mm: float,
    influences: Influences,
) -> Piece:
    blur = max(calibration.blur_px, 0.5)
    edges = _circles(image, calibration, thing, card_height_mm, blur)
    heights = girdle_on_card(2.0 * thing.radius_mm)
    if not edges:
        return Piece(number, thing.centre_mm, thing.radius_mm, None, "no closed edge", (), None, heights)
    best = _outermost(edges)
    x, y, radius = (float(value) for value in best.parameters)
    heights = girdle_on_card(2.0 * radius)
    rivals = [
        edge for edge in edges
        if edge is not best and edge.merit > RIVAL_SHARE * best.merit
        and abs(edge.parameters[2] - best.parameters[2]) > DISTINCT_MM
    ]  # fmt: skip
    trouble = ""
    if clearness(best) < SMALLEST_CLEARNESS or best.coverage_deg < SMALLEST_COVERAGE_DEG:
        trouble = "edge unclear"
    elif rivals:
        trouble = "two edges"
    elif _out_of_round(best) > max(ROUND_MM, ROUND_SHARE * 2.0 * radius) or is_part(
        calibration.view, thing, (x, y), heights.mean_mm - card_height_mm
    ):
        trouble = "not round, or lies tipped"
    if trouble:
        return Piece(number, (x, y), radius, None, trouble, (), best, heights)
    diameter = _diameter(calibration, best, heights, card_height_mm, blur, number, influences)
    return Piece(number, (x, y), radius, diameter, "", (), best, heights)


def is_part(view: View, thing: Candidate, centre_mm: tuple[float, float], height_mm: float) -> bool:
    """Whether a circle round this centre, at that height, is only a part of the thing that lies there."""
    middle = view.to_plane(view.to_pixels(np.array([thing.centre_mm]), 0.0), height_mm)[0]
    return bool(np.hypot(*(np.array(centre_mm) - middle)) > LARGEST_OFFSET * thing.radius_mm)


def _circles(
    image: LightImage, calibration: Calibration, thing: Candidate, card_height_mm: float, blur: float
) -> list[ShapeEdge]:
    """Distinct circles near a thing, followed at sub-pixel."""
    view = calibration.view
    turn = np.arange(32) * 2.0 * np.pi / 32
    ring = REACH * thing.radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    around = np.array(thing.centre_mm) + ring
    height = girdle_on_card(2.0 * thing.radius_mm).mean_mm - card_height_mm
    edge_map = edge_map_round(image, view, around, height)
    centre = view.to_plane(view.to_pixels(np.array([thing.centre_mm]), 0.0), height)[0]
    family = FAMILIES["round"]
    found = [search(edge_map, CoarseFit(family, np.array([*centre, share * thing.radius_mm]), 0.0)) for share in STARTS]
    patch = patch_round(image, view.to_pixels(around, 0.0))
    edges: list[ShapeEdge] = []
    tried: list[FloatArray] = []
    for start in sorted(found, key=lambda one: -one.score):
        if any(np.abs(start.parameters - other).max() < DISTINCT_MM for other in tried):
            continue
        tried.append(start.parameters)
        rule = _rule(girdle_on_card(2.0 * float(start.parameters[2])), card_height_mm)
        edge = follow(patch, view, family, start.parameters, rule, blur, windows=CLOSE_PX[1:], coloured=False)
        if edge is None or clearness(edge) < CLEAR:
            coloured = follow(patch, view, family, start.parameters, rule, blur, windows=CLOSE_PX[1:])
            edge = coloured if coloured is not None and coloured.colour > 0 and clearness(coloured) > CLEAR else edge
        if edge is not None and edge.parameters[2] > 0.3:
            edges.append(edge)
    if edges:
        # Dark facets just inside of a pale rim are found sooner than its faint outer edge.
        inner = max(edges, key=lambda edge: edge.merit)
        for further in OUTWARD_PX:
            start_at = inner.parameters + np.array([0.0, 0.0, further / inner.px_per_mm])
            edge = follow(patch, view, family, start_at, inner.heights, blur, windows=CLOSE_PX[2:], coloured=False)
            if edge is not None and all(abs(edge.parameters[2] - o.parameters[2]) > DISTINCT_MM for o in edges):
                edges.append(edge)
    return edges


def _outermost(edges: list[ShapeEdge]) -> ShapeEdge:
    """The clearest edge, or one a little further out of it beyond which less is new."""
    best = max(edges, key=lambda edge: edge.merit)
    further = [
        edge for edge in edges
        if 0.0 < edge.parameters[2] - best.parameters[2] < OUTWARD_MM
        and edge.merit > OUTWARD_SHARE * best.merit
        and edge.novelty_outside < best.novelty_outside - LESS_NEW
    ]  # fmt: skip
    return max(further, key=lambda edge: edge.merit, default=best)


def _rule(heights: GirdleHeights, card_height_mm: float, shift: float = 0.0, thicker: float = 0.0) -> HeightRule:
    return wall(
        heights.lower_mm - card_height_mm + shift - thicker / 2, heights.upper_mm - card_height_mm + shift + thicker / 2
    )


def _out_of_round(edge: ShapeEdge) -> float:
    """Difference of the largest and the smallest two-point diameter from the edge's second harmonic, millimetres."""
    turn = 2.0 * np.pi * edge.curve.share
    columns = np.column_stack([np.ones(len(turn)), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)])
    weight = np.sqrt(edge.weights)
    found = np.linalg.lstsq(columns * weight[:, None], edge.offsets_mm * weight, rcond=None)[0]
    return 4.0 * float(np.hypot(found[3], found[4]))


def _diameter(
    calibration: Calibration,
    edge: ShapeEdge,
    heights: GirdleHeights,
    card_height_mm: float,
    blur: float,
    number: int,
    influences: Influences,
) -> UFloat:
    def evaluator(state: State) -> FloatArray:
        own = state.heights["girdle"](state.view, edge.curve.points_mm, edge.curve.normals)
        points = state.view.to_plane(edge.points_px, own)
        parameters = edge.parameters
        for _ in range(2):
            at = at_shares(edge.family, parameters, edge.curve)
            offsets = np.sum((points - at) * edge.curve.normals, axis=1)
            parameters = moved(edge.family, parameters, edge.curve, offsets, edge.weights)
        return np.array([2.0 * parameters[2]])

    view = calibration.view
    best = State(view, {"girdle": _rule(heights, card_height_mm)})
    moves = [
        ("girdle height", "height", State(view, {"girdle": _rule(heights, card_height_mm, heights.u_mm)})),
        (
            f"girdle thickness {number}",
            "height",
            State(view, {"girdle": _rule(heights, card_height_mm, 0.0, heights.u_thickness_mm)}),
        ),
    ]
    values, changes = evaluate(evaluator, best, calibration, moves)
    shared = max(1.0, 4.0 / (edge.curve.step_mm * edge.px_per_mm))
    count = max(float(np.count_nonzero(edge.weights)), 8.0)
    u_fit = 2.0 * edge.scatter_px / edge.px_per_mm * float(np.sqrt(shared * 3.0 / count))
    outwards = FOOT_PX + (COLOUR_PX if edge.colour > 0.0 else 0.0)
    values = values - 2.0 * outwards / edge.px_per_mm
    extra = {
        ("foot", "edge"): 2.0 * FOOT_U_PX / edge.px_per_mm,
        (f"edge {number}", "edge"): 2.0 * _edge_u_px(edge, blur) / edge.px_per_mm,
        (f"fit {number}", "fit"): u_fit,
    }
    return figure(influences, 0, values, changes, extra)


def _edge_u_px(edge: ShapeEdge, blur: float) -> float:
    """Standard uncertainty of one stone's edge, common to its round, pixels."""
    weak = WEAK_PX * max(WEAK_FROM - clearness(edge), 0.0)
    colour = COLOUR_U_PX if edge.colour > 0.0 else 0.0
    return float(np.sqrt((BLUR_SHARE * blur) ** 2 + (SCATTER_SHARE * edge.scatter_px) ** 2 + weak**2 + colour**2))


def _with_neighbours(pieces: list[Piece], calibration: Calibration) -> list[Piece]:
    """Note which stones touch; where two circles overlap, neither size is given."""
    noted = []
    for piece in pieces:
        touching, overlapping = [], False
        for other in pieces:
            if other is piece:
                continue
            away = float(np.hypot(*(np.array(piece.centre_mm) - other.centre_mm)))
            if other.diameter is None and piece.diameter is not None and other.trouble != "touching":
                # How far an unclear neighbour reaches isn't known; a clear circle doesn't suffer from that.
                if away < piece.radius_mm + 0.8 * other.radius_mm:
                    touching.append(other.number)
                continue
            gap = away - piece.radius_mm - other.radius_mm
            limit = TOUCHING_PX / calibration.px_per_mm
            if gap < limit:
                touching.append(other.number)
            overlapping = overlapping or gap < -limit
        trouble = piece.trouble
        if touching and (trouble or overlapping):
            trouble = "touching"
        noted.append(
            replace(
                piece, touching=tuple(touching), trouble=trouble, diameter=None if trouble else piece.diameter
            )
        )  # fmt: skip
    return noted
