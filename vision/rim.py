"""Reading a stone that lies on a tube: both outlines, each at its own height, and the rim of metal between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat
from uncertainties.umath import sqrt as usqrt

from rimsight.calibration.camera import View
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import GirdleHeights, Height
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.face_edge import Mask, blown_note, face_edge
from rimsight.vision.influences import Influences
from rimsight.vision.outline import HeightRule, RoundEdge, level, wall
from rimsight.vision.polar import PolarMap
from rimsight.vision.reading import (
    CENTRE_SHARE,
    OVER_METAL_U_MM,
    State,
    edge_u_px,
    evaluate,
    figure,
    fit_u_mm,
    metal_edge_u_mm,
)
from rimsight.vision.rim_edges import is_textured
from rimsight.vision.rim_metal import LARGEST_AWAY, away_from_metal
from rimsight.vision.rim_pair import Seating, choose_pair
from rimsight.vision.shadow_ramp import without_ramp
from rimsight.vision.stone import OutlineUnclear, refuse_unclear
from rimsight.vision.tube_edges import find_outer

FloatArray = NDArray[np.float64]

#: Two rings nearer together than this plus one blur are one edge seen twice, pixels.
SMALLEST_GAP_PX = 1.2
#: Directions in which the rim's width is reported.
PROFILE_POINTS = 360


class StoneHidesTube(PhotoError):
    """No metal is seen round the stone."""

    kind = "stone_larger_than_tube"


class StoneOffTube(PhotoError):
    """The stone reaches beyond the tube's edge."""

    kind = "stone_off_tube"


class NoStone(PhotoError):
    """There is a tube, but no stone on it."""

    kind = "no_stone_on_tube"


@dataclass(frozen=True)
class RimReading:
    """A stone on a tube, read from a photograph.

    Parameters
    ----------
    stone_diameter, outer : uncertainties.UFloat
        Girdle diameter of the stone and outer diameter of the tube, millimetres.
    centred, smallest, mean, largest, offset : uncertainties.UFloat
        Rim with the stone centred, (outer - stone) / 2; rim as it lies: smallest, mean, largest; distance of the
        centres.
    smallest_direction : tuple of 2 floats
        Unit vector (card coordinates) to where the rim is smallest.
    angles, widths_mm : ndarray of shape (N,)
        Direction (radians, card coordinates) and width of the rim all round.
    inner_px, outer_px : ndarray of shape (N, 2)
        The rim's two edges in the photograph.
    stone_edge, tube_edge : RoundEdge
        The edges.
    heights : GirdleHeights
        Heights of the girdle that were used.
    bore : uncertainties.UFloat or None
        The bore, if it or the wall was typed.
    influences : Influences
        The photograph's variables.
    notes : tuple of str
        What the reader should know.
    """

    stone_diameter: UFloat
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
    stone_edge: RoundEdge
    tube_edge: RoundEdge
    heights: GirdleHeights
    bore: UFloat | None
    influences: Influences
    notes: tuple[str, ...]


