"""`rimsight fit`, as it is called: text, JSON, exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rimsight.cli.app import main

WORKED = ["fit", "--stone", "6.12", "--height", "4.22", "--od", "6.5", "--wall", "0.635", "--metal", "silver"]


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    return int(left.value.code or 0)


def run_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(*arguments, "--json") == 0
    record = json.loads(capsys.readouterr().out)
    assert isinstance(record, dict)
    return record


def test_worked_case(capsys: pytest.CaptureFixture[str]) -> None:
    """6.12 mm stone, 4.22 mm high, on a 6.5 mm tube of 0.635 mm wall (common practice, no source)."""
    assert run(*WORKED) == 0
    text = capsys.readouterr().out
    assert "Verdict: adequate\n" in text
    assert "0.190 ± 0.016 mm" in text
    assert "at least 0.15 mm" in text
    assert "Cut 5 mm of tube" in text
    assert "bur of 6 mm" in text
    assert "no published source" in text
    assert "\x1b[" not in text  # a verdict is a word, not a colour
    assert max(len(line) for line in text.splitlines()) < 100


@pytest.mark.parametrize(("od", "bore"), [("5.0", "4.1"), ("6.0", "5.1")])
def test_too_thin_is_an_answer_not_a_failure(capsys: pytest.CaptureFixture[str], od: str, bore: str) -> None:
    assert run("fit", "--stone", "6.12", "--od", od, "--bore", bore) == 0
    text = capsys.readouterr().out
    assert "Verdict: too thin" in text
    assert "Because:" in text
    assert "Look for a tube" in text


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    record = run_json(capsys, *WORKED)
    assert record["schema"] == "rimsight/1"
    assert record["verdict"] == "adequate"
    assert record["stone"]["diameter_mm"]["value"] == 6.12
    assert record["stone"]["diameter_mm"]["budget"] == {"stone": 0.0115}  # DIN 862: 0.02/sqrt(3)
    assert record["tube"]["wall_mm"]["value"] == 0.635
    assert record["rim"]["centred_mm"]["value"] == 0.19
    assert record["advice"]["cut_length_mm"] == 5.0


def test_ways_of_typing_agree(capsys: pytest.CaptureFixture[str]) -> None:
    point = run_json(capsys, "fit", "--stone", "6.12", "--od", "6.35", "--bore", "5.2")
    other = run_json(capsys, "fit", "--stone", "6,12 mm", "--od", "1/4in", "--bore", "5,20")
    assert point == other
    gauge = run_json(capsys, "fit", "--stone", "6.12", "--od", "6.5", "--wall", "22ga")
    assert gauge["tube"]["wall_mm"]["value"] == 0.6438  # ASTM B258


def test_typed_uncertainty_counts(capsys: pytest.CaptureFixture[str]) -> None:
    close = run_json(capsys, "fit", "--stone", "6.12", "--od", "6.44")
    assert close["verdict"] == "too close to call"
    sure = run_json(capsys, "fit", "--stone", "6.12", "--od", "6.44", "--u-stone", "0.004", "--u-od", "0,004")
    assert sure["verdict"] == "adequate"
    assert sure["stone"]["diameter_mm"]["u95"] == 0.004


def test_length_and_seat(capsys: pytest.CaptureFixture[str]) -> None:
    record = run_json(capsys, *WORKED, "--length", "4.4", "--seat-depth", "0.6", "--girdle", "0.2")
    words = {check["name"]: check["verdict"] for check in record["checks"]}
    assert words["tube_length"] == "too short"
    assert words["metal_above_girdle"] == "adequate"
    assert record["verdict"] == "too thin"


def test_rules_file(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    mine = own_home / "mine.toml"
    mine.write_text("[rim]\nat_least_mm = 0.3\n", encoding="utf-8")
    record = run_json(capsys, *WORKED, "--rules", str(mine))
    assert record["verdict"] == "too thin"
    assert record["checks"][0]["rule_from"] == "mine.toml line 2"
    assert run(*WORKED, "--rules", str(mine)) == 0
    assert "Limits: mine.toml; built-in" in capsys.readouterr().out


def test_own_caliper_changes_the_uncertainty(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    home = own_home / "home"
    home.mkdir()
    (home / "rules.toml").write_text("[caliper]\noutside_mm = 0.004\n", encoding="utf-8")
    assert run_json(capsys, *WORKED)["rim"]["centred_mm"]["u95"] == 0.0032


def test_small_bore_by_caliper_is_warned_of(capsys: pytest.CaptureFixture[str]) -> None:
    record = run_json(capsys, "fit", "--stone", "2.5", "--od", "3", "--bore", "2")
    assert any("flat jaws" in warning and "0.02 mm" in warning for warning in record["warnings"])
    pinned = run_json(capsys, "fit", "--stone", "2.5", "--od", "3", "--bore", "2", "--u-bore", "0.01")
    assert not any("flat jaws" in warning for warning in pinned["warnings"])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["fit", "--stone", "six", "--od", "6.5"], "--stone: 'six' is not a length"),
        (["fit", "--stone", "6.1", "--od", "0"], "--od: '0' is zero"),
        (["fit", "--stone", "6.1", "--od", "1.234,5"], "--od: '1.234,5' is not a length"),
        (["fit", "--stone", "612", "--od", "6.5"], "between 0.1 and 100 mm"),
        (["fit", "--stone", "6.1", "--od", "6.5", "--bore", "5", "--wall", "0.6"], "not both"),
        (["fit", "--stone", "6.1", "--od", "5", "--bore", "6"], "mixed up"),
        (["fit", "--stone", "6.1", "--od", "6.5", "--u-bore", "0.1"], "--bore is not given"),
        (["fit", "--stone", "6.1", "--od", "6.5", "--u-od", "-1"], "--u-od: '-1' is negative"),
        (["fit", "--stone", "6.1", "--od", "6.5", "--rules", "/nowhere/rules.toml"], "/nowhere/rules.toml"),
    ],
)
def test_wrong_calls(capsys: pytest.CaptureFixture[str], arguments: list[str], message: str) -> None:
    assert run(*arguments) == 2
    said = capsys.readouterr()
    assert message in said.err
    assert "Traceback" not in said.err
    assert said.out == ""
    # and the same for machines
    assert run(*arguments, "--json") == 2
    record = json.loads(capsys.readouterr().out)
    assert record["error"]["kind"]
    assert message in record["error"]["found"]


def test_broken_rules_name_the_line(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    home = own_home / "home"
    home.mkdir()
    (home / "rules.toml").write_text("[rim]\nat_least_mm = 'thin'\n", encoding="utf-8")
    assert run(*WORKED) == 2
    assert "rules.toml line 2: rim.at_least_mm must be a length between 0 and 5" in capsys.readouterr().err


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("fit", "--help") == 0
    assert "Example: rimsight fit" in capsys.readouterr().out
