"""Anti-aliased lines, shapes and text on a picture.

Pillow draws without anti-aliasing and on whole pixels; here every shape is drawn as a mask of four times the
resolution, which is averaged: edges are smooth and lie within an eighth of a pixel of where they should.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from rimsight.calibration.drawing import font_path
from rimsight.vision.overlay_colour import INK, Rgb

FloatArray = NDArray[np.float64]

#: Mask pixels per pixel, each way.
FINE = 4
#: Points further outside of the picture than this are drawn here instead: Pillow's coordinates are small integers.
FAR_PX = 20_000.0
#: The dark rim of every line, 1/1600 of the picture's width on each side, and its opacity.
HALO = 3.0
HALO_OPACITY = 0.72

#: The font has no glyph for these.
SUBSTITUTES = str.maketrans(
    {
        "→": "->", "←": "<-", "…": "...", "′": "'", "″": '"', "⌀": "Ø", "\u202f": " ", "\u2009": " ", "\u2007": " ",
        "\u2011": "-", "✓": "", "✔": "", "✗": "", "✘": "", "\t": " ", "\r": "",
    }
)  # fmt: skip


@cache
def font(size: float, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return the overlay's font at a size in pixels."""
    path = font_path()
    if bold and path.with_name("VeraBd.ttf").is_file():
        path = path.with_name("VeraBd.ttf")
    # The basic layout is part of every Pillow; the other one is missing on some systems and spaces text differently.
    return ImageFont.truetype(str(path), size, layout_engine=ImageFont.Layout.BASIC)


def text_width(text: str, face: ImageFont.FreeTypeFont) -> float:
    """Width of one line, pixels."""
    return float(face.getlength(text))


def wrap(text: str, face: ImageFont.FreeTypeFont, width: float, most_lines: int | None = None) -> list[str]:
    """Break a text into lines no wider than `width`.

    Breaks at spaces, within a word only where it alone is wider; line breaks of the text are kept.

    Parameters
    ----------
    text : str
        Any text.
    face : FreeTypeFont
        Its font.
    width : float
        Pixels.
    most_lines : int, optional
        Further lines are left out and the last one ends with three dots.
    """
    lines: list[str] = []
    for paragraph in text.translate(SUBSTITUTES).split("\n"):
        line = ""
        for word in paragraph.split():
            if line and text_width(f"{line} {word}", face) <= width:
                line = f"{line} {word}"
                continue
            if line:
                lines.append(line)
            while len(word) > 1 and text_width(word, face) > width:
                fits = max(1, _fitting(word, face, width))
                lines.append(word[:fits])
                word = word[fits:]
            line = word
        lines.append(line)
    if most_lines is not None and len(lines) > most_lines:
        lines = lines[:most_lines]
        while lines[-1] and text_width(lines[-1] + "...", face) > width:
            lines[-1] = lines[-1][:-1]
        lines[-1] += "..."
    return lines


def _fitting(word: str, face: ImageFont.FreeTypeFont, width: float) -> int:
    low, high = 1, len(word)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if text_width(word[:middle], face) <= width else (low, middle - 1)
    return low


def line_height(face: ImageFont.FreeTypeFont) -> float:
    """Distance of two lines, pixels: the font's height and some air."""
    return 1.28 * face.size


def block_size(lines: Sequence[str], face: ImageFont.FreeTypeFont) -> tuple[float, float]:
    """Width and height of wrapped lines, pixels."""
    width = max((text_width(line, face) for line in lines), default=0.0)
    return width, line_height(face) * len(lines)


def finite(points: FloatArray) -> FloatArray:
    """The finite ones of the points, none further out than Pillow can draw."""
    points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
    return np.clip(points[np.isfinite(points).all(axis=1)], -FAR_PX, FAR_PX)


def along(points: FloatArray, *, closed: bool = False) -> tuple[FloatArray, FloatArray]:
    """The polyline (closed by its first point if asked) and the length from its start to each point."""
    line = np.vstack([points, points[:1]]) if closed else points
    return line, np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])


