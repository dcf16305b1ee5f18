"""The page of the cut plan, measured in the files that go to the printer.

PDFium (pypdfium2), which shares no code with the program, draws the PDF; what is measured are grey values and the
outlines that it reads from the file. Paper sizes: ISO 216 (A4) and ANSI/ASME Y14.1 size A (Letter).
"""

from __future__ import annotations

import ctypes
import io
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from rimsight.archive.plan_ink import Area, Line, Page, Words, width_mm
from rimsight.archive.plan_page import MARGIN, Heading, plan_page
from rimsight.archive.plan_print import pdf_bytes, png_bytes
from rimsight.archive.plan_section import METAL, SOLID, STONE
from rimsight.fit import Stone, Tube, default_rules, within
from rimsight.fit.advice import CAUTIONS
from rimsight.fit.plan import make

pdfium = pytest.importorskip("pypdfium2")

PUBLISHED_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
HEADING = Heading("Pendant 214", "for the window", "A3", "2026-11-25", "built-in, common practice, no published source")
#: Smaller than a hair; what a printer does is far more.
TRUE_MM = 0.05


def result(
    diameter: float = 6.12, height: float = 4.22, outer: float = 6.5, wall: float = 0.635, *, closed: bool = False,
    **parts: float,
) -> dict[str, Any]:
    """The worked case of the bench (common practice, no source), or another."""
    stone = Stone(within(diameter, 0.02, "stone"), height_mm=within(height, 0.02, "height"), **parts)
    tube = Tube.from_wall(within(outer, 0.02, "od"), within(wall, 0.02, "wall"), metal="silver")
    return make(stone, replace(tube, closed_back=closed), default_rules()).to_json()


#: Small, usual, large, thin-walled, heavy, flat, closed, and one that is too thin.
CASES = {
    "worked": result(),
    "tiny": result(1.0, 0.62, 1.3, 0.3),
    "small": result(2.0, 1.25, 2.4, 0.45),
    "thin": result(6.12, 4.22, 6.4, 0.3),
    "close": result(6.12, 4.22, 6.43, 0.7),
    "heavy": result(3.0, 1.9, 4.2, 1.0, closed=True),
    "flat": result(8.0, 3.0, 8.6, 0.7, crown_height_mm=0.4, girdle_mm=0.3),
    "deep": result(5.0, 4.4, 5.5, 0.7),
    "large": result(22.0, 13.0, 23.2, 1.5, closed=True),
}


# --- true to size -------------------------------------------------------------------------------------------------


class Drawn:
    """A page as light values, with the page's own millimetres from the upper left corner."""

    def __init__(self, light: NDArray[np.uint8], size_mm: tuple[float, float]) -> None:
        self.light = light.astype(np.float64)
        self.per_mm = light.shape[1] / size_mm[0], light.shape[0] / size_mm[1]

    def part(self, left: float, top: float, right: float, bottom: float) -> NDArray[np.float64]:
        across, down = self.per_mm
        rows = slice(round(top * down), round(bottom * down))
        return self.light[rows, round(left * across) : round(right * across)]

    def covered(self, left: float, top: float, right: float, bottom: float, ink: Any) -> NDArray[np.float64]:
        """Share of each pixel of a part that is covered by an ink; there must be no other in it but white."""
        wanted = 255 * np.array(ink)
        return np.asarray((255 - self.part(left, top, right, bottom)).sum(axis=2) / (255 - wanted).sum())

    def span_mm(self, covered: NDArray[np.float64], axis: int) -> float:
        """From the first to the last edge along an axis (0 across, 1 down), to a fraction of a pixel."""
        profile = covered.mean(axis=axis)
        full = np.flatnonzero(profile > 0.9 * profile.max())
        first, last = full[0], full[-1]
        edges = (profile[:first].sum() + profile[last + 1 :].sum()) / profile.max()
        return float((last - first + 1 + edges) / self.per_mm[axis])


