"""The edges of a subject in each of several photographs: as each shows them, or as another one leads to them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import GIRDLE_SHARE, TUBE_LENGTH_MM, TUBE_LENGTH_U_MM, Height
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.pose import Prior
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.outline import HeightRule, RoundEdge, level, measure_edge, wall
from rimsight.vision.rim import RimReading, read_rim
from rimsight.vision.stone import StoneReading, read_stone
from rimsight.vision.tube import TubeReading, read_tube

FloatArray = NDArray[np.float64]
Reading = StoneReading | TubeReading | RimReading

#: Circles of each kind of subject that every photograph must show, the one that leads the search first; the bore is
#: used where it is seen.
CIRCLES = {"stone": ("stone",), "tube": ("outer", "bore"), "rim": ("outer", "stone")}
LEVEL = {"outer": "top", "bore": "top", "stone": "girdle"}
#: Heights at which an edge is looked for that one photograph doesn't show by itself, millimetres, and as shares of a
#: stone's diameter on the table and above a tube's end.
TUBE_RANGE_MM = (0.5, 16.0)
TABLE_RANGE, SEAT_RANGE = (0.03, 0.32), (-0.02, 0.35)
#: Steps of that search: the edge moves by this much, pixels. How far from its place an edge may lie (the width of a
#: Gaussian), while heights are tried and when the best one has been refined.
SEARCH_STEP_PX = 1.2
NEAR_PX, REFINED_PX = 1.2, 0.7
REFINEMENTS = 2
#: An edge that was looked for must show at least this well, and on this much of the round. Less than what a single
#: photograph asks of an edge: here another one says where it must be and how wide.
LED_MERIT, LED_COVERAGE_DEG = 0.2, 180.0


@dataclass(frozen=True)
class Shot:
    """One of several photographs of a scene.

    Parameters
    ----------
    name : str
        The photograph, for messages.
    image : LightImage
        Its light.
    calibration : Calibration
        Its geometry, with the view that all photographs together give.
    prior : Prior
        What was known of its camera beforehand.
    camera : int
        Photographs of the same number were taken by one camera.
    candidate : Candidate
        Where the subject lies.
    """

    name: str
    image: LightImage
    calibration: Calibration
    prior: Prior
    camera: int
    candidate: Candidate


@dataclass(frozen=True)
class Known:
    """What was typed, millimetres.

    Parameters
    ----------
    length : Height or None
        Length of the tube.
    girdle : Height or None
        Height of the girdle: above the table (stone) or above the tube's end (rim).
    bore, wall : uncertainties.UFloat or None
        Of the tube.
    card_height_mm : float
        How high above the table the card lies.
    """

    length: Height | None = None
    girdle: Height | None = None
    bore: UFloat | None = None
    wall: UFloat | None = None
    card_height_mm: float = 0.0


@dataclass(frozen=True)
class OwnEdge:
    """One circle's edge in one photograph.

    Parameters
    ----------
    edge : RoundEdge
        The edge.
    outside_mm : float
        How much further out the true edge lies than the points, as the single photograph's reading says.
    u_mm : float
        Standard uncertainty of the radius by how well the edge can be located.
    """

    edge: RoundEdge
    outside_mm: float
    u_mm: float


Edges = dict[str, OwnEdge]


class EdgeNotFollowed(PhotoError):
    """An edge that one photograph shows isn't found in the others."""

    kind = "edge_not_followed"


# --- reading single photographs ---------------------------------------------------------------------------------------


def read_all(
    kind: str, shots: tuple[Shot, ...], known: Known, heights: Mapping[str, float]
) -> tuple[tuple[Reading | None, ...], list[PhotoError | None]]:
    """Each photograph's own reading, or why it has none; at these heights above the card where they are known."""
    readings: list[Reading | None] = []
    failures: list[PhotoError | None] = []
    for shot in shots:
        try:
            readings.append(_READ[kind](shot, known, heights))
            failures.append(None)
        except PhotoError as error:
            readings.append(None)
            failures.append(error)
    return tuple(readings), failures


def _own(shot: Shot) -> Calibration:
    # Here only edges are asked for: what moves view and heights is solved for all photographs together.
    return replace(shot.calibration, variants=())