def at_length(line: FloatArray, length: FloatArray, where: FloatArray) -> FloatArray:
    """Points (N, 2) of a polyline at lengths from its start."""
    return np.column_stack([np.interp(where, length, line[:, 0]), np.interp(where, length, line[:, 1])])


def dashes(points: FloatArray, dash: float, gap: float, *, closed: bool = False) -> list[FloatArray]:
    """Cut a polyline into dashes; on a closed one the period is stretched so that it closes evenly."""
    line, length = along(points, closed=closed)
    total = float(length[-1])
    if total <= dash:
        return [line]
    count = max(1, round(total / (dash + gap)))
    period = total / count if closed else dash + gap
    on = dash * period / (dash + gap)
    starts = np.arange(count) * period if closed else np.arange(0.0, total, period)
    pieces = []
    for start in starts:
        stop = min(start + on, total)
        inner = length[(length > start) & (length < stop)]
        pieces.append(at_length(line, length, np.concatenate([[start], inner, [stop]])))
    return pieces


def arrowhead(tip: FloatArray, direction: FloatArray, length: float) -> FloatArray:
    """Triangle (3, 2) with its tip at a point, pointing along a unit vector."""
    across = np.array([-direction[1], direction[0]])
    base = tip - direction * length
    return np.vstack([tip, base + across * 0.36 * length, base - across * 0.36 * length])


