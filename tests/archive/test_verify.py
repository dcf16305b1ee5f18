"""Damage of every kind is found, said of which records, and mended where anything whole is left to mend it from."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from rimsight.archive import bundle, repair, search
from rimsight.archive.errors import ArchiveDamaged
from rimsight.archive.rebuild import rebuild
from rimsight.archive.store import Archive
from rimsight.archive.verify import Problem, Report, verify
from tests.archive import sample


@pytest.fixture(name="filled")
def filled_fixture(archive: Archive) -> Archive:
    for seed in range(3):
        photo, measured = sample.rim(seed)
        archive.keep(photo, f"IMG_{seed}.jpg", measured, sample.labels(job=f"M-10{seed}"))
    _, measured = sample.rim(2)
    archive.add_reading(3, measured)
    return archive


def look(archive: Archive) -> Report:
    return verify(archive, stale_after_s=0)


def problems(report: Report) -> list[tuple[Problem, tuple[int, ...]]]:
    return [(finding.problem, finding.numbers) for finding in report.findings]


def flip_a_bit(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(data)


def unseal(archive: Archive) -> None:
    for (name,) in archive.connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        archive.connection.execute(f"DROP TRIGGER {name}")
    archive.connection.execute("PRAGMA foreign_keys = OFF")


def test_a_whole_archive_is_called_whole(filled: Archive) -> None:
    report = look(filled)
    assert problems(report) == []
    assert (report.records, report.readings) == (3, 4)
    # three photos, three overlays, three small pictures, four documents; the third record's pictures serve twice
    assert report.files == 13


def test_a_flipped_bit_of_a_photo_is_found_and_mended_from_a_folder(filled: Archive, tmp_path: Path) -> None:
    photo = filled.objects.path(filled.record(2).photo)
    (tmp_path / "phone" / "deep").mkdir(parents=True)
    (tmp_path / "phone" / "deep" / "kept.jpg").write_bytes(photo.read_bytes())
    flip_a_bit(photo)
    report = look(filled)
    assert problems(report) == [(Problem.PHOTO_ALTERED, (2,))]
    assert [finding.outcome for finding in repair.repair(filled, report).findings] == ["open"]
    assert report.unhealed
    report = repair.repair(filled, look(filled), [tmp_path / "phone"])
    assert [finding.outcome for finding in report.findings] == ["repaired"]
    assert problems(look(filled)) == []


def test_every_single_flipped_bit_of_a_small_photo_is_found(archive: Archive) -> None:
    _, measured = sample.rim()
    number = archive.keep(b"a picture of sorts", "a.jpg", measured).number
    path = archive.objects.path(archive.record(number).photo)
    whole = path.read_bytes()
    for bit in range(8 * len(whole)):
        broken = bytearray(whole)
        broken[bit // 8] ^= 1 << bit % 8
        path.write_bytes(broken)
        assert problems(look(archive)) == [(Problem.PHOTO_ALTERED, (number,))]


def test_missing_files_are_found_and_mended_from_a_zip(filled: Archive, tmp_path: Path) -> None:
    bundle.write_zip(filled, search.numbers(filled, search.Query()), tmp_path / "b.zip", program="0")
    first, third = filled.record(1), filled.record(3)
    assert third.latest.overlay is not None
    filled.objects.path(first.photo).unlink()
    filled.objects.path(third.latest.overlay).unlink()
    report = look(filled)
    assert sorted(problems(report), key=str) == [(Problem.OVERLAY_MISSING, (3,)), (Problem.PHOTO_MISSING, (1,))]
    repair.repair(filled, report, [tmp_path / "b.zip"])
    assert not report.unhealed
    assert problems(look(filled)) == []


def test_the_whole_folder_of_files_gone(filled: Archive, tmp_path: Path) -> None:
    import shutil

    bundle.write_zip(filled, search.numbers(filled, search.Query()), tmp_path / "b.zip", program="0")
    shutil.rmtree(filled.objects.root)
    report = look(filled)
    assert {finding.problem for finding in report.findings} == {
        Problem.PHOTO_MISSING,
        Problem.OVERLAY_MISSING,
        Problem.THUMBNAIL,
        Problem.DOCUMENT,
    }
    repair.repair(filled, report, [tmp_path / "b.zip"])
    assert problems(look(filled)) == []


def test_a_falsified_figure_is_found_and_put_right_from_its_file(filled: Archive) -> None:
    unseal(filled)
    filled.connection.execute("UPDATE reading SET body = replace(body, '6.124', '6.424') WHERE record = 2")
    report = look(filled)
    assert problems(report) == [(Problem.READING, (2,))]
    repair.repair(filled, report)
    assert filled.record(2).latest.figures()["stone.diameter_mm"] == (6.124, 0.012)
    assert problems(look(filled)) == []


def test_a_falsified_figure_with_a_matching_new_hash_is_found(filled: Archive) -> None:
    """Whoever falsifies the text and its hash alike still lacks the file of that name."""
    from rimsight.archive.objects import sha256_of

    unseal(filled)
    body = filled.record(2).latest.document.text.replace("6.124", "6.424")
    filled.connection.execute(
        "UPDATE reading SET body = ?, document = ? WHERE record = 2", (body, sha256_of(body.encode()))
    )
    found = {finding.problem for finding in look(filled).findings}
    assert {Problem.DOCUMENT, Problem.FIGURES} <= found


@pytest.mark.parametrize(
    ("statement", "expected"),
    [
        ("UPDATE figure SET value = 9.9 WHERE record = 2 AND name = 'stone.diameter_mm'", Problem.FIGURES),
        ("DELETE FROM figure WHERE record = 2", Problem.FIGURES),
        ("UPDATE record SET verdict = 'too thin' WHERE id = 2", Problem.FIGURES),
        ("UPDATE record SET reading = 7 WHERE id = 2", Problem.FIGURES),
        ("UPDATE record SET photo = (SELECT photo FROM record WHERE id = 1) WHERE id = 2", Problem.READING),
        ("UPDATE reading SET overlay = NULL WHERE record = 2", Problem.READING),
        ("UPDATE reading SET body = 'nonsense' WHERE record = 2", Problem.READING),
        ("DELETE FROM reading WHERE record = 2", Problem.NO_READING),
        ("DELETE FROM record_text WHERE rowid = 2", Problem.INDEX),
        ("UPDATE record SET note = 'slipped in' WHERE id = 2", Problem.INDEX),
        ("INSERT INTO tag VALUES (2, 'slipped in')", Problem.INDEX),
        ("INSERT INTO record_text (rowid, job) VALUES (99, 'ghost')", Problem.INDEX),
    ],
)
def test_rows_out_of_step_are_found_and_mended(filled: Archive, statement: str, expected: Problem) -> None:
    unseal(filled)
    filled.connection.execute(statement)
    report = look(filled)
    assert expected in {finding.problem for finding in report.findings}
    repair.repair(filled, report)
    again = look(filled)
    assert problems(again) == []
    assert filled.record(2).photo != filled.record(1).photo


def test_the_file_of_a_reading_is_written_again_from_the_database(filled: Archive) -> None:
    document = filled.record(1).latest.document
    flip_a_bit(filled.objects.path(document.sha256))
    report = look(filled)
    assert problems(report) == [(Problem.DOCUMENT, (1,))]
    repair.repair(filled, report)
    assert filled.objects.read(document.sha256).decode() == document.text


def test_a_small_picture_is_made_again(filled: Archive) -> None:
    small = filled.record(1).latest.thumbnail
    assert small is not None
    flip_a_bit(filled.objects.path(small))
    report = look(filled)
    assert problems(report) == [(Problem.THUMBNAIL, (1,))]
    repair.repair(filled, report)
    assert problems(look(filled)) == []
    assert filled.record(1).latest.thumbnail is not None


def test_files_of_no_record_are_set_aside_and_go_with_the_bin(filled: Archive) -> None:
    filled.objects.place(filled.objects.stage(b"nobody's"))
    filled.objects.stage(b"half")
    stranger = filled.objects.root / "read me.txt"
    stranger.write_text("not the archive's")
    report = look(filled)
    assert {finding.problem for finding in report.findings} == {
        Problem.ORPHAN,
        Problem.HALF_WRITTEN,
        Problem.STRANGE,
    }
    assert not report.unhealed
    repair.repair(filled, report)
    assert [finding.problem for finding in look(filled).findings] == [Problem.STRANGE]
    assert stranger.read_text() == "not the archive's"
    assert [path.read_bytes() for path in filled.objects.leftover.iterdir()] == [b"nobody's"]
    assert filled.empty_bin() == (0, 1)
    assert list(filled.objects.leftover.iterdir()) == []


def test_a_fresh_half_written_file_is_left_to_the_command_that_writes_it(filled: Archive) -> None:
    filled.objects.stage(b"half")
    assert problems(verify(filled)) == []


def test_a_record_that_the_database_lost_comes_back(filled: Archive) -> None:
    from rimsight.archive import rows

    before = filled.record(3)
    with filled.writing() as connection:
        rows.delete_record(connection, 3)
        connection.execute("DELETE FROM deleted")  # lost, not deleted
        rows.drop_unused_objects(connection)
    report = look(filled)
    assert [finding.problem for finding in report.findings].count(Problem.LOST_READING) == 2
    repair.repair(filled, report)
    after = filled.record(3)
    assert (after.key, after.labels, after.photo) == (before.key, before.labels, before.photo)
    assert [r.document.sha256 for r in after.readings] == [r.document.sha256 for r in before.readings]
    assert not look(filled).unhealed


def test_files_of_a_deletion_that_was_killed_do_not_bring_the_record_back(filled: Archive) -> None:
    from rimsight.archive import rows

    with filled.writing() as connection:
        rows.delete_record(connection, 3)
        rows.drop_unused_objects(connection)
    report = look(filled)
    assert {finding.problem for finding in report.findings} == {Problem.ORPHAN}
    repair.repair(filled, report)
    assert problems(look(filled)) == []
    assert search.count(filled, search.Query()) == 2


def _lose(folder: Path) -> None:
    for path in folder.glob("archive.db*"):
        path.unlink()


def _scribble(folder: Path) -> None:
    path = folder / "archive.db"
    data = bytearray(path.read_bytes())
    for start in range(4096, len(data), 4096 * 3):
        data[start : start + 200] = b"\xff" * 200
    path.write_bytes(data)


def _not_a_database(folder: Path) -> None:
    (folder / "archive.db").write_bytes(b"this was a database once" * 100)


def _cut(folder: Path) -> None:
    path = folder / "archive.db"
    path.write_bytes(path.read_bytes()[: 4096 * 9])


@pytest.mark.parametrize("harm", [_lose, _scribble, _not_a_database, _cut])
def test_a_database_beyond_reading_is_made_anew(filled: Archive, harm: Callable[[Path], None]) -> None:
    filled.remove([2])
    before = [filled.record(number) for number in (1, 2, 3)]
    filled.close()
    harm(filled.folder)
    with pytest.raises((ArchiveDamaged, sqlite3.DatabaseError, AssertionError)), Archive(filled.folder) as archive:
        assert problems(look(archive)) == []
    outcome = rebuild(filled.folder)
    assert (outcome.records, outcome.readings) == (3, 4)
    with Archive(filled.folder, write=True) as archive:
        report = look(archive)
        assert not report.unhealed
        repair.repair(archive, report)
        repair.make_thumbnails(archive)
        assert problems(look(archive)) == []
        for old in before:
            new = archive.record(old.number)
            assert (new.key, new.photo, new.kind) == (old.key, old.photo, old.kind)
            assert [r.document.sha256 for r in new.readings] == [r.document.sha256 for r in old.readings]
            assert new.labels == old.labels
            assert new.latest.thumbnail is not None
        photo, measured = sample.rim(9)
        assert archive.keep(photo, "after.jpg", measured).number == 4


def test_later_labels_and_the_bin_survive_where_the_old_database_still_tells_them(filled: Archive) -> None:
    filled.relabel(1, {"note": "rewritten"}, add_tags=["late"])
    filled.remove([2])
    filled.close()
    rebuild(filled.folder)  # of a healthy database: everything can be read
    with Archive(filled.folder) as archive:
        assert archive.record(1).labels.note == "rewritten"
        assert archive.record(1).labels.tags == ("late", "ring")
        assert [change.field for change in archive.record(1).changes] == ["note", "tags"]
        assert archive.record(2).removed_at is not None
    old = next(filled.folder.glob("damaged-*"))
    assert (old / "archive.db").is_file()


def test_any_flipped_byte_of_the_database_is_found_or_harmless(filled: Archive) -> None:
    """A hundred single flips over the whole file: what is shown afterwards is what was kept, or damage is told."""
    import random

    expected = [filled.record(number).as_json() for number in (1, 2, 3)]
    filled.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    filled.close()
    path = filled.folder / "archive.db"
    whole = path.read_bytes()
    rng = random.Random(5)
    found = 0
    for _ in range(100):
        broken = bytearray(whole)
        broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
        path.write_bytes(broken)
        for name in ("archive.db-wal", "archive.db-shm"):
            (filled.folder / name).unlink(missing_ok=True)
        try:
            with Archive(filled.folder, write=True) as archive:
                if look(archive).findings:
                    found += 1
                    continue
                for number in (1, 2, 3):
                    shown = archive.record(number).as_json()
                    for name in ("key", "kind", "photo", "readings", "labels"):
                        assert shown[name] == expected[number - 1][name]
        except (OSError, sqlite3.DatabaseError):
            found += 1
    assert found > 10  # most of a young database's bytes are unused: flips there change nothing
