"""The sheet as a file: vector PDF at true size, or PNG with its resolution stored."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.card import check_line_boxes, check_lines, frame_boxes, marker_boxes, marker_cells
from rimsight.calibration.card_sheet import Sheet
from rimsight.calibration.drawing import font_path, raster
from rimsight.calibration.files import write_whole

POINTS_PER_MM = 72 / 25.4  #: a PDF point is 1/72 inch (ISO 32000-1, 8.3.2.3)

#: Resolutions for PNG, dots per inch: below, the check line of 0.1 mm pales; above, an A4 page passes 140 megapixels.
SMALLEST_DPI, LARGEST_DPI = 150, 1200

#: Rows drawn at a time, so that the memory for a page is little more than its 8-bit raster.
STRIP_ROWS = 512

Loop = list[tuple[float, float]]


def outline(cells: Sequence[Sequence[bool]]) -> list[list[tuple[int, int]]]:
    """Trace the borders of the black cells of a grid.

    Parameters
    ----------
    cells : (rows, columns) bool
        True is black.

    Returns
    -------
    list of closed loops of (column, row) grid points
        Filled by the even-odd rule they give the black cells, without a seam between neighbours.
    """
    black = {(x, y) for y, row in enumerate(cells) for x, cell in enumerate(row) if cell}
    follow: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for x, y in black:  # clockwise round each cell, only the sides next to white
        for neighbour, start, end in (
            ((x, y - 1), (x, y), (x + 1, y)),
            ((x + 1, y), (x + 1, y), (x + 1, y + 1)),
            ((x, y + 1), (x + 1, y + 1), (x, y + 1)),
            ((x - 1, y), (x, y + 1), (x, y)),
        ):
            if neighbour not in black:
                follow.setdefault(start, []).append(end)
    loops = []
    for start in sorted(follow):
        while follow[start]:
            loop = [start]
            while (point := follow[loop[-1]].pop()) != start:
                loop.append(point)
            loops.append(loop)
    return loops


def _black_paths(sheet: Sheet) -> list[list[Loop]]:
    """Return every black shape of the sheet as loops to fill by the even-odd rule, page millimetres."""
    card = sheet.card
    paths: list[list[Loop]] = []
    for x, y in sheet.centres_mm:
        paths.append([[(x + u, y + v) for u, v in square] for square in (card.outer_corners_mm, card.inner_corners_mm)])
        module = card.marker_module_mm
        for marker_id, corners in card.marker_corners_mm.items():
            left, top = x + corners[0, 0], y + corners[0, 1]
            loops = outline(marker_cells(marker_id))
            paths.append([[(left + u * module, top + v * module) for u, v in loop] for loop in loops])
    for boxes in check_lines():
        # One path a line: viewers may round a lone thin rectangle to whole pixels, which moves the end of the line.
        paths.append(
            [[(b.left, b.top), (b.right, b.top), (b.right, b.bottom), (b.left, b.bottom)] for b in boxes]
        )
    return paths


def pdf_bytes(sheet: Sheet) -> bytes:
    """Draw the sheet as a PDF of one page of exactly the paper's size.

    All black is filled paths, the text an embedded font; the file asks the viewer not to scale it when printing.
    The same sheet gives the same bytes.
    """
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas

    font = "Vera"
    if font not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(font, str(font_path())))
    width, height = sheet.page.width_mm, sheet.page.height_mm
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=(width * POINTS_PER_MM, height * POINTS_PER_MM), invariant=1)
    canvas.setTitle(f"rimsight card {sheet.card.side_mm:g} mm")
    canvas.setAuthor("rimsight")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.setFillGray(0)

    def place(x: float, y: float) -> tuple[float, float]:
        return (width / 2 + x) * POINTS_PER_MM, (height / 2 - y) * POINTS_PER_MM

    for loops in _black_paths(sheet):
        path = canvas.beginPath()
        for loop in loops:
            path.moveTo(*place(*loop[0]))
            for point in loop[1:]:
                path.lineTo(*place(*point))
            path.close()
        canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)
    for label in sheet.labels():
        canvas.saveState()
        canvas.translate(*place(label.x, label.y))
        if label.upward:
            canvas.rotate(90)
        canvas.setFont(font, label.size * POINTS_PER_MM)
        canvas.drawString(0, 0, label.text)
        canvas.restoreState()
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _refuse_resolution(dpi: int) -> None:
    if not SMALLEST_DPI <= dpi <= LARGEST_DPI:
        raise ValueError(f"the resolution must be {SMALLEST_DPI} to {LARGEST_DPI} dpi, not {dpi}")


def page_raster(sheet: Sheet, dpi: int) -> tuple[NDArray[np.uint8], float]:
    """Draw the whole page.

    Returns
    -------
    picture : (height, width) uint8
        255 white, 0 black. Its centre is the centre of the page; at the margins it holds the page to a pixel.
    px_per_mm : float
        The resolution drawn: a whole number of pixels per metre, as PNG stores it.

    Raises
    ------
    ValueError
        The resolution is outside `SMALLEST_DPI` to `LARGEST_DPI`.
    """
    _refuse_resolution(dpi)
    px_per_mm = round(dpi / 0.0254) / 1000
    width, height = (round(size * px_per_mm) for size in (sheet.page.width_mm, sheet.page.height_mm))
    card = frame_boxes(sheet.card) + marker_boxes(sheet.card)
    boxes = [box.moved(x, y) for x, y in sheet.centres_mm for box in card] + check_line_boxes()
    labels = sheet.labels()
    picture = np.empty((height, width), dtype=np.uint8)
    left, top = -width / px_per_mm / 2, -height / px_per_mm / 2
    for row in range(0, height, STRIP_ROWS):
        rows = min(STRIP_ROWS, height - row)
        picture[row : row + rows] = raster(
            boxes, labels, px_per_mm=px_per_mm, left=left, top=top + row / px_per_mm, width=width, height=rows
        )
    return picture, px_per_mm


def png_bytes(sheet: Sheet, dpi: int) -> bytes:
    """Draw the sheet as a grey PNG of the whole page, its resolution in the chunk pHYs.

    Raises
    ------
    ValueError
        The resolution is outside the limits.
    """
    from PIL import Image

    picture, px_per_mm = page_raster(sheet, dpi)
    stream = io.BytesIO()
    stored = px_per_mm * 25.4
    Image.fromarray(picture).save(stream, "PNG", dpi=(stored, stored))
    return stream.getvalue()


def save_sheet(path: Path, sheet: Sheet, *, dpi: int = 600, overwrite: bool = False) -> None:
    """Write the sheet as PDF or PNG, by the extension of the file name.

    Raises
    ------
    ValueError
        The extension is neither .pdf nor .png, or the resolution is outside the limits.
    OSError
        The file can't be written, see `files.write_whole`; FileExistsError without `overwrite`.
    """
    kind = path.suffix.lower()
    if kind not in (".pdf", ".png"):
        raise ValueError(f"the card is written as .pdf or .png, not as {path.name!r}")
    _refuse_resolution(dpi)  # a PDF has none, but a wrong call should not depend on the file's name
    write_whole(path, pdf_bytes(sheet) if kind == ".pdf" else png_bytes(sheet, dpi), overwrite=overwrite)
