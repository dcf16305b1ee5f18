"""What is seen of one untouched scene from several places, and what it comes to; `multiview` solves it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimsight.calibration.bundle import SeenLines
from rimsight.calibration.camera import View
from rimsight.calibration.pixels import FloatArray
from rimsight.calibration.pose import Prior


@dataclass(frozen=True)
class LevelCircle:
    """A circle parallel to the card: an edge of a tube's end, or a girdle.

    Parameters
    ----------
    name : str
        Its name.
    level : str
        Name of the height that it lies at; circles of one face share it.
    thickness_mm, u_thickness_mm : float
        Height of the upright wall that it is (a girdle), 0 for an edge, and standard uncertainty.
    u_level_mm : float
        How far the circle may lie off its place, standard uncertainty.
    above_mm : float
        How far above its level the circle is expected: a chamfer puts a tube's edge below its face.
    near_share, far_share : float
        Where the outline of an upright wall lies on the side that faces the camera, as a share of the way from its
        middle to its lower edge; and on the other side, of the way to its upper edge.
    """

    name: str
    level: str
    thickness_mm: float = 0.0
    u_thickness_mm: float = 0.0
    u_level_mm: float = 0.0
    above_mm: float = 0.0
    near_share: float = 1.0
    far_share: float = 1.0


@dataclass(frozen=True)
class SeenCircle:
    """A circle's edge in one photograph.

    Parameters
    ----------
    name : str
        Of the circle.
    points_px : ndarray of shape (N, 2)
        Edge points, x then y.
    weights : ndarray of shape (N,)
        Their weights, 0 to 1.
    outside_mm : float
        How much further out (in radius) the true edge lies than the points.
    u_point_px : float
        Standard uncertainty of one point of weight 1, as if all were independent.
    u_centre_mm, u_radius_mm : float
        Standard uncertainties that this photograph's points have in common: of each coordinate of the centre, and of
        the radius, as far as other photographs don't share it.
    u_oval_mm : float
        The same of how oval the edge looks: amplitude of each part that goes round twice.
    u_near_mm : float
        The same of how far out it looks where it faces the camera, falling to nothing where it is seen from the side.
    """

    name: str
    points_px: FloatArray
    weights: FloatArray
    outside_mm: float
    u_point_px: float
    u_centre_mm: float
    u_radius_mm: float
    u_oval_mm: float = 0.0
    u_near_mm: float = 0.0


@dataclass(frozen=True)
class Sighting:
    """One photograph of the scene.

    Parameters
    ----------
    square : SeenLines
        Edge points of the reference square.
    start : View
        Pose and camera to start from.
    circles : tuple of SeenCircle
        What is seen of the circles.
    prior : Prior
        What is known of the camera.
    camera : int
        Photographs of the same number were taken by one camera.
    """

    square: SeenLines
    start: View
    circles: tuple[SeenCircle, ...]
    prior: Prior
    camera: int = 0


@dataclass(frozen=True)
class Solved:
    """The solved scene.

    Parameters
    ----------
    views : tuple of View
        One of each photograph.
    heights : dict of str to float
        Millimetres above the card.
    circles : dict of str to ndarray of shape (3,)
        Centre x, y and radius, card millimetres.
    names : tuple of str
        Of the figures in `sources`: heights, then centre and radius of each circle ("outer x", "outer y",
        "outer radius").
    sources : dict of str to ndarray of shape (F, F)
        Covariance of the figures by cause; their sum is the covariance.
    shifts : dict of (int, str) to ndarray of shape (3,)
        By photograph and circle: how far centre x, y and radius seen there lie from the common ones, mm.
    strain : float
        Sum of squares of the equations that hold the circles together over their degrees of freedom: about 1.
    u_rel_f : tuple of float
        Relative standard uncertainty of each photograph's focal length.
    """

    views: tuple[View, ...]
    heights: dict[str, float]
    circles: dict[str, FloatArray]
    names: tuple[str, ...]
    sources: dict[str, FloatArray]
    shifts: dict[tuple[int, str], FloatArray]
    strain: float
    u_rel_f: tuple[float, ...]

    @property
    def covariance(self) -> FloatArray:
        """Covariance (F, F) of the figures."""
        return np.asarray(sum(self.sources.values()))

    def u(self, name: str) -> float:
        """Standard uncertainty of a figure."""
        k = self.names.index(name)
        return float(np.sqrt(self.covariance[k, k]))
