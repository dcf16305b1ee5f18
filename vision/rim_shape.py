"""Reading a stone that isn't round on a round tube: its outline, and the rim along the outline's normals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat
from uncertainties.umath import sqrt as usqrt

from rimsight.calibration.height import GirdleHeights, Height, shaped_girdle_on_tube
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.face_edge import Mask, face_edge
from rimsight.vision.influences import Influences
from rimsight.vision.outline import RoundEdge, wall
from rimsight.vision.reading import CENTRE_SHARE, OVER_METAL_U_MM, State, figure, metal_edge_u_mm
from rimsight.vision.reading import fit_u_mm as round_fit_u_mm
from rimsight.vision.rim import off_tube, outside_of, seated
from rimsight.vision.rim_edges import WIDEST_CHAMFER_MM
from rimsight.vision.rim_pair import Seating
from rimsight.vision.shape import doubts_of, likeliest, refuse_rivals
from rimsight.vision.shape_box import Box, departures, smallest_box
from rimsight.vision.shape_circles import enclosing_circle, rim_along_normals
from rimsight.vision.shape_edges import ShapeEdge
from rimsight.vision.shape_figures import (
    edge_u_px,
    evaluated,
    fit_u_mm,
    outline_under,
    size_figures,
    sizes,
    tips_u_mm,
)
from rimsight.vision.shape_hypotheses import Hypothesis, hypotheses, outline_of
from rimsight.vision.shape_metal import OnMetal, stone_on_metal
from rimsight.vision.shape_name import FAMILY_OF, Naming, name_shape
from rimsight.vision.stone import OutlineUnclear, refuse_unclear
from rimsight.vision.tube_edges import find_outer

FloatArray = NDArray[np.float64]

#: A tube's edge of less merit may be a shadow's or the stone's: of 20 rendered stones of other shapes on tubes those of
#: 0.7 and less were, or lay 0.04 mm off their place.
SMALLEST_TUBE_MERIT = 0.8
#: Another edge that shows better is that tube's from this share of its size on.
SAME_TUBE_SHARE = 0.95
#: The same for the stone's outline, and the share of it that shows: of 29 such photographs the seven above read within
#: 0.05 mm; a side taken for its reflection in the metal, 0.3 mm off, had 0.55 and 0.51.
SMALLEST_MERIT, SMALLEST_EVIDENCE = 0.56, 0.58
#: An outline of less merit than this lies in the stone's glow on the metal: what that costs, pixels.
CLEAR_MERIT, GLOW_U_PX = 0.9, 1.3
#: The stone must be seen over this much of the round.
SMALLEST_COVERAGE_DEG = 240.0
#: What always helps.
ALONE = (
    "measure the stone alone on white paper (rimsight stone --shape auto), the tube alone (rimsight tube), and judge "
    "both with rimsight fit: --stone the circle round the stone, --inner the one inside"
)
#: More than this of what lies round the stone on the tube's end that doesn't look like metal is more stone.
LARGEST_NOT_PLAIN = 0.25


@dataclass(frozen=True)
class ShapeRimReading:
    """A stone that isn't round on a tube, read from a photograph.

    Parameters
    ----------
    length, width, ratio, enclosing, inner : uncertainties.UFloat
        As of `shape.ShapeReading`.
    naming : Naming
        The shape's name with its evidence.
    outer : uncertainties.UFloat
        Outer diameter of the tube.
    centred, smallest, mean, largest, offset : uncertainties.UFloat
        Smallest rim with the circle round the stone in the tube's middle; rim as it lies: smallest, mean along the
        outline, largest; distance of that circle's middle from the tube's. Millimetres.
    smallest_direction : tuple of 2 floats
        Unit vector (card coordinates) from the tube's middle to where the rim is smallest.
    angles, widths_mm : ndarray of shape (N,)
        Direction from the tube's middle (radians, card coordinates) and width of the rim along the outline.
    inner_px, outer_px : ndarray of shape (N, 2)
        The rim's two edges in the photograph.
    edge : ShapeEdge
        The stone's edge.
    outline_mm : ndarray of shape (M, 2)
        The closed outline at the girdle's height, card millimetres.
    box : Box
        Its smallest box.
    tube_edge : RoundEdge
        The tube's edge.
    heights : GirdleHeights
        Heights of the girdle that were used.
    middle_mm : float
        Height of the girdle's middle above the card.
    bore : uncertainties.UFloat or None
        The bore, if it or the wall was typed.
    influences : Influences
        The photograph's variables.
    notes : tuple of str
        What the reader should know.
    """

    length: UFloat
    width: UFloat
    ratio: UFloat
    enclosing: UFloat
    inner: UFloat
    naming: Naming
    outer: UFloat
    centred: UFloat
    smallest: UFloat
    mean: UFloat
    largest: UFloat
    offset: UFloat
    smallest_direction: tuple[float, float]
    angles: FloatArray
    widths_mm: FloatArray
    inner_px: FloatArray
    outer_px: FloatArray
    edge: ShapeEdge
    outline_mm: FloatArray
    box: Box
    tube_edge: RoundEdge
    heights: GirdleHeights
    middle_mm: float
    bore: UFloat | None
    influences: Influences
    notes: tuple[str, ...]


def read_shape_rim(
    image: LightImage,
    calibration: Calibration,
    candidate: Candidate,
    length: Height,
    *,
    shape: str | None = None,
    bore_mm: UFloat | None = None,
    wall_mm: UFloat | None = None,
    girdle_above: Height | None = None,
    card_height_mm: float = 0.0,
) -> ShapeRimReading:
    """Read a stone that isn't round on the end of a tube.

    Parameters
    ----------
    image, calibration, candidate, length, bore_mm, wall_mm, girdle_above, card_height_mm
        As of `rim.read_rim`.
    shape : str, optional
        What the stone is, one of `shape_name.FAMILY_OF`; found out by default.

    Raises
    ------
    OutlineUnclear, StoneOffTube
        The photograph does not allow it.
    ValueError
        A shape that isn't known.
    """
    if shape is not None and shape not in FAMILY_OF:
        raise ValueError(f"unknown shape {shape!r}; the shapes are {', '.join(FAMILY_OF)}")
    view, blur = calibration.view, max(calibration.blur_px, 0.5)
    top = length.mm - card_height_mm
    tube, tube_gap_px = _tube(image, calibration, candidate, top, blur)
    circle_px = view.to_pixels(_circle(tube), top)
    on_metal = stone_on_metal(image, circle_px, blur, chamfer_px=WIDEST_CHAMFER_MM * tube.px_per_mm)
    if on_metal is None:
        raise OutlineUnclear(
            "no colour tells the stone from the tube's end and the paper",
            "a coloured or black stone on metal of another colour",
            f"lay the stone on a tube of another colour; or {ALONE}",
        )

    seating = Seating(Height(top, length.u_mm, length.source), bore_mm, wall_mm, girdle_above)

    def girdle(width_mm: float, round_mm: float) -> GirdleHeights:
        seat = seating.seat_mm(width_mm, tube.diameter_mm)
        return shaped_girdle_on_tube(width_mm, round_mm, seat, seating.top, girdle_above)

    rough = sizes(view.to_plane(on_metal.around.hull_px + on_metal.around.corner_px, top))
    heights = girdle(float(rough[1]), float(rough[2]))
    families = None if shape is None else FAMILY_OF[shape]
    found = hypotheses(
        image, view, on_metal.around, (heights.lower_mm, heights.upper_mm), families, maps=[on_metal.evidence]
    )
    best = _best(found)
    _refuse_more(best, on_metal, calibration, heights)
    rivals = refuse_rivals(best, found, coloured=True)
    doubts = doubts_of(best, rivals)
    found_sizes = sizes(best.edge.curve.points_mm)
    heights = girdle(float(found_sizes[1]), float(found_sizes[2]))
    own = face_edge(
        image, calibration, tube, top, length, outer=True, mask=_outside(best.edge, calibration, heights, top, blur)
    )
    gap = 0.0
    if own is not None:
        tube, gap = own.edge, own.gap_mm
    state, moves = seated(view, heights, top - gap, length.u_mm, seating.u_above_mm(heights))

    def measure(outline: FloatArray, s: State) -> FloatArray:
        circle = tube.refit(s.view, s.heights["outer"])
        return _figures(outline, circle.centre, circle.radius)

    edge = best.edge
    glow = GLOW_U_PX * max(CLEAR_MERIT - best.merit, 0.0)
    place = float(np.hypot(np.hypot(edge_u_px(edge, blur), glow) / edge.px_per_mm, OVER_METAL_U_MM))
    values, changes = evaluated(measure, edge, state, calibration, moves, place, doubts)
    outline = outline_under(edge, state, departures(edge))
    circle = tube.refit(view, state.heights["outer"])
    u_tube = metal_edge_u_mm(tube, own, rival_gap_px=tube_gap_px)
    changes |= _tube_changes(outline, circle.centre, circle.radius, values, u_tube, place)
    influences = Influences()
    sizes_found = size_figures(influences, edge, outline, values, changes, blur)
    u_fit, tip = 0.5 * fit_u_mm(edge), tips_u_mm(edge, outline, blur)[2] / 2.0**0.5

    def rim_figure(index: int, key: str, *, tips: float = 0.0) -> UFloat:
        both = float(np.hypot(u_fit, 0.5 * round_fit_u_mm(tube)))
        extra = {(f"fit {key}", "fit"): both, (f"tip {key}", "tips"): tips}
        return figure(influences, index, values, changes, extra)

    outer = figure(influences, 4, values, changes, {("outer fit", "fit"): round_fit_u_mm(tube)})
    smallest, mean, largest = rim_figure(5, "smallest", tips=tip), rim_figure(6, "mean"), rim_figure(7, "largest")
    dx, dy = (figure(influences, index, values, changes, {}) for index in (8, 9))
    if smallest.nominal_value + 2.0 * smallest.std_dev < 0.0 and _off_the_middle(values, circle.radius):
        raise off_tube(-smallest.nominal_value)
    rim = rim_along_normals(outline, circle.centre, circle.radius)
    away = rim.inner_mm - circle.centre
    angles = np.arctan2(away[:, 1], away[:, 0])
    at = away[rim.smallest] / np.hypot(*away[rim.smallest])
    box = smallest_box(outline)
    naming = name_shape(edge, best.merit, [(one.edge, one.merit) for one in found], box, shape)
    rule = state.heights["girdle"]
    girdle_mm = rule(view, rim.inner_mm, away / np.hypot(*away.T)[:, None])
    stone_length, width, enclosing, inner = sizes_found
    return ShapeRimReading(
        stone_length, width, stone_length / width, enclosing, inner, naming, outer, (outer - enclosing) / 2, smallest,
        mean, largest, usqrt(dx * dx + dy * dy + 1e-12), (float(at[0]), float(at[1])), angles, rim.widths_mm,
        view.to_pixels(rim.inner_mm, girdle_mm), view.to_pixels(rim.outer_mm, np.full(len(angles), top)), edge, outline,
        box, tube, heights, heights.mean_mm, seating.bore_mm(outer), influences, seating.notes,
    )  # fmt: skip


def _figures(outline: FloatArray, centre: FloatArray, radius: float) -> FloatArray:
    """Sizes of the outline, outer diameter, rim smallest, mean, largest, circle's middle off the tube's; (10,)."""
    rim = rim_along_normals(outline, centre, radius)
    middle = enclosing_circle(outline)[0] - centre
    widths = rim.widths_mm
    return np.array([*sizes(outline), 2.0 * radius, widths.min(), rim.mean_mm, widths.max(), middle[0], middle[1]])


def _tube_changes(
    outline: FloatArray, centre: FloatArray, radius: float, values: FloatArray, u_tube: float, u_stone: float
) -> dict[tuple[str, str], FloatArray]:
    """What the tube's edge and the place of both middles do to the figures."""
    u_centre = CENTRE_SHARE * 2.0 * float(np.hypot(u_stone, u_tube))
    return {
        ("outer edge", "edge"): _figures(outline, centre, radius + u_tube) - values,
        ("centre x", "centre"): _figures(outline, centre - np.array([u_centre, 0.0]), radius) - values,
        ("centre y", "centre"): _figures(outline, centre - np.array([0.0, u_centre]), radius) - values,
    }


