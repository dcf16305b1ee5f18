"""A stone on a tube in several photographs: two rings at two heights, the stone's above and inside the tube's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import GIRDLE_SHARE, TUBE_LENGTH_MM, TUBE_LENGTH_U_MM, Height
from rimsight.calibration.sighting import Solved
from rimsight.vision.face_edge import Mask
from rimsight.vision.outline import HeightRule, RoundEdge, wall
from rimsight.vision.reading import OVER_METAL_U_MM, edge_u_px
from rimsight.vision.rim import SMALLEST_GAP_PX, outside_stone, read_rim
from rimsight.vision.rim_edges import FAINT_MERIT, LARGEST_RIM_MM, WIDEST_CHAMFER_MM, is_textured
from rimsight.vision.several_edges import TOGETHER, Chamfer, EdgeNotFollowed, Edges, Known, OwnEdge, Shot
from rimsight.vision.several_matches import matched_rings, seen_radius_mm
from rimsight.vision.several_rings import LevelRing, Matched, level_rings, measured, meeting_height, met
from rimsight.vision.several_tube import (
    ECCENTRIC_SHARE,
    SMALLEST_OUTER_MERIT,
    SMALLEST_SCORE,
    TubeEnd,
    colour,
    disagreement,
    outermost,
    with_faces,
)
from rimsight.vision.tube_edges import BLEEDING_PX, COLOURED, SMALLEST_OUTER_SHARE

FloatArray = NDArray[np.float64]

#: A girdle lies above a tube's end, by at most this share of its diameter and this much more, millimetres.
SEAT_RANGE, SEAT_WITHIN_MM = (0.0, 0.25), 0.1
#: A ring no higher than this above a tube's edge may be its chamfer's, millimetres.
CHAMFER_ABOVE_MM = 0.2
#: A girdle is at least this share of the tube's diameter; rings further in are facets.
SMALLEST_SHARE = 0.6
#: Rings that are taken for the stone's edge score this well at least.
STONE_SCORE = 0.08
#: A ring inside that is at least this wide and shows better than the outer one is a stone's, not one of facets.
CLOSE_SHARE = 0.75
#: An outer ring scores at least this share of the best one's.
OUTER_SHARE = 0.05
#: And this share of another's that lies below the stone as well: a ring that followed the tube's edge on one side and
#: the wall's foot on the other had 0.15 of it, and was read 0.14 mm large.
BESIDE_SHARE = 0.25
#: The same of the stone's once it has been measured at its height.
SEATED_SCORE = 0.2
#: Standard uncertainty of a coordinate of the centre of a tube's edge beside a stone, pixels: 0.38 on the odd ones of
#: 13 rendered pairs, 0.36 on the even ones.
CENTRE_U_PX = 0.38
#: What scatter over the share of the round that shows costs there: shadow and reflection of the stone fall on one side.
CENTRE_SHARE = 0.75
#: Standard uncertainty of a coordinate of the girdle's centre over that of its radius, beside what the side that faces
#: the camera does to it: heights of 40 rendered girdles on tubes are then off by 0.7 of what is stated, those of 58 on
#: paper by 0.6.
CENTRE_OVER_RADIUS = 0.7
#: A girdle of less merit than this is hardly an edge: what each tenth below adds to the doubt of its centre, pixels. Of
#: eight girdles on tubes that one photograph showed with a merit under 0.2, six came out 0.13 to 0.27 mm too high or
#: low, stated 0.14; so faint a one tells the height to no use, and the reader is told that.
FAINT_GIRDLE, FAINT_CENTRE_PX = 0.3, 2.0
#: Metal mirrors the girdle, so its edge looks so far out all round, pixels: 0.08 px (0.03 and 0.11 the halves' medians)
#: on 53 rendered tubes.
MIRRORED_PX = 0.06
#: Heights at which an edge is looked for lie so far apart that it moves by this much, pixels.
STEP_PX = 1.5


@dataclass(frozen=True)
class Seat:
    """A tube's end with a stone on it, in several photographs.

    Parameters
    ----------
    end : TubeEnd
        The tube's end.
    stone : LevelRing
        The girdle.
    stone_edges : tuple of OwnEdge or None
        Its edge in each photograph, with its doubt.
    girdle_mm : float
        Height of its middle above the card.
    """

    end: TubeEnd
    stone: LevelRing
    stone_edges: tuple[OwnEdge | None, ...]
    girdle_mm: float

    @property
    def edges(self) -> tuple[Edges, ...]:
        """The circles "outer" and "stone", by photograph."""
        return tuple(
            own if stone is None else own | {"stone": stone}
            for own, stone in zip(self.end.edges, self.stone_edges, strict=True)
        )

    @property
    def chamfers(self) -> dict[str, Chamfer]:
        """What is known of the chamfer at the tube's edge."""
        return self.end.chamfers

    @property
    def heights_mm(self) -> dict[str, float]:
        """Heights above the card by the names of the levels."""
        return {"top": self.end.height_mm, "girdle": self.girdle_mm}

    def at(self, shots: Sequence[Shot], solved: Solved) -> Seat:
        """The same looked for once more, where a solution puts it."""
        heights = solved.heights
        stone = self.stone.on(solved.circles["stone"])
        return seated(shots, self.end.traced[0], heights["top"], stone, heights["girdle"]) or self


