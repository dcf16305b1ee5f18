"""`rimsight watch`: pictures measured as they arrive, each once, none before it is whole."""

from __future__ import annotations

import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rimsight.archive import search
from rimsight.archive.records import Labels
from rimsight.archive.store import Archive
from rimsight.archive.verify import verify
from rimsight.cli.app import main
from rimsight.cli.arrivals import Arrivals, Arrived, Unfinished, is_picture
from rimsight.cli.watch import HELD, Watcher, typed_inputs
from tests.archive import sample

ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True, name="home")
def home_fixture(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture(name="folder")
def folder_fixture(tmp_path: Path) -> Path:
    (tmp_path / "phone").mkdir()
    return tmp_path / "phone"


class Clock:
    """Seconds that pass when told to."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


# -- arriving ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("IMG_1.jpg", True),
        ("IMG_1.HEIC", True),
        ("a.b.jpeg", True),
        (".IMG_1.jpg", False),
        ("~IMG_1.jpg", False),
        ("IMG_1.jpg.part", False),
        ("IMG_1.jpg.crdownload", False),
        (".syncthing.IMG_1.jpg.tmp", False),
        ("IMG_1.mp4", False),
        ("jpg", False),
    ],
)
def test_which_files_are_pictures(name: str, expected: bool) -> None:
    assert is_picture(Path(name)) is expected


def test_a_picture_is_taken_when_it_has_settled(folder: Path) -> None:
    clock = Clock()
    arrivals = Arrivals(1.0, 60.0, clock)
    path = sample.write(folder / "a.jpg", sample.rim()[0])
    arrivals.saw(path)
    assert list(arrivals.ready()) == []
    clock.now = 1.1
    assert list(arrivals.ready()) == [Arrived(path, sample.rim()[0])]
    arrivals.saw(path)
    clock.now = 9
    assert list(arrivals.ready()) == []


def test_a_picture_that_is_copied_slowly_is_waited_for(folder: Path) -> None:
    """A byte range at a time, with pauses longer than it takes to settle: only the whole one is taken."""
    clock = Clock()
    arrivals = Arrivals(1.0, 60.0, clock)
    data = sample.rim()[0]
    path = folder / "a.jpg"
    for part in range(1, 10):
        path.write_bytes(data[: len(data) * part // 10])
        arrivals.look(folder)
        clock.now += 5
        assert list(arrivals.ready()) == []
    path.write_bytes(data)
    assert list(arrivals.ready()) == []
    clock.now += 1.5
    assert list(arrivals.ready()) == [Arrived(path, data)]


def test_a_file_of_full_size_that_is_still_being_filled_is_waited_for(folder: Path) -> None:
    clock = Clock()
    arrivals = Arrivals(1.0, 60.0, clock)
    data = sample.rim()[0]
    path = sample.write(folder / "a.jpg", data[: len(data) // 2] + bytes(len(data) - len(data) // 2))
    arrivals.saw(path)
    clock.now = 2
    assert list(arrivals.ready()) == []
    path.write_bytes(data)
    os.utime(path, ns=(1, 1))
    list(arrivals.ready())
    clock.now = 4
    assert list(arrivals.ready()) == [Arrived(path, data)]


@pytest.mark.parametrize("data", [b"", b"no picture", sample.rim()[0][:500]])
def test_what_never_becomes_a_picture_is_given_up_once(folder: Path, data: bytes) -> None:
    clock = Clock()
    arrivals = Arrivals(1.0, 60.0, clock)
    path = sample.write(folder / "a.jpg", data)
    arrivals.saw(path)
    clock.now = 59
    assert list(arrivals.ready()) == []
    clock.now = 61
    (given_up,) = arrivals.ready()
    assert isinstance(given_up, Unfinished)
    assert given_up.why
    arrivals.look(folder)
    clock.now = 200
    assert list(arrivals.ready()) == []
    path.write_bytes(sample.rim()[0])  # the rest came after all
    arrivals.look(folder)
    clock.now = 300
    assert [type(one) for one in arrivals.ready()] == [Arrived]


def test_what_was_there_is_left_alone_until_it_changes(folder: Path) -> None:
    clock = Clock()
    arrivals = Arrivals(1.0, 60.0, clock)
    old = sample.write(folder / "old.jpg", sample.rim(1)[0])
    (folder / "deep" / "er").mkdir(parents=True)
    arrivals.ignore(folder)
    new = sample.write(folder / "deep" / "er" / "new.jpg", sample.rim(2)[0])
    arrivals.look(folder)
    clock.now = 2
    assert [one.path for one in arrivals.ready()] == [new]
    old.write_bytes(sample.rim(3)[0])
    arrivals.look(folder)
    clock.now = 4
    assert [one.path for one in arrivals.ready()] == [old]


def test_a_picture_that_goes_again_is_forgotten(folder: Path) -> None:
    clock = Clock()
    arrivals = Arrivals(1.0, 60.0, clock)
    path = sample.write(folder / "a.jpg", sample.rim()[0])
    arrivals.saw(path)
    path.unlink()
    clock.now = 2
    assert list(arrivals.ready()) == []
    assert arrivals.waiting() == 0


def test_a_folder_named_like_a_picture_is_none(folder: Path) -> None:
    (folder / "a.jpg").mkdir()
    arrivals = Arrivals()
    arrivals.look(folder)
    arrivals.saw(folder / "a.jpg")
    assert arrivals.waiting() == 0


# -- measuring and keeping ---------------------------------------------------------------------------------------


class Bench:
    """A watcher with a measuring program that is played, and what it told."""

    def __init__(self) -> None:
        self.told: list[dict[str, Any]] = []
        self.asked: list[bytes] = []
        self.fail: Exception | None = None
        self.watcher = Watcher(
            measure=self.measure,
            kind="rim",
            inputs={"height": "5"},
            labels=Labels(job="M-1"),
            keep=True,
            tell=self.told.append,
        )

    def measure(self, kind: str, photo: Path, inputs: dict[str, Any]) -> tuple[dict[str, Any], bytes | None]:
        assert (kind, inputs) == ("rim", {"height": "5"})
        self.asked.append(photo.read_bytes())
        if self.fail is not None:
            raise self.fail
        return sample.rim_result(photo=str(photo)), None

    def take(self, data: bytes, name: str = "IMG_1.jpg") -> None:
        self.watcher.take(Arrived(Path("/somewhere") / name, data))

    def outcomes(self) -> list[str]:
        return [told["outcome"] for told in self.told]


def test_a_picture_is_measured_told_and_kept(home: Path) -> None:
    bench = Bench()
    data = sample.rim()[0]
    home.parent.mkdir(exist_ok=True)
    bench.take(data)
    assert bench.outcomes() == ["kept"]
    assert bench.told[0]["result"]["verdict"] == "adequate"
    with Archive(home / "archive") as archive:
        record = archive.record(bench.told[0]["record"])
        assert archive.objects.read(record.photo) == data
        assert record.photo_name == "IMG_1.jpg"
        assert record.labels.job == "M-1"
        assert record.latest.document.data["inputs"] == {"height": "5"}
        assert record.latest.document.result["photo"] == "IMG_1.jpg"


def test_a_picture_is_never_measured_twice() -> None:
    bench = Bench()
    data = sample.rim()[0]
    for name in ("IMG_1.jpg", "IMG_1.jpg", "copy of IMG_1.jpg"):
        bench.take(data, name)
    assert len(bench.asked) == 1
    again = Bench()  # after a restart
    again.take(data)
    assert again.asked == []
    assert again.outcomes() == ["known"]
    assert again.told[0]["record"] == 1


def test_a_picture_in_the_bin_is_not_measured_again(home: Path) -> None:
    Bench().take(sample.rim()[0])
    with Archive(home / "archive", write=True) as archive:
        archive.remove([1])
    bench = Bench()
    bench.take(sample.rim()[0])
    assert bench.asked == []


@pytest.mark.parametrize("failure", [RuntimeError("inside"), ValueError("odd"), MemoryError(), OSError(5, "disk")])
def test_a_failure_is_told_and_the_next_picture_measured(failure: Exception) -> None:
    bench = Bench()
    bench.fail = failure
    bench.take(sample.rim(1)[0])
    bench.fail = None
    bench.take(sample.rim(2)[0], "IMG_2.jpg")
    assert bench.outcomes() == ["failed", "kept"]
    assert bench.told[0]["says"]
    bench.take(sample.rim(1)[0])  # what failed is not tried for ever
    assert len(bench.asked) == 2


def test_a_photo_that_does_not_allow_it_is_told_with_its_advice() -> None:
    from rimsight.calibration.errors import PhotoError

    bench = Bench()
    bench.fail = PhotoError("the card is cut off", "the whole card", "step back")
    bench.take(sample.rim()[0])
    assert "step back" in bench.told[0]["says"]


def test_a_result_that_can_not_be_kept_fails_this_picture_only() -> None:
    bench = Bench()
    bench.watcher.measure = lambda *_: ({"stone": {"diameter_mm": {"value": float("nan")}}}, None)
    bench.take(sample.rim(1)[0])
    bench.watcher.measure = bench.measure
    bench.take(sample.rim(2)[0])
    assert bench.outcomes() == ["failed", "kept"]


def test_what_can_not_be_kept_is_held_and_kept_when_the_archive_is_back(home: Path) -> None:
    bench = Bench()
    home.write_text("a file where the archive's home should be")
    for seed in range(HELD + 2):
        bench.take(sample.rim(seed)[0], f"IMG_{seed}.jpg")
    assert bench.outcomes() == ["measured"] * (HELD + 2)
    assert "not kept yet" in bench.told[0]["says"]
    assert "too many wait already" in bench.told[-1]["says"]
    assert "NOT kept" in bench.watcher.summary()
    home.unlink()
    bench.watcher.tick()
    assert bench.outcomes()[-HELD:] == ["kept"] * HELD
    assert bench.watcher.held == []
    with Archive(home / "archive") as archive:
        assert search.count(archive, search.Query()) == HELD


def test_without_keeping_nothing_is_written(home: Path) -> None:
    bench = Bench()
    bench.watcher.keep = False
    bench.take(sample.rim()[0])
    bench.take(sample.rim()[0])
    assert bench.outcomes() == ["measured"]
    assert not home.exists()


def test_inputs_as_they_are_typed() -> None:
    assert typed_inputs(["height=5.0", "card-height = 2"]) == {"height": "5.0", "card_height": "2"}
    for text in ("height", "=5", ""):
        with pytest.raises(ValueError, match="is not an input"):
            typed_inputs([text])


# -- the whole command -------------------------------------------------------------------------------------------

#: Runs the command with a measuring program that is played: a photo's verdict follows from its size, and one fails.
_DRIVER = """
import sys, types
from tests.archive import sample
def measure(kind, photo, inputs):
    size = photo.stat().st_size
    if size % 7 == 3:
        raise RuntimeError("played failure")
    return sample.rim_result(photo=str(photo)), None
module = types.ModuleType("rimsight.cli.measuring")
module.measure_photo = measure
sys.modules["rimsight.cli.measuring"] = module
from rimsight.cli.app import main
main(sys.argv[1:])
"""


class Running:
    """The command at work in a process of its own."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", _DRIVER, "watch", str(folder), "--as", "rim", "--settle", "0.3", *options],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )
        self.lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.put(line.rstrip("\n"))

    def line(self, timeout_s: float = 30) -> str:
        return self.lines.get(timeout=timeout_s)

    def quiet(self, seconds: float) -> bool:
        try:
            line = self.lines.get(timeout=seconds)
        except queue.Empty:
            return True
        raise AssertionError(line)

    def end(self, how: signal.Signals = signal.SIGINT) -> tuple[int, str, str]:
        """End it as Ctrl-C does; returns exit code, its last line and what it said of errors."""
        self.process.send_signal(how)
        code = self.process.wait(timeout=30)
        assert self.process.stderr is not None
        error = self.process.stderr.read()
        last = ""
        while not self.lines.empty():
            last = self.lines.get()
        return code, last, error


