"""A closed convex outline and circles: the smallest one round it, the room inside, the rim out to a tube's edge."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Steps along an outline, millimetres, and of the directions that a corner faces, degrees.
STEP_MM, FAN_DEG = 0.02, 3.0
#: Points nearer to a circle than this lie on it, millimetres.
ON_CIRCLE_MM = 1e-9


@dataclass(frozen=True)
class Rim:
    """Metal round an outline, along its normals out to a circle; millimetres.

    Parameters
    ----------
    inner_mm, outer_mm : ndarray of shape (N, 2)
        Where each normal leaves the outline and where it meets the circle; at a corner all directions that it faces.
    widths_mm : ndarray of shape (N,)
        Distance between both; negative where the outline lies outside of the circle.
    mean_mm : float
        Mean over the outline's length.
    """

    inner_mm: FloatArray
    outer_mm: FloatArray
    widths_mm: FloatArray
    mean_mm: float

    @property
    def smallest(self) -> int:
        """Index of the smallest width."""
        return int(np.argmin(self.widths_mm))


def enclosing_circle(points_mm: FloatArray) -> tuple[FloatArray, float]:
    """Centre (2,) and radius of the smallest circle round points (N, 2).

    It passes through two or three of them (Elzinga and Hearn 1972, "The minimum covering sphere problem"): the furthest
    point outside joins those two or three until none is outside.

    Raises
    ------
    ValueError
        No points.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    if not len(points):
        raise ValueError("no points to draw a circle round")
    held = points[:1]
    centre, radius = held[0], 0.0
    for _ in range(len(points)):
        away = np.hypot(*(points - centre).T)
        furthest = int(np.argmax(away))
        if away[furthest] <= radius + ON_CIRCLE_MM:
            break
        held = np.vstack([held, points[furthest]])
        centre, radius, held = _round_few(held)
    return centre, radius


def _round_few(points: FloatArray) -> tuple[FloatArray, float, FloatArray]:
    """The smallest circle round up to four points, and those it passes through."""
    best: tuple[FloatArray, float, FloatArray] | None = None
    for count in (2, 3):
        for chosen in combinations(range(len(points)), count):
            on = points[list(chosen)]
            centre = on.mean(axis=0) if count == 2 else _circumcentre(on)
            if centre is None:
                continue
            radius = float(np.hypot(*(on[0] - centre)))
            if np.hypot(*(points - centre).T).max() > radius + ON_CIRCLE_MM:
                continue
            if best is None or radius < best[1]:
                best = centre, radius, on
    assert best is not None  # two of four points on a line enclose the others
    return best


def _circumcentre(corners: FloatArray) -> FloatArray | None:
    sides = corners[1:] - corners[0]
    if abs(np.linalg.det(sides)) < 1e-15:
        return None
    return np.asarray(corners[0] + np.linalg.solve(2.0 * sides, np.sum(sides**2, axis=1)))


def inner_radius(outline_mm: FloatArray, centre_mm: FloatArray) -> float:
    """Radius of the largest circle about a centre inside a convex closed outline (N, 2)."""
    start, end = outline_mm, np.roll(outline_mm, -1, axis=0)
    along = end - start
    share = np.sum((centre_mm - start) * along, axis=1) / np.maximum(np.sum(along**2, axis=1), 1e-18)
    nearest = start + np.clip(share, 0.0, 1.0)[:, None] * along
    return float(np.hypot(*(nearest - centre_mm).T).min())


def rim_along_normals(outline_mm: FloatArray, centre_mm: FloatArray, radius_mm: float) -> Rim:
    """Measure the rim between a closed outline (N, 2) and a circle round it, along the outline's normals.

    At a corner every direction between the normals of both its sides counts.
    """
    points = _without_repeats(outline_mm)
    if _area(points) < 0.0:
        points = points[::-1]
    along = np.roll(points, -1, axis=0) - points
    length = np.hypot(*along.T)
    turn = np.arctan2(-along[:, 0], along[:, 1])  # of the outward normal, the outline running anticlockwise
    starts, directions, weights = [], [], []
    for k in range(len(points)):
        bend = (turn[k] - turn[k - 1] + np.pi) % (2.0 * np.pi) - np.pi
        fan = np.linspace(0.0, bend, 2 + int(abs(np.degrees(bend)) / FAN_DEG))
        starts.append(np.repeat(points[k][None, :], len(fan), axis=0))
        directions.append(turn[k] - bend + fan)
        weights.append(np.zeros(len(fan)))
        count = max(1, int(np.ceil(length[k] / STEP_MM)))
        shares = (np.arange(count) + 0.5) / count
        starts.append(points[k] + shares[:, None] * along[k])
        directions.append(np.full(count, turn[k]))
        weights.append(np.full(count, length[k] / count))
    inner, angle, weight = np.vstack(starts), np.concatenate(directions), np.concatenate(weights)
    normals = np.column_stack([np.cos(angle), np.sin(angle)])
    away = inner - centre_mm
    outward = np.sum(away * normals, axis=1)
    under = outward**2 - np.sum(away**2, axis=1) + radius_mm**2
    # What reaches beyond the circle does so by its distance from it: a normal from there may miss it.
    reach = np.hypot(*away.T)
    beyond = reach > radius_mm
    widths = np.where(beyond, radius_mm - reach, -outward + np.sqrt(np.maximum(under, 0.0)))
    back = centre_mm + away * (radius_mm / np.maximum(reach, 1e-12))[:, None]
    outer = np.where(beyond[:, None], back, inner + widths[:, None] * normals)
    return Rim(inner, outer, widths, float(np.sum(weight * widths) / np.sum(weight)))


def _without_repeats(outline_mm: FloatArray) -> FloatArray:
    step = np.hypot(*(np.roll(outline_mm, -1, axis=0) - outline_mm).T)
    return np.asarray(outline_mm[step > 1e-9])


def _area(points: FloatArray) -> float:
    x, y = points.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