def girdle_rule(height_mm: float, diameter_mm: float) -> HeightRule:
    """The short upright wall that a girdle is."""
    half = 0.5 * GIRDLE_SHARE * diameter_mm
    return wall(height_mm - half, height_mm + half)


def seated_stone(shots: Sequence[Shot], known: Known) -> Seat:
    """Find tube and stone.

    Parameters
    ----------
    shots : sequence of Shot
        The photographs.
    known : Known
        What was typed.

    Raises
    ------
    PhotoError
        The photographs don't show both together.
    """
    found = matched_rings(shots, known)
    seat = _seat(shots, found)
    if seat is None:
        raise disagreement(shots, found) or _why(shots, known)
    return seat


def _why(shots: Sequence[Shot], known: Known) -> PhotoError:
    """What one photograph by itself says is wrong, if anything."""
    length = known.length or Height(TUBE_LENGTH_MM, TUBE_LENGTH_U_MM, "default: tubes of 3 to 12 mm")
    for shot in shots:
        try:
            read_rim(
                shot.image, shot.calibration, shot.candidate, length, bore_mm=known.bore, wall_mm=known.wall,
                girdle_above=known.girdle, card_height_mm=known.card_height_mm,
            )  # fmt: skip
        except PhotoError as error:
            return error
    return EdgeNotFollowed(
        "no tube's edge and stone's edge are found that all photos show at one height each",
        "the same edges in every photo, and nothing moved between them",
        "photograph again from both places, with the light as it is",
    )


def _seat(shots: Sequence[Shot], matches: Sequence[Matched]) -> Seat | None:
    found = [one for one in matches if one.score > SMALLEST_SCORE]
    radius = seen_radius_mm(shots, found[0].height_mm) if found else 0.0
    wide = [one for one in found if one.radius_mm > SMALLEST_SHARE * radius]
    if not wide:
        return None
    anchor = tube_ring(wide)
    ring = _at(shots, anchor)
    match = _stone(shots, found, ring, anchor.height_mm) if ring is not None else None
    clearer = match is not None and match.score > anchor.score and match.radius_mm > CLOSE_SHARE * anchor.radius_mm
    if ring is None or match is None or (not clearer and _textured(shots, ring, anchor.height_mm)):
        # What shows best may be the stone, the tube's edge round it fainter.
        faint, top = _faint(shots, anchor)
        if faint is not None:
            around = girdle_rule(anchor.height_mm, 2.0 * anchor.radius_mm)
            inside = measured(shots, anchor.centre_mm, anchor.radius_mm, anchor.height_mm, around)
            return None if inside is None else seated(shots, faint, top, inside, anchor.height_mm)
    if ring is None or match is None or ring.radius_mm < SMALLEST_OUTER_SHARE * radius:
        return None
    if ring.merit < SMALLEST_OUTER_MERIT:
        return None
    rule = girdle_rule(match.height_mm, 2.0 * match.radius_mm)
    stone = measured(shots, match.centre_mm, match.radius_mm, match.height_mm, rule)
    return None if stone is None else seated(shots, ring, anchor.height_mm, stone, match.height_mm)


def seated(
    shots: Sequence[Shot], outer: LevelRing, top_mm: float, stone: LevelRing, girdle_mm: float
) -> Seat | None:
    """Measure the stone's edge, and tell the tube's from its chamfer's, at their heights."""
    rule = girdle_rule(girdle_mm, 2.0 * stone.radius_mm)
    ring = measured(shots, stone.centre_mm, stone.radius_mm, girdle_mm, rule)
    match = None if ring is None else met(shots, ring, girdle_mm)
    if ring is None or match is None or match.score < SEATED_SCORE:
        return None
    masks = [
        _mask(shot, edge, rule, top_mm) for shot, edge in zip(shots, ring.edges, strict=True)
    ]
    end = with_faces(shots, outer, None, top_mm, masks, CENTRE_U_PX, CENTRE_SHARE)
    own = tuple(
        None if edge is None else _stone_edge(shot, edge) for shot, edge in zip(shots, ring.edges, strict=True)
    )
    return Seat(end, ring, own, girdle_mm)


def _mask(shot: Shot, stone: RoundEdge | None, rule: HeightRule, top_mm: float) -> Mask | None:
    """What of a map round the tube's edge lies clear of the stone."""
    if stone is None:
        return None
    return outside_stone(shot.calibration.view, stone, rule, top_mm, max(shot.calibration.blur_px, 0.5))


