"""Reading a subject from several photographs of the untouched scene: its height is solved, not assumed.

Each photograph is read singly first; the edges found there are solved together with the cameras (`multiview`). With
the solved heights every photograph is read again, for which edge is which may depend on the height. Where a photograph
alone doesn't show its edges, or took another edge than its fellows, the edge is looked for where the others say it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from rimsight.calibration.baseline import seen_square
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import CROWN_SHARE, GIRDLE_SHARE, GIRDLE_SHARE_U, TUBE_LENGTH_MM
from rimsight.calibration.multiview import solve_scene
from rimsight.calibration.sighting import LevelCircle, SeenCircle, Sighting, Solved
from rimsight.vision.several_edges import CIRCLES, Edges, Known, OwnEdge, Reading, Shot, followed, own_edges, read_all

#: Share of the variance of an edge's radius that photographs of one scene have in common: a chamfer too narrow to show,
#: the girdle's own facets. 68 pairs of edges of rendered scenes, located round the true ones, shared 0.37 (stone), 0.25
#: (outer) and 0.69 (bore; `tests.bench.several`); where another edge may be read, as chamfers make it, more is common.
COMMON_SHARE = {"stone": 0.5, "outer": 0.5, "bore": 0.7}
#: Standard uncertainty of a coordinate of an edge's centre over that of its radius, from the same edges: what pulls an
#: edge outwards on one side shifts the centre as much as it widens the circle. Of centres photographs share nothing.
CENTRE_OVER_RADIUS = {"stone": 1.0, "outer": 1.4, "bore": 0.8}
#: A tube's edges lie below its face by a chamfer's height, standard uncertainty, millimetres.
CHAMFER_LEVEL_U_MM = 0.03
#: Photographs disagree when a circle's centre or radius differs by this many standard uncertainties of the difference,
#: and by this much, millimetres.
DISAGREEING, DISAGREEING_MM = 4.0, 0.02
#: Heights that can be, as shares of a stone's diameter: a girdle above the table, and above the end of a tube; a tube's
#: end above the table, millimetres. What leads out of these ranges is something moved, or another edge.
GIRDLE_ABOVE_TABLE, GIRDLE_ABOVE_TUBE, TUBE_LENGTHS_MM = (0.05, 0.35), (-0.01, 0.5), (0.0, 60.0)
#: A girdle solved this near to the height at which it was looked for, as a share of the diameter, is not read again.
NEAR_SHARE = 0.05
#: Stands for a disagreement without a size.
IMPOSSIBLE = 1e3


@dataclass(frozen=True)
class Common:
    """A scene solved from several photographs.

    Parameters
    ----------
    shots : tuple of Shot
        The photographs, each with its solved view.
    readings : tuple of Reading or None
        Each photograph's own reading at the solved heights; None where it gives none by itself.
    edges : tuple of dict of str to OwnEdge
        The edges that were solved, by photograph and circle.
    solved : Solved
        The solution.
    """

    shots: tuple[Shot, ...]
    readings: tuple[Reading | None, ...]
    edges: tuple[Edges, ...]
    solved: Solved


class HeightImpossible(PhotoError):
    """The photographs lead to a height that can't be."""

    kind = "height_impossible"


