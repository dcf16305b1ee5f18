"""Reading a subject from several photographs of the untouched scene: its height is solved, not assumed.

Circles that all photographs show at one height are found first (`several_rings` and, by kind of subject,
`several_tube`, `several_rim`, `several_stone`); their edges are then solved together with the cameras (`multiview`),
and looked at once more where the height came out elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np

from rimsight.calibration.baseline import seen_square
from rimsight.calibration.camera import View
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import GIRDLE_SHARE, GIRDLE_SHARE_U
from rimsight.calibration.multiview import solve_scene
from rimsight.calibration.sighting import LevelCircle, SeenCircle, Sighting, Solved
from rimsight.vision.several_edges import (
    CIRCLES,
    LEVEL,
    Chamfer,
    EdgeNotFollowed,
    Edges,
    Known,
    OwnEdge,
    PhotosDisagree,
    Shot,
    other_places,
    other_sizes,
)
from rimsight.vision.several_rim import seated_stone
from rimsight.vision.several_stone import girdle
from rimsight.vision.several_tube import tube_end

#: Share of the variance of an edge's radius that photographs of one scene have in common: a chamfer too narrow to show,
#: the girdle's own facets. The odd ones of 13 rendered pairs of each kind shared 0.86 (stone on paper), 0.39 (stone on
#: metal), 0.57 (outer) and 0.97 (bore); the even ones 0.71, 0.81, -0.10 and 0.55.
COMMON_SHARE = {"stone": 0.7, "outer": 0.5, "bore": 0.8}
#: A tube's edges lie where their chamfers put them below the face within this, beside what is in doubt of the chamfer,
#: standard uncertainty, millimetres: ends of 129 rendered tubes and of 62 with a stone are then off by 0.60 and 0.64 of
#: what is stated (root of the mean square).
CHAMFER_LEVEL_U_MM = 0.02
#: How oval a tube's round edge looks by light and shade, standard uncertainty of each part that goes round twice,
#: pixels; a tilt or another focal length would do the same, and points as steady as a tube's made sure of a focal
#: length that was 17 % off (a tube's end 0.31 mm high, stated 0.18). Of 166 rendered edges 0.045 px root mean square,
#: odd and even alike, 0.10 to 0.17 px beside a stone. A stone's points scatter by more than it is oval (0.18 px).
OVAL_U_PX = {"outer": 0.06, "bore": 0.05, "stone": 0.0}
#: Where a girdle faces the camera its band is seen, a pixel or so wide, and melts into its lower edge: the outline lies
#: this share of the way from its middle to its lower edge; on the other side it lies at the upper edge, of facets a
#: little above it. With true cameras the odd ones of 118 photographs of rendered stones gave 0.25, the even ones 0.45
#: (far side 1.2 and 1.2). And what that leaves open of the height, as a share of the girdle's thickness.
NEAR_SHARE, FAR_SHARE, NEAR_U = 0.35, 1.2, 0.1
#: On that side metal mirrors the pavilion, and paper lies in shade: in photographs of 60 stones on tubes the outline
#: lay within 0.2 px of the upper edge all round the far side, 0 to 3 px outside of it on the near one. So how far out
#: it looks there is solved for each photograph: standard uncertainty in pixels, and as a share of the band's width.
#: Girdles on tubes at 36 to 48 px/mm came out 0.043 mm off (root of the mean square), before 0.069; on paper 0.021,
#: before 0.037; drawn by another generator 0.008, before 0.026.
NEAR_U_PX, NEAR_BAND = 0.3, 1.0
#: Over a tube's end the mirrored pavilion shows below the girdle as well, which lies about so high above the metal,
#: millimetres (a ledge of 0.4 mm under a pavilion of 41 degrees): a violet stone's outline lay 6 px too far out there.
MIRROR_MM = 0.35
#: Photographs disagree when a circle's centre or radius differs by this many standard uncertainties of the difference,
#: and by this much, millimetres.
DISAGREEING, DISAGREEING_MM = 4.0, 0.02
#: Heights that can be, as shares of a stone's diameter: a girdle above the table, and above the end of a tube; a tube's
#: end above the table, millimetres. What leads out of these ranges is something moved, or another edge.
GIRDLE_ABOVE_TABLE, GIRDLE_ABOVE_TUBE, TUBE_LENGTHS_MM = (0.07, 0.35), (-0.01, 0.5), (0.0, 60.0)
#: Edges are looked at again where a height came out further than this from where it was looked for, millimetres; at
#: most so many times in all.
NEAR_MM, LARGEST_ROUNDS = 0.03, 3


class Found(Protocol):
    """A subject's circles in several photographs, at heights that may still be moved."""

    @property
    def edges(self) -> tuple[Edges, ...]:
        """Edges by photograph and circle."""

    @property
    def heights_mm(self) -> dict[str, float]:
        """Heights above the card by level."""

    @property
    def chamfers(self) -> dict[str, Chamfer]:
        """What is known of the chamfer at each edge of a tube."""

    def at(self, shots: Sequence[Shot], solved: Solved) -> Found:
        """The same looked for once more, where a solution puts it."""


