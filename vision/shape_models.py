"""Outlines of cut stones as curves of a few parameters, each made of smooth parts that may meet in corners.

The curves are plain geometry: superellipse (oval, cushion), two arcs (marquise), half an ellipse with two arcs
(pear), rectangle with cut corners, triangle with bulging sides and cut tips. All in millimetres, card coordinates
(x right, y down); parts follow each other clockwise as seen in the photograph.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Points (N, 2) of part `part` at shares t (N,) of its way, 0 to 1.
Part = Callable[[FloatArray, int, FloatArray], FloatArray]

#: Steps of a part by which its length is taken.
FINE_STEPS = 180
#: Which of a triangle's parameters is the cut of its tips.
CUT = 7
#: Two parts whose directions differ by less than this run on smoothly, degrees.
SMOOTH_DEG = 8.0


@dataclass(frozen=True)
class Family:
    """A kind of outline.

    Parameters
    ----------
    name : str
        "round", "superellipse", "marquise", "pear", "rectangle" or "triangle".
    parts : int
        Number of its smooth parts.
    point : callable
        Parameters (P,), part, shares (N,) to points (N, 2).
    lower, upper : ndarray of shape (P,)
        Bounds of the parameters, as shares of the size for lengths; infinite for place and turn.
    """

    name: str
    parts: int
    point: Part
    lower: FloatArray
    upper: FloatArray

    def clipped(self, parameters: FloatArray) -> FloatArray:
        """The parameters moved into their bounds."""
        return np.clip(parameters, self.lower, self.upper)


def _placed(local: FloatArray, x: float, y: float, turn: float) -> FloatArray:
    c, s = np.cos(turn), np.sin(turn)
    return np.column_stack([x + c * local[:, 0] - s * local[:, 1], y + s * local[:, 0] + c * local[:, 1]])


def _round(p: FloatArray, part: int, t: FloatArray) -> FloatArray:
    """x, y, radius."""
    a = 2 * np.pi * t
    return np.column_stack([p[0] + p[2] * np.cos(a), p[1] + p[2] * np.sin(a)])


def _superellipse(p: FloatArray, part: int, t: FloatArray) -> FloatArray:
    """x, y, turn, half length, half width, exponent."""
    a = 2 * np.pi * t
    c, s = np.cos(a), np.sin(a)
    # By direction rather than by the usual powers of sine and cosine: points spread evenly for any exponent.
    reach = (np.abs(c) ** p[5] + np.abs(s) ** p[5]) ** (-1.0 / p[5])
    return _placed(np.column_stack([p[3] * reach * c, p[4] * reach * s]), p[0], p[1], p[2])


def _marquise(p: FloatArray, part: int, t: FloatArray) -> FloatArray:
    """x, y, turn, half length, half width; part 0 runs from the right tip below to the left one (y down)."""
    a, b = p[3], p[4]
    radius = (a**2 + b**2) / (2 * b)
    reach = np.arcsin(min(a / radius, 1.0)) if b <= a else np.pi / 2
    turn = reach * (1.0 - 2.0 * t)
    local = np.column_stack([radius * np.sin(turn), b - radius + radius * np.cos(turn)])
    return _placed(local if part == 0 else -local, p[0], p[1], p[2])


def _pear(p: FloatArray, part: int, t: FloatArray) -> FloatArray:
    """x, y, turn, half width, length of the round end, length of the pointed end.

    The origin is where the pear is widest, its point lies along +x.
    """
    a, blunt, reach = p[3], p[4], p[5]
    radius = (a**2 + reach**2) / (2 * a)
    full = np.arcsin(min(reach / radius, 1.0))
    if part == 0:  # from the point along +y to the widest place
        turn = full * (1.0 - t)
        local = np.column_stack([radius * np.sin(turn), a - radius + radius * np.cos(turn)])
    elif part == 1:
        turn = np.pi / 2 + np.pi * t
        local = np.column_stack([blunt * np.cos(turn), a * np.sin(turn)])
    else:
        turn = full * t
        local = np.column_stack([radius * np.sin(turn), -(a - radius + radius * np.cos(turn))])
    return _placed(local, p[0], p[1], p[2])


def _rectangle(p: FloatArray, part: int, t: FloatArray) -> FloatArray:
    """x, y, turn, half length, half width, leg of the cut corners."""
    a, b, cut = p[3], p[4], p[5]
    corners = np.array([
        (a, -b + cut), (a, b - cut), (a - cut, b), (-a + cut, b), (-a, b - cut), (-a, -b + cut), (-a + cut, -b),
        (a - cut, -b),
    ])  # fmt: skip
    start, end = corners[part], corners[(part + 1) % 8]
    return _placed(start + t[:, None] * (end - start), p[0], p[1], p[2])


def _triangle(p: FloatArray, part: int, t: FloatArray) -> FloatArray:
    """Three tips x, y in turn, sagitta of the sides over their length, cut of the tips over the side."""
    tips = p[:6].reshape(3, 2)
    bulge, cut = p[6], p[7]
    side = part // 2
    a, b, c = tips[side], tips[(side + 1) % 3], tips[(side + 2) % 3]
    if part % 2 == 0:
        return _arc(a + cut * (b - a), b - cut * (b - a), bulge, t)
    start, end = b - cut * (b - a), b + cut * (c - b)
    return np.asarray(start + t[:, None] * (end - start))


def _arc(start: FloatArray, end: FloatArray, bulge: float, t: FloatArray) -> FloatArray:
    """Parabola through both ends, its middle `bulge` of the chord to the outside (the left of the way, y down)."""
    chord = end - start
    across = np.array([chord[1], -chord[0]])
    return np.asarray(start + t[:, None] * chord + (4.0 * bulge * t * (1.0 - t))[:, None] * across)


def _bounds(*pairs: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    free = [(-np.inf, np.inf)] * 3
    low, high = np.array([*free, *pairs]).T
    return low, high


_SIZE = (0.05, np.inf)

FAMILIES: dict[str, Family] = {
    "round": Family("round", 1, _round, np.array([-np.inf, -np.inf, 0.05]), np.full(3, np.inf)),
    "superellipse": Family("superellipse", 1, _superellipse, *_bounds(_SIZE, _SIZE, (1.6, 12.0))),
    "marquise": Family("marquise", 2, _marquise, *_bounds(_SIZE, _SIZE)),
    "pear": Family("pear", 3, _pear, *_bounds(_SIZE, _SIZE, _SIZE)),
    "rectangle": Family("rectangle", 8, _rectangle, *_bounds(_SIZE, _SIZE, (0.0, np.inf))),
    "triangle": Family(
        "triangle", 6, _triangle, np.array([*[-np.inf] * 6, 0.0, 0.0005]), np.array([*[np.inf] * 6, 0.25, 0.3])
    ),
}


@dataclass(frozen=True)
class Curve:
    """Points along an outline.

    Parameters
    ----------
    points_mm, normals : ndarray of shape (N, 2)
        Points and outward normals, in order round the outline.
    part : ndarray of shape (N,), int
        Smooth part that each belongs to.
    share : ndarray of shape (N,)
        Where on its part, 0 to 1.
    to_corner_mm : ndarray of shape (N,)
        Way along the outline to the nearest corner; infinite where there is none.
    bend_per_mm : ndarray of shape (N,)
        Curvature, positive for convex.
    step_mm : float
        Distance of the points.
    """

    points_mm: FloatArray
    normals: FloatArray
    part: NDArray[np.int64]
    share: FloatArray
    to_corner_mm: FloatArray
    bend_per_mm: FloatArray
    step_mm: float

    @property
    def length_mm(self) -> float:
        """Length of the outline."""
        return self.step_mm * len(self.points_mm)


def curve_of(family: Family, parameters: FloatArray, step_mm: float) -> Curve:
    """Lay points along an outline, evenly within each part.

    Parameters
    ----------
    family : Family
        The kind of outline.
    parameters : ndarray of shape (P,)
        Its parameters.
    step_mm : float
        Wanted distance of the points.
    """
    shares = np.linspace(0.0, 1.0, FINE_STEPS + 1)
    fine = [family.point(parameters, k, shares) for k in range(family.parts)]
    points, normals, part, share, bend, ways = [], [], [], [], [], []
    ends: list[tuple[FloatArray, FloatArray]] = []
    for k, way in enumerate(fine):
        pieces = np.linalg.norm(np.diff(way, axis=0), axis=1)
        total = np.concatenate([[0.0], np.cumsum(pieces)])
        if total[-1] < 0.3 * step_mm:
            ends.append((np.zeros(2), np.zeros(2)))
            continue
        count = max(2, round(total[-1] / step_mm))
        along = (np.arange(count) + 0.5) / count * total[-1]
        t = np.interp(along, total, shares)
        delta = 0.25 * total[-1] / count
        before = family.point(parameters, k, np.interp(along - delta, total, shares))
        after = family.point(parameters, k, np.interp(along + delta, total, shares))
        here = family.point(parameters, k, t)
        tangent = after - before
        tangent /= np.maximum(np.linalg.norm(tangent, axis=1), 1e-12)[:, None]
        points.append(here)
        normals.append(np.column_stack([tangent[:, 1], -tangent[:, 0]]))
        part.append(np.full(count, k))
        share.append(t)
        bend.append(_bend(here, tangent, closed=family.parts == 1))
        ways.append((k, along, total[-1]))
        ends.append((tangent[0], tangent[-1]))
    return Curve(
        np.vstack(points), np.vstack(normals), np.concatenate(part), np.concatenate(share),
        np.concatenate(_to_corners(family, ends, ways)), np.concatenate(bend), step_mm,
    )  # fmt: skip


def _bend(points: FloatArray, tangent: FloatArray, *, closed: bool) -> FloatArray:
    """Turn of the tangent per millimetre."""
    angle = np.unwrap(np.arctan2(tangent[:, 1], tangent[:, 0]))
    if closed:
        angle = np.concatenate([[angle[-1] - 2 * np.pi], angle, [angle[0] + 2 * np.pi]])
        points = np.vstack([points[-1:], points, points[:1]])
        way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        return np.asarray(np.gradient(angle, np.maximum(way, 1e-9 * np.arange(len(way))))[1:-1])
    if len(angle) < 3:
        return np.zeros(len(angle))
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    return np.asarray(np.gradient(angle, way))


def _to_corners(
    family: Family, ends: list[tuple[FloatArray, FloatArray]], ways: list[tuple[int, FloatArray, float]]
) -> list[FloatArray]:
    """Way from each point to the nearest corner at the ends of its part."""
    if family.parts == 1:
        return [np.full(len(along), np.inf) for _, along, _ in ways]
    found = []
    for index, (k, along, total) in enumerate(ways):
        before, after = ways[index - 1][0], ways[(index + 1) % len(ways)][0]
        away = np.full(len(along), np.inf)
        if _is_corner(ends[before][1], ends[k][0]):
            away = np.minimum(away, along)
        if _is_corner(ends[k][1], ends[after][0]):
            away = np.minimum(away, total - along)
        found.append(away)
    return found


def _is_corner(one: FloatArray, other: FloatArray) -> bool:
    return bool(one @ other < np.cos(np.radians(SMOOTH_DEG)))


def sensitivity(family: Family, parameters: FloatArray, curve: Curve) -> FloatArray:
    """How far each point moves along its normal per unit of each parameter, (N, P)."""
    columns = []
    here = at_shares(family, parameters, curve)
    for k in range(len(parameters)):
        moved = np.array(parameters, dtype=np.float64)
        step = 1e-5 * max(1.0, abs(moved[k]))
        # One-sided away from a bound, so that the curve exists.
        step = -step if moved[k] + step > family.upper[k] else step
        moved[k] += step
        points = at_shares(family, moved, curve)
        columns.append(np.sum((points - here) * curve.normals, axis=1) / step)
    return np.column_stack(columns)


def at_shares(family: Family, parameters: FloatArray, curve: Curve) -> FloatArray:
    """The points (N, 2) of another outline of the family at the same places of its parts."""
    points = np.empty_like(curve.points_mm)
    for k in range(family.parts):
        mine = curve.part == k
        if mine.any():
            points[mine] = family.point(parameters, k, curve.share[mine])
    return points
