"""Reading a stone that isn't round: its outline's shape, length and width."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.camera import View
from rimsight.calibration.height import GirdleHeights, Height, girdle_on_card
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.influences import Influences
from rimsight.vision.outline import HeightRule, wall
from rimsight.vision.reading import State, evaluate, figure
from rimsight.vision.shape_box import Box, closed_outline, departures, smallest_box
from rimsight.vision.shape_edges import CLOSE_PX, Patch, ShapeEdge, follow, patch_round, usable
from rimsight.vision.shape_fit import CoarseFit, coarse_fits, moved
from rimsight.vision.shape_models import at_shares
from rimsight.vision.shape_name import Naming, name_shape
from rimsight.vision.shape_rough import edge_map_round
from rimsight.vision.shape_search import EdgeMap, Found, moves, search
from rimsight.vision.stone import OutlineUnclear

FloatArray = NDArray[np.float64]

#: Families whose misfit to the rough outline is within this factor of the best, or below this, are tried in the
#: photograph.
TRIED_FACTOR, TRIED_MM = 2.5, 0.05
TRIED_MOST = 4
#: So many starts of one family, and so many families, are followed closely.
STARTS_EACH, FAMILIES_MOST = 3, 3
ALIKE_MM = 0.04
#: How far one side of the outline is moved to look for another edge, millimetres, and the windows of that.
SHIFTS_MM = (-0.25, -0.1, 0.1, 0.2, 0.3)
SHIFTED_PX = ((2.5, 1.5), (1.6, 1.0))
#: Another outline whose merit reaches this share of the best one's, and whose size differs by more than this, makes the
#: reading doubtful.
RIVAL_SHARE, RIVAL_MM = 0.6, 0.035
#: Less merit than this is as likely a chain of facets or a shadow.
SMALLEST_MERIT = 0.75
#: More than this that is new just outside means that the edge proper lies further out.
LARGEST_NOVELTY = 0.35
#: Less of the round than this, seen from the middle, is no outline.
SMALLEST_COVERAGE_DEG = 200.0
#: Standard uncertainty of the edge's place: share of the blur, share of the scatter about the outline, an edge in
#: colour only, and what each tenth of merit below `WEAK_MERIT` costs, pixels. From rendered photographs with truth
#: (`tests.bench.shapes`, set "tune").
BLUR_SHARE, SCATTER_SHARE, COLOUR_U_PX = 0.12, 0.45, 0.8
WEAK_MERIT, WEAK_SHARE = 0.6, 2.0
#: Standard uncertainty of where a corner's tip lies beyond the sides that meet there, in blurs: tips are blunted.
TIP_U_BLURS = 0.5


@dataclass(frozen=True)
class ShapeReading:
    """A stone that isn't round, read from a photograph.

    Parameters
    ----------
    length, width : uncertainties.UFloat
        Sides of the smallest box of the outline, millimetres.
    ratio : uncertainties.UFloat
        Length over width.
    naming : Naming
        The shape's name with its evidence.
    edge : ShapeEdge
        The edge.
    outline_mm : ndarray of shape (M, 2)
        The closed outline at the girdle's height, card millimetres.
    box : Box
        The box.
    heights : GirdleHeights
        Heights that were used.
    others : tuple of (str, float)
        Other families that were tried, with their merits.
    influences : Influences
        The photograph's variables.
    """

    length: UFloat
    width: UFloat
    ratio: UFloat
    naming: Naming
    edge: ShapeEdge
    outline_mm: FloatArray
    box: Box
    heights: GirdleHeights
    others: tuple[tuple[str, float], ...]
    influences: Influences


def read_shape(
    image: LightImage,
    calibration: Calibration,
    hulls_mm: list[FloatArray],
    *,
    girdle: Height | None = None,
    card_height_mm: float = 0.0,
) -> ShapeReading:
    """Read a stone that lies on its table, whatever its shape.

    Parameters
    ----------
    image, calibration
        The photograph and its geometry.
    hulls_mm : list of ndarray of shape (M, 2)
        Rough outlines of the stone, as seen in the card's plane; the one that leads to the clearest edge is used.
    girdle : Height, optional
        Typed height of the girdle above the table.
    card_height_mm : float
        How high above the table the card lies.

    Raises
    ------
    OutlineUnclear
        No outline stands out.
    """
    view = calibration.view
    blur = max(calibration.blur_px, 0.5)

    def heights_for(width_mm: float) -> GirdleHeights:
        return girdle_on_card(width_mm, girdle)

    def rule_for(heights: GirdleHeights) -> HeightRule:
        return wall(heights.lower_mm - card_height_mm, heights.upper_mm - card_height_mm)

    patch = patch_round(image, view.to_pixels(np.vstack(hulls_mm), 0.0))
    rough = smallest_box(hulls_mm[-1])
    rule = rule_for(heights_for(rough.width_mm))
    middle = heights_for(rough.width_mm).mean_mm - card_height_mm
    edges = edges_of_shapes(
        patch,
        view,
        [view.to_plane(view.to_pixels(hull, 0.0), middle) for hull in hulls_mm],
        rule,
        blur,
        edge_map_round(image, view, hulls_mm[0], middle),
    )
    edge = clearest(edges)
    if edge is not None:
        edges += shifted_edges(patch, view, edge, rule, blur)
        edge = clearest(edges)
    if edge is None:
        raise OutlineUnclear(
            "no closed outline of a cut stone was found where something lies",
            "a stone whose girdle stands out from the paper",
            "turn the light so that the stone's edge stands out, or move it a little",
        )
    refuse_unclear(edge)
    refuse_rivals(edge, edges)
    # Once more with the heights that follow from the width just found.
    outline = closed_outline(edge.family, edge.parameters, edge, edge.curve.points_mm, departures(edge))
    heights = heights_for(smallest_box(outline).width_mm)
    again = follow(patch, view, edge.family, edge.parameters, rule_for(heights), blur, windows=CLOSE_PX[2:])
    edge = again or edge
    return _reading(calibration, edge, edges, heights, card_height_mm, blur)


def edges_of_shapes(
    patch: Patch, view: View, hulls_mm: list[FloatArray], rule: HeightRule, blur: float, edge_map: EdgeMap
) -> list[ShapeEdge]:
    """Search from every family that suits one of the rough outlines and follow the best ones; one for each family.

    Parameters
    ----------
    patch, view
        The photograph round the stone, and its geometry.
    hulls_mm : list of ndarray of shape (M, 2)
        Rough outlines at the girdle's height.
    rule : HeightRule
        Heights of the girdle.
    blur : float
        Blur, pixels.
    edge_map : EdgeMap
        Where sharp edges are.
    """
    starts = [search(edge_map, fit) for hull in hulls_mm for fit in _worth_trying(coarse_fits(hull))]
    starts.sort(key=lambda start: -start.score)
    found: dict[str, ShapeEdge] = {}
    tried: list[Found] = []
    for start in starts:
        name = start.family.name
        same = [other for other in tried if other.family.name == name]
        if len(same) >= STARTS_EACH or (name not in found and len(found) > FAMILIES_MOST):
            continue
        if any(_alike(start, other) for other in same):
            continue
        tried.append(start)
        edge = follow(patch, view, start.family, start.parameters, rule, blur)
        if edge is not None and (name not in found or edge.merit > found[name].merit):
            found[name] = edge
    return list(found.values())


def shifted_edges(patch: Patch, view: View, edge: ShapeEdge, rule: HeightRule, blur: float) -> list[ShapeEdge]:
    """Follow the edge again from outlines with one side moved in or out: a facet or a shadow may have been taken."""
    found = []
    # The first moves of each family are those of one side; the others turn it or change its form.
    sides = {"triangle": 6, "round": 3, "pear": 4}.get(edge.family.name, 4)
    for move in moves(edge.family, edge.parameters)[:sides]:
        for shift in SHIFTS_MM:
            start = edge.family.clipped(edge.parameters + shift * move)
            other = follow(patch, view, edge.family, start, rule, blur, windows=SHIFTED_PX, coloured=False)
            if other is not None and np.abs(other.parameters - edge.parameters).max() > ALIKE_MM / 2:
                found.append(other)
    return found


def refuse_rivals(edge: ShapeEdge, others: list[ShapeEdge]) -> None:
    """Refuse where another outline would do nearly as well and has another size."""
    box = _box_of(edge)
    for other in others:
        if other.family is not edge.family or other.merit < RIVAL_SHARE * edge.merit:
            continue
        rival = _box_of(other)
        # Facets lie inside of every girdle; what lies outside of an edge makes it doubtful.
        if max(rival.length_mm - box.length_mm, rival.width_mm - box.width_mm) > RIVAL_MM:
            raise OutlineUnclear(
                f"two outlines would do: {box.length_mm:.2f} x {box.width_mm:.2f} mm and "
                f"{rival.length_mm:.2f} x {rival.width_mm:.2f} mm",
                "one outline that stands out from facets and shadow",
                "use softer light from two sides, so that no shadow hugs the stone, and come closer",
            )


def _box_of(edge: ShapeEdge) -> Box:
    return smallest_box(closed_outline(edge.family, edge.parameters, edge, edge.curve.points_mm, departures(edge)))


def _alike(one: Found, other: Found) -> bool:
    """Whether two outlines of a family are the same within a few hundredths of a millimetre."""
    return bool(np.abs(one.parameters - other.parameters)[: 6 if one.family.name == "triangle" else 5].max() < ALIKE_MM)


def _worth_trying(fits: list[CoarseFit]) -> list[CoarseFit]:
    if not fits:
        return []
    limit = max(TRIED_FACTOR * fits[0].misfit_mm, TRIED_MM)
    return [fit for fit in fits if fit.misfit_mm <= limit][:TRIED_MOST]


def clearest(edges: list[ShapeEdge]) -> ShapeEdge | None:
    """The edge of highest merit; a family with fewer parameters wins where another is hardly better."""
    if not edges:
        return None
    best = max(edge.merit for edge in edges)
    near = [edge for edge in edges if edge.merit >= 0.97 * best]
    return min(near, key=lambda edge: (len(edge.parameters), -edge.merit))


def refuse_unclear(edge: ShapeEdge) -> None:
    """Refuse an outline that is seen on too little of the round, or too faintly."""
    if edge.coverage_deg < SMALLEST_COVERAGE_DEG:
        raise OutlineUnclear(
            f"only {edge.coverage_deg:.0f} degrees of the stone's outline are seen",
            f"at least {SMALLEST_COVERAGE_DEG:.0f} degrees",
            "turn the light or the stone so that the edge stands out all round",
        )
    if edge.merit < SMALLEST_MERIT or edge.novelty_outside > LARGEST_NOVELTY:
        raise OutlineUnclear(
            "the outline hardly stands out: the sharpest one there may be one of facets",
            "a stone whose edge is darker, lighter or more coloured than the paper on most of the round",
            "turn the light, come closer, or lay a grey paper under the stone, inside the frame",
        )


def box_under(edge: ShapeEdge, state: State, departure: FloatArray) -> tuple[FloatArray, Box]:
    """The closed outline and its box when view or heights are others, with the same edge points and weights."""
    rule = state.heights["girdle"]
    own = rule(state.view, edge.curve.points_mm, edge.curve.normals)
    points = state.view.to_plane(edge.points_px, own)
    parameters = edge.parameters
    for _ in range(2):
        at = at_shares(edge.family, parameters, edge.curve)
        offsets = np.sum((points - at) * edge.curve.normals, axis=1)
        parameters = moved(edge.family, parameters, edge.curve, offsets, edge.weights)
    at = at_shares(edge.family, parameters, edge.curve)
    outline = closed_outline(edge.family, parameters, edge, at, departure)
    return outline, smallest_box(outline)


def edge_u_px(edge: ShapeEdge, blur_px: float) -> float:
    """Standard uncertainty of the edge's place, common to the whole outline, pixels."""
    weak = WEAK_SHARE * max(WEAK_MERIT - edge.merit, 0.0)
    terms = (BLUR_SHARE * blur_px, SCATTER_SHARE * edge.scatter_px, COLOUR_U_PX * edge.colour, weak)
    return float(np.sqrt(np.sum(np.square(terms))))


