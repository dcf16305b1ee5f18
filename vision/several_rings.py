"""Rings that several photographs show of one level circle, found without knowing its height.

A level circle is a circle in every level plane, so rings can be found in any. Where a ring of one photograph and a ring
of another are one circle, there is a height at which both have one centre and one radius: two equations more than
unknowns, which tell the edges of a tube's end from its foot, from reflections and from shadows. At a height found so,
the photographs are then searched together: an edge that is faint in each adds up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.vision.fields import colour_crests
from rimsight.vision.outline import HeightRule, RoundEdge, level, measure_edge, ring_circle
from rimsight.vision.polar import RADIAL_STEP_PX, PolarMap, unroll
from rimsight.vision.rings import strongest_rings
from rimsight.vision.several_edges import Shot

FloatArray = NDArray[np.float64]

#: Two photographs' rings are as likely as not one circle when centre or radius differ by this, pixels (one standard
#: uncertainty: a chamfer's other edge, or points pulled by a shadow).
MATCH_PX = 0.8
#: Combinations are followed, and told of in a refusal, if they differ by no more than a few times this, pixels.
LOOSE_PX = 6.0
#: Rings of one photograph that are matched at most, and the best combinations that are followed into the next.
MOST_RINGS, MOST_COMBINATIONS = 10, 40
#: Smallest mean support over the photographs, 0 to 1, of a ring found in all together.
SMALLEST_SUPPORT = 0.15
#: Rings nearer together than this are one, pixels.
SAME_PX = 0.6


@dataclass(frozen=True)
class Matched:
    """One ring of every photograph, and the level circle that they are together.

    Parameters
    ----------
    rings : tuple of int
        Which ring of each photograph.
    height_mm, radius_mm : float
        Height above the card and radius.
    centre_mm : ndarray of shape (2,)
        Centre, card millimetres.
    score : float
        Geometric mean of the rings' merits, less for centres and radii that differ.
    merit : float
        That mean.
    apart_mm : float
        Largest distance of a photograph's centre from the mean one at this height.
    radii_mm : tuple of float
        Each photograph's radius at this height.
    """

    rings: tuple[int, ...]
    height_mm: float
    radius_mm: float
    centre_mm: FloatArray
    score: float
    merit: float
    apart_mm: float
    radii_mm: tuple[float, ...]


@dataclass(frozen=True)
class LevelRing:
    """A ring at one height, measured in every photograph.

    Parameters
    ----------
    edges : tuple of RoundEdge or None
        The edge in each photograph; None where no circle fits.
    centre_mm : ndarray of shape (2,)
        Common centre, card millimetres.
    radius_mm : float
        Common radius.
    merit : float
        Mean merit; photographs that don't show it count 0.
    """

    edges: tuple[RoundEdge | None, ...]
    centre_mm: FloatArray
    radius_mm: float
    merit: float

    def on(self, circle: FloatArray) -> LevelRing:
        """The same expected on another circle: centre x, y and radius."""
        return replace(self, centre_mm=np.asarray(circle[:2]), radius_mm=float(circle[2]))


def lifted(
    view: View, centre_mm: FloatArray, radius_mm: float, from_mm: float, to_mm: float
) -> tuple[FloatArray, float]:
    """The level circle at another height that covers the same pixels.

    Parameters
    ----------
    view : View
        Geometry of the photograph.
    centre_mm : ndarray of shape (2,)
        Centre, card millimetres.
    radius_mm : float
        Radius.
    from_mm, to_mm : float
        Its height, and the other one.

    Returns
    -------
    centre_mm : ndarray of shape (2,)
    radius_mm : float
    """
    foot = view.position_mm[:2]
    share = (view.distance_mm - to_mm) / (view.distance_mm - from_mm)
    return foot + (np.asarray(centre_mm) - foot) * share, radius_mm * share


def matched(
    views: Sequence[View], rings: Sequence[Sequence[tuple[float, RoundEdge]]], plane_mm: float
) -> list[Matched]:
    """Combinations of one ring of every photograph by how well they are one level circle, the best first.

    Parameters
    ----------
    views : sequence of View
        Geometry of the photographs.
    rings : sequence of sequence of (float, RoundEdge)
        Rings of each photograph with their merits, measured in one plane.
    plane_mm : float
        Height of that plane.
    """
    lines = [
        [_Line.of(view, edge, merit, plane_mm) for merit, edge in sorted(own, key=lambda item: -item[0])[:MOST_RINGS]]
        for view, own in zip(views, rings, strict=True)
    ]
    numbers = [np.argsort([-merit for merit, _ in own])[:MOST_RINGS] for own in rings]
    found: list[tuple[int, ...]] = [(k,) for k in range(len(lines[0]))]
    for own in range(1, len(lines)):
        tried = [(*few, k) for few, k in product(found, range(len(lines[own])))]
        tried.sort(key=lambda few: -_meet([lines[v][k] for v, k in enumerate(few)]).loose)
        found = tried[:MOST_COMBINATIONS]
    matches = []
    for few in found:
        met = _meet([lines[v][k] for v, k in enumerate(few)])
        own_numbers = tuple(int(numbers[v][k]) for v, k in enumerate(few))
        matches.append(
            Matched(
                own_numbers, met.height_mm, float(np.mean(met.radii_mm)), met.centre_mm, met.score, met.merit,
                met.apart_mm, tuple(float(radius) for radius in met.radii_mm),
            )
        )  # fmt: skip
    return sorted(matches, key=lambda one: -one.score)


@dataclass(frozen=True)
class _Line:
    """A ring as height goes up: centre and radius at the card, and their change for each millimetre."""

    centre: FloatArray
    slope: FloatArray
    radius: float
    shrink: float
    px_per_mm: float
    merit: float

    @classmethod
    def of(cls, view: View, edge: RoundEdge, merit: float, plane_mm: float) -> _Line:
        low, large = lifted(view, edge.circle.centre, edge.circle.radius, plane_mm, 0.0)
        high, small = lifted(view, edge.circle.centre, edge.circle.radius, plane_mm, 1.0)
        return cls(low, high - low, large, small - large, edge.px_per_mm, merit)


class _Meeting(NamedTuple):
    """Where rings come nearest to each other as height goes up."""

    height_mm: float
    centre_mm: FloatArray
    radii_mm: FloatArray
    apart_mm: float
    merit: float
    score: float
    loose: float


def _meet(lines: Sequence[_Line]) -> _Meeting:
    """Height at which the rings' centres lie nearest together, and what is left there."""
    start = np.array([line.centre for line in lines])
    slope = np.array([line.slope for line in lines])
    apart, change = (start - start.mean(axis=0)).ravel(), (slope - slope.mean(axis=0)).ravel()
    height = -float(apart @ change) / max(float(change @ change), 1e-12)
    centres = start + height * slope
    radii = np.array([line.radius + height * line.shrink for line in lines])
    px = float(np.mean([line.px_per_mm for line in lines]))
    off = float(np.hypot(*(centres - centres.mean(axis=0)).T).max())
    left = px**2 * (off**2 + (0.5 * float(np.ptp(radii))) ** 2)
    merit = float(np.exp(np.mean([np.log(max(line.merit, 1e-6)) for line in lines])))
    score, loose = (merit * float(np.exp(-0.5 * left / u**2)) for u in (MATCH_PX, LOOSE_PX))
    return _Meeting(height, centres.mean(axis=0), radii, off, merit, score, loose)


