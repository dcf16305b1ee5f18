"""The photograph along an outline: light on its normals, each sampled at its own height from the original pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LUMINANCE_WEIGHTS, LightImage
from rimsight.vision.outline import HeightRule
from rimsight.vision.polar import ARC_SMOOTHING_PX, RADIAL_STEP_PX, PolarMap
from rimsight.vision.shape_models import Curve, Family, curve_of

FloatArray = NDArray[np.float64]

#: Distance of the normals along the outline, pixels, and how many there are at most.
STEP_PX, COARSE_STEP_PX = 1.6, 4.0
LARGEST_COUNT = 900


@dataclass(frozen=True)
class Patch:
    """Part of the photograph, made ready for sampling between pixels many times over.

    Parameters
    ----------
    corner_px : tuple of 2 ints
        Its first column and row.
    splines : list of ndarray of shape (h, w)
        Spline coefficients of the linear light R, G, B.
    """

    corner_px: tuple[int, int]
    splines: list[NDArray[np.float32]]

    def sample(self, xy_px: FloatArray, *, colour: bool) -> FloatArray:
        """Linear light at (..., 2) positions: (..., 3), or the luminance (..., 1); NaN outside."""
        x, y = xy_px[..., 0] - self.corner_px[0], xy_px[..., 1] - self.corner_px[1]
        at = np.stack([y, x])
        height, width = self.splines[0].shape
        outside = (x < 0) | (y < 0) | (x > width - 1) | (y > height - 1)
        planes = self.splines
        if not colour:
            planes = [np.asarray(sum(w * s for w, s in zip(LUMINANCE_WEIGHTS, self.splines, strict=True)), np.float32)]
        values = [
            ndimage.map_coordinates(plane, at, order=3, prefilter=False, mode="mirror", output=np.float64)
            for plane in planes
        ]
        light = np.stack(values, axis=-1)
        light[outside] = np.nan
        return np.asarray(light)


def patch_round(image: LightImage, points_px: FloatArray, margin_px: int = 40) -> Patch:
    """Cut the part of the photograph round points (N, 2) and prepare it; cubic splines, as `LightImage.sample_rgb`."""
    x0, y0, x1, y1 = image.window(points_px, margin_px=margin_px)
    light = image.region(x0, y0, x1, y1)
    splines = [ndimage.spline_filter(light[:, :, c], order=3, output=np.float32) for c in range(3)]
    return Patch((x0, y0), splines)


def unroll_along(
    patch: Patch,
    view: View,
    family: Family,
    parameters: FloatArray,
    heights: HeightRule,
    blur_px: float,
    window_px: float,
    *,
    coarse: bool = False,
    colour: bool = True,
) -> tuple[Curve, PolarMap, FloatArray] | None:
    """Sample the photograph along the normals of an outline, each in the plane at its own height.

    Returns
    -------
    (Curve, PolarMap, ndarray of shape (N, R, 2)) or None
        The map's radii are offsets from the outline, outward positive; the pixels of its samples. None where it leaves
        the photograph.
    """
    middle = parameters[:6].reshape(3, 2).mean(axis=0) if family.name == "triangle" else parameters[:2]
    flat = np.array([[1.0, 0.0], [-1.0, 0.0]])
    typical = float(np.mean(heights(view, np.vstack([middle, middle]), flat)))
    scale = view.px_per_mm((float(middle[0]), float(middle[1])), typical)
    rough = curve_of(family, parameters, 4.0 / scale)
    wanted = COARSE_STEP_PX if coarse else STEP_PX
    step = max(wanted / scale, rough.length_mm / (LARGEST_COUNT // 3 if coarse else LARGEST_COUNT))
    curve = curve_of(family, parameters, step)
    if len(curve.points_mm) < 24 or not np.isfinite(curve.points_mm).all():
        return None
    inner, outer = 4.0 + window_px + 2.0 * blur_px, 11.0 + window_px + 3.0 * blur_px
    radial = 2.0 * RADIAL_STEP_PX if coarse else RADIAL_STEP_PX
    offsets = np.arange(-inner, outer + radial, radial) / scale
    own = heights(view, curve.points_mm, curve.normals)
    points = curve.points_mm[:, None, :] + offsets[None, :, None] * curve.normals[:, None, :]
    count = len(offsets)
    pixels = view.to_pixels(points.reshape(-1, 2), np.repeat(own, count)).reshape(len(own), count, 2)
    light = patch.sample(pixels, colour=colour)
    if not np.isfinite(light).mean() > 0.98:
        return None
    light = np.nan_to_num(light)
    sigma = ARC_SMOOTHING_PX / (curve.step_mm * scale)
    for part in np.unique(curve.part):
        mine = curve.part == part
        mode = "wrap" if family.parts == 1 else "nearest"
        light[mine] = ndimage.gaussian_filter1d(light[mine], sigma, axis=0, mode=mode)
    angles = np.arange(len(own)) * 2.0 * np.pi / len(own)
    return curve, PolarMap(np.asarray(middle), typical, angles, np.asarray(offsets), light, scale), pixels