def _off_the_middle(values: FloatArray, radius: float) -> bool:
    """Whether the stone would lie wholly on the tube if it lay in the middle."""
    return bool(values[2] / 2 < radius and np.hypot(values[8], values[9]) > 0.05)


def _tube(
    image: LightImage, calibration: Calibration, candidate: Candidate, top: float, blur: float
) -> tuple[RoundEdge, float]:
    """The tube's edge, and its distance in radius from a fainter one further out that may be it, pixels."""
    view = calibration.view
    centre = view.to_plane(view.to_pixels(np.array([candidate.centre_mm])), top)[0]
    radius = candidate.radius_mm * (1.0 - top / view.distance_mm)
    edges, picked = find_outer(image, view, centre, radius, top, blur)
    outermost = picked
    if picked is not None and picked.merit < SMALLEST_TUBE_MERIT:
        # The outermost may be the wall's foot and the face's edge in one; the face's own shows better then.
        size = SAME_TUBE_SHARE * picked.edge.circle.radius
        picked = max((one for one in edges if one.edge.circle.radius >= size), key=lambda one: one.merit)
    if picked is None or outermost is None or picked.merit < SMALLEST_TUBE_MERIT:
        raise OutlineUnclear(
            "no round edge of a tube shows clearly beside the stone",
            "a round tube standing on its end whose outer edge stands out from the paper on most of the round",
            "turn the light, or put a darker paper under the tube, inside the frame; a stone that hides the tube's "
            "edge is wider than the tube: take a wider one",
        )
    refuse_unclear(picked.edge, "tube")
    gap = abs(outermost.edge.circle.radius - picked.edge.circle.radius) * picked.edge.px_per_mm
    return picked.edge, gap


