"""`rimsight rules`: where the house rules are, writing them, checking them, what is in force."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rimsight.cli.app import main
from rimsight.fit.rule_file import RULES
from rimsight.fit.rules import default_text


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "new" / "home"))
    return tmp_path / "new" / "home"


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    return int(left.value.code or 0)


def run_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(*arguments, "--json") == 0
    record = json.loads(capsys.readouterr().out)
    assert isinstance(record, dict)
    assert record["schema"] == "rimsight/1"
    return record


def test_where_before_and_after(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    assert run("rules") == 0
    assert f"would be in {home / 'rules.toml'}" in capsys.readouterr().out
    assert not home.exists()  # asking writes nothing
    assert run("rules", "write") == 0
    capsys.readouterr()
    assert run("rules") == 0
    assert f"Your house rules: {home / 'rules.toml'}" in capsys.readouterr().out
    record = run_json(capsys, "rules")
    assert record["exists"] is True
    assert record["valid"] is True
    assert "platinum" in record["metals"]


def test_where_tells_of_a_broken_file(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    home.mkdir(parents=True)
    (home / "rules.toml").write_text("[rim]\nat_least_mm = 'thin'\n", encoding="utf-8")
    record = run_json(capsys, "rules")
    assert record["valid"] is False
    assert record["problems"] == ["rules.toml line 2: rim.at_least_mm must be a length between 0 and 5, found 'thin'"]
    assert run("rules") == 0
    assert "put right" in capsys.readouterr().out


def test_write_puts_the_built_in_rules_there(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    assert run("rules", "write") == 0
    assert (home / "rules.toml").read_text(encoding="utf-8") == default_text()
    assert run("rules", "check") == 0
    assert "in order" in capsys.readouterr().out


def test_write_keeps_what_is_there(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    home.mkdir(parents=True)
    mine = home / "rules.toml"
    mine.write_text("[rim]\nat_least_mm = 0.3\n", encoding="utf-8")
    assert run("rules", "write") == 2
    assert "--force" in capsys.readouterr().err
    assert mine.read_text(encoding="utf-8") == "[rim]\nat_least_mm = 0.3\n"
    record = run_json(capsys, "rules", "write", "--force")
    assert mine.read_text(encoding="utf-8") == default_text()
    assert Path(record["kept"]).read_text(encoding="utf-8") == "[rim]\nat_least_mm = 0.3\n"


def test_check_a_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("[rim]\nat_least_mm = 0.3\n", encoding="utf-8")
    assert run("rules", "check", str(file)) == 0
    assert "1 value set" in capsys.readouterr().out
    file.write_text("[rim]\nat_least_mm = 0,3\n", encoding="utf-8")
    assert run("rules", "check", str(file)) == 2
    assert "mine.toml line 2: not valid TOML" in capsys.readouterr().err
    file.write_text("[rim]\nat_least_mm = 'a'\nat_most_mm = 'b'\n", encoding="utf-8")
    assert run("rules", "check", str(file), "--json") == 2
    found = json.loads(capsys.readouterr().out)["error"]["found"]
    assert "mine.toml line 2" in found
    assert "mine.toml line 3" in found


def test_check_without_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "check") == 2
    assert "rimsight rules write" in capsys.readouterr().err


def test_show_says_where_each_comes_from(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    home.mkdir(parents=True)
    (home / "rules.toml").write_text("[rim]\nat_least_mm = 0.3\n", encoding="utf-8")
    record = run_json(capsys, "rules", "show")
    assert set(record["rules"]) == set(RULES)
    assert record["rules"]["rim.at_least_mm"] == {"value": 0.3, "from": "rules.toml line 2"}
    assert record["rules"]["ledge.at_least_mm"]["value"] == {"below 3": 0.15, "otherwise": 0.25}
    assert "no published source" in record["rules"]["ledge.at_least_mm"]["from"]
    assert record["rules"]["caliper.inside_mm"]["from"] == "built-in, DIN 862"
    assert run("rules", "show") == 0
    text = capsys.readouterr().out
    for key, rule in RULES.items():
        assert f"{key} = " in text
        assert rule.meaning in text


def test_show_for_one_stone_and_metal(capsys: pytest.CaptureFixture[str]) -> None:
    record = run_json(capsys, "rules", "show", "--stone", "6,1", "--metal", "PT")
    assert record["metal"] == "platinum"
    assert record["stone_mm"] == 6.1
    assert record["rules"]["rim.at_least_mm"]["value"] == 0.13
    assert run("rules", "show", "--metal", "unobtainium") == 2
    assert "platinum" in capsys.readouterr().err


@pytest.mark.parametrize("command", [[], ["write"], ["check"], ["show"]])
def test_help_has_an_example(capsys: pytest.CaptureFixture[str], command: list[str]) -> None:
    assert run("rules", *command, "--help") == 0
    assert "Example: rimsight rules" in capsys.readouterr().out


def test_json_in_the_wrong_place_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "--json", "show") == 2
    assert "after 'show'" in json.loads(capsys.readouterr().out)["error"]["found"]