def _solved_height(heights: Mapping[str, float], name: str, add_mm: float, otherwise: Height | None) -> Height | None:
    if name not in heights:
        return otherwise
    return Height(heights[name] + add_mm, 0.0, "solved from several photos")


def _read_stone(shot: Shot, known: Known, heights: Mapping[str, float]) -> Reading:
    girdle = _solved_height(heights, "girdle", known.card_height_mm, known.girdle)
    return read_stone(shot.image, _own(shot), shot.candidate, girdle=girdle, card_height_mm=known.card_height_mm)


def _read_tube(shot: Shot, known: Known, heights: Mapping[str, float]) -> Reading:
    return read_tube(shot.image, _own(shot), shot.candidate, _top(known, heights), card_height_mm=known.card_height_mm)


def _read_rim(shot: Shot, known: Known, heights: Mapping[str, float]) -> Reading:
    above = known.girdle
    if heights:
        above = Height(max(heights["girdle"] - heights["top"], 0.0), 0.0, "solved from several photos")
    return read_rim(
        shot.image, _own(shot), shot.candidate, _top(known, heights), bore_mm=known.bore, wall_mm=known.wall,
        girdle_above=above, card_height_mm=known.card_height_mm,
    )  # fmt: skip


def _top(known: Known, heights: Mapping[str, float]) -> Height:
    usual = Height(TUBE_LENGTH_MM, TUBE_LENGTH_U_MM, "default: tubes of 3 to 12 mm")
    height = _solved_height(heights, "top", known.card_height_mm, known.length or usual)
    assert height is not None
    return height


_READ: dict[str, Callable[[Shot, Known, Mapping[str, float]], Reading]] = {
    "stone": _read_stone, "tube": _read_tube, "rim": _read_rim,
}  # fmt: skip


def figures_of(reading: Reading) -> dict[str, tuple[RoundEdge, UFloat]]:
    """The circles of a reading by name: edge and diameter."""
    if isinstance(reading, StoneReading):
        return {"stone": (reading.edge, reading.diameter)}
    if isinstance(reading, RimReading):
        return {
            "outer": (reading.tube_edge, reading.outer),
            "stone": (reading.stone_edge, reading.stone_diameter),
        }
    found = {"outer": (reading.outer_edge, reading.outer)}
    if reading.bore is not None and reading.bore_edge is not None:
        found["bore"] = (reading.bore_edge, reading.bore)
    return found


def own_edges(kind: str, shot: Shot, reading: Reading | None) -> Edges:
    """The edges of a photograph's own reading, with its correction and its doubt."""
    if reading is None:
        return {}
    found = {}
    for name, (edge, diameter) in figures_of(reading).items():
        plain = 2.0 * edge.refit(shot.calibration.view).radius
        u = part_of(diameter, "edge")
        found[name] = OwnEdge(edge, 0.5 * (diameter.nominal_value - plain), 0.5 * u)
    return {name: found[name] for name in CIRCLES[kind] if name in found}


def part_of(x: UFloat, tag: str) -> float:
    """Standard uncertainty that the variables of one name in the budget contribute."""
    return float(sum(u**2 for variable, u in x.error_components().items() if variable.tag == tag) ** 0.5)


# --- following an edge into another photograph ------------------------------------------------------------------------


def followed(
    kind: str,
    shots: tuple[Shot, ...],
    known: Known,
    leader: int,
    edges: tuple[Edges, ...],
    heights: Mapping[str, float] | None,
) -> tuple[Edges, ...]:
    """The leader's edges, looked for in the other photographs where a common height puts them."""
    lead, found = edges[leader], []
    for k, shot in enumerate(shots):
        if k == leader:
            found.append(lead)
            continue
        own: Edges = {}
        at = dict(heights or {})
        for name in CIRCLES[kind]:
            if name not in lead:
                continue
            best = _follow(kind, name, shots[leader], lead[name], shot, known, at, fixed=name == "bore")
            if best is None:
                if name == "bore":
                    continue
                raise EdgeNotFollowed(
                    f"the {'tube' if name == 'outer' else 'stone'}'s edge that {shots[leader].name} shows is not "
                    f"found in {shot.name} at any height",
                    "the same edge in every photo, and nothing moved between them",
                    "photograph again from both places, with the light as it is",
                )
            own[name], at[LEVEL[name]] = best
        found.append(own)
    return tuple(found)