def read_rim(
    image: LightImage,
    calibration: Calibration,
    candidate: Candidate,
    length: Height,
    *,
    bore_mm: UFloat | None = None,
    wall_mm: UFloat | None = None,
    girdle_above: Height | None = None,
    card_height_mm: float = 0.0,
) -> RimReading:
    """Read a stone that lies on the end of a tube.

    Parameters
    ----------
    image, calibration, candidate
        The photograph, its geometry, and where the tube stands.
    length : Height
        The tube's length: the height of its top face.
    bore_mm, wall_mm : uncertainties.UFloat, optional
        Typed bore or wall of the tube.
    girdle_above : Height, optional
        Typed height of the girdle above the tube's top face.
    card_height_mm : float
        How high above the table the card lies.

    Raises
    ------
    OutlineUnclear, NoStone, StoneHidesTube, StoneOffTube
        The photograph does not allow it.
    """
    view = calibration.view
    blur = max(calibration.blur_px, 0.5)
    top = length.mm - card_height_mm
    centre = view.to_plane(view.to_pixels(np.array([candidate.centre_mm])), top)[0]
    radius = candidate.radius_mm * (1.0 - top / view.distance_mm)
    edges, picked = find_outer(image, view, centre, radius, top, blur)
    if picked is None:
        raise OutlineUnclear(
            "no outer edge of a tube was found",
            "a tube standing on its end with the stone on top, its upper rim lit evenly",
            "turn the light, or put a darker paper under the tube, inside the frame",
        )
    refuse_unclear(picked.edge, "tube")
    top_height = Height(top, length.u_mm, length.source)
    seating = Seating(top_height, bore_mm, wall_mm, girdle_above)
    pair = choose_pair(image, calibration, edges, picked, seating, radius, blur)
    tube_edge, found, heights = pair.tube, pair.found, pair.heights
    if found is None:
        raise _no_girdle(image, calibration, tube_edge, top, blur)
    stone_edge = found.edge
    refuse_unclear(stone_edge, "stone")
    refuse_one_edge(tube_edge.circle.radius - stone_edge.circle.radius, tube_edge, blur)
    rule = wall(heights.lower_mm, heights.upper_mm)
    refuse_no_metal(image, view, tube_edge, stone_edge, rule, top, blur)
    if stone_edge.colour == 0.0:
        away = stone_edge.points_mm(view) - tube_edge.circle.centre
        room_px = (tube_edge.circle.radius - np.hypot(*away.T)) * tube_edge.px_per_mm
        stone_edge = without_ramp(image, view, stone_edge, heights.mean_mm, blur, room_px=room_px)
    own = face_edge(
        image, calibration, tube_edge, top, length, outer=True, mask=outside_stone(view, stone_edge, rule, top, blur)
    )
    tube_gap = 0.0
    if own is not None:
        tube_edge, tube_gap = own.edge, own.gap_mm
    best, moves = seated(view, heights, top - tube_gap, length.u_mm, seating.u_above_mm(heights))
    values, changes = _evaluate(calibration, tube_edge, stone_edge, best, moves)
    influences = Influences()
    rival_px = max(found.rival_gap_px, pair.stone_gap_px)
    place_mm = edge_u_px(stone_edge, blur, rival_gap_px=rival_px) / stone_edge.px_per_mm
    u_stone = 2.0 * float(np.hypot(place_mm, OVER_METAL_U_MM))
    u_outer = 2.0 * metal_edge_u_mm(tube_edge, own, rival_gap_px=pair.tube_gap_px)
    extra_stone = {("stone edge", "edge"): u_stone, ("stone fit", "fit"): fit_u_mm(stone_edge)}
    extra_tube = {("outer edge", "edge"): u_outer, ("outer fit", "fit"): fit_u_mm(tube_edge)}
    stone = figure(influences, 0, values, changes, extra_stone)
    outer = figure(influences, 1, values, changes, extra_tube)
    shifted = 0.5 * max(found.rival_shift_px, pair.tube_shift_px) / stone_edge.px_per_mm
    u_centre = float(np.hypot(CENTRE_SHARE * np.hypot(u_stone, u_outer), shifted))
    dx = figure(influences, 2, values, changes, {("centre x", "centre"): u_centre})
    dy = figure(influences, 3, values, changes, {("centre y", "centre"): u_centre})
    offset = usqrt(dx * dx + dy * dy + 1e-12)
    centred = (outer - stone) / 2
    smallest, largest = centred - offset, centred + offset
    distance = float(np.hypot(dx.nominal_value, dy.nominal_value))
    if smallest.nominal_value + 2.0 * smallest.std_dev < 0.0 and distance > 0.05:
        raise off_tube(-smallest.nominal_value)
    direction = (dx.nominal_value / distance, dy.nominal_value / distance) if distance > 1e-9 else (0.0, -1.0)
    angles = np.arange(PROFILE_POINTS) * 2.0 * np.pi / PROFILE_POINTS
    widths, inner_px, outer_px = _profile(calibration, tube_edge, stone_edge, values, heights, top, angles)
    mean = centred + float(np.mean(widths) - (values[1] - values[0]) / 2)
    return RimReading(
        stone, outer, centred, smallest, mean, largest, offset, direction, angles, widths, inner_px, outer_px,
        stone_edge, tube_edge, heights, seating.bore_mm(outer), influences, (*seating.notes, *blown_note(own)),
    )


