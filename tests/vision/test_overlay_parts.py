"""The parts of the overlay: crop, strokes, wrapped words, the rim's stripes, and places for labels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from rimsight.vision.overlay_frame import LEAST_PANEL_ASPECT, choose_frame
from rimsight.vision.overlay_ink import Ink, arrowhead, dashes, font, text_width, wrap
from rimsight.vision.overlay_marks import BAR_LENGTHS, bar_length_mm
from rimsight.vision.overlay_model import RimBand
from rimsight.vision.overlay_place import INSIDE, LINE, RIM, Anchor, Room
from rimsight.vision.overlay_rim import ShownRim

FloatArray = NDArray[np.float64]
WHITE = (255, 255, 255)


def coverage(draw: object, size: int = 100) -> FloatArray:
    """What a drawing leaves on a black picture, 0 to 1."""
    picture = Image.new("RGB", (size, size))
    draw(Ink(picture, 1.0))  # type: ignore[operator]
    return np.asarray(picture)[:, :, 0] / 255.0


def circle(centre: tuple[float, float], radius: float, count: int = 360) -> FloatArray:
    angle = np.arange(count) * (2.0 * np.pi / count)
    return np.array(centre) + radius * np.column_stack([np.cos(angle), np.sin(angle)])


# Crop


@settings(max_examples=150, deadline=None)
@given(
    size=st.tuples(st.integers(20, 9000), st.integers(20, 9000)),
    corner=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    share=st.tuples(st.floats(0, 1), st.floats(0, 1)),
    long_side=st.integers(200, 3000),
)
def test_crop_lies_in_the_photo_and_holds_the_focus(
    size: tuple[int, int], corner: tuple[float, float], share: tuple[float, float], long_side: int
) -> None:
    width, height = size
    x0, y0 = corner[0] * (width - 1), corner[1] * (height - 1)
    x1, y1 = x0 + share[0] * (width - 1 - x0), y0 + share[1] * (height - 1 - y0)
    frame = choose_frame(width, height, (x0, y0, x1, y1), long_side)
    left, top, right, bottom = frame.crop_px
    assert max(frame.photo_width, frame.photo_height) == long_side
    assert min(frame.width, frame.height) >= LEAST_PANEL_ASPECT * max(frame.width, frame.height)
    pixel = 1.0 / frame.scale
    assert left >= -0.5
    assert top >= -0.5
    assert right <= width - 0.5 + pixel
    assert bottom <= height - 0.5 + pixel
    assert left <= x0 + pixel
    assert top <= y0 + pixel
    assert right >= x1 - pixel
    assert bottom >= y1 - pixel


def test_corners_of_the_crop_are_the_corners_of_the_panel() -> None:
    frame = choose_frame(900, 600, (200.0, 100.0, 500.0, 400.0), 1600)
    x0, y0, x1, y1 = frame.crop_px
    placed = frame.place(np.array([[x0, y0], [x1, y1]]))
    np.testing.assert_allclose(placed, [[-0.5, -0.5], [frame.width - 0.5, frame.height - 0.5]], rtol=0, atol=1e-9)


def test_narrow_photo_stands_in_the_middle_of_plain_ground() -> None:
    frame = choose_frame(100, 1000, None, 1600)
    assert (frame.width, frame.height) == (800, 1600)
    assert (frame.x, frame.photo_width) == (320, 160)


# Strokes


@pytest.mark.parametrize("at", [20.0, 33.25, 47.5, 61.6])
@pytest.mark.parametrize("width", [3.0, 4.0, 6.5])
def test_line_lies_where_it_should_and_is_as_wide(at: float, width: float) -> None:
    rows = coverage(lambda ink: ink.stroke([np.array([[5.0, at], [95.0, at]])], width, WHITE, halo=False))
    profile = rows[:, 50]
    assert np.average(np.arange(100), weights=profile) == pytest.approx(at, abs=0.2)
    assert profile.sum() == pytest.approx(width, abs=0.3)


def test_plate_is_exact_to_a_quarter_pixel() -> None:
    box = coverage(lambda ink: ink.plate((19.5, 29.5, 62.25, 41.5), WHITE, 1.0, 0.0))
    assert box[35].sum() == pytest.approx(42.75, abs=0.13)
    assert box[:, 40].sum() == pytest.approx(12.0, abs=0.01)


def test_closed_line_has_no_gap_at_its_start() -> None:
    ring = circle((50.0, 50.0), 30.0)
    ink = coverage(lambda ink: ink.stroke([np.vstack([ring, ring[:1]])], 4.0, WHITE, halo=False))
    at = np.rint(ring).astype(int)
    assert (ink[at[:, 1], at[:, 0]] > 0.9).all()


def test_arrowhead_points_at_its_tip() -> None:
    head = arrowhead(np.array([50.0, 50.0]), np.array([1.0, 0.0]), 20.0)
    ink = coverage(lambda ink: ink.fill([head], WHITE))
    _, columns = np.nonzero(ink > 0.5)
    assert columns.min() == pytest.approx(30, abs=1)
    assert 47 <= columns.max() <= 50


@pytest.mark.parametrize("closed", [True, False])
def test_dashes_keep_their_share_and_follow_the_line(closed: bool) -> None:
    ring = circle((50.0, 50.0), 30.0, 720)
    pieces = dashes(ring, 6.0, 4.0, closed=closed)
    lengths = [np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces]
    total = 2.0 * np.pi * 30.0
    assert len(pieces) == pytest.approx(total / 10.0, abs=1)
    assert sum(lengths) / total == pytest.approx(0.6, abs=0.02)
    distance = np.hypot(*(np.vstack(pieces) - 50.0).T)
    assert np.abs(distance - 30.0).max() < 0.01
    if closed:
        assert np.ptp(lengths) < 0.01


def test_drawing_outside_of_the_picture_does_nothing() -> None:
    far = np.array([[1e12, 5.0], [1e12, -1e12], [-1e9, 1e9]])
    ink = coverage(
        lambda ink: (ink.stroke([far + 1e13], 4.0, WHITE), ink.fill([np.array([[200.0, 200.0]] * 3)], WHITE))
    )
    assert ink.max() == 0.0


# Words


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=300), st.floats(30.0, 700.0))
def test_wrapped_lines_fit_and_keep_every_letter(text: str, width: float) -> None:
    face = font(20.0)
    lines = wrap(text, face, width)
    assert all(len(line) <= 1 or text_width(line, face) <= width for line in lines)
    short = wrap(text, face, width, 2)
    assert len(short) <= 2


def test_wrap_breaks_at_spaces_and_within_words_only_where_it_must() -> None:
    face = font(20.0)
    assert wrap("girdle 6.12 mm", face, text_width("girdle 6.12", face) + 1.0) == ["girdle 6.12", "mm"]
    assert "".join(wrap("x" * 100, face, 200.0)) == "x" * 100
    assert wrap("one\ntwo", face, 500.0) == ["one", "two"]
    assert wrap("a → b", face, 500.0) == ["a -> b"]
    assert wrap("one two three four", face, text_width("one two...", face), 1) == ["one two..."]


# Rim


def shown(width: FloatArray, limit: float | None = 0.2, index: int = 0) -> ShownRim:
    frame = choose_frame(1000, 1000, None, 1000)
    band = RimBand(circle((500, 500), 300, len(width)), circle((500, 500), 340, len(width)), width, limit, index)
    return ShownRim(band, frame, 1.0)


def test_stripes_lie_where_the_rim_is_under_its_limit_and_nowhere_else() -> None:
    width = np.where(np.arange(720) < 200, 0.1, 0.3)
    stripes = shown(width).stripes()
    angle = np.degrees(np.arctan2(*(np.vstack(stripes) - 500.0)[:, ::-1].T)) % 360.0
    assert angle.min() >= 0.0
    assert angle.max() <= 100.1
    # Each tenth of the part has its stripe.
    assert set((angle // 10).astype(int)) >= set(range(10))


def test_stripes_go_round_a_rim_that_is_thin_all_round() -> None:
    stripes = shown(np.full(720, 0.1)).stripes()
    middle = np.array([stripe.mean(axis=0) for stripe in stripes]) - 500.0
    angle = np.sort(np.degrees(np.arctan2(middle[:, 1], middle[:, 0])))
    steps = np.diff(np.append(angle, angle[0] + 360.0))
    assert steps.max() < 1.05 * steps.min()


def test_part_across_the_end_of_the_list_is_one_part() -> None:
    width = np.where((np.arange(720) < 100) | (np.arange(720) >= 620), 0.1, 0.3)
    whole = shown(width).stripes()
    rolled = shown(np.where(np.arange(720) < 200, 0.1, 0.3)).stripes()
    assert len(whole) == pytest.approx(len(rolled), abs=1)


def test_wide_rim_and_rim_without_limit_have_no_stripes() -> None:
    assert shown(np.full(720, 0.2)).stripes() == []
    assert shown(np.full(720, 0.1), None).stripes() == []


def test_rim_that_vanishes_is_still_drawn() -> None:
    frame = choose_frame(1000, 1000, None, 1000)
    edge = circle((500, 500), 300)
    for limit, thick in ((None, 9.0), (0.2, 24.0)):
        rim = ShownRim(RimBand(edge, edge, np.zeros(360), limit, 0), frame, 1.0)
        distance = np.hypot(*(np.vstack(rim.quads()) - 500.0).T)
        assert np.ptp(distance) == pytest.approx(thick, abs=0.1)


def test_smallest_place_points_outwards_even_where_the_stone_stands_over() -> None:
    frame = choose_frame(1000, 1000, None, 1000)
    inner, outer = circle((500, 500), 320), circle((500, 500), 300)
    found = ShownRim(RimBand(inner, outer, np.full(360, -0.1), 0.2, 90), frame, 1.0).smallest()
    assert found is not None
    np.testing.assert_allclose(found[2], [0.0, 1.0], rtol=0, atol=1e-6)
    assert found[1][1] > found[0][1]


def test_text_of_the_smallest_place_never_reads_like_the_limit() -> None:
    assert shown(np.full(360, 0.314)).text() == "rim 0.31 mm"
    assert shown(np.full(360, 0.198)).text() == "rim 0.198 mm"
    assert shown(np.full(360, 0.2)).text() == "rim 0.20 mm"
    assert shown(np.full(360, -0.05)).text() == "rim −0.05 mm"


def test_smallest_place_without_a_width_gets_no_arrow() -> None:
    width = np.full(360, 0.3)
    width[4] = np.nan
    assert shown(width, index=4).smallest() is None
    assert shown(np.full(360, 0.3), index=4).smallest() is not None


# Scale bar


@pytest.mark.parametrize(
    ("px_per_mm", "expected"), [(48.0, 10.0), (50.0, 5.0), (160.0, 2.0), (300.0, 1.0), (900.0, 1.0), (12.0, 10.0)]
)
def test_scale_bar_has_a_round_length(px_per_mm: float, expected: float) -> None:
    """Three tenths of 1600 px are 480 px."""
    assert bar_length_mm(px_per_mm, 1600.0) == expected


def test_scale_bar_fits_at_any_scale() -> None:
    for scale in np.geomspace(0.5, 20_000.0, 300):
        length = bar_length_mm(float(scale), 1600.0)
        assert 0.04 * 1600 < length * scale <= 0.6 * 1600
        if 20 * scale > 480 and 0.5 * scale < 480:
            assert length in BAR_LENGTHS


# Places


def overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def test_labels_keep_clear_of_each_other_and_of_the_rim() -> None:
    room = Room(1600, 1200, 1.0)
    ring = circle((800.0, 600.0), 300.0)
    band = [np.vstack([circle((800.0, 600.0), 300.0), circle((800.0, 600.0), 260.0)[::-1]])]
    room.add_shapes([ring], INSIDE)
    room.add_shapes(band, RIM)
    room.add_lines([ring], LINE)
    sides = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
    boxes = []
    for _ in range(12):
        place = room.find([Anchor((1100.0, 600.0), sides)], (260.0, 50.0), (12.0, 40.0, 90.0))
        assert place is not None
        assert place.free
        room.add_box(place.box)
        boxes.append(place.box)
    for k, box in enumerate(boxes):
        assert box[0] >= 0
        assert box[1] >= 0
        assert box[2] <= 1600
        assert box[3] <= 1200
        assert not any(overlap(box, other) for other in boxes[:k])
        x, y = np.meshgrid(np.linspace(box[0], box[2], 50), np.linspace(box[1], box[3], 20))
        distance = np.hypot(x - 800.0, y - 600.0)
        assert not ((distance > 268.0) & (distance < 292.0)).any()


def test_label_that_touches_needs_no_leader_and_one_far_off_has_one() -> None:
    room = Room(1600, 1200, 1.0)
    anchor = [Anchor((800.0, 600.0), ((1.0, 0.0),))]
    near = room.find(anchor, (100.0, 40.0), (12.0, 200.0))
    assert near is not None
    assert near.leader is None
    room.add_box((805.0, 500.0, 930.0, 700.0))
    far = room.find(anchor, (100.0, 40.0), (12.0, 200.0))
    assert far is not None
    assert far.leader is not None
    assert far.free


def test_no_place_for_what_is_not_in_the_picture_or_too_large() -> None:
    room = Room(400, 300, 0.25)
    assert room.find([Anchor((500.0, 100.0), ((1.0, 0.0),))], (50.0, 20.0), (12.0,)) is None
    assert room.find([Anchor((200.0, 100.0), ((1.0, 0.0),))], (500.0, 20.0), (12.0,)) is None


def test_lines_that_count_for_a_while_are_forgotten_after() -> None:
    room = Room(1600, 1200, 1.0)
    box = (700.0, 500.0, 900.0, 700.0)
    with room.besides([np.array([[0.0, 600.0], [1599.0, 600.0]])], LINE):
        assert room.cover_cost(box) > 100.0
        room.add_box((0.0, 0.0, 50.0, 50.0))
    assert room.cover_cost(box) == 0.0
    assert not room.is_free((10.0, 10.0, 20.0, 20.0))
