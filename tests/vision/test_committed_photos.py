"""The committed photographs, read as a user would have them read: a floor under the accuracy table.

The figures themselves are printed by `python -m tests.bench.accuracy`; here nothing may crash, most stated intervals
must hold the truth, and no error may be large and confident. The photographs of 12 MP and the largest of the others are
left to that table, for time's sake.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest

from tests.bench.accuracy_photo import Outcome, judge_photo, truths

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "photos"
LEFT_OUT = ("-full", "-big", "-12", "-old-", "-heavy", "-9-")  # 12 MP, and the largest in pixels
NAMES = [path.stem for path in truths(PHOTOS) if not any(part in path.stem for part in LEFT_OUT)]
@cache
def outcome(name: str) -> Outcome:
    return judge_photo(PHOTOS / f"{name}.json")


def errors(name: str) -> list[tuple[str, float, float]]:
    """Quantity, error and stated 95 % uncertainty, millimetres."""
    return [
        (f"{name}, {quantity}", figure.value - figure.true, figure.u95)
        for quantity, figure in outcome(name).figures.items()
        if figure.value is not None and figure.u95 is not None
    ]


@pytest.fixture(autouse=True)
def _no_records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither house rules nor camera profiles of whoever runs the tests."""
    monkeypatch.setenv("ACCURACY_HOME", str(tmp_path))
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path))


def test_there_are_photographs_of_every_kind() -> None:
    kinds = [json.loads(path.read_text())["kind"] for path in truths(PHOTOS)]
    assert min(kinds.count(kind) for kind in ("stone", "tube", "rim")) >= 6


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_it_is_read_or_refused_with_a_reason(name: str) -> None:
    read = outcome(name)
    assert read.failure == ""
    assert read.found, f"the main subject was not found ({read.refusal})"
    assert read.refusal or errors(name)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_no_error_is_large_and_confident(name: str) -> None:
    assert [one for one in errors(name) if abs(one[1]) > max(0.5, one[2])] == []


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in NAMES if name.startswith("rim")])
def test_no_rim_under_the_limit_is_called_adequate(name: str) -> None:
    assert not outcome(name).wrongly_adequate


@pytest.mark.slow
def test_most_stated_intervals_hold_the_truth() -> None:
    every = [one for name in NAMES for one in errors(name)]
    outside = [one for one in every if abs(one[1]) > one[2]]
    assert len(every) >= 25
    assert len(outside) <= 0.15 * len(every), outside
