"""Searching for the outline that runs along sharp edges all round with no sharp edges outside: coarse, but global.

The rough outlines tell where to start; each family's parameters are then moved step by step, one side, one angle, one
form at a time, as long as the outline lies better on the map of sharp edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.vision.shape_fit import CoarseFit
from rimsight.vision.shape_models import Family

FloatArray = NDArray[np.float64]

#: Steps of the search, pixels.
STEPS_PX = (12.0, 6.0, 3.0, 1.5, 0.75)
#: An outline is on an edge within this many pixels, in steps of at least 3 pixels, and in finer ones.
NEAR_PX, FINE_NEAR_PX = 3, 1
#: Zone outside in which sharp edges count against the outline, pixels, and how much.
ZONE_PX = tuple(float(v) for v in range(5, 22, 2))
OUTSIDE_COST = 0.45
#: Points of an outline that are looked at.
POINTS = 96
#: Rounds over all sides of an outline in which each is moved to its best place.
SCANS = 2
#: Places of a side within this are one, pixels; another that loses less than this share of what the side's whole
#: absence would cost makes it doubtful.
SAME_PX, DOUBT_SHARE = 2.5, 0.4


@dataclass(frozen=True)
class Found:
    """An outline found by the search.

    Parameters
    ----------
    family : Family
        Its kind.
    parameters : ndarray of shape (P,)
        Its parameters, card millimetres at the girdle's height.
    score : float
        Share of it on sharp edges, less what lies outside.
    """

    family: Family
    parameters: FloatArray
    score: float


class EdgeMap:
    """The map of sharp edges round a stone, looked up in millimetres.

    Parameters
    ----------
    sharp : ndarray of shape (h, w)
        How sharp an edge each pixel lies on, 0 to 1.
    to_px : tuple of ndarray
        Matrix (2, 2) and shift (2,) from card millimetres at the girdle's height to pixels of `sharp`.
    zone_px : tuple of float
        How far outside sharp edges count against an outline.
    outside_cost : float
        How much.
    """

    def __init__(
        self,
        sharp: NDArray[np.float32],
        to_px: tuple[FloatArray, FloatArray],
        *,
        zone_px: tuple[float, ...] = ZONE_PX,
        outside_cost: float = OUTSIDE_COST,
    ) -> None:
        self.matrix, self.shift = to_px
        self._zone, self._cost = np.array(zone_px), outside_cost
        self.px_per_mm = float(np.sqrt(abs(np.linalg.det(self.matrix))))
        self._maps = [
            np.asarray(cv2.dilate(sharp, np.ones((2 * n + 1, 2 * n + 1), np.uint8))) for n in (NEAR_PX, FINE_NEAR_PX)
        ]

    def score(self, family: Family, parameters: FloatArray, *, fine: bool) -> float:
        """How well an outline lies on the edges."""
        points = _points(family, parameters) @ self.matrix.T + self.shift
        tangent = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
        tangent /= np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
        normals = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        if np.linalg.det(self.matrix) < 0:
            normals = -normals
        along = self._at(self._maps[int(fine)], points)
        outside = self._at(
            self._maps[1], points[:, None, :] + self._zone[None, :, None] * normals[:, None, :]
        ).max(axis=1)
        # A median along the outline: single sparks of light that the stone throws don't count.
        outside = ndimage.median_filter(outside, 7, mode="wrap")
        return float(along.mean() - self._cost * outside.mean())

    def along(self, family: Family, parameters: FloatArray) -> float:
        """Share of an outline on edges, within a pixel."""
        return float(self._at(self._maps[1], _points(family, parameters) @ self.matrix.T + self.shift).mean())

    @staticmethod
    def _at(values: NDArray[np.float32], points: FloatArray) -> FloatArray:
        x = np.clip(np.rint(points[..., 0]).astype(int), 0, values.shape[1] - 1)
        y = np.clip(np.rint(points[..., 1]).astype(int), 0, values.shape[0] - 1)
        return np.asarray(values[y, x], dtype=np.float64)


def _points(family: Family, parameters: FloatArray) -> FloatArray:
    """Points (POINTS, 2) of an outline, about evenly spread."""
    raw = np.vstack([family.point(parameters, k, _SHARES[family.parts]) for k in range(family.parts)])
    closed = np.vstack([raw, raw[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = (np.arange(POINTS) + 0.5) / POINTS * way[-1]
    return np.column_stack([np.interp(at, way, closed[:, 0]), np.interp(at, way, closed[:, 1])])


_SHARES = {parts: np.linspace(0.0, 1.0, max(3, 145 // parts))[:-1] for parts in (1, 2, 3, 8)} | {
    6: np.linspace(0.0, 1.0, 25)[:-1]
}


def moves(family: Family, parameters: FloatArray) -> FloatArray:
    """Directions (K, P) in the space of parameters, each moving the outline by about 1 mm where it moves most."""
    p = parameters
    count = len(p)
    found = []

    def add(**change: float) -> None:
        move = np.zeros(count)
        for name, value in change.items():
            move[int(name[1:])] = value
        found.append(move)

    if family.name == "triangle":
        tips = p[:6].reshape(3, 2)
        for k in range(3):
            one, other = k, (k + 1) % 3
            edge = tips[other] - tips[one]
            normal = np.array([edge[1], -edge[0]]) / max(float(np.hypot(*edge)), 1e-9)
            move = np.zeros(count)
            for tip in (one, other):
                move[2 * tip : 2 * tip + 2] = normal
            found.append(move)
            away = tips[k] - tips.mean(axis=0)
            move = np.zeros(count)
            move[2 * k : 2 * k + 2] = away / max(float(np.hypot(*away)), 1e-9)
            found.append(move)
        side = float(np.hypot(*(tips[1] - tips[0])))
        add(p6=1.0 / side)
        add(p7=1.0 / side)
        return np.array(found)
    if family.name == "round":
        return np.eye(3)
    c, s = float(np.cos(p[2])), float(np.sin(p[2]))
    a, b = 3, 4
    if family.name == "pear":  # half width, round end, pointed end
        add(p0=-s, p1=c)
        add(p3=1.0)
        add(p4=1.0)
        add(p5=1.0)
        add(p0=c, p1=s)
        add(p0=c, p1=s, p4=1.0, p5=-1.0)
        add(p2=1.0 / max(float(p[5]), 0.3))
        return np.array(found)
    # One side in or out: half of the move is the middle's.
    for sign in (1.0, -1.0):
        add(p0=0.5 * sign * c, p1=0.5 * sign * s, **{f"p{a}": 0.5})
        add(p0=-0.5 * sign * s, p1=0.5 * sign * c, **{f"p{b}": 0.5})
    add(p0=c, p1=s)
    add(p0=-s, p1=c)
    add(p2=1.0 / max(float(p[3]), 0.3))
    if family.name == "superellipse":
        add(p5=4.0 / max(float(p[4]), 0.3))
    if family.name == "rectangle":
        add(p5=1.4)
    return np.array(found)


def side_moves(family: Family, parameters: FloatArray) -> FloatArray:
    """Those of the `moves` that carry one side or end of the outline in or out."""
    found = moves(family, parameters)
    return found[0:6:2] if family.name == "triangle" else found[: 3 if family.name == "round" else 4]


def scanned(edges: EdgeMap, found: Found, reach_mm: float) -> Found:
    """Move each side of an outline to where it lies best within a reach, near or far: parallel facets lie between."""
    family, parameters = found.family, found.parameters
    best = edges.score(family, parameters, fine=True)
    steps = np.arange(-reach_mm, reach_mm, 1.0 / edges.px_per_mm)
    for _ in range(SCANS):
        for k in range(len(side_moves(family, parameters))):
            move = side_moves(family, parameters)[k]
            trials = [family.clipped(parameters + step * move) for step in steps]
            scores = [edges.score(family, trial, fine=True) for trial in trials]
            top = int(np.argmax(scores))
            if scores[top] > best + 1e-4:
                best, parameters = scores[top], trials[top]
    return Found(family, parameters, best)


def doubts(edges: EdgeMap, family: Family, parameters: FloatArray, reach_mm: float) -> list[FloatArray]:
    """Other places at which one side of an outline would lie nearly as well.

    Parameters
    ----------
    edges : EdgeMap
        The map.
    family, parameters
        The outline.
    reach_mm : float
        How far each side is moved, in and out.

    Returns
    -------
    list of ndarray of shape (P,)
        Changes of the parameters, each the standard uncertainty that one side's other place makes: half of the way to
        it where it is as good, less where it is worse.
    """
    px = 1.0 / edges.px_per_mm
    steps = np.arange(-reach_mm, reach_mm + 0.25 * px, 0.5 * px)
    found = []
    for move in side_moves(family, parameters):
        trials = [family.clipped(parameters + step * move) for step in steps]
        scores = np.array([edges.score(family, trial, fine=True) for trial in trials])
        here = scores[np.abs(steps) <= SAME_PX * px].max()
        lost = max(here - float(scores.min()), 1e-6)
        worth = np.clip(1.0 - (here - scores) / (DOUBT_SHARE * lost), 0.0, 1.0)
        way = np.where(np.abs(steps) > SAME_PX * px, 0.5 * np.abs(steps) * worth, 0.0)
        top = int(np.argmax(way))
        if way[top] > 0.0:
            found.append(np.asarray(way[top] * np.sign(steps[top]) * move))
    return found


def search(edges: EdgeMap, fit: CoarseFit, *, largest_px: float = STEPS_PX[0]) -> Found:
    """Move an outline step by step to where it lies best on the edges.

    Parameters
    ----------
    edges : EdgeMap
        The map.
    fit : CoarseFit
        Where to start.
    largest_px : float
        Largest step, pixels.
    """
    family, parameters = fit.family, fit.parameters
    best = edges.score(family, parameters, fine=False)
    for step in (one for one in STEPS_PX if one <= largest_px):
        fine = step < NEAR_PX
        best = edges.score(family, parameters, fine=fine)
        for _ in range(4):
            moved = False
            for move in moves(family, parameters) * (step / edges.px_per_mm):
                for sign in (1.0, -1.0):
                    trial = family.clipped(parameters + sign * move)
                    score = edges.score(family, trial, fine=fine)
                    if score > best + 1e-4:
                        best, parameters, moved = score, trial, True
                        break
            if not moved:
                break
    return Found(family, parameters, best)
