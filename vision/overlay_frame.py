"""Which part of the photograph the overlay shows, at which scale, and where each pixel of it lands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from rimsight.calibration.pixels import LightImage
from rimsight.vision.overlay_colour import GROUND

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]

#: Added on each side of the focus, as a share of its longer side.
MARGIN = 0.08
#: The crop's shorter side is at least this share of its longer one, as far as the photo reaches: labels need room.
LEAST_ASPECT = 0.75
#: The panel's shorter side is at least this share of its longer one; a narrower photo gets plain ground beside it.
LEAST_PANEL_ASPECT = 0.5
#: A crop has at least this many pixels along its longer side: fewer would show single pixels as patches.
LEAST_CROP_PX = 40.0
#: Pixels kept round the crop so that the resampling filter does not see its edge.
FILTER_MARGIN_PX = 8
#: The small picture is first thinned to about this many times its own size.
THINNING = 4


@dataclass(frozen=True)
class Frame:
    """The part of the photograph that is shown, and its place in the panel.

    Parameters
    ----------
    left_px, top_px : float
        Outer corner of the crop in the photograph.
    scale : float
        Panel pixels per pixel of the photograph.
    width, height : int
        Size of the panel.
    x, y, photo_width, photo_height : int
        The area of the panel that the photograph fills.
    """

    left_px: float
    top_px: float
    scale: float
    width: int
    height: int
    x: int
    y: int
    photo_width: int
    photo_height: int

    @property
    def crop_px(self) -> Box:
        """The crop (x0, y0, x1, y1) in the photograph; -0.5 is the picture's outer edge."""
        return (
            self.left_px,
            self.top_px,
            self.left_px + self.photo_width / self.scale,
            self.top_px + self.photo_height / self.scale,
        )

    def place(self, xy_px: FloatArray) -> FloatArray:
        """Map pixels of the photograph (..., 2) to pixels of the panel (centre of the top-left one is (0, 0))."""
        corner = np.array([self.left_px, self.top_px])
        return np.asarray((np.asarray(xy_px, dtype=np.float64) - corner) * self.scale + (self.x - 0.5, self.y - 0.5))


def choose_frame(width_px: int, height_px: int, focus_px: Box | None, long_side: int) -> Frame:
    """Choose the crop round the focus.

    Parameters
    ----------
    width_px, height_px : int
        Size of the photograph.
    focus_px : tuple of 4 floats or None
        Region that matters, x0, y0, x1, y1; None for the whole photograph.
    long_side : int
        Longer side of the result, pixels.

    Raises
    ------
    ValueError
        The focus is not a box, or lies outside of the photograph.
    """
    size = np.array([width_px, height_px], dtype=np.float64)
    if focus_px is None:
        centre, wanted = size / 2 - 0.5, size
    else:
        low, high = np.array(focus_px[:2], dtype=np.float64), np.array(focus_px[2:], dtype=np.float64)
        if not (np.isfinite([low, high]).all() and (high >= low).all()):
            raise ValueError(f"the focus must be x0, y0, x1, y1 with x0 <= x1 and y0 <= y1, not {focus_px}")
        if (high < -0.5).any() or (low > size - 0.5).any():
            raise ValueError(f"the focus {focus_px} lies outside of the photo of {width_px} x {height_px} px")
        low, high = np.maximum(low, -0.5), np.minimum(high, size - 0.5)
        centre = (low + high) / 2
        wanted = high - low
        wanted = np.maximum(wanted + 2 * MARGIN * wanted.max(), LEAST_CROP_PX)
        wanted = np.maximum(wanted, LEAST_ASPECT * wanted.max())
    crop = np.minimum(wanted, size)
    scale = long_side / float(crop.max())
    # Whole pixels in the panel at one scale for both directions: the crop is adjusted, never stretched.
    shown = np.maximum(np.rint(crop * scale), 1.0)
    shown = np.where(shown / scale > size, np.maximum(np.floor(size * scale), 1.0), shown)
    crop = shown / scale
    corner = np.minimum(np.maximum(centre - crop / 2, -0.5), np.maximum(size - 0.5 - crop, -0.5))
    panel = np.maximum(shown, np.ceil(LEAST_PANEL_ASPECT * shown.max()))
    start = (panel - shown) // 2
    return Frame(
        float(corner[0]), float(corner[1]), scale, int(panel[0]), int(panel[1]),
        int(start[0]), int(start[1]), int(shown[0]), int(shown[1]),
    )  # fmt: skip


def _rgb(codes: NDArray[np.uint8] | NDArray[np.uint16]) -> Image.Image:
    eight = np.right_shift(codes, 8).astype(np.uint8) if codes.dtype == np.uint16 else codes
    return Image.fromarray(np.ascontiguousarray(eight)).convert("RGB")


def panel_picture(image: LightImage, frame: Frame) -> Image.Image:
    """Resample the crop into the panel."""
    x0, y0, x1, y1 = (edge + 0.5 for edge in frame.crop_px)
    column, row = max(int(x0) - FILTER_MARGIN_PX, 0), max(int(y0) - FILTER_MARGIN_PX, 0)
    part = _rgb(image.codes[row : int(y1) + 1 + FILTER_MARGIN_PX, column : int(x1) + 1 + FILTER_MARGIN_PX])
    box = (x0 - column, y0 - row, min(x1 - column, part.width), min(y1 - row, part.height))
    smooth = Image.Resampling.BICUBIC if frame.scale > 1 else Image.Resampling.LANCZOS
    shown = part.resize((frame.photo_width, frame.photo_height), smooth, box=box, reducing_gap=3.0)
    if (frame.photo_width, frame.photo_height) == (frame.width, frame.height):
        return shown
    panel = Image.new("RGB", (frame.width, frame.height), GROUND)
    panel.paste(shown, (frame.x, frame.y))
    return panel


def small_picture(image: LightImage, width: int, height: int) -> Image.Image:
    """Return the whole photograph small, within the given size; a 48 MP photo is not copied for it."""
    scale = min(width / image.width_px, height / image.height_px)
    size = (max(1, round(image.width_px * scale)), max(1, round(image.height_px * scale)))
    step = max(1, int(1.0 / (scale * THINNING)))
    return _rgb(image.codes[::step, ::step]).resize(
        size, Image.Resampling.BOX if scale < 0.5 else Image.Resampling.BICUBIC
    )
