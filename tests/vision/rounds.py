"""Photographs of matte discs and rings with exact truth, for the tests of edges, rings and fields."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage, encode_srgb
from tests.synthetic import Disc, Scene, look, photograph

FloatArray = NDArray[np.float64]
#: Small pictures: 900 x 700 px at about 20 px/mm.
SIZE = (900, 700)


def near_look(tilt_deg: float = 6.0, *, aim_mm: tuple[float, float] = (0.0, 0.0), px_per_mm: float = 20.0) -> View:
    """A view of 900 x 700 px from 160 mm."""
    return look(tilt_deg=tilt_deg, f_px=px_per_mm * 160.0, distance_mm=160.0, size=SIZE, aim_mm=aim_mm)


def photo_of(view: View, *things: Disc, **changes: object) -> LightImage:
    """Photograph discs on plain paper, no card in view."""
    return photograph(view, Scene(cards=(), things=things).but(**changes), size=SIZE)


def coloured(
    view: View,
    disc: Disc,
    inside: tuple[float, float, float],
    outside: tuple[float, float, float],
    *,
    blur_px: float = 0.8,
    noise: float = 0.004,
) -> LightImage:
    """Photograph one disc whose three channels differ from the ground's: linear light R, G, B."""
    channels = [
        photo_of(view, Disc(disc.x_mm, disc.y_mm, disc.radius_mm, disc.height_mm, light=a), white=b, blur_px=blur_px,
                 noise=noise, seed=k)
        for k, (a, b) in enumerate(zip(inside, outside, strict=True))
    ]  # fmt: skip
    return LightImage(np.ascontiguousarray(np.stack([image.codes[:, :, 0] for image in channels], axis=2)))


def drawn(
    light: Callable[[FloatArray, FloatArray], FloatArray],
    view: View,
    height_mm: float,
    *,
    blur_px: float,
    factor: int = 4,
) -> LightImage:
    """A picture whose light is a function of the place (x, y in millimetres) in the plane at a height.

    Drawn `factor` times as fine and averaged, then blurred; no noise.
    """
    width, height = SIZE
    # Rays are cast on a coarse grid; between its points a bicubic spline is good to 1e-6 px.
    grid_x, grid_y = (np.arange(-16.0, size + 32.0, 16.0) for size in SIZE)
    gx, gy = np.meshgrid(grid_x, grid_y)
    cast = view.to_plane(np.column_stack([gx.ravel(), gy.ravel()]), height_mm).reshape(*gx.shape, 2)
    across, down = (RectBivariateSpline(grid_y, grid_x, cast[:, :, k], s=0) for k in (0, 1))
    # Centres of the fine pixels in the coordinates of the coarse ones.
    xs, ys = ((np.arange(size * factor) + 0.5) / factor - 0.5 for size in SIZE)
    out = np.empty((height, width))
    for row in range(0, height, 50):
        part = ys[row * factor : (row + 50) * factor]
        values = light(across(part, xs).ravel(), down(part, xs).ravel())
        out[row : row + 50] = values.reshape(len(part) // factor, factor, width, factor).mean(axis=(1, 3))
    soft = cv2.GaussianBlur(out, (0, 0), blur_px) if blur_px > 0 else out
    codes = (encode_srgb(np.clip(np.asarray(soft), 0.0, 1.0)) * 65535.0 + 0.5).astype(np.uint16)
    return LightImage(np.ascontiguousarray(np.repeat(codes[:, :, None], 3, axis=2)))