def _thick_line(pen: ImageDraw.ImageDraw, points: FloatArray, width: float) -> None:
    """Draw a polyline with round joints and ends, piece by piece.

    Pillow's own wide lines miss up to half a pixel at the joints of short pieces.
    """
    # Filled shapes include the pixels on their outlines: half a pixel more on every side.
    half = max((width - 1.0) / 2, 0.0)
    step = np.diff(points, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    use = length > 0
    across = np.column_stack([-step[use, 1], step[use, 0]]) / length[use, None] * half
    start, stop = points[:-1][use], points[1:][use]
    quads = np.rint(np.stack([start + across, stop + across, stop - across, start - across], axis=1))
    for quad in quads.reshape(-1, 8):
        pen.polygon(quad.tolist(), fill=255)
    if half > 0.5:
        for x, y in points:
            pen.ellipse((x - half, y - half, x + half, y + half), fill=255)


class Ink:
    """Draws on one picture.

    Parameters
    ----------
    picture : PIL.Image.Image
        RGB; it is changed.
    unit : float
        Pixels per 1/1600 of the picture's width: the measure of all line widths and font sizes.
    """

    def __init__(self, picture: Image.Image, unit: float) -> None:
        self.picture = picture
        self.unit = unit

    def stroke(
        self, lines: Iterable[FloatArray], width: float, colour: Rgb, *, halo: bool = True, opacity: float = 1.0
    ) -> None:
        """Draw polylines of a width in units, on a dark halo so that they show on any ground."""
        kept = [line for line in (finite(points) for points in lines) if len(line)]
        if halo:
            self._stamp(kept, (), (width + 2 * HALO) * self.unit, INK, HALO_OPACITY * opacity)
        self._stamp(kept, (), width * self.unit, colour, opacity)

    def fill(self, shapes: Iterable[FloatArray], colour: Rgb, *, halo: bool = False, opacity: float = 1.0) -> None:
        """Fill polygons."""
        kept = [shape for shape in (finite(points) for points in shapes) if len(shape) > 2]
        if halo:
            closed = [np.vstack([shape, shape[:1]]) for shape in kept]
            self._stamp(closed, kept, 2 * HALO * self.unit, INK, HALO_OPACITY * opacity)
        self._stamp((), kept, 0.0, colour, opacity)

    def disc(self, centre: FloatArray, radius: float, colour: Rgb) -> None:
        """Fill a disc; radius in pixels."""
        angle = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
        self.fill([centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])], colour)

    def plate(self, box: tuple[float, float, float, float], colour: Rgb, opacity: float, corner: float) -> None:
        """Fill a box with rounded corners (radius in units)."""
        mask, x, y = self._mask(np.array(box, dtype=np.float64).reshape(2, 2))
        if mask is None:
            return
        left, top, right, bottom = (
            round((edge + 0.5 - start) * FINE) for edge, start in zip(box, (x, y, x, y), strict=True)
        )
        if right > left and bottom > top:
            ImageDraw.Draw(mask).rounded_rectangle(
                (left, top, right - 1, bottom - 1), radius=corner * self.unit * FINE, fill=255
            )
            self._lay(mask, x, y, colour, opacity)

    def text(self, lines: Sequence[str], x: float, y: float, face: ImageFont.FreeTypeFont, colour: Rgb) -> None:
        """Draw wrapped lines; (x, y) is the block's top left corner."""
        pen = ImageDraw.Draw(self.picture)
        step = line_height(face)
        for k, line in enumerate(lines):
            # Capitals and digits stand 0.73 of the size high in this font: that is centred in the line.
            pen.text((x, y + (k + 0.5) * step + 0.365 * face.size), line, fill=colour, font=face, anchor="ls")

    def mask_of(self, shapes: Iterable[FloatArray]) -> tuple[Image.Image, tuple[int, int]] | None:
        """Coverage of the union of polygons, and where its top left corner lies; None if nothing shows."""
        kept = [shape for shape in (finite(points) for points in shapes) if len(shape) > 2]
        if not kept:
            return None
        mask, x, y = self._mask(np.vstack(kept))
        if mask is None:
            return None
        pen = ImageDraw.Draw(mask)
        for shape in kept:
            pen.polygon(self._fine(shape, x, y), fill=255)
        return mask.reduce(FINE), (x, y)

    def _stamp(
        self,
        lines: Sequence[FloatArray],
        shapes: Sequence[FloatArray],
        width: float,
        colour: Rgb,
        opacity: float,
    ) -> None:
        points = [*lines, *shapes]
        if not points:
            return
        mask, x, y = self._mask(np.vstack(points), width)
        if mask is None:
            return
        pen = ImageDraw.Draw(mask)
        for line in lines:
            _thick_line(pen, (line - (x, y) + 0.5) * FINE - 0.5, width * FINE)
        for shape in shapes:
            pen.polygon(self._fine(shape, x, y), fill=255)
        self._lay(mask, x, y, colour, opacity)

    def _mask(self, points: FloatArray, width: float = 0.0) -> tuple[Image.Image | None, int, int]:
        """An empty fine mask that holds the points within the picture, and its place."""
        low, high = points.min(axis=0) - width / 2 - 2, points.max(axis=0) + width / 2 + 3
        x0, y0 = max(int(np.floor(low[0])), 0), max(int(np.floor(low[1])), 0)
        x1, y1 = min(int(np.ceil(high[0])), self.picture.width), min(int(np.ceil(high[1])), self.picture.height)
        if x1 <= x0 or y1 <= y0:
            return None, 0, 0
        return Image.new("L", ((x1 - x0) * FINE, (y1 - y0) * FINE), 0), x0, y0

    @staticmethod
    def _fine(points: FloatArray, x: int, y: int) -> list[tuple[float, float]]:
        # Pillow cuts the fractions off, which would move every shape by half a fine pixel.
        fine = np.rint((points - (x, y) + 0.5) * FINE - 0.5)
        return [(float(px), float(py)) for px, py in fine]

    def _lay(self, mask: Image.Image, x: int, y: int, colour: Rgb, opacity: float) -> None:
        coverage = mask.reduce(FINE)
        if opacity < 1.0:
            coverage = coverage.point([round(level * opacity) for level in range(256)])
        self.picture.paste(colour, (x, y), coverage)
