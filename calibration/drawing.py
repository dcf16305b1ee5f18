"""A drawing in millimetres: filled boxes and short texts, and its exact raster.

The printed page (PDF and PNG) and the texture for test pictures come from the same drawing, so that what is
tested is what is printed. Coordinates are x right, y down, millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Box:
    """A black rectangle parallel to the axes, in millimetres."""

    left: float
    top: float
    right: float
    bottom: float

    def moved(self, dx: float, dy: float) -> Box:
        """Return the box shifted by (dx, dy) millimetres."""
        return Box(self.left + dx, self.top + dy, self.right + dx, self.bottom + dy)


@dataclass(frozen=True)
class Label:
    """One line of text.

    `x`, `y` is the left end of its baseline in millimetres, `size` the font size (em) in millimetres. With
    `upward` it runs from the bottom to the top of the page, as the writing beside a vertical line does.
    """

    x: float
    y: float
    size: float
    text: str
    upward: bool = False

    def moved(self, dx: float, dy: float) -> Label:
        """Return the label shifted by (dx, dy) millimetres."""
        return Label(self.x + dx, self.y + dy, self.size, self.text, self.upward)

    def box(self) -> Box:
        """Return a box that holds the ink: the advance width by the font's whole ascent and descent."""
        width, ascent, descent = text_extent_mm(self.text, self.size)
        if self.upward:
            return Box(self.x - ascent, self.y - width, self.x + descent, self.y)
        return Box(self.x, self.y - ascent, self.x + width, self.y + descent)


@cache
def font_path() -> Path:
    """Find the font Bitstream Vera, which reportlab ships; the same outlines in PDF and raster.

    Raises
    ------
    FileNotFoundError
        reportlab is not installed whole.
    """
    spec = find_spec("reportlab")
    folder = Path(spec.origin).parent if spec is not None and spec.origin else Path("reportlab")
    path = folder / "fonts" / "Vera.ttf"
    if not path.is_file():
        raise FileNotFoundError(2, "the font of the package reportlab is missing; install reportlab again", str(path))
    return path


@cache
def _advance(letter: str) -> float:
    """Return the advance width of one letter as a share of the font size."""
    from PIL import ImageFont

    em_px = 1000  # large, so that hinting and rounding to whole pixels do not matter
    font = ImageFont.truetype(str(font_path()), em_px, layout_engine=ImageFont.Layout.BASIC)
    return font.getlength(letter) / em_px


def text_extent_mm(text: str, size: float) -> tuple[float, float, float]:
    """Return advance width (without kerning, as in the PDF), ascent and descent, all in the unit of `size`."""
    # Bitstream Vera's own ascent and descent, in units of 1/2048 em.
    return size * sum(_advance(letter) for letter in text), size * 1901 / 2048, size * 483 / 2048


def _coverage(low: float, high: float, count: int) -> tuple[int, NDArray[np.float32]]:
    """Return the first touched cell and the share of each touched unit cell that [low, high] covers."""
    low, high = max(low, 0.0), min(high, float(count))
    if high <= low:
        return 0, np.zeros(0, dtype=np.float32)
    first, last = int(np.floor(low)), int(np.ceil(high))
    cells = np.arange(first, last, dtype=np.float64)
    share = np.minimum(cells + 1, high) - np.maximum(cells, low)
    return first, share.astype(np.float32)


def raster(
    boxes: Sequence[Box], labels: Sequence[Label], *, px_per_mm: float, left: float, top: float, width: int, height: int
) -> NDArray[np.uint8]:
    """Draw black on white with exact area coverage of every pixel.

    Parameters
    ----------
    boxes : sequence of Box
        They may touch but not overlap; each covered share of a pixel counts once.
    labels : sequence of Label
        Anti-aliased by the font renderer, placed to a quarter of a pixel.
    px_per_mm : float
        Pixels per millimetre.
    left, top : float
        Millimetre position of the outer corner of pixel (0, 0).
    width, height : int
        Size of the raster, pixels.

    Returns
    -------
    (height, width) uint8
        Light as the share of white, 255 white. Pixel column i covers
        [left + i / px_per_mm, left + (i + 1) / px_per_mm).
    """
    black = np.zeros((height, width), dtype=np.float32)
    for box in boxes:
        x0, across = _coverage((box.left - left) * px_per_mm, (box.right - left) * px_per_mm, width)
        y0, down = _coverage((box.top - top) * px_per_mm, (box.bottom - top) * px_per_mm, height)
        if across.size and down.size:
            black[y0 : y0 + down.size, x0 : x0 + across.size] += np.outer(down, across)
    for label in labels:
        _draw_label(black, label, px_per_mm, left, top)
    light: NDArray[np.uint8] = np.rint(255.0 * (1.0 - np.clip(black, 0.0, 1.0))).astype(np.uint8)
    return light


def _draw_label(black: NDArray[np.float32], label: Label, px_per_mm: float, left: float, top: float) -> None:
    """Add the ink of one label to the coverage picture."""
    from PIL import Image, ImageDraw, ImageFont

    factor = 4  # drawn larger and averaged: fixes the place to a quarter pixel without hinting
    scale = px_per_mm * factor
    font = ImageFont.truetype(str(font_path()), label.size * scale, layout_engine=ImageFont.Layout.BASIC)
    box = label.box()
    # The patch starts on a whole pixel of the picture so that the averaging below falls on its grid.
    x0 = int(np.floor((box.left - left) * px_per_mm)) - 1
    y0 = int(np.floor((box.top - top) * px_per_mm)) - 1
    columns = int(np.ceil((box.right - box.left) * px_per_mm)) + 3
    rows = int(np.ceil((box.bottom - box.top) * px_per_mm)) + 3
    x1, y1 = min(x0 + columns, black.shape[1]), min(y0 + rows, black.shape[0])
    if x1 <= max(x0, 0) or y1 <= max(y0, 0):
        return
    anchor_x = (label.x - left) * scale - x0 * factor
    anchor_y = (label.y - top) * scale - y0 * factor
    size = (rows * factor, columns * factor) if label.upward else (columns * factor, rows * factor)
    pen_x, pen_y = (rows * factor - anchor_y, anchor_x) if label.upward else (anchor_x, anchor_y)
    patch = Image.new("L", size, 0)
    canvas = ImageDraw.Draw(patch)
    # Letter by letter: at small sizes the font renderer rounds advances, which adds up along a line.
    for letter in label.text:
        canvas.text((pen_x, pen_y), letter, fill=255, font=font, anchor="ls")
        pen_x += _advance(letter) * label.size * scale
    if label.upward:
        patch = patch.transpose(Image.Transpose.ROTATE_90)
    ink = np.asarray(patch, dtype=np.float32).reshape(rows, factor, columns, factor).mean(axis=(1, 3)) / 255.0
    u0, v0 = max(x0, 0), max(y0, 0)
    black[v0:y1, u0:x1] += ink[v0 - y0 : y1 - y0, u0 - x0 : x1 - x0]