_FIND: dict[str, Callable[[Sequence[Shot], Known], Found]] = {
    "stone": girdle, "tube": tube_end, "rim": seated_stone,
}  # fmt: skip


@dataclass(frozen=True)
class Common:
    """A scene solved from several photographs.

    Parameters
    ----------
    shots : tuple of Shot
        The photographs, each with its solved view.
    edges : tuple of dict of str to OwnEdge
        The edges that were solved, by photograph and circle.
    chamfers : dict of str to Chamfer
        What is known of the chamfer at each edge of a tube.
    solved : Solved
        The solution.
    """

    shots: tuple[Shot, ...]
    edges: tuple[Edges, ...]
    chamfers: dict[str, Chamfer]
    solved: Solved

    def height_mm(self, name: str) -> float:
        """Height above the card at which a circle's points lie: a tube's edge lies below its face, by its chamfer."""
        below = self.chamfers[name].below_mm if name in self.chamfers else 0.0
        return self.solved.heights[LEVEL[name]] - below


class HeightImpossible(PhotoError):
    """The photographs lead to a height that can't be."""

    kind = "height_impossible"


def solve_subject(kind: str, shots: tuple[Shot, ...], known: Known) -> Common:
    """Solve heights, centres and diameters of a subject from several photographs.

    Parameters
    ----------
    kind : str
        "stone", "tube" or "rim".
    shots : tuple of Shot
        Two photographs or more.
    known : Known
        What was typed.

    Returns
    -------
    Common

    Raises
    ------
    PhotoError
        The photographs don't show the subject together, or they don't agree.
    """
    found = _FIND[kind](shots, known)
    common = _solved(kind, shots, known, found)
    for turn in range(LARGEST_ROUNDS - 1):
        heights = common.solved.heights
        steady = max(abs(heights[level] - value) for level, value in found.heights_mm.items()) < NEAR_MM
        # A stone's is looked at once more at least: where each photograph by itself has the circle, the side that faces
        # the camera has drawn it out. Heights of 44 girdles on tubes: 0.049 mm off so far, then 0.043.
        if steady and (turn > 0 or "stone" not in common.solved.circles):
            break
        found = found.at(common.shots, common.solved)
        common = _solved(kind, common.shots, known, found)
    _refuse(common, kind, known)
    return common


def _refuse(common: Common, kind: str, known: Known) -> None:
    """Refuse photographs that disagree, or lead to a height that can't be."""
    if impossible_height(kind, common.solved, known.card_height_mm) is not None:
        raise impossible(kind, common.solved, known.card_height_mm)
    if max(_disagreements(common).values(), default=0.0) > 1.0:
        raise _disagreement(common)


# --- solving them together --------------------------------------------------------------------------------------------


def _solved(kind: str, shots: tuple[Shot, ...], known: Known, found: Found) -> Common:
    """The common solution; circles that only one photograph shows are left out."""
    count = {name: sum(name in own for own in found.edges) for name in CIRCLES[kind]}
    edges = tuple({name: edge for name, edge in own.items() if count[name] > 1} for own in found.edges)
    names = [name for name in CIRCLES[kind] if count[name] > 1]
    if names != [name for name in CIRCLES[kind] if name != "bore" or count[name] > 1]:
        raise EdgeNotFollowed(
            "an edge that one photo shows is not found in the others",
            "the same edge in every photo, and nothing moved between them",
            "photograph again from both places, with the light as it is",
        )
    known_mm, apart_mm = known_heights(kind, known)
    solved = solve_scene(
        sightings_of(shots, edges),
        circles_of(edges, found.chamfers),
        heights_mm=found.heights_mm,
        u_proportion=max(shot.calibration.u_proportion for shot in shots),
        known_mm=known_mm,
        apart_mm=apart_mm,
    )
    moved = tuple(
        replace(shot, calibration=replace(shot.calibration, view=view))
        for shot, view in zip(shots, solved.views, strict=True)
    )
    return Common(moved, edges, found.chamfers, solved)


