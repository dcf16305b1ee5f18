"""A page of marks as a file: vector PDF at true size, or PNG with its resolution stored."""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rimsight.archive import typeset
from rimsight.archive.plan_ink import POINTS_PER_MM, Area, Colour, Line, Page, Point, Words, circle

SMALLEST_DPI, LARGEST_DPI = 100, 600
#: A pixel's share of a shape is exact across, and the mean of this many rows down.
_ROWS = 8
_BLOCK = 32  #: pixel rows that are reckoned at a time, for the memory's sake
_JOINT_MM = 0.2  #: lines from this width on get round corners


def pdf_bytes(page: Page) -> bytes:
    """Draw a page as PDF of exactly its size; the file asks the viewer not to scale it when printing.

    The same page gives the same bytes.
    """
    from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(page.width * POINTS_PER_MM, page.height * POINTS_PER_MM), invariant=1)
    canvas.setTitle(page.title)
    canvas.setAuthor("")
    canvas.setCreator("rimsight")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setLineJoin(1)

    def place(x: float, y: float) -> tuple[float, float]:
        return x * POINTS_PER_MM, (page.height - y) * POINTS_PER_MM

    for mark in _in_order(page):
        if isinstance(mark, Words):
            _pdf_words(canvas, mark, place(*mark.start))
            continue
        path = canvas.beginPath()
        for ring in mark.rings if isinstance(mark, Area) else (mark.points,):
            path.moveTo(*place(*ring[0]))
            for point in ring[1:]:
                path.lineTo(*place(*point))
            if isinstance(mark, Area) or mark.closed:
                path.close()
        if isinstance(mark, Area):
            canvas.setFillColorRGB(*mark.fill)
            canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)
        else:
            canvas.setStrokeColorRGB(*mark.colour)
            canvas.setLineWidth(mark.width * POINTS_PER_MM)
            canvas.setDash([part * POINTS_PER_MM for part in mark.dash])
            canvas.drawPath(path, stroke=1, fill=0)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def png_bytes(page: Page, dpi: int) -> bytes:
    """Draw a page as colour PNG of the whole page, its resolution in the chunk pHYs.

    Raises
    ------
    ValueError
        The resolution is outside `SMALLEST_DPI` to `LARGEST_DPI`.
    """
    from PIL import Image

    if not SMALLEST_DPI <= dpi <= LARGEST_DPI:
        raise ValueError(f"the resolution must be {SMALLEST_DPI} to {LARGEST_DPI} dpi, not {dpi}")
    px_per_mm = round(dpi / 0.0254) / 1000  # PNG stores whole pixels a metre
    width, height = round(page.width * px_per_mm), round(page.height * px_per_mm)
    canvas = np.full((height, width, 3), 255, dtype=np.uint8)
    for mark in page.marks:
        if isinstance(mark, Area):
            _paint(canvas, mark.rings, mark.fill, px_per_mm)
        elif isinstance(mark, Line):
            for outline in _outlines(mark):
                _paint(canvas, (outline,), mark.colour, px_per_mm)
    picture = Image.fromarray(canvas)
    for mark in page.marks:
        if isinstance(mark, Words):
            _png_words(picture, mark, px_per_mm)
    stream = io.BytesIO()
    stored = px_per_mm * 25.4
    picture.save(stream, "PNG", dpi=(stored, stored), optimize=False)
    return stream.getvalue()


def _in_order(page: Page) -> list[Area | Line | Words]:
    shapes = [mark for mark in page.marks if not isinstance(mark, Words)]
    return [*shapes, *(mark for mark in page.marks if isinstance(mark, Words))]


def _pdf_words(canvas: Any, mark: Words, start: tuple[float, float]) -> None:
    canvas.setFillColorRGB(*mark.colour)
    canvas.saveState()
    canvas.translate(*start)
    if mark.upward:
        canvas.rotate(90)
    typeset.draw(canvas, 0, 0, mark.text, mark.size * POINTS_PER_MM, mark.weight)
    canvas.restoreState()


def _paint(canvas: NDArray[np.uint8], rings: Sequence[Sequence[Point]], ink: Colour, px_per_mm: float) -> None:
    """Lay a shape (even-odd rule) on the picture, every pixel by the share of it that is covered."""
    pixels = [np.asarray(ring, dtype=np.float64) * px_per_mm for ring in rings]
    every = np.concatenate(pixels)
    left, top = np.maximum(np.floor(every.min(axis=0)).astype(int), 0)
    right, bottom = np.minimum(np.ceil(every.max(axis=0)).astype(int), canvas.shape[1::-1])
    if right <= left or bottom <= top:
        return
    colour = 255 * np.asarray(ink, dtype=np.float32)
    for first in range(top, bottom, _BLOCK):
        part = canvas[first : min(first + _BLOCK, bottom), left:right]
        cover = _cover(pixels, first, part.shape[0], left, right)[:, :, None]
        part[:] = np.rint(part * (1 - cover) + colour * cover).astype(np.uint8)


