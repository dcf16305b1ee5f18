"""A camera's profile from synthetic photographs of the card with a known lens."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from rimsight.calibration.camera import View
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.orientation import quarter_turns
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.pose import Prior, prior_for
from rimsight.calibration.print_check import PrintCheck
from rimsight.calibration.profile import (
    LensSolution,
    missing_views,
    nearer_side,
    refused_view,
    solve_lens,
)
from rimsight.calibration.sight import Sight, look_at_card
from rimsight.calibration.square import read_square
from tests.synthetic import Box, PrintedCard, Scene, look, phone_tone, photograph

F_PX, CENTRE_OFFSET_PX = 1500.0, (9.0, -7.0)
SCENE = Scene(tone=phone_tone, sharpen=0.5, blur_px=1.0, cards=(PrintedCard(ink_spread_mm=0.05),))
#: Tilt, azimuth, roll (degrees), distance (mm).
POSES = (
    (3.0, 0.0, 5.0, 150.0),
    (22.0, 0.0, 0.0, 165.0),
    (24.0, 90.0, 10.0, 165.0),
    (20.0, 180.0, -8.0, 175.0),
    (25.0, 270.0, 3.0, 170.0),
    (15.0, 200.0, 190.0, 210.0),
)


def view_of(pose: tuple[float, float, float, float], k1: float, f_px: float = F_PX) -> View:
    tilt, azimuth, roll, distance = pose
    return look(
        tilt_deg=tilt,
        azimuth_deg=azimuth,
        roll_deg=roll,
        distance_mm=distance,
        f_px=f_px,
        k1=k1,
        centre_offset_px=CENTRE_OFFSET_PX,
    )


#: What EXIF would say: 5 % off.
EXIF = prior_for(1600, 1200, f_px=F_PX * 1.05)


@cache
def sights(k1: float) -> tuple[Sight, ...]:
    return tuple(
        look_at_card(f"{k}.jpg", photograph(view_of(pose, k1), SCENE), EXIF) for k, pose in enumerate(POSES)
    )


@cache
def solution(k1: float) -> LensSolution:
    return solve_lens(sights(k1))


@pytest.mark.parametrize("k1", [-0.15, 0.0, 0.1])
def test_the_lens_comes_back(k1: float) -> None:
    solved = solution(k1)
    assert solved.camera.f_px == pytest.approx(F_PX, rel=1e-3)
    assert solved.camera.cx_px == pytest.approx(799.5 + CENTRE_OFFSET_PX[0], abs=1.0)
    assert solved.camera.cy_px == pytest.approx(599.5 + CENTRE_OFFSET_PX[1], abs=1.0)
    assert solved.camera.k1 == pytest.approx(k1, abs=0.005)
    # The stated uncertainty holds it, without being far larger than need be.
    assert abs(np.log(solved.camera.f_px / F_PX)) < 2 * solved.u_log_f
    assert solved.u_log_f < 0.001
    assert solved.rms_px < 0.06
    assert all(view.used for view in solved.views)


def profile_prior(solved: LensSolution) -> Prior:
    covariance = tuple(tuple(float(value) for value in row) for row in solved.working_covariance())
    return Prior(solved.camera, solved.u_log_f, covariance=covariance, source="camera profile")


@pytest.mark.parametrize("k1", [-0.15, 0.1])
def test_with_the_profile_the_lens_adds_less_than_5_um(k1: float) -> None:
    """Another photograph of the same camera: 10 mm on the stage and 5 mm up, and the frame's own diagonal."""
    prior = profile_prior(solution(k1))
    view = view_of((6.0, 130.0, 33.0, 140.0), k1)
    check = PrintCheck("bench", 60.0, 150.0, 150.0, u_mm=0.01)
    calibration = read_square(photograph(view, SCENE), prior, check=check)
    for height_mm in (0.0, 5.0):
        ends = np.array([[3.0, 4.0], [11.0, -2.0], [-20.0, -20.0], [20.0, 20.0]])
        seen = calibration.view.to_plane(view.to_pixels(ends, height_mm), height_mm)
        short, long = np.linalg.norm(seen[1] - seen[0]) - 10.0, np.linalg.norm(seen[3] - seen[2]) - 40.0 * 2**0.5
        assert abs(short) < 0.005
        assert abs(long) < 0.03
    assert calibration.focal_source == "camera profile"
    # Known to 0.6 % (refocusing), where EXIF gives 4 %.
    assert calibration.u_rel_f < 0.007


def test_photos_stored_in_other_turns_belong_together() -> None:
    """The same sensor's pictures with the tag for an upright, a turned and an upside-down display."""
    turned = []
    for k, (pose, orientation) in enumerate(zip(POSES, (1, 6, 3, 8, 6, 1), strict=True)):
        codes = photograph(view_of(pose, -0.1), SCENE).codes
        turns = quarter_turns(orientation)
        assert turns is not None
        upright = LightImage(np.ascontiguousarray(np.rot90(codes, -turns), dtype=np.uint8))
        prior = prior_for(upright.width_px, upright.height_px, f_px=F_PX * 1.05)
        turned.append(look_at_card(f"{k}.jpg", upright, prior, turns=turns))
    solved = solve_lens(turned)
    assert solved.size == (1600, 1200)
    assert solved.camera.f_px == pytest.approx(F_PX, rel=1e-3)
    assert solved.camera.cx_px == pytest.approx(799.5 + CENTRE_OFFSET_PX[0], abs=1.0)
    assert solved.camera.cy_px == pytest.approx(599.5 + CENTRE_OFFSET_PX[1], abs=1.0)


