"""What EXIF says, what it may not say, and the focal length that follows from it."""

from __future__ import annotations

import math
import struct
import warnings
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from rimsight.vision.exif import ExifFacts, focal_hint, read_exif

DETAIL = {
    "taken": 0x9003, "offset": 0x9011, "focal": 0x920A, "width": 0xA002, "height": 0xA003, "zoom": 0xA404,
    "f35": 0xA405, "lens": 0xA434,
}  # fmt: skip
MAIN = {"make": 0x010F, "model": 0x0110, "orientation": 0x0112, "changed": 0x0132}


def block(**entries: Any) -> bytes:
    exif = Image.Exif()
    for name, value in entries.items():
        if name in MAIN:
            exif[MAIN[name]] = value
        else:
            exif.get_ifd(0x8769)[DETAIL[name]] = value
    return bytes(exif.tobytes())


def test_facts_of_a_phone_photo() -> None:
    facts, notes = read_exif(
        block(make="Examplia", model="E-1", orientation=6, taken="2024:03:05 14:07:09", offset="+01:00",
              focal=IFDRational(425, 100), width=4032, height=3024, f35=26, lens="rear 4.25 mm f/1.8")
    )  # fmt: skip
    assert notes == ()
    assert facts == ExifFacts(
        make="Examplia", model="E-1", lens="rear 4.25 mm f/1.8", focal_mm=4.25, f35_mm=26.0, digital_zoom=None,
        pixel_width=4032, pixel_height=3024, orientation=6, taken="2024-03-05T14:07:09+01:00",
    )  # fmt: skip


def test_no_block_gives_no_facts_and_no_complaint() -> None:
    assert read_exif(None) == (ExifFacts(), ())


@pytest.mark.parametrize(
    ("value", "expected"),
    [(0, None), (9, None), (10, 10.0), (300, 300.0), (301, None), (9920, None), (48388, None), (65535, None)],
)
def test_equivalent_must_be_plausible(value: int, expected: float | None) -> None:
    """0 means unknown (Exif 2.32, FocalLengthIn35mmFilm); the large values occur in real files."""
    assert read_exif(block(f35=value))[0].f35_mm == expected


@pytest.mark.parametrize(
    ("ratio", "expected"), [((0, 1), None), ((0, 0), None), ((1, 1), None), ((5, 2), 2.5), ((1, 0), None)]
)
def test_digital_zoom(ratio: tuple[int, int], expected: float | None) -> None:
    assert read_exif(block(zoom=IFDRational(*ratio)))[0].digital_zoom == expected


@pytest.mark.parametrize("ratio", [(0, 0), (1, 0), (0, 1)])
def test_senseless_focal_length(ratio: tuple[int, int]) -> None:
    assert read_exif(block(focal=IFDRational(*ratio)))[0].focal_mm is None


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        ({"taken": "2024:03:05 14:07:09"}, "2024-03-05T14:07:09"),
        ({"changed": "2024:03:05 14:07:09"}, "2024-03-05T14:07:09"),
        ({"taken": "2024-03-05 14:07:09"}, "2024-03-05T14:07:09"),
        ({"taken": "0000:00:00 00:00:00"}, None),
        ({"taken": "2024:13:05 14:07:09"}, None),
        ({"taken": "    :  :     :  :  "}, None),
        ({"taken": "2024:03:05 14:07:09", "offset": "summer"}, "2024-03-05T14:07:09"),
    ],
)
def test_time_of_exposure(entries: dict[str, str], expected: str | None) -> None:
    assert read_exif(block(**entries))[0].taken == expected


def test_names_are_cleaned() -> None:
    facts, _ = read_exif(block(make="Exam\x1b[31mplia\0junk", model="  \x07 "))
    assert facts.make == "Exam[31mplia"
    assert facts.model is None


def test_orientation_from_xmp_only_where_exif_has_none() -> None:
    xmp = b"<tiff:Orientation>8</tiff:Orientation>"
    assert read_exif(None, xmp=xmp)[0].orientation == 8
    assert read_exif(block(orientation=3), xmp=xmp)[0].orientation == 3


@pytest.mark.parametrize("cut", [3, 9, 14, 30, 60])
def test_damaged_block_is_a_note_not_a_failure(cut: int) -> None:
    whole = block(make="Examplia", model="E-1", f35=26, width=4032, height=3024)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        _, notes = read_exif(whole[:cut])
    assert len(notes) == 1
    assert "damaged" in notes[0]


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.sampled_from([b"", b"II*\0\x08\0\0\0", b"Exif\0\0MM\0*\0\0\0\x08"]))
def test_no_bytes_raise(junk: bytes, start: bytes) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        facts, notes = read_exif(start + junk)
    assert isinstance(facts, ExifFacts)
    assert all(isinstance(note, str) for note in notes)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 255))
