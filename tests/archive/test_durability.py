"""Killed at any instruction, disk full, two commands at once, folder read-only or gone: a record is whole or absent."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from rimsight.archive import search
from rimsight.archive.errors import ArchiveBusy, ArchiveFull, ArchiveReadOnly, NoArchive
from rimsight.archive.records import Measured
from rimsight.archive.store import Archive
from rimsight.archive.verify import verify
from tests.archive import killing, sample

ROOT = Path(__file__).parents[2]
posix = pytest.mark.skipif(os.name != "posix", reason="kills with SIGKILL and limits resources, which is POSIX")


def kill(how: str, folder: Path, count: int, seed: int) -> dict[str, int]:
    done = subprocess.run(
        [sys.executable, "-m", "tests.archive.killing", how, str(folder), str(count), str(seed)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    outcome: dict[str, int] = json.loads(done.stdout)
    return outcome


@posix
def test_killed_at_instructions_all_over_every_kind_of_write(tmp_path: Path) -> None:
    outcome = kill("instructions", tmp_path / "work" / "archive", 21, 1)
    assert outcome["killed"] >= 16  # a run may be a few instructions shorter than the one that was counted


@posix
def test_killed_at_random_moments_while_keeping_photo_after_photo(tmp_path: Path) -> None:
    tmp_path.joinpath("home").mkdir()
    outcome = kill("moments", tmp_path / "home" / "archive", 15, 2)
    assert outcome["killed"] == 15
    assert outcome["records"] >= 1


@posix
@pytest.mark.slow
def test_killed_hundreds_of_times(tmp_path: Path) -> None:
    tmp_path.joinpath("home").mkdir()
    moments = kill("moments", tmp_path / "home" / "archive", 200, 3)
    instructions = kill("instructions", tmp_path / "work" / "archive", 210, 4)
    assert moments["killed"] + instructions["killed"] >= 380


# -- disk full ---------------------------------------------------------------------------------------------------


@pytest.fixture(name="small_disk")
def small_disk_fixture(tmp_path: Path) -> Iterator[Path]:
    """A file system of two megabytes."""
    place = tmp_path / "small"
    place.mkdir()
    mount = shutil.which("mount")
    command = [mount or "mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("a small file system can't be mounted here (needs root and tmpfs)")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_loses_nothing_and_takes_records_again_when_there_is_room(small_disk: Path) -> None:
    folder = small_disk / "archive"
    kept: dict[int, int] = {}
    fill = small_disk / "other people's files"
    fill.write_bytes(bytes(900_000))
    refused = 0
    for seed in range(200):
        photo, measured = killing.photo_and_reading(seed)
        try:
            with Archive(folder, write=True) as archive:
                kept[archive.keep(photo, "a.jpg", measured).number] = seed
        except ArchiveFull:
            refused += 1
            if refused == 12:
                break
    assert refused == 12
    assert kept
    # Full to the last byte, it can still be read.
    _fill_up(small_disk / "the rest")
    with Archive(folder) as archive:
        assert search.count(archive, search.Query()) == len(kept)
        assert not verify(archive, stale_after_s=0).unhealed
        for number, seed in kept.items():
            assert archive.objects.read(archive.record(number).photo) == killing.photo_and_reading(seed)[0]
    fill.unlink()
    (small_disk / "the rest").unlink()
    assert killing.whole(folder, kept) == len(kept)
    with Archive(folder, write=True) as archive:
        photo, measured = killing.photo_and_reading(999)
        assert archive.keep(photo, "a.jpg", measured).number == max(kept) + 1


def _fill_up(path: Path) -> None:
    with open(path, "wb", buffering=0) as file, contextlib.suppress(OSError):
        while file.write(bytes(4096)):
            pass
    assert shutil.disk_usage(path.parent).free < 4096


@posix
@pytest.mark.parametrize("limit", [0, 100, 1000, 3000, 8000, 20_000, 40_000, 60_000, 90_000, 150_000])
def test_a_file_that_may_not_grow_leaves_the_record_absent(tmp_path: Path, limit: int) -> None:
    """RLIMIT_FSIZE stands for a quota: writes beyond it fail with EFBIG, at another place for every limit."""
    folder = tmp_path / "archive"
    with Archive(folder, write=True) as archive:
        photo, measured = killing.photo_and_reading(1)
        archive.keep(photo, "a.jpg", measured)
    script = (
        "import resource, signal, sys\n"
        "from pathlib import Path\n"
        "from rimsight.archive.store import Archive\n"
        "from tests.archive import killing\n"
        "photo, measured = killing.photo_and_reading(2)\n"
        "photo += bytes(50_000)\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))\n"
        "try:\n"
        "    with Archive(Path(sys.argv[1]), write=True) as archive:\n"
        "        archive.keep(photo, 'b.jpg', measured)\n"
        "except OSError as error:\n"
        "    sys.exit(7)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(folder)], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode in (0, 7), done.stderr
    assert killing.whole(folder, {1: 1}) == (2 if done.returncode == 0 else 1)
    if limit <= 40_000:
        assert done.returncode == 7


# -- two commands at once ----------------------------------------------------------------------------------------


@posix
def test_commands_at_once_all_get_their_turn(tmp_path: Path) -> None:
    """Four processes make the same archive and keep ten photos each, while a fifth labels, removes and sweeps."""
    folder = tmp_path / "archive"
    script = (
        "import sys\n"
        "from pathlib import Path\n"
        "from rimsight.archive.store import Archive\n"
        "from tests.archive import killing\n"
        "for seed in range(int(sys.argv[2]), int(sys.argv[2]) + 10):\n"
        "    photo, measured = killing.photo_and_reading(seed % 5)  # the same photos, so files are shared\n"
        "    with Archive(Path(sys.argv[1]), write=True) as archive:\n"
        "        number = archive.keep(photo, f'{seed}.jpg', measured).number\n"
        "        if seed % 3 == 0:\n"
        "            archive.remove([number])\n"
        "            archive.empty_bin()\n"
        "        else:\n"
        "            archive.relabel(number, {'note': str(seed)})\n"
    )
    writers = [
        subprocess.Popen([sys.executable, "-c", script, str(folder), str(start)], cwd=ROOT, stderr=subprocess.PIPE)
        for start in (0, 10, 20, 30)
    ]
    for writer in writers:
        _, said = writer.communicate(timeout=120)
        assert writer.returncode == 0, said.decode()
    with Archive(folder, write=True) as archive:
        assert verify(archive, stale_after_s=0).findings == []
        notes = {row.note for row in search.page(archive, search.Query(), limit=100).rows}
        assert notes == {str(seed) for seed in range(40) if seed % 3}


def test_a_reader_sees_one_moment_while_another_writes(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    with Archive(archive.folder) as reader, reader.reading():
        assert search.count(reader, search.Query()) == 1
        archive.keep(photo, "b.jpg", measured)
        assert search.count(reader, search.Query()) == 1
    with Archive(archive.folder) as reader:
        assert search.count(reader, search.Query()) == 2


def test_a_command_that_waits_too_long_says_so_and_keeps_nothing(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    with Archive(archive.folder, write=True, timeout_s=0.2) as other:
        archive.connection.execute("BEGIN IMMEDIATE")
        with pytest.raises(ArchiveBusy, match="another command is using the archive"):
            other.keep(photo, "b.jpg", measured)
        archive.connection.execute("ROLLBACK")
        assert other.keep(photo, "b.jpg", measured).number == 2
    assert list(archive.objects.incoming.iterdir()) == []


def test_a_command_waits_for_another(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.connection.execute("BEGIN IMMEDIATE")
    numbers: list[int] = []

    def keep() -> None:
        with Archive(archive.folder, write=True) as other:
            numbers.append(other.keep(photo, "b.jpg", measured).number)

    waiting = threading.Thread(target=keep)
    waiting.start()
    waiting.join(0.5)
    assert numbers == []
    archive.connection.execute("COMMIT")
    waiting.join(20)
    assert numbers == [1]


# -- read-only or vanished ---------------------------------------------------------------------------------------


@pytest.fixture(name="read_only")
def read_only_fixture(tmp_path: Path) -> Iterator[Path]:
    """An archive on a disk that is mounted read-only, its newest record still in the write-ahead log."""
    place = tmp_path / "stick"
    place.mkdir()
    mount = shutil.which("mount")
    command = [mount or "mount", "-t", "tmpfs", "-o", "size=20m", "tmpfs", str(place)]
    if mount is None or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("a disk can't be mounted here (needs root and tmpfs)")
    try:
        holder = Archive(place / "archive", write=True)
        photo, measured = killing.photo_and_reading(1)
        holder.keep(photo, "a.jpg", measured)
        copy = tmp_path / "copy"
        shutil.copytree(place / "archive", copy)  # with the log, as a pulled-out stick has it
        holder.close()
        shutil.rmtree(place / "archive")
        shutil.copytree(copy, place / "archive")
        (place / "archive" / "archive.db-shm").unlink(missing_ok=True)
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        yield place / "archive"
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_read_only_archive_is_read_and_not_written(read_only: Path) -> None:
    assert (read_only / "archive.db-wal").stat().st_size > 0
    with Archive(read_only) as archive:
        assert archive.record(1).number == 1
        assert not verify(archive).findings
    photo, measured = killing.photo_and_reading(2)
    with pytest.raises(ArchiveReadOnly), Archive(read_only, write=True) as archive:
        archive.keep(photo, "b.jpg", measured)


def test_a_read_only_archive_with_nothing_in_its_log(read_only: Path) -> None:
    place = read_only.parent
    subprocess.run(["mount", "-o", "remount,rw", str(place)], check=True)
    connection = sqlite3.connect(read_only / "archive.db")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
    with Archive(read_only) as archive:
        assert archive.record(1).number == 1


@posix
@pytest.mark.skipif(os.name == "posix" and os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_the_right_to_write(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    archive.close()
    for path in (archive.folder, *archive.folder.rglob("*")):
        path.chmod(0o500 if path.is_dir() else 0o400)
    try:
        with Archive(archive.folder) as reader:
            assert reader.record(1).number == 1
        with pytest.raises(PermissionError), Archive(archive.folder, write=True) as writer:
            writer.keep(photo, "b.jpg", measured)
    finally:
        for path in (archive.folder, *archive.folder.rglob("*")):
            path.chmod(0o700)


def test_a_vanished_folder_is_told_and_not_made_anew(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    archive.close()
    shutil.rmtree(archive.folder.parent)
    with pytest.raises(NoArchive):
        Archive(archive.folder)


def test_a_folder_that_vanishes_under_an_open_archive(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    away = archive.folder.with_name("away")
    archive.folder.rename(away)
    with pytest.raises(OSError, match=r"."):
        archive.keep(photo, "b.jpg", measured)
    assert not archive.folder.exists()
    shutil.copytree(away, archive.folder)
    with pytest.raises(OSError, match="moved or replaced"):
        archive.keep(photo, "b.jpg", measured)
    archive.close()
    assert killing.whole(archive.folder) == killing.whole(away) == 1


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO, errno.EROFS])
@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_disk_that_fails_leaves_nothing_of_the_record(
    archive: Archive, monkeypatch: pytest.MonkeyPatch, code: int, call: str
) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    archive.objects.durable = True
    real, calls = getattr(os, call), 0

    def failing(*arguments: object) -> object:
        nonlocal calls
        calls += 1
        if calls == 3:
            raise OSError(code, os.strerror(code))
        return real(*arguments)

    monkeypatch.setattr(os, call, failing)
    other, other_measured = sample.rim(5)
    with pytest.raises(OSError, match=r"."):
        archive.keep(other, "b.jpg", other_measured)
    monkeypatch.undo()
    report = verify(archive, stale_after_s=0)
    assert report.records == 1
    assert report.findings == []


def test_an_interrupt_in_the_middle_of_a_write_leaves_nothing(
    archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rimsight.archive import rows

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(rows, "index_text", interrupted)
    photo, measured = sample.rim()
    with pytest.raises(KeyboardInterrupt):
        archive.keep(photo, "a.jpg", measured)
    monkeypatch.undo()
    report = verify(archive, stale_after_s=0)
    assert (report.records, report.findings) == (0, [])


def test_measured_is_not_lost_when_the_small_picture_fails(archive: Archive, monkeypatch: pytest.MonkeyPatch) -> None:
    from rimsight.archive import pictures
    from rimsight.archive.errors import PictureUnreadable

    def unreadable(_: bytes) -> bytes:
        raise PictureUnreadable("no")

    monkeypatch.setattr(pictures, "thumbnail", unreadable)
    photo, measured = sample.rim()
    assert isinstance(measured, Measured)
    assert archive.keep(photo, "a.jpg", measured).new
