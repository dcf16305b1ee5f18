"""The overlay as a whole: marks land where the photo shows what they mark, whatever the photo and the words."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from rimsight.calibration.pixels import LightImage, encode_srgb
from rimsight.vision.overlay import DimensionMark, NumberMark, OutlineMark, Overlay, RimBand, draw, encode
from rimsight.vision.overlay_colour import LINES, PAPER

FloatArray = NDArray[np.float64]
CENTRE = np.array([431.3, 287.6])
PX_PER_MM = 20.0
TUBE_PX, STONE_PX = 80.0, 62.0


def circle(centre: FloatArray, radius: float, count: int = 360) -> FloatArray:
    angle = np.arange(count) * (2.0 * np.pi / count)
    return np.asarray(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def photo(
    centre: FloatArray = CENTRE,
    *,
    size: tuple[int, int] = (900, 600),
    sixteen: bool = False,
    grey: bool = False,
    ground: float = 0.7,
) -> LightImage:
    """A light ground with a bright ring (a tube) and a dark disc in it (a stone), anti-aliased."""
    y, x = np.mgrid[: size[1], : size[0]]
    distance = np.hypot(x - centre[0], y - centre[1])
    light = np.full(distance.shape, ground)
    for radius, level in ((TUBE_PX, 0.45), (STONE_PX, 0.05)):
        share = np.clip(radius - distance + 0.5, 0.0, 1.0)
        light = light * (1.0 - share) + level * share
    full = 65535 if sixteen else 255
    values = np.rint(encode_srgb(light if grey else np.repeat(light[:, :, None], 3, axis=2)) * full)
    return LightImage(values.astype(np.uint16) if sixteen else values.astype(np.uint8))


def rim(centre: FloatArray = CENTRE, limit_mm: float | None = 0.8) -> RimBand:
    width = np.linspace(0.5, 1.3, 360)
    return RimBand(circle(centre, STONE_PX), circle(centre, TUBE_PX), width, limit_mm, 0)


def full_overlay(centre: FloatArray = CENTRE, label: str = "stone") -> Overlay:
    return Overlay(
        px_per_mm=PX_PER_MM,
        scale_centre_px=centre,
        outlines=(
            OutlineMark(circle(centre, STONE_PX), label, "stone"),
            OutlineMark(circle(centre, TUBE_PX), label, "outer"),
        ),
        rim_bands=(rim(centre),),
        dimensions=(DimensionMark(centre - (STONE_PX, 0.0), np.add(centre, (STONE_PX, 0.0)), "6.20 mm"),),
        numbers=(NumberMark(np.add(centre, (60.0, 150.0)), 12.0, "2"),),
        verdict="too thin",
        lines=("girdle 6.20 ± 0.02 mm",),
    )


def plain(**changes: object) -> Overlay:
    return Overlay(PX_PER_MM, CENTRE, **changes)  # type: ignore[arg-type]


FOCUS = (300.0, 180.0, 560.0, 400.0)


def panel(picture: Image.Image) -> NDArray[np.int64]:
    """The part above the strip: at the left edge the strip has the paper's colour, the photo never."""
    codes = np.asarray(picture).astype(np.int64)
    paper = (codes[:, 1] == PAPER).all(axis=1)
    return codes[: int(np.argmax(paper))] if paper.any() else codes


