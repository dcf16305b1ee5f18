"""The edges of a tube's end in several photographs: found at one height, told from their chamfers' together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import Height
from rimsight.calibration.sighting import Solved
from rimsight.vision.face_edge import WEAK_MERIT, Mask, blown_share, blown_u_px, clear_of
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.reading import (
    COLOUR_U_PX,
    HIDDEN_BORE_CHAMFER_U_MM,
    HIDDEN_CHAMFER_U_MM,
    STEADY_SCATTER_PX,
    metal_edge_u_mm,
)
from rimsight.vision.several_edges import (
    Chamfer,
    Edges,
    Known,
    OwnEdge,
    Shot,
    other_places,
    other_sizes,
    share_left,
)
from rimsight.vision.several_face import common_face
from rimsight.vision.several_matches import matched_rings, rings_of, seen_radius_mm
from rimsight.vision.several_rings import LevelRing, Matched, level_rings, measured, meeting_height
from rimsight.vision.stone import OutlineUnclear
from rimsight.vision.tube_edges import (
    BLEEDING_PX,
    COLOURED,
    SMALLEST_OUTER_SHARE,
    THINNEST_WALL_MM,
    shows_well,
)

FloatArray = NDArray[np.float64]

#: Combinations of rings below this score are no circle.
SMALLEST_SCORE = 0.05
#: An outer edge shows at least this well, as the mean over the photographs.
SMALLEST_OUTER_MERIT = 0.35
#: The same of a bore's.
SMALLEST_BORE_MERIT = 0.3
#: An edge of this merit in every photograph is clear enough to say what is wrong where they are no one circle.
CLEAR_MERIT = 0.7
#: That is: centres or radii that differ by more than this, pixels.
DISAGREEING_PX = 1.0
#: Standard uncertainty of a coordinate of the centre of a tube's edge, pixels; and what scatter above
#: `STEADY_SCATTER_PX` and merit below `WEAK_MERIT` add.
CENTRE_U_PX, UNSTEADY_CENTRE, WEAK_CENTRE = 0.2, 1.0, 1.0
#: The same where the ring model was fitted to all photographs: of a steady edge, and what scatter over the share of the
#: round that shows the edge costs.
STEADY_CENTRE_U_PX, CENTRE_SHARE = 0.1, 0.5
#: An outer edge that shows on less of its round than this in every photograph is refused: of the rendered pairs two lie
#: below (0.24 and 0.21), whose edges were up to 0.1 mm wrong; the others show 0.29 and more.
SMALLEST_SHOWN = 0.25
#: Other rings of the best one's height lie within this of it, millimetres; so many of the best combinations are looked
#: at, and rings nearer to another than this are that one, pixels.
SAME_HEIGHT_MM, MOST_OTHERS, DISTINCT_PX = 0.3, 8, 1.5
#: An edge without a bore in it, outside of which more than this share of the round is not paper, may be the bore's: a
#: gold tube's had 0.50, a pin's 0.07 to 0.13.
LARGEST_BEYOND = 0.35
#: Round a ring without a bore wider ones are looked for near to so many of its radii.
WIDER = 1.6
#: How far a tube's rings may lie from each other's centres, as a share of the radius.
ECCENTRIC_SHARE = 0.1


@dataclass(frozen=True)
class TubeEnd:
    """A tube's end in several photographs.

    Parameters
    ----------
    edges : tuple of dict of str to OwnEdge
        "outer", and "bore" where it shows, by photograph.
    height_mm : float
        Height of the face above the card, as the matched rings have it.
    chamfers : dict of str to Chamfer
        What is known of the chamfer at each edge.
    traced : tuple of LevelRing or None
        The sharpest ring at the outside and at the bore, before chamfers were told apart.
    """

    edges: tuple[Edges, ...]
    height_mm: float
    chamfers: dict[str, Chamfer]
    traced: tuple[LevelRing, LevelRing | None]

    @property
    def heights_mm(self) -> dict[str, float]:
        """Heights above the card by the names of the levels."""
        return {"top": self.height_mm}

    def at(self, shots: Sequence[Shot], solved: Solved) -> TubeEnd:
        """The same with the face at the height that a solution gives it."""
        return with_faces(shots, *self.traced, solved.heights["top"])


def tube_end(shots: Sequence[Shot], known: Known) -> TubeEnd:
    """Find the edges of a tube's end.

    Parameters
    ----------
    shots : sequence of Shot
        The photographs.
    known : Known
        What was typed.

    Raises
    ------
    OutlineUnclear
        The photographs show no end of a tube together.
    """
    found = matched_rings(shots, known)
    if not found or found[0].score < SMALLEST_SCORE:
        raise disagreement(shots, found) or _no_outer()
    best = found[0]
    rings = level_rings(
        shots, best.centre_mm, best.height_mm, _range(shots, best.height_mm),
        largest_shift_mm=ECCENTRIC_SHARE * best.radius_mm,
    )  # fmt: skip
    rings += _others(shots, found, rings)
    outer = outermost(rings)
    if (
        outer is None
        or sum(edge is not None for edge in outer.edges) < 2
        or outer.radius_mm < SMALLEST_OUTER_SHARE * seen_radius_mm(shots, best.height_mm)
    ):
        raise disagreement(shots, found) or _no_outer()
    bore = _bore(rings, outer)
    if bore is None:
        wider = _wider(shots, outer, best.height_mm)
        outer = outermost([outer, *wider]) or outer
        bore = _bore([*rings, *wider], outer)
    beyond = np.mean([edge.novelty_outside for edge in outer.edges if edge is not None])
    if bore is None and beyond > LARGEST_BEYOND:
        raise _perhaps_bore(outer, float(beyond))
    height = meeting_height(shots, [outer] if bore is None else [outer, bore], best.height_mm)
    return with_faces(shots, outer, bore, height)


def _others(shots: Sequence[Shot], found: Sequence[Matched], rings: Sequence[LevelRing]) -> list[LevelRing]:
    """Further rings that were matched at the best one's height, and that a search at that height did not bring up.

    An edge of gold beside paper as light as itself is lost in the search, which adds up steps of light.
    """
    others: list[LevelRing] = []
    for one in found[1:MOST_OTHERS]:
        if one.score < SMALLEST_SCORE or abs(one.height_mm - found[0].height_mm) > SAME_HEIGHT_MM:
            continue
        ring = measured(shots, one.centre_mm, one.radius_mm, one.height_mm)
        if ring is not None and all(
            abs(ring.radius_mm - other.radius_mm) * _px_per_mm(ring) > DISTINCT_PX for other in (*rings, *others)
        ):
            others.append(ring)
    return others


def _wider(shots: Sequence[Shot], inner: LevelRing, height_mm: float) -> list[LevelRing]:
    """Wider rings round one without a bore that a photograph shows by itself: it may be the bore.

    The dark bore of a thick silver tube on white paper hid all else from the search (outside read 1.88 mm for 4.07).
    """
    found: list[LevelRing] = []
    for shot in shots:
        for _, edge in rings_of(shot, (inner.centre_mm, WIDER * inner.radius_mm), height_mm):
            apart = float(np.hypot(*(edge.circle.centre - inner.centre_mm)))
            if (
                shows_well(edge)
                and apart < ECCENTRIC_SHARE * edge.circle.radius
                and edge.circle.radius - apart > inner.radius_mm + THINNEST_WALL_MM
            ):
                ring = measured(shots, edge.circle.centre, edge.circle.radius, height_mm)
                found += [] if ring is None else [ring]
    return found


def with_faces(
    shots: Sequence[Shot],
    outer: LevelRing,
    bore: LevelRing | None,
    height_mm: float,
    masks: Sequence[Mask | None] | None = None,
    u_centre_px: float = CENTRE_U_PX,
    centre_share: float = CENTRE_SHARE,
) -> TubeEnd:
    """Tell the edges from their chamfers' at a height of the face."""
    length = Height(height_mm, 0.0, "solved from several photos")
    edges: tuple[Edges, ...] = tuple({} for _ in shots)
    chamfers = {}
    for name, ring, other in (("outer", outer, bore), ("bore", bore, outer)):
        if ring is None:
            continue
        if other is not None:
            masks = [
                None if edge is None else clear_of(
                    _raised(shot, edge, height_mm), max(shot.calibration.blur_px, 0.5), outside=name == "outer"
                )
                for shot, edge in zip(shots, other.edges, strict=True)
            ]  # fmt: skip
        chamfer_u = HIDDEN_CHAMFER_U_MM if name == "outer" else HIDDEN_BORE_CHAMFER_U_MM
        traced_edges = tuple(
            None if edge is None else _raised(shot, edge, height_mm)
            for shot, edge in zip(shots, ring.edges, strict=True)
        )
        face = common_face(shots, traced_edges, height_mm, length, outer=name == "outer", masks=masks)
        if name == "outer" and (face is None or face.shown < SMALLEST_SHOWN):
            faintest = min(edge.merit for edge in ring.edges if edge is not None)
            if faintest < SMALLEST_OUTER_MERIT or colour(ring) < COLOURED:
                raise _hidden(0.0 if face is None else face.shown)
            # The model is one of luminance: of metal as light as the paper it shows nothing, colour does.
            face = None
        left = share_left(name, 0.0 if face is None else face.shown)
        for k, (shot, own, traced) in enumerate(zip(shots, edges, traced_edges, strict=True)):
            if traced is None:
                continue
            told = None if face is None else face.in_photo(k)
            edge = traced if told is None else told.edge
            u_mm = left * metal_edge_u_mm(edge, told, chamfer_u_mm=chamfer_u)
            which_mm = 0.0 if face is None or told is None else face.u_which_px / edge.px_per_mm
            scatter = None if told is None or face is None else face.scatter_px[k]
            u_centre_mm = _u_centre_mm(edge, u_centre_px)
            if face is not None and told is not None:
                u_centre_mm = float(np.hypot(STEADY_CENTRE_U_PX, centre_share * face.unsteady_px(k))) / edge.px_per_mm
            blown = blown_share(shot.image, shot.calibration, traced, height_mm)
            alone_mm = blown_u_px(shot.calibration, blown) / edge.px_per_mm
            own[name] = OwnEdge(edge, 0.0, u_mm, u_centre_mm, scatter, alone_mm, which_mm)
        if face is not None:
            chamfers[name] = face.chamfer
        else:
            # Of a chamfer, whose legs are alike, the wrong edge lies as far off in height as in radius.
            chamfers[name] = Chamfer(u_below_mm=max((own[name].u_mm for own in edges if name in own), default=0.0))
    return TubeEnd(edges, height_mm, chamfers, (outer, bore))


