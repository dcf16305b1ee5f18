"""How far observed edge points lie from the straight lines they belong to, with all derivatives.

The square's sides and the markers' sides are lines parallel to the card's axes. The residual is the distance in the
photograph between an observed point and the projection of its line, so the lens is applied forwards and nothing is
resampled. Derivatives come from OpenCV's `projectPoints`: a solution takes a few milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rimsight.calibration.camera import FloatArray, View

#: Columns of the derivative with respect to the camera: f, cx, cy, k1, k2, p1, p2, k3.
CAMERA_COLUMNS = ("f_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3")


@dataclass(frozen=True)
class LineFit:
    """Residuals and their derivatives.

    Parameters
    ----------
    residual_px : ndarray of shape (N,)
        Distance of each point from its line, positive on the side that the line's normal points to.
    by_rvec, by_t : ndarray of shape (N, 3)
        Derivatives by the Rodrigues vector and by the card's centre in camera millimetres.
    by_camera : ndarray of shape (N, 8)
        Derivatives by the intrinsic parameters, see `CAMERA_COLUMNS`.
    by_offset : ndarray of shape (N,)
        Derivative by the line's distance from the card's centre, pixels per millimetre.
    """

    residual_px: FloatArray
    by_rvec: FloatArray
    by_t: FloatArray
    by_camera: FloatArray
    by_offset: FloatArray


def places_along(view: View, points_px: FloatArray, normals: FloatArray) -> FloatArray:
    """Where along its line each point lies, (N,) card millimetres, as seen in this view."""
    return np.asarray(np.sum(view.to_plane(points_px) * _tangents(normals), axis=1))


def _tangents(normals: FloatArray) -> FloatArray:
    return np.column_stack([-normals[:, 1], normals[:, 0]])


def distances(
    view: View, points_px: FloatArray, normals: FloatArray, offsets_mm: FloatArray, along_mm: FloatArray
) -> LineFit:
    """Distances of points in the photograph from lines in the card's plane.

    Parameters
    ----------
    view : View
        Camera and pose.
    points_px : ndarray of shape (N, 2)
        Observed points, x then y, pixels.
    normals : ndarray of shape (N, 2)
        Unit normal of each point's line, card axes.
    offsets_mm : ndarray of shape (N,)
        The line is where normal . x = offset, card millimetres.
    along_mm : ndarray of shape (N,)
        Where along its line each point lies, see `places_along`. A pose near the solution is good enough: 0.3 mm
        along a line that the lens bends by 10 px change a distance by less than 0.001 px.

    Returns
    -------
    LineFit
    """
    feet = normals * np.reshape(offsets_mm, (-1, 1)) + _tangents(normals) * np.reshape(along_mm, (-1, 1))
    camera = view.camera
    projected, jacobian = cv2.projectPoints(
        np.column_stack([feet, np.zeros(len(feet))]),
        np.array(view.rvec, dtype=np.float64),
        np.array(view.t_mm, dtype=np.float64),
        camera.matrix,
        camera.distortion,
    )
    foot_px = np.asarray(projected, dtype=np.float64).reshape(-1, 2)
    by_all = np.asarray(jacobian, dtype=np.float64).reshape(len(feet), 2, -1)
    # d pixel / d card point = d pixel / d t . R
    by_point = by_all[:, :, 3:6] @ view.rotation
    along = np.einsum("nij,nj->ni", by_point[:, :, :2], _tangents(normals))
    across = np.column_stack([along[:, 1], -along[:, 0]])
    outwards = np.einsum("nij,nj->ni", by_point[:, :, :2], normals)
    across *= (np.sign(np.sum(across * outwards, axis=1)) / np.linalg.norm(across, axis=1))[:, None]
    derivative = -np.einsum("ni,nij->nj", across, by_all)
    return LineFit(
        residual_px=np.sum(across * (np.asarray(points_px, dtype=np.float64) - foot_px), axis=1),
        by_rvec=derivative[:, 0:3],
        by_t=derivative[:, 3:6],
        by_camera=np.column_stack([derivative[:, 6] + derivative[:, 7], derivative[:, 8:15]]),
        by_offset=-np.sum(across * outwards, axis=1),
    )
