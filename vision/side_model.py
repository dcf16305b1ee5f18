"""A body of revolution seen from the side, and the outline that it shows the camera.

A stone or a tube is taken as circles about one axis (table, girdle, culet; the two ends) and everything between them.
Such a body is the convex hull of its circles, perspective keeps hulls, and so its outline is exactly the convex hull of
the projected circles: wherever the camera stands, the lines of sight that graze the body are right. Nothing has to be
said about a middle plane, in which the grazing points of a cone do not lie.

Outlines are kept in *ideal pixels*: those of the same camera without distortion, where straight edges are straight.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from rimsight.calibration.camera import View

FloatArray = NDArray[np.float64]

#: Points of a projected circle. Its polygon lies within 8e-4 R, R (1 - cos(pi / 80)): 2 micrometres for 6 mm.
CIRCLE_POINTS = 80


@dataclass(frozen=True)
class Lie:
    """Where the axis of a body lies.

    Parameters
    ----------
    x_mm, y_mm : float
        Origin of the axis over the card, card coordinates (x right, y down as printed).
    height_mm : float
        Height of the origin above the card.
    turn : float
        Direction of the axis in the card's plane, radians, card coordinates: (cos turn, sin turn).
    lean : float
        How far that direction rises above the card's plane, radians.
    """

    x_mm: float
    y_mm: float
    height_mm: float
    turn: float
    lean: float = 0.0

    @property
    def direction(self) -> FloatArray:
        """Unit vector (3,) of the axis in card coordinates, z into the card."""
        flat = np.cos(self.lean)
        return np.array([flat * np.cos(self.turn), flat * np.sin(self.turn), -np.sin(self.lean)])

    @property
    def across(self) -> FloatArray:
        """Two unit vectors (2, 3) across the axis: the first level with the card, the second away from it."""
        s, c, up = np.sin(self.turn), np.cos(self.turn), np.sin(self.lean)
        return np.array([[-s, c, 0.0], [-up * c, -up * s, -np.cos(self.lean)]])


@dataclass(frozen=True)
class Profile:
    """Circles about the axis.

    Parameters
    ----------
    places_mm, radii_mm : ndarray of shape (K,)
        Where on the axis each circle lies, and its radius.
    """

    places_mm: FloatArray
    radii_mm: FloatArray


def ideal_view(view: View) -> View:
    """The same view through a lens without distortion."""
    return view.with_camera(k1=0.0, k2=0.0, p1=0.0, p2=0.0, k3=0.0)


def to_ideal(view: View, points_px: FloatArray) -> FloatArray:
    """Pixels (N, 2) of the photograph as ideal pixels."""
    camera = view.camera
    return np.asarray(camera.normalized(points_px) * camera.f_px + (camera.cx_px, camera.cy_px))


def from_ideal(view: View, points_px: FloatArray) -> FloatArray:
    """Ideal pixels (N, 2) as pixels of the photograph."""
    camera = view.camera
    return camera.pixels((np.asarray(points_px) - (camera.cx_px, camera.cy_px)) / camera.f_px)


def axis_points_px(view: View, lie: Lie, places_mm: FloatArray) -> FloatArray:
    """Points on the axis (N, 2), ideal pixels."""
    origin = np.array([lie.x_mm, lie.y_mm, -lie.height_mm])
    return _seen(view, origin + np.asarray(places_mm)[:, None] * lie.direction)


def circles_px(view: View, lie: Lie, profile: Profile) -> FloatArray:
    """The projected circles (K, `CIRCLE_POINTS`, 2), ideal pixels."""
    count = len(profile.radii_mm)
    ring, point = np.divmod(np.arange(count * CIRCLE_POINTS), CIRCLE_POINTS)
    return some_points_px(view, lie, profile, ring, point).reshape(count, CIRCLE_POINTS, 2)


def some_points_px(
    view: View, lie: Lie, profile: Profile, ring: NDArray[np.intp], point: NDArray[np.intp]
) -> FloatArray:
    """Points (N, 2) of the projected circles, by the circle's index and the point's on it; ideal pixels."""
    phi = point * (2.0 * np.pi / CIRCLE_POINTS)
    radius = profile.radii_mm[ring]
    level, up = lie.across
    points = np.array([lie.x_mm, lie.y_mm, -lie.height_mm]) + profile.places_mm[ring][:, None] * lie.direction
    points = points + (radius * np.cos(phi))[:, None] * level + (radius * np.sin(phi))[:, None] * up
    return _seen(view, points)


def outline_px(view: View, lie: Lie, profile: Profile) -> FloatArray:
    """The outline (M, 2) of the body, ideal pixels, in order round it (clockwise as seen, y down)."""
    points = circles_px(view, lie, profile).reshape(-1, 2)
    return np.asarray(points[ConvexHull(points).vertices])


def reach_px(outline: FloatArray, origins: FloatArray, directions: FloatArray) -> FloatArray:
    """How far from points inside a convex outline its border lies, (N,) pixels.

    Parameters
    ----------
    outline : ndarray of shape (M, 2)
        Convex, in order, as from `outline_px`.
    origins, directions : ndarray of shape (N, 2)
        Points and unit vectors. From a point outside, the distance is that to the edge's line.
    """
    edges = np.roll(outline, -1, axis=0) - outline
    normals = np.column_stack([edges[:, 1], -edges[:, 0]])
    normals /= np.maximum(np.linalg.norm(normals, axis=1), 1e-12)[:, None]
    offset = np.sum(normals * outline, axis=1)
    ahead = directions @ normals.T
    with np.errstate(divide="ignore"):
        along = np.where(ahead > 1e-9, (offset - origins @ normals.T) / np.where(ahead > 1e-9, ahead, 1.0), np.inf)
    return np.asarray(along.min(axis=1))


def moved(lie: Lie, **changes: float) -> Lie:
    """The same axis with some of its figures changed."""
    return replace(lie, **changes)


def sight_angle(view: View, lie: Lie) -> float:
    """How far an axis turns towards the camera out of the square to the line of sight, radians."""
    to_camera = view.position_mm - np.array([lie.x_mm, lie.y_mm, -lie.height_mm])
    return float(np.arcsin(lie.direction @ to_camera / np.linalg.norm(to_camera)))


def space_to_px(view: View, points: FloatArray) -> FloatArray:
    """Points (N, 3) in card coordinates, z into the card, as pixels (N, 2) of the photograph."""
    seen = points @ view.rotation.T + np.array(view.t_mm)
    return view.camera.pixels(seen[:, :2] / seen[:, 2:])


def _seen(view: View, points: FloatArray) -> FloatArray:
    seen = points @ view.rotation.T + np.array(view.t_mm)
    camera = view.camera
    return np.asarray(camera.f_px * seen[:, :2] / seen[:, 2:] + (camera.cx_px, camera.cy_px))
