"""Finding the edges of a tube's end: the outer diameter and the bore, at the height of the top face.

Seen off-axis a tube shows its side wall on one side and its inner wall on the other. Mapped through the plane of the
top face, only the face's own edges are circles all round: the foot of the wall, the bore's far end, shadows and
reflections are shifted or partial. So rings are found by consensus in that plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.circle import Circle
from rimsight.vision.fields import EdgeField, colour_crests, edge_field
from rimsight.vision.outline import RoundEdge, level, measure_edge, ring_circle
from rimsight.vision.polar import ARC_SMOOTHING_PX, PolarMap, unroll
from rimsight.vision.rings import Ring, strongest_rings

FloatArray = NDArray[np.float64]

#: So many rings are looked for, in luminance and in colour.
MOST_RINGS = 6
#: A phone's sharpening makes a halo round a strong edge: the light overshoots and comes back within this far, a step
#: the other way of at most this many times the overshoot that the printed square shows, on this share of the round and
#: more: of two such rings 0.85 and 0.93, of 60 other pairs of rings 0.47 and less. Both have one centre, pixels.
HALO_PX, HALO_OVERSHOOTS, HALO_ROUND, HALO_APART_PX = 5.0, 2.0, 0.7, 1.5
#: An edge must be seen on half the round: below 180 degrees a radius's uncertainty grows 2.3-fold and more.
SMALLEST_COVERAGE_DEG = 180.0
#: Walls of setting tube are at least this thick, millimetres.
THINNEST_WALL_MM = 0.2
#: The outer diameter's edge shows at least this much, this closely, over this much of the round. Relative limits
#: fail here: the bore may show twenty times as sharply as an outer edge that is as light as the ground.
OUTER_SUPPORT = 0.25
OUTER_SCATTER_PX = 0.7
OUTER_COVERAGE_DEG = 240.0
#: An edge counts as one of colour from this share of colour difference on.
COLOURED = 0.3
#: How far colour may bleed outside the edge of luminance, pixels.
BLEEDING_PX = 4.0
#: The face's own edge shows at least this much better than a ring that takes in the wall's foot.
UPPER_SHARE = 1.25
#: One ring is the far end of another's wall (the foot, the bore's lower end) when it lies this near to where that would
#: be seen, pixels, and that isn't nearly the place of the ring itself: on 119 rendered tubes six of six such were, and
#: their own edges, fainter, the true ones. The edge must show at least this much as well as its far end.
FAR_END_PX = 2.0
FAR_END_SUPPORT, FAR_END_OUTER_SHARE, FAR_END_BORE_SHARE = 0.15, 0.5, 0.3
#: A ring round another centre than a clearer one just inside is no edge of the tube's end: so far apart, pixels, so
#: many times as clear, and both together. On 95 rendered tubes two outermost rings were such (4.7 px, OD 0.33 and
#: 0.09 mm large), of another generator's one (2.7 px, 13 times as clear, OD 0.31 mm large).
OFF_CENTRE_PX, CLEARER_SHARE, OFF_CENTRE_CLEARER = 1.5, 1.5, 4.5
#: A ring that is smaller than another by less than this, millimetres, and concentric with it may be its chamfer's.
WIDEST_CHAMFER_MM = 0.15
#: A ring just inside an outer edge is the tube's own edge rather than that one from this many times its merit on.
OUTER_SHARE = 1.5
#: An edge smaller than this share of what is seen from afar is the bore's: the outer one does not show.
SMALLEST_OUTER_SHARE = 0.75
#: Where no edge stands out of the noise the light is smoothed this far along the arc instead, pixels: a metal face is
#: the same along its edge, so a step as small as one pixel's noise shows.
FAINT_ARC_PX = 7.0
#: A ring whose radius is less than this many times that far would be made by the smoothing itself.
SMALLEST_FAINT_ARCS = 3.0
#: A ring smaller than this share of the outside, or further off its middle than this share of its radius, is no bore
#: but paper or light inside of it (judgement: drawn tubes are concentric within a few hundredths of a millimetre).
SMALLEST_BORE_SHARE, LARGEST_BORE_OFFSET = 0.22, 0.12
#: A bore off its outside's middle by this share of the radius is half as likely as one in the middle: a bore's far end,
#: where it shows better than the bore's own edge, lies to the side (one was read, 0.62 mm small, stated 0.10).
USUAL_BORE_OFFSET = 0.04
#: A bore's edge of less merit than this is not believed.
SMALLEST_BORE_MERIT = 0.3
#: Another edge counts as a rival when its merit reaches this share of the best one's.
RIVAL_SHARE = 0.6


@dataclass(frozen=True)
class Scored:
    """An edge with its merit."""

    merit: float
    edge: RoundEdge


def find_outer(
    image: LightImage,
    view: View,
    centre_mm: FloatArray,
    radius_mm: float,
    height_mm: float,
    blur_px: float,
    overshoot: float = 0.0,
) -> tuple[list[Scored], Scored | None]:
    """Ring-shaped edges in the plane of a tube's top face, and the outer diameter's among them.

    Parameters as of `face_edges`. Where none stands out the light is smoothed further along the arc.

    Returns
    -------
    edges : list of Scored
        Best first.
    outer : Scored or None
        None when there is none.
    """
    edges = face_edges(image, view, centre_mm, radius_mm, height_mm, blur_px, overshoot=overshoot)
    picked = pick_outer(edges, view, height_mm)
    if picked is not None and picked.edge.circle.radius >= SMALLEST_OUTER_SHARE * radius_mm:
        return edges, picked
    edges = face_edges(
        image, view, centre_mm, radius_mm, height_mm, blur_px, arc_px=FAINT_ARC_PX, overshoot=overshoot
    )
    picked = pick_outer(edges, view, height_mm)
    if picked is not None and picked.edge.circle.radius < SMALLEST_OUTER_SHARE * radius_mm:
        picked = None
    return edges, picked


def face_edges(
    image: LightImage,
    view: View,
    centre_mm: FloatArray,
    radius_mm: float,
    height_mm: float,
    blur_px: float,
    *,
    arc_px: float = ARC_SMOOTHING_PX,
    overshoot: float = 0.0,
) -> list[Scored]:
    """Ring-shaped edges in the plane of a tube's top face, best first.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    centre_mm : ndarray of shape (2,)
        Rough centre, in the plane at `height_mm`.
    radius_mm : float
        Rough outer radius.
    height_mm : float
        Height of the top face.
    blur_px : float
        Blur, pixels.
    arc_px : float
        Smoothing along the arc, pixels.
    overshoot : float
        Of the photograph's sharpening (`Calibration.overshoot_share`).

    Returns
    -------
    list of Scored
        The merit is high for a sharp ring that is seen all round.
    """
    centre = np.asarray(centre_mm, dtype=np.float64)
    px = 1.0 / view.px_per_mm((float(centre[0]), float(centre[1])), height_mm)
    reach = _reach_mm(radius_mm, px)
    polar = unroll(image, view, centre, height_mm, 0.12 * radius_mm, reach, angles=360, arc_px=arc_px)
    field = edge_field(polar, blur_px)
    shift = 0.35 * radius_mm + 0.2
    scored: list[Scored] = []
    # Colour as well: a gold tube on white paper may show no step of luminance.
    for crests in (field.crests, colour_crests(polar, blur_px)):
        rings = strongest_rings(crests, polar, largest_shift_mm=shift, smallest_support=0.22, most=MOST_RINGS)
        if len(rings) == MOST_RINGS:
            # Marks of saw or lathe on the face are rings too, as many as one looks for.
            beyond = np.where(polar.radii_mm[None, :] > _outermost_mm(rings, polar)[:, None] + 2.0 * px, crests, 0.0)
            rings += strongest_rings(beyond, polar, largest_shift_mm=shift, smallest_support=0.22, most=2)
        for ring in rings:
            own, radius = ring_circle(centre, ring)
            _add(scored, image, view, own, radius, height_mm, blur_px, px, field.noise, arc_px)
    scored.sort(key=lambda item: -item.merit)
    return [item for item in scored if not any(_is_halo(item, other, centre, field, overshoot) for other in scored)]


def _outermost_mm(rings: list[Ring], polar: PolarMap) -> FloatArray:
    """How far out rings reach on every radius (A,) of the map they were found in, millimetres."""
    return np.asarray(np.max([ring.radius_mm + polar.directions @ np.array(ring.shift_mm) for ring in rings], axis=0))


def _apart_px(ring: Scored, other: Scored) -> float:
    """Distance of two rings' centres, pixels."""
    return float(np.hypot(*(ring.edge.circle.centre - other.edge.circle.centre))) * ring.edge.px_per_mm


