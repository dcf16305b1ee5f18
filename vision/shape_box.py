"""From an edge to its closed outline, and the outline's smallest box."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.vision.shape_edges import ShapeEdge
from rimsight.vision.shape_models import Family

FloatArray = NDArray[np.float64]

#: What is left of the edge beside its model is smoothed over this share of the outline (standard deviation).
SMOOTHING_SHARE = 0.045
#: Departures from the model count from this many of their own standard uncertainties on.
DEPARTURE_LIMIT = 2.5
#: About one independent value per so many pixels along the edge.
INDEPENDENT_PX = 4.0


@dataclass(frozen=True)
class Box:
    """The box of smallest width round an outline, its length at right angles to the width.

    Parameters
    ----------
    length_mm, width_mm : float
        Its sides, the longer one first.
    centre_mm : ndarray of shape (2,)
        Its middle.
    along : ndarray of shape (2,)
        Unit vector of its longer side.
    """

    length_mm: float
    width_mm: float
    centre_mm: FloatArray
    along: FloatArray

    @property
    def corners_mm(self) -> FloatArray:
        """Its corners (4, 2) in order."""
        across = np.array([-self.along[1], self.along[0]])
        a, b = self.along * self.length_mm / 2, across * self.width_mm / 2
        return np.array(
            [self.centre_mm + a + b, self.centre_mm - a + b, self.centre_mm - a - b, self.centre_mm + a - b]
        )


def smallest_box(points_mm: FloatArray) -> Box:
    """Find the box of smallest width round points (N, 2): what the jaws of calipers read, turned to the narrowest.

    The smallest width of a convex polygon lies across one of its edges (Houle and Toussaint 1988, "Computing the width
    of a set"). It needn't be the box of smallest area; for ovals, marquises, pears and rectangles both are the same.

    Raises
    ------
    ValueError
        Fewer than three corners.
    """
    hull = np.asarray(cv2.convexHull(np.asarray(points_mm, dtype=np.float32), returnPoints=False)).reshape(-1)
    if len(hull) < 3:
        raise ValueError("a box needs three points that don't lie on a line")
    corners = np.asarray(points_mm, dtype=np.float64)[np.sort(hull)]
    edge = np.roll(corners, -1, axis=0) - corners
    long = np.linalg.norm(edge, axis=1)
    along = edge[long > 1e-9] / long[long > 1e-9][:, None]
    across = np.column_stack([-along[:, 1], along[:, 0]])
    widths = np.ptp(corners @ across.T, axis=0)
    best = int(np.argmin(widths))
    u, v = corners @ along[best], corners @ across[best]
    length, width = float(np.ptp(u)), float(np.ptp(v))
    centre = (u.max() + u.min()) / 2 * along[best] + (v.max() + v.min()) / 2 * across[best]
    if width > length:
        return Box(width, length, np.asarray(centre), across[best])
    return Box(length, width, np.asarray(centre), along[best])


def departures(edge: ShapeEdge) -> FloatArray:
    """What the edge departs from its model, smoothed to its noise, (N,) millimetres outward.

    Only what stands out of the noise is kept: the extremes of a noisy outline lie outside of the true one.
    """
    curve = edge.curve
    spread = max(SMOOTHING_SHARE * curve.length_mm, 4.0 / edge.px_per_mm)
    smooth = np.zeros(len(curve.points_mm))
    closed = edge.family.parts == 1
    for part in np.unique(curve.part):
        mine = np.flatnonzero(curve.part == part)
        gap = np.abs(mine[:, None] - mine[None, :]) * curve.step_mm
        if closed:
            gap = np.minimum(gap, len(mine) * curve.step_mm - gap)
        kernel = np.exp(-0.5 * (gap / spread) ** 2) * edge.weights[mine][None, :]
        total = kernel.sum(axis=1)
        known = total > 1e-6
        value = np.where(known, kernel @ edge.offsets_mm[mine] / np.maximum(total, 1e-9), 0.0)
        # Independent values under the kernel, from its effective width.
        count = total**2 / np.maximum((kernel**2).sum(axis=1), 1e-12)
        shared = max(1.0, INDEPENDENT_PX / (curve.step_mm * edge.px_per_mm))
        scatter = max(edge.scatter_px, 0.05) / edge.px_per_mm
        u = scatter * np.sqrt(shared / np.maximum(count, 1.0))
        keep = np.maximum(1.0 - (DEPARTURE_LIMIT * u / np.maximum(np.abs(value), 1e-12)) ** 2, 0.0)
        smooth[mine] = np.where(known, value * keep, 0.0)
    return smooth


def closed_outline(
    family: Family, parameters: FloatArray, edge: ShapeEdge, points_mm: FloatArray, departure_mm: FloatArray
) -> FloatArray:
    """The outline (M, 2) with its corners: the model moved by the departures, corners where both sides meet.

    Parameters
    ----------
    family, parameters
        The model.
    edge : ShapeEdge
        Gives normals and parts of the points.
    points_mm : ndarray of shape (N, 2)
        Points of the model.
    departure_mm : ndarray of shape (N,)
        Their moves along the normals.
    """
    curve = edge.curve
    normals = curve.normals
    moved = points_mm + departure_mm[:, None] * normals
    if family.parts == 1:
        return moved
    parts = [int(k) for k in dict.fromkeys(curve.part)]
    pieces = []
    for index, k in enumerate(parts):
        mine = np.flatnonzero(curve.part == k)
        following = np.flatnonzero(curve.part == parts[(index + 1) % len(parts)])
        pieces.append(moved[mine])
        vertex = family.point(parameters, k, np.array([1.0]))[0]
        pair = np.array([normals[mine[-1]], normals[following[0]]])
        wanted = np.array([departure_mm[mine[-1]], departure_mm[following[0]]])
        # Nearly parallel sides run on into each other: their mean move is enough.
        if abs(np.linalg.det(pair)) > 0.1:
            pieces.append((vertex + np.linalg.solve(pair, wanted))[None, :])
        else:
            pieces.append((vertex + pair.mean(axis=0) * wanted.mean())[None, :])
    return np.vstack(pieces)