def stone_shape(codes: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Pixels of the stone in a panel without marks: darker than the middle between stone and tube in linear light."""
    middle = 255 * float(encode_srgb(np.array(0.25)))
    labels, _ = ndimage.label(codes[:, :, 0] < middle)
    return np.asarray(labels == np.argmax(np.bincount(labels.ravel())[1:]) + 1)


def stone_disc(codes: NDArray[np.int64]) -> tuple[FloatArray, float]:
    """Centre and radius of the stone in a panel without marks, by its area."""
    shape = stone_shape(codes)
    y, x = np.nonzero(shape)
    return np.array([x.mean(), y.mean()]), float(np.sqrt(shape.sum() / np.pi))


@pytest.mark.parametrize("kind", ["stone", "outer", "bore", "mouth", "other"])
def test_outline_lies_on_the_edge_that_the_picture_shows(kind: str) -> None:
    marked = plain(outlines=(OutlineMark(circle(CENTRE, STONE_PX), "", kind),))
    bare, drawn = panel(draw(photo(), plain(), focus_px=FOCUS)), panel(draw(photo(), marked, focus_px=FOCUS))
    centre, radius = stone_disc(bare)
    changed = np.abs(bare - drawn).sum(axis=2)
    core = (np.abs(drawn - LINES[kind].colour).sum(axis=2) < 12) & (changed > 30)
    y, x = np.nonzero(core)
    distance = np.hypot(x - centre[0], y - centre[1])
    assert len(distance) > 500
    assert distance.mean() == pytest.approx(radius, abs=0.4)
    # The line is 4 px wide: no part of it further off than its own half width and a pixel.
    assert np.abs(distance - radius).max() < 3.0
    away = (distance - radius)[:, None] * np.column_stack([x - centre[0], y - centre[1]]) / distance[:, None]
    assert np.abs(2.0 * away.mean(axis=0)).max() < 0.4


def test_the_crop_is_scaled_alike_in_both_directions() -> None:
    stone = stone_shape(panel(draw(photo(), plain(), focus_px=FOCUS)))
    assert np.ptp(np.nonzero(stone.any(axis=0))[0]) == pytest.approx(np.ptp(np.nonzero(stone.any(axis=1))[0]), abs=1)


@pytest.mark.parametrize("focus", [FOCUS, (421.0, 277.0, 441.0, 297.0), (0.0, 0.0, 899.0, 599.0)])
@pytest.mark.parametrize("px_per_mm", [7.3, 20.0, 41.7])
def test_scale_bar_is_true(focus: tuple[float, float, float, float], px_per_mm: float) -> None:
    dark = LightImage(np.zeros((600, 900, 3), np.uint8))
    shown = panel(draw(dark, Overlay(px_per_mm, CENTRE), focus_px=focus))
    # The scale of the crop is taken from a photo with lines at known places, not from the program's own numbers.
    low, high = (int(focus[0]) + 2, int(focus[2]) - 2)
    stripe = np.full((600, 900, 3), 60, np.uint8)
    stripe[:, [low, high]] = 200
    striped = panel(draw(LightImage(stripe), Overlay(px_per_mm, CENTRE), focus_px=focus))
    light = striped[: len(striped) // 3, :, 0].mean(axis=0) - 60.0
    place = np.arange(len(light))
    left, right = place < len(light) / 2, place >= len(light) / 2
    scale = (np.average(place[right], weights=light[right]) - np.average(place[left], weights=light[left])) / (
        high - low
    )
    bar = max(_longest_run(row / 255.0) for row in shown[:, :, 0])
    millimetres = bar / (px_per_mm * scale)
    known = np.array([0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0])
    nearest = known[np.argmin(np.abs(np.log(known / millimetres)))]
    assert bar == pytest.approx(nearest * px_per_mm * scale, abs=0.5)
    assert 0.04 * shown.shape[1] < bar < 0.62 * shown.shape[1]


def _longest_run(row: FloatArray) -> float:
    """Length of the longest bright stretch, its partly covered end pixels by their share."""
    best = 0.0
    bright = np.flatnonzero(row > 0.9)
    for part in np.split(bright, np.flatnonzero(np.diff(bright) > 1) + 1):
        if len(part):
            ground = 0.12
            ends = [row[k] for k in (part[0] - 1, part[-1] + 1) if 0 <= k < len(row)]
            best = max(best, len(part) + sum(max(0.0, (end - ground) / (1.0 - ground)) for end in ends))
    return best


def test_marks_outside_of_the_crop_leave_it_alone() -> None:
    far = np.array([80.0, 80.0])
    outside = Overlay(
        PX_PER_MM, CENTRE,
        outlines=(OutlineMark(circle(far, 30.0), "far", "stone"),),
        rim_bands=(RimBand(circle(far, 30.0), circle(far, 40.0), np.full(360, 0.4), None, 0),),
        dimensions=(DimensionMark(far, far + 20.0, "1 mm"),),
        numbers=(NumberMark(far, 20.0, "1"),),
    )  # fmt: skip
    bare, drawn = panel(draw(photo(), plain(), focus_px=FOCUS)), panel(draw(photo(), outside, focus_px=FOCUS))
    np.testing.assert_array_equal(bare, drawn)


def test_nothing_is_drawn_beside_the_marks() -> None:
    marked = plain(outlines=(OutlineMark(circle(CENTRE, TUBE_PX), "", "outer"),))
    bare, drawn = panel(draw(photo(), plain(), focus_px=FOCUS)), panel(draw(photo(), marked, focus_px=FOCUS))
    centre, radius = stone_disc(bare)
    y, x = np.nonzero(np.abs(bare - drawn).sum(axis=2))
    off = np.abs(np.hypot(x - centre[0], y - centre[1]) - radius * TUBE_PX / STONE_PX)
    assert off.max() < 8.0  # half the line, its halo, and the pixel's own size


def test_part_of_a_rim_that_was_not_measured_is_not_coloured() -> None:
    keep = np.r_[0:100, 200:360]
    band = RimBand(
        circle(CENTRE, STONE_PX)[keep], circle(CENTRE, TUBE_PX)[keep], np.full(len(keep), 1.0), 0.8, 0, smallest_text=""
    )
    marked = plain(rim_bands=(band,))
    bare, drawn = panel(draw(photo(), plain(), focus_px=FOCUS)), panel(draw(photo(), marked, focus_px=FOCUS))
    centre, radius = stone_disc(bare)
    angle = np.radians(np.arange(360))
    at = np.rint(centre + 71.0 / STONE_PX * radius * np.column_stack([np.cos(angle), np.sin(angle)])).astype(int)
    changed = np.abs(bare - drawn).sum(axis=2)[at[:, 1], at[:, 0]] > 30
    assert not changed[102:198].any()
    assert changed[3:97].all()
    assert changed[203:357].all()


def test_points_that_are_not_finite_are_left_out() -> None:
    points, width = circle(CENTRE, STONE_PX), np.full(360, 0.9)
    points[10:20] = np.nan
    width[100:110] = np.nan
    overlay = plain(
        outlines=(OutlineMark(points, "stone", "stone"), OutlineMark(np.full((5, 2), np.nan), "lost", "bore")),
        rim_bands=(RimBand(points, circle(CENTRE, TUBE_PX), width, 0.8, 105),),
    )
    assert draw(photo(), overlay).width > 0


@pytest.mark.parametrize("grey", [False, True])
@pytest.mark.parametrize("sixteen", [False, True])
def test_every_depth_and_grey_give_the_same_picture(grey: bool, sixteen: bool) -> None:
    first = np.asarray(draw(photo(), full_overlay())).astype(int)
    other = np.asarray(draw(photo(grey=grey, sixteen=sixteen), full_overlay())).astype(int)
    assert first.shape == other.shape
    assert np.abs(first - other).max() <= 2


@pytest.mark.parametrize("centre", [(5.0, 5.0), (895.0, 300.0), (450.0, 598.0)])
def test_subject_at_the_edge_of_the_photo(centre: tuple[float, float]) -> None:
    at = np.array(centre)
    picture = draw(photo(at), full_overlay(at), focus_px=(*(at - 100), *(at + 100)))
    assert max(panel(picture).shape[:2]) == 1600


@pytest.mark.parametrize("focus", [(431.0, 287.0, 431.0, 287.0), (430.0, 287.0, 433.0, 288.0)])
def test_very_small_focus(focus: tuple[float, float, float, float]) -> None:
    picture = draw(photo(), full_overlay(), focus_px=focus)
    assert picture.width == 1600


@pytest.mark.parametrize("size", [(900, 40), (40, 900), (48, 48), (3, 700)])
def test_odd_photos(size: tuple[int, int]) -> None:
    centre = np.array(size) / 2
    picture = draw(photo(centre, size=size), full_overlay(centre))
    assert 400 <= picture.width <= 1600
    assert picture.height <= 2600


def test_long_words_make_the_strip_longer_and_never_wider() -> None:
    short = draw(photo(), full_overlay(), focus_px=FOCUS)
    long = Overlay(
        PX_PER_MM, CENTRE, verdict="too close to call, " * 20, lines=("word " * 100, "x" * 300, "two\nlines"),
        outlines=(OutlineMark(circle(CENTRE, STONE_PX), "y" * 500, "stone"),),
    )  # fmt: skip
    picture = draw(photo(), long, focus_px=FOCUS)
    assert picture.width == short.width
    assert picture.height > short.height + 500
    # The right margin stays clear of words below the small picture.
    strip = np.asarray(picture)[-400:, -40:]
    assert (strip == PAPER).all()


def test_empty_overlay_is_the_photo_with_a_scale_bar() -> None:
    picture = draw(photo(), plain())
    assert picture.size in ((1600, 1066), (1600, 1067))


def test_whole_picture_size_follows_the_wish() -> None:
    assert max(panel(draw(photo(), full_overlay(), long_side_px=400)).shape[:2]) == 400
    with pytest.raises(ValueError, match="200 to 8000"):
        draw(photo(), full_overlay(), long_side_px=100)


@pytest.mark.parametrize("focus", [(5.0, 5.0, 1.0, 9.0), (np.nan, 0.0, 1.0, 1.0), (1000.0, 0.0, 1100.0, 50.0)])
def test_impossible_focus_is_refused(focus: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="focus"):
        draw(photo(), full_overlay(), focus_px=focus)


def test_marks_are_checked() -> None:
    with pytest.raises(ValueError, match="shape"):
        OutlineMark(np.zeros(4), "", "stone")
    with pytest.raises(ValueError, match="kind"):
        OutlineMark(np.zeros((4, 2)), "", "gem")
    with pytest.raises(ValueError, match="equally long"):
        RimBand(np.zeros((4, 2)), np.zeros((4, 2)), np.zeros(3), None, 0)
    with pytest.raises(ValueError, match="limit"):
        RimBand(np.zeros((4, 2)), np.zeros((4, 2)), np.zeros(4), 0.0, 0)
    with pytest.raises(ValueError, match="smallest_index"):
        RimBand(np.zeros((4, 2)), np.zeros((4, 2)), np.zeros(4), None, 4)
    with pytest.raises(ValueError, match="radius"):
        NumberMark(np.zeros(2), -1.0, "1")
    with pytest.raises(ValueError, match="finite"):
        DimensionMark(np.array([np.nan, 0.0]), np.zeros(2), "1")
    with pytest.raises(ValueError, match="px_per_mm"):
        Overlay(0.0, np.zeros(2))


@pytest.mark.parametrize("format", ["png", "jpg"])
def test_file_carries_pixels_only(format: str) -> None:
    picture = draw(photo(), full_overlay(), long_side_px=400)
    exif = Image.Exif()
    exif[0x010F] = "Somebody"
    exif.get_ifd(0x8825)[1] = "N"
    picture.info.update({"exif": exif.tobytes(), "comment": b"secret", "Author": "secret", "icc_profile": b"secret"})
    data = encode(picture, format)  # type: ignore[arg-type]
    assert b"Somebody" not in data
    assert b"secret" not in data
    opened = Image.open(io.BytesIO(data))
    assert opened.mode == "RGB"
    assert opened.size == picture.size
    assert not opened.getexif()
    assert set(opened.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "srgb"}
    difference = np.abs(np.asarray(opened).astype(int) - np.asarray(picture).astype(int))
    assert difference.mean() < (0.001 if format == "png" else 3.0)


def test_unknown_format_is_refused() -> None:
    with pytest.raises(ValueError, match="format"):
        encode(Image.new("RGB", (4, 4)), "gif")  # type: ignore[arg-type]
