"""The sRGB curve against IEC 61966-2-1, the pixel convention, and how far sampling moves an edge."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import special

from rimsight.calibration.pixels import (
    LUMINANCE_WEIGHTS,
    LightImage,
    decode_srgb,
    encode_srgb,
    sample,
)

# IEC 61966-2-1:1999 decoded for 8-bit codes; recomputed from the standard's formula in 30-digit arithmetic.
DECODED = {
    0: 0.0,
    1: 0.0003035,
    10: 0.0030353,
    11: 0.0033465,
    32: 0.0144438,
    64: 0.0512695,
    100: 0.1274377,
    118: 0.1811642,
    127: 0.2122308,
    128: 0.2158605,
    188: 0.5028865,
    200: 0.5775804,
    254: 0.9911021,
    255: 1.0,
}


@pytest.mark.parametrize(("code", "light"), DECODED.items())
def test_decoding_follows_iec_61966(code: int, light: float) -> None:
    assert float(decode_srgb(np.array(code / 255))) == pytest.approx(light, rel=0, abs=5.1e-8)
    # The table that pictures go through holds float32.
    pixel = LightImage(np.full((2, 2), code, np.uint8)).luminance(0, 0, 1, 1)
    assert float(pixel[0, 0]) == pytest.approx(light, rel=0, abs=2e-7)


@pytest.mark.parametrize(("light", "code"), [(0.18, 117.6458), (0.5, 187.5160)])  # same standard, other direction
def test_encoding_follows_iec_61966(light: float, code: float) -> None:
    assert float(encode_srgb(np.array(light))) * 255 == pytest.approx(code, rel=0, abs=5e-5)


def test_encoding_undoes_decoding() -> None:
    codes = np.linspace(0.0, 1.0, 65536)
    # The standard's rounded constants leave a step of about 1e-8 where line and power meet.
    np.testing.assert_allclose(encode_srgb(decode_srgb(codes)), codes, rtol=0, atol=3e-7)


def test_every_16_bit_code_survives_the_round_trip() -> None:
    codes = np.arange(65536, dtype=np.uint16)
    light = LightImage(codes.reshape(256, 256)).luminance(0, 0, 256, 256).astype(np.float64)
    back = np.rint(encode_srgb(light) * 65535).astype(np.uint16)
    np.testing.assert_array_equal(back.ravel(), codes)


def test_luminance_weighs_linear_light() -> None:
    codes = np.zeros((1, 4, 3), np.uint8)
    codes[0, 0, 0] = codes[0, 1, 1] = codes[0, 2, 2] = 255
    codes[0, 3] = 100
    light = LightImage(codes).luminance(0, 0, 4, 1)[0]
    np.testing.assert_allclose(light, [*LUMINANCE_WEIGHTS, DECODED[100]], rtol=0, atol=1e-6)
    assert sum(LUMINANCE_WEIGHTS) == pytest.approx(1.0, abs=1e-12)


def test_region_of_a_grey_picture_has_three_equal_channels() -> None:
    codes = np.arange(12, dtype=np.uint8).reshape(3, 4) * 20
    region = LightImage(codes).region(1, 0, 4, 2)
    assert region.shape == (2, 3, 3)
    np.testing.assert_array_equal(region[..., 0], region[..., 2])
    np.testing.assert_allclose(region[..., 0], decode_srgb(codes[:2, 1:4] / 255), rtol=0, atol=1e-7)


# --- pixel convention -------------------------------------------------------------------------------------------


def test_centre_of_the_top_left_pixel_is_the_origin() -> None:
    codes = np.zeros((9, 12), np.uint8)
    codes[2, 7] = 255  # row 2, column 7: x = 7, y = 2
    image = LightImage(codes)
    at = np.array([[7.0, 2.0], [2.0, 7.0], [6.0, 2.0], [7.5, 2.0], [7.0, 1.75]])
    np.testing.assert_allclose(image.sample_luminance(at, order=1), [1.0, 0.0, 0.0, 0.5, 0.75], rtol=0, atol=1e-6)
    assert image.width_px == 12
    assert image.height_px == 9


def test_spline_goes_through_the_pixel_values() -> None:
    rng = np.random.default_rng(11)
    codes = rng.integers(0, 65536, (20, 30)).astype(np.uint16)
    x, y = np.meshgrid(np.arange(30.0), np.arange(20.0))
    light = LightImage(codes).sample_luminance(np.stack([x, y], axis=-1))
    np.testing.assert_allclose(light, decode_srgb(codes / 65535), rtol=0, atol=2e-6)


def test_centre_of_a_block_lies_between_its_pixels() -> None:
    """A 2 x 2 block in columns 4, 5 and rows 6, 7 is centred on (4.5, 6.5), not on (5, 7)."""
    codes = np.zeros((16, 16), np.uint8)
    codes[6:8, 4:6] = 255
    light = LightImage(codes).luminance(0, 0, 16, 16).astype(np.float64)
    x, y = np.meshgrid(np.arange(16.0), np.arange(16.0))
    centre = (light * x).sum() / light.sum(), (light * y).sum() / light.sum()
    assert centre == pytest.approx((4.5, 6.5), abs=1e-9)


@pytest.mark.parametrize("factor", [1, 2, 3, 4, 8])
def test_reduced_copy_maps_back_by_the_half_pixel_rule(factor: int) -> None:
    """A spot found in the reduced copy lands on its place in the original: x = (x_reduced + 0.5) n - 0.5."""
    x0, y0 = 61.3, 40.8
    x, y = np.meshgrid(np.arange(131.0), np.arange(102.0))  # sides that the factors don't divide
    spot = 220.0 * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * 7.0**2))
    reduced = LightImage(np.rint(spot).astype(np.uint8)).reduced_gray(factor).astype(np.float64)
    assert reduced.shape == (102 // factor, 131 // factor)
    xr, yr = np.meshgrid(np.arange(reduced.shape[1]), np.arange(reduced.shape[0]))
    found = (reduced * xr).sum() / reduced.sum(), (reduced * yr).sum() / reduced.sum()
    back = (found[0] + 0.5) * factor - 0.5, (found[1] + 0.5) * factor - 0.5
    # Codes and averages are rounded to whole numbers, which costs some hundredths; leaving out the half pixel
    # would cost 0.5 (factor 2) to 3.5 px (factor 8).
    assert back == pytest.approx((x0, y0), abs=0.1)


# --- sampling ---------------------------------------------------------------------------------------------------


def edge_picture(at_px: float, angle_deg: float = 0.0, sigma_px: float = 1.0, *, colour: bool = False) -> LightImage:
    """Dark to bright edge through (at_px, 30), blurred by a Gaussian: the exact value at each pixel's centre."""
    x, y = np.meshgrid(np.arange(64.0), np.arange(60.0))
    tilt = np.deg2rad(angle_deg)
    distance = (x - at_px) * np.cos(tilt) + (y - 30.0) * np.sin(tilt)
    light = 0.05 + 0.45 * (1.0 + special.erf(distance / (sigma_px * np.sqrt(2.0))))
    codes = np.rint(encode_srgb(light) * 65535).astype(np.uint16)
    return LightImage(np.repeat(codes[:, :, None], 3, axis=2) if colour else codes)