def test_an_unchecked_prints_proportion_is_solved_with_the_lens() -> None:
    scene = SCENE.but(cards=(PrintedCard(scale_across=1.015, scale_down=0.992),))
    seen = [look_at_card(f"{k}.jpg", photograph(view_of(pose, -0.1), scene), EXIF) for k, pose in enumerate(POSES)]
    solved = solve_lens(seen)
    assert solved.camera.f_px == pytest.approx(F_PX, rel=2e-3)
    assert abs(np.log(solved.camera.f_px / F_PX)) < 2.5 * solved.u_log_f


def test_photos_all_from_above_are_refused_and_the_missing_ones_named() -> None:
    # The frames' own convergence is not enough at 1 to 3 degrees; all alike says so.
    flat = [(1.0 + k, 70.0 * k, 40.0 * k, 150.0 + 2 * k) for k in range(5)]
    seen = [look_at_card(f"{k}.jpg", photograph(view_of(pose, 0.0), SCENE), EXIF) for k, pose in enumerate(flat)]
    with pytest.raises(PhotoError) as caught:
        solve_lens(seen)
    assert caught.value.kind == "views_too_alike"
    for edge in ("right", "bottom", "left", "top"):
        assert f"{edge} edge" in caught.value.advice
    assert "mm away" in caught.value.advice


def test_too_few_photos_name_the_poor_ones() -> None:
    error = PhotoError("the edges are smeared", "a sharp photo", "hold still", kind="blurred")
    with pytest.raises(PhotoError) as caught:
        solve_lens(sights(0.0)[:3], refused=[refused_view("4.jpg", error)])
    assert caught.value.kind == "too_few_views"
    assert "3 of 4" in caught.value.found
    assert "4.jpg: the edges are smeared" in caught.value.found
    with pytest.raises(PhotoError, match="0 of 1"):
        solve_lens([], refused=[refused_view("4.jpg", error)])


def test_a_photo_at_another_zoom_is_found_out() -> None:
    odd = look_at_card("odd.jpg", photograph(view_of((18.0, 90.0, 0.0, 185.0), 0.05, f_px=1680.0), SCENE), EXIF)
    solved = solve_lens([*sights(0.0), odd])
    left_out = [view for view in solved.views if not view.used]
    assert [view.photo for view in left_out] == ["odd.jpg"]
    assert "does not fit the others" in left_out[0].problem
    assert solved.camera.f_px == pytest.approx(F_PX, rel=2e-3)


def test_a_bent_card_in_one_photo_is_found_out() -> None:
    view = view_of(POSES[1], 0.0)
    codes = photograph(view, SCENE).codes
    y, x = np.mgrid[0:1200, 0:1600].astype(np.float32)
    bent = cv2.remap(codes, x + np.float32(1.0) * np.sin(y / 90.0), y, cv2.INTER_LINEAR)
    odd = look_at_card("bent.jpg", LightImage(np.asarray(bent, dtype=np.uint8)), EXIF)
    solved = solve_lens([*sights(0.0), odd])
    assert [view.photo for view in solved.views if not view.used] == ["bent.jpg"]


def test_cards_and_sizes_must_not_be_mixed() -> None:
    light = photograph(view_of((5.0, 0.0, 0.0, 100.0), 0.0), Scene(cards=(PrintedCard(30.0),)))
    small = look_at_card("small.jpg", light, EXIF)
    with pytest.raises(PhotoError) as caught:
        solve_lens([*sights(0.0), small])
    assert caught.value.kind == "mixed_cards"
    with pytest.raises(ValueError, match="same size"):
        solve_lens([*sights(0.0), replace(sights(0.0)[0], size=(800, 600))])


def test_a_card_that_could_lie_in_four_ways_is_refused() -> None:
    hidden = (Box(-26, -41, 16, 14, 3, 0.3, 10), Box(26, 41, 16, 14, 3, 0.3, 10))
    with pytest.raises(PhotoError) as caught:
        look_at_card("x.jpg", photograph(look(), SCENE.but(things=hidden)), EXIF)
    assert caught.value.kind == "square_covered"
    assert "markers" in caught.value.advice


@pytest.mark.parametrize(("azimuth_deg", "side"), [(0.0, "right"), (90.0, "bottom"), (180.0, "left"), (270.0, "top")])
def test_the_side_that_is_nearer(azimuth_deg: float, side: str) -> None:
    """The picture's side on which the card lies nearer: there a millimetre has more pixels."""
    view = look(tilt_deg=20.0, azimuth_deg=azimuth_deg, roll_deg=0.0, aim_mm=(0.0, 0.0))
    assert nearer_side(view) == side
    toward = {"right": (25.0, 0.0), "left": (-25.0, 0.0), "bottom": (0.0, 25.0), "top": (0.0, -25.0)}[side]
    assert view.px_per_mm(toward) > view.px_per_mm((0.0, 0.0))
    assert nearer_side(look(tilt_deg=2.0)) == "straight"


def test_nothing_is_missing_from_a_good_set() -> None:
    near = look_at_card("near.jpg", photograph(view_of((10.0, 45.0, 45.0, 135.0), 0.0), SCENE), EXIF)
    seen = [*sights(0.0), near]
    assert missing_views(seen, [sight.start(EXIF.camera) for sight in seen]) in (
        [],
        ["a photo with the card larger, or out towards a corner of the picture"],
    )
