"""Colour profiles: the curve is honoured, sRGB-curved codes stay untouched, broken profiles are said to be so.

Expected values come from the profiles' own definitions, computed here in double precision.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageCms

from rimsight.calibration.errors import UnreadablePhoto
from rimsight.calibration.pixels import decode_srgb, encode_srgb
from rimsight.vision.icc import Colour, colour_of
from rimsight.vision.photo import load_photo

# Colorants (XYZ relative to D50) as the published profiles hold them; from memory. Each row sums to D50 white.
P3 = ((0.51512, 0.24120, -0.00105), (0.29198, 0.69225, 0.04189), (0.15710, 0.06657, 0.78407))
ADOBE_RGB = ((0.60974, 0.31111, 0.01947), (0.20528, 0.62567, 0.06087), (0.14919, 0.06322, 0.74457))
SRGB = ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410))
ADOBE_GAMMA = 563 / 256  # 2.19921875, Adobe RGB (1998)


def s15(value: float) -> bytes:
    return bytes(struct.pack(">i", round(value * 65536)))


def gamma_curve(gamma: float) -> bytes:
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + bytes(2)


def srgb_curve() -> bytes:
    """parametricCurveType 3 with the constants of IEC 61966-2-1."""
    return b"para" + bytes(4) + struct.pack(">HH", 3, 0) + b"".join(
        s15(v) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    )


def table_curve(light: NDArray[Any]) -> bytes:
    body = np.rint(light * 65535).astype(">u2").tobytes()
    return bytes(b"curv" + bytes(4) + struct.pack(">I", len(light)) + body + bytes(-len(body) % 4))


def profile(
    space: bytes, tags: dict[bytes, bytes], *, name: str, connection: bytes = b"XYZ ", kind: bytes = b"mntr"
) -> bytes:
    """An ICC v2 profile by hand."""
    text = name.encode()
    tags = {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(text) + 1) + text + b"\0" + bytes(12 + 67 + 3),
        b"wtpt": b"XYZ " + bytes(4) + s15(0.9642) + s15(1.0) + s15(0.8249),
        b"cprt": b"text" + bytes(4) + b"none\0",
        **tags,
    }
    at, table, bodies = 128 + 4 + 12 * len(tags), b"", b""
    for tag, body in tags.items():
        body += bytes(-len(body) % 4)
        table += struct.pack(">4sII", tag, at, len(body))
        bodies += body
        at += len(body)
    head = struct.pack(">I4xI4s4s4s12x4s28x", at, 0x02400000, kind, space, connection, b"acsp")
    head += s15(0.9642) + s15(1.0) + s15(0.8249) + bytes(48)
    return head + struct.pack(">I", len(tags)) + table + bodies


def rgb_profile(colorants: Any, curve: bytes, name: str) -> bytes:
    names = (b"rXYZ", b"gXYZ", b"bXYZ")
    tags = {t: b"XYZ " + bytes(4) + b"".join(map(s15, c)) for t, c in zip(names, colorants, strict=True)}
    return profile(b"RGB ", tags | dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve), name=name)


def grey_profile(curve: bytes, name: str = "Grey") -> bytes:
    return profile(b"GRAY", {b"kTRC": curve}, name=name)


def through_matrix(codes: NDArray[Any], colorants: Any, gamma: float, full: int) -> NDArray[Any]:
    """Definition of a curve-and-matrix profile, to sRGB, relative colorimetric, clipped at the gamut."""
    # As the profile stores them: near black, where sRGB is steep, the rounding counts for some 16-bit codes.
    xyz = (codes / full) ** gamma @ (np.rint(np.array(colorants) * 65536) / 65536)
    return np.asarray(encode_srgb(np.clip(xyz @ np.linalg.inv(np.array(SRGB)), 0.0, 1.0)) * full)


def colours(seed: int, full: int) -> NDArray[Any]:
    codes = np.random.default_rng(seed).integers(0, full + 1, (220, 240, 3))
    codes[:40] = np.linspace(0, full, 240).astype(int)[None, :, None]  # a grey ramp
    return codes.astype(np.uint8 if full == 255 else np.uint16)


def converted(colour: Colour, codes: NDArray[Any]) -> NDArray[Any]:
    assert colour.convert is not None
    return np.asarray(colour.convert(codes), dtype=np.float64)


# --- the sRGB curve stays -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "icc",
    [
        None,
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
        rgb_profile(SRGB, srgb_curve(), "sRGB"),
        rgb_profile(SRGB, table_curve(decode_srgb(np.linspace(0, 1, 1024))), "sRGB as 1024 points"),
    ],
    ids=["none", "littlecms", "parametric", "table"],  # LittleCMS writes the time of day into its profile
)
def test_srgb_needs_nothing(icc: bytes | None) -> None:
    assert colour_of(icc, 3, np.uint8) == (Colour("sRGB"), "")


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_display_p3_keeps_its_codes_and_its_profile(dtype: Any) -> None:
    icc = rgb_profile(P3, srgb_curve(), "Display P3")
    colour, warning = colour_of(icc, 3, dtype)
    assert colour.convert is None
    assert colour.name == "Display P3"
    assert colour.profile == icc
    assert warning == ""


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_profile_is_found_in_every_format(kind: str, tmp_path: Path) -> None:
    icc = rgb_profile(P3, srgb_curve(), "Display P3")
    image = Image.fromarray(colours(1, 255))
    path = tmp_path / "photo"
    if kind == "HEIF":
        pillow_heif.from_pillow(image).save(path, icc_profile=icc, icc_profile_type="prof")
    else:
        image.save(path, kind, icc_profile=icc)
    photo = load_photo(path)
    assert photo.colour == "Display P3"
    assert photo.icc_profile == icc
    assert photo.warnings == ()


@pytest.mark.parametrize(("primaries", "name"), [(1, "sRGB"), (12, "Display P3")])
def test_heic_may_state_its_colours_by_number(primaries: int, name: str, tmp_path: Path) -> None:
    """ITU-T H.273: primaries 1 are BT.709's (and sRGB's), 12 are Display P3's; curve 13 is sRGB's."""
    image = pillow_heif.from_pillow(Image.fromarray(colours(1, 255)))
    numbers = {"color_primaries": primaries, "transfer_characteristics": 13, "matrix_coefficients": 6}
    image.save(tmp_path / "a.heic", **numbers)
    assert load_photo(tmp_path / "a.heic").colour == name


@pytest.mark.parametrize(("number", "name"), [(16, "PQ"), (18, "HLG")])
def test_high_dynamic_range_curves_are_refused(number: int, name: str, tmp_path: Path) -> None:
    """Read as sRGB they would put every edge in the wrong place without a word."""
    image = pillow_heif.from_pillow(Image.fromarray(colours(1, 255)))
    numbers = {"color_primaries": 9, "transfer_characteristics": number, "matrix_coefficients": 6}
    image.save(tmp_path / "a.heic", **numbers)
    with pytest.raises(UnreadablePhoto, match=name) as caught:
        load_photo(tmp_path / "a.heic")
    assert caught.value.kind == "unsupported_format"


# --- other curves are converted -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("full", "tolerance"), [(255, 1.01), (65535, 2.0)])
def test_adobe_rgb_becomes_srgb(full: int, tolerance: float) -> None:
    codes = colours(2, full)
    colour, warning = colour_of(rgb_profile(ADOBE_RGB, gamma_curve(ADOBE_GAMMA), "Adobe RGB (1998)"), 3, codes.dtype)
    found = converted(colour, codes)
    expected = through_matrix(codes, ADOBE_RGB, ADOBE_GAMMA, full)
    # 8 bits go through Little CMS, whose 8-bit path rounds the curves: half a code and its own last digit.
    assert np.abs(found - expected).max() <= tolerance
    assert "Adobe RGB" in colour.name
    assert colour.profile is None
    assert warning == ""


def test_photo_with_adobe_rgb_is_turned_and_converted(tmp_path: Path) -> None:
    icc = rgb_profile(ADOBE_RGB, gamma_curve(ADOBE_GAMMA), "Adobe RGB (1998)")
    codes = colours(3, 255)
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.fromarray(codes).save(tmp_path / "a.png", icc_profile=icc, exif=exif)
    found = load_photo(tmp_path / "a.png").light.codes
    expected = np.rot90(through_matrix(codes, ADOBE_RGB, ADOBE_GAMMA, 255), -1)
    assert np.abs(found - expected).max() <= 1.01


@pytest.mark.parametrize(
    ("curve", "gamma", "slack"),
    [
        (gamma_curve(1.8), 461 / 256, 0.0),  # the type holds 8 fractional bits
        (table_curve(np.linspace(0, 1, 4096) ** 1.8), 1.8, 0.0005),  # straight between its points
        (b"para" + bytes(4) + struct.pack(">HH", 0, 0) + s15(1.8), 1.8, 0.0),
        # the same power written as forms 1, 2 and 4
        (b"para" + bytes(4) + struct.pack(">HH", 1, 0) + s15(1.8) + s15(1.0) + s15(0.0), 1.8, 0.0),
        (b"para" + bytes(4) + struct.pack(">HH", 2, 0) + s15(1.8) + s15(1.0) + s15(0.0) * 2, 1.8, 0.0),
        (b"para" + bytes(4) + struct.pack(">HH", 4, 0) + s15(1.8) + s15(1.0) + s15(0.0) * 5, 1.8, 0.0),
    ],
    ids=["gamma", "table", "form 0", "form 1", "form 2", "form 4"],
)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_grey_curve_in_every_notation(curve: bytes, gamma: float, slack: float, dtype: Any) -> None:
    full = np.iinfo(dtype).max
    codes = np.linspace(0, full, 256).astype(dtype)[None]
    colour, _ = colour_of(grey_profile(curve), 1, dtype)
    expected = encode_srgb((codes / full) ** gamma) * full
    # Half a code by rounding, and a little for 1.8 held in 16 fractional bits.
    assert np.abs(converted(colour, codes) - expected).max() <= 0.6 + slack * full


def test_grey_agrees_with_little_cms() -> None:
    icc = grey_profile(gamma_curve(1.8))
    codes = np.arange(256, dtype=np.uint8)[None]
    colour, _ = colour_of(icc, 1, np.uint8)
    source = Image.fromarray(codes)
    by_cms = ImageCms.profileToProfile(
        source, ImageCms.ImageCmsProfile(io.BytesIO(icc)), ImageCms.createProfile("sRGB"), outputMode="RGB",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )  # fmt: skip
    assert by_cms is not None
    assert np.abs(converted(colour, codes) - np.asarray(by_cms, dtype=int)[..., 1]).max() <= 1


def test_linear_grey_curve_without_points() -> None:
    icc = grey_profile(b"curv" + bytes(8))
    colour, _ = colour_of(icc, 1, np.uint8)
    found = converted(colour, np.array([[0, 55, 255]], np.uint8))[0]
    np.testing.assert_allclose(found, encode_srgb(np.array([0, 55, 255]) / 255) * 255, rtol=0, atol=0.5)


def test_png_gamma_counts_unless_srgb_is_marked() -> None:
    codes = np.array([[0, 55, 255]], np.uint8)
    linear, _ = colour_of(None, 1, np.uint8, gamma=1.0)
    assert converted(linear, codes)[0, 1] == pytest.approx(encode_srgb(np.array(55 / 255)) * 255, abs=0.51)
    assert colour_of(None, 1, np.uint8, gamma=0.45455)[0] == Colour("sRGB")


def cmyk_profile() -> bytes:
    """Ink table with two points an axis: lightness falls with black, and by a third with each colour."""
    header = b"mft1" + bytes(4) + bytes([4, 3, 2, 0]) + b"".join(map(s15, (1, 0, 0, 0, 1, 0, 0, 0, 1)))
    ramp = bytes(range(256))
    entries = b""
    for index in range(16):
        c, m, y, k = (index >> shift & 1 for shift in (3, 2, 1, 0))
        entries += bytes([round(255 * (1 - k) * (1 - (c + m + y) / 3)), 128, 128])
    table = header + ramp * 4 + entries + ramp * 3
    return profile(b"CMYK", {b"A2B0": table}, name="Ink", connection=b"Lab ", kind=b"prtr")


def test_cmyk_goes_through_its_profile() -> None:
    colour, warning = colour_of(cmyk_profile(), 4, np.uint8)
    assert warning == ""
    codes = np.zeros((1, 3, 4), np.uint8)
    codes[0, :, 3] = [0, 128, 255]
    found = converted(colour, codes)
    # L* = 100 (1 - 128/255) = 49.8; CIE 1976: Y = ((L* + 16) / 116)^3.
    middle = float(encode_srgb(np.array(((100 * (1 - 128 / 255) + 16) / 116) ** 3)) * 255)
    np.testing.assert_allclose(found[0].mean(axis=1), [255, middle, 0], rtol=0, atol=1.5)
    assert np.ptp(found[0], axis=1).max() <= 2


# --- broken profiles ----------------------------------------------------------------------------------------------

GOOD = rgb_profile(ADOBE_RGB, gamma_curve(ADOBE_GAMMA), "Adobe RGB (1998)")


@pytest.mark.parametrize(
    ("icc", "channels"),
    [
        (b"short", 3),
        (bytes(400), 3),
        (GOOD[:-40], 3),  # cut
        (GOOD[:36] + b"xxxx" + GOOD[40:], 3),
        (GOOD[:128] + b"\xff" * 4 + GOOD[132:], 3),
        (GOOD, 1),  # for colour, in a grey picture
        (grey_profile(gamma_curve(1.8)), 3),
        (grey_profile(b"curv" + bytes(4) + struct.pack(">I", 5000)), 1),
        (grey_profile(b"para" + bytes(4) + struct.pack(">HH", 9, 0)), 1),
        (grey_profile(b"junk" + bytes(20)), 1),
        (profile(b"RGB ", {}, name="Empty"), 3),
    ],
)
def test_broken_profile_is_a_warning(icc: bytes, channels: int) -> None:
    colour, warning = colour_of(icc, channels, np.uint8)
    assert colour == Colour("sRGB")
    assert "profile" in warning


def test_photo_with_broken_profile_is_read_as_srgb(tmp_path: Path) -> None:
    codes = colours(5, 255)
    Image.fromarray(codes).save(tmp_path / "a.png", icc_profile=GOOD[:200])
    photo = load_photo(tmp_path / "a.png")
    np.testing.assert_array_equal(photo.light.codes, codes)
    assert any("profile" in note for note in photo.warnings)


def test_random_damage_in_a_profile_never_raises() -> None:
    rng = np.random.default_rng(8)
    makers: list[tuple[bytes, int]] = [(GOOD, 3), (rgb_profile(P3, srgb_curve(), "P3"), 3), (cmyk_profile(), 4)]
    codes: dict[int, NDArray[Any]] = {3: colours(1, 255)[:4], 4: np.zeros((4, 240, 4), np.uint8)}
    for _ in range(100):
        icc, channels = makers[int(rng.integers(0, 3))]
        damaged = bytearray(icc)
        for _ in range(3):
            damaged[int(rng.integers(0, min(len(damaged), 700)))] = int(rng.integers(0, 256))
        colour, _ = colour_of(bytes(damaged), channels, np.uint8)
        convert: Callable[[Any], Any] | None = colour.convert
        if convert is not None:
            assert convert(codes[channels]).shape == (4, 240, 3)
