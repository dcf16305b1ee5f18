"""The pixel convention, the decoding to linear light, and sampling between pixels.

Pixel convention of the whole program
-------------------------------------
The CENTRE of the top-left pixel is (0, 0); x grows to the right, y downwards. The picture therefore spans
-0.5 .. width - 0.5. Points are `(N, 2)` float64 arrays, x before y. A reduced copy made by averaging n x n
blocks maps back by ``x = (x_reduced + 0.5) * n - 0.5``.

Linear light
------------
An edge is where the light is half way between both sides. On sRGB code values that point lies 0.3 to 0.6 px
away from the edge (dark discs shrink, bright ones grow), so every measurement reads decoded values.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

# IEC 61966-2-1:1999, sRGB.
SRGB_LINEAR_LIMIT = 0.04045
SRGB_LINEAR_SLOPE = 12.92
SRGB_OFFSET = 0.055
SRGB_EXPONENT = 2.4
#: Relative luminance of the sRGB primaries, IEC 61966-2-1.
LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)

#: Pixels kept round a sampled region so that the spline's mirrored border can't reach the samples: the
#: influence of a border pixel on a cubic spline falls by 0.27 a pixel, 0.27**8 = 3e-5.
SPLINE_MARGIN_PX = 8

FloatArray = NDArray[np.float64]


def decode_srgb(code: FloatArray) -> FloatArray:
    """Decode sRGB values to linear light.

    Parameters
    ----------
    code : ndarray of float
        sRGB values, 0 to 1, any shape.

    Returns
    -------
    ndarray of float
        Linear light, 0 to 1, same shape (IEC 61966-2-1).
    """
    code = np.asarray(code, dtype=np.float64)
    low = code / SRGB_LINEAR_SLOPE
    high = ((np.maximum(code, 0.0) + SRGB_OFFSET) / (1.0 + SRGB_OFFSET)) ** SRGB_EXPONENT
    return np.where(code <= SRGB_LINEAR_LIMIT, low, high)


def encode_srgb(light: FloatArray) -> FloatArray:
    """Encode linear light (0 to 1) as sRGB values (0 to 1); the inverse of `decode_srgb`."""
    light = np.asarray(light, dtype=np.float64)
    low = light * SRGB_LINEAR_SLOPE
    high = (1.0 + SRGB_OFFSET) * np.maximum(light, 0.0) ** (1.0 / SRGB_EXPONENT) - SRGB_OFFSET
    return np.where(light <= SRGB_LINEAR_LIMIT / SRGB_LINEAR_SLOPE, low, high)


_TABLES: dict[int, NDArray[np.float32]] = {}


def _decode_table(levels: int) -> NDArray[np.float32]:
    if levels not in _TABLES:
        _TABLES[levels] = decode_srgb(np.arange(levels) / (levels - 1)).astype(np.float32)
    return _TABLES[levels]


@dataclass(frozen=True)
class LightImage:
    """A picture as the camera stored it, decoded to linear light where it is read.

    The stored codes stay as they are (a 48 MP photo in float32 RGB would take 576 MB); regions are decoded through
    a table on demand, always by the same rule.

    Parameters
    ----------
    codes : ndarray of shape (H, W) or (H, W, 3), uint8 or uint16
        sRGB-coded values, rows from top to bottom, channels R, G, B.
    """

    codes: NDArray[np.uint8] | NDArray[np.uint16]
    _gray: list[NDArray[np.uint8]] = field(default_factory=list, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.codes.dtype not in (np.uint8, np.uint16):
            raise ValueError(f"codes must be uint8 or uint16, not {self.codes.dtype}")
        if self.codes.ndim not in (2, 3) or (self.codes.ndim == 3 and self.codes.shape[2] != 3):
            raise ValueError(f"codes must have shape (H, W) or (H, W, 3), not {self.codes.shape}")

    @property
    def width_px(self) -> int:
        """Width in pixels."""
        return int(self.codes.shape[1])

    @property
    def height_px(self) -> int:
        """Height in pixels."""
        return int(self.codes.shape[0])

    @property
    def full_code(self) -> int:
        """The largest code value, 255 or 65535."""
        return 255 if self.codes.dtype == np.uint8 else 65535

    def region(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """Decode a region to linear light.

        Parameters
        ----------
        x0, y0, x1, y1 : int
            Columns x0 to x1 - 1 and rows y0 to y1 - 1; must lie inside the picture.

        Returns
        -------
        ndarray of shape (y1 - y0, x1 - x0, 3), float32
            Linear light 0 to 1, channels R, G, B (equal for a grey picture).
        """
        part = self.codes[y0:y1, x0:x1]
        decoded = _decode_table(self.full_code + 1)[part]
        return decoded if decoded.ndim == 3 else np.repeat(decoded[:, :, None], 3, axis=2)

    def luminance(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """Decode a region to relative luminance, shape (y1 - y0, x1 - x0), float32, 0 to 1."""
        part = self.codes[y0:y1, x0:x1]
        table = _decode_table(self.full_code + 1)
        if part.ndim == 2:
            return table[part]
        light = table[part[:, :, 1]] * np.float32(LUMINANCE_WEIGHTS[1])
        light += table[part[:, :, 0]] * np.float32(LUMINANCE_WEIGHTS[0])
        light += table[part[:, :, 2]] * np.float32(LUMINANCE_WEIGHTS[2])
        return light

    def gray(self) -> NDArray[np.uint8]:
        """Luma codes of the whole picture as uint8 (H, W): for detection only, never for measuring."""
        if not self._gray:
            if self.codes.dtype == np.uint8:
                codes = np.asarray(self.codes, dtype=np.uint8)
            else:
                codes = np.right_shift(self.codes, 8).astype(np.uint8)
            gray = codes if codes.ndim == 2 else np.asarray(cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
            self._gray.append(gray)
        return self._gray[0]

    def reduced_gray(self, factor: int) -> NDArray[np.uint8]:
        """Luma averaged over factor x factor blocks (for detection only).

        A reduced pixel (i, j) is centred on ``((i + 0.5) * factor - 0.5, (j + 0.5) * factor - 0.5)``; rows and
        columns that do not fill a block are left out.
        """
        gray = self.gray()
        if factor == 1:
            return gray
        height, width = gray.shape[0] // factor, gray.shape[1] // factor
        part = gray[: height * factor, : width * factor]
        return np.asarray(cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)

    def window(self, xy_px: FloatArray, margin_px: int = SPLINE_MARGIN_PX) -> tuple[int, int, int, int]:
        """Smallest region (x0, y0, x1, y1) round the points with a margin, clipped to the picture."""
        flat = np.asarray(xy_px, dtype=np.float64).reshape(-1, 2)
        low = np.floor(np.nanmin(flat, axis=0)).astype(int) - margin_px
        high = np.ceil(np.nanmax(flat, axis=0)).astype(int) + margin_px + 1
        x0, y0 = max(int(low[0]), 0), max(int(low[1]), 0)
        return x0, y0, max(min(int(high[0]), self.width_px), x0), max(min(int(high[1]), self.height_px), y0)

    def sample_luminance(self, xy_px: FloatArray, *, order: int = 3) -> FloatArray:
        """Sample the luminance between pixels with a spline.

        Parameters
        ----------
        xy_px : ndarray of shape (..., 2)
            Positions, x then y, in pixels.
        order : {1, 3}
            1 linear, 3 cubic B-spline. On a smooth edge of 1 px blur the cubic spline moves the edge by 0.001 px,
            linear interpolation by 0.007 px, OpenCV's cubic kernel by 0.036 px.

        Returns
        -------
        ndarray of shape (...)
            Linear light; NaN outside the picture.
        """
        points = np.asarray(xy_px, dtype=np.float64)
        if order == 1:
            return self._linear(points)
        x0, y0, x1, y1 = self.window(points)
        if x1 - x0 < 2 or y1 - y0 < 2:
            return np.full(points.shape[:-1], np.nan)
        return sample(self.luminance(x0, y0, x1, y1), points - (x0, y0), order=order)

    def _linear(self, points: FloatArray) -> FloatArray:
        """Linear interpolation that decodes only the pixels it needs: the square's sides span the whole photo."""
        x, y = points[..., 0], points[..., 1]
        inside = (x >= 0) & (y >= 0) & (x <= self.width_px - 1) & (y <= self.height_px - 1)
        x, y = np.where(inside, x, 0.0), np.where(inside, y, 0.0)
        column = np.minimum(x.astype(np.intp), self.width_px - 2)
        row = np.minimum(y.astype(np.intp), self.height_px - 2)
        fx, fy = x - column, y - row
        table = _decode_table(self.full_code + 1)
        total = np.zeros(points.shape[:-1])
        for dy, wy in ((0, 1.0 - fy), (1, fy)):
            for dx, wx in ((0, 1.0 - fx), (1, fx)):
                light = table[self.codes[row + dy, column + dx]]
                total += wx * wy * (light @ np.array(LUMINANCE_WEIGHTS, np.float32) if light.ndim > x.ndim else light)
        return np.where(inside, total, np.nan)

    def sample_rgb(self, xy_px: FloatArray, *, order: int = 3) -> FloatArray:
        """Sample the three channels; like `sample_luminance`, with a last axis R, G, B."""
        points = np.asarray(xy_px, dtype=np.float64)
        x0, y0, x1, y1 = self.window(points)
        if x1 - x0 < 2 or y1 - y0 < 2:
            return np.full((*points.shape[:-1], 3), np.nan)
        region = self.region(x0, y0, x1, y1)
        local = points - (x0, y0)
        return np.stack([sample(region[:, :, c], local, order=order) for c in range(3)], axis=-1)


def sample(values: NDArray[np.float32], xy_px: FloatArray, *, order: int = 3) -> FloatArray:
    """Sample an array at (..., 2) positions x, y; NaN outside of it."""
    coordinates = np.stack([xy_px[..., 1], xy_px[..., 0]])
    source = ndimage.spline_filter(values, order=order, output=np.float32) if order > 1 else values
    out = ndimage.map_coordinates(source, coordinates, order=order, prefilter=False, mode="mirror", output=np.float64)
    height, width = values.shape
    outside = (
        (xy_px[..., 0] < -0.5) | (xy_px[..., 1] < -0.5) | (xy_px[..., 0] > width - 0.5) | (xy_px[..., 1] > height - 0.5)
    )
    outside |= ~np.isfinite(xy_px).all(axis=-1)
    out[outside] = np.nan
    return np.asarray(out)
