"""The card's geometry and its raster: exact by construction, checked by area, by position and by OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.calibration.card import (
    CHECK_ACROSS_Y_MM,
    CHECK_DOWN_X_MM,
    CHECK_END_MM,
    CHECK_STROKE_MM,
    LAYOUTS,
    MARKER_DICTIONARY,
    card_bitmap,
    card_labels,
    check_line_boxes,
    check_lines,
    default_extent_mm,
    frame_boxes,
    layout,
    marker_boxes,
    marker_cells,
)
from rimsight.calibration.drawing import Box

SIDES = sorted(LAYOUTS)


def centroid_px(darkness: NDArray[np.float64], start: int, stop: int) -> float:
    """Return the centre of the ink between two indices, from the outer edge of pixel 0, pixels."""
    part = darkness[start:stop]
    return float(np.sum((np.arange(start, stop) + 0.5) * part) / np.sum(part))


@pytest.mark.parametrize(("side", "outer", "inner"), [(60, 64.0, 56.0), (30, 33.0, 27.0)])
def test_band_lies_half_inside_and_half_outside_the_midline(side: int, outer: float, inner: float) -> None:
    card = layout(side)
    assert (card.outer_mm, card.inner_mm) == (outer, inner)
    assert card.band_edges_mm == (inner / 2, outer / 2)
    np.testing.assert_allclose((card.outer_corners_mm + card.inner_corners_mm) / 2, card.midline_corners_mm, atol=1e-12)


@pytest.mark.parametrize("side", [0, 45, -60, 60.5, float("nan"), float("inf")])
def test_other_sizes_are_refused_and_the_sizes_named(side: float) -> None:
    with pytest.raises(ValueError, match="60 or 30"):
        layout(side)


@pytest.mark.parametrize("side", SIDES)
def test_markers_stand_at_opposite_corners_with_their_gap(side: int) -> None:
    card = layout(side)
    above, below = (card.marker_corners_mm[one] for one in card.marker_ids)
    half = card.outer_mm / 2
    np.testing.assert_allclose(above[3], [-half, -half - card.marker_gap_mm], atol=1e-12)
    np.testing.assert_allclose(below[1], [half, half + card.marker_gap_mm], atol=1e-12)
    for corners in (above, below):  # top left, top right, bottom right, bottom left
        np.testing.assert_allclose(np.diff(corners, axis=0), card.marker_side_mm * np.array([[1, 0], [0, 1], [-1, 0]]))


@pytest.mark.parametrize("side", SIDES)
def test_marker_gap_is_the_quiet_zone_that_detection_needs(side: int) -> None:
    card = layout(side)
    assert card.marker_gap_mm >= card.marker_module_mm


def test_all_markers_differ_by_id_and_by_pattern() -> None:
    ids = [one for card in LAYOUTS.values() for one in card.marker_ids]
    assert len(set(ids)) == len(ids) == 4
    assert len({marker_cells(one) for one in ids}) == 4


@pytest.mark.parametrize("side", SIDES)
def test_opencv_finds_both_markers_upright_in_the_bitmap(side: int) -> None:
    card, px_per_mm = layout(side), 20.0
    picture = card_bitmap(side, px_per_mm)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    found = dict(zip(np.ravel(ids).tolist(), corners, strict=True))
    assert set(found) == set(card.marker_ids)
    for one, expected in card.marker_corners_mm.items():
        # OpenCV counts from the centre of the first pixel, card_bitmap from its outer corner.
        seen = (found[one].reshape(-1, 2) + 0.5) / px_per_mm - default_extent_mm(card) / 2
        np.testing.assert_allclose(seen, expected, rtol=0, atol=0.15)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("px_per_mm", [3.7, 7.3, 10.0, 23.622])
def test_midline_is_where_it_is_stated_at_any_resolution(side: int, px_per_mm: float) -> None:
    card = layout(side)
    extent = card.outer_mm + 1.0
    picture = card_bitmap(side, px_per_mm, extent)
    middle = picture.shape[0] // 2
    for line in (picture[middle], picture[:, middle]):
        darkness = 1 - line / 255.0
        low = centroid_px(darkness, 0, middle) / px_per_mm - extent / 2
        high = centroid_px(darkness, middle, len(line)) / px_per_mm - extent / 2
        # 8-bit rounding of four edge pixels is the only error: 0.5 / 255 px each at half a band's distance.
        assert [low, high] == pytest.approx([-card.side_mm / 2, card.side_mm / 2], abs=0.002)


@pytest.mark.parametrize("side", SIDES)
def test_ink_covers_the_area_of_the_band(side: int) -> None:
    card, px_per_mm = layout(side), 9.37
    extent = card.outer_mm + 1.0
    picture = card_bitmap(side, px_per_mm, extent)
    area = np.sum(1 - picture / 255.0) / px_per_mm**2
    assert area == pytest.approx(card.outer_mm**2 - card.inner_mm**2, rel=1e-4)


def test_pixel_i_covers_the_stated_interval() -> None:
    picture = card_bitmap(60, 10.0, 70.0)
    row = picture[350]
    assert row.shape == (700,)
    # The band's outer edge at -32 mm is the border between pixel 29 and 30, its inner edge at -28 mm between 69 and 70.
    assert row[29] == 255
    assert set(row[30:70]) == {0}
    assert row[70] == 255


def test_bitmap_of_a_larger_region_shows_the_check_lines() -> None:
    px_per_mm, extent = 10.0, 220.0
    picture = card_bitmap(60, px_per_mm, extent)
    darkness = 1 - picture / 255.0
    first, last = (round((CHECK_ACROSS_Y_MM + side + extent / 2) * px_per_mm) for side in (-1, 1))
    column = darkness[:, picture.shape[1] // 2]
    place = centroid_px(column, first, last) / px_per_mm - extent / 2
    assert place == pytest.approx(CHECK_ACROSS_Y_MM, abs=0.002)
    assert np.sum(column[first:last]) / px_per_mm == pytest.approx(CHECK_STROKE_MM, abs=0.002)


def test_check_lines_end_at_their_marks_and_nowhere_else() -> None:
    across, down = check_lines()
    assert min(box.left for box in across) == pytest.approx(-75.0, abs=CHECK_STROKE_MM)
    assert max(box.right for box in across) == pytest.approx(75.0, abs=CHECK_STROKE_MM)
    assert min(box.top for box in down) == pytest.approx(-75.0, abs=CHECK_STROKE_MM)
    assert max(box.bottom for box in down) == pytest.approx(75.0, abs=CHECK_STROKE_MM)
    assert max(box.bottom for box in across) == pytest.approx(CHECK_ACROSS_Y_MM + CHECK_END_MM / 2)
    assert min(box.left for box in down) == pytest.approx(CHECK_DOWN_X_MM - CHECK_END_MM / 2)


def overlap(one: Box, other: Box) -> bool:
    """Whether two boxes share more than a border."""
    slack = 1e-9
    return (
        one.left < other.right - slack
        and other.left < one.right - slack
        and one.top < other.bottom - slack
        and other.top < one.bottom - slack
    )


@pytest.mark.parametrize("side", SIDES)
def test_nothing_on_the_card_overlaps(side: int) -> None:
    card = layout(side)
    boxes = frame_boxes(card) + marker_boxes(card) + check_line_boxes() + [one.box() for one in card_labels(card)]
    assert not [(a, b) for i, a in enumerate(boxes) for b in boxes[:i] if overlap(a, b)]


@pytest.mark.parametrize("side", SIDES)
def test_small_print_keeps_out_of_the_quiet_zones(side: int) -> None:
    card = layout(side)
    half, module = card.outer_mm / 2, card.marker_module_mm
    quiet = [Box(-half - 3, -half - 3, half + 3, half + 3)]
    for corners in card.marker_corners_mm.values():
        (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
        quiet.append(Box(left - module, top - module, right + module, bottom + module))
    assert not [(label.text, box) for label in card_labels(card) for box in quiet if overlap(label.box(), box)]


@pytest.mark.parametrize(("px_per_mm", "extent"), [(0, None), (-1, None), (float("nan"), None), (10, 0.0), (10, -5.0)])
def test_a_raster_without_size_is_refused(px_per_mm: float, extent: float | None) -> None:
    with pytest.raises(ValueError, match="positive"):
        card_bitmap(60, px_per_mm, extent)