def _is_halo(ring: Scored, other: Scored, centre_mm: FloatArray, field: EdgeField, overshoot: float) -> bool:
    """Whether a ring is the outer end of the halo that a phone's sharpening makes round another, stronger one."""
    gap = (ring.edge.circle.radius - other.edge.circle.radius) * ring.edge.px_per_mm
    if not (overshoot > 0.0 and 0.0 < gap < HALO_PX and _apart_px(ring, other) < HALO_APART_PX):
        return False
    rows = np.arange(len(field.polar.angles))

    def steps(item: Scored) -> FloatArray:
        circle = item.edge.circle
        radii = circle.radius + field.polar.directions @ (circle.centre - centre_mm)
        at = np.clip(np.rint(field.polar.index(radii)).astype(int), 0, field.step.shape[1] - 1)
        return np.asarray(field.step[rows, at])

    outer, inner = steps(ring), steps(other)
    against = (outer * inner < 0.0) & (np.abs(outer) < HALO_OVERSHOOTS * overshoot * np.abs(inner))
    return float(np.mean(against)) > HALO_ROUND


def _reach_mm(radius_mm: float, px: float) -> float:
    return 1.35 * radius_mm + 0.5 + 12.0 * px


def pick_outer(edges: list[Scored], view: View, height_mm: float) -> Scored | None:
    """The outermost edge that is seen well: the outer diameter.

    Parameters
    ----------
    edges : list of Scored
        Rings in the plane of the tube's face.
    view : View
        Geometry of the photograph.
    height_mm : float
        Height of that plane above the card.

    Returns
    -------
    Scored or None
        None when there is none.
    """
    good = [item for item in edges if shows_well(item.edge)]
    if not good:
        return None
    outermost = max(good, key=lambda item: item.edge.circle.radius)
    if outermost.edge.colour > COLOURED:
        # Colour bleeds outwards by a pixel or two; a better edge of luminance just inside of it is the tube's.
        near = [
            item
            for item in good
            if item.edge.colour <= COLOURED
            and (outermost.edge.circle.radius - item.edge.circle.radius) * item.edge.px_per_mm < BLEEDING_PX
            and item.merit > outermost.merit
        ]
        if near:
            return max(near, key=lambda item: item.merit)
    upper = [item for item in good if _is_foot(outermost, item, view, height_mm)]
    if upper:
        return max(upper, key=lambda item: item.edge.circle.radius)
    other = [item for item in good if off_centre(outermost, item)]
    if other:
        return max(other, key=lambda item: item.edge.circle.radius)
    own = [
        item
        for item in edges
        if item.edge.scatter_px <= OUTER_SCATTER_PX
        and _is_far_end(outermost, item, view, height_mm, FAR_END_OUTER_SHARE)
    ]
    return max(own, key=lambda item: item.merit) if own else outermost