def _follow(
    kind: str,
    name: str,
    leader: Shot,
    lead: OwnEdge,
    shot: Shot,
    known: Known,
    at: Mapping[str, float],
    *,
    fixed: bool,
) -> tuple[OwnEdge, float] | None:
    """The edge in another photograph, and the height at which it is where the leader says; None if there is none."""
    start = at.get(LEVEL[name])
    view, other = leader.calibration.view, shot.calibration.view
    centre = lead.edge.circle.centre
    apart = float(np.hypot(*(view.slant(centre[None])[0] - other.slant(centre[None])[0])))
    step = SEARCH_STEP_PX / max(apart * lead.edge.px_per_mm, 1.0)
    if fixed and start is not None:
        tried = np.array([start])
    elif start is not None:
        tried = start + step * np.arange(-2, 3)
    else:
        low, high = _range(kind, name, 2.0 * lead.edge.circle.radius, known, at)
        tried = np.arange(low, high + step, step)
    tries = [found for height in tried if (found := _try(name, leader, lead, shot, float(height), NEAR_PX)) is not None]
    best = max(tries, key=lambda found: found.score, default=None)
    for _ in range(REFINEMENTS if best is not None and not fixed else 0):
        assert best is not None
        way = other.slant(centre[None])[0] - view.slant(centre[None])[0]
        # Where the edge lies beside its place, along the way that height moves it, is what the height is wrong by.
        wrong = float(best.beside_mm @ way / max(float(way @ way), 1e-9))
        refined = _try(name, leader, lead, shot, best.height_mm - wrong, REFINED_PX)
        if refined is None:
            break
        best = refined
    if best is None or best.score < LED_MERIT:
        return None
    worse = max(best.edge.scatter_px / max(lead.edge.scatter_px, 0.05), 1.0)
    return OwnEdge(best.edge, lead.outside_mm, lead.u_mm * worse), best.height_mm


class _Try(NamedTuple):
    """An edge looked for at one height."""

    score: float
    edge: RoundEdge
    height_mm: float
    beside_mm: FloatArray


def _try(name: str, leader: Shot, lead: OwnEdge, shot: Shot, height_mm: float, near_px: float) -> _Try | None:
    """The edge in another photograph where this height puts it; None if there is none on enough of the round."""
    rule = _rule(name, height_mm, 2.0 * lead.edge.circle.radius)
    circle = lead.edge.refit(leader.calibration.view, rule)
    blur = max(shot.calibration.blur_px, 0.5)
    try:
        edge = measure_edge(shot.image, shot.calibration.view, circle.centre, circle.radius, rule, height_mm, blur)
    except ValueError:
        return None
    if edge.coverage_deg < LED_COVERAGE_DEG:
        return None
    beside = edge.circle.centre - circle.centre
    # Merit for how well it shows, less for lying elsewhere or being wider than this height says.
    off = float(np.hypot(np.hypot(*beside), edge.circle.radius - circle.radius)) * edge.px_per_mm
    return _Try(edge.merit * float(np.exp(-0.5 * (off / near_px) ** 2)), edge, height_mm, beside)


def _range(kind: str, name: str, diameter_mm: float, known: Known, at: Mapping[str, float]) -> tuple[float, float]:
    """Between which heights above the card a circle may lie."""
    if name == "stone" and kind == "rim":
        return at["top"] + SEAT_RANGE[0] * diameter_mm, at["top"] + SEAT_RANGE[1] * diameter_mm
    if name == "stone":
        low, high = (share * diameter_mm - known.card_height_mm for share in TABLE_RANGE)
        return low, high
    if known.length is not None:
        middle = known.length.mm - known.card_height_mm
        return middle - 0.5, middle + 0.5
    return TUBE_RANGE_MM[0] - known.card_height_mm, TUBE_RANGE_MM[1] - known.card_height_mm


def _rule(name: str, height_mm: float, diameter_mm: float) -> HeightRule:
    if name != "stone":
        return level(height_mm)
    half = 0.5 * GIRDLE_SHARE * diameter_mm
    return wall(height_mm - half, height_mm + half)