def _reading(
    calibration: Calibration,
    edge: ShapeEdge,
    tried: list[ShapeEdge],
    heights: GirdleHeights,
    card_height_mm: float,
    blur: float,
) -> ShapeReading:
    view = calibration.view
    departure = departures(edge)

    def state(shift: float = 0.0, thicker: float = 0.0) -> State:
        lower = heights.lower_mm - card_height_mm + shift - thicker / 2
        return State(view, {"girdle": wall(lower, lower + heights.upper_mm - heights.lower_mm + thicker)})

    def evaluator(s: State) -> FloatArray:
        box = box_under(edge, s, departure)[1]
        return np.array([box.length_mm, box.width_mm])

    moves = [
        ("girdle height", "height", state(heights.u_mm)),
        ("girdle thickness", "height", state(0.0, heights.u_thickness_mm)),
    ]
    values, changes = evaluate(evaluator, state(), calibration, moves)
    outline, box = box_under(edge, state(), departure)
    influences = Influences()
    u_edge = 2.0 * edge_u_px(edge, blur) / edge.px_per_mm
    count = max(float(np.count_nonzero(edge.weights)), 8.0)
    shared = max(1.0, 4.0 / (edge.curve.step_mm * edge.px_per_mm))
    u_fit = 2.0 * edge.scatter_px / edge.px_per_mm * float(np.sqrt(shared * len(edge.parameters) / count))
    figures = []
    for index, direction in enumerate((box.along, np.array([-box.along[1], box.along[0]]))):
        extra = {("stone edge", "edge"): u_edge, (f"stone fit {index}", "fit"): u_fit}
        tips = _open_ends(edge, outline, direction, blur)
        if tips:
            extra[(f"tips {index}", "tips")] = TIP_U_BLURS * blur / edge.px_per_mm * float(np.sqrt(tips))
        figures.append(figure(influences, index, values, changes, extra))
    length, width = figures
    others = tuple((other.family.name, other.merit) for other in tried if other.family is not edge.family)
    return ShapeReading(
        length, width, length / width, name_shape(edge, tried, box), edge, outline, box, heights, others, influences
    )


def _open_ends(edge: ShapeEdge, outline: FloatArray, direction: FloatArray, blur: float) -> int:
    """How many of the two ends of the outline in a direction are corners that no edge was measured at."""
    seen = edge.curve.points_mm[usable(edge.curve, blur / edge.px_per_mm)]
    beyond = 0.35 * blur / edge.px_per_mm
    along, known = outline @ direction, seen @ direction
    return int(along.max() > known.max() + beyond) + int(along.min() < known.min() - beyond)