def circles_of(edges: Sequence[Edges], chamfers: Mapping[str, Chamfer]) -> tuple[LevelCircle, ...]:
    """The circles that edges show, as `multiview` takes them.

    Parameters
    ----------
    edges : sequence of dict of str to OwnEdge
        Edges by photograph and circle.
    chamfers : mapping of str to Chamfer
        What is known of the chamfer at each edge of a tube.
    """
    size: dict[str, float] = {}
    for name in dict.fromkeys(name for own in edges for name in own):
        same = [own[name] for own in edges if name in own]
        size[name] = 2.0 * float(np.mean([one.edge.circle.radius for one in same]))
    return tuple(
        LevelCircle(
            name, "girdle", GIRDLE_SHARE * size[name], GIRDLE_SHARE_U * size[name],
            u_level_mm=NEAR_U * GIRDLE_SHARE * size[name], near_share=NEAR_SHARE, far_share=FAR_SHARE,
        )
        if name == "stone"
        else LevelCircle(
            name, "top", u_level_mm=float(np.hypot(CHAMFER_LEVEL_U_MM, chamfers[name].u_below_mm)),
            above_mm=-chamfers[name].below_mm,
        )
        for name in size
    )  # fmt: skip


def sightings_of(shots: Sequence[Shot], edges: Sequence[Edges]) -> list[Sighting]:
    """The photographs with the edges that they show, as `multiview` takes them."""
    return [
        Sighting(
            seen_square(shot.calibration),
            shot.calibration.view,
            tuple(_seen(name, edge, shot.calibration.view, "outer" in own) for name, edge in own.items()),
            shot.prior,
            shot.camera,
        )
        for shot, own in zip(shots, edges, strict=True)
    ]


class Impossible(NamedTuple):
    """A height that can't be: which, where it came out, and between which it lies, millimetres."""

    name: str
    height_mm: float
    low_mm: float
    high_mm: float


def impossible_height(kind: str, solved: Solved, card_height_mm: float) -> Impossible | None:
    """A solved height at which no such thing has its edge, if there is one.

    Parameters
    ----------
    kind : str
        "stone", "tube" or "rim".
    solved : Solved
        The solution.
    card_height_mm : float
        How high above the table the card lies.
    """
    heights, covariance = solved.heights, solved.covariance
    found: list[tuple[str, float, float, tuple[float, float]]] = []
    if "top" in heights:
        found.append(("tube_top", heights["top"] + card_height_mm, solved.u("top"), TUBE_LENGTHS_MM))
    if "girdle" in heights:
        size = 2.0 * float(solved.circles["stone"][2])
        low, high = (share * size for share in (GIRDLE_ABOVE_TUBE if kind == "rim" else GIRDLE_ABOVE_TABLE))
        if kind == "rim":
            g, t = solved.names.index("girdle"), solved.names.index("top")
            u = float((covariance[g, g] + covariance[t, t] - 2.0 * covariance[g, t]) ** 0.5)
            found.append(("girdle_above_tube", heights["girdle"] - heights["top"], u, (low, high)))
        else:
            found.append(("girdle", heights["girdle"] + card_height_mm, solved.u("girdle"), (low, high)))
    for name, value, u, (low, high) in found:
        # A girdle in the tube is a chamfer's ring taken for it, one near the table a shadow's: a clear stone's, whose
        # outline on the paper is the sharper one, came out 0.10 mm high, stated 0.09. So less is allowed there.
        below = 2.0 if name == "tube_top" else 1.0
        if not low - below * u <= value <= high + 2.0 * u:
            return Impossible(name, value, low, high)
    return None


def known_heights(
    kind: str, known: Known
) -> tuple[dict[str, tuple[float, float]], dict[tuple[str, str], tuple[float, float]]]:
    """What was typed of the heights, above the card."""
    levels: dict[str, tuple[float, float]] = {}
    apart: dict[tuple[str, str], tuple[float, float]] = {}
    if known.length is not None:
        levels["top"] = (known.length.mm - known.card_height_mm, known.length.u_mm)
    if known.girdle is not None and kind == "rim":
        apart[("top", "girdle")] = (known.girdle.mm, known.girdle.u_mm)
    elif known.girdle is not None:
        levels["girdle"] = (known.girdle.mm - known.card_height_mm, known.girdle.u_mm)
    return levels, apart


