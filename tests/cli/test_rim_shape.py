"""`rimsight rim --shape` on the committed photographs of stones that aren't round on tubes, against their truth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rimsight.cli.app import main
from rimsight.cli.measure_inputs import read_inputs
from tests.bench.shapes import PHOTOS, RIM, Outcome, judge_rim, scenes

TRUTHS = list(scenes(PHOTOS, "all", rims=True))
#: Read by the whole program, once.
OUTCOMES: dict[str, Outcome] = {}


def outcome(path: Path) -> Outcome:
    if path.stem not in OUTCOMES:
        OUTCOMES[path.stem] = judge_rim(path)
    return OUTCOMES[path.stem]


def read_one() -> Path:
    """The truth file of a photograph that the program reads."""
    return next(path for path in TRUTHS if outcome(path).stone)


@pytest.mark.parametrize("path", TRUTHS, ids=lambda path: str(path.stem))
def test_rims_hold_the_truth_or_are_refused(path: Path) -> None:
    one = outcome(path)
    if not one.stone:
        assert one.refusal
        return
    for error, u95 in one.errors(RIM):
        assert abs(error) < 0.05
        assert abs(error) < 1.5 * u95
    # A stone that reaches beyond its tube is never called adequate.
    assert one.stone["verdict"] != "adequate" or one.truth["smallest_mm"] > 0.0


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    said = capsys.readouterr()
    assert int(left.value.code or 0) == code, said
    return said.out


def rim(capsys: pytest.CaptureFixture[str], path: Path, *options: str, code: int = 0) -> str:
    truth = json.loads(path.read_text(encoding="utf-8"))
    lines = f"{truth['card']['across_mm']:.3f},{truth['card']['down_mm']:.3f}"
    typed = ("--length", f"{truth['tube']['length_mm']:.2f}", "--bore", f"{truth['tube']['bore_diameter_mm']:.2f}")
    return run(capsys, "rim", str(PHOTOS / truth["photo"]), "--check-lines", lines, *typed, *options, code=code)


def test_json_picture_text_and_archive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    path, out = read_one(), tmp_path / "marked.jpg"
    found: dict[str, Any] = json.loads(rim(capsys, path, "--shape", "auto", "--json", "--out", str(out), "--keep"))
    assert found["schema"] == "rimsight/1"
    assert found["stone"]["diameter_mm"] is None
    for member, names in {
        "stone": ("length_mm", "width_mm", "enclosing_mm", "inner_mm"),
        "tube": ("outer_diameter_mm", "bore_diameter_mm"),
        "rim": ("smallest_mm", "mean_mm", "offset_mm", "centred_mm"),
    }.items():
        for name in names:
            assert set(found[member][name]) == {"value", "u95", "budget"}, name
            assert found[member][name]["budget"]
    assert found["verdict"] in ("adequate", "too thin", "too close to call")
    assert found["reasons"]
    assert 0.0 < found["rim"]["smallest_at_clock"] <= 12.0
    outer, enclosing = found["tube"]["outer_diameter_mm"]["value"], found["stone"]["enclosing_mm"]["value"]
    assert found["rim"]["centred_mm"]["value"] == pytest.approx((outer - enclosing) / 2, abs=2e-4)
    widths = found["rim"]["profile"]["width_mm"]
    assert min(widths) >= found["rim"]["smallest_mm"]["value"] - 1e-3
    assert out.stat().st_size > 10_000
    again = json.loads(run(capsys, "archive", "remeasure", "1", "--again", "--json"))["remeasured"][0]
    assert again["after"] is not None
    assert '"shape": "auto"' in run(capsys, "archive", "show", "1", "--json")


def test_wrong_calls() -> None:
    with pytest.raises(ValueError, match="no shape that is known"):
        read_inputs("rim", {"shape": "heart"})
    assert read_inputs("rim", {"shape": "round"}).shape is None
