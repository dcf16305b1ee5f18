"""Photographs that do not allow a reading: each is refused under its own name, with what to do about it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from rimsight.calibration.camera import View
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.pose import Prior
from rimsight.calibration.square import read_square
from tests.synthetic import Box, Disc, PrintedCard, Scene, look, photograph, plain_squares


def close_up() -> View:
    """The card straight before the camera: 10.7 px/mm, so that the picture shows 150 x 112 mm."""
    return look(distance_mm=150.0, roll_deg=0.0, tilt_deg=4.0)


def refusal(view: View, scene: Scene, size: tuple[int, int] = (1600, 1200), **more: Any) -> PhotoError:
    prior = Prior(view.camera, 0.04)
    with pytest.raises(PhotoError) as caught:
        read_square(photograph(view, scene, size=size), prior, **more)
    error = caught.value
    assert error.found, error
    assert error.needed, error
    assert error.advice, error
    return error


def test_no_card_at_all() -> None:
    things = (Disc(0, 0, 10, 0, 0.1), Box(30, 20, 30, 10, 0, 0.1), Box(-30, 20, 8, 30, 0, 0.1, 20))
    error = refusal(look(), Scene(cards=(), things=things))
    assert error.kind == "no_square"
    assert "printed card" in error.needed


def test_an_empty_picture() -> None:
    assert refusal(look(), Scene(cards=())).kind == "no_square"


def test_only_a_plain_square_names_the_option_for_it() -> None:
    error = refusal(look(), Scene(cards=(), things=plain_squares(30.0, [(0.0, 0.0)])))
    assert error.kind == "no_square"
    assert "--square-side" in error.advice


def test_a_picture_frame_is_no_card() -> None:
    things = (Box(0, 0, 60, 60, 0, 0.05), Box(0, 0, 40, 40, 0, 0.8))
    assert refusal(look(), Scene(cards=(), things=things)).kind == "no_square"


@pytest.mark.parametrize("second", [60.0, 30.0])
def test_two_cards(second: float) -> None:
    cards = (PrintedCard(60.0, -40.0), PrintedCard(second, 40.0, 5.0, 70.0))
    error = refusal(look(distance_mm=190.0, size=(2400, 1200)), Scene(cards=cards), size=(2400, 1200))
    assert error.kind == "several_squares"
    assert error.found.startswith("2 cards")


@pytest.mark.parametrize("beyond_mm", [0.0, 14.0], ids=["just", "far"])
@pytest.mark.parametrize("edge", ["left", "right", "top", "bottom"])
def test_cut_off_at_each_edge(edge: str, beyond_mm: float) -> None:
    # The frame reaches 32 mm from its centre.
    view = close_up()
    corner = view.to_pixels(np.array([[-32.0, -32.0], [32.0, 32.0]]))
    beyond = round(1.0 + beyond_mm * view.px_per_mm())
    x0, y0, x1, y1 = 0, 0, 1600, 1200
    if edge == "left":
        x0 = round(corner[0, 0]) + beyond
    elif edge == "right":
        x1 = round(corner[1, 0]) - beyond
    elif edge == "top":
        y0 = round(corner[0, 1]) + beyond
    else:
        y1 = round(corner[1, 1]) - beyond
    error = refusal(view, Scene(crop=(x0, y0, x1, y1)))
    assert error.kind == "square_cut_off"
    assert "further away" in error.advice


@pytest.mark.parametrize("edge", ["right", "bottom"])
def test_a_whole_frame_near_the_picture_s_edge_is_read_as_well(edge: str) -> None:
    # 1.7 mm of white beside the frame: refused as cut off once, though nothing of the square is missing.
    view = close_up()
    corner = view.to_pixels(np.array([32.0, 32.0])[None])[0]
    x1, y1 = (round(value + 1.7 * view.px_per_mm()) for value in corner)
    prior = Prior(view.camera, 0.04)
    whole = read_square(photograph(view, Scene()), prior)
    crop = (0, 0, x1, 1200) if edge == "right" else (0, 0, 1600, y1)
    near = read_square(photograph(view, Scene(crop=crop)), prior)
    assert near.edges is not None
    assert near.edges.found.min() > 0.9
    # Two marks 20 mm apart come out equally long, to the square's own 0.001 mm.
    marks = view.to_pixels(np.array([[-10.0, 3.0], [10.0, 3.0]]))
    lengths = [float(np.linalg.norm(np.subtract(*one.view.to_plane(marks)))) for one in (whole, near)]
    assert abs(lengths[0] - lengths[1]) < 0.002


@pytest.mark.parametrize(
    "thing",
    [
        Box(33, 5, 10, 56, 0, 0.6),
        Box(33, 5, 10, 56, 4, 0.05),
        Box(30, 0, 8, 80, 0, 0.75),
        Disc(-34, 0, 26, 6, 0.3),
    ],
    ids=["light strip", "dark strip", "paper strip", "ring on the edge"],
)
def test_a_side_that_is_covered(thing: Box | Disc) -> None:
    error = refusal(look(), Scene(things=(thing,)))
    assert error.kind == "square_covered"
    assert "move whatever lies on the black frame" in error.advice
    assert ("left" if thing.x_mm < 0 else "right") in error.found


@pytest.mark.parametrize("things", [(), (Box(-26, -41, 16, 14, 3, 0.3, 10),)], ids=["both markers", "one marker"])
def test_mirrored(things: tuple[Box, ...]) -> None:
    error = refusal(look(roll_deg=70.0), Scene(mirrored=True, things=things))
    assert error.kind == "mirror_image"
    assert "mirror" in error.advice


def test_too_oblique() -> None:
    error = refusal(look(tilt_deg=42.0, distance_mm=230.0), Scene())
    assert error.kind == "too_oblique"
    assert "42 degrees" in error.found


@pytest.mark.parametrize(("side_mm", "distance_mm"), [(60.0, 320.0), (30.0, 320.0), (60.0, 800.0)])
def test_too_small(side_mm: float, distance_mm: float) -> None:
    error = refusal(look(distance_mm=distance_mm), Scene(cards=(PrintedCard(side_mm),)))
    assert error.kind == "too_small"
    assert "closer" in error.advice


@pytest.mark.parametrize("blur_px", [2.5, 5.0, 9.0])
def test_blurred(blur_px: float) -> None:
    error = refusal(look(), Scene(blur_px=blur_px))
    assert error.kind == "blurred"
    assert "focus" in error.advice


def test_too_dark_to_locate_an_edge() -> None:
    error = refusal(look(), Scene(exposure=0.03))
    assert error.kind == "blurred"
    assert "more light" in error.advice


@pytest.mark.parametrize("exposure", [1.4, 3.0])
def test_burnt_out(exposure: float) -> None:
    error = refusal(look(), Scene(exposure=exposure))
    assert error.kind == "burnt_out"
    assert "expos" in error.advice


def test_no_plain_square() -> None:
    error = refusal(look(), Scene(cards=(), things=(Disc(0, 0, 12, 0, 0.1),)), square_side_mm=30.0)
    assert error.kind == "no_square"


def test_a_plain_square_at_the_edge() -> None:
    view = close_up()
    error = refusal(view, Scene(cards=(), things=plain_squares(30.0, [(70.0, 0.0)])), square_side_mm=30.0)
    assert error.kind == "square_cut_off"


def test_several_plain_squares_unless_one_is_pointed_at() -> None:
    view = look(distance_mm=180.0)
    things = plain_squares(25.0, [(-20.0, 0.0), (20.0, 0.0)])
    scene = Scene(cards=(), things=things)
    assert refusal(view, scene, square_side_mm=25.0).kind == "several_squares"
    near = tuple(float(value) for value in view.to_pixels(np.array([[22.0, 3.0]]))[0])
    assert len(near) == 2
    calibration = read_square(photograph(view, scene), Prior(view.camera, 1e-4), square_side_mm=25.0, near_px=near)
    at_centre = calibration.view.to_plane(view.to_pixels(np.array([[20.0, 0.0]])))
    np.testing.assert_allclose(at_centre, [[0.0, 0.0]], rtol=0, atol=0.02)


@pytest.mark.parametrize("amplitude_px", [2.5, 4.0, 7.0])
def test_a_warped_picture(amplitude_px: float) -> None:
    """A bent sheet, a stitched panorama, a wobbling rolling shutter: the sides are no straight lines."""
    view = look()
    codes = photograph(view, Scene()).codes
    y, x = np.mgrid[0:1200, 0:1600].astype(np.float32)
    warped = cv2.remap(codes, x + np.float32(amplitude_px) * np.sin(y / 60.0), y, cv2.INTER_LINEAR)
    with pytest.raises(PhotoError) as caught:
        read_square(LightImage(np.asarray(warped, dtype=np.uint8)), Prior(view.camera, 0.04))
    assert caught.value.kind == "card_not_flat"
    assert "flat" in caught.value.advice