def _cover(rings: list[NDArray[np.float64]], top: int, high: int, left: int, right: int) -> NDArray[np.float32]:
    """Share of every pixel of a block that lies inside the polygons."""
    y = top + (np.arange(high * _ROWS) + 0.5) / _ROWS
    cuts = np.concatenate([_crossings(ring, y) for ring in rings], axis=1)
    cuts.sort(axis=1)
    x = np.arange(left, right, dtype=np.float64)
    share = np.zeros((y.size, x.size), dtype=np.float32)
    # Where a row has no more crossings, both ends are infinite and cover nothing.
    for begin, end in zip(cuts[:, 0::2].T, cuts[:, 1::2].T, strict=True):
        rows = np.flatnonzero(np.isfinite(begin))
        if not rows.size:
            break
        span = np.minimum(x + 1, end[rows, None]) - np.maximum(x, begin[rows, None])
        share[rows] += np.clip(span, 0.0, 1.0)
    cover: NDArray[np.float32] = share.reshape(high, _ROWS, right - left).mean(axis=1)
    return cover


def _crossings(ring: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where each row meets the sides of a polygon: (rows, an even number), infinite where it does not."""
    x0, y0 = ring.T
    x1, y1 = np.roll(ring, -1, axis=0).T
    row = y[:, None]
    meets = (y0 <= row) != (y1 <= row)
    rise = np.where(y1 == y0, 1.0, y1 - y0)
    cuts = np.where(meets, x0 + (x1 - x0) * (row - y0) / rise, np.inf)
    most = int(meets.sum(axis=1).max(initial=0))
    cuts.sort(axis=1)
    return np.asarray(cuts[:, : most + most % 2])


def _outlines(line: Line) -> list[Sequence[Point]]:
    """Turn a line of some width into shapes: a band for each stroke, and discs where two of them meet."""
    shapes: list[Sequence[Point]] = [_band(start, end, line.width) for start, end in _strokes(line)]
    if line.width >= _JOINT_MM and not line.dash:
        corners = line.points if line.closed else line.points[1:-1]
        if len(corners) < 20:  # a circle's corners are none
            shapes += [circle(x, y, line.width / 2, 16) for x, y in corners]
    return shapes


def _strokes(line: Line) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """Split a polyline into straight strokes, by its dashes if it has any."""
    points = [*line.points, line.points[0]] if line.closed else list(line.points)
    strokes = []
    place, at = 0, 0.0  # which part of the dash, and how much of it is used up
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
        if not line.dash:
            strokes.append(((x0, y0), (x1, y1)))
            continue
        done = 0.0
        while length - done > 1e-9:
            part = min(line.dash[place % len(line.dash)] - at, length - done)
            if place % 2 == 0:
                a, b = done / length, (done + part) / length
                strokes.append(((x0 + (x1 - x0) * a, y0 + (y1 - y0) * a), (x0 + (x1 - x0) * b, y0 + (y1 - y0) * b)))
            done, at = done + part, at + part
            if line.dash[place % len(line.dash)] - at <= 1e-9:
                place, at = place + 1, 0.0
    return strokes


def _band(start: tuple[float, float], end: tuple[float, float], width: float) -> list[tuple[float, float]]:
    (x0, y0), (x1, y1) = start, end
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 or 1.0
    dx, dy = -(y1 - y0) / length * width / 2, (x1 - x0) / length * width / 2
    return [(x0 + dx, y0 + dy), (x1 + dx, y1 + dy), (x1 - dx, y1 - dy), (x0 - dx, y0 - dy)]


def _png_words(picture: Any, mark: Words, px_per_mm: float) -> None:
    from PIL import ImageDraw, ImageFont
    from reportlab.pdfbase import pdfmetrics

    x, y = (place * px_per_mm for place in mark.start)
    size = mark.size * px_per_mm
    ink = _rgb(mark.colour)
    for name, piece in typeset.runs(mark.text, mark.weight):
        face = pdfmetrics.getFont(name).face.filename
        font = ImageFont.truetype(face, size, layout_engine=ImageFont.Layout.BASIC)
        # Letter by letter: the renderer rounds advances to whole pixels, which adds up along a line.
        for letter in piece:
            if mark.upward:
                _upward_letter(picture, letter, font, (x, y), ink)
                y -= pdfmetrics.stringWidth(letter, name, size)
            else:
                ImageDraw.Draw(picture).text((x, y), letter, fill=ink, font=font, anchor="ls")
                x += pdfmetrics.stringWidth(letter, name, size)


def _upward_letter(picture: Any, letter: str, font: Any, place: Point, ink: tuple[int, int, int]) -> None:
    """Draw a letter turned to the left, its baseline's beginning at `place`."""
    from PIL import Image, ImageDraw

    base, room = round(font.size), round(2 * font.size)
    column, row = round(place[0]), round(place[1])
    patch = Image.new("L", (room, room), 0)
    # The rest to whole pixels goes into the patch, where the letter may stand anywhere.
    start = (base / 2 + row - place[1], base + place[0] - column)
    ImageDraw.Draw(patch).text(start, letter, fill=255, font=font, anchor="ls")
    turned = patch.transpose(Image.Transpose.ROTATE_90)
    picture.paste(ink, (column - base, row - room + round(base / 2)), turned)


def _rgb(colour: tuple[float, float, float]) -> tuple[int, int, int]:
    red, green, blue = (round(255 * part) for part in colour)
    return red, green, blue