def _circle(tube: RoundEdge) -> FloatArray:
    turn = np.arange(180) * 2.0 * np.pi / 180
    return np.asarray(tube.circle.centre + tube.circle.radius * np.column_stack([np.cos(turn), np.sin(turn)]))


def _best(found: list[Hypothesis]) -> Hypothesis:
    best = likeliest(found) if found else None
    if (
        best is None
        or best.merit < SMALLEST_MERIT
        or best.evidence < SMALLEST_EVIDENCE
        or best.edge.coverage_deg < SMALLEST_COVERAGE_DEG
    ):
        raise OutlineUnclear(
            "the stone's outline hardly stands out from the metal: glow, reflections or the bore beside the stone may "
            "be what shows",
            "a stone whose edge has another colour than the metal all round, and that covers the bore",
            f"use softer light from two sides and come closer; or {ALONE}",
        )
    return best


def _refuse_more(best: Hypothesis, on_metal: OnMetal, calibration: Calibration, heights: GirdleHeights) -> None:
    """Refuse where more than plain metal lies between the outline and the tube's edge."""
    outline = outline_of(best.edge)
    seen = calibration.view.to_pixels(outline, heights.mean_mm) - on_metal.around.corner_px
    share = on_metal.not_plain_beyond(seen)
    if share > LARGEST_NOT_PLAIN:
        raise OutlineUnclear(
            f"{100 * share:.0f} % of what lies between the outline that shows best and the tube's edge does not look "
            "like plain metal: the stone may go on there, or the bore shows beside it",
            "plain metal all round the stone",
            f"turn the light; or {ALONE}",
        )


def _outside(
    edge: ShapeEdge, calibration: Calibration, heights: GirdleHeights, top: float, blur: float
) -> Mask:
    """What of a map round the tube's edge lies clear of the stone."""
    rule = wall(heights.lower_mm, heights.upper_mm)
    return outside_of(calibration.view, edge.curve.points_mm, edge.curve.normals, rule, top, blur)
