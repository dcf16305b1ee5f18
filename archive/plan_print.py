"""A page of marks as a file: vector PDF at true size, or PNG with its resolution stored."""

from __future__ import annotations

import io
import itertools
from typing import Any

from rimsight.archive import typeset
from rimsight.archive.plan_ink import POINTS_PER_MM, Area, Line, Page, Words

SMALLEST_DPI, LARGEST_DPI = 100, 600
#: Shapes are drawn this many times finer and averaged, a strip at a time, so that a page needs little memory.
_FINER = 4
_STRIP_PX = 256


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
    picture = Image.new("RGB", (width, height), "white")
    for top in range(0, height, _STRIP_PX):
        rows = min(_STRIP_PX, height - top)
        strip = _shapes(page, width, rows, top, px_per_mm)
        picture.paste(strip.reduce(_FINER), (0, top))
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


def _shapes(page: Page, width: int, rows: int, top: int, px_per_mm: float) -> Any:
    """Draw the areas and lines of a strip of the page, finer by `_FINER`."""
    from PIL import Image, ImageDraw

    scale = px_per_mm * _FINER
    strip = Image.new("RGB", (width * _FINER, rows * _FINER), "white")
    pen = ImageDraw.Draw(strip)
    low, high = top / px_per_mm - 1, (top + rows) / px_per_mm + 1

    def place(x: float, y: float) -> tuple[float, float]:
        # Pillow's whole numbers are the middles of pixels, page places the corners.
        return x * scale - 0.5, (y - top / px_per_mm) * scale - 0.5

    for mark in page.marks:
        if isinstance(mark, Words):
            continue
        if isinstance(mark, Line):
            for start, end in _strokes(mark):
                if max(start[1], end[1]) >= low and min(start[1], end[1]) <= high:
                    pen.polygon([place(*corner) for corner in _band(start, end, mark.width)], fill=_rgb(mark.colour))
            continue
        rings = [ring for ring in mark.rings if max(y for _, y in ring) >= low and min(y for _, y in ring) <= high]
        if len(mark.rings) == 1:
            for ring in rings:
                pen.polygon([place(*point) for point in ring], fill=_rgb(mark.fill))
        elif rings:
            _paint_with_holes(strip, [[place(*point) for point in ring] for ring in rings], _rgb(mark.fill))
    return strip


def _paint_with_holes(strip: Any, rings: list[list[tuple[float, float]]], fill: tuple[int, int, int]) -> None:
    from PIL import Image, ImageChops, ImageDraw

    mask = Image.new("1", strip.size, 0)
    for ring in rings:
        one = Image.new("1", strip.size, 0)
        ImageDraw.Draw(one).polygon(ring, fill=1)
        mask = ImageChops.logical_xor(mask, one)
    strip.paste(fill, (0, 0), mask)


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
    from PIL import Image, ImageDraw, ImageFont
    from reportlab.pdfbase import pdfmetrics

    x, y = mark.start
    size = mark.size * px_per_mm
    advance = 0.0
    for name, piece in typeset.runs(mark.text, mark.weight):
        face = pdfmetrics.getFont(name).face
        font = ImageFont.truetype(face.filename, size, layout_engine=ImageFont.Layout.BASIC)
        if mark.upward:
            wide, high = int(font.getlength(piece)) + 4, round(1.4 * size)
            patch = Image.new("L", (wide, high), 0)
            ImageDraw.Draw(patch).text((1, round(size)), piece, fill=255, font=font, anchor="ls")
            turned = patch.transpose(Image.Transpose.ROTATE_90)
            corner = (round(x * px_per_mm - round(size)), round(y * px_per_mm - advance - wide + 1))
            picture.paste(_rgb(mark.colour), corner, turned)
        else:
            place = (x * px_per_mm + advance, y * px_per_mm)
            ImageDraw.Draw(picture).text(place, piece, fill=_rgb(mark.colour), font=font, anchor="ls")
        advance += pdfmetrics.stringWidth(piece, name, size)


def _rgb(colour: tuple[float, float, float]) -> tuple[int, int, int]:
    red, green, blue = (round(255 * part) for part in colour)
    return red, green, blue
