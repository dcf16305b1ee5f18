"""`rimsight parcel` on the committed photographs with truth: every thing found, sizes right, files written."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from rimsight.archive.records import Labels, Measured
from rimsight.archive.store import Archive
from rimsight.cli.app import main

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "photos_parcel"


def truth(name: str) -> dict[str, Any]:
    """The truth file of a photograph."""
    found: dict[str, Any] = json.loads((PHOTOS / f"{name}.json").read_text(encoding="utf-8"))
    return found


def call(home: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the program in a folder of its own."""
    import os

    return subprocess.run(
        [sys.executable, "-m", "rimsight.cli", "parcel", *arguments],
        capture_output=True, text=True, encoding="utf-8", timeout=300, check=False,
        env={**os.environ, "RIMSIGHT_HOME": str(home), "OMP_NUM_THREADS": "1"},
    )  # fmt: skip


def lines(name: str) -> str:
    """The check lines of a photograph as typed."""
    card = truth(name)["card"]
    return f"{card['across_mm']:.3f},{card['down_mm']:.3f}"


@pytest.fixture(scope="module")
def parcel(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Path]:
    """The parcel of 25, measured once with all its files."""
    home = tmp_path_factory.mktemp("home")
    done = call(
        home, str(PHOTOS / "parcel-25.jpg"), "--check-lines", lines("parcel-25"), "--json", "--out",
        str(home / "m.png"), "--csv", str(home / "s.csv"), "--histogram", str(home / "h.png"),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    result: dict[str, Any] = json.loads(done.stdout)
    return result, home


def nearest(piece: dict[str, Any], pieces: list[dict[str, Any]]) -> dict[str, Any]:
    """The thing of the truth at a place."""
    away = [np.hypot(p["centre_mm"][0] - piece["x_mm"], p["centre_mm"][1] - piece["y_mm"]) for p in pieces]
    return pieces[int(np.argmin(away))]


def test_every_stone_of_25_is_found_once(parcel: tuple[dict[str, Any], Path]) -> None:
    result, _ = parcel
    pieces = truth("parcel-25")["pieces"]
    places = {tuple(nearest(piece, pieces)["centre_mm"]) for piece in result["pieces"]}
    assert len(result["pieces"]) == len(pieces) == len(places) == 25
    assert [piece["number"] for piece in result["pieces"]] == list(range(1, 26))


def test_sizes_are_right_within_three_hundredths(parcel: tuple[dict[str, Any], Path]) -> None:
    result, _ = parcel
    pieces = truth("parcel-25")["pieces"]
    sized = [piece for piece in result["pieces"] if piece["diameter_mm"] is not None]
    errors = [piece["diameter_mm"]["value"] - nearest(piece, pieces)["diameter_mm"] for piece in sized]
    assert len(sized) >= 22
    assert np.percentile(np.abs(errors), 95) < 0.03
    held = [abs(e) <= piece["diameter_mm"]["u95"] for e, piece in zip(errors, sized, strict=True)]
    assert np.mean(held) >= 0.93
    # What has no size says why.
    assert all(piece["trouble"] for piece in result["pieces"] if piece["diameter_mm"] is None)


def test_groups_hold_every_size_once(parcel: tuple[dict[str, Any], Path]) -> None:
    result, _ = parcel
    sized = sorted(piece["number"] for piece in result["pieces"] if piece["diameter_mm"] is not None)
    assert sorted(number for group in result["groups"] for number in group["numbers"]) == sized
    assert all(group["to_mm"] - group["from_mm"] <= 0.0501 for group in result["groups"])
    paired = [number for pair in result["pairs"] for number in pair["numbers"]]
    assert len(paired) == len(set(paired))


def test_table_and_pictures_are_written(parcel: tuple[dict[str, Any], Path]) -> None:
    result, home = parcel
    rows = list(csv.DictReader(io.StringIO((home / "s.csv").read_text(encoding="utf-8"))))
    assert [int(row["number"]) for row in rows] == [piece["number"] for piece in result["pieces"]]
    for row, piece in zip(rows, result["pieces"], strict=True):
        quantity = piece["diameter_mm"]
        assert row["diameter_mm"] == ("" if quantity is None else f"{quantity['value']:.4f}")
    for name in ("m.png", "h.png"):
        with Image.open(home / name) as picture:
            assert min(picture.size) > 500


def test_touching_stones_are_named_or_sized_rightly(tmp_path: Path) -> None:
    done = call(tmp_path, str(PHOTOS / "parcel-touching.jpg"), "--check-lines", lines("parcel-touching"), "--json")
    result = json.loads(done.stdout)
    pieces = truth("parcel-touching")["pieces"]
    assert len({tuple(nearest(piece, pieces)["centre_mm"]) for piece in result["pieces"]}) == 20
    for piece in result["pieces"]:
        true = nearest(piece, pieces)
        if piece["diameter_mm"] is None:
            continue
        assert not true["tipped"], "a stone that lies on its pavilion has no size"
        assert abs(piece["diameter_mm"]["value"] - true["diameter_mm"]) < 0.05


def test_tubes_in_one_photo(tmp_path: Path) -> None:
    known = truth("parcel-tubes")
    done = call(
        tmp_path, str(PHOTOS / "parcel-tubes.jpg"), "--check-lines", lines("parcel-tubes"), "--of", "tubes",
        "--length", str(known["pieces"][0]["length_mm"]), "--json",
    )  # fmt: skip
    result = json.loads(done.stdout)
    assert len(result["pieces"]) == len(known["pieces"])
    for piece in result["pieces"]:
        true = nearest(piece, known["pieces"])
        for name, most in (("outer_diameter_mm", 0.1), ("bore_diameter_mm", 0.15)):
            assert abs(piece[name]["value"] - true[name]) < most, (piece["number"], name)
            assert abs(piece[name]["value"] - true[name]) < 1.5 * piece[name]["u95"]


def test_a_tube_in_stock_is_named(tmp_path: Path) -> None:
    import os

    env = {**os.environ, "RIMSIGHT_HOME": str(tmp_path)}
    for outer in ("2.2", "2.8", "3.2"):
        subprocess.run(
            [sys.executable, "-m", "rimsight.cli", "stock", "add", "--od", outer, "--wall", "0.45", "--label",
             f"W{outer}", "--length", "200"], check=True, env=env, capture_output=True, timeout=60,
        )  # fmt: skip
    done = call(tmp_path, str(PHOTOS / "parcel-25.jpg"), "--check-lines", lines("parcel-25"), "--json")
    taken = {piece["tube"] for piece in json.loads(done.stdout)["pieces"]}
    assert taken & {"W2.2", "W2.8", "W3.2"}
    # A tube narrower than the stone is never named.
    for piece in json.loads(done.stdout)["pieces"]:
        if piece["tube"] is not None:
            assert float(piece["tube"][1:]) > piece["diameter_mm"]["value"]


def printed(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    """What a command that leaves without an error prints with --json."""
    try:
        main([*arguments, "--json"])
    except SystemExit as left:
        assert left.code == 0  # noqa: PT017 - the command leaves the process, that is no failure
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_parcel_is_measured_again_from_what_was_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Kept by the command with its inputs; then an older program's reading is played, with a stone 0.2 mm smaller."""
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path))
    photo = PHOTOS / "parcel-touching.jpg"
    now = printed(capsys, "parcel", str(photo), "--check-lines", lines(photo.stem), "--group", "0.08", "--keep")
    with Archive(tmp_path / "archive", write=True) as archive:
        inputs = dict(archive.record(1).latest.document.data["inputs"])
        # With the check lines themselves: what is on record on this computer may change meanwhile.
        assert (inputs["of"], inputs["group"]) == ("stones", 0.08)
        assert f"{inputs['card_check']['across_mm']:.3f},{inputs['card_check']['down_mm']:.3f}" == lines(photo.stem)
        older = json.loads(json.dumps(now))
        next(piece for piece in older["pieces"] if piece["diameter_mm"])["diameter_mm"]["value"] -= 0.2
        archive.keep(photo.read_bytes(), photo.name, Measured("parcel", older, inputs, "0.0.9"), Labels())
    (told,) = printed(capsys, "archive", "remeasure", "2")["remeasured"]
    (change,) = [one for one in told["differences"] if abs(one["change"] or 0.0) > 1e-6]
    assert change["change"] == pytest.approx(0.2, abs=1e-6)
    with Archive(tmp_path / "archive") as archive:
        again = archive.record(2).latest.document.result
    for member in ("pieces", "groups", "pairs", "inputs", "warnings"):
        assert again[member] == now[member]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--of", "beads"), "neither stones nor tubes"),
        (("--length", "5"), "--of tubes"),
        (("--pick", "2"), "--pick"),
        (("--group", "0"), "--group"),
        (("--histogram", "h.jpg"), ".png"),
    ],
)
def test_wrong_calls_are_told_before_the_work(arguments: tuple[str, ...], told: str, tmp_path: Path) -> None:
    done = call(tmp_path, str(PHOTOS / "parcel-25.jpg"), *arguments)
    assert done.returncode == 2
    assert told in done.stderr


def test_an_empty_card_is_refused(tmp_path: Path) -> None:
    bare = PHOTOS.parent / "photos" / "card-bare-30.jpg"
    done = call(tmp_path, str(bare), "--json")
    assert done.returncode == 3
    assert json.loads(done.stdout)["error"]["kind"] == "nothing_on_stage"