def test_one_wrong_byte_does_not_raise(at: int, value: int) -> None:
    whole = bytearray(block(make="Examplia", model="E-1", f35=26, width=4032, taken="2024:03:05 14:07:09"))
    whole[at % len(whole)] = value
    facts, _ = read_exif(bytes(whole))
    assert facts.f35_mm is None or 10 <= facts.f35_mm <= 300


def test_type_that_no_tag_should_have() -> None:
    """A text where a number belongs."""
    head = b"MM\0*" + struct.pack(">I", 8)
    entry = struct.pack(">HHI4s", 0x0112, 2, 4, b"six\0")
    assert read_exif(head + struct.pack(">H", 1) + entry + bytes(4))[0].orientation is None


# --- focal length -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "height", "f35", "f_px"),
    # CIPA DCG-001: equivalence by the diagonal of 36 mm x 24 mm (from memory); figures recomputed by hand.
    [(4032, 3024, 26, 3028.66), (4000, 3000, 27, 3120.19), (6000, 4000, 50, 8333.33), (3024, 4032, 26, 3028.66)],
)
def test_focal_length_by_the_diagonal(width: int, height: int, f35: float, f_px: float) -> None:
    hint = focal_hint(ExifFacts(f35_mm=f35, pixel_width=width, pixel_height=height), width, height)
    assert hint.f_px == pytest.approx(f_px, abs=0.01)
    assert hint.u_rel == pytest.approx(math.hypot(0.035, 0.29 / f35), abs=1e-9)
    assert not hint.cropped


@pytest.mark.parametrize(
    ("width", "height", "cropped"),
    [
        (4032, 3024, False),
        (2016, 1512, False),  # scaled down
        (1600, 1200, False),
        (1024, 768, False),
        (1023, 768, False),  # an editor's rounding
        (8064, 6048, False),  # scaled up
        (3024, 4032, False),  # turned by an editor that left the entries alone
        (4032, 2268, True),  # cut to 16:9 afterwards
        (2268, 3024, True),  # a 3:4 part of a 4:3 picture: the sides swapped, but no scaling
        (3000, 3000, True),
        (4000, 3024, True),
        (1000, 990, True),
    ],
)
def test_crops_are_told_from_scaling(width: int, height: int, cropped: bool) -> None:
    hint = focal_hint(ExifFacts(f35_mm=26.0, pixel_width=4032, pixel_height=3024), width, height)
    assert hint.cropped == cropped
    if cropped:
        assert hint.f_px is None
        assert hint.u_rel is None
        assert "4032 x 3024" in hint.source
    else:
        assert hint.f_px == pytest.approx(26.0 * math.hypot(width, height) / 43.2666, rel=1e-5)


def test_scaling_is_mentioned() -> None:
    exif = ExifFacts(f35_mm=26.0, pixel_width=4032, pixel_height=3024)
    assert "scaled" in focal_hint(exif, 2016, 1512).source
    assert "scaled" not in focal_hint(exif, 4032, 3024).source


def test_unknown_original_size_is_mentioned() -> None:
    hint = focal_hint(ExifFacts(f35_mm=26.0), 4000, 3000)
    assert hint.f_px is not None
    assert "original size" in hint.source


def test_digital_zoom_is_not_multiplied_but_widens() -> None:
    plain = focal_hint(ExifFacts(f35_mm=52.0), 4000, 3000)
    zoomed = focal_hint(ExifFacts(f35_mm=52.0, digital_zoom=2.0), 4000, 3000)
    assert zoomed.f_px == plain.f_px
    assert plain.u_rel is not None
    assert zoomed.u_rel is not None
    # 1 chance in 10 of a factor 2: standard deviation of ln f is sqrt(0.1) ln 2.
    assert zoomed.u_rel == pytest.approx(math.hypot(plain.u_rel, math.sqrt(0.1) * math.log(2.0)), abs=1e-9)
    assert "zoom" in zoomed.source


@pytest.mark.parametrize(
    ("width", "height", "larger"),
    # Diagonal of the 4:3 frame from which the shape is cut, over the picture's own.
    [(4032, 2268, 5040 / math.hypot(4032, 2268)), (3024, 3024, 5040 / math.hypot(3024, 3024))],
)
def test_shapes_that_no_sensor_has_widen(width: int, height: int, larger: float) -> None:
    hint = focal_hint(ExifFacts(f35_mm=26.0, pixel_width=width, pixel_height=height), width, height)
    assert hint.u_rel == pytest.approx(math.hypot(0.035, 0.29 / 26, (larger - 1) / math.sqrt(3)), abs=1e-9)
    assert hint.f_px is not None


def test_panorama_has_no_focal_length() -> None:
    hint = focal_hint(ExifFacts(f35_mm=26.0), 12_000, 3_000)
    assert hint.f_px is None
    assert hint.cropped


def test_no_equivalent_no_focal_length() -> None:
    hint = focal_hint(ExifFacts(focal_mm=4.25), 4032, 3024)
    assert hint.f_px is None
    assert not hint.cropped
