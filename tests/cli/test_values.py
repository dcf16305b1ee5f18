"""Typed lengths, angles and clock positions: what is read, what is refused, and that the refusal helps."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimsight.cli.values import angle_deg, clock, clock_text, length_mm, wall_mm


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    [
        # plain millimetres, either decimal mark
        ("6.12", 6.12),
        ("6,12", 6.12),
        ("6", 6.0),
        (".5", 0.5),
        (",5", 0.5),
        ("6.", 6.0),
        ("+3", 3.0),
        # a comma is always the decimal mark, never one of thousands
        ("1,234", 1.234),
        # with a unit
        ("6.12 mm", 6.12),
        ("6.12mm", 6.12),
        (" 6,12 MM ", 6.12),
        ("2 cm", 20.0),
        ("6.12\u00a0mm", 6.12),
        # inches: 25.4 mm exactly
        ("0.25in", 6.35),
        ("0,25 in", 6.35),
        ('0.25"', 6.35),
        ("0.25''", 6.35),
        ("0.25 inch", 6.35),
        ("1/4in", 6.35),
        ('1/4"', 6.35),
        ("5/32 in", 3.96875),
        ("1 1/4in", 31.75),
        ("1-1/4 in", 31.75),
    ],
)
def test_length_is_read(text: str, expected_mm: float) -> None:
    assert length_mm(text, "--stone") == pytest.approx(expected_mm, rel=0, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "nan", "inf", "-inf", "Infinity", "six", "mm", "6m", "6 in mm", "6..1", "6.1.2", "6 1",
        "1.234,5", "1,234.5", "1,234,567", "1e3", "0x10", "5_0", "٣", "６", "--6", "1/0in", "1/4", "1/4mm",
        "1/4/2in", "9" * 400, "9" * 5000 + "/1in",
    ],
)
def test_junk_is_refused_with_what_works(text: str) -> None:
    with pytest.raises(ValueError, match=r"--stone: .*(6\.12 or 6,12|1/4in)"):
        length_mm(text, "--stone")


@pytest.mark.parametrize(("text", "word"), [("0", "zero"), ("0,0 mm", "zero"), ("-2", "negative"), ("−2", "negative")])
def test_zero_and_negative_are_refused_unless_allowed(text: str, word: str) -> None:
    with pytest.raises(ValueError, match=word) as refusal:
        length_mm(text, "--od")
    assert repr(text) in str(refusal.value)


def test_zero_and_negative_where_they_make_sense() -> None:
    assert length_mm("0", "--height", allow_zero=True) == 0.0
    assert length_mm("-0.5", "--offset", allow_negative=True) == -0.5
    with pytest.raises(ValueError, match="zero"):
        length_mm("0", "--offset", allow_negative=True)


@given(st.floats(min_value=0.001, max_value=999.0))
def test_either_decimal_mark_reads_alike(value: float) -> None:
    text = f"{value:.4f}"
    assert length_mm(text, "x") == length_mm(text.replace(".", ","), "x") == float(text)


@given(st.text(max_size=60))
def test_any_text_gives_a_positive_length_or_a_refusal(text: str) -> None:
    value, refusal = 1.0, "x: "
    try:
        value = length_mm(text, "x")
    except ValueError as caught:
        refusal = str(caught)
    assert refusal.startswith("x: ")  # ours, not one of int() or float()
    assert math.isfinite(value)
    assert value > 0


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    # ASTM B258: 22 gauge is 0.6438 mm, 16 gauge 1.2908 mm
    [("22ga", 0.6438), ("22 ga", 0.6438), ("22-gauge", 0.6438), ("22 AWG", 0.6438), ("16ga", 1.2908), ("0ga", 8.2515),
     ("0.635", 0.635), ("0,635 mm", 0.635), ("0.025in", 0.635)],
)
def test_wall_by_length_or_gauge(text: str, expected_mm: float) -> None:
    assert wall_mm(text, "--wall") == pytest.approx(expected_mm, rel=0, abs=5e-5)


@pytest.mark.parametrize(("text", "word"), [("41ga", "0 to 40"), ("2.5ga", "22ga"), ("ga", "22ga"), ("22g", "22ga")])
def test_wall_is_refused(text: str, word: str) -> None:
    with pytest.raises(ValueError, match=f"--wall.*{word}"):
        wall_mm(text, "--wall")


@pytest.mark.parametrize(
    ("text", "expected_deg"), [("41", 41.0), ("41.5", 41.5), ("41,5°", 41.5), ("41.5 deg", 41.5), ("0", 0.0)]
)
def test_angle_is_read(text: str, expected_deg: float) -> None:
    assert angle_deg(text, "--pavilion") == expected_deg


@pytest.mark.parametrize("text", ["", "nan", "41'", "-1", "361", "1.234,5", "forty"])
def test_angle_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="--pavilion"):
        angle_deg(text, "--pavilion")


def test_angle_bounds_are_named() -> None:
    with pytest.raises(ValueError, match="20 to 60 degrees"):
        angle_deg("61", "--pavilion", minimum=20, maximum=60)
    assert angle_deg("-5", "--tilt", minimum=-90, maximum=90) == -5.0


@pytest.mark.parametrize(
    ("text", "expected_hours"),
    [("12", 12.0), ("0", 12.0), ("4:30", 4.5), ("10h15", 10.25), ("10.5", 10.5), ("10,5", 10.5), ("3 o'clock", 3.0),
     ("12:45", 0.75), ("0:30", 0.5)],
)
def test_clock_is_read(text: str, expected_hours: float) -> None:
    assert clock(text, "--at") == expected_hours


@pytest.mark.parametrize("text", ["", "13", "12.5", "13:00", "4:60", "4:5", "-1", "nan", "noon"])
def test_clock_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="--at"):
        clock(text, "--at")


@given(st.integers(min_value=0, max_value=719))
def test_clock_text_reads_back(minutes: int) -> None:
    hours = minutes / 60
    assert clock(clock_text(hours), "x") % 12 == pytest.approx(hours, abs=1e-9)


def test_clock_text_rolls_over_the_hour() -> None:
    assert clock_text(11.9999) == "12:00"
    assert clock_text(0.004) == "12:00"
    with pytest.raises(ValueError, match="finite"):
        clock_text(math.nan)
