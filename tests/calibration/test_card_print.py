"""The printed sheet, measured in the file that goes to the printer.

Paper sizes: ISO 216 (A4, 210 mm by 297 mm) and ANSI/ASME Y14.1 size A (Letter, 8.5 in by 11 in = 215.9 mm by 279.4 mm).
The PDF is drawn by PDFium (pypdfium2), which shares no code with the program, and measured on grey values.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from rimsight.calibration.card import CHECK_ACROSS_Y_MM, CHECK_DOWN_X_MM, MARKER_DICTIONARY
from rimsight.calibration.card_print import outline, page_raster, pdf_bytes, png_bytes, save_sheet
from rimsight.calibration.card_sheet import PAGE_MARGIN_MM, PAGES, Sheet, sheet
from rimsight.calibration.drawing import Box

pdfium = pytest.importorskip("pypdfium2")

DPI = 600
#: Width and height in mm as the standards give them, not as the program does.
PUBLISHED_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
SHEETS = [(60, "a4", 1), (30, "letter", 1), (60, "letter", 4), (30, "a4", 12)]


@dataclass
class Drawn:
    """A page as a picture, with what turns its pixels into page millimetres from the centre."""

    sheet: Sheet
    dark: NDArray[np.floating[Any]]  # 0 white to 1 black
    px_per_mm: tuple[float, float]  # across, down

    def index(self, axis: int, place_mm: float) -> int:
        """Return the pixel index at a place along x (0) or y (1)."""
        middle = self.dark.shape[1 - axis] / 2
        return round(float(middle + place_mm * self.px_per_mm[axis]))

    def ink_centre(self, axis: int, low_mm: float, high_mm: float, cut_mm: tuple[float, float]) -> float:
        """Return where the ink's centre lies along `axis` between two places, averaged over a cut of the other axis."""
        first, last = self.index(axis, low_mm), self.index(axis, high_mm)
        c0, c1 = (self.index(1 - axis, place) for place in cut_mm)
        part = self.dark[c0:c1, first:last] if axis == 0 else self.dark[first:last, c0:c1].T
        profile = part.mean(axis=0, dtype=np.float64)
        centre = np.sum((np.arange(first, last) + 0.5) * profile) / np.sum(profile)
        return float((centre - self.dark.shape[1 - axis] / 2) / self.px_per_mm[axis])

    def midline(self, axis: int, centre: tuple[float, float]) -> tuple[float, float]:
        """Return both midlines of the frame round `centre` that cross `axis`, on the stage's middle third."""
        half, band = self.sheet.card.side_mm / 2, self.sheet.card.band_mm / 2
        cut = (centre[1 - axis] - half / 3, centre[1 - axis] + half / 3)
        reach = band + 0.5
        low, high = (
            self.ink_centre(axis, centre[axis] + side * half - reach, centre[axis] + side * half + reach, cut)
            for side in (-1, 1)
        )
        return low, high


def draw_pdf(made: Sheet, dpi: int = DPI) -> Drawn:
    """Rasterise the PDF with PDFium; the page is stretched to whole pixels, hence a scale per axis."""
    page = pdfium.PdfDocument(pdf_bytes(made))[0]
    picture = np.asarray(page.render(scale=dpi / 72, grayscale=True).to_numpy(), dtype=np.float32)
    dark = 1 - picture.reshape(picture.shape[0], -1) / 255
    width, height = (size / 72 * 25.4 for size in page.get_size())
    return Drawn(made, dark, (dark.shape[1] / width, dark.shape[0] / height))


def draw_png(made: Sheet, dpi: int = DPI) -> Drawn:
    """Read the PNG and take the resolution that it states."""
    with Image.open(io.BytesIO(png_bytes(made, dpi))) as image:
        dark = 1 - np.asarray(image, dtype=np.float32) / 255
        stated = image.info["dpi"]
    return Drawn(made, dark, (stated[0] / 25.4, stated[1] / 25.4))


@pytest.fixture(scope="module", params=["pdf", "png"])
def drawn(request: pytest.FixtureRequest) -> Drawn:
    return (draw_pdf if request.param == "pdf" else draw_png)(sheet(60, "a4"))


@pytest.fixture(scope="module", params=["pdf", "png"])
def drawn_small(request: pytest.FixtureRequest) -> Drawn:
    return (draw_pdf if request.param == "pdf" else draw_png)(sheet(30, "letter"))


def assert_frame(page: Drawn, centre: tuple[float, float] = (0.0, 0.0)) -> None:
    """Hold side and centre of a frame in both directions."""
    for axis in (0, 1):
        low, high = page.midline(axis, centre)
        assert high - low == pytest.approx(page.sheet.card.side_mm, abs=0.005)
        assert (low + high) / 2 == pytest.approx(centre[axis], abs=0.005)