def level_rings(
    shots: Sequence[Shot],
    centre_mm: FloatArray,
    height_mm: float,
    range_mm: tuple[float, float],
    *,
    largest_shift_mm: float,
    most: int = 8,
    rule: HeightRule | None = None,
) -> list[LevelRing]:
    """Rings at one height that the photographs show together, the best first.

    Parameters
    ----------
    shots : sequence of Shot
        The photographs.
    centre_mm : ndarray of shape (2,)
        Rough centre, card millimetres.
    height_mm : float
        Height above the card.
    range_mm : (float, float)
        Smallest and largest radius.
    largest_shift_mm : float
        How far a ring's centre may lie from the rough one.
    most : int
        How many at most.
    rule : callable, optional
        Height of each point of the edge; default level.
    """
    maps = _same_grid(shots, centre_mm, height_mm, range_mm)
    noises: list[dict[str, float]] = [{} for _ in shots]
    crests = np.mean(
        [
            colour_crests(polar, max(shot.calibration.blur_px, 0.5), noise=noise)
            for polar, shot, noise in zip(maps, shots, noises, strict=True)
        ],
        axis=0,
    )
    found: list[LevelRing] = []
    for ring in strongest_rings(
        crests, maps[0], largest_shift_mm=largest_shift_mm, smallest_support=SMALLEST_SUPPORT, most=most
    ):
        centre, radius = ring_circle(np.asarray(centre_mm), ring)
        own = measured(shots, centre, radius, height_mm, rule, [noise["luminance"] for noise in noises])
        if own is None:
            continue
        near = [
            k for k, other in enumerate(found)
            if max(abs(other.radius_mm - own.radius_mm), *np.abs(other.centre_mm - own.centre_mm)) * maps[0].px_per_mm
            < SAME_PX
        ]  # fmt: skip
        if not near:
            found.append(own)
        elif own.merit > found[near[0]].merit:
            found[near[0]] = own
    return sorted(found, key=lambda ring: -ring.merit)


