"""What is told of a reading from several photos whose heights are uncertain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import pytest
from uncertainties import ufloat

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.uncertainty import coverage_factor
from rimsight.cli import several_heights
from rimsight.cli.measure_inputs import read_inputs
from rimsight.cli.several_heights import (
    LARGEST_HEIGHT_U95_MM,
    LARGEST_UNTOLD_U95_MM,
    BaselineTooShort,
    HeightUnclear,
    told,
)
from rimsight.vision.several_edges import Known


@dataclass(frozen=True)
class Reading:
    notes: tuple[str, ...] = ("a note",)


@dataclass(frozen=True)
class Read:
    heights: dict[str, Any]
    reading: Reading = Reading()


def rim(top_u95: float, girdle_u95: float) -> Any:
    k = coverage_factor()
    top, girdle = ufloat(5.0, top_u95 / k), ufloat(5.4, girdle_u95 / k)
    return Read({"tube_top": top, "girdle": girdle, "girdle_above_tube": girdle - top})


def tell(read: Any, monkeypatch: pytest.MonkeyPatch, wrong: type[PhotoError] = HeightUnclear, **typed: str) -> Any:
    monkeypatch.setattr(several_heights, "_vague", lambda *_: wrong("it shows poorly", "better", "take one more photo"))
    return told(read_inputs("rim", cast(dict[str, Any], typed)), Known(), [], [], read)


def test_heights_known_well_are_told_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    read = rim(0.1, 0.15)
    assert tell(read, monkeypatch) is read


def test_a_difference_vaguer_than_a_height_may_be_is_not_told(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two rendered heights stated to 0.147 and 0.166 mm were 0.103 mm too high and 0.049 too low: 0.152 mm between them.
    found = tell(rim(0.147, 0.166), monkeypatch)
    assert set(found.heights) == {"tube_top", "girdle"}
    assert "above the tube is not told" in found.reading.notes[1]


def test_a_rim_is_told_without_a_vague_girdles_height_and_with_what_would_tell_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Two photos 35 mm apart told a rim of 0.445 mm to 0.001 mm, and its girdle's height to 0.36 mm: nothing was told.
    found = tell(rim(0.1, 0.36), monkeypatch)
    assert set(found.heights) == {"tube_top"}
    assert found.reading.notes[0] == "a note"
    assert "it shows poorly" in found.reading.notes[1]
    assert "take one more photo" in found.reading.notes[1]


@pytest.mark.parametrize(
    ("top_u95", "girdle_u95", "wrong"),
    [
        (LARGEST_HEIGHT_U95_MM + 0.01, 0.1, HeightUnclear),
        (0.1, LARGEST_UNTOLD_U95_MM + 0.01, HeightUnclear),
        (0.1, 0.3, BaselineTooShort),
    ],
    ids=["tube", "girdle", "too near"],
)
def test_what_is_vaguer_is_refused(
    top_u95: float, girdle_u95: float, wrong: type[PhotoError], monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(wrong):
        tell(rim(top_u95, girdle_u95), monkeypatch, wrong)


def test_a_typed_height_is_not_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    read = rim(0.3, 0.6)
    assert tell(read, monkeypatch, length="5.0") is read