def assert_markers(page: Drawn, centre: tuple[float, float] = (0.0, 0.0)) -> None:
    """Hold ids, orientation and places of the markers of one card, as OpenCV sees them."""
    card = page.sheet.card
    x0, x1 = (page.index(0, centre[0] + side * (card.outer_mm / 2 + 3)) for side in (-1, 1))
    y0, y1 = (page.index(1, centre[1] + side * (card.half_height_mm + 3)) for side in (-1, 1))
    picture = np.rint(255 * (1 - page.dark[y0:y1, x0:x1])).astype(np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    found = dict(zip(np.ravel(ids).tolist(), corners, strict=True))
    assert set(found) == set(card.marker_ids)
    origin = np.array([x0 - page.dark.shape[1] / 2, y0 - page.dark.shape[0] / 2]) + 0.5
    for one, expected in card.marker_corners_mm.items():
        seen = (found[one].reshape(-1, 2) + origin) / np.array(page.px_per_mm) - centre
        np.testing.assert_allclose(seen, expected, rtol=0, atol=0.15)


def assert_check_lines(page: Drawn) -> None:
    """Hold both check lines between their end strokes."""
    for axis, place in ((0, CHECK_ACROSS_Y_MM), (1, CHECK_DOWN_X_MM)):
        cut = (place - 3.5, place - 1.0)  # across the end strokes, beside the line itself
        low, high = (page.ink_centre(axis, end - 1, end + 1, cut) for end in (-75.0, 75.0))
        assert high - low == pytest.approx(150.0, abs=0.02)


def test_card_of_60_mm_is_true_on_a4(drawn: Drawn) -> None:
    assert_frame(drawn)
    assert_markers(drawn)
    assert_check_lines(drawn)


def test_card_of_30_mm_is_true_on_letter(drawn_small: Drawn) -> None:
    assert_frame(drawn_small)
    assert_markers(drawn_small)
    assert_check_lines(drawn_small)


def test_band_is_as_wide_as_stated_and_black(drawn: Drawn) -> None:
    row = drawn.index(1, 0.0)
    band = drawn.dark[row, drawn.index(0, -33.0) : drawn.index(0, -27.0)]
    assert float(band.sum()) / drawn.px_per_mm[0] == pytest.approx(4.0, abs=0.01)
    assert band.max() == 1.0


@pytest.mark.parametrize(("side", "page_name", "copies"), SHEETS[2:])
def test_every_card_of_a_full_sheet_is_true(side: int, page_name: str, copies: int) -> None:
    page = draw_pdf(sheet(side, page_name, copies), dpi=300)
    assert len(page.sheet.centres_mm) == copies
    for centre in page.sheet.centres_mm:
        assert_frame(page, centre)
        assert_markers(page, centre)
    assert_check_lines(page)


@pytest.mark.parametrize("name", sorted(PUBLISHED_MM))
def test_pdf_page_is_exactly_the_paper(name: str) -> None:
    document = pdfium.PdfDocument(pdf_bytes(sheet(60, name)))
    assert len(document) == 1
    left, bottom, right, top = document[0].get_mediabox()
    size = ((right - left) / 72 * 25.4, (top - bottom) / 72 * 25.4)
    assert size == pytest.approx(PUBLISHED_MM[name], abs=0.001)
    assert (left, bottom) == (0, 0)


@pytest.mark.parametrize("name", sorted(PUBLISHED_MM))
@pytest.mark.parametrize("dpi", [150, 300])
def test_png_is_the_paper_at_its_stated_resolution(name: str, dpi: int) -> None:
    with Image.open(io.BytesIO(png_bytes(sheet(60, name), dpi))) as image:
        assert image.info["dpi"] == pytest.approx((dpi, dpi), abs=0.02)  # stored as whole pixels per metre
        size = [pixels / image.info["dpi"][0] * 25.4 for pixels in image.size]
    assert size == pytest.approx(PUBLISHED_MM[name], abs=25.4 / dpi)


def test_pdf_is_vector_and_asks_not_to_be_scaled() -> None:
    content = pdf_bytes(sheet(60, "a4"))
    assert b"/PrintScaling /None" in content
    kinds = {one.type for one in pdfium.PdfDocument(content)[0].get_objects()}
    assert kinds == {pdfium.raw.FPDF_PAGEOBJ_PATH, pdfium.raw.FPDF_PAGEOBJ_TEXT}


def test_pdf_tells_what_to_do() -> None:
    text = pdfium.PdfDocument(pdf_bytes(sheet(30, "a4")))[0].get_textpage().get_text_bounded()
    for part in ("150 mm across", "150 mm down", "actual size (100 %)", "fit to page", "steel rule or calipers",
                 "rimsight card check --side 30", "inside the black frame", "flat"):
        assert part in text


def test_the_same_sheet_gives_the_same_bytes() -> None:
    assert pdf_bytes(sheet(60, "a4")) == pdf_bytes(sheet(60, "a4"))


@pytest.mark.parametrize(("side", "page_name", "copies"), SHEETS)
def test_stage_and_quiet_zones_are_white(side: int, page_name: str, copies: int) -> None:
    made = sheet(side, page_name, copies)
    picture, px_per_mm = page_raster(made, 150)
    card, module = made.card, made.card.marker_module_mm
    ink = (picture < 255).astype(np.uint8)

    def cut(box: Box, grow: float) -> NDArray[np.uint8]:
        x, y = ink.shape[1] / 2, ink.shape[0] / 2
        left, right = (round(x + px_per_mm * place) for place in (box.left - grow, box.right + grow))
        top, bottom = (round(y + px_per_mm * place) for place in (box.top - grow, box.bottom + grow))
        return ink[top:bottom, left:right]

    blur = 0.1  # a pixel or two at the borders of black
    inner, outer = card.band_edges_mm
    for x, y in made.centres_mm:
        assert not cut(Box(x - inner, y - inner, x + inner, y + inner), -blur).any()
        for corners in card.marker_corners_mm.values():
            (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
            marker = Box(left + x, top + y, right + x, bottom + y)
            assert cut(marker, 0.0).any()
            cut(marker, blur)[:] = 0
            assert not cut(marker, module - blur).any()
        frame = Box(x - outer, y - outer, x + outer, y + outer)
        cut(frame, blur)[:] = 0
        assert not cut(frame, 3.0 - blur).any()


@pytest.mark.parametrize(("side", "page_name", "copies"), SHEETS)
def test_writing_keeps_apart_and_within_the_printable_page(side: int, page_name: str, copies: int) -> None:
    made = sheet(side, page_name, copies)
    width, height = PUBLISHED_MM[page_name]
    boxes = [label.box() for label in made.labels()]
    for index, box in enumerate(boxes):
        assert -width / 2 + PAGE_MARGIN_MM <= box.left < box.right <= width / 2 - PAGE_MARGIN_MM
        assert -height / 2 + PAGE_MARGIN_MM <= box.top < box.bottom <= height / 2 - PAGE_MARGIN_MM
        for other in boxes[:index]:
            apart_x = box.right <= other.left or other.right <= box.left
            assert apart_x or box.bottom <= other.top or other.bottom <= box.top


def test_pdf_and_png_show_the_same_page() -> None:
    made, dpi = sheet(60, "a4"), 150
    pdf, png = draw_pdf(made, dpi).dark, draw_png(made, dpi).dark
    height, width = min(pdf.shape[0], png.shape[0]), min(pdf.shape[1], png.shape[1])
    # Both are centred to a pixel; averaged over 2 mm the ink must agree, writing included
    # (font renderers differ a little in the weight of letters).
    cell = 12
    rows, columns = height // cell * cell, width // cell * cell
    means = [one[:rows, :columns].reshape(rows // cell, cell, -1, cell).mean(axis=(1, 3)) for one in (pdf, png)]
    assert float(np.abs(means[0] - means[1]).max()) < 0.15


@pytest.mark.parametrize(("side", "fits"), [(60, 4), (30, 12)])
@pytest.mark.parametrize("name", sorted(PUBLISHED_MM))
def test_too_many_copies_are_refused_with_the_number_that_fits(side: int, fits: int, name: str) -> None:
    assert len(sheet(side, name, fits).centres_mm) == fits
    with pytest.raises(ValueError, match=f"at most {fits} do"):
        sheet(side, name, fits + 1)


def test_a_sheet_without_cards_or_of_unknown_paper_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        sheet(60, "a4", 0)
    with pytest.raises(ValueError, match="a4 or letter"):
        sheet(60, "a5")
    assert sheet(60, " A4 ").page is PAGES["a4"]


@pytest.mark.parametrize("name", ["card.pdf", "card.PNG"])
def test_saving_writes_the_whole_file_and_nothing_else(tmp_path: Path, name: str) -> None:
    save_sheet(tmp_path / name, sheet(30, "a4"), dpi=150)
    assert [one.name for one in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes()[:4] in (b"%PDF", b"\x89PNG")


@pytest.mark.parametrize("name", ["card.jpg", "card", "card.pdf.txt", ".pdf"])
def test_other_extensions_are_refused_before_anything_is_written(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match=r"pdf or \.png"):
        save_sheet(tmp_path / name, sheet())
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("dpi", [0, -600, 149, 1201, 10**9])
def test_resolutions_that_make_no_useful_page_are_refused(tmp_path: Path, dpi: int) -> None:
    with pytest.raises(ValueError, match="150 to 1200"):
        save_sheet(tmp_path / "card.png", sheet(), dpi=dpi)


@given(st.lists(st.lists(st.booleans(), min_size=5, max_size=5), min_size=1, max_size=6))
def test_outline_encloses_exactly_the_black_cells(cells: list[list[bool]]) -> None:
    loops = outline(cells)
    for row, line in enumerate(cells):
        for column, black in enumerate(line):
            # Even-odd rule: count the vertical borders to the left of the cell's centre.
            crossings = sum(
                1
                for loop in loops
                for (x0, y0), (x1, y1) in zip(loop, loop[1:] + loop[:1], strict=True)
                if x0 == x1 <= column and min(y0, y1) <= row < max(y0, y1)
            )
            assert crossings % 2 == black
