"""The raster of a drawing: exact coverage, and letters where the PDF has them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from rimsight.calibration.drawing import Box, Label, font_path, raster, text_extent_mm

place = st.floats(-6, 26, allow_nan=False)


@given(place, place, place, place, st.floats(0.5, 9.0))
def test_a_box_inks_the_area_that_lies_in_the_picture(x0: float, x1: float, y0: float, y1: float, scale: float) -> None:
    left, right, top, bottom = min(x0, x1), max(x0, x1), min(y0, y1), max(y0, y1)
    width, height = 40, 30
    picture = raster(
        [Box(left, top, right, bottom)], [], px_per_mm=scale, left=-1.5, top=0.25, width=width, height=height
    )
    inside_x = max(0.0, min(right, -1.5 + width / scale) - max(left, -1.5))
    inside_y = max(0.0, min(bottom, 0.25 + height / scale) - max(top, 0.25))
    ink = np.sum(1 - picture / 255.0) / scale**2
    # Each pixel is rounded to 1/255; only border pixels are neither black nor white.
    slack = 2 * (width + height) * 0.5 / 255 / scale**2
    assert ink == pytest.approx(inside_x * inside_y, abs=slack + 1e-6)


def test_boxes_that_touch_leave_no_seam() -> None:
    boxes = [Box(0.0, 0.0, 3.37, 5.0), Box(3.37, 0.0, 5.0, 5.0)]
    assert not raster(boxes, [], px_per_mm=10, left=0, top=0, width=50, height=50).any()


@pytest.mark.parametrize("text", ["150 mm across", "AVAVA To. 'fit'", "rimsight card check --side 60", ""])
def test_text_is_as_wide_as_reportlab_sets_it(text: str) -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    pdfmetrics.registerFont(TTFont("Vera", str(font_path())))
    assert text_extent_mm(text, 3.0)[0] == pytest.approx(pdfmetrics.stringWidth(text, "Vera", 3.0), rel=0.002)


def ink_of(label: Label) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.uint8]]:
    picture = raster([], [label], px_per_mm=20, left=-5, top=-20, width=700, height=700)
    rows, columns = np.nonzero(picture < 200)
    return rows, columns, picture


@pytest.mark.parametrize("upward", [False, True])
def test_ink_of_a_label_lies_in_its_box(upward: bool) -> None:
    label = Label(4.0, 6.0, 2.5, "Äg|jQ150,mm_", upward)
    rows, columns, _ = ink_of(label)
    box = label.box()
    assert box.left <= columns.min() / 20 - 5 + 0.1
    assert columns.max() / 20 - 5 <= box.right + 0.1
    assert box.top <= rows.min() / 20 - 20 + 0.1
    assert rows.max() / 20 - 20 <= box.bottom + 0.1
    long_side = np.ptp(rows if upward else columns) / 20
    assert long_side == pytest.approx(text_extent_mm(label.text, label.size)[0], rel=0.05)


def test_upward_writing_is_the_same_writing_turned_by_a_quarter() -> None:
    # 7.0 mm is a whole number of pixels, so that both fall on the grid alike.
    level = raster([], [Label(0, 0, 7.0, "150 mm F")], px_per_mm=8, left=-2, top=-10, width=400, height=120)
    upward = raster(
        [], [Label(0, 0, 7.0, "150 mm F", upward=True)], px_per_mm=8, left=-10, top=2 - 50, width=120, height=400
    )
    turned = np.rot90(level)
    assert np.mean(turned < 128) > 0.02
    assert float(np.mean(np.abs(turned.astype(float) - upward))) < 1.0


@pytest.mark.parametrize("x", [-40.0, -3.0, 13.0, 60.0])
def test_writing_across_the_edge_of_the_picture_is_cut_there(x: float) -> None:
    whole = raster([], [Label(x, 4, 3.0, "150 mm down")], px_per_mm=10, left=-50, top=0, width=1200, height=60)
    part = raster([], [Label(x, 4, 3.0, "150 mm down")], px_per_mm=10, left=0, top=0, width=150, height=60)
    np.testing.assert_array_equal(part, whole[:, 500:650])