@pytest.fixture(name="started")
def started_fixture(folder: Path) -> Iterator[Running]:
    running = Running(folder)
    assert running.line().startswith("Watching")
    time.sleep(0.5)  # until the system has been asked to tell of changes
    yield running
    if running.process.poll() is None:
        running.process.kill()
        running.process.wait()


def photo(seed: int, *, fails: bool = False) -> bytes:
    """Return a photo that the played measuring program takes, or one that it fails on."""
    data = sample.rim(seed)[0]
    while (len(data) % 7 == 3) is not fails:
        data += b"\xff"  # after the end of a JPEG anything may follow
    return data


needs_signals = pytest.mark.skipif(os.name == "nt", reason="Ctrl-C can't be sent to one process on Windows")


@needs_signals
def test_pictures_arrive_are_told_and_kept(started: Running, folder: Path, home: Path) -> None:
    # copied in three pieces, with pauses longer than it takes to settle
    data = photo(1)
    with open(folder / "IMG_1.jpg", "wb", buffering=0) as file:
        for part in range(3):
            file.write(data[len(data) * part // 3 : len(data) * (part + 1) // 3])
            time.sleep(0.6)
    line = started.line()
    assert "IMG_1.jpg  adequate  rim smallest 0.374 ± 0.011 mm, stone 6.124 ± 0.012 mm  kept as 1" in line
    # renamed into place, as careful programs do
    sample.write(folder / ".IMG_2.jpg.tmp", photo(2)).rename(folder / "IMG_2.jpg")
    assert "IMG_2.jpg" in started.line()
    # a failure, then one in a folder below
    (folder / "IMG_3.jpg").write_bytes(photo(3, fails=True))
    assert "played failure" in started.line()
    (folder / "2026-11").mkdir()
    sample.write(folder / "2026-11" / "IMG_4.jpg", photo(4))
    assert "IMG_4.jpg" in started.line()
    # the same again, touched and copied: silence
    os.utime(folder / "IMG_1.jpg")
    shutil.copyfile(folder / "IMG_1.jpg", folder / "copy.jpg")
    assert started.quiet(2.0)
    code, last, error = started.end()
    assert (code, error) == (0, "")
    assert last == "Stopped: 3 measured and kept, 1 failed."
    with Archive(home / "archive", write=True) as archive:
        assert search.count(archive, search.Query()) == 3
        assert verify(archive, stale_after_s=0).findings == []


@needs_signals
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_cleanly_at_any_time(folder: Path, home: Path, how: signal.Signals) -> None:
    """Ended while pictures pour in: exit code 0, a last line, no traceback, and every record whole."""
    for seed in range(3):
        running = Running(folder, "--existing")
        assert running.line().startswith("Watching")
        for number in range(12):
            (folder / f"IMG_{seed}_{number}.jpg").write_bytes(photo(100 * seed + number))
        time.sleep(0.35 + 0.15 * seed)
        code, last, error = running.end(how)
        assert (code, error) == (0, "")
        assert last.startswith("Stopped: ")
        if home.exists():
            with Archive(home / "archive", write=True) as archive:
                assert verify(archive, stale_after_s=0).findings == []


@needs_signals
def test_existing_pictures_are_taken_only_when_asked(folder: Path) -> None:
    sample.write(folder / "old.jpg", photo(1))
    running = Running(folder)
    running.line()
    assert running.quiet(2.0)
    assert running.end()[1] == "Stopped: 0 measured and kept, 0 failed."
    running = Running(folder, "--existing", "--json")
    told = json.loads(running.line())
    assert (told["outcome"], told["photo"], told["record"]) == ("kept", "old.jpg", 1)
    running.end()
    running = Running(folder, "--existing", "--json")
    assert json.loads(running.line())["outcome"] == "known"
    running.end()


@needs_signals
def test_a_folder_that_vanishes_is_waited_for(started: Running, folder: Path) -> None:
    shutil.rmtree(folder)
    time.sleep(1.5)
    assert started.process.poll() is None
    folder.mkdir()
    time.sleep(1.5)
    sample.write(folder / "IMG_1.jpg", photo(1))
    assert "kept as 1" in started.line()
    assert started.end()[0] == 0


def test_a_folder_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["watch", str(tmp_path / "none"), "--as", "rim"])
    assert caught.value.code == 2
    assert "there is no folder" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--as", "ring"], "can't be measured"),
        (["--as", "rim", "--input", "height"], "is not an input"),
        (["--as", "rim", "--input", "carat=2"], "carat"),
        (["--as", "rim", "--input", "height=tall"], "height"),
        (["--as", "rim", "--job", "x" * 300], "the job is 300 characters long"),
    ],
)
def test_what_would_fail_with_every_picture_is_refused_at_once(
    folder: Path, arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["watch", str(folder), *arguments])
    assert caught.value.code == 2
    assert says in capsys.readouterr().err