class PhotosDisagree(PhotoError):
    """What the photographs show of one edge can't be one circle at one height."""

    kind = "photos_disagree"


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
        No photograph shows the subject by itself, or they don't agree.
    """
    readings, failures = read_all(kind, shots, known, {})
    led = [k for k, reading in enumerate(readings) if reading is not None]
    if not led:
        raise next(failure for failure in failures if failure is not None)
    edges = tuple(own_edges(kind, shot, reading) for shot, reading in zip(shots, readings, strict=True))
    common, _ = _agreeing(kind, shots, known, readings, edges, None)
    heights = common.solved.heights
    shots = common.shots
    if _settled(kind, common, known):
        return common
    readings, _ = read_all(kind, shots, known, heights)
    edges = tuple(own_edges(kind, shot, reading) for shot, reading in zip(shots, readings, strict=True))
    if not any(edges):
        return common
    again, _ = _agreeing(kind, shots, known, readings, edges, heights)
    if any(reading is not None for reading in again.readings):
        return again
    return replace(again, readings=common.readings)


def _settled(kind: str, common: Common, known: Known) -> bool:
    """Whether reading again at the solved heights could not change which edge is which.

    A level circle is one in every level plane, so a tube's end is read alike at any height. A girdle's short wall is
    near enough if it was looked for near its height; a rim's two edges shift against each other.
    """
    if kind == "rim" or any(reading is None for reading in common.readings):
        return False
    if kind == "tube":
        return True
    size = 2.0 * float(common.solved.circles["stone"][2])
    assumed = known.girdle.mm if known.girdle is not None else (CROWN_SHARE + 0.5 * GIRDLE_SHARE) * size
    return abs(common.solved.heights["girdle"] + known.card_height_mm - assumed) < NEAR_SHARE * size


def _agreeing(
    kind: str,
    shots: tuple[Shot, ...],
    known: Known,
    readings: tuple[Reading | None, ...],
    edges: tuple[Edges, ...],
    heights: Mapping[str, float] | None,
) -> tuple[Common, float]:
    """The solution in which the photographs agree: as each was read, else as one of them leads the others."""
    needed = CIRCLES[kind][: 1 if kind == "tube" else 2]
    tried: list[tuple[Common, float]] = []
    if all(name in own for own in edges for name in needed):
        tried.append(_solved(kind, shots, known, readings, _shared(edges), heights))
        if tried[0][1] <= 1.0:
            return tried[0]
    failure: PhotoError | None = None
    for k, own in enumerate(edges):
        if not all(name in own for name in needed):
            continue
        try:
            led = followed(kind, shots, known, k, edges, heights)
        except PhotoError as error:
            failure = failure or error
            continue
        tried.append(_solved(kind, shots, known, readings, _shared(led), heights))
    good = [item for item in tried if item[1] <= 1.0]
    if good:
        return max(good, key=lambda item: _merit(item[0]))
    if tried:
        common, worst = min(tried, key=lambda item: item[1])
        if worst < IMPOSSIBLE:
            raise _disagreement(common)
        raise impossible(kind, common.solved, known.card_height_mm)
    assert failure is not None
    raise failure


def _merit(common: Common) -> float:
    """How well the edges show, all in all."""
    return float(np.mean([own.edge.merit for edges in common.edges for own in edges.values()]))


def _shared(edges: tuple[Edges, ...]) -> tuple[Edges, ...]:
    """Without circles that only one photograph shows."""
    count = {name: sum(name in own for own in edges) for own in edges for name in own}
    return tuple({name: edge for name, edge in own.items() if count[name] > 1} for own in edges)


# --- solving them together --------------------------------------------------------------------------------------------


def _solved(
    kind: str,
    shots: tuple[Shot, ...],
    known: Known,
    readings: tuple[Reading | None, ...],
    edges: tuple[Edges, ...],
    heights: Mapping[str, float] | None,
) -> tuple[Common, float]:
    """The common solution, and its worst disagreement: 1 is the limit."""
    names = [name for name in CIRCLES[kind] if any(name in own for own in edges)]
    size = {
        name: 2.0 * float(np.mean([own[name].edge.circle.radius for own in edges if name in own])) for name in names
    }
    circles = tuple(
        LevelCircle(name, "girdle", GIRDLE_SHARE * size[name], GIRDLE_SHARE_U * size[name])
        if name == "stone"
        else LevelCircle(name, "top", u_level_mm=CHAMFER_LEVEL_U_MM)
        for name in names
    )
    sightings = [
        Sighting(
            seen_square(shot.calibration),
            shot.calibration.view,
            tuple(_seen(name, edge) for name, edge in own.items()),
            shot.prior,
            shot.camera,
        )
        for shot, own in zip(shots, edges, strict=True)
    ]
    start = dict(heights) if heights else _start(kind, size, known)
    known_mm, apart_mm = _known(kind, known)
    solved = solve_scene(
        sightings,
        circles,
        heights_mm=start,
        u_proportion=max(shot.calibration.u_proportion for shot in shots),
        known_mm=known_mm,
        apart_mm=apart_mm,
    )
    moved = tuple(
        replace(shot, calibration=replace(shot.calibration, view=view))
        for shot, view in zip(shots, solved.views, strict=True)
    )
    common = Common(moved, readings, edges, solved)
    if impossible_height(kind, solved, known.card_height_mm) is not None:
        return common, IMPOSSIBLE
    return common, max(_disagreements(common).values(), default=0.0)


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
        if not low - 2.0 * u <= value <= high + 2.0 * u:
            return Impossible(name, value, low, high)
    return None


def _known(
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


def _start(kind: str, size: Mapping[str, float], known: Known) -> dict[str, float]:
    top = (known.length.mm if known.length is not None else TUBE_LENGTH_MM) - known.card_height_mm
    if kind == "tube":
        return {"top": top}
    if kind == "rim":
        return {"top": top, "girdle": top + 0.1 * size["stone"]}
    return {"girdle": CROWN_SHARE * size["stone"] - known.card_height_mm}


def _seen(name: str, own: OwnEdge) -> SeenCircle:
    edge = own.edge
    # Neighbouring radii share pixels: about one independent point on 4 px of arc.
    arc_px = 2.0 * np.pi * edge.circle.radius * edge.px_per_mm / max(len(edge.points_px), 1)
    shared = max(1.0, 4.0 / max(arc_px, 1e-9)) ** 0.5
    return SeenCircle(
        name,
        edge.points_px,
        edge.circle.weights,
        own.outside_mm,
        max(edge.scatter_px, 0.05) * float(shared),
        CENTRE_OVER_RADIUS[name] * own.u_mm,
        own.u_mm * (1.0 - COMMON_SHARE[name]) ** 0.5,
    )


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
                u = float(np.hypot(common.edges[a][name].u_mm, common.edges[b][name].u_mm))
                independent = (1.0 - COMMON_SHARE[name]) ** 0.5
                for what, size, own in (
                    ("place", float(np.hypot(shift[0], shift[1])), CENTRE_OVER_RADIUS[name] * u),
                    ("size", abs(float(shift[2])), independent * u),
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
        sizes = [2.0 * (common.solved.circles[name][2] + shift[2]) for shift in shifts]
        return PhotosDisagree(
            f"the {words} is {min(sizes):.2f} mm wide in one photo and {max(sizes):.2f} mm in another",
            "photos of one untouched scene, in which the same edge is seen",
            "look at each photo by itself (--out): another edge may be read in one of them; else photograph both again",
        )
    apart = max(float(np.hypot(*(a - b)[:2])) for a in shifts for b in shifts)
    return PhotosDisagree(
        f"at no height do the photos agree on where the {words} is: {apart:.2f} mm are left",
        "a scene that nobody touched between the photos, and a card that lies still and flat",
        "move only the camera: put the phone on a support, or take both photos again",
    )
