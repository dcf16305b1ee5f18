"""`rimsight weight`, as it is called."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rimsight.cli.app import main


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    return int(left.value.code or 0)


@pytest.mark.parametrize(
    ("arguments", "carat"),
    # worked examples of the trade, no standard; the second rounds the mean diameter up to 7.10
    [(["--smallest", "6.05", "--largest", "6.11", "--height", "3.63"], 0.8185),
     (["--diameter", "7.10", "--height", "4.47"], 1.374),
     (["--smallest", "6.05", "--largest", "6.11", "--height", "3.63", "--girdle", "Slightly thick"], 0.8349)],
)
def test_published_examples(capsys: pytest.CaptureFixture[str], arguments: list[str], carat: float) -> None:
    assert run("weight", *arguments, "--json") == 0
    record = json.loads(capsys.readouterr().out)
    assert record["weight"]["carat"]["value"] == pytest.approx(carat, abs=6e-4)
    assert record["weight"]["gram"]["value"] == pytest.approx(carat / 5, abs=2e-4)
    assert record["weight"]["carat"]["u95"] == pytest.approx(0.05 * carat, rel=0.05)


def test_text_names_formula_and_source(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("weight", "--smallest", "6.05", "--largest", "6.11", "--height", "3,63") == 0
    text = capsys.readouterr().out
    assert "diamond, 6.05 - 6.11 x 3.63 mm: about 0.819 ± 0.041 ct" in text
    assert "d² × h × 0.0061" in text
    assert "no standard" in text
    assert run("weight", "--diameter", "6.0", "--height", "3.9", "--kind", "sapphire") == 0
    text = capsys.readouterr().out
    assert "3.97 to 4.03" in text  # published table of specific gravities
    assert "0.0061" not in text


def test_only_when_both_are_known(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    assert run("weight", "--diameter", "6.1") == 2
    assert "needs the height too" in capsys.readouterr().err
    assert run("weight", "--height", "3.6") == 2
    assert "--diameter 6.12" in capsys.readouterr().err
    photo = own_home / "top.json"
    photo.write_text('{"stone": {"diameter_mm": {"value": 6.08, "u95": 0.01, "budget": {"edge": 0.005}}}}')
    assert run("weight", "--from", str(photo), "--height", "3.63") == 0
    assert "about 0.819" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--diameter", "6", "--height", "3.6", "--kind", "kryptonite"], "known are"),
        (["--diameter", "6", "--height", "3.6", "--gravity", "40"], "between 0.5 and 10"),
        (["--diameter", "6", "--height", "3.6", "--kind", "ruby", "--girdle", "thick"], "diamond's formula only"),
        (["--diameter", "3.6", "--height", "6"], "mixed up"),
        (["--diameter", "6", "--height", "3.6", "--u-height", "-1"], "is negative"),
        (["--height", "3.6", "--u-diameter", "0.1"], "--u-diameter says how good --diameter is"),
    ],
)
def test_wrong_calls(capsys: pytest.CaptureFixture[str], arguments: list[str], message: str) -> None:
    assert run("weight", *arguments) == 2
    assert message in capsys.readouterr().err


def test_typed_gravity(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("weight", "--diameter", "6", "--height", "3.6", "--kind", "glass", "--gravity", "2,5", "--json") == 0
    weight = json.loads(capsys.readouterr().out)["weight"]
    assert weight["carat"]["value"] == pytest.approx(36 * 3.6 * 2.5 * 0.0018, abs=1e-4)
    assert weight["kind"] == "glass"


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("weight", "--help") == 0
    assert "Example: rimsight weight" in capsys.readouterr().out
