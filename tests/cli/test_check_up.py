"""`rimsight check-up`: placings told apart, the outcome told, kept, and used by later measurements."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from rimsight.calibration.checkup_store import load_checkups
from rimsight.calibration.edge_bias import Trial, analyse
from rimsight.calibration.errors import PhotoError
from rimsight.cli import check_up_run
from rimsight.cli.app import main
from rimsight.cli.check_up_plot import LEFT, RIGHT, SIZE, plot
from rimsight.cli.check_up_run import placed
from rimsight.vision.overlay_colour import BAD, GOOD

FIGURE = ["--diameter", "6.000", "--u95", "0.002", "--length", "8"]


@pytest.fixture(autouse=True, name="home")
def home_fixture(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


def call(*arguments: object) -> int:
    try:
        main([str(argument) for argument in arguments])
    except SystemExit as left:
        return int(left.code or 0)
    return 0


def folders(tmp_path: Path, sizes: tuple[int, ...] = (3, 3, 3)) -> list[Path]:
    """Folders of placings with empty files that are called pictures."""
    made = []
    for p, size in enumerate(sizes):
        made.append(tmp_path / "photos" / f"placing-{p + 1}")
        made[-1].mkdir(parents=True)
        for k in range(size):
            (made[-1] / f"IMG_{p}{k}.jpg").touch()
    return made


class Reference:
    """A checked card."""

    name, side_mm, scale_across, scale_down, checked, plain = "card-30", 30.0, 1.01, 0.99, True, False


class Exif:
    """A named camera."""

    make, model, lens, focal_mm, f35_mm, digital_zoom = "Lumetta", "P4", None, None, 95.0, None


class Played:
    """A measuring program that is played: each photo's diameter follows from its name."""

    def __init__(self, off_mm: float, u95_mm: float = 0.03) -> None:
        self.off_mm, self.u95_mm = off_mm, u95_mm
        self.refuse: set[str] = set()
        self.rng = np.random.default_rng(3)

    def measure(self, inputs: Any, path: Path, *, check_ups: bool) -> Any:
        assert not check_ups
        assert inputs.length_mm == 8.0
        if path.name in self.refuse:
            raise PhotoError("nothing lies on the stage", "a part", "lay it there")
        measured = type("Measured", (), {})()
        measured.photo = type("Photo", (), {"path": path, "exif": Exif})
        measured.calibration = type("Calibration", (), {"reference": Reference})
        return measured

    def trial_of(self, measured: Any, edge: str, placing: str) -> Trial:
        value = 6.0 + self.off_mm + float(self.rng.normal(0, 0.001))
        return Trial(measured.photo.path.name, placing, value, self.u95_mm, 25.0, 0.003, 0.01, 0.002, 0.12, 0.04)


@pytest.fixture(name="played")
def played_fixture(monkeypatch: pytest.MonkeyPatch) -> Played:
    played = Played(0.012)
    monkeypatch.setattr("rimsight.cli.measuring.measure", played.measure)
    monkeypatch.setattr(check_up_run, "trial_of", played.trial_of)
    return played


