"""`rimsight demo` from a folder of one's own."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest

from rimsight.cli.app import main
from rimsight.cli.demo import PHOTOS, items, make_folder

ROOT = Path(__file__).parents[2]


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    return int(left.value.code or 0)


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    folder = tmp_path / "bench"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def test_demo(elsewhere: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("demo") == 0
    told = capsys.readouterr()
    folder = elsewhere / "rimsight-demo"
    marked = [f"{item['name']}-marked.jpg" for item in items()]
    assert sorted(path.name for path in folder.iterdir()) == sorted([*marked, "summary.json", "summary.txt"])
    assert "rimsight-demo/summary.txt" in told.out
    assert "adequate" in told.out
    summary = json.loads((folder / "summary.json").read_text())
    assert [entry["name"] for entry in summary["photos"]] == [item["name"] for item in items()]
    for item, entry in zip(items(), summary["photos"], strict=True):
        for name, truth in item["truth"].items():
            subject, figure = name.split(".")
            assert entry["result"][subject][figure]["value"] == pytest.approx(truth, abs=0.1), name
    text = (folder / "summary.txt").read_text()
    assert text.count("$ rimsight ") == len(items())


def test_folders_are_never_written_into_twice(elsewhere: Path) -> None:
    assert make_folder(None) == Path("rimsight-demo")
    assert make_folder(None) == Path("rimsight-demo-2")
    assert make_folder(elsewhere / "mine") == elsewhere / "mine"
    assert make_folder(elsewhere / "mine") == elsewhere / "mine"  # still empty
    (elsewhere / "mine" / "note.txt").write_text("mine")
    with pytest.raises(FileExistsError):
        make_folder(elsewhere / "mine")
    with pytest.raises(FileNotFoundError):
        make_folder(elsewhere / "missing" / "mine")


def test_shipped_photos_are_the_fixtures() -> None:
    """Their truth files stand beside the originals; a photo is never changed in one place only."""
    for item in items():
        shipped = files(PHOTOS).joinpath(item["photo"]).read_bytes()
        assert shipped == (ROOT / item["same_as"]).read_bytes()
        truth = json.loads((ROOT / item["same_as"]).with_suffix(".json").read_text())
        for name, value in item["truth"].items():
            subject, figure = name.split(".")
            assert truth[subject][figure] == pytest.approx(value, abs=1e-4)
