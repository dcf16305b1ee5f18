"""Shapes on the picture, covered share by share, against plane geometry; and text where the PDF has it."""

from __future__ import annotations

import io
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from rimsight.archive.plan_ink import Area, Line, Page, Words, box, circle, hatch, width_mm
from rimsight.archive.plan_print import pdf_bytes, png_bytes
from rimsight.archive.typeset import BOLD

pdfium = pytest.importorskip("pypdfium2")

BLACK = (0.0, 0.0, 0.0)
DPI = 254  # 10 px/mm


def ink(*marks: Any, dpi: int = DPI, size: tuple[float, float] = (30.0, 20.0)) -> NDArray[np.float64]:
    """Share of black in every pixel of the PNG."""
    page = Page(*size, "test")
    page.add(*marks)
    with Image.open(io.BytesIO(png_bytes(page, dpi))) as image:
        return 1 - np.asarray(image.convert("L"), dtype=np.float64) / 255


def printed(*marks: Any, dpi: int = DPI, size: tuple[float, float] = (30.0, 20.0)) -> NDArray[np.float64]:
    """The same of the PDF, drawn by PDFium."""
    page = Page(*size, "test")
    page.add(*marks)
    picture = pdfium.PdfDocument(pdf_bytes(page))[0].render(scale=dpi / 72, grayscale=True).to_numpy()
    return np.asarray(1 - picture.reshape(picture.shape[:2]).astype(np.float64) / 255)


@settings(max_examples=40, deadline=None)
@given(st.floats(0, 10), st.floats(0, 8), st.floats(0.01, 15), st.floats(0.2, 10))
def test_a_box_covers_its_area(left: float, top: float, wide: float, high: float) -> None:
    """To a grey step a pixel along its edge, and to an eighth of a pixel in height."""
    found = ink(Area((box(left, top, left + wide, top + high),), BLACK))
    edge = 2 * (wide + high) * 10 / 255
    assert found.sum() == pytest.approx(wide * high * 100, abs=edge + wide * 10 / 8)


@pytest.mark.parametrize("radius", [0.3, 2.0, 8.0])
def test_a_disc_covers_its_area(radius: float) -> None:
    assert ink(Area((circle(15, 10, radius),), BLACK)).sum() == pytest.approx(math.pi * radius**2 * 100, rel=5e-3)


def test_a_ring_has_a_hole() -> None:
    found = ink(Area((circle(15, 10, 6), circle(15, 10, 4)), BLACK))
    assert found[100, 150] == 0
    assert found.sum() == pytest.approx(math.pi * (36 - 16) * 100, rel=5e-3)


def test_lines_have_their_width_whatever_their_direction() -> None:
    for turn in range(0, 180, 15):
        x, y = 8 * math.cos(math.radians(turn)), 8 * math.sin(math.radians(turn))
        found = ink(Line(((15 - x, 10 - y), (15 + x, 10 + y)), 0.3, BLACK))
        assert found.sum() == pytest.approx(16 * 0.3 * 100, rel=0.02), turn


def test_dashes_cover_their_part() -> None:
    found = ink(Line(((2, 10), (26, 10)), 0.5, BLACK, dash=(2.0, 1.0)))
    assert found.sum() == pytest.approx(16 * 0.5 * 100, rel=0.02)
    round_the_corner = ink(Line(((2, 2), (6, 2), (6, 6)), 0.4, BLACK, dash=(3.0, 2.0)))
    # 8 mm of way: 3 on, 2 off (of which 1 before the corner), 3 on
    assert round_the_corner.sum() == pytest.approx(6 * 0.4 * 100, rel=0.03)


def test_what_lies_off_the_page_is_cut_off() -> None:
    assert ink(Area((box(-5, -5, 5, 5),), BLACK)).sum() == pytest.approx(2500, rel=1e-3)
    assert ink(Area((box(40, 5, 50, 8),), BLACK)).sum() == 0


@pytest.mark.parametrize(
    "mark",
    [
        Area((box(3.3, 4.4, 11.7, 9.1),), BLACK),
        Area(((tuple((x, y) for x, y in ((2, 2), (12, 3), (7, 16))),)[0],), BLACK),
        Area((circle(15, 10, 6), circle(15, 10, 4)), BLACK),
        Line(((3, 3), (20, 5), (12, 15)), 0.6, BLACK, closed=True),
        Line(((3, 3), (20, 15)), 0.6, BLACK, dash=(2.0, 1.0, 0.5, 1.0)),
    ],
)
def test_png_and_pdf_agree(mark: Any) -> None:
    assert np.abs(ink(mark) - printed(mark)).mean() < 2e-3


@pytest.mark.parametrize(
    "words",
    [
        Words(5, 10, "Ø 6.50 tube ≈ ±", 3.0),
        Words(25, 10, "0.445 ledge", 3.0, BOLD, align="right"),
        Words(15, 10, "middle", 4.0, align="middle"),
        Words(10, 18, "up 5.00", 3.0, upward=True),
        Words(10, 10, "up, middle", 3.0, BOLD, align="middle", upward=True),
    ],
)
def test_words_stand_in_the_same_place(words: Words) -> None:
    """The ink's box in PNG and PDF, to the renderers' hinting."""
    boxes = []
    for found in (ink(words, dpi=600), printed(words, dpi=600)):
        rows, columns = np.nonzero(found > 0.5)
        boxes.append(np.array([columns.min(), columns.max(), rows.min(), rows.max()]) / 600 * 25.4)
    np.testing.assert_allclose(boxes[0], boxes[1], rtol=0, atol=0.35)
    long = boxes[1][3] - boxes[1][2] if words.upward else boxes[1][1] - boxes[1][0]
    assert long == pytest.approx(width_mm(words.text, words.size, words.weight), abs=0.8)


def test_hatch_stays_inside_and_at_its_distance() -> None:
    lines = hatch([box(0, 0, 10, 4)], 1.0)
    # lines at 45 degrees, 1 mm apart, cover a rectangle with 1 mm of line for each square millimetre
    assert sum(math.dist(*line) for line in lines) == pytest.approx(40, rel=0.1)
    for (x0, y0), (x1, y1) in lines:
        assert y0 - y1 == pytest.approx(x1 - x0) or y1 - y0 == pytest.approx(x0 - x1)
        for x, y in ((x0, y0), (x1, y1)):
            assert -1e-9 <= x <= 10 + 1e-9
            assert -1e-9 <= y <= 4 + 1e-9


def test_hatch_leaves_holes_free() -> None:
    outer, hole = box(0, 0, 10, 10), box(3, 3, 7, 7)
    for (x0, y0), (x1, y1) in hatch([outer, hole], 0.7):
        middle = ((x0 + x1) / 2, (y0 + y1) / 2)
        assert not (3 < middle[0] < 7 and 3 < middle[1] < 7)
    assert hatch([], 1.0) == []
