"""What the other commands do with the JSON of a stone that isn't round."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rimsight.cli.app import main

#: A square of 4 mm, as `stone --shape --json` prints it, and its height from a photo from the side.
SQUARE = {
    "schema": "rimsight/1",
    "stone": {
        "diameter_mm": None, "smallest_mm": None, "largest_mm": None,
        "length_mm": {"value": 4.0, "u95": 0.03, "budget": {"edge": 0.015}},
        "width_mm": {"value": 4.0, "u95": 0.03, "budget": {"edge": 0.015}},
        "enclosing_mm": {"value": 5.657, "u95": 0.04, "budget": {"edge": 0.02}},
        "inner_mm": {"value": 4.0, "u95": 0.03, "budget": {"edge": 0.015}},
        "height_mm": {"value": 2.6, "u95": 0.03, "budget": {"edge": 0.015}},
        "shape": {"name": "square", "maybe": [], "in_words": "square", "evidence": []},
    },
}  # fmt: skip


@pytest.fixture
def square(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    path = tmp_path / "square.json"
    path.write_text(json.dumps(SQUARE), encoding="utf-8")
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    said = capsys.readouterr()
    assert int(left.value.code or 0) == code, said
    return said.out + said.err


def test_stock_find_takes_the_circle_round_it_and_the_one_inside(
    square: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(capsys, "stock", "add", "--label", "wide", "--od", "6.4", "--bore", "3.2", "--metal", "silver")
    run(capsys, "stock", "add", "--label", "thin", "--od", "6.4", "--bore", "4.6", "--metal", "silver")
    found = json.loads(run(capsys, "stock", "find", "--from", square, "--json"))
    verdicts = {one["label"]: one["verdict"] for one in found["ranked"]}
    assert verdicts == {"wide": "adequate", "thin": "too thin"}
    assert found["ranked"][0]["rim"]["centred_mm"]["value"] == pytest.approx((6.4 - 5.657) / 2, abs=1e-3)
    assert "not round" in run(capsys, "stock", "find", "--from", square)


def test_plan_and_weight_say_what_can_be_done(square: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = run(capsys, "plan", "--from", square, "--od", "6.4", "--bore", "3.2", code=2)
    assert "round stones" in told
    assert "rimsight stock find" in told
    told = run(capsys, "weight", "--from", square, "--kind", "ruby", code=2)
    assert "round stones only" in told


def test_fit_takes_both_circles(square: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(run(capsys, "fit", "--stone", "5.657", "--inner", "4", "--od", "6.4", "--bore", "4.6", "--json"))
    assert found["verdict"] == "too thin"
    run(capsys, "fit", "--stone", "4", "--inner", "4.5", "--od", "6.4", code=2)
