"""The scale that is read from synthetic photographs with exact truth: bias first.

Each picture goes through tone curve, sharpening, glare, blur, noise and 8 bits; the pose is known exactly. What is
compared are lengths on the stage, mapped through the solved view, with the lengths that were drawn.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from rimsight.calibration.camera import View
from rimsight.calibration.pose import Prior, prior_for
from rimsight.calibration.print_check import PrintCheck
from rimsight.calibration.square import Calibration, read_square
from tests.synthetic import Disc, PrintedCard, Scene, gradient_light, look, phone_tone, photograph, plain_squares

#: Ends of five lengths on the stage, millimetres: across, down, both diagonals, and a short one beside the centre.
ENDS_MM = np.array(
    [[-20, 0], [20, 0], [0, -20], [0, 20], [-14, -14], [14, 14], [-24, 24], [24, -24], [5, 6], [11, 4]], dtype=float
)


def known_lens(view: View) -> Prior:
    """What a perfect camera profile would say."""
    return Prior(view.camera, u_log_f=1e-4, u_k1=1e-4, u_k2=1e-4, u_centre=1e-5)


def relative_errors(calibration: Calibration, view: View, height_mm: float = 0.0) -> np.ndarray:
    """Errors of the lengths, as shares of them."""
    seen = calibration.view.to_plane(view.to_pixels(ENDS_MM, height_mm), height_mm)
    read, true = (np.linalg.norm(ends[1::2] - ends[::2], axis=1) for ends in (seen, ENDS_MM))
    return np.asarray(read / true - 1.0)


def read(view: View, scene: Scene | None = None, prior: Prior | None = None, **more: Any) -> Calibration:
    return read_square(photograph(view, scene), known_lens(view) if prior is None else prior, **more)


@pytest.mark.parametrize("tilt_deg", [0.0, 3.0, 8.0, 14.0, 20.0])
def test_any_tilt(tilt_deg: float) -> None:
    view = look(tilt_deg=tilt_deg, azimuth_deg=25.0 + 50.0 * tilt_deg)
    calibration = read(view)
    assert np.abs(relative_errors(calibration, view)).max() < 1e-4
    assert calibration.view.tilt_deg == pytest.approx(tilt_deg, abs=0.05)
    assert calibration.view.distance_mm == pytest.approx(view.distance_mm, rel=1e-4)


@pytest.mark.parametrize("roll_deg", range(0, 360, 24))
def test_the_card_turned_by_any_angle(roll_deg: float) -> None:
    view = look(roll_deg=roll_deg)
    calibration = read(view)
    assert np.abs(relative_errors(calibration, view)).max() < 1e-4
    assert calibration.reference.oriented
    # Which way round the card lies is right too: its corner is where the drawn one is.
    np.testing.assert_allclose(
        calibration.view.to_plane(view.to_pixels(np.array([[-30.0, -30.0]]))), [[-30.0, -30.0]], rtol=0, atol=0.02
    )


@pytest.mark.parametrize(("across", "down"), [(1.02, 0.985), (0.95, 0.955), (0.99, 1.012)])
@pytest.mark.parametrize("roll_deg", [0.0, 90.0, 200.0])
def test_the_prints_measured_scale_is_applied_along_its_own_direction(
    across: float, down: float, roll_deg: float
) -> None:
    view = look(roll_deg=roll_deg)
    scene = Scene(cards=(PrintedCard(scale_across=across, scale_down=down),))
    check = PrintCheck("bench", 60.0, 150.0 * across, 150.0 * down, u_mm=0.001)
    assert np.abs(relative_errors(read(view, scene, check=check), view)).max() < 1e-4


@pytest.mark.parametrize("ink_mm", [-0.1, 0.05, 0.2])
def test_ink_spread_cancels_in_the_midline_and_is_reported(ink_mm: float) -> None:
    view = look()
    calibration = read(view, Scene(cards=(PrintedCard(ink_spread_mm=ink_mm),)))
    assert np.abs(relative_errors(calibration, view)).max() < 1e-4
    assert calibration.band_excess_mm == pytest.approx(2 * ink_mm, abs=0.004)


@pytest.mark.parametrize("k1", [-0.15, 0.1])
def test_the_bands_width_is_seen_through_the_lens(k1: float) -> None:
    """A lens that is bent by the homography alone once passed for 0.03 mm of ink."""
    view = look(f_px=1200.0, distance_mm=130.0, k1=k1)
    assert read(view).band_excess_mm == pytest.approx(0.0, abs=0.004)


@pytest.mark.parametrize(("blur_px", "distance_mm"), [(0.5, 160.0), (1.0, 160.0), (1.4, 160.0), (2.0, 115.0)])
def test_blur_cancels_and_is_measured(blur_px: float, distance_mm: float) -> None:
    view = look(distance_mm=distance_mm, tilt_deg=4.0, aim_mm=(0.0, 0.0))
    calibration = read(view, Scene(blur_px=blur_px, cards=(PrintedCard(30.0),)))
    assert np.abs(relative_errors(calibration, view)).max() < 1e-4
    # The pixel's own square adds 1/12 px^2; interpolation's share is taken off on the average only.
    assert calibration.blur_px == pytest.approx((blur_px**2 + 1 / 12) ** 0.5, abs=0.07)


BARE = PrintedCard(markers=False)
OUTER_EDGE_CASES = {
    "tone curve": Scene(cards=(BARE,), tone=phone_tone, blur_px=1.4),
    "sharpening": Scene(cards=(BARE,), sharpen=1.2, blur_px=1.4),
    "tone curve, sharpening, glare": Scene(cards=(BARE,), tone=phone_tone, sharpen=1.2, glare=0.1, blur_px=1.4),
    "ink spread": Scene(cards=(PrintedCard(markers=False, ink_spread_mm=0.06),)),
}


@pytest.mark.parametrize("case", OUTER_EDGE_CASES)
def test_the_midline_cancels_what_the_outer_edge_does_not(case: str) -> None:
    """The outer edges alone, as a plain square of 64 mm would be read, err by more; the midline does not."""
    view = look()
    light = photograph(view, OUTER_EDGE_CASES[case])
    midline = relative_errors(read_square(light, known_lens(view)), view)
    outer = relative_errors(read_square(light, known_lens(view), square_side_mm=64.0), view)
    assert np.abs(midline).max() < 1e-4
    assert abs(outer.mean()) > 10 * np.abs(midline).max()


@pytest.mark.parametrize(
    "scene",
    [
        Scene(noise=0.02),
        Scene(jpeg_quality=70, noise=0.01),
        Scene(exposure=0.2),
        Scene(white=0.6, black=0.15),
        Scene(light_map=gradient_light(3.0)),
        Scene(light_map=gradient_light(3.0, angle_deg=130.0), noise=0.01),
    ],
    ids=["noise", "jpeg", "dark", "faint print", "3:1 light", "3:1 light, other way"],
)
def test_poor_light_keeps_the_scale(scene: Scene) -> None:
    view = look()
    assert np.abs(relative_errors(read(view, scene), view)).max() < 1e-4


@pytest.mark.parametrize("k1", [-0.15, -0.08, 0.05, 0.1])
@pytest.mark.parametrize("distance_mm", [150.0, 120.0])
def test_a_lens_without_profile_is_solved_from_the_frame(k1: float, distance_mm: float) -> None:
    # f from EXIF within 7 %, distortion not known at all; f = 1200 px gives the frame's corners r = 0.28 to 0.38.
    view = look(f_px=1200.0, distance_mm=distance_mm, k1=k1, tilt_deg=5.0)
    calibration = read(view, prior=prior_for(1600, 1200, f_px=1200.0))
    assert np.abs(relative_errors(calibration, view)).max() < 2e-4


def test_the_lens_matters_where_it_is_not_solved() -> None:
    """The case above is no free gift: held at zero distortion, the same picture errs by more."""
    view = look(f_px=1200.0, distance_mm=120.0, k1=-0.15, tilt_deg=5.0)
    stiff = Prior(view.with_camera(k1=0.0).camera, u_log_f=0.04, u_k1=1e-5, u_k2=1e-5)
    assert np.abs(relative_errors(read(view, prior=stiff), view)).max() > 5e-4


@pytest.mark.parametrize("azimuth_deg", [10.0, 100.0, 225.0])
def test_a_tilted_square_tells_the_focal_length(azimuth_deg: float) -> None:
    view = look(tilt_deg=20.0, azimuth_deg=azimuth_deg, f_px=1500.0)
    check = PrintCheck("bench", 60.0, 150.0, 150.0, u_mm=0.01)
    calibration = read(view, prior=prior_for(1600, 1200), check=check)
    error = np.log(calibration.view.camera.f_px / 1500.0)
    assert calibration.u_rel_f < 0.04  # 0.35 before
    assert abs(error) < 2 * calibration.u_rel_f
    assert calibration.focal_source == "not known"


def test_a_square_seen_from_above_does_not() -> None:
    calibration = read(look(tilt_deg=0.5), prior=prior_for(1600, 1200))
    assert calibration.u_rel_f > 0.08


def test_a_typed_distance_gives_the_focal_length() -> None:
    view = look(tilt_deg=1.0, f_px=1750.0)
    calibration = read(view, prior=prior_for(1600, 1200, distance_mm=160.0))
    assert calibration.view.camera.f_px == pytest.approx(1750.0, rel=0.03)
    assert 0.01 < calibration.u_rel_f < 0.035
    assert calibration.focal_source == "typed camera distance"


@pytest.mark.parametrize("wrong", [0.93, 1.07])
def test_a_wrong_focal_length_does_not_touch_the_cards_own_plane(wrong: float) -> None:
    view = look(tilt_deg=3.0)
    calibration = read(view, prior=prior_for(1600, 1200, f_px=1600.0 * wrong))
    assert np.abs(relative_errors(calibration, view)).max() < 3e-4


def test_lengths_at_a_height_are_right_when_the_focal_length_is() -> None:
    view = look(tilt_deg=8.0)
    calibration = read(view, Scene(things=(Disc(0.0, 0.0, 4.0, 6.0, 0.3),)))
    assert np.abs(relative_errors(calibration, view, 6.0)).max() < 2e-4


def test_an_unchecked_print_says_so_and_carries_its_uncertainty() -> None:
    calibration = read(look())
    assert not calibration.reference.checked
    # Uniform, half-width 2.5 %.
    assert calibration.reference.u_scale == pytest.approx(0.025 / 3**0.5)
    assert calibration.reference.name == "card-60"


def test_the_record_of_the_card_in_the_photo_is_taken() -> None:
    records = {
        60.0: PrintCheck("large", 60.0, 151.5, 150.0, u_mm=0.05),
        30.0: PrintCheck("small", 30.0, 150.0, 150.0, u_mm=0.05),
    }
    calibration = read(look(), check=records)
    assert calibration.reference.name == "large"
    assert calibration.reference.scale_across == pytest.approx(1.01)
    with pytest.raises(ValueError, match="30 mm card, but the photo shows one of 60 mm"):
        read(look(), check=records[30.0])


@pytest.mark.parametrize("roll_deg", [0.0, 90.0])
def test_a_card_without_readable_markers_lies_in_an_unknown_way(roll_deg: float) -> None:
    """The two scales of the print can't be told apart then: the square's own proportions decide."""
    view = look(roll_deg=roll_deg)
    scene = Scene(cards=(PrintedCard(scale_across=1.01, scale_down=0.99, markers=False),))
    check = PrintCheck("bench", 60.0, 151.5, 148.5, u_mm=0.02)
    calibration = read(view, scene, check=check)
    assert not calibration.reference.oriented
    assert np.abs(relative_errors(calibration, view)).max() < 1e-4


def test_the_small_card_is_told_from_the_large_one() -> None:
    view = look(distance_mm=110.0)
    calibration = read(view, Scene(cards=(PrintedCard(30.0),)))
    assert calibration.reference.side_mm == 30.0
    assert calibration.stage_mm == pytest.approx(13.5)
    assert np.abs(relative_errors(calibration, view)[-1]) < 1e-4


def test_a_plain_square_carries_the_edge_bias() -> None:
    view = look()
    scene = Scene(cards=(), things=(Disc(0.0, 40.0, 3.0, 0.0, 0.3), *plain_squares(30.0, [(0.0, 0.0)])))
    calibration = read(view, scene, square_side_mm=30.0, u_square_side_mm=0.01)
    assert calibration.reference.plain
    assert np.abs(relative_errors(calibration, view)).max() < 2e-4
    # 0.2 px on each of two edges over 300 px, and the typed side.
    assert calibration.reference.u_scale == pytest.approx(((0.4 / 300) ** 2 + (0.01 / 30) ** 2) ** 0.5, rel=0.05)
    assert np.isnan(calibration.band_excess_mm)


def test_the_typed_side_must_be_a_length() -> None:
    with pytest.raises(ValueError, match="above zero"):
        read(look(), square_side_mm=0.0)
