"""The camera: pinhole with radial and tangential distortion, and how a card lies in front of it.

Camera coordinates follow OpenCV: x right, y down, z along the view. Card coordinates: origin at the centre of the
square, x right and y down as printed, z INTO the card, in millimetres; a point `height_mm` above the card has
z = -height_mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Diagonal of the 36 x 24 mm frame, to which 35 mm-equivalent focal lengths refer (CIPA DCG-001, from memory).
DIAGONAL_35MM = 43.2666

#: The lens is inverted until nothing changes by more than this (1e-9 px at a focal length of 4000 px).
INVERSION_LIMIT = 2.5e-13
INVERSION_ROUNDS = 100


@dataclass(frozen=True)
class Camera:
    """Intrinsic parameters of a camera.

    Parameters
    ----------
    f_px : float
        Focal length in pixels (square pixels).
    cx_px, cy_px : float
        Principal point, pixels.
    k1, k2, p1, p2, k3 : float
        Distortion in OpenCV's order: radial 1 + k1 r^2 + k2 r^4 + k3 r^6, tangential p1, p2.
    """

    f_px: float
    cx_px: float
    cy_px: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0

    @property
    def matrix(self) -> FloatArray:
        """Camera matrix (3, 3)."""
        return np.array([[self.f_px, 0.0, self.cx_px], [0.0, self.f_px, self.cy_px], [0.0, 0.0, 1.0]])

    @property
    def distortion(self) -> FloatArray:
        """Distortion (k1, k2, p1, p2, k3)."""
        return np.array([self.k1, self.k2, self.p1, self.p2, self.k3])

    def normalized(self, xy_px: FloatArray) -> FloatArray:
        """Directions of the rays through pixels.

        Parameters
        ----------
        xy_px : ndarray of shape (N, 2)
            Positions in the photograph, x then y.

        Returns
        -------
        ndarray of shape (N, 2)
            x/z and y/z of the undistorted rays; NaN where the lens model has no ray for that pixel.
        """
        plain = (np.asarray(xy_px, dtype=np.float64).reshape(-1, 2) - (self.cx_px, self.cy_px)) / self.f_px
        k1, k2, p1, p2, k3 = self.distortion
        if not (k1 or k2 or p1 or p2 or k3):
            return np.asarray(plain)
        x, y = plain[:, 0].copy(), plain[:, 1].copy()
        # Fixed-point iteration (the method of OpenCV's undistortPoints); the contraction factor is about
        # 3 k1 r^2 < 0.2 for phones, so a dozen rounds are the rule.
        with np.errstate(all="ignore"):
            for _ in range(INVERSION_ROUNDS):
                r2 = x * x + y * y
                radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
                dx = 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
                dy = p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
                new_x, new_y = (plain[:, 0] - dx) / radial, (plain[:, 1] - dy) / radial
                change = np.abs(new_x - x) + np.abs(new_y - y)
                x, y = new_x, new_y
                if not (change > INVERSION_LIMIT).any():
                    break
        # Beyond the radius at which the lens model folds over there is no ray; say so instead of returning any.
        lost = ~(change <= INVERSION_LIMIT)
        return np.column_stack([np.where(lost, np.nan, x), np.where(lost, np.nan, y)])

    def pixels(self, xy: FloatArray) -> FloatArray:
        """Pixels (N, 2) of rays given as x/z, y/z (N, 2); the inverse of `normalized`."""
        x, y = np.asarray(xy, dtype=np.float64).reshape(-1, 2).T
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        dx = 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
        dy = p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
        distorted = np.column_stack([x * radial + dx, y * radial + dy])
        return np.asarray(distorted * self.f_px + (self.cx_px, self.cy_px))


@dataclass(frozen=True)
class View:
    """A camera and the card's pose in front of it.

    Parameters
    ----------
    camera : Camera
        Intrinsic parameters.
    rvec : tuple of 3 floats
        Rotation card -> camera as a Rodrigues vector.
    t_mm : tuple of 3 floats
        The card's centre in camera coordinates, millimetres.
    """

    camera: Camera
    rvec: tuple[float, float, float]
    t_mm: tuple[float, float, float]

    @property
    def rotation(self) -> FloatArray:
        """Rotation matrix card -> camera, (3, 3)."""
        return np.asarray(cv2.Rodrigues(np.array(self.rvec, dtype=np.float64))[0], dtype=np.float64)

    @property
    def position_mm(self) -> FloatArray:
        """The camera's centre in card coordinates, (3,); its z is negative (the camera is above the card)."""
        return np.asarray(-self.rotation.T @ np.array(self.t_mm))

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the card's normal, degrees."""
        return float(np.degrees(np.arccos(np.clip(abs(self.rotation[2, 2]), 0.0, 1.0))))

    @property
    def distance_mm(self) -> float:
        """Height of the camera's centre above the card's plane, millimetres."""
        return float(-self.position_mm[2])

    def with_camera(self, **changes: float) -> View:
        """The same pose with some intrinsic parameters changed."""
        return replace(self, camera=replace(self.camera, **changes))

    def to_plane(self, xy_px: FloatArray, height_mm: float | FloatArray = 0.0) -> FloatArray:
        """Map pixels to the plane at a height above the card (ray-plane intersection).

        Parameters
        ----------
        xy_px : ndarray of shape (N, 2)
            Positions in the photograph, x then y, pixels.
        height_mm : float or ndarray of shape (N,)
            Height of each point above the card, millimetres.

        Returns
        -------
        ndarray of shape (N, 2)
            Card coordinates x, y in millimetres; NaN where the ray does not meet the plane before the camera.
        """
        rays = self.camera.normalized(xy_px)
        directions = np.column_stack([rays, np.ones(len(rays))]) @ self.rotation  # rows: R.T @ d
        origin = self.position_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            along = (-np.asarray(height_mm, dtype=np.float64) - origin[2]) / directions[:, 2]
        along = np.where(along > 0.0, along, np.nan)
        return origin[:2] + directions[:, :2] * along[:, None]

    def to_pixels(self, xy_mm: FloatArray, height_mm: float | FloatArray = 0.0) -> FloatArray:
        """Project points (N, 2) in card millimetres at a height above the card to pixels (N, 2)."""
        xy = np.asarray(xy_mm, dtype=np.float64).reshape(-1, 2)
        z = np.broadcast_to(-np.asarray(height_mm, dtype=np.float64), (len(xy),))
        camera_xyz = np.column_stack([xy, z]) @ self.rotation.T + np.array(self.t_mm)
        return self.camera.pixels(camera_xyz[:, :2] / camera_xyz[:, 2:3])

    def px_per_mm(self, xy_mm: tuple[float, float] = (0.0, 0.0), height_mm: float = 0.0) -> float:
        """Local scale at a point (geometric mean of both directions), pixels per millimetre."""
        x, y = xy_mm
        step = 0.5
        p = self.to_pixels(
            np.array([[x - step, y], [x + step, y], [x, y - step], [x, y + step]]), np.full(4, height_mm)
        )
        jacobian = np.column_stack([(p[1] - p[0]) / (2 * step), (p[3] - p[2]) / (2 * step)])
        return float(np.sqrt(abs(np.linalg.det(jacobian))))

    def slant(self, xy_mm: FloatArray, height_mm: float | FloatArray = 0.0) -> FloatArray:
        """Horizontal shift per millimetre of height along the line of sight, (N, 2).

        A point at height h + dh seen at the same pixel as one at height h lies ``slant * dh`` from it: towards the
        foot of the camera's perpendicular on the card.
        """
        xy = np.asarray(xy_mm, dtype=np.float64).reshape(-1, 2)
        origin = self.position_mm
        above = -origin[2] - np.asarray(height_mm, dtype=np.float64)
        return (origin[:2] - xy) / np.reshape(above, (-1, 1))


def focal_from_35mm(f35_mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels from the EXIF 35 mm-equivalent, by the diagonal.

    Parameters
    ----------
    f35_mm : float
        FocalLengthIn35mmFilm, millimetres.
    width_px, height_px : int
        Size of the uncropped picture.

    Returns
    -------
    float
        Focal length, pixels.
    """
    return f35_mm * float(np.hypot(width_px, height_px)) / DIAGONAL_35MM
