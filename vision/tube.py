"""Reading a tube's end from above: outer diameter, bore, wall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from uncertainties import UFloat
from uncertainties.umath import sqrt as usqrt

from rimsight.calibration.height import Height
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.face_edge import FaceEdge, blown_note, clear_of, face_edge
from rimsight.vision.influences import Influences
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.reading import (
    CENTRE_SHARE,
    HIDDEN_BORE_CHAMFER_U_MM,
    HIDDEN_CHAMFER_U_MM,
    State,
    evaluate,
    figure,
    fit_u_mm,
    metal_edge_u_mm,
)
from rimsight.vision.rim_edges import faint_outer_edge
from rimsight.vision.stone import OutlineUnclear, refuse_unclear
from rimsight.vision.tube_edges import (
    LARGEST_BORE_OFFSET,
    RIVAL_SHARE,
    SMALLEST_BORE_MERIT,
    THINNEST_WALL_MM,
    WIDEST_CHAMFER_MM,
    Scored,
    bore_edges,
    find_outer,
    lone_edge,
    off_centre,
    shows_well,
)

#: Thickest wall that is looked for round a bore, millimetres.
LARGEST_WALL_MM = 1.5
#: A bore's edge of less merit than this may be a ring in the grain inside (two were read 3.5 and 1.4 mm small).
CLEAR_BORE_MERIT = 0.8


@dataclass(frozen=True)
class TubeReading:
    """A tube's end read from a photograph.

    Parameters
    ----------
    outer : uncertainties.UFloat
        Outer diameter, millimetres.
    bore : uncertainties.UFloat or None
        Bore; None if no inner edge was found.
    mouth : uncertainties.UFloat or None
        Diameter of the bore's mouth where a chamfer shows beside the bore's edge.
    wall, smallest_wall, largest_wall, eccentricity : uncertainties.UFloat or None
        Wall and the offset of the bore, millimetres.
    thinnest_direction : tuple of 2 floats or None
        Unit vector (card coordinates) to where the wall is thinnest.
    outer_edge, bore_edge : RoundEdge
        The edges.
    influences : Influences
        The photograph's variables.
    notes : tuple of str
        What the reader should know.
    """

    outer: UFloat
    bore: UFloat | None
    mouth: UFloat | None
    wall: UFloat | None
    smallest_wall: UFloat | None
    largest_wall: UFloat | None
    eccentricity: UFloat | None
    thinnest_direction: tuple[float, float] | None
    outer_edge: RoundEdge
    bore_edge: RoundEdge | None
    influences: Influences
    notes: tuple[str, ...]


def read_tube(
    image: LightImage,
    calibration: Calibration,
    candidate: Candidate,
    length: Height,
    *,
    card_height_mm: float = 0.0,
) -> TubeReading:
    """Read the end of a tube that stands on the card.

    Parameters
    ----------
    image, calibration, candidate
        The photograph, its geometry, and where the tube stands.
    length : Height
        The tube's length: the height of its top face.
    card_height_mm : float
        How high above the table the card lies.

    Raises
    ------
    OutlineUnclear
        No edge that would do as the outer diameter.
    """
    view = calibration.view
    blur = max(calibration.blur_px, 0.5)
    height = length.mm - card_height_mm
    centre = view.to_plane(view.to_pixels(np.array([candidate.centre_mm])), height)[0]
    radius = candidate.radius_mm * (1.0 - height / view.distance_mm)
    edges, picked = find_outer(image, view, centre, radius, height, blur, calibration.overshoot_share)
    if picked is None:
        raise OutlineUnclear(
            "no outer edge of a tube was found",
            "a tube standing on its end, its upper rim sharp and lit evenly",
            "turn the light, or check that the tube stands upright on the card",
        )
    outer_edge = picked.edge
    refuse_unclear(outer_edge, "tube")
    others = [item.edge.circle.radius for item in edges if shows_well(item.edge) and off_centre(item, picked)]
    outer_gap_px = (max(others, default=outer_edge.circle.radius) - outer_edge.circle.radius) * outer_edge.px_per_mm
    bores = bore_edges(image, view, outer_edge, edges, height, blur)
    bore_edge = believed_bore(bores, outer_edge)
    if bore_edge is None:
        # A ring without a bore inside may be the bore itself, its tube as light as the paper.
        lone = lone_edge(edges, picked)
        faint = faint_outer_edge(
            image, view, lone.edge, height, blur, reach_mm=LARGEST_WALL_MM, from_mm=THINNEST_WALL_MM
        )
        if faint is not None:
            refuse_apart(lone.edge, faint)
            outer_edge, bore_edge, bores = faint, lone.edge, [lone]
    mask, own_bore = None, None
    if bore_edge is not None:
        mask, around_bore = clear_of(bore_edge, blur, outside=True), clear_of(outer_edge, blur, outside=False)
        own_bore = face_edge(image, calibration, bore_edge, height, length, outer=False, mask=around_bore)
    own_outer = face_edge(image, calibration, outer_edge, height, length, outer=True, mask=mask)
    outer_gap, bore_gap = (own.gap_mm if own is not None else 0.0 for own in (own_outer, own_bore))
    if own_outer is not None:
        outer_edge = own_outer.edge
    if own_bore is not None:
        bore_edge = own_bore.edge

    def state(rise_mm: float) -> State:
        top = height + rise_mm
        return State(view, {"outer": level(top - outer_gap), "bore": level(top - bore_gap)})

    def evaluator(s: State) -> np.ndarray:
        outer = outer_edge.refit(s.view, s.heights["outer"])
        values = [2.0 * outer.radius]
        if bore_edge is not None:
            bore = bore_edge.refit(s.view, s.heights["bore"])
            values += [2.0 * bore.radius, bore.x - outer.x, bore.y - outer.y]
        return np.array(values)

    influences = Influences()
    values, changes = evaluate(evaluator, state(0.0), calibration, [("tube height", "height", state(length.u_mm))])
    notes = list(blown_note(own_outer, own_bore))
    outer = figure(influences, 0, values, changes, _edge_terms("outer", outer_edge, own_outer, outer_gap_px))
    if outer_gap:
        notes.append("a chamfer shows on the outer edge; the outer one of its two edges is read")
    if bore_edge is None:
        notes.append(
            "no inner edge was found: the bore is not read, and the edge that is read as the outside may be the bore's"
        )
        return TubeReading(
            outer, None, None, None, None, None, None, None, outer_edge, None, influences, tuple(notes)
        )
    gap = _rival_gap_px(bores)
    bore = figure(influences, 1, values, changes, _edge_terms("bore", bore_edge, own_bore, gap))
    mouth = None
    if bore_gap:
        mouth = bore + 2.0 * bore_gap
        notes.append("a chamfer shows at the bore: the bore is its inner edge, the mouth its outer one")
    elif gap:
        notes.append("a second ring shows near the bore (a chamfer, or the far end): the bore is uncertain")
    else:
        notes.append("the sharpest inner edge is read as the bore; a chamfer too narrow to show would widen it")
    wall = (outer - bore) / 2
    u_centre = 2.0 * CENTRE_SHARE * float(
        np.hypot(metal_edge_u_mm(outer_edge, own_outer), metal_edge_u_mm(bore_edge, own_bore))
    )
    dx = figure(influences, 2, values, changes, {("bore x", "centre"): u_centre})
    dy = figure(influences, 3, values, changes, {("bore y", "centre"): u_centre})
    offset = usqrt(dx * dx + dy * dy + 1e-12)
    length_mm = float(np.hypot(dx.nominal_value, dy.nominal_value))
    direction = (dx.nominal_value / length_mm, dy.nominal_value / length_mm) if length_mm > 1e-9 else None
    return TubeReading(
        outer, bore, mouth, wall, wall - offset, wall + offset, offset, direction, outer_edge, bore_edge, influences,
        tuple(notes),
    )


def believed_bore(bores: list[Scored], outer: RoundEdge) -> RoundEdge | None:
    """The bore's edge, if one shows.

    Parameters
    ----------
    bores : list of Scored
        Rings that may be the bore's edge, best first.
    outer : RoundEdge
        The outer edge.

    Returns
    -------
    RoundEdge or None
        None where none shows, and where a faint one is as likely a ring in the grain of what lies inside: its wall
        would be thicker than setting tube has, or another ring, further off than a chamfer's, shows nearly as well.
    """
    if not bores or bores[0].merit < SMALLEST_BORE_MERIT:
        return None
    best = bores[0]
    if best.merit >= CLEAR_BORE_MERIT:
        return best.edge
    near = WIDEST_CHAMFER_MM + 2.0 / best.edge.px_per_mm
    elsewhere = any(
        item.merit > RIVAL_SHARE * best.merit and abs(item.edge.circle.radius - best.edge.circle.radius) > near
        for item in bores[1:]
    )
    return None if elsewhere or outer.circle.radius - best.edge.circle.radius > LARGEST_WALL_MM else best.edge


def refuse_apart(ring: RoundEdge, faint: RoundEdge) -> None:
    """Refuse a faint ring round a clear one that can't be the outside of the tube whose bore the clear one is.

    Raises
    ------
    OutlineUnclear
        The two don't lie round one centre. A wrong outside diameter said with confidence would be worse than none.
    """
    apart = float(np.hypot(*(faint.circle.centre - ring.circle.centre)))
    if apart > LARGEST_BORE_OFFSET * faint.circle.radius + 1.0 / faint.px_per_mm:
        raise OutlineUnclear(
            f"one ring shows well ({ring.diameter_mm:.2f} mm), and it can't be told whether it is the tube's "
            f"outside or its bore",
            "both edges of the tube's end standing out",
            "turn the light, or put a darker paper under the tube, inside the frame",
        )


def _edge_terms(
    name: str, edge: RoundEdge, own: FaceEdge | None, rival_gap_px: float
) -> dict[tuple[str, str], float]:
    chamfer = HIDDEN_BORE_CHAMFER_U_MM if name == "bore" else HIDDEN_CHAMFER_U_MM
    return {
        (f"{name} edge", "edge"): 2.0 * metal_edge_u_mm(edge, own, rival_gap_px=rival_gap_px, chamfer_u_mm=chamfer),
        (f"{name} fit", "fit"): fit_u_mm(edge),
    }


def _rival_gap_px(edges: list[Scored]) -> float:
    """Distance to the furthest edge that would do nearly as well, pixels; 0 when there is none near."""
    best = edges[0]
    gaps = [
        abs(item.edge.circle.radius - best.edge.circle.radius) * best.edge.px_per_mm
        for item in edges[1:]
        if item.merit > RIVAL_SHARE * best.merit
    ]
    return max((gap for gap in gaps if gap < 8.0), default=0.0)