def _u_centre_mm(edge: RoundEdge, u_px: float) -> float:
    """Standard uncertainty of a coordinate of the centre of an edge that was traced only."""
    unsteady = UNSTEADY_CENTRE * max(edge.scatter_px - STEADY_SCATTER_PX, 0.0)
    weak = WEAK_CENTRE * max(WEAK_MERIT - edge.merit, 0.0)
    return float(np.sqrt(u_px**2 + unsteady**2 + weak**2 + (COLOUR_U_PX * edge.colour) ** 2)) / edge.px_per_mm


def _raised(shot: Shot, edge: RoundEdge, height_mm: float) -> RoundEdge:
    """The edge in the plane at a height."""
    rule = level(height_mm)
    return replace(edge, circle=edge.refit(shot.calibration.view, rule), heights=rule)


def _range(shots: Sequence[Shot], height_mm: float) -> tuple[float, float]:
    radius = seen_radius_mm(shots, height_mm)
    return 0.12 * radius, 1.35 * radius + 0.8


def outermost(rings: Sequence[LevelRing]) -> LevelRing | None:
    """The outermost ring that shows well: the outer edge."""
    good = [ring for ring in rings if ring.merit >= SMALLEST_OUTER_MERIT and any(map(_clear, ring.edges))]
    if not good:
        return None
    found = max(good, key=lambda ring: ring.radius_mm)
    if colour(found) > COLOURED:
        # Colour bleeds outwards by a pixel or two; a better edge of luminance just inside of it is the tube's.
        near = [
            ring for ring in good
            if colour(ring) <= COLOURED and ring.merit > found.merit
            and (found.radius_mm - ring.radius_mm) * _px_per_mm(found) < BLEEDING_PX
        ]  # fmt: skip
        return max(near, key=lambda ring: ring.merit, default=found)
    return found


