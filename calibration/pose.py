"""Pose of the card, focal length and lens together, from the square's edge points and what is known beforehand.

One least-squares problem: every edge point's distance from its side of the square (in pixels), and as further
equations what is known beforehand, each weighted by its standard uncertainty: focal length (EXIF, a profile), the
camera's distance, the print's proportion, the lens. What the photograph itself can tell (the square's convergence,
the straightness of its sides) then improves on what was known, and the covariance says how well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration import lines
from rimsight.calibration.band import NORMALS, SquareEdges
from rimsight.calibration.camera import Camera, View, focal_from_35mm
from rimsight.calibration.pixels import FloatArray
from rimsight.calibration.solver import minimise

#: Where nothing is known: phones' cameras lie between 20 and 80 mm equivalent, most near 28, and a picture cropped to
#: the card by two or three has two or three times that; log-normal, 17 to 122 mm at 95 % (judgement).
UNKNOWN_F35_MM = 45.0
UNKNOWN_F_LOG_U = 0.5
#: Residual distortion that a camera without a profile may have, standard uncertainty of k1 and k2.
UNKNOWN_K1_U = 0.08
UNKNOWN_K2_U = 0.05
#: Standard uncertainty of one edge point, pixels: the noise of a profile is 0.02 to 0.05 px, but neighbours share
#: what paper and mosaic do to them, so that 64 profiles a side count as about 16.
EDGE_U_PX = 0.08

#: Standard uncertainty of the principal point as a share of the picture's diagonal (sensor shift, cropping for
#: stabilisation); unmodelled, it would make the square's convergence look like better knowledge of f than it is.
PRINCIPAL_POINT_U = 0.004

#: Where the focal length is known no better than this, the other pose that a square allows is always solved to its
#: end; else only if after a few steps its sum of squares is within this margin.
POORLY_KNOWN_LOG_F_U = 0.1
PROMISE_ITERATIONS, PROMISE_MARGIN = 12, 10.0

#: What each solved parameter is called in a budget, in the order of the parameter vector.
PARAMETERS = ("focal length", "print scale", "lens", "lens", "lens", "lens", *("square",) * 6)


@dataclass(frozen=True)
class Prior:
    """What is known of the camera before the square is read.

    Parameters
    ----------
    camera : Camera
        Best knowledge of the intrinsic parameters.
    u_log_f : float
        Relative standard uncertainty of the focal length.
    u_k1, u_k2 : float
        Standard uncertainties of the radial distortion.
    u_centre : float
        Standard uncertainty of the principal point as a share of the picture's diagonal.
    distance_mm, u_distance_mm : float or None
        Distance from the camera's lens to the card's centre, if it was typed.
    source : str
        Where the focal length comes from, in words.
    covariance : (5, 5) nested tuple, optional
        Covariance of (log f, k1, k2, principal point x, y in pixels) from a camera profile; in place of the
        separate uncertainties, because a profile's errors hang together.
    """

    camera: Camera
    u_log_f: float
    u_k1: float = UNKNOWN_K1_U
    u_k2: float = UNKNOWN_K2_U
    u_centre: float = PRINCIPAL_POINT_U
    distance_mm: float | None = None
    u_distance_mm: float | None = None
    source: str = "unknown"
    covariance: tuple[tuple[float, ...], ...] | None = None

    def intrinsic_covariance(self) -> FloatArray:
        """Covariance (5, 5) of log f, k1, k2 and the principal point x, y in pixels."""
        if self.covariance is not None:
            return np.array(self.covariance, dtype=np.float64)
        u_centre_px = self.u_centre * float(np.hypot(2 * self.camera.cx_px + 1, 2 * self.camera.cy_px + 1))
        return np.asarray(np.diag([self.u_log_f, self.u_k1, self.u_k2, u_centre_px, u_centre_px]) ** 2)


def prior_for(
    width_px: int,
    height_px: int,
    *,
    f_px: float | None = None,
    u_rel_f: float = 0.04,
    distance_mm: float | None = None,
    u_distance_mm: float | None = None,
    source: str = "EXIF 35 mm equivalent",
) -> Prior:
    """Make the prior of a camera without a profile: principal point at the picture's centre.

    Parameters
    ----------
    width_px, height_px : int
        Size of the picture.
    f_px : float or None
        Focal length in pixels if it is known.
    u_rel_f : float
        Its relative standard uncertainty.
    distance_mm, u_distance_mm : float or None
        Typed distance of the camera from the card and its standard uncertainty (default 3 %, at least 3 mm).
    source : str
        Where `f_px` comes from.
    """
    known = f_px is not None
    f = f_px if f_px is not None else focal_from_35mm(UNKNOWN_F35_MM, width_px, height_px)
    if distance_mm is not None and u_distance_mm is None:
        u_distance_mm = max(3.0, 0.03 * distance_mm)
    if distance_mm is not None:
        source = f"{source} and typed camera distance" if known else "typed camera distance"
    elif not known:
        source = "not known"
    return Prior(
        Camera(f, (width_px - 1) / 2.0, (height_px - 1) / 2.0),
        u_rel_f if known else UNKNOWN_F_LOG_U,
        distance_mm=distance_mm,
        u_distance_mm=u_distance_mm,
        source=source,
    )


@dataclass(frozen=True)
class Solution:
    """The solved view with its uncertainty.

    Parameters
    ----------
    view : View
        Best estimate.
    variants : tuple of (str, View)
        Views moved by one standard uncertainty along independent directions (columns of the Cholesky factor of the
        covariance, focal length first); a result's standard uncertainty from the named cause is the root sum of
        squares of its changes.
    proportion : float
        Solved ratio of the print's scale across to that down, beyond what the check lines say.
    u_rel_f : float
        Relative standard uncertainty of the focal length, after the square has been read.
    residual_px : ndarray of shape (N,)
        Distance of each point from its line: the mean of both edges' distances for a band.
    kept : ndarray of shape (N,), bool
        Points that agree with the square.
    """

    view: View
    variants: tuple[tuple[str, View], ...]
    proportion: float
    u_rel_f: float
    residual_px: FloatArray
    kept: NDArray[np.bool_]


def solve(
    edges: SquareEdges, corners_px: FloatArray, half_mm: tuple[float, float], prior: Prior, u_proportion: float
) -> Solution:
    """Solve pose, focal length, distortion and print proportion.

    Parameters
    ----------
    edges : SquareEdges
        Edge points.
    corners_px : ndarray of shape (4, 2)
        Corners of the reference line, good to a few pixels, top left first, clockwise as printed.
    half_mm : tuple of 2 floats
        Half the reference line's true side across and down, as far as known.
    prior : Prior
        What is known of the camera.
    u_proportion : float
        Standard uncertainty of the logarithm of (scale across / scale down).

    Returns
    -------
    Solution
    """
    whitening = np.linalg.inv(np.linalg.cholesky(prior.intrinsic_covariance()))
    problem = _Problem(edges, np.array(half_mm), prior, u_proportion, whitening, np.zeros(edges.edge_px[..., 0].size))
    starts = _initial_views(corners_px, problem.half_mm, prior.camera)
    solved = _solve_from(problem, starts[0])
    for start in starts[1:]:
        if prior.u_log_f > POORLY_KNOWN_LOG_F_U or _promises(problem, start, problem.badness(solved)):
            solved = min(solved, _solve_from(problem, start), key=problem.badness)
    p, jacobian, kept, residual = solved
    noise = float(np.sqrt(np.mean(residual[kept] ** 2)))
    covariance = np.linalg.inv(jacobian.T @ jacobian) * max(1.0, (noise / EDGE_U_PX) ** 2)
    factor = np.linalg.cholesky(covariance)
    # A longer camera distance than thought matters less than a shorter one as much shorter: with the step towards
    # the shorter focal length, 1.96 times the change of a raised length covers 95 % even where f is hardly known.
    factor[:, 0] *= -1.0
    variants = tuple((name, problem.view(p + factor[:, k])) for k, name in enumerate(PARAMETERS))
    return Solution(
        view=problem.view(p),
        variants=variants,
        proportion=float(np.exp(p[1])),
        u_rel_f=float(np.sqrt(covariance[0, 0])),
        residual_px=residual,
        kept=kept,
    )


@dataclass(frozen=True)
class _Rows:
    """Linearised equations at one parameter vector, each divided by its standard uncertainty."""

    residual_px: FloatArray
    values: FloatArray
    jacobian: FloatArray


@dataclass(frozen=True)
class _Problem:
    """The equations of one photograph.

    Parameters: log f, log of the print's proportion, k1, k2, principal point x, y (all as differences from the
    prior), Rodrigues vector, centre of the card in camera millimetres with z divided by the change of f: distance
    and focal length act alike, solving their ratio keeps the problem well conditioned.
    """

    edges: SquareEdges
    half_mm: FloatArray
    prior: Prior
    u_proportion: float
    whitening: FloatArray
    along_mm: FloatArray

    def with_places(self, view: View) -> _Problem:
        """The same problem with the points' places along their lines as seen in this view, where it sees them."""
        along = lines.places_along(view, self.edges.edge_px.reshape(-1, 2), self._repeated(NORMALS[self.edges.side]))
        return replace(self, along_mm=np.where(np.isfinite(along), along, self.along_mm))

    def _repeated(self, values: FloatArray) -> FloatArray:
        """Values of the profiles once for each edge."""
        return np.concatenate([values] * len(self.edges.edge_place))

    def view(self, p: FloatArray) -> View:
        q = [float(value) for value in p]
        stretch = float(np.exp(np.clip(q[0], -3.0, 3.0)))  # the solver may try any step
        known = self.prior.camera
        camera = replace(
            known,
            f_px=known.f_px * stretch,
            k1=(known.k1 + q[2]) * stretch**2,
            k2=(known.k2 + q[3]) * stretch**4,
            cx_px=known.cx_px + q[4],
            cy_px=known.cy_px + q[5],
        )
        return View(camera, (q[6], q[7], q[8]), (q[9], q[10], q[11] * stretch))

    def rows(self, p: FloatArray, kept: NDArray[np.bool_]) -> _Rows:
        view = self.view(p)
        side, place = self.edges.side, self.edges.edge_place
        # +1 for a side whose distance grows with the scale across, -1 for one that grows with the scale down.
        across = self._repeated(np.where(side % 2 == 1, 1.0, -1.0))
        half = np.where(across > 0, self.half_mm[0], self.half_mm[1]) * np.repeat(place, len(side))
        offsets = half * np.exp(0.5 * across * p[1])
        fit = lines.distances(
            view, self.edges.edge_px.reshape(-1, 2), self._repeated(NORMALS[side]), offsets, self.along_mm
        )
        stretch = float(np.exp(p[0]))
        camera = view.camera
        jacobian = np.column_stack(
            [
                fit.by_camera[:, [0, 3, 4]] @ (camera.f_px, 2.0 * camera.k1, 4.0 * camera.k2)
                + fit.by_t[:, 2] * view.t_mm[2],
                fit.by_offset * offsets * 0.5 * across,
                fit.by_camera[:, [3, 4]] * (stretch**2, stretch**4),
                fit.by_camera[:, [1, 2]],
                fit.by_rvec,
                fit.by_t * (1.0, 1.0, stretch),
            ]
        )
        # Ink spread moves the band's two edges opposite ways; their mean is the measure.
        jacobian = jacobian.reshape(len(place), len(side), -1).mean(axis=0)
        residual = fit.residual_px.reshape(len(place), len(side)).mean(axis=0)
        known_values, known_jacobian = self._knowledge(p, view)
        return _Rows(
            residual,
            np.concatenate([residual[kept] / EDGE_U_PX, known_values]),
            np.vstack([jacobian[kept] / EDGE_U_PX, known_jacobian]),
        )

    def badness(self, solved: _Solved) -> float:
        """How badly edge points and previous knowledge disagree; points far off count as little as just off."""
        values, _ = self._knowledge(solved.p, self.view(solved.p))
        return float(values @ values + np.sum(np.minimum(np.abs(solved.residual_px / EDGE_U_PX), 4.0) ** 2))

    def _knowledge(self, p: FloatArray, view: View) -> tuple[FloatArray, FloatArray]:
        """What is known beforehand, as equations that should be zero with standard uncertainty 1."""
        prior = self.prior
        whitening = self.whitening
        jacobian = np.zeros((7, len(p)))
        values = np.zeros(7)
        stretch = float(np.exp(p[0]))
        k1, k2 = view.camera.k1, view.camera.k2
        values[:5] = whitening @ [p[0], k1 - prior.camera.k1, k2 - prior.camera.k2, p[4], p[5]]
        jacobian[:5, [0, 2, 3, 4, 5]] = whitening * (1.0, stretch**2, stretch**4, 1.0, 1.0)
        jacobian[:5, 0] += whitening[:, 1] * 2.0 * k1 + whitening[:, 2] * 4.0 * k2
        u_proportion = max(self.u_proportion, 1e-6)
        values[5], jacobian[5, 1] = p[1] / u_proportion, 1.0 / u_proportion
        if prior.distance_mm is None or prior.u_distance_mm is None:
            return values[:6], jacobian[:6]
        # The card's centre in camera coordinates is as far away as the camera is from the card's centre.
        t = np.array(view.t_mm)
        distance = float(np.linalg.norm(t))
        values[6] = (distance - prior.distance_mm) / prior.u_distance_mm
        jacobian[6, 9:12] = t / distance * (1.0, 1.0, stretch) / prior.u_distance_mm
        jacobian[6, 0] = t[2] ** 2 / distance / prior.u_distance_mm
        return values, jacobian


