"""`rimsight stock`, as it is called. The drawer is invented; limits are common practice, no source."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

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


def run_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(*arguments, "--json") == 0
    record = json.loads(capsys.readouterr().out)
    assert record["schema"] == "rimsight/1"
    assert isinstance(record, dict)
    return record


@pytest.fixture
def drawer(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("stock", "import", str(files("rimsight.demo_photos").joinpath("drawer.csv"))) == 0
    capsys.readouterr()


def labels(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[str]:
    return [tube["label"] for tube in run_json(capsys, "stock", "list", *arguments)["tubes"]]


def test_add_and_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("stock", "add", "--od", "6,5", "--wall", "22ga", "--metal", "silver", "--length", "300") == 0
    assert "Kept T1: 6.5 mm outside, wall 0.6438 mm, silver, 300 mm left." in capsys.readouterr().out  # ASTM B258
    [tube] = run_json(capsys, "stock", "list")["tubes"]
    assert tube["outer_diameter_mm"] == {"value": 6.5, "u95": None}
    assert tube["bore_diameter_mm"]["value"] == pytest.approx(6.5 - 2 * 0.6438)
    assert tube["given"] == "wall"
    assert run("stock", "list") == 0
    assert "T1" in capsys.readouterr().out


def test_an_empty_list_says_how_to_begin(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("stock", "list") == 0
    assert "rimsight stock add --od" in capsys.readouterr().out
    assert run("stock", "find", "--stone", "6.1") == 0
    said = capsys.readouterr().out
    assert "0 tubes at hand" in said
    assert "Order a tube of 6.43 to 7.27 mm outside" in said


@pytest.mark.usefixtures("drawer")
def test_find_ranks_with_reasons(capsys: pytest.CaptureFixture[str]) -> None:
    """The worked case of the bench: A3 suits, the tubes of 5.0/4.1 and 6.0/5.1 are refused."""
    record = run_json(capsys, "stock", "find", "--stone", "6.12", "--height", "4.22", "--metal", "silver")
    ranked = {tube["label"]: tube for tube in record["ranked"]}
    assert next(iter(ranked)) == "A3"
    assert ranked["A3"]["verdict"] == "adequate"
    assert ranked["A3"]["rim"]["centred_mm"]["value"] == 0.19
    assert (ranked["A3"]["cut_length_mm"], ranked["A3"]["taken_from_tube_mm"]) == (5.0, 5.3)
    for refused in ("A1", "A2"):
        assert ranked[refused]["verdict"] == "too thin"
        assert "narrower than the stone" in ranked[refused]["reasons"][0]
    assert record["order"] is None
    assert record["own_setting"]["advisable"] is True
    assert run("stock", "find", "--stone", "6.12", "--height", "4.22", "--metal", "sterling") == 0
    text = capsys.readouterr().out
    assert "A3: Rim, centred 0.190 ± 0.016 mm (at least 0.15 mm)" in text
    assert "takes 5.3 mm off it" in " ".join(text.split())
    assert "Not sterling: B1, B2, C1" in text or "Not sterling: B2, B1, C1" in text
    assert max(len(line) for line in text.splitlines()) < 100


@pytest.mark.usefixtures("drawer")
def test_find_says_what_to_order(capsys: pytest.CaptureFixture[str]) -> None:
    record = run_json(capsys, "stock", "find", "--stone", "9.0", "--height", "5.6")
    assert all(tube["verdict"] == "too thin" for tube in record["ranked"])
    order = record["order"]
    assert 9.4 < order["outer_at_least_mm"] < order["outer_at_most_mm"] < 10.3
    assert order["length_mm"] == 6.3
    assert "Order a tube of 9.43" in order["sentence"]
    assert run("stock", "find", "--stone", "9.0") == 0
    text = capsys.readouterr().out
    assert "No tube at hand is sure to suit. Order a tube of 9.43 to 10.17 mm outside" in text
    assert "without the stone's height" in text


@pytest.mark.usefixtures("drawer")
def test_find_for_a_small_stone(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("stock", "find", "--stone", "1.6") == 0
    assert "hardly advisable for a stone of 1.6 mm" in capsys.readouterr().out


@pytest.mark.usefixtures("drawer")
def test_find_from_a_photo(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    result = own_home / "stone.json"
    result.write_text(json.dumps({
        "schema": "rimsight/1",
        "stone": {"diameter_mm": {"value": 6.121, "u95": 0.008, "budget": {"edge": 0.004}},
                  "height_mm": {"value": 4.22, "u95": 0.05, "budget": {}}},
    }))
    record = run_json(capsys, "stock", "find", "--from", str(result))
    assert record["stone"]["diameter_mm"]["value"] == 6.121
    assert record["ranked"][0]["label"] == "A3"


@pytest.mark.usefixtures("drawer")
def test_cut_takes_the_length_off_and_refuses_more(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("stock", "cut", "a3", "5,0", "--times", "2", "--note", "pair") == 0
    assert "10.6 mm taken off" in capsys.readouterr().out
    record = run_json(capsys, "stock", "cut", "C1", "18")
    assert (record["tube"]["length_left_mm"], record["taken_mm"]) == (0.2, 18.3)
    assert run("stock", "cut", "C1", "0.5") == 2
    assert "0.2 mm is left" in capsys.readouterr().err
    cuts = run_json(capsys, "stock", "cuts", "A3")["cuts"]
    assert [cut["left_mm"] for cut in cuts] == [314.7, 309.4]
    assert run("stock", "cuts") == 0
    assert "pair" in capsys.readouterr().out


@pytest.mark.usefixtures("drawer")
def test_the_kerf_is_a_house_rule(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    mine = own_home / "mine.toml"
    mine.write_text("[saw]\nkerf_mm = 0.5\n")
    record = run_json(capsys, "stock", "cut", "A3", "5", "--rules", str(mine))
    assert record["kerf_mm"] == 0.5
    assert record["taken_mm"] == 5.5


@pytest.mark.usefixtures("drawer")
def test_edit_and_remove(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("stock", "edit", "A4", "--bore", "none", "--wall", "24ga", "--length", "0", "--note", "none") == 0
    capsys.readouterr()
    [tube] = [tube for tube in run_json(capsys, "stock", "list")["tubes"] if tube["label"] == "A4"]
    assert tube["wall_mm"]["value"] == pytest.approx(0.5106)  # ASTM B258
    assert tube["length_left_mm"] == 0
    assert tube["note"] is None
    assert run("stock", "edit", "A4", "--label", "a1") == 2
    assert run("stock", "edit", "A4") == 2
    assert "say what is to change" in capsys.readouterr().err
    assert run("stock", "remove", "A1", "nothing") == 2
    assert "no tube 'nothing'" in capsys.readouterr().err
    assert run("stock", "remove", "A1", "A2") == 0
    capsys.readouterr()
    assert {"A1", "A2"}.isdisjoint(labels(capsys))


@pytest.mark.usefixtures("drawer")
def test_list_by_metal_under_any_of_its_names(capsys: pytest.CaptureFixture[str]) -> None:
    assert labels(capsys, "--metal", "gold") == ["B2", "B1"]
    assert labels(capsys, "--metal", "950") == []
    assert labels(capsys, "--metal", "pt950") == ["C1"]


@pytest.mark.usefixtures("drawer")
def test_export_and_import_again(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    before = run_json(capsys, "stock", "list")["tubes"]
    out = own_home / "stock.csv"
    assert run("stock", "export", "--out", str(out)) == 0
    assert run("stock", "export", "--out", str(out)) == 2
    assert "--force" in capsys.readouterr().err
    assert run("stock", "import", str(out)) == 2
    assert "line 2: there is a tube 'D1' on the list already" in capsys.readouterr().err
    assert run("stock", "import", str(out), "--replace") == 0
    capsys.readouterr()
    assert run_json(capsys, "stock", "list")["tubes"] == before
    assert run("stock", "export") == 0
    assert capsys.readouterr().out.startswith("label,outer_mm,bore_mm,wall_mm,")


def test_import_takes_all_or_nothing(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    sheet = own_home / "sheet.csv"
    sheet.write_text("label;od;wall\nA;6,5;0,6\nB;six;0,6\nC;5,0;3,0\n")
    assert run("stock", "import", str(sheet)) == 2
    said = capsys.readouterr().err
    assert "line 3: outer: 'six' is not a length" in said
    assert "line 4: two walls of 3 mm leave no bore" in said
    assert labels(capsys) == []
    sheet.write_text("label;od;wall;price\nA;6,5;0,6;12\n")
    assert run("stock", "import", str(sheet), "--check") == 0
    assert "in order: 1 tube" in capsys.readouterr().out
    assert labels(capsys) == []
    record = run_json(capsys, "stock", "import", str(sheet))
    assert record["ignored_columns"] == ["price"]
    assert labels(capsys) == ["A"]


def test_add_from_a_photo_keeps_the_uncertainty(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    result = own_home / "tube.json"
    result.write_text(json.dumps({
        "schema": "rimsight/1",
        "tube": {"outer_diameter_mm": {"value": 6.503, "u95": 0.01, "budget": {"scale": 0.0051}},
                 "bore_diameter_mm": {"value": 5.236, "u95": 0.02, "budget": {"scale": 0.0102}},
                 "wall_mm": {"value": 0.6335, "u95": 0.02, "budget": {}}},
    }))
    record = run_json(capsys, "stock", "add", "--from", str(result), "--metal", "silver", "--label", "P1")
    tube = record["tube"]
    assert tube["outer_diameter_mm"] == {"value": 6.503, "u95": 0.01}
    assert tube["bore_diameter_mm"] == {"value": 5.236, "u95": 0.02}
    found = run_json(capsys, "stock", "find", "--stone", "6.12", "--u-stone", "0.001")["ranked"][0]
    assert found["rim"]["centred_mm"]["u95"] == pytest.approx(0.005, abs=2e-4)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["stock", "add", "--wall", "0.6"], "outer diameter is missing"),
        (["stock", "add", "--od", "6.5", "--bore", "5", "--wall", "0.6"], "not both"),
        (["stock", "add", "--od", "65,0,0"], "--od: '65,0,0' is not a length"),
        (["stock", "add", "--od", "6.5", "--bore", "7"], "smaller than the tube"),
        (["stock", "add", "--od", "6.5", "--wall", "99ga"], "wire gauges"),
        (["stock", "cut", "A3", "5"], "the list is empty"),
        (["stock", "cut", "A3", "five"], "is not a length"),
        (["stock", "find"], "diameter is missing"),
        (["stock", "find", "--stone", "6.1", "--back", "half"], "neither open nor closed"),
        (["stock", "import", "/nowhere/drawer.csv"], "/nowhere/drawer.csv"),
    ],
)
def test_wrong_calls(capsys: pytest.CaptureFixture[str], arguments: list[str], message: str) -> None:
    assert run(*arguments) == 2
    said = capsys.readouterr()
    assert message in said.err
    assert "Traceback" not in said.err
    assert run(*arguments, "--json") == 2
    assert message in json.loads(capsys.readouterr().out)["error"]["found"]


def test_a_damaged_list_is_nobodys_wrong_call(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    (own_home / "home").mkdir()
    (own_home / "home" / "stock.db").write_text("no database at all " * 100)
    assert run("stock", "list") == 4
    assert "damaged" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["add", "list", "find", "edit", "remove", "cut", "cuts", "import", "export"])
def test_every_help_has_an_example(capsys: pytest.CaptureFixture[str], command: str) -> None:
    assert run("stock", command, "--help") == 0
    text = capsys.readouterr().out
    assert f"Example: rimsight stock {command}" in text
    assert "--json" in text
