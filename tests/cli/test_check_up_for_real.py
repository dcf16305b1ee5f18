"""A check-up with the measuring function itself, on six photographs of a rendered pin, and a later measurement."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from rimsight.cli.app import main

PHOTOS = Path(__file__).parents[2] / "fixtures" / "checkup"


@pytest.fixture(autouse=True, name="home")
def home_fixture(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def told(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    """What a command prints with --json."""
    try:
        main([*arguments, "--json"])
    except SystemExit as left:
        assert left.code == 0, capsys.readouterr()  # noqa: PT017 - leaving the process is no failure
    printed: dict[str, Any] = json.loads(capsys.readouterr().out)
    return printed


@pytest.mark.slow
def test_a_pin_says_how_its_camera_reads(capsys: pytest.CaptureFixture[str]) -> None:
    """Truth of the renders: 6.0000 mm, 8.0 mm high. Two placings of three leave the bias known to a few hundredths."""
    photos = sorted(str(path) for path in PHOTOS.glob("check-pin-*.jpg"))
    assert len(photos) == 6
    told(capsys, "card", "check", "--side", "30", "--across", "151.8", "--down", "148.7")
    before = told(capsys, "tube", photos[0], "--length", "8")
    figure = ["--diameter", "6.000", "--u95", "0.002", "--length", "8.0", "--name", "pin"]
    found = told(capsys, "check-up", *photos, "--per-placing", "3", *figure)
    record = found["check_up"]
    assert (record["photos"], record["placings"], found["not_read"]) == (6, 2, [])
    assert found["intervals_hold"]
    assert record["held"] >= 5
    assert abs(record["largest_e_n"]) < 1.0
    assert abs(record["bias_mm"]) <= max(2.0 * record["u95_bias_mm"], 0.03)
    after = told(capsys, "tube", photos[0], "--length", "8")
    assert "edge_bias" not in before
    was, now = (result["tube"]["outer_diameter_mm"] for result in (before, after))
    assert record["bias"] is not None, record["obstacle"]
    (correction,) = after["edge_bias"]
    assert correction["from"].startswith("the check-up of ")
    assert now["value"] - was["value"] == pytest.approx(correction["change_mm"], abs=2e-4)
    assert now["budget"]["edge bias"] == pytest.approx(correction["u_mm"], rel=0.02)
    assert now["budget"].get("edge", 0.0) < was["budget"]["edge"]
    assert abs(now["value"] - 6.0) <= now["u95"]
    told(capsys, "check-up", "--remove", "pin")
    assert told(capsys, "tube", photos[0], "--length", "8")["tube"]["outer_diameter_mm"] == was
