"""`watch` and `archive remeasure` with the measuring function itself, on a photograph with known truth."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rimsight.archive.records import Labels, Measured
from rimsight.archive.store import Archive
from rimsight.archive.verify import verify
from rimsight.cli.app import main

ROOT = Path(__file__).parents[2]
PHOTO = ROOT / "fixtures" / "photos" / "rim-adequate.jpg"
TRUTH = json.loads(PHOTO.with_suffix(".json").read_text(encoding="utf-8"))
#: As the truth file has them: what a jeweller would have typed.
INPUTS = {"length": "5.02", "bore": "3.35", "check_lines": "150.0,150.0"}


@pytest.fixture(autouse=True, name="home")
def home_fixture(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def waited_for(done: Callable[[], bool], seconds: float = 90) -> bool:
    """Wait until something is so, or for so long."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if done():
            return True
        time.sleep(0.1)
    return False


def diameters(document: Any) -> dict[str, dict[str, float]]:
    return {
        "stone": document.result["stone"]["diameter_mm"],
        "tube": document.result["tube"]["outer_diameter_mm"],
    }


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C can't be sent to one process on Windows")
def test_pictures_are_measured_as_they_arrive(home: Path, tmp_path: Path) -> None:
    """A photo half there, then whole; the same under another name; one without a stone; one that is no photo."""
    folder = tmp_path / "phone"
    folder.mkdir()
    told = tmp_path / "told"
    options = [f"--input={name}={value}" for name, value in INPUTS.items()]
    call = [sys.executable, "-m", "rimsight.cli", "watch", str(folder), "--as", "rim", "--job", "M-104", "--json"]
    with open(told, "wb") as out:
        watch = subprocess.Popen(
            [*call, "--settle", "0.3", "--patience", "2", *options], cwd=ROOT, stdout=out, stderr=subprocess.PIPE
        )

    def outcomes() -> dict[str, str]:
        lines = [json.loads(line) for line in told.read_text(encoding="utf-8").splitlines()]
        return {line["photo"]: line["outcome"] for line in lines}

    try:
        time.sleep(1.5)  # until the folder is watched; what comes before is left alone
        data = PHOTO.read_bytes()
        (folder / "IMG_1.jpg").write_bytes(data[: len(data) // 2])
        time.sleep(1.0)
        assert outcomes() == {}
        with open(folder / "IMG_1.jpg", "ab") as file:
            file.write(data[len(data) // 2 :])
        (folder / "IMG_2.jpg").write_bytes(b"no photo")
        (folder / "IMG_3.jpg").write_bytes((PHOTO.parent / "card-bare-30.jpg").read_bytes())
        expected = {"IMG_1.jpg": "kept", "IMG_2.jpg": "failed", "IMG_3.jpg": "failed"}
        assert waited_for(lambda: outcomes() == expected), outcomes()
        (folder / "IMG_1 (copy).jpg").write_bytes(data)
        time.sleep(1.5)
        assert outcomes() == expected
    finally:
        watch.send_signal(signal.SIGINT)
        _, error = watch.communicate(timeout=60)
    assert (watch.returncode, error) == (0, b"")
    with Archive(home / "archive", write=True) as archive:
        assert verify(archive, stale_after_s=0).findings == []
        record = archive.record(1)
        assert archive.objects.read(record.photo) == data
    assert record.photo_name == "IMG_1.jpg"
    assert record.labels.job == "M-104"
    truth = {"stone": TRUTH["stone"]["diameter_mm"], "tube": TRUTH["tube"]["outer_diameter_mm"]}
    for name, found in diameters(record.latest.document).items():
        assert abs(found["value"] - truth[name]) <= found["u95"]


@pytest.mark.slow
def test_a_second_reading_shows_what_an_older_program_read(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The first reading is played: what the measuring function reads now, with a stone 0.2 mm larger."""
    from rimsight.cli.measuring import measure_photo

    result, overlay = measure_photo("rim", PHOTO, INPUTS)
    now = result["stone"]["diameter_mm"]["value"]
    result["stone"]["diameter_mm"]["value"] = now + 0.2
    home.mkdir()
    with Archive(home / "archive", write=True) as archive:
        archive.keep(PHOTO.read_bytes(), PHOTO.name, Measured("rim", result, INPUTS, "0.0.9", overlay), Labels())
    main_is_done(["archive", "remeasure", "1", "--json"])
    (told,) = json.loads(capsys.readouterr().out)["remeasured"]
    assert (told["before"], told["after"]) == (1, 2)
    changes = {one["name"]: one for one in told["differences"]}
    assert changes["stone.diameter_mm"]["change"] == pytest.approx(-0.2, abs=1e-6)
    assert changes["stone.diameter_mm"]["differs"] is True
    assert changes["tube.outer_diameter_mm"]["change"] == pytest.approx(0.0, abs=1e-9)
    with Archive(home / "archive") as archive:
        first, second = archive.record(1).readings
    assert diameters(first.document)["stone"]["value"] == now + 0.2
    assert diameters(second.document)["stone"]["value"] == now
    assert first.document.data["program"] == "0.0.9"
    assert second.document.data["inputs"] == INPUTS
    assert second.overlay is not None
    main_is_done(["archive", "remeasure", "1"])  # this version has measured it now
    assert "0 measured again, 1 were of this version, 0 failed" in capsys.readouterr().out


def main_is_done(arguments: list[str]) -> None:
    """Run a command that must leave without an error."""
    try:
        main(arguments)
    except SystemExit as left:
        assert left.code == 0  # noqa: PT017 - the command leaves the process, that is no failure