def measured(
    shots: Sequence[Shot],
    centre_mm: FloatArray,
    radius_mm: float,
    height_mm: float,
    rule: HeightRule | None = None,
    noises: Sequence[float] | None = None,
) -> LevelRing | None:
    """Measure a level circle's edge in every photograph; None where none shows it."""
    edges: list[RoundEdge | None] = []
    for k, shot in enumerate(shots):
        try:
            edge = measure_edge(
                shot.image, shot.calibration.view, centre_mm, radius_mm, rule or level(height_mm), height_mm,
                max(shot.calibration.blur_px, 0.5), noise=noises[k] if noises else None,
            )  # fmt: skip
        except ValueError:
            edges.append(None)
            continue
        edges.append(edge)
    seen = [edge for edge in edges if edge is not None]
    if not seen:
        return None
    weights = np.array([edge.merit for edge in seen]) + 1e-6
    weights /= weights.sum()
    centre = np.asarray(sum(w * edge.circle.centre for w, edge in zip(weights, seen, strict=True)))
    radius = float(sum(w * edge.circle.radius for w, edge in zip(weights, seen, strict=True)))
    return LevelRing(tuple(edges), centre, radius, sum(edge.merit for edge in seen) / len(edges))


def meeting_height(shots: Sequence[Shot], rings: Sequence[LevelRing], plane_mm: float) -> float:
    """Height at which rings, measured at another, have one centre in all photographs; the mean over the rings."""
    heights, weights = [], []
    for ring in rings:
        lines = [
            _Line.of(shot.calibration.view, edge, edge.merit, plane_mm)
            for shot, edge in zip(shots, ring.edges, strict=True)
            if edge is not None
        ]
        if len(lines) > 1:
            met = _meet(lines)
            heights.append(met.height_mm)
            weights.append(met.score + 1e-9)
    return float(np.average(heights, weights=weights)) if heights else plane_mm


def met(shots: Sequence[Shot], ring: LevelRing, plane_mm: float) -> Matched | None:
    """A ring measured at one height as the level circle that it is; None where one photograph alone shows it."""
    seen = [k for k, edge in enumerate(ring.edges) if edge is not None]
    if len(seen) < 2:
        return None
    views = [shots[k].calibration.view for k in seen]
    found = matched(views, [[(edge.merit, edge)] for edge in ring.edges if edge is not None], plane_mm)
    return found[0]


def _same_grid(
    shots: Sequence[Shot], centre_mm: FloatArray, height_mm: float, range_mm: tuple[float, float]
) -> list[PolarMap]:
    """Maps of all photographs on the same radii."""
    x, y = (float(value) for value in centre_mm)
    scales = [shot.calibration.view.px_per_mm((x, y), height_mm) for shot in shots]
    step_mm = RADIAL_STEP_PX / max(scales)
    low = max(range_mm[0], 2.0 * step_mm)
    maps = [
        unroll(
            shot.image, shot.calibration.view, centre_mm, height_mm, low, range_mm[1], angles=360,
            step_px=step_mm * scale,
        )
        for shot, scale in zip(shots, scales, strict=True)
    ]  # fmt: skip
    count = min(len(polar.radii_mm) for polar in maps)
    return [
        PolarMap(m.centre_mm, m.height_mm, m.angles, m.radii_mm[:count], m.rgb[:, :count], m.px_per_mm) for m in maps
    ]
