"""Really killing a process that writes to an archive, and looking at what is left.

Run as `python -m tests.archive.killing HOW FOLDER COUNT SEED`; prints one JSON object. A process of its own, because
it forks: the children are killed with SIGKILL, at a chosen bytecode instruction or at a random moment.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from rimsight.archive import bundle, pictures, repair, search, unbundle, verify
from rimsight.archive.records import Measured
from rimsight.archive.store import Archive
from rimsight.archive.verify import Problem
from tests.archive import sample

#: Left-overs of a killed write; a reading whose files were all in place may come back by `verify --repair`.
ALLOWED = (Problem.ORPHAN, Problem.HALF_WRITTEN, Problem.LOST_READING)
_CODE = str(Path(verify.__file__).parent)


def photo_and_reading(seed: int) -> tuple[bytes, Measured]:
    """Return a tiny photo with a reading; the photo's bytes follow from the seed."""
    return sample.rim(seed, stone=5.0 + seed % 100 / 100)


def whole(folder: Path, expected: dict[int, int] | None = None) -> int:
    """Return how many records there are, after checking that each is whole; `expected` are seeds by number."""
    with Archive(folder, write=True) as archive:
        assert archive.connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        report = verify.verify(archive, stale_after_s=0)
        bad = [finding for finding in report.findings if finding.problem not in ALLOWED]
        assert not bad, bad
        for number, seed in (expected or {}).items():
            record = archive.record(number)
            photo, measured = photo_and_reading(seed)
            assert archive.objects.read(record.photo) == photo
            assert record.readings[0].document.result["stone"] == measured.result["stone"]
        return report.records


def at_instruction(work: Callable[[], None], instruction: int) -> bool:
    """Fork, do some work, and kill it at one bytecode instruction of the archive's modules.

    Returns
    -------
    bool
        True if it was killed, False if the work was done before that instruction was reached.
    """
    child = os.fork()
    if child == 0:
        try:
            _count(work, instruction)
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


def _count(work: Callable[[], None], kill_at: int | None) -> int:
    """Run some work, counting the instructions of the archive's modules; killed at `kill_at`."""
    count = 0

    def trace(frame: FrameType, event: str, _: Any) -> Any:
        nonlocal count
        if not frame.f_code.co_filename.startswith(_CODE):
            return None
        frame.f_trace_opcodes = True
        frame.f_trace_lines = False
        if event == "opcode":
            count += 1
            if count == kill_at:
                os.kill(os.getpid(), signal.SIGKILL)
        return trace

    sys.settrace(trace)
    try:
        work()
    finally:
        sys.settrace(None)
    return count