def shows_well(edge: RoundEdge) -> bool:
    """Whether an edge shows well enough for an outer diameter's."""
    return (
        edge.support >= OUTER_SUPPORT
        and edge.scatter_px <= OUTER_SCATTER_PX
        and edge.coverage_deg >= OUTER_COVERAGE_DEG
    )


def off_centre(ring: Scored, other: Scored) -> bool:
    """Whether a ring has another centre than a clearer one just inside of it, nearer than a wall is thick.

    All edges of a tube's end lie round one centre in its plane; a ring round another one is made of wall, foot and
    shadow.
    """
    gap = ring.edge.circle.radius - other.edge.circle.radius
    apart_px = _apart_px(ring, other)
    clearer = other.merit / max(ring.merit, 1e-9)
    return (
        0.0 < gap < THINNEST_WALL_MM
        and apart_px > OFF_CENTRE_PX
        and clearer >= CLEARER_SHARE
        and apart_px * clearer > OFF_CENTRE_CLEARER
    )


def _is_far_end(ring: Scored, other: Scored, view: View, height_mm: float, share: float) -> bool:
    """Whether a ring is the far end of another one's wall, at the card, as it is seen in the face's plane.

    Place and size of the far end follow from the edge and the camera: three figures that agree by chance only rarely.
    """
    edge = other.edge
    if other is ring or other.merit < share * ring.merit:
        return False
    if edge.support < FAR_END_SUPPORT or edge.coverage_deg < OUTER_COVERAGE_DEG:
        return False
    px = 1.0 / ring.edge.px_per_mm
    camera = view.position_mm
    above = -float(camera[2])
    shrink = (above - height_mm) / above
    place = camera[:2] + shrink * (edge.circle.centre - camera[:2])
    shift = float(np.hypot(*(place - edge.circle.centre)))
    if shift < FAR_END_PX * px and (1.0 - shrink) * edge.circle.radius < WIDEST_CHAMFER_MM:
        return False
    near = abs(ring.edge.circle.radius - shrink * edge.circle.radius) < FAR_END_PX * px
    return bool(near and np.hypot(*(ring.edge.circle.centre - place)) < FAR_END_PX * px)


