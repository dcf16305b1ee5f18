"""Colour-blind safety of the overlay's colours.

Colour vision deficiency is simulated with the matrices for full severity of Machado, Oliveira and Fernandes, "A
physiologically-based model for simulation of color vision deficiency", IEEE Transactions on Visualization and
Computer Graphics 15 (2009) 1291-1298, doi 10.1109/TVCG.2009.113, applied to linear sRGB. Lightness is CIE 1976 L*
(ISO/CIE 11664-4) of the sRGB luminance (IEC 61966-2-1, white at D65). That 30 of lightness are plainly told apart is
this project's own choice; 1 is about the least visible difference.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.calibration.pixels import decode_srgb
from rimsight.vision.overlay_caption import draw_symbol, symbol_of
from rimsight.vision.overlay_colour import (
    BAD,
    GOOD,
    INK,
    LEAST_RANGE,
    LIMIT_RAMP,
    LINES,
    OPEN,
    PLAIN_RAMP,
    RAMP_END,
    ramp,
    width_colours,
    width_range,
)

FloatArray = NDArray[np.float64]

MACHADO = {
    "normal": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def lab(codes: NDArray[np.uint8], eyes: str) -> FloatArray:
    """CIELAB (N, 3) of sRGB codes (N, 3) as seen by these eyes."""
    light = np.clip(decode_srgb(np.asarray(codes, dtype=np.float64) / 255.0) @ MACHADO[eyes].T, 0.0, 1.0)
    ratio = light @ TO_XYZ.T / TO_XYZ.sum(axis=1)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.column_stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])])


def test_lightness_of_known_colours() -> None:
    """White is 100 and black 0 by definition; sRGB red is L* 53.2, a* 80.1, b* 67.2 (from memory)."""
    seen = lab(np.array([[255, 255, 255], [0, 0, 0], [255, 0, 0]], np.uint8), "normal")
    expected = np.array([[100.0, 0.0, 0.0], [0.0, 0.0, 0.0], [53.2, 80.1, 67.2]])
    np.testing.assert_allclose(seen, expected, rtol=0, atol=0.1)


@pytest.mark.parametrize("eyes", MACHADO)
@pytest.mark.parametrize("points", [LIMIT_RAMP, PLAIN_RAMP])
def test_ends_of_the_ramps_differ_in_lightness(
    eyes: str, points: tuple[tuple[float, tuple[int, int, int]], ...]
) -> None:
    ends = lab(ramp(points, np.array([points[0][0], points[-1][0]])), eyes)
    assert ends[0, 0] - ends[1, 0] >= 30.0


@pytest.mark.parametrize("eyes", MACHADO)
def test_rim_darkens_steadily_with_its_width(eyes: str) -> None:
    lightness = lab(ramp(LIMIT_RAMP, np.linspace(0.0, RAMP_END, 201)), eyes)[:, 0]
    assert (np.diff(lightness) < 0.3).all()


@pytest.mark.parametrize("eyes", ["normal", "protanopia", "deuteranopia"])
def test_both_sides_of_the_limit_look_different(eyes: str) -> None:
    seen = lab(width_colours(np.array([0.1999, 0.2]), 0.2), eyes)
    assert np.linalg.norm(seen[0] - seen[1]) > 50.0


@pytest.mark.parametrize("eyes", MACHADO)
def test_stripes_show_on_every_colour_under_the_limit(eyes: str) -> None:
    under = lab(width_colours(np.linspace(-0.1, 0.1999, 50), 0.2), eyes)[:, 0]
    assert (under - lab(np.array([INK], np.uint8), eyes)[0, 0] > 30.0).all()


@pytest.mark.parametrize("eyes", MACHADO)
def test_grounds_of_the_verdict_symbols_differ(eyes: str) -> None:
    seen = lab(np.array([GOOD, BAD, OPEN], np.uint8), eyes)
    for a, b in itertools.combinations(seen, 2):
        assert np.linalg.norm(a - b) > 20.0


def test_outlines_are_light_on_their_dark_halo() -> None:
    lightness = lab(np.array([line.colour for line in LINES.values()], np.uint8), "normal")[:, 0]
    assert (lightness - lab(np.array([INK], np.uint8), "normal")[0, 0] > 60.0).all()


def test_kinds_that_appear_together_have_different_dashes_or_colours() -> None:
    """Stone and tube, bore and mouth: told apart by dashes, or by more than hue."""
    for a, b in itertools.combinations(("stone", "outer", "bore", "mouth"), 2):
        one, two = LINES[a], LINES[b]
        apart = abs(np.diff(lab(np.array([one.colour, two.colour], np.uint8), "deuteranopia")[:, 0])[0])
        assert (one.dash, one.gap) != (two.dash, two.gap) or apart > 10.0


def test_ramp_steps_at_the_limit_and_holds_beyond_its_ends() -> None:
    colours = width_colours(np.array([-1.0, 0.0, 0.2, 0.4, 3.0, np.nan]), 0.2)
    np.testing.assert_array_equal(colours[0], LIMIT_RAMP[0][1])
    np.testing.assert_array_equal(colours[1], LIMIT_RAMP[0][1])
    np.testing.assert_array_equal(colours[2], LIMIT_RAMP[2][1])
    np.testing.assert_array_equal(colours[3], LIMIT_RAMP[3][1])
    np.testing.assert_array_equal(colours[4], LIMIT_RAMP[3][1])


def test_even_wall_shows_no_ends_of_the_ramp() -> None:
    width = np.array([0.899, 0.9, 0.901])
    low, high = width_range(width)
    assert high - low == pytest.approx(LEAST_RANGE * 0.9)
    assert np.ptp(width_colours(width, None).astype(int), axis=0).max() < 10


@pytest.mark.parametrize(
    ("words", "symbol"),
    [
        ("adequate", "tick"), ("Adequate, by 0.05 mm", "tick"), ("too thin", "cross"), ("Too thin by 0.1 mm", "cross"),
        ("too close to call", "question"), ("Too close to call: measure again", "question"),
        ("not adequate", "cross"), ("measured", ""), ("", ""),
    ],
)  # fmt: skip
def test_symbol_follows_the_verdict(words: str, symbol: str) -> None:
    assert symbol_of(words) == symbol


def test_symbols_differ_in_shape_alone() -> None:
    """In grey and at the size of a phone's picture, the share of the box that each ground fills tells them apart."""
    from PIL import Image

    from rimsight.vision.overlay_ink import Ink

    shapes = {}
    for symbol in ("tick", "cross", "question"):
        picture = Image.new("RGB", (100, 100), (255, 255, 255))
        draw_symbol(Ink(picture, 1.0), symbol, np.array([49.5, 49.5]), 80.0)
        shapes[symbol] = np.asarray(picture.convert("L")) < 250
    for a, b in itertools.combinations(shapes, 2):
        assert (shapes[a] ^ shapes[b]).sum() > 300
