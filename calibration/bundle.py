"""One camera from many views of plane targets: intrinsic parameters and all poses in one least-squares solution.

The observations are the same as for a single photograph (distances of edge points from their lines); points with
known places, such as a chessboard's corners, serve as well. Every view brings its own pose, the camera is shared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration import lines
from rimsight.calibration.camera import Camera, View
from rimsight.calibration.pixels import FloatArray
from rimsight.calibration.solver import minimise

#: What is assumed of a lens before any photograph is seen, standard uncertainties. Wide on purpose, so that the
#: photographs decide, but tight enough that a term which they don't show can't run away.
START_LOG_F_U = 0.5
START_CENTRE_U = 0.03  # share of the diagonal
START_K1_U, START_K2_U = 0.4, 0.6
START_P_U = 0.003

#: Shared parameters, in the order of the parameter vector; the first seven are the first of `lines.CAMERA_COLUMNS`.
#: k3 stays as it is: the card does not reach far enough out to tell it from k2.
SHARED = ("log f", "cx", "cy", "k1", "k2", "p1", "p2", "log proportion")
_CAMERA = 7
_PROPORTION = 7
_POSE = 6


@dataclass(frozen=True)
class Derivatives:
    """Residuals of one view in pixels and their derivatives.

    Parameters
    ----------
    residual_px : ndarray of shape (N,)
        Residuals.
    by_rvec, by_t : ndarray of shape (N, 3)
        By the pose.
    by_camera : ndarray of shape (N, 8)
        By `lines.CAMERA_COLUMNS`.
    by_proportion : ndarray of shape (N,)
        By the logarithm of (scale across / scale down) of the print.
    """

    residual_px: FloatArray
    by_rvec: FloatArray
    by_t: FloatArray
    by_camera: FloatArray
    by_proportion: FloatArray


class Observation(Protocol):
    """What one photograph shows of the target."""

    @property
    def u_px(self) -> FloatArray:
        """Standard uncertainty of each residual, (N,) pixels."""

    def at(self, view: View, log_proportion: float) -> Derivatives:
        """Residuals in a view of a target whose print has this proportion."""


@dataclass(frozen=True)
class SeenLines:
    """Edge points on lines parallel to the target's axes.

    Parameters
    ----------
    edge_px : ndarray of shape (E, N, 2)
        Points on E edges whose mean distance from their lines counts (a band's outer and inner edge; E = 1 else).
    normals : ndarray of shape (N, 2)
        Unit normals of the lines, one of the four directions of the axes.
    offsets_mm : ndarray of shape (E, N)
        Distances of the lines from the target's centre along their normals.
    u_px : ndarray of shape (N,)
        Standard uncertainty of each mean distance.
    """

    edge_px: FloatArray
    normals: FloatArray
    offsets_mm: FloatArray
    u_px: FloatArray

    def at(self, view: View, log_proportion: float) -> Derivatives:
        """See `Observation`."""
        edges, count = self.offsets_mm.shape
        points = self.edge_px.reshape(-1, 2)
        normals = np.concatenate([self.normals] * edges)
        across = np.where(np.abs(normals[:, 0]) > 0.5, 1.0, -1.0)
        offsets = self.offsets_mm.ravel() * np.exp(0.5 * across * log_proportion)
        along = lines.places_along(view, points, normals)
        fit = lines.distances(view, points, normals, offsets, np.where(np.isfinite(along), along, 0.0))

        def mean(values: FloatArray) -> FloatArray:
            return np.asarray(values.reshape(edges, count, -1).mean(axis=0))

        return Derivatives(
            mean(fit.residual_px)[:, 0],
            mean(fit.by_rvec),
            mean(fit.by_t),
            mean(fit.by_camera),
            mean(fit.by_offset * offsets * 0.5 * across)[:, 0],
        )


@dataclass(frozen=True)
class SeenPoints:
    """Points whose places on the target are known.

    Parameters
    ----------
    points_px, points_mm : ndarray of shape (N, 2)
        Where they are seen, and where they are.
    point_u_px : float
        Standard uncertainty of each coordinate.
    """

    points_px: FloatArray
    points_mm: FloatArray
    point_u_px: float

    @property
    def u_px(self) -> FloatArray:
        """See `Observation`; x of all points, then y."""
        return np.full(2 * len(self.points_px), self.point_u_px)

    def at(self, view: View, log_proportion: float) -> Derivatives:
        """See `Observation`."""
        stretch = np.exp(np.array([0.5, -0.5]) * log_proportion)
        placed = np.column_stack([self.points_mm * stretch, np.zeros(len(self.points_mm))])
        camera = view.camera
        projected, jacobian = cv2.projectPoints(
            placed, np.array(view.rvec), np.array(view.t_mm), camera.matrix, camera.distortion
        )
        by_xy = np.asarray(jacobian, dtype=np.float64).reshape(len(placed), 2, -1)
        by_all = np.concatenate([by_xy[:, 0], by_xy[:, 1]])
        by_point = by_all[:, 3:6] @ view.rotation[:, :2]
        moved = np.concatenate([placed[:, :2]] * 2) * (0.5, -0.5)
        seen = np.asarray(projected, dtype=np.float64).reshape(-1, 2)
        return Derivatives(
            (seen - self.points_px).T.ravel(),
            by_all[:, 0:3],
            by_all[:, 3:6],
            np.column_stack([by_all[:, 6] + by_all[:, 7], by_all[:, 8:15]]),
            np.sum(by_point * moved, axis=1),
        )


@dataclass(frozen=True)
class Bundle:
    """The solution.

    Parameters
    ----------
    camera : Camera
        Shared intrinsic parameters.
    views : tuple of View
        Pose of each photograph, in their order.
    proportion : float
        Scale of the print across over that down, beyond what is known of it.
    covariance : ndarray of shape (8, 8)
        Of `SHARED`.
    rms_px : tuple of float
        Root mean square residual of each view.
    scatter : float
        Root mean square residual over its stated uncertainty, all views.
    """

    camera: Camera
    views: tuple[View, ...]
    proportion: float
    covariance: FloatArray
    rms_px: tuple[float, ...]
    scatter: float


def solve_bundle(
    observations: Sequence[Observation],
    starts: Sequence[View],
    *,
    size_px: tuple[int, int],
    u_proportion: float,
    u_tangential: float = START_P_U,
) -> Bundle:
    """Solve one camera and the poses of all views.

    Parameters
    ----------
    observations : sequence of Observation
        One of each photograph.
    starts : sequence of View
        Poses to start from, all with the same camera.
    size_px : (int, int)
        Width and height of the photographs.
    u_proportion : float
        Standard uncertainty of the logarithm of the print's proportion.
    u_tangential : float
        Standard uncertainty of p1 and p2 beforehand.

    Returns
    -------
    Bundle

    Raises
    ------
    ValueError
        No view, or not as many starts as observations.
    """
    if not observations or len(observations) != len(starts):
        raise ValueError(f"{len(observations)} observations and {len(starts)} starting poses don't go together")
    problem = _Problem(tuple(observations), starts[0].camera, size_px, u_proportion, u_tangential)
    p = np.zeros(len(SHARED) + _POSE * len(starts))
    for k, start in enumerate(starts):
        p[problem.pose(k)] = [*start.rvec, *start.t_mm]
    p, rows = minimise(problem.rows, p)
    residuals = [rows.values[part] for part in rows.parts]
    count = sum(len(part) for part in residuals)
    # Each view takes six of its residuals' freedoms, the camera eight of all.
    scatter = float(np.sqrt(sum(float(part @ part) for part in residuals) / max(count - len(p), 1)))
    covariance = np.linalg.inv(rows.jacobian.T @ rows.jacobian)[: len(SHARED), : len(SHARED)]
    camera = problem.camera(p)
    rms = [float(np.sqrt(np.mean((part * seen.u_px) ** 2))) for part, seen in zip(residuals, observations, strict=True)]
    return Bundle(
        camera=camera,
        views=tuple(problem.view(p, k) for k in range(len(starts))),
        proportion=float(np.exp(p[_PROPORTION])),
        covariance=np.asarray(covariance * max(1.0, scatter**2), dtype=np.float64),
        rms_px=tuple(rms),
        scatter=scatter,
    )


@dataclass(frozen=True)
class _Rows:
    values: FloatArray
    jacobian: FloatArray
    parts: tuple[slice, ...]


@dataclass(frozen=True)
class _Problem:
    observations: tuple[Observation, ...]
    start: Camera
    size_px: tuple[int, int]
    u_proportion: float
    u_tangential: float

    def pose(self, k: int) -> slice:
        first = len(SHARED) + _POSE * k
        return slice(first, first + _POSE)

    def camera(self, p: FloatArray) -> Camera:
        q = [float(value) for value in p]
        s = self.start
        return replace(
            s,
            f_px=s.f_px * float(np.exp(np.clip(q[0], -3.0, 3.0))),
            cx_px=s.cx_px + q[1],
            cy_px=s.cy_px + q[2],
            k1=s.k1 + q[3],
            k2=s.k2 + q[4],
            p1=s.p1 + q[5],
            p2=s.p2 + q[6],
        )

    def view(self, p: FloatArray, k: int) -> View:
        r1, r2, r3, x, y, z = (float(value) for value in p[self.pose(k)])
        # Distance follows the focal length: the picture's scale then hardly depends on f.
        return View(self.camera(p), (r1, r2, r3), (x, y, z * float(np.exp(np.clip(p[0], -3.0, 3.0)))))

    def rows(self, p: FloatArray) -> _Rows:
        camera, stretch = self.camera(p), float(np.exp(np.clip(p[0], -3.0, 3.0)))
        blocks, values, parts = [], [], []
        first = 0
        for k, seen in enumerate(self.observations):
            view = self.view(p, k)
            fit = seen.at(view, float(p[_PROPORTION]))
            block = np.zeros((len(fit.residual_px), len(p)))
            block[:, :_CAMERA] = fit.by_camera[:, :_CAMERA]
            block[:, 0] = fit.by_camera[:, 0] * camera.f_px + fit.by_t[:, 2] * view.t_mm[2]
            block[:, _PROPORTION] = fit.by_proportion
            block[:, self.pose(k)] = np.column_stack([fit.by_rvec, fit.by_t * (1.0, 1.0, stretch)])
            blocks.append(block / seen.u_px[:, None])
            values.append(fit.residual_px / seen.u_px)
            parts.append(slice(first, first + len(values[-1])))
            first += len(values[-1])
        diagonal = float(np.hypot(*self.size_px))
        middle = (0.5 * (self.size_px[0] - 1), 0.5 * (self.size_px[1] - 1))
        known: list[tuple[float, float]] = [
            (float(p[0]), START_LOG_F_U),
            (camera.cx_px - middle[0], START_CENTRE_U * diagonal),
            (camera.cy_px - middle[1], START_CENTRE_U * diagonal),
            (camera.k1, START_K1_U),
            (camera.k2, START_K2_U),
            (camera.p1, self.u_tangential),
            (camera.p2, self.u_tangential),
            (float(p[_PROPORTION]), max(self.u_proportion, 1e-6)),
        ]
        prior = np.zeros((len(SHARED), len(p)))
        prior[:, : len(SHARED)] = np.diag([1.0 / u for _, u in known])
        return _Rows(
            np.concatenate([*values, [value / u for value, u in known]]), np.vstack([*blocks, prior]), tuple(parts)
        )


def start_pose(points_px: FloatArray, points_mm: FloatArray, camera: Camera) -> View:
    """Pose of a plane target from at least four of its points, to start from.

    Parameters
    ----------
    points_px, points_mm : ndarray of shape (N, 2)
        Where they are seen, and where they are.
    camera : Camera
        Rough intrinsic parameters.
    """
    _, rvecs, ts = cv2.solvePnPGeneric(
        np.column_stack([points_mm, np.zeros(len(points_mm))]),
        np.asarray(points_px, dtype=np.float64),
        camera.matrix,
        camera.distortion,
        flags=cv2.SOLVEPNP_IPPE,
    )[:3]
    r: NDArray[np.float64] = np.asarray(rvecs[0], dtype=np.float64).reshape(3)
    t: NDArray[np.float64] = np.asarray(ts[0], dtype=np.float64).reshape(3)
    return View(camera, (float(r[0]), float(r[1]), float(r[2])), (float(t[0]), float(t[1]), float(t[2])))