def _is_foot(ring: Scored, other: Scored, view: View, height_mm: float) -> bool:
    """Whether a ring is the wall's foot, or face and foot in one, and another ring the face's own edge.

    In the plane of the face the foot appears shifted towards the camera, by the wall's height times the slant of the
    sight line; the outline of face and foot together by less. On the far side the face's edge hides the foot, so it
    reaches at least as far there.
    """
    if other is ring or other.merit < UPPER_SHARE * ring.merit:
        return False
    px = 1.0 / ring.edge.px_per_mm
    camera = view.position_mm
    slant = (ring.edge.circle.centre - camera[:2]) / (-float(camera[2]) - height_mm)
    strip = float(np.hypot(*slant)) * height_mm
    if strip < px:
        return False
    away = slant / float(np.hypot(*slant))
    shift = other.edge.circle.centre - ring.edge.circle.centre
    along = float(shift @ away)
    across = float(np.hypot(*(shift - along * away)))
    reaches = other.edge.circle.radius + along > ring.edge.circle.radius - 2.0 * px
    sideways = (1.5 + 2.0 * ring.edge.scatter_px) * px + 0.2 * along
    return bool(reaches and px < along < strip + 2.0 * px and across < sideways)


def lone_edge(edges: list[Scored], outer: Scored) -> Scored:
    """The outside where no bore was found, or a clearer ring inside of it, nearer than a tube's bore can be."""
    near = [
        item
        for item in edges
        if outer.edge.circle.radius - THINNEST_WALL_MM < item.edge.circle.radius < outer.edge.circle.radius
        and item.merit >= OUTER_SHARE * outer.merit
        and item.edge.coverage_deg >= OUTER_COVERAGE_DEG
    ]
    return max(near, key=lambda item: item.merit) if near else outer