def instructions(work: Callable[[], None]) -> int:
    """Return how many instructions some work takes, done in a child."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.write(into, str(_count(work, None)).encode())
        finally:
            os._exit(0)
    os.close(into)
    os.waitpid(child, 0)
    with os.fdopen(out) as pipe:
        return int(pipe.read())


def works(folder: Path) -> dict[str, Callable[[], None]]:
    """Return every kind of write, each on an archive that holds four records (two of them in the bin)."""

    def keep() -> None:
        photo, measured = photo_and_reading(77)
        with Archive(folder, write=True) as archive:
            archive.keep(photo, "new.jpg", measured, sample.labels())

    def add_reading() -> None:
        _, measured = photo_and_reading(78)
        with Archive(folder, write=True) as archive:
            archive.add_reading(1, measured)

    def relabel() -> None:
        with Archive(folder, write=True) as archive:
            archive.relabel(1, {"note": "rewritten", "job": "M-200"}, add_tags=["late"])

    def empty_bin() -> None:
        with Archive(folder, write=True) as archive:
            archive.empty_bin()

    def take_zip() -> None:
        with Archive(folder, write=True) as archive:
            unbundle.read_zip(archive, folder.parent / "other.zip")

    def mend() -> None:
        with Archive(folder, write=True) as archive:
            repair.repair(archive, verify.verify(archive, stale_after_s=0))

    def first() -> None:
        fresh = folder.parent / "first" / "archive"
        photo, measured = photo_and_reading(79)
        with Archive(fresh, write=True) as archive:
            archive.keep(photo, "first.jpg", measured)

    return {
        "keep": keep,
        "add_reading": add_reading,
        "relabel": relabel,
        "empty_bin": empty_bin,
        "import": take_zip,
        "repair": mend,
        "first": first,
    }


def prepare(folder: Path) -> None:
    """Make the archive that `works` write to, and the zip that one of them imports."""
    shutil.rmtree(folder.parent, ignore_errors=True)
    folder.parent.mkdir(parents=True)
    with Archive(folder.parent / "other" / "archive", write=True) as other:
        other.keep(*_named(50), sample.labels(job="M-300"))
        other.add_reading(1, photo_and_reading(51)[1])
        bundle.write_zip(other, search.numbers(other, search.Query()), folder.parent / "other.zip", program="0")
    with Archive(folder, write=True) as archive:
        for seed in range(1, 5):
            archive.keep(*_named(seed), sample.labels(job=f"M-10{seed}"))
        archive.remove([3, 4])
    # Something for the repair to do: a small picture gone, and a file that nothing refers to.
    with Archive(folder, write=True) as archive:
        small = archive.record(2).latest.thumbnail
        assert small is not None
        archive.objects.path(small).unlink()
        archive.objects.place(archive.objects.stage(b"nobody's"))


def _named(seed: int) -> tuple[bytes, str, Measured]:
    photo, measured = photo_and_reading(seed)
    return photo, f"IMG_{seed:04}.jpg", measured


def check_after(folder: Path) -> None:
    """Check that every record is whole after a kill, that the archive can be written, and that repair heals it."""
    for place in (folder, folder.parent / "first" / "archive"):
        if place.is_dir():
            with Archive(place, write=True, durable=False) as archive:
                archive.connection.execute("PRAGMA synchronous = OFF")
                report = verify.verify(archive, stale_after_s=0)
                bad = [f for f in report.findings if f.problem not in (*ALLOWED, Problem.THUMBNAIL)]
                assert not bad, bad
                repair.repair(archive, report)
                again = verify.verify(archive, stale_after_s=0)
                assert not again.findings, again.findings
                photo, measured = photo_and_reading(99)
                number = archive.keep(photo, "after.jpg", measured).number
                assert archive.objects.read(archive.record(number).photo) == photo
    with Archive(folder) as archive:
        for number, seed in ((1, 1), (2, 2)):
            assert archive.objects.read(archive.record(number).photo) == photo_and_reading(seed)[0]


def kill_at_instructions(folder: Path, count: int, seed: int) -> dict[str, Any]:
    """Kill each kind of write at evenly spread instructions, from the first to the last."""
    pictures.thumbnail(photo_and_reading(0)[0])  # decoders loaded before the forks
    rng = random.Random(seed)
    outcome: dict[str, Any] = {"killed": 0, "instructions": {}}
    names = list(works(folder))
    prepare(folder)
    template = folder.parent.with_name("template")
    shutil.rmtree(template, ignore_errors=True)
    shutil.copytree(folder.parent, template)
    for name in names:
        work = works(folder)[name]
        total = instructions(work)
        outcome["instructions"][name] = total
        share = max(1, count // len(names))
        for step in range(share):
            shutil.rmtree(folder.parent)
            shutil.copytree(template, folder.parent)
            spot = 1 + int((step + rng.random()) * total / share)
            outcome["killed"] += at_instruction(work, min(spot, total))
            check_after(folder)
    return outcome


def kill_at_moments(folder: Path, count: int, seed: int) -> dict[str, Any]:
    """Kill a process that keeps photo after photo, at random moments; all it said it kept must be there."""
    pictures.thumbnail(photo_and_reading(0)[0])
    rng = random.Random(seed)
    outcome = {"killed": 0, "confirmed": 0, "records": 0}
    expected: dict[int, int] = {}
    photo_seed = 0
    for _ in range(count):
        if len(expected) > 60:  # looking at everything after each kill should not take ever longer
            shutil.rmtree(folder)
            expected = {}
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            _keep_for_ever(folder, photo_seed, into)
        os.close(into)
        time.sleep(rng.uniform(0.0, 0.25))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        outcome["killed"] += os.WIFSIGNALED(status)
        with os.fdopen(out) as pipe:
            # A line that was cut off belongs to a record that was kept all the same; it just isn't looked at.
            lines = [line.split() for line in pipe.read().split("\n")[:-1]]
        expected |= {int(number): int(of) for number, of in lines}
        outcome["confirmed"] += len(lines)
        photo_seed += len(lines) + 1
        if folder.is_dir():
            records = whole(folder, expected)
            assert records >= len(expected)
            outcome["records"] = records
    return outcome


def _keep_for_ever(folder: Path, seed: int, into: int) -> None:
    try:
        while True:
            with Archive(folder, write=True) as archive:
                number = archive.keep(*_named(seed), sample.labels()).number
            os.write(into, f"{number} {seed}\n".encode())
            seed += 1
    finally:
        os._exit(3)


def main() -> None:
    """Run what the command line asks for."""
    how, folder, count, seed = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])
    kill = {"instructions": kill_at_instructions, "moments": kill_at_moments}[how]
    print(json.dumps(kill(folder, count, seed)))


if __name__ == "__main__":
    main()