def seated(
    view: View, heights: GirdleHeights, edge_mm: float, u_top_mm: float, u_above_mm: float
) -> tuple[State, list[tuple[str, str, State]]]:
    """The heights of a stone's girdle and of its tube's edge, and each moved by its standard uncertainty.

    Parameters
    ----------
    view : View
        Geometry of the photograph.
    heights : GirdleHeights
        Heights of the girdle.
    edge_mm : float
        Height of the tube's edge.
    u_top_mm, u_above_mm : float
        Standard uncertainties of the tube's height and of the girdle's above it.
    """

    def state(rise: float = 0.0, above: float = 0.0, thicker: float = 0.0) -> State:
        lower, upper = heights.lower_mm + rise + above - thicker / 2, heights.upper_mm + rise + above + thicker / 2
        return State(view, {"outer": level(edge_mm + rise), "girdle": wall(lower, upper)})

    moves = [
        ("tube height", "height", state(rise=u_top_mm)),
        ("girdle above tube", "height", state(above=u_above_mm)),
        ("girdle thickness", "height", state(thicker=heights.u_thickness_mm)),
    ]
    return state(), moves


def _evaluate(
    calibration: Calibration,
    tube_edge: RoundEdge,
    stone_edge: RoundEdge,
    best: State,
    moves: list[tuple[str, str, State]],
) -> tuple[FloatArray, dict[tuple[str, str], FloatArray]]:
    """Stone diameter, outer diameter and the stone's centre less the tube's, with their changes."""

    def evaluator(s: State) -> FloatArray:
        tube = tube_edge.refit(s.view, s.heights["outer"])
        stone = stone_edge.refit(s.view, s.heights["girdle"])
        return np.array([2.0 * stone.radius, 2.0 * tube.radius, stone.x - tube.x, stone.y - tube.y])

    return evaluate(evaluator, best, calibration, moves)