def _stone_edge(shot: Shot, edge: RoundEdge) -> OwnEdge:
    place_mm = edge_u_px(edge, max(shot.calibration.blur_px, 0.5)) / edge.px_per_mm
    u_mm = float(np.hypot(place_mm, OVER_METAL_U_MM))
    faint_mm = FAINT_CENTRE_PX * 10.0 * max(FAINT_GIRDLE - edge.merit, 0.0) / edge.px_per_mm
    u_centre_mm = float(np.hypot(CENTRE_OVER_RADIUS * u_mm, faint_mm))
    return OwnEdge(edge, -MIRRORED_PX / edge.px_per_mm, TOGETHER["stone"] * u_mm, u_centre_mm)


def tube_ring(wide: Sequence[Matched]) -> Matched:
    """The ring that is the tube's edge, or its chamfer's: the outermost that was matched at all well.

    Parameters
    ----------
    wide : sequence of Matched
        Rings wide enough to be a tube's, or a stone's on it; at least one.
    """
    best = max(wide, key=lambda one: one.score)
    near = [one for one in wide if one.radius_mm >= best.radius_mm and one.score > OUTER_SHARE * best.score]
    # Where the best one is the stone's, what lies round and below it is the tube's edge, and its chamfer's.
    below = [one.score for one in near if one is not best and one.height_mm < best.height_mm]
    least = BESIDE_SHARE * max(below, default=0.0)
    return max((one for one in near if one is best or one.score > least), key=lambda one: one.radius_mm)


def _textured(shots: Sequence[Shot], ring: LevelRing, height_mm: float) -> bool:
    """Whether the light inside a ring changes as facets do, in most photographs."""
    told = [
        is_textured(shot.image, shot.calibration.view, edge, height_mm, max(shot.calibration.blur_px, 0.5))
        for shot, edge in zip(shots, ring.edges, strict=True)
        if edge is not None
    ]
    return sum(told) > 0.5 * len(told)


def _faint(shots: Sequence[Shot], anchor: Matched) -> tuple[LevelRing | None, float]:
    """A fainter ring round one that looks like a stone's, below it, and its height."""
    blur = max(shot.calibration.blur_px for shot in shots)
    px = shots[0].calibration.view.px_per_mm((0.0, 0.0), anchor.height_mm)
    inner = anchor.radius_mm + (SMALLEST_GAP_PX + blur) / px
    best: tuple[LevelRing | None, float] = (None, 0.0)
    lowest = anchor.height_mm - SEAT_RANGE[1] * 2.0 * anchor.radius_mm
    for height in _heights(shots, anchor.centre_mm, lowest, anchor.height_mm):
        rings = level_rings(
            shots, anchor.centre_mm, float(height), (inner, anchor.radius_mm + LARGEST_RIM_MM),
            largest_shift_mm=ECCENTRIC_SHARE * anchor.radius_mm, most=3,
        )  # fmt: skip
        found = outermost(
            [
                one for one in rings
                if one.radius_mm > inner and one.merit > FAINT_MERIT
                and (colour(one) <= COLOURED or (one.radius_mm - anchor.radius_mm) * px > BLEEDING_PX)
            ]
        )  # fmt: skip
        if found is not None and (best[0] is None or found.merit > best[0].merit):
            best = (found, float(height))
    return best if best[0] is None else (best[0], meeting_height(shots, [best[0]], best[1]))


def _at(shots: Sequence[Shot], one: Matched) -> LevelRing | None:
    return measured(shots, one.centre_mm, one.radius_mm, one.height_mm)


def _heights(shots: Sequence[Shot], centre_mm: FloatArray, low_mm: float, high_mm: float) -> FloatArray:
    """Heights between two, so near to each other that no photograph's edge moves by more than a step."""
    slants = [shot.calibration.view.slant(np.asarray(centre_mm)[None])[0] for shot in shots]
    px = shots[0].calibration.px_per_mm
    most = max(float(np.hypot(*(a - b))) for a in slants for b in slants) * px
    count = int(np.ceil((high_mm - low_mm) * most / STEP_PX)) + 1
    return np.linspace(max(low_mm, 0.3), high_mm, max(count, 2))


def _stone(
    shots: Sequence[Shot], found: Sequence[Matched], outer: LevelRing, top_mm: float
) -> Matched | None:
    """The girdle: the best ring inside the tube's edge at a height where a girdle can lie."""
    px = shots[0].calibration.px_per_mm

    def fits(one: Matched) -> bool:
        above = one.height_mm - top_mm
        high = SEAT_RANGE[1] * 2.0 * one.radius_mm + SEAT_WITHIN_MM
        # A ring at the tube's own height and near to its edge is the chamfer's other edge.
        chamfer = outer.radius_mm - one.radius_mm < WIDEST_CHAMFER_MM + 0.5 / px and above < CHAMFER_ABOVE_MM
        reach = one.radius_mm + float(np.hypot(*(one.centre_mm - outer.centre_mm)))
        return (
            not chamfer
            and SEAT_RANGE[0] < above < high
            and SMALLEST_SHARE * outer.radius_mm < one.radius_mm < outer.radius_mm - 1.0 / px
            and reach < outer.radius_mm + 0.5
            and one.score > STONE_SCORE
        )

    return max((one for one in found if fits(one)), key=lambda one: one.score, default=None)