def _clear(edge: RoundEdge | None) -> bool:
    """Whether one photograph alone would believe it."""
    return edge is not None and shows_well(edge)


def colour(ring: LevelRing) -> float:
    """How far the ring was located in colour, 0 to 1."""
    return max(edge.colour for edge in ring.edges if edge is not None)


def _px_per_mm(ring: LevelRing) -> float:
    return float(np.mean([edge.px_per_mm for edge in ring.edges if edge is not None]))


def _bore(rings: Sequence[LevelRing], outer: LevelRing) -> LevelRing | None:
    inside = [
        ring for ring in rings
        if ring.radius_mm + float(np.hypot(*(ring.centre_mm - outer.centre_mm))) < outer.radius_mm - THINNEST_WALL_MM
        and ring.merit >= SMALLEST_BORE_MERIT
    ]  # fmt: skip
    return max(inside, key=lambda ring: ring.merit, default=None)


def disagreement(shots: Sequence[Shot], found: Sequence[Matched]) -> PhotoError | None:
    """What parts the photographs, where each shows the outer edge and they are no one circle."""
    wide = [
        one for one in found
        if one.radius_mm > SMALLEST_OUTER_SHARE * seen_radius_mm(shots, one.height_mm) and one.merit > CLEAR_MERIT
    ]  # fmt: skip
    if not wide:
        return None
    best = max(wide, key=lambda one: one.score)
    uneven = 0.5 * (max(best.radii_mm) - min(best.radii_mm))
    if max(uneven, best.apart_mm) * shots[0].calibration.px_per_mm < DISAGREEING_PX:
        return None
    if uneven > best.apart_mm:
        return other_sizes("tube", [2.0 * radius for radius in best.radii_mm])
    return other_places("tube", 2.0 * best.apart_mm)


def _hidden(shown: float) -> PhotoError:
    return OutlineUnclear(
        f"the tube's outer edge shows clearly on {100.0 * shown:.0f} % of its round, even in the photo that shows most",
        f"{100.0 * SMALLEST_SHOWN:.0f} % in one photo at least",
        "photograph one from straight above, and turn the light so that the tube's edge stands out from the paper",
    )


def _perhaps_bore(outer: LevelRing, beyond: float) -> PhotoError:
    return OutlineUnclear(
        f"the widest edge found is {2.0 * outer.radius_mm:.2f} mm wide, with no bore in it and something other than "
        f"paper outside of it on {100.0 * beyond:.0f} % of the round: it may be the bore's",
        "an outer edge that stands out from the paper",
        "put a darker or whiter paper under the tube, inside the frame, or turn the light",
    )


def _no_outer() -> PhotoError:
    return OutlineUnclear(
        "no outer edge of a tube was found that all photos show at one height",
        "a tube standing on its end, its upper rim sharp and lit evenly",
        "turn the light, or check that the tube stands upright on the card and nothing moves between the photos",
    )