def drawn(page: Page, kind: str) -> Drawn:
    if kind == "png":
        with Image.open(io.BytesIO(png_bytes(page, 300))) as image:
            assert image.info["dpi"] == pytest.approx((300, 300), abs=0.1)
            return Drawn(np.asarray(image), (image.width / image.info["dpi"][0] * 25.4,
                                             image.height / image.info["dpi"][1] * 25.4))
    sheet = pdfium.PdfDocument(pdf_bytes(page))[0]
    picture = sheet.render(scale=600 / 72, rev_byteorder=True).to_numpy()[:, :, :3]
    width, height = (size / 72 * 25.4 for size in sheet.get_size())
    return Drawn(picture, (width, height))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pdf_has_the_papers_size_and_is_not_to_be_scaled(paper: str) -> None:
    content = pdf_bytes(plan_page(CASES["worked"], HEADING, paper=paper))
    document = pdfium.PdfDocument(content)
    assert len(document) == 1
    assert [size / 72 * 25.4 for size in document[0].get_size()] == pytest.approx(PUBLISHED_MM[paper], abs=0.01)
    assert b"/PrintScaling /None" in content
    assert content == pdf_bytes(plan_page(CASES["worked"], HEADING, paper=paper))


@pytest.mark.parametrize("kind", ["pdf", "png"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_check_line_is_50_mm(kind: str, paper: str) -> None:
    page = plan_page(CASES["worked"], HEADING, paper=paper)
    y = check_line_y(page)
    picture = drawn(page, kind)
    right = page.width - MARGIN
    # Above the line itself: the two end marks of 0.1 mm, of which it runs from outside to outside.
    marks = picture.covered(right - 55, y - 1.5, right + 3, y - 0.3, (0.11, 0.13, 0.15)).mean(axis=0)
    half = marks.size // 2
    ends = [np.average(np.arange(part.size) + start, weights=part)
            for part, start in ((marks[:half], 0), (marks[half:], half))]
    assert (ends[1] - ends[0]) / picture.per_mm[0] + 0.1 == pytest.approx(50.0, abs=0.02)
    # And the line is whole between them.
    line = picture.covered(right - 49.5, y - 0.3, right - 0.5, y + 0.3, (0.11, 0.13, 0.15))
    assert line.sum(axis=0).min() / picture.per_mm[1] == pytest.approx(0.1, abs=0.03)


@pytest.mark.parametrize("kind", ["pdf", "png"])
@pytest.mark.parametrize("name", ["worked", "heavy", "large"])
def test_true_size_is_true(kind: str, name: str) -> None:
    """Outer diameter, length cut and wall of the small section, outer diameter seen from above."""
    case = CASES[name]
    outer, wall = case["tube"]["outer_diameter_mm"]["value"], case["tube"]["wall_mm"]["value"]
    length = case["plan"]["cut_length_mm"]
    page = plan_page(case, HEADING)
    picture = drawn(page, kind)
    left, right, top, bottom = bounds([ring for area in areas(page, SOLID) if len(area.rings) == 1
                                       for ring in area.rings])
    # Near the foot there are only the two walls, on white.
    culet = bottom - case["plan"]["under_culet_mm"]["value"]
    foot = picture.covered(left - 1, culet + 0.2, right + 1, bottom - 0.2, SOLID)
    assert picture.span_mm(foot, 0) == pytest.approx(outer, abs=TRUE_MM)
    assert foot.mean(axis=0).sum() / picture.per_mm[0] == pytest.approx(2 * wall, abs=TRUE_MM)
    rim = (outer - case["stone"]["diameter_mm"]["value"]) / 2
    side = picture.covered(left + 0.3 * rim, top - 1, left + 0.6 * rim, bottom + 1, SOLID)
    assert picture.span_mm(side, 1) == pytest.approx(length, abs=TRUE_MM)
    [above] = [area for area in areas(page, SOLID) if len(area.rings) == 2]
    x0, x1, y0, y1 = bounds([above.rings[0]])
    middle = (y0 + y1) / 2
    # A cut through the middle: ring, stone, ring; the stone is paler than the ring.
    cut = picture.covered(x0 - 1, middle - 0.05, x1 + 1, middle + 0.05, SOLID)
    assert picture.span_mm(cut, 0) == pytest.approx(outer, abs=TRUE_MM)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", list(CASES))
def test_enlarged_section_keeps_its_scale(paper: str, name: str) -> None:
    """Outlines as PDFium reads them from the file, divided by the scale that the page names."""
    case = CASES[name]
    page = plan_page(case, HEADING, paper=paper)
    scale = next(float(mark.text.split()[0]) for mark in words(page) if mark.text.endswith("times enlarged"))
    filled = list(filled_bounds(pdf_bytes(page)))
    metal = [box for fill, box in filled if fill == colour(METAL)]
    stone = max((box for fill, box in filled if fill == colour(STONE)), key=lambda box: box[2] - box[0])
    assert len(metal) == 2
    outer = max(box[2] for box in metal) - min(box[0] for box in metal)
    plan, tube, gem = case["plan"], case["tube"], case["stone"]
    assert outer / scale == pytest.approx(tube["outer_diameter_mm"]["value"], abs=TRUE_MM)
    assert (metal[0][3] - metal[0][1]) / scale == pytest.approx(plan["cut_length_mm"], abs=TRUE_MM)
    assert (stone[2] - stone[0]) / scale == pytest.approx(gem["diameter_mm"]["value"], abs=TRUE_MM)
    assert (stone[3] - stone[1]) / scale == pytest.approx(gem["height_mm"]["value"], abs=TRUE_MM)
    # the table's height above the tube's end, from the two tops (y counts up in a PDF)
    above = (stone[3] - metal[0][3]) / scale
    assert above == pytest.approx(plan["table_above_tube_mm"]["value"], abs=TRUE_MM)
    free = (stone[1] - metal[0][1]) / scale
    assert free == pytest.approx(plan["under_culet_mm"]["value"], abs=TRUE_MM)


# --- legible ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", list(CASES))
def test_no_words_overlap_or_leave_the_page(paper: str, name: str) -> None:
    page = plan_page(CASES[name], HEADING, paper=paper)
    boxes = [(mark.text, ink_box(mark)) for mark in words(page)]
    for text, (left, top, right, bottom) in boxes:
        assert left >= 10, text
        assert right <= page.width - 10, text
        assert top >= 10, text
        assert bottom <= page.height - 10, text
    for (one, a), (other, b) in combinations(boxes, 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert apart, f"{one!r} lies over {other!r}"


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", list(CASES))
def test_no_line_runs_through_words(paper: str, name: str) -> None:
    page = plan_page(CASES[name], HEADING, paper=paper)
    for mark in words(page):
        left, top, right, bottom = ink_box(mark)
        after = False
        for other in page.marks:
            if isinstance(other, Area) and covers(other, (left, top, right, bottom)):
                after = False  # a ground laid under the words hides what was drawn before
                continue
            if isinstance(other, Line) and any(
                crosses(start, end, (left + 0.1, top + 0.1, right - 0.1, bottom - 0.1))
                for start, end in zip(other.points, other.points[1:], strict=False)
            ):
                after = True
        assert not after, f"a line runs through {mark.text!r}"


def test_the_page_says_what_the_plan_says() -> None:
    text = " ".join(pdf_text(CASES["worked"]).split())
    for part in ("Cut plan: Pendant 214", "Adequate", "6.12 x 4.22 mm", "Tube A3, 6.50 / 5.23 mm", "wall 0.635 mm",
                 "silver", "Note: for the window", "0.190", "± 0.016", "Ø 6.50", "Ø 6.12", "Ø 5.23", "5.00", "0.445",
                 "50 mm", "What goes wrong otherwise", "no published source", "girdle, table and crown not measured"):
        assert part in text, part
    for caution in CAUTIONS:
        assert text.count(caution[:40]) == 1


@pytest.mark.parametrize(
    ("name", "word", "part"),
    [("thin", "Too thin", "this tube does not suit"), ("close", "Too close to call", "micrometer"),
     ("tiny", "Too close", "hardly advisable")],
)
def test_a_verdict_that_is_no_plain_yes_says_why(name: str, word: str, part: str) -> None:
    text = " ".join(pdf_text(CASES[name]).split())
    assert word in text
    assert part in text


def test_verdicts_differ_by_more_than_hue() -> None:
    """The sign before the word: a tick, a cross, a ring."""
    shapes = set()
    for name in ("worked", "thin", "close"):
        page = plan_page(CASES[name])
        signs = [mark for mark in page.marks if isinstance(mark, Line) and mark.width >= 0.6]
        shapes.add(tuple(len(mark.points) for mark in signs))
    assert len(shapes) == 3


def test_measured_parts_leave_no_mark_of_a_guess() -> None:
    page = plan_page(result(girdle_mm=0.2, crown_height_mm=1.0, table_mm=3.4))
    assert not any("≈" in mark.text for mark in words(page))
    assert any("≈" in mark.text for mark in words(plan_page(CASES["worked"])))


def test_foreign_letters_and_long_names_stay_on_the_page() -> None:
    limits = "a very long file name.toml; " * 9
    heading = Heading("Ring für Žofie 指輪 " * 6, "n" * 300, "label " * 8, "2026-11-25", limits)
    page = plan_page(CASES["worked"], heading)
    assert pdf_bytes(page).startswith(b"%PDF")
    assert png_bytes(page, 100).startswith(b"\x89PNG")
    assert all(ink_box(mark)[2] <= page.width - 10 for mark in words(page))


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="there are: a4, letter"):
        plan_page(CASES["worked"], paper="a5")
    with pytest.raises(ValueError, match="100 to 600 dpi"):
        png_bytes(plan_page(CASES["worked"]), 1200)
    with pytest.raises(ValueError, match="does not fit on the page"):
        plan_page(result(90.0, 55.0, 92.0, 3.0))


# --- helpers ------------------------------------------------------------------------------------------------------


def words(page: Page) -> list[Words]:
    return [mark for mark in page.marks if isinstance(mark, Words) and mark.text]


def areas(page: Page, fill: Any) -> list[Area]:
    return [mark for mark in page.marks if isinstance(mark, Area) and mark.fill == fill]


def bounds(rings: list[tuple[tuple[float, float], ...]]) -> tuple[float, float, float, float]:
    xs, ys = zip(*(point for ring in rings for point in ring), strict=True)
    return min(xs), max(xs), min(ys), max(ys)


def check_line_y(page: Page) -> float:
    for mark in page.marks:
        if isinstance(mark, Area) and len(mark.rings) == 3:
            left, right, top, bottom = bounds(list(mark.rings))
            if right - left == pytest.approx(50.0):
                return (top + bottom) / 2
    raise AssertionError("no check line")


def ink_box(mark: Words) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the words' ink: capitals' height above the baseline, descenders below."""
    x, y = mark.start
    long, up, low = width_mm(mark.text, mark.size, mark.weight), 0.73 * mark.size, 0.21 * mark.size
    if mark.upward:
        return x - up, y - long, x + low, y
    return x, y - up, x + long, y + low


def covers(area: Area, box: tuple[float, float, float, float]) -> bool:
    if len(area.rings) != 1 or len(area.rings[0]) != 4:
        return False
    left, right, top, bottom = bounds(list(area.rings))
    return left <= box[0] and right >= box[2] and top <= box[1] and bottom >= box[3] - 0.3


def crosses(start: tuple[float, float], end: tuple[float, float], box: tuple[float, float, float, float]) -> bool:
    """Whether a straight line meets a rectangle (Liang and Barsky's clipping)."""
    low, high = 0.0, 1.0
    for axis in (0, 1):
        way = end[axis] - start[axis]
        for bound, sign in ((box[axis], -1), (box[axis + 2], 1)):
            p, q = sign * way, sign * (bound - start[axis])
            if p == 0:
                if q < 0:
                    return False
            elif p < 0:
                low = max(low, q / p)
            else:
                high = min(high, q / p)
    return low <= high


def colour(fill: tuple[float, float, float]) -> tuple[int, int, int]:
    red, green, blue = (round(255 * part) for part in fill)
    return red, green, blue


def filled_bounds(content: bytes) -> Iterator[tuple[tuple[int, int, int], tuple[float, float, float, float]]]:
    """Fill colour and left, bottom, right, top in mm of every filled path of a PDF, y upward."""
    raw = pdfium.raw
    document = pdfium.PdfDocument(content)  # kept, or its pages are closed with it
    for thing in document[0].get_objects(filter=[raw.FPDF_PAGEOBJ_PATH]):
        mode, stroke = ctypes.c_int(), ctypes.c_int()
        raw.FPDFPath_GetDrawMode(thing.raw, mode, stroke)
        if not mode.value:
            continue
        parts = [ctypes.c_uint() for _ in range(4)]
        raw.FPDFPageObj_GetFillColor(thing.raw, *parts)
        left, bottom, right, top = (value / 72 * 25.4 for value in thing.get_bounds())
        red, green, blue = (part.value for part in parts[:3])
        yield (red, green, blue), (left, bottom, right, top)


def pdf_text(case: dict[str, Any]) -> str:
    document = pdfium.PdfDocument(pdf_bytes(plan_page(case, HEADING)))
    return str(document[0].get_textpage().get_text_range())