def crossing(positions: NDArray[Any], light: NDArray[Any], level: float = 0.5) -> float:
    index = int(np.flatnonzero((light[:-1] < level) & (light[1:] >= level))[0])
    part = (level - light[index]) / (light[index + 1] - light[index])
    return float(positions[index] + part * (positions[index + 1] - positions[index]))


#: Largest shift over all positions of the edge between two pixels, in pixels, by blur (sigma, pixels): cubic
#: spline and linear. Measured with this model, rounded up; a sharper edge is shifted more, whatever the sampling.
LARGEST_SHIFT = {2.0: (0.001, 0.005), 1.5: (0.002, 0.01), 1.0: (0.005, 0.02), 0.7: (0.02, 0.04)}


@pytest.mark.parametrize("angle_deg", [0.0, 7.0, 33.0])
@pytest.mark.parametrize("sigma_px", LARGEST_SHIFT)
@pytest.mark.parametrize("order", [3, 1])
def test_sampling_leaves_a_blurred_edge_in_its_place(order: int, sigma_px: float, angle_deg: float) -> None:
    """Forward model: scipy.special.erf. The edge lies where the light is half way."""
    tolerance_px = LARGEST_SHIFT[sigma_px][0 if order == 3 else 1]
    tilt = np.deg2rad(angle_deg)
    along = np.arange(-6.0, 6.0, 0.05)
    errors = []
    for shift in np.arange(0.0, 1.0, 0.1):
        image = edge_picture(31.0 + shift, angle_deg, sigma_px)
        points = np.stack([31.0 + shift + along * np.cos(tilt), 30.0 + along * np.sin(tilt)], axis=-1)
        errors.append(crossing(along, image.sample_luminance(points, order=order)))
    assert np.abs(errors).max() < tolerance_px


