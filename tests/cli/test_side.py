"""`rimsight side` on the committed photographs, and on to the plan and the weight."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from rimsight.cli.app import main
from rimsight.cli.measure_inputs import read_inputs
from tests.bench.side import Outcome, judge
from tests.synthetic import Scene, look, render

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "photos" / "side"
NAMES = sorted(path.stem for path in PHOTOS.glob("*.json"))


@pytest.fixture(autouse=True)
def _no_records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))


@cache
def outcome(name: str) -> Outcome:
    return judge(PHOTOS / f"{name}.json")


def call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    with pytest.raises(SystemExit) as ended:
        main(list(words))
    return int(ended.value.code or 0), capsys.readouterr().out


def lines_of(name: str) -> str:
    card = json.loads((PHOTOS / f"{name}.json").read_text(encoding="utf-8"))["card"]
    return f"{card['across_mm']:.1f} {card['down_mm']:.1f}"


def photo_of(name: str) -> str:
    return str(PHOTOS / json.loads((PHOTOS / f"{name}.json").read_text(encoding="utf-8"))["photo"])


@pytest.mark.parametrize("name", NAMES)
def test_committed_photograph_is_read(name: str) -> None:
    """Height and girdle, length and outside lie within what is stated; `tests.bench.side` prints the table."""
    found = outcome(name)
    assert not found.refusal
    wanted = ("height", "girdle diameter", "tube length", "tube outside")
    main_figures = [figure for figure in wanted if figure in found.figures]
    assert len(main_figures) == 2
    for figure in main_figures:
        true, value, u95 = found.figures[figure]
        assert abs(value - true) < 1.5 * u95, figure
        assert abs(value - true) < 0.1, figure


def test_most_stated_intervals_hold_the_truth() -> None:
    inside = [abs(value - true) <= u95 for name in NAMES for true, value, u95 in outcome(name).figures.values()]
    assert len(inside) >= 40
    assert sum(inside) >= 0.88 * len(inside)


def stone_name() -> str:
    return next(name for name in NAMES if outcome(name).truth["of"] == "stone")


def test_plan_and_weight_take_the_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = stone_name()
    code, out = call(capsys, "side", photo_of(name), "--check-lines", lines_of(name), "--json")
    assert code == 0
    result: dict[str, Any] = json.loads(out)
    assert result["schema"] == "rimsight/1"
    assert result["kind"] == "side"
    stone = result["stone"]
    for member in ("height_mm", "diameter_mm", "crown_height_mm", "pavilion_depth_mm", "girdle_thickness_mm"):
        assert set(stone[member]) == {"value", "u95", "budget"}
    parts = sum(stone[member]["value"] for member in ("crown_height_mm", "girdle_thickness_mm", "pavilion_depth_mm"))
    assert parts == pytest.approx(stone["height_mm"]["value"], abs=1e-3)
    saved = tmp_path / "side.json"
    saved.write_text(out, encoding="utf-8")
    code, out = call(capsys, "weight", "--from", str(saved), "--kind", "garnet", "--json")
    assert code == 0
    weighed = json.loads(out)
    assert weighed["stone"]["height_mm"]["value"] == pytest.approx(stone["height_mm"]["value"], abs=1e-3)
    outer = stone["diameter_mm"]["value"] + 0.9
    code, out = call(
        capsys, "plan", "--from", str(saved), "--od", f"{outer:.2f}", "--wall", "0.7", "--metal", "silver", "--json"
    )
    assert code == 0
    plan = json.loads(out)
    assert plan["stone"]["height_mm"]["value"] == pytest.approx(stone["height_mm"]["value"], abs=1e-3)
    assert "height_mm" not in plan["stone"].get("not_measured", [])


def test_text_and_marked_photo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from PIL import Image

    name = stone_name()
    marked = tmp_path / "side.png"
    code, out = call(capsys, "side", photo_of(name), "--check-lines", lines_of(name), "--out", str(marked))
    assert code == 0
    assert "height, table to culet" in out
    assert "pavilion angle" in out
    with Image.open(marked) as picture:
        assert min(picture.size) > 600


def test_a_card_with_nothing_on_it_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from PIL import Image

    bare = tmp_path / "bare.png"
    Image.fromarray(render(look(), Scene())).save(bare)
    code, out = call(capsys, "side", str(bare), "--json")
    assert code == 3
    assert json.loads(out)["error"]["kind"] == "nothing_on_stage"


def test_wrong_calls_are_told() -> None:
    with pytest.raises(ValueError, match="neither stone nor tube"):
        read_inputs("side", {"of": "ring"})
    with pytest.raises(ValueError, match="no input of 'side'"):
        read_inputs("side", {"bore": "4"})
    assert read_inputs("side", {"of": "Tube", "in_front": "3,2"}).in_front_mm == pytest.approx(3.2)