def bore_edges(
    image: LightImage, view: View, outer: RoundEdge, edges: list[Scored], height_mm: float, blur_px: float
) -> list[Scored]:
    """Candidate edges for the bore, best first: rings well inside the outer diameter.

    Where none is convincing the light is smoothed further along the arc, and colour is looked at as well. The bore's
    far end is left out where the bore's own edge shows too.
    """
    circle = outer.circle
    px = 1.0 / outer.px_per_mm
    scored = [item for item in edges if _inside(item.edge, circle.centre, circle.radius)]
    shift = min(0.3 * circle.radius, 0.5 * (circle.radius - 0.1))
    for arc in (ARC_SMOOTHING_PX, FAINT_ARC_PX):
        faint = arc > ARC_SMOOTHING_PX
        # The noise of smoothed light is that of the paper outside.
        reach = _reach_mm(circle.radius, px) if faint else circle.radius + 4.0 * px
        polar = unroll(image, view, circle.centre, height_mm, 0.1 * circle.radius, reach, angles=360, arc_px=arc)
        field = edge_field(polar, blur_px, noise=None if faint else outer.noise)
        noise, fields = field.noise, [field.crests]
        if faint:
            fields.append(colour_crests(polar, blur_px))
        for crests in fields:
            crests = np.where(polar.radii_mm[None, :] < circle.radius - THINNEST_WALL_MM, crests, 0.0)
            for ring in strongest_rings(crests, polar, largest_shift_mm=shift, smallest_support=0.2, most=4):
                own, radius = ring_circle(circle.centre, ring)
                _add(scored, image, view, own, radius, height_mm, blur_px, px, noise, arc)
        scored = [item for item in scored if _inside(item.edge, circle.centre, circle.radius)]
        scored.sort(key=lambda item: -item.merit)
        if scored and scored[0].merit >= SMALLEST_BORE_MERIT:
            break
    near = [
        item
        for item in scored
        if not any(_is_far_end(item, other, view, height_mm, FAR_END_BORE_SHARE) for other in scored)
    ]
    return sorted(near, key=lambda item: -item.merit * _concentric(item.edge, circle))


def _concentric(edge: RoundEdge, outer: Circle) -> float:
    """How likely a bore is by its place in the outside, 0 to 1."""
    away = float(np.hypot(*(edge.circle.centre - outer.centre))) / outer.radius
    return 1.0 / (1.0 + (away / USUAL_BORE_OFFSET) ** 2)


def _inside(edge: RoundEdge, centre: FloatArray, radius: float) -> bool:
    offset = float(np.hypot(*(edge.circle.centre - centre)))
    if offset > LARGEST_BORE_OFFSET * radius + 1.0 / edge.px_per_mm:
        return False
    if edge.circle.radius < SMALLEST_BORE_SHARE * radius:
        return False
    return edge.circle.radius + offset < radius - THINNEST_WALL_MM and edge.circle.radius > 0.1


def _add(
    scored: list[Scored],
    image: LightImage,
    view: View,
    centre: FloatArray,
    radius: float,
    height_mm: float,
    blur_px: float,
    px: float,
    noise: float | None,
    arc_px: float = ARC_SMOOTHING_PX,
) -> None:
    if arc_px > ARC_SMOOTHING_PX and radius < SMALLEST_FAINT_ARCS * arc_px * px:
        return
    try:
        edge = measure_edge(
            image, view, centre, radius, level(height_mm), height_mm, blur_px, noise=noise, arc_px=arc_px
        )
    except ValueError:
        return
    if edge.coverage_deg < SMALLEST_COVERAGE_DEG:
        return
    merit = edge.merit
    for k, other in enumerate(scored):
        near = abs(other.edge.circle.radius - edge.circle.radius) < 0.6 * px
        if near and np.hypot(*(other.edge.circle.centre - edge.circle.centre)) < 1.0 * px:
            if merit > other.merit:
                scored[k] = Scored(merit, edge)
            return
    scored.append(Scored(merit, edge))
