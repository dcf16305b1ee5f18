"""Photographs as benches give them: the card is found and read all the same."""

from __future__ import annotations

import numpy as np
import pytest

from rimsight.calibration.camera import View
from rimsight.calibration.pose import Prior
from rimsight.calibration.square import read_square
from tests.synthetic import (
    Box,
    Disc,
    PrintedCard,
    Scene,
    combined_light,
    gradient_light,
    look,
    photograph,
    soft_shadow,
)

SPOT_MM = np.array([[-10.0, -3.0], [10.0, 3.0], [-3.0, 10.0], [3.0, -10.0]])

HIDES_UPPER_MARKER = Box(-26, -41, 16, 14, 3, 0.3, 10)
HIDES_LOWER_MARKER = Box(26, 41, 16, 14, 3, 0.3, 10)
FINGER = Box(45, 5, 40, 14, 5, 0.6)


def assert_reads(
    view: View, scene: Scene, *, oriented: bool = True, within: float = 1e-4, size: tuple[int, int] = (1600, 1200)
) -> None:
    light = photograph(view, scene, size=size)
    calibration = read_square(light, Prior(view.camera, u_log_f=1e-4, u_k1=1e-4, u_k2=1e-4, u_centre=1e-5))
    seen = calibration.view.to_plane(view.to_pixels(SPOT_MM))
    lengths = np.linalg.norm(seen[1::2] - seen[::2], axis=1) / np.linalg.norm(SPOT_MM[1::2] - SPOT_MM[::2], axis=1)
    assert np.abs(lengths - 1.0).max() < within
    assert calibration.reference.oriented == oriented
    if oriented:
        np.testing.assert_allclose(seen, SPOT_MM, rtol=0, atol=0.03)


@pytest.mark.parametrize("hidden", [HIDES_UPPER_MARKER, HIDES_LOWER_MARKER], ids=["upper", "lower"])
@pytest.mark.parametrize("roll_deg", [10.0, 190.0])
def test_one_marker_hidden(hidden: Box, roll_deg: float) -> None:
    assert_reads(look(roll_deg=roll_deg), Scene(things=(hidden,)))


def test_both_markers_hidden_leave_the_way_round_open() -> None:
    assert_reads(look(roll_deg=10.0), Scene(things=(HIDES_UPPER_MARKER, HIDES_LOWER_MARKER)), oriented=False)


@pytest.mark.parametrize("more", [(), (HIDES_UPPER_MARKER,), (HIDES_LOWER_MARKER,)], ids=["none", "upper", "lower"])
def test_a_finger_on_the_frame(more: tuple[Box, ...]) -> None:
    assert_reads(look(), Scene(things=(FINGER, *more)))


def test_a_dark_thing_across_the_frame() -> None:
    assert_reads(look(), Scene(things=(Box(45, 5, 40, 14, 5, 0.05), Disc(5, -31, 4, 3, 0.05))))


@pytest.mark.parametrize("y_mm", [-24.0, -27.0])
def test_a_tube_that_touches_the_frame_from_inside(y_mm: float) -> None:
    assert_reads(look(), Scene(things=(Disc(0, y_mm, 4, 8, 0.06, 3),)))


def test_the_subjects_shadow_touches_the_frame() -> None:
    things = (Disc(-10, 20, 6, 8, 0.3, 4), Box(-10, 26, 12, 9, 0, 0.12), Box(-4, 29, 14, 8, 0, 0.2, 20))
    assert_reads(look(), Scene(things=things))


def test_a_large_dark_thing_fills_the_stage() -> None:
    assert_reads(look(), Scene(things=(Disc(0, 0, 24, 0, 0.06),)))


@pytest.mark.parametrize("offset_mm", [0.0, 18.0, 30.0])
@pytest.mark.parametrize("angle_deg", [0.0, 50.0])
def test_a_soft_shadow_across_the_card(offset_mm: float, angle_deg: float) -> None:
    # A penumbra that runs along a side for its whole length shifts one edge of the band against the other: 2e-4.
    shade = soft_shadow(depth=0.5, softness_mm=5.0, offset_mm=offset_mm, angle_deg=angle_deg)
    assert_reads(look(), Scene(light_map=shade), within=2e-4)


@pytest.mark.parametrize("angle_deg", [25.0, 60.0])
def test_a_hard_deep_shadow_across_the_card(angle_deg: float) -> None:
    assert_reads(look(), Scene(light_map=soft_shadow(depth=0.7, softness_mm=1.0, angle_deg=angle_deg)))


def test_a_lamp_from_one_side_and_a_shadow() -> None:
    light_map = combined_light(gradient_light(3.0, angle_deg=200.0), soft_shadow(depth=0.4, softness_mm=6.0))
    assert_reads(look(), Scene(light_map=light_map, noise=0.01))


@pytest.mark.parametrize("paper_mm", [(60.0, 70.0), (38.0, 50.0), (35.0, 48.5)], ids=["sheet", "cut", "cut close"])
@pytest.mark.parametrize("table", [0.02, 0.12])
def test_a_dark_table_round_the_sheet(paper_mm: tuple[float, float], table: float) -> None:
    assert_reads(look(), Scene(paper_mm=paper_mm, table=table))


def test_text_furniture_and_other_rectangles_round_it() -> None:
    text = tuple(Box(x, y, 1.5, 2.5, 0, 0.1) for x in range(-70, 70, 3) for y in (-60, -56, 52, 56, 60))
    furniture = (
        Box(-75, 0, 40, 200, 0, 0.05),
        Box(70, -20, 30, 40, 0, 0.1, 12),
        Box(70, 40, 26, 26, 0, 0.08, 5),
        Disc(60, -55, 9, 0, 0.1),
    )
    view = look(distance_mm=200.0, size=(2000, 1500))
    assert_reads(view, Scene(things=text + furniture, noise=0.01), size=(2000, 1500))


def test_a_picture_frame_beside_it() -> None:
    frame = (Box(75, 0, 40, 60, 0, 0.05), Box(75, 0, 34, 54, 0, 0.8))
    assert_reads(look(distance_mm=200.0, size=(2000, 1500)), Scene(things=frame), size=(2000, 1500))


@pytest.mark.parametrize("side_mm", [60.0, 30.0])
def test_small_and_blurred_markers(side_mm: float) -> None:
    # 60 mm: modules of 2 mm at 6.4 px/mm; 30 mm: 1.2 mm at 7.3 px/mm, 9 px; both as blurred as is still accepted.
    distance, blur = (250.0, 0.95) if side_mm == 60.0 else (220.0, 1.1)
    assert_reads(look(distance_mm=distance), Scene(cards=(PrintedCard(side_mm),), blur_px=blur, noise=0.01))


@pytest.mark.parametrize("side_mm", [60.0, 30.0])
def test_a_wide_lens_bends_the_markers_places(side_mm: float) -> None:
    view = look(f_px=900.0, distance_mm=1.7 * side_mm, k1=-0.15, k2=0.02, tilt_deg=8.0, size=(1200, 1200))
    assert_reads(view, Scene(cards=(PrintedCard(side_mm),)), size=(1200, 1200))


def test_a_portrait_picture_and_odd_sizes() -> None:
    assert_reads(look(size=(1111, 1733), distance_mm=170.0), Scene(), size=(1111, 1733))