def _profile(
    calibration: Calibration,
    tube_edge: RoundEdge,
    stone_edge: RoundEdge,
    values: FloatArray,
    heights: GirdleHeights,
    top: float,
    angles: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Width of the rim along the stone's normals, and both edges in the photograph."""
    direction = np.column_stack([np.cos(angles), np.sin(angles)])
    stone_radius, tube_radius = values[0] / 2, values[1] / 2
    shift = values[2:4]
    # From the stone's edge along its normal to the tube's circle, with the tube's centre as origin.
    start = shift + stone_radius * direction
    along = np.sum(start * direction, axis=1)
    inside = along**2 - np.sum(start**2, axis=1) + tube_radius**2
    widths = -along + np.sqrt(np.maximum(inside, 0.0))
    middle = tube_edge.circle.centre
    normals = direction
    rule = wall(heights.lower_mm, heights.upper_mm)
    own = stone_edge.circle.centre + stone_radius * direction
    view = calibration.view
    inner_px = view.to_pixels(own, rule(view, own, normals))
    outer_px = view.to_pixels(middle + start + widths[:, None] * direction, np.full(len(angles), top))
    return widths, inner_px, outer_px


def outside_stone(view: View, stone: RoundEdge, rule: HeightRule, top: float, blur: float) -> Mask:
    """What of a map round the tube's edge lies clear of a round stone."""
    angles = np.arange(PROFILE_POINTS) * 2.0 * np.pi / PROFILE_POINTS
    normals = np.column_stack([np.cos(angles), np.sin(angles)])
    return outside_of(view, stone.circle.centre + stone.circle.radius * normals, normals, rule, top, blur)


def outside_of(
    view: View, points_mm: FloatArray, normals: FloatArray, rule: HeightRule, top: float, blur: float
) -> Mask:
    """What of a map round the tube's edge lies clear of an outline (N, 2), as it appears in the plane of the face."""
    seen = view.to_plane(view.to_pixels(points_mm, rule(view, points_mm, normals)), top)

    def mask(polar: PolarMap) -> NDArray[np.bool_]:
        away = seen - polar.centre_mm
        direction = np.arctan2(away[:, 1], away[:, 0])
        order = np.argsort(direction)
        reach = np.interp(polar.angles, direction[order], np.hypot(*away.T)[order], period=2.0 * np.pi)
        return np.asarray(polar.radii_mm[None, :] > reach[:, None] + (0.7 + 1.8 * blur) / polar.px_per_mm)

    return mask


def off_tube(beyond_mm: float) -> StoneOffTube:
    """The refusal of a stone that reaches beyond the tube's edge by so much."""
    return StoneOffTube(
        f"the stone reaches {beyond_mm:.2f} mm beyond the tube's edge on one side",
        "a stone that lies wholly on the tube's end",
        "push the stone to the middle of the tube and photograph again",
    )


def refuse_one_edge(rim_mm: float, tube_edge: RoundEdge, blur_px: float) -> None:
    """Refuse rings of stone and tube so near to each other that both are one edge, seen twice.

    Raises
    ------
    StoneHidesTube
    """
    if rim_mm * tube_edge.px_per_mm < SMALLEST_GAP_PX + blur_px:
        raise _hidden(tube_edge)


def refuse_no_metal(
    image: LightImage,
    view: View,
    tube_edge: RoundEdge,
    stone_edge: RoundEdge,
    rule: HeightRule,
    top_mm: float,
    blur_px: float,
) -> None:
    """Refuse rings of stone and tube between which lies no metal but more of a coloured stone.

    Raises
    ------
    StoneHidesTube
    """
    clear = outside_stone(view, stone_edge, rule, top_mm, blur_px)
    if away_from_metal(image, view, tube_edge, top_mm, clear, blur_px) > LARGEST_AWAY:
        raise StoneHidesTube(
            f"what lies between the two edges found, {stone_edge.diameter_mm:.2f} and {tube_edge.diameter_mm:.2f} mm "
            f"wide, has no metal's colour: the inner one is a ring of the stone's facets",
            "a rim of metal that shows round the stone",
            "if a rim is there, come closer or turn the light; else take a wider tube",
        )


def _hidden(edge: RoundEdge) -> StoneHidesTube:
    """The refusal where only one edge is seen, and it looks like the stone's."""
    return StoneHidesTube(
        f"no rim of metal is seen round the stone (the outermost edge is {edge.diameter_mm:.2f} mm wide and looks like "
        f"the stone's)",
        f"a tube wider than the stone that stands out from the paper; a rim thinner than "
        f"{(SMALLEST_GAP_PX + 1.0) / edge.px_per_mm:.2f} mm can't be seen in this photo",
        "if a rim is there, come closer or put a darker paper under the tube, inside the frame; else take a wider tube",
    )


def _no_girdle(
    image: LightImage, calibration: Calibration, tube_edge: RoundEdge, top: float, blur: float
) -> PhotoError:
    """Tell a stone that hides the tube from a tube without a stone."""
    if is_textured(image, calibration.view, tube_edge, top, blur):
        return _hidden(tube_edge)
    return NoStone(
        f"one round outline is seen, {tube_edge.diameter_mm:.2f} mm wide, and no second one inside of it: a tube "
        f"without a stone, or a stone that hides its tube",
        "a stone lying on the end of a tube, both its girdle and a rim of metal round it standing out",
        "use rimsight tube for a tube alone; else turn the light, or put a darker paper under the tube, inside the "
        "frame",
    )
