"""`rimsight card` as it is typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rimsight.cli.app import main


@pytest.fixture(autouse=True)
def home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def call(*arguments: str | Path) -> int:
    """Run the command line and return its exit code."""
    with pytest.raises(SystemExit) as caught:
        main([str(one) for one in arguments])
    code = caught.value.code
    return code if isinstance(code, int) else 0


def test_card_is_written_and_the_next_step_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "card.pdf"
    assert call("card", "--out", out) == 0
    assert out.read_bytes().startswith(b"%PDF")
    printed = capsys.readouterr()
    assert "the card of 60 mm on A4" in printed.out
    assert "rimsight card check --side 60" in printed.out
    assert printed.err == ""


def test_json_tells_what_was_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "small.png"
    options = ["--side", "30", "--page", "letter", "--copies", "3", "--dpi", "150", "--json"]
    assert call("card", "--out", out, *options) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["schema"] == "rimsight/1"
    assert printed["file"] == str(out)
    assert printed["card"] == {
        "side_mm": 30.0,
        "band_mm": 3.0,
        "marker_side_mm": 7.2,
        "marker_gap_mm": 2.4,
        "marker_ids": [30, 31],
        "outer_mm": 33.0,
        "inner_mm": 27.0,
    }
    # ANSI/ASME Y14.1 size A: 8.5 in by 11 in.
    assert printed["page"] == {"name": "Letter", "width_mm": 215.9, "height_mm": 279.4}
    assert printed["copies"] == 3
    assert printed["check_line_mm"] == 150.0


def test_an_existing_file_is_kept_unless_forced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "card.pdf"
    out.write_bytes(b"precious")
    assert call("card", "--out", out) == 2
    assert "--force" in capsys.readouterr().err
    assert out.read_bytes() == b"precious"
    assert call("card", "--out", out, "--force") == 0
    assert out.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "--out card.pdf"),
        (["--out", "{}/no/card.pdf"], "folder does not exist"),
        (["--out", "{}"], "pdf or .png"),
        (["--out", "{}/card.jpg"], "pdf or .png"),
        (["--out", "{}/card.pdf", "--side", "45"], "60 or 30"),
        (["--out", "{}/card.pdf", "--side", "sixty"], "--side"),
        (["--out", "{}/card.pdf", "--page", "a5"], "a4 or letter"),
        (["--out", "{}/card.pdf", "--copies", "5"], "at most 4"),
        (["--out", "{}/card.pdf", "--copies", "0"], "at least 1"),
        (["--out", "{}/card.pdf", "--dpi", "0"], "150 to 1200"),
        (["--side", "30", "check", "--across", "150", "--down", "150"], "after 'check'"),
        (["--json", "list"], "after 'list'"),
        (["check", "--across", "150"], "--down is missing"),
        (["check", "--down", "150"], "--across is missing"),
        (["check", "--name", "x"], "--across and --down"),
        (["check", "--across", "150", "--down", "tall"], "--down"),
        (["check", "--across", "5.9", "--down", "150"], "5.9in"),
        (["check", "--across", "150", "--down", "150", "--u", "0"], "--u"),
        (["check", "--across", "150", "--down", "150", "--name", " "], "name of a card"),
        (["check", "--across", "nan", "--down", "150"], "--across"),
    ],
)
def test_a_wrong_call_says_what_is_wrong(
    tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], message: str
) -> None:
    assert call("card", *[one.format(tmp_path) for one in arguments]) == 2
    printed = capsys.readouterr()
    assert message in printed.err
    assert "Traceback" not in printed.err
    assert not list(tmp_path.iterdir())  # neither a file nor a record


def test_a_measured_print_is_kept_and_shown(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("card", "check", "--across", "151.2", "--down", "149,1") == 0
    assert "'card-60': across 151.20 mm (+0.80 %), down 149.10 mm (-0.60 %)" in capsys.readouterr().out
    for show in (["card", "check"], ["card", "list"]):
        assert call(*show) == 0
        assert "card-60: 60 mm card, across 151.20 mm" in capsys.readouterr().out


def test_inches_a_name_and_calipers(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--side", "30", "--across", "5.9in", "--down", "150", "--name", "Büro", "--u", "0,03", "--json"]
    assert call("card", "check", *arguments) == 0
    printed = json.loads(capsys.readouterr().out)
    card = printed["card"]
    assert (card["name"], card["side_mm"], card["u_mm"]) == ("Büro", 30.0, 0.03)
    assert card["across_mm"] == pytest.approx(5.9 * 25.4)  # the inch is 25.4 mm exactly (1959 agreement)
    assert card["scale_across"] == pytest.approx(5.9 * 25.4 / 150)
    assert printed["file"] == str(home / "cards.json")
    assert printed["warnings"] == []
    assert call("card", "list", "--json") == 0
    assert json.loads(capsys.readouterr().out)["cards"] == [card]


def test_fit_to_page_is_kept_with_a_warning(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("card", "check", "--across", "145", "--down", "145.2") == 0
    printed = capsys.readouterr()
    assert printed.err.count("fit to page") == 2
    assert "Kept as 'card-60'" in printed.out


def test_without_records_the_list_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("card", "list") == 0
    assert "rimsight card check --side 60 --across" in capsys.readouterr().out


def test_broken_records_are_an_error_with_the_file_named(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home.mkdir()
    (home / "cards.json").write_text("{")
    assert call("card", "check", "--across", "150", "--down", "150", "--json") == 2
    printed = capsys.readouterr()
    assert "cards.json" in json.loads(printed.out)["error"]["found"]
    assert (home / "cards.json").read_text() == "{"


@pytest.mark.parametrize("command", [["card"], ["card", "check"], ["card", "list"]])
def test_help_has_an_example(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert call(*command, "--help") == 0
    assert "Example: rimsight card" in capsys.readouterr().out