def test_half_of_the_code_value_is_not_half_of_the_light() -> None:
    """Why everything is decoded: on the codes the same edge is found 0.3 px and more inside the bright side."""
    image = edge_picture(31.0)
    along = np.arange(-4.0, 4.0, 0.05)
    points = np.stack([31.0 + along, np.full_like(along, 30.0)], axis=-1)
    codes = sample(image.codes.astype(np.float32), points)
    middle = (float(encode_srgb(np.array(0.05))) + float(encode_srgb(np.array(0.95)))) / 2 * 65535
    assert abs(crossing(along, image.sample_luminance(points))) < 0.002
    assert crossing(along, codes, middle) < -0.3


def test_opencv_cubic_would_move_the_edge() -> None:
    """The kernel of cv2.remap (INTER_CUBIC) is no substitute: it misses what the spline keeps."""
    image = edge_picture(31.3)
    along = np.arange(-4.0, 4.0, 0.05)
    points = np.stack([31.3 + along, np.full_like(along, 30.0)], axis=-1)
    light = image.luminance(0, 0, 64, 60)
    maps = points.astype(np.float32)
    by_opencv = cv2.remap(light, maps[None, :, 0], maps[None, :, 1], cv2.INTER_CUBIC)[0]
    assert abs(crossing(along, by_opencv)) > 5 * abs(crossing(along, image.sample_luminance(points)))


@pytest.mark.parametrize("order", [1, 3])
def test_sampling_is_nan_outside_the_picture(order: int) -> None:
    image = LightImage(np.full((20, 30), 128, np.uint8))
    outside = np.array([[-0.6, 5.0], [5.0, -0.6], [29.6, 5.0], [5.0, 19.6], [np.nan, 5.0], [1e6, 1e6]])
    inside = np.array([[0.0, 0.0], [29.0, 19.0], [14.5, 9.5]])
    light = image.sample_luminance(np.concatenate([outside, inside]), order=order)
    assert np.isnan(light[:6]).all()
    np.testing.assert_allclose(light[6:], DECODED[128], rtol=0, atol=1e-6)


def test_sampling_wholly_outside_is_nan() -> None:
    image = LightImage(np.full((20, 30), 128, np.uint8))
    assert np.isnan(image.sample_luminance(np.array([[100.0, 100.0], [101.0, 100.0]]))).all()
    assert np.isnan(image.sample_rgb(np.array([[-50.0, 3.0]]))).all()


def test_a_window_changes_nothing() -> None:
    """Only the neighbourhood of the points is filtered; the far rest may not matter."""
    rng = np.random.default_rng(5)
    codes = rng.integers(0, 65536, (300, 300)).astype(np.uint16)
    points = rng.uniform(100.0, 130.0, (200, 2))
    image = LightImage(codes)
    whole = sample(image.luminance(0, 0, 300, 300), points)
    np.testing.assert_allclose(image.sample_luminance(points), whole, rtol=0, atol=1e-4)


def test_colour_sampling_agrees_with_grey() -> None:
    points = np.random.default_rng(3).uniform(20.0, 40.0, (4, 5, 2))
    grey = edge_picture(30.4).sample_luminance(points)
    colour = edge_picture(30.4, colour=True).sample_rgb(points)
    assert colour.shape == (4, 5, 3)
    np.testing.assert_allclose(colour, np.repeat(grey[..., None], 3, axis=-1), rtol=0, atol=1e-6)


# --- wrong calls ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "codes",
    [np.zeros((4, 4), np.float32), np.zeros((4, 4), np.int16)],
)
def test_other_types_are_refused(codes: NDArray[Any]) -> None:
    with pytest.raises(ValueError, match="uint8 or uint16"):
        LightImage(codes)


@pytest.mark.parametrize("shape", [(4,), (4, 4, 4), (2, 4, 4, 3)])
def test_other_shapes_are_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"\(H, W\) or \(H, W, 3\)"):
        LightImage(np.zeros(shape, np.uint8))
