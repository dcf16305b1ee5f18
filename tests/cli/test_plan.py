"""`rimsight plan`, as it is called: text, JSON, pages, exit codes. Limits are common practice, no source."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from rimsight.cli.app import main

WORKED = ["plan", "--stone", "6.12", "--height", "4.22", "--od", "6.5", "--wall", "0.635", "--metal", "silver"]
STONE = ["plan", "--stone", "6.12", "--height", "4.22"]


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


def written(path: Path, **members: Any) -> str:
    path.write_text(json.dumps({"schema": "rimsight/1", **members}))
    return str(path)


def quantity(value: float, u95: float) -> dict[str, Any]:
    return {"value": value, "u95": u95, "budget": {"edge": u95 / 1.96}}


def test_worked_case(capsys: pytest.CaptureFixture[str]) -> None:
    """6.12 mm stone, 4.22 mm high, on a 6.5 mm tube of 0.635 mm wall (common practice, no source)."""
    assert run(*WORKED) == 0
    text = capsys.readouterr().out
    for part in ("Stone 6.12 x 4.22 mm, on tube 6.5 mm, wall 0.635 mm, silver", "Verdict: adequate",
                 "0.190 ± 0.016 mm", "takes 5.3 mm off the tube", "setting bur of 6 mm", "Otherwise:",
                 "0.61 mm below the end", "no published source", "Not measured, taken from usual proportions"):
        assert part in text, part
    assert text.count("A punch must clear the table") == 1
    assert max(len(line) for line in text.splitlines()) < 100
    assert "\x1b[" not in text


@pytest.mark.parametrize(("od", "bore"), [("5.0", "4.1"), ("6.0", "5.1")])
def test_a_tube_that_is_too_small_is_an_answer(
    capsys: pytest.CaptureFixture[str], own_home: Path, od: str, bore: str
) -> None:
    assert run(*STONE, "--od", od, "--bore", bore) == 0
    text = capsys.readouterr().out
    assert "Verdict: too thin" in text
    assert "There is no plan for this tube" in text
    assert "Look for a tube" in text
    record = run_json(capsys, *STONE, "--od", od, "--bore", bore)
    assert record["verdict"] == "too thin"
    assert record["plan"] is None
    # but a page that was asked for and can't be made is a failure
    assert run(*STONE, "--od", od, "--bore", bore, "--out", str(own_home / "x.pdf")) == 2
    assert not (own_home / "x.pdf").exists()


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    record = run_json(capsys, *WORKED)
    assert record["schema"] == "rimsight/1"
    assert record["verdict"] == "adequate"
    assert record["rim"]["centred_mm"]["value"] == 0.19
    plan = record["plan"]
    assert (plan["cut_length_mm"], plan["setting_bur_mm"], plan["bezel_punch_mm"]) == (5.0, 6.0, 7.0)
    assert [step["name"] for step in plan["steps"]] == ["Cut", "Bur", "Seat", "Solder", "Close"]
    assert record["files"] == []


def test_pages(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    names = [own_home / f"plan.{kind}" for kind in ("pdf", "png", "json")]
    outs = [part for name in names for part in ("--out", str(name))]
    assert run(*WORKED, *outs, "--paper", "letter", "--dpi", "150", "--job", "Pendant 214") == 0
    assert f"Wrote {names[0]}." in capsys.readouterr().out
    assert names[0].read_bytes().startswith(b"%PDF")
    with Image.open(names[1]) as image:
        assert image.info["dpi"] == pytest.approx((150, 150), abs=0.1)
        assert image.size == (round(215.9 / 25.4 * 150), round(279.4 / 25.4 * 150))  # ANSI/ASME Y14.1 A
    assert json.loads(names[2].read_text())["plan"]["cut_length_mm"] == 5.0
    before = names[0].read_bytes()
    assert run(*WORKED, *outs) == 2
    assert "--force" in capsys.readouterr().err
    assert run(*WORKED, "--out", str(names[0]), "--force") == 0
    assert names[0].read_bytes() != before


def test_from_photos(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    """Diameter from above, height from the side, the tube from its end."""
    top = written(own_home / "top.json", stone={"diameter_mm": quantity(6.121, 0.006),
                                                "smallest_mm": quantity(6.09, 0.01),
                                                "largest_mm": quantity(6.15, 0.01)})
    side = written(own_home / "side.json", stone={"height_mm": quantity(4.218, 0.03),
                                                  "diameter_mm": quantity(6.118, 0.04),
                                                  "crown_height_mm": quantity(1.0, 0.04),
                                                  "girdle_thickness_mm": quantity(0.2, 0.03),
                                                  "pavilion_angle_deg": None})
    tube = written(own_home / "tube.json", tube={"outer_diameter_mm": quantity(6.502, 0.008),
                                                 "bore_diameter_mm": quantity(5.231, 0.02), "metal": "silver"})
    record = run_json(capsys, "plan", "--from", top, "--from", side, "--from", tube)
    stone = record["stone"]
    assert stone["diameter_mm"]["value"] == 6.121  # the surer of two
    assert stone["written"] == "6.09 - 6.15 x 4.22 mm"  # ISO 24016:2020: smallest - largest x height
    assert stone["crown_height_mm"]["value"] == 1.0
    assert stone["assumed"] == ["table_mm"]
    assert record["tube"]["metal"] == "silver"
    assert record["plan"]["cut_length_mm"] == 5.0
    assert not record["warnings"]
    # what is typed goes before what was photographed
    typed = run_json(capsys, "plan", "--from", top, "--from", side, "--from", tube, "--stone", "6.13", "--wall", "0.6")
    assert typed["stone"]["diameter_mm"]["value"] == 6.13
    assert typed["stone"]["written"] == "6.13 x 4.22 mm"
    assert typed["tube"]["wall_mm"]["value"] == 0.6


def test_photos_that_contradict_each_other_are_told(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    one = written(own_home / "one.json", stone={"diameter_mm": quantity(6.12, 0.01), "height_mm": quantity(4.2, 0.03)})
    two = written(own_home / "two.json", stone={"diameter_mm": quantity(6.20, 0.02)})
    record = run_json(capsys, "plan", "--from", one, "--from", two, "--od", "6.5", "--wall", "0.635")
    assert "two.json gives 6.200 ± 0.020 mm for the diameter" in record["warnings"][0]
    assert record["stone"]["diameter_mm"]["value"] == 6.12


def test_the_rim_of_one_photo_keeps_its_uncertainty(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    """A scale error of 0.02 mm in both diameters cancels in the rim that the photo states."""
    photo = written(
        own_home / "set.json",
        stone={"diameter_mm": quantity(6.12, 0.04), "height_mm": quantity(4.22, 0.03)},
        tube={"outer_diameter_mm": quantity(6.46, 0.04), "bore_diameter_mm": quantity(5.2, 0.04)},
        rim={"centred_mm": quantity(0.17, 0.008)},
    )
    record = run_json(capsys, "plan", "--from", photo)
    rim = record["rim"]["centred_mm"]
    assert (rim["value"], rim["u95"]) == pytest.approx((0.17, 0.008))
    assert record["verdict"] == "adequate"


def test_a_plan_can_be_planned_again(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    """What was assumed in one plan is not taken for a reading by the next."""
    first = own_home / "plan.json"
    assert run(*WORKED, "--out", str(first)) == 0
    capsys.readouterr()
    again = run_json(capsys, "plan", "--from", str(first))
    assert set(again["stone"]["assumed"]) == {"girdle_thickness_mm", "table_mm", "crown_height_mm"}
    assert "pavilion_depth_mm" in again["stone"]["not_measured"]
    assert again["plan"]["seat_depth_mm"] == 0.61


def test_tube_of_the_stock(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("stock", "import", str(files("rimsight.demo_photos").joinpath("drawer.csv"))) == 0
    capsys.readouterr()
    best = run_json(capsys, *STONE, "--stock", "--metal", "silver")
    assert best["tube"]["label"] == "A3"
    assert best["plan"]["taken_from_tube_mm"] == 5.3
    assert run(*STONE, "--tube", "a3") == 0
    text = capsys.readouterr().out
    assert "on tube A3" in text
    assert "When it is cut: rimsight stock cut A3 5" in text
    none = run_json(capsys, "plan", "--stone", "6.12", "--height", "4.22", "--stock", "--metal", "gold")
    assert "No tube at hand is sure to suit; B1 comes nearest." in none["warnings"][0]
    assert none["verdict"] == "too thin"
    assert run(*STONE, "--stock", "--metal", "titanium") == 2
    assert "no tube to choose from. Not titanium" in capsys.readouterr().err


def test_parts_of_the_stone_may_be_typed(capsys: pytest.CaptureFixture[str]) -> None:
    """Table 57 % and crown angle 34.5 deg give a crown of 0.43 D tan 34.5 / 2 (plane geometry)."""
    record = run_json(capsys, *WORKED, "--table", "57%", "--crown-angle", "34,5°", "--girdle", "0.2")
    assert record["stone"]["crown_height_mm"]["value"] == pytest.approx(6.12 * 0.43 / 2 * 0.68728, abs=1e-3)
    assert record["stone"]["assumed"] == []
    out_of_round = run_json(capsys, "plan", "--smallest", "6.05", "--largest", "6.11", "--height", "3.63",
                            "--od", "6.5", "--wall", "0.6")
    assert out_of_round["stone"]["written"] == "6.05 - 6.11 x 3.63 mm"
    assert out_of_round["stone"]["diameter_mm"]["value"] == pytest.approx(6.08)


def test_closed_back_and_own_rules(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    closed = run_json(capsys, "plan", "--stone", "6.12", "--height", "4.25", "--od", "6.5", "--wall", "0.635",
                      "--back", "closed")
    assert closed["plan"]["back"] == "closed"
    assert closed["plan"]["cut_length_mm"] == 4.5
    mine = own_home / "mine.toml"
    mine.write_text("[rim]\nat_least_mm = 0.3\n")
    strict = run_json(capsys, *WORKED, "--rules", str(mine))
    assert strict["verdict"] == "too thin"
    assert strict["plan"]["cut_length_mm"] == 5.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["plan", "--stone", "6.12", "--od", "6.5", "--wall", "0.6"], "height is missing"),
        (["plan", "--height", "4", "--od", "6.5", "--wall", "0.6"], "diameter is missing"),
        (STONE, "which tube?"),
        ([*STONE, "--od", "6.5"], "bore is missing"),
        ([*STONE, "--wall", "0.6"], "outer diameter is missing"),
        ([*STONE, "--stock"], "no tube to choose from. Order a tube of 6.45"),
        ([*STONE, "--tube", "A3"], "the list is empty"),
        ([*STONE, "--tube", "A3", "--od", "6.5"], "contradict each other"),
        ([*WORKED, "--back", "half"], "neither open nor closed"),
        ([*WORKED, "--out", "plan.doc"], ".pdf, .png or .json"),
        ([*WORKED, "--out", "plan.pdf", "--paper", "a5"], "there are: a4, letter"),
        ([*WORKED, "--out", "plan.png", "--dpi", "5"], "100 to 600"),
        ([*WORKED, "--out", "/nowhere/plan.pdf"], "/nowhere"),
        ([*WORKED, "--table", "120%"], "below 100 percent"),
        ([*WORKED, "--smallest", "6.0"], "belong together"),
        ([*WORKED, "--smallest", "6.0", "--largest", "6.1"], "not both"),
        ([*WORKED, "--girdle", "5"], "smaller than the stone's height"),
        ([*WORKED, "--crown-angle", "89"], "outside 5 to 85"),
        (["plan", "--smallest", "6.2", "--largest", "6.1", "--height", "4"], "larger than"),
    ],
)
def test_wrong_calls(capsys: pytest.CaptureFixture[str], arguments: list[str], message: str) -> None:
    assert run(*arguments) == 2
    said = capsys.readouterr()
    assert message in said.err
    assert "Traceback" not in said.err
    assert said.out == ""


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("no json", "no JSON"),
        ("[1, 2]", "holds a list"),
        ('{"schema": "rimsight/1"}', "no figures of a stone or a tube"),
        ('{"error": {"kind": "no_square", "found": "no square"}}', "that measurement failed (no square)"),
        ('{"stones": [{}, {}]}', "holds 2 stones"),
        ('{"stone": {"diameter_mm": {"value": "six"}}}', "needs a number under 'value'"),
        ('{"stone": {"diameter_mm": {"value": 6.1, "u95": -1}}}', "not negative"),
        ('{"stone": {"diameter_mm": true}}', "needs a number"),
    ],
)
def test_files_that_are_no_result(
    capsys: pytest.CaptureFixture[str], own_home: Path, text: str, message: str
) -> None:
    path = own_home / "result.json"
    path.write_text(text)
    assert run("plan", "--from", str(path), "--height", "4", "--od", "6.5", "--wall", "0.6") == 2
    said = capsys.readouterr().err
    assert message in said
    assert "result.json" in said


def test_plain_numbers_and_kept_results_are_read(capsys: pytest.CaptureFixture[str], own_home: Path) -> None:
    path = own_home / "kept.json"
    path.write_text(json.dumps({"number": 7, "result": {"stone": {"diameter_mm": 6.12, "height_mm": 4.22}}}))
    record = run_json(capsys, "plan", "--from", str(path), "--od", "6.5", "--wall", "0.635")
    assert record["stone"]["diameter_mm"]["u95"] == pytest.approx(0.0226)  # as read with calipers, DIN 862


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("plan", "--help") == 0
    assert "Example: rimsight plan" in capsys.readouterr().out