def test_a_check_up_is_told_and_kept(
    played: Played, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert call("check-up", *folders(tmp_path), *FIGURE, "--out", tmp_path / "plot.png") == 0
    out = capsys.readouterr().out
    assert "9 photos, 3 placings" in out
    assert "9 of 9 (95 % are meant to)" in out
    assert "mm too large" in out
    assert "Kept as 'Lumetta P4, card-30, outer'" in out
    assert "in place of the default" in " ".join(out.split())
    assert all(len(line) < 100 for line in out.splitlines() if "Plot:" not in line)
    record = load_checkups(home / "check-ups.json")["Lumetta P4, card-30, outer"]
    assert record.bias is not None
    assert record.bias.value_px == pytest.approx(0.012 * 12.5, abs=0.01)
    assert (record.photos, record.placings, record.held, record.card) == (9, 3, 9, "card-30")
    assert Image.open(tmp_path / "plot.png").size == SIZE
    assert call("check-up", "--list") == 0
    assert "in use" in capsys.readouterr().out
    assert call("check-up", "--show", record.name) == 0
    assert "reproducibility s_R" in capsys.readouterr().out
    assert call("check-up", "--remove", record.name) == 0
    capsys.readouterr()
    assert call("check-up", "--list") == 0
    assert "No check-up is kept yet" in capsys.readouterr().out


def test_json(played: Played, tmp_path: Path, home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    played.refuse = {"IMG_11.jpg"}
    assert call("check-up", *folders(tmp_path), *FIGURE, "--json", "--dry-run", "--name", "pin") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["schema"], told["kind"], told["kept"]) == ("rimsight/1", "check-up", False)
    assert told["check_up"]["name"] == "pin"
    assert told["not_read"] == [{"file": "IMG_11.jpg", "why": "nothing lies on the stage"}]
    assert len(told["photos"]) == 8
    assert {photo["placing"] for photo in told["photos"]} == {"placing-1", "placing-2", "placing-3"}
    assert not (home / "check-ups.json").exists()


def test_intervals_that_do_not_hold_are_told(
    played: Played, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    played.u95_mm = 0.004
    assert call("check-up", *folders(tmp_path), *FIGURE) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "The stated intervals do NOT hold: 9 of 9 miss the figure" in out
    assert out.count("MISSES") == 9


def test_too_few_that_can_be_read(played: Played, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    played.refuse = {f"IMG_{p}{k}.jpg" for p in (1, 2) for k in range(3)}
    assert call("check-up", *folders(tmp_path), *FIGURE, "--json") == 3
    error = json.loads(capsys.readouterr().out)["error"]
    assert error["kind"] == "too_few_readings"
    assert "only 3 of 9 photos" in error["found"]


def test_placings_are_folders_or_photos_in_a_row(tmp_path: Path) -> None:
    made = folders(tmp_path, (2, 3))
    names = [(placing, path.name) for placing, path in placed(made, None)]
    assert names == [
        ("placing-1", "IMG_00.jpg"), ("placing-1", "IMG_01.jpg"),
        ("placing-2", "IMG_10.jpg"), ("placing-2", "IMG_11.jpg"), ("placing-2", "IMG_12.jpg"),
    ]  # fmt: skip
    assert placed([made[0].parent], None) == placed(made, None)
    photos = [path for _, path in placed(made, None)][:4]
    assert [placing for placing, _ in placed(photos, 2)] == ["1", "1", "2", "2"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "name photos or folders"),
        (["--list", "--show", "x"], "name photos or folders"),
        (["--show", "x"], "no check-up named 'x'"),
        (["--remove", "x"], "no check-up named 'x'"),
        (["photos/placing-1", "photos/placing-2"], "--diameter 6.000"),
        (["photos/placing-1", "photos/placing-2", "--diameter", "six"], "--diameter"),
        (["photos/placing-1", "photos/placing-2", "--diameter", "6", "--u95", "2"], "proves nothing"),
        (["photos/placing-1", "photos/placing-2", "--diameter", "6", "--edge", "rim"], "--edge"),
        (["photos/placing-1", "photos/placing-2", "--diameter", "6", "--square-side", "30"], "printed card"),
        (["photos/placing-1", "--diameter", "6"], "two placings"),
        (["photos/placing-1", "photos/none", "--diameter", "6"], "no such file"),
        (["photos/placing-1", "photos/placing-1", "--diameter", "6"], "named twice"),
        (["photos/placing-1", "photos/placing-2/IMG_10.jpg", "--diameter", "6"], "not both"),
        (["photos/placing-1/IMG_00.jpg", "photos/placing-2/IMG_10.jpg", "--diameter", "6"], "--per-placing 3"),
        (["photos/placing-1/IMG_00.jpg", "--per-placing", "2", "--diameter", "6"], "can't be parted"),
        (["photos/empty", "--diameter", "6"], "no picture"),
        (["--study", "photos/none.csv"], "No such file"),
    ],
)
def test_wrong_calls_are_told_in_words(
    arguments: list[str], says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    folders(tmp_path)
    (tmp_path / "photos" / "empty").mkdir()
    monkeypatch.chdir(tmp_path)
    assert call("check-up", *arguments) == 2
    assert says in capsys.readouterr().err


@pytest.mark.parametrize(("divider", "point"), [(",", "."), (";", ","), ("\t", ".")])
def test_a_study_from_a_table(divider: str, point: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Readings of tests/calibration/test_repeatability.py (Houf and Berman), which hold the published figures."""
    from tests.calibration.test_repeatability import MODULES

    lines = [divider.join(("Part", "Operator", "Value"))]
    lines += [
        divider.join((str(p), "ABC"[o], f"{value}{point}0"))
        for p, row in enumerate(MODULES)
        for o, cell in enumerate(row)
        for value in cell
    ]
    (tmp_path / "study.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert call("check-up", "--study", tmp_path / "study.csv", "--json") == 0
    study = json.loads(capsys.readouterr().out)["study"]
    assert study["ms_part"] == pytest.approx(437.3284, abs=5e-5)
    assert study["variances"]["gauge"] == pytest.approx(1.8037, abs=2e-4)
    assert call("check-up", "--study", tmp_path / "study.csv") == 0
    out = capsys.readouterr().out
    assert "10 parts, 3 people, 3 repeats" in out
    assert "19.0% of the spread (usable); it tells 7 classes" in out


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "lacks the column 'part'"),
        ("part,operator\n1,a\n", "lacks the column 'value'"),
        ("part,operator,value\n1,a,wide\n", "line 2"),
        ("part,operator,value\n1,a,6\n1,b,6\n2,a,6\n2,b,6\n", "two repeats"),
        ("part,operator,value\n1,a,6\n1,a,6\n1,b,6\n1,b,6\n2,a,6\n2,a,6\n", "equally often"),
    ],
)
def test_a_table_that_is_no_study(text: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "study.csv").write_text(text, encoding="utf-8")
    assert call("check-up", "--study", tmp_path / "study.csv") == 2
    assert says in capsys.readouterr().err


def test_the_plot_shows_by_shape_what_misses() -> None:
    """Just left of an interval's middle: a dot is one run of colour between the two caps, a cross two."""
    offs = (0.0, 0.05, 0.0, 0.05)
    trials = [
        Trial(f"{k}", str(k // 2), 6.0 + off, 0.02, 25.0, 0.0, 0.0, 0.0, 0.12, 0.04) for k, off in enumerate(offs)
    ]
    picture = np.asarray(Image.open(io.BytesIO(plot(analyse(trials, 6.0, 0.002), "png"))))
    assert picture.shape == (SIZE[1], SIZE[0], 3)
    step = (SIZE[0] - LEFT - RIGHT) / 5  # four photos and the gap between two placings
    for place, colour, runs in ((0.5, GOOD, 3), (1.5, BAD, 4), (3.5, GOOD, 3), (4.5, BAD, 4)):
        column = (picture[:, round(LEFT + place * step) - 8] == colour).all(axis=1)
        assert np.count_nonzero(np.diff(column.astype(int)) == 1) == runs