def _seen(name: str, own: OwnEdge, view: View, on_tube: bool) -> SeenCircle:
    edge = own.edge
    # Neighbouring radii share pixels: about one independent point on 4 px of arc.
    arc_px = 2.0 * np.pi * edge.circle.radius * edge.px_per_mm / max(len(edge.points_px), 1)
    shared = max(1.0, 4.0 / max(arc_px, 1e-9)) ** 0.5
    return SeenCircle(
        name,
        edge.points_px,
        edge.circle.weights,
        own.outside_mm,
        max(edge.scatter_px if own.scatter_px is None else own.scatter_px, 0.05) * float(shared),
        own.u_centre_mm,
        float(np.hypot(own.u_mm * (1.0 - COMMON_SHARE[name]) ** 0.5, own.u_alone_mm)),
        OVAL_U_PX[name] / edge.px_per_mm,
        near_u_mm(view, (edge.circle.x, edge.circle.y), edge.circle.radius, on_tube) if name == "stone" else 0.0,
    )


def near_u_mm(
    view: View, centre_mm: tuple[float, float], radius_mm: float, on_tube: bool, height_mm: float = 0.0
) -> float:
    """Standard uncertainty of how far out a girdle looks where it faces the camera, millimetres.

    Parameters
    ----------
    view : View
        The camera.
    centre_mm, radius_mm
        Of the girdle.
    on_tube : bool
        It lies over a tube's end.
    height_mm : float
        Its height above the card, roughly.
    """
    slope = float(np.hypot(*view.slant(np.array([centre_mm]), height_mm)[0]))
    deep_mm = NEAR_BAND * 2.0 * GIRDLE_SHARE * radius_mm + (MIRROR_MM if on_tube else 0.0)
    return float(np.hypot(NEAR_U_PX / view.px_per_mm(centre_mm, height_mm), deep_mm * slope))


def impossible(kind: str, solved: Solved, card_height_mm: float) -> HeightImpossible:
    """The refusal of a height that can't be; see `impossible_height`."""
    found = impossible_height(kind, solved, card_height_mm)
    assert found is not None
    words = {
        "tube_top": "the tube would be {:.2f} mm long",
        "girdle": "the girdle would lie {:.2f} mm above the table",
        "girdle_above_tube": "the girdle would lie {:.2f} mm above the tube's end",
    }[found.name].format(found.height_mm)
    return HeightImpossible(
        f"from these photos {words}",
        f"a height between {found.low_mm:.2f} and {found.high_mm:.2f} mm, as such pieces have",
        "see that nothing moves between the photos but the camera, and look at each photo by itself (--out): the same "
        "edge must be read in all",
    )


def _disagreements(common: Common) -> dict[tuple[str, str], float]:
    """Largest difference between two photographs by circle and "place" or "size", over what may be."""
    found: dict[tuple[str, str], float] = {}
    for name in {name for own in common.edges for name in own}:
        of = [k for k, own in enumerate(common.edges) if name in own]
        for a in of:
            for b in of:
                if b <= a:
                    continue
                shift = common.solved.shifts[(a, name)] - common.solved.shifts[(b, name)]
                one, other = common.edges[a][name], common.edges[b][name]
                independent = (1.0 - COMMON_SHARE[name]) ** 0.5
                alone = np.hypot(one.u_alone_mm, other.u_alone_mm)
                u_size = float(np.hypot(independent * np.hypot(one.u_mm, other.u_mm), alone))
                for what, size, own in (
                    ("place", float(np.hypot(shift[0], shift[1])), float(np.hypot(one.u_centre_mm, other.u_centre_mm))),
                    ("size", abs(float(shift[2])), u_size),
                ):
                    ratio = size / max(DISAGREEING * own, DISAGREEING_MM)
                    found[(name, what)] = max(found.get((name, what), 0.0), ratio)
    return found


def _disagreement(common: Common) -> PhotosDisagree:
    """The refusal, with the worst difference in words."""
    found = _disagreements(common)
    name, what = max(found, key=lambda key: found[key])
    shifts = [shift for (_, circle), shift in common.solved.shifts.items() if circle == name]
    words = {"stone": "stone", "outer": "tube", "bore": "bore"}[name]
    if what == "size":
        return other_sizes(words, [2.0 * (common.solved.circles[name][2] + float(shift[2])) for shift in shifts])
    return other_places(words, max(float(np.hypot(*(a - b)[:2])) for a in shifts for b in shifts))