def _promises(problem: _Problem, start: View, rival: float) -> bool:
    """Whether the other pose comes near the first one's quality in a few steps; going all the way takes fifty."""
    p = _start(start)
    placed = problem.with_places(problem.view(p))
    everything = np.full(len(problem.edges.side), True)
    _, rows = minimise(partial(placed.rows, kept=everything), p, iterations=PROMISE_ITERATIONS)
    return float(rows.values @ rows.values) < rival + PROMISE_MARGIN


def _start(view: View) -> FloatArray:
    return np.concatenate([np.zeros(6), view.rvec, view.t_mm])


class _Solved(NamedTuple):
    p: FloatArray
    jacobian: FloatArray
    kept: NDArray[np.bool_]
    residual_px: FloatArray


def _solve_from(problem: _Problem, start: View) -> _Solved:
    """Solve from one starting pose, leaving out points that disagree."""
    p = _start(start)
    kept = np.full(len(problem.edges.side), True)
    for _ in range(4):
        problem = problem.with_places(problem.view(p))
        p, rows = minimise(partial(problem.rows, kept=kept), p)
        distance = np.abs(rows.residual_px)
        limit = max(4.0 * 1.4826 * float(np.median(distance[kept])), 0.25)
        agreeing = distance < limit
        if (agreeing == kept).all():
            break
        kept = agreeing
    return _Solved(p, rows.jacobian, kept, rows.residual_px)


def _initial_views(corners_px: FloatArray, half: FloatArray, camera: Camera) -> list[View]:
    """Both poses that four corners allow: tilted one way or the other, hard to tell apart from far away."""
    points = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    # IPPE wants the square's plane as z = 0.
    object_points = np.column_stack([points, np.zeros(4)])
    found = cv2.solvePnPGeneric(
        object_points, corners_px.astype(np.float64), camera.matrix, camera.distortion, flags=cv2.SOLVEPNP_IPPE
    )
    views = []
    for rvec, t in zip(found[1], found[2], strict=True):
        r = np.asarray(rvec, dtype=np.float64).reshape(3)
        c = np.asarray(t, dtype=np.float64).reshape(3)
        if np.isfinite(r).all() and np.isfinite(c).all() and c[2] > 0:
            views.append(View(camera, (r[0], r[1], r[2]), (c[0], c[1], c[2])))
    return views
