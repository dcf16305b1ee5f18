"""Pose of the card, focal length and lens together, from the square's edge points and what is known beforehand.

One least-squares problem: every edge point's distance from its side of the square (in pixels), and as further
equations what is known beforehand, each weighted by its standard uncertainty: focal length (EXIF, a profile), the
camera's distance, the print's proportion, the lens. What the photograph itself can tell (the square's convergence,
the straightness of its sides) then improves on what was known, and the covariance says how well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from rimsight.calibration.band import NORMALS, SquareEdges
from rimsight.calibration.camera import Camera, View, focal_from_35mm
from rimsight.calibration.pixels import FloatArray

#: Where nothing is known: phones' cameras lie between 20 and 80 mm equivalent, most near 28; log-normal.
UNKNOWN_F35_MM = 30.0
UNKNOWN_F_LOG_U = 0.35
#: Residual distortion that a camera without a profile may have, standard uncertainty of k1 and k2.
UNKNOWN_K1_U = 0.08
UNKNOWN_K2_U = 0.05
#: Standard uncertainty of one edge point, pixels: the noise of a profile is 0.02 to 0.05 px, but neighbours share
#: what paper and mosaic do to them, so that 64 profiles a side count as about 16.
EDGE_U_PX = 0.08

#: Standard uncertainty of the principal point as a share of the picture's diagonal (sensor shift, cropping for
#: stabilisation); unmodelled, it would make the square's convergence look like better knowledge of f than it is.
PRINCIPAL_POINT_U = 0.004

#: What each solved parameter is called in a budget, in the order of the parameter vector.
PARAMETERS = ("focal length", "print scale", "lens", "lens", "lens", "lens", *("square",) * 6)
#: Typical steps of the parameters, for the solver's scaling.
STEPS = np.array([0.03, 0.01, 0.03, 0.03, 10.0, 10.0, 0.01, 0.01, 0.01, 1.0, 1.0, 1.0])


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
    """

    camera: Camera
    u_log_f: float
    u_k1: float = UNKNOWN_K1_U
    u_k2: float = UNKNOWN_K2_U
    u_centre: float = PRINCIPAL_POINT_U
    distance_mm: float | None = None
    u_distance_mm: float | None = None
    source: str = "unknown"


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
        Distance of each edge point from its line.
    kept : ndarray of shape (N,), bool
        Points that agree with the square.
    """

    view: View
    variants: tuple[tuple[str, View], ...]
    proportion: float
    u_rel_f: float
    residual_px: FloatArray
    kept: np.ndarray


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
    half = np.array(half_mm)
    start = _initial_view(corners_px, half, prior.camera)
    normal = NORMALS[edges.side]
    scale_px = start.px_per_mm()
    u_proportion = max(u_proportion, 1e-6)
    u_centre_px = prior.u_centre * float(np.hypot(2 * prior.camera.cx_px + 1, 2 * prior.camera.cy_px + 1))

    def unpack(p: FloatArray) -> View:
        q = [float(value) for value in p]
        stretch = float(np.exp(q[0]))
        camera = replace(
            prior.camera,
            f_px=prior.camera.f_px * stretch,
            k1=prior.camera.k1 + q[2],
            k2=prior.camera.k2 + q[3],
            cx_px=prior.camera.cx_px + q[4],
            cy_px=prior.camera.cy_px + q[5],
        )
        # Distance and focal length act alike: solving distance / f keeps the problem well conditioned. A shift of
        # the principal point likewise turns the pose, which the solver finds by itself.
        return View(camera, (q[6], q[7], q[8]), (q[9], q[10], q[11] * stretch))

    def distances_px(p: FloatArray) -> FloatArray:
        xy = unpack(p).to_plane(edges.points_px)
        scaled = half * np.exp(np.array([0.5, -0.5]) * p[1])
        return np.asarray((np.sum(xy * normal, axis=1) - np.abs(normal) @ scaled) * scale_px)

    def knowledge(p: FloatArray) -> FloatArray:
        rows = [p[0] / prior.u_log_f, p[1] / u_proportion, p[2] / prior.u_k1, p[3] / prior.u_k2]
        rows += [p[4] / u_centre_px, p[5] / u_centre_px]
        if prior.distance_mm is not None and prior.u_distance_mm is not None:
            rows.append((float(np.linalg.norm(unpack(p).position_mm)) - prior.distance_mm) / prior.u_distance_mm)
        return np.array(rows)

    kept = np.ones(len(edges.side), dtype=bool)
    p0 = np.concatenate([np.zeros(6), start.rvec, start.t_mm])
    for _ in range(3):
        def residuals(p: FloatArray, use: np.ndarray = kept) -> FloatArray:
            return np.concatenate([distances_px(p)[use] / EDGE_U_PX, knowledge(p)])

        fit = least_squares(
            residuals, p0, x_scale=STEPS, method="trf", max_nfev=30)
        p0 = fit.x
        distance = np.abs(distances_px(p0))
        limit = max(4.0 * 1.4826 * float(np.median(distance[kept])), 0.25)
        agreeing = distance < limit
        if (agreeing == kept).all():
            break
        kept = agreeing
    residual = distances_px(p0)
    noise = float(np.sqrt(np.mean(residual[kept] ** 2)))
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * max(1.0, (noise / EDGE_U_PX) ** 2)
    factor = np.linalg.cholesky(covariance + np.diag(np.full(len(p0), 1e-16)))
    variants = tuple((name, unpack(p0 + factor[:, k])) for k, name in enumerate(PARAMETERS))
    return Solution(
        view=unpack(p0),
        variants=variants,
        proportion=float(np.exp(p0[1])),
        u_rel_f=float(np.sqrt(covariance[0, 0])),
        residual_px=residual,
        kept=kept,
    )


def _initial_view(corners_px: FloatArray, half: FloatArray, camera: Camera) -> View:
    points = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    # IPPE wants the square's plane as z = 0 and returns both solutions of the planar ambiguity, the better first.
    object_points = np.column_stack([points, np.zeros(4)])
    found = cv2.solvePnPGeneric(
        object_points, corners_px.astype(np.float64), camera.matrix, camera.distortion, flags=cv2.SOLVEPNP_IPPE
    )
    rvec = np.asarray(found[1][0], dtype=np.float64).reshape(3)
    t = np.asarray(found[2][0], dtype=np.float64).reshape(3)
    return View(camera, (rvec[0], rvec[1], rvec[2]), (t[0], t[1], t[2]))
