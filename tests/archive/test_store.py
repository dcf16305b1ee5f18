"""Keeping, labelling, removing: what goes in comes out, and nothing that was measured is ever changed."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from rimsight.archive.errors import ArchiveDamaged, ArchiveError, NoArchive, NoSuchRecord
from rimsight.archive.objects import sha256_of
from rimsight.archive.records import Labels, Measured
from rimsight.archive.store import Archive
from tests.archive import sample


def test_a_record_comes_back_as_it_was_kept(archive: Archive) -> None:
    photo, measured = sample.rim()
    kept = archive.keep(photo, "/home/somebody/Pictures/IMG_7.jpg", measured, sample.labels())
    record = archive.record(kept.number)
    assert archive.objects.read(record.photo) == photo
    assert record.photo == sha256_of(photo)
    assert record.photo_name == "IMG_7.jpg"
    assert record.labels == sample.labels()
    reading = record.latest
    assert reading.document.result == measured.result
    assert reading.document.data["inputs"] == measured.inputs
    assert reading.document.data["camera"] == measured.camera
    assert reading.document.data["program"] == "0.1.0"
    assert reading.overlay is not None
    assert archive.objects.read(reading.overlay) == measured.overlay
    assert reading.figures()["stone.diameter_mm"] == (6.124, 0.012)


def test_every_figure_keeps_its_budget(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured).number
    stone = archive.record(number).latest.document.result["stone"]
    assert stone["diameter_mm"]["budget"] == {"print scale": 0.003, "edge": 0.004}


def test_the_readings_document_is_a_file_named_by_its_hash(archive: Archive) -> None:
    photo, measured = sample.rim()
    document = archive.record(archive.keep(photo, "a.jpg", measured).number).latest.document
    text = archive.objects.path(document.sha256).read_text()
    assert sha256_of(text.encode()) == document.sha256
    assert json.loads(text)["result"]["rim"] == measured.result["rim"]


def test_folders_of_the_photo_are_not_kept(archive: Archive) -> None:
    photo, measured = sample.rim(photo="/home/ottilie/Bench photos/IMG_7.jpg")
    record = archive.record(archive.keep(photo, "C:\\Users\\ottilie\\IMG_7.jpg", measured).number)
    assert record.photo_name == "IMG_7.jpg"
    assert "ottilie" not in record.latest.document.text


def test_a_second_reading_stands_beside_the_first(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured).number
    later = replace(measured, result=sample.rim_result(6.130, verdict="too close to call"), program="0.2.0")
    assert archive.add_reading(number, later).reading == 2
    record = archive.record(number)
    assert [reading.document.data["program"] for reading in record.readings] == ["0.1.0", "0.2.0"]
    assert record.readings[0].document.result == measured.result
    assert record.latest.document.verdict == "too close to call"


def test_a_reading_of_another_kind_is_refused(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured).number
    with pytest.raises(ValueError, match=r"record 1 is a rim, this reading is a stone"):
        archive.add_reading(number, replace(measured, kind="stone"))


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE reading SET body = replace(body, '6.124', '6.424')",
        "UPDATE reading SET document = 'x'",
        "UPDATE reading SET overlay = NULL",
        "UPDATE record SET photo = (SELECT document FROM reading)",
        "UPDATE record SET key = 'x'",
        "UPDATE record SET kept_at = '2020-01-01T00:00:00Z'",
    ],
)
def test_the_database_refuses_to_change_what_was_measured(archive: Archive, statement: str) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        archive.connection.execute(statement)


def test_a_falsified_reading_is_not_shown_as_true(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured).number
    archive.connection.execute("DROP TRIGGER reading_stays")
    archive.connection.execute("UPDATE reading SET body = replace(body, '6.124', '6.424')")
    with pytest.raises(ArchiveDamaged, match="no longer what was kept"):
        archive.record(number)


def test_an_altered_photo_is_not_handed_out(archive: Archive) -> None:
    photo, measured = sample.rim()
    record = archive.record(archive.keep(photo, "a.jpg", measured).number)
    path = archive.objects.path(record.photo)
    path.write_bytes(photo[:-1] + b"\0")
    with pytest.raises(ArchiveError, match="no longer what was kept"):
        archive.objects.read(record.photo)


def test_labels_change_and_what_they_were_stays_readable(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured, sample.labels()).number
    archive.relabel(number, {"job": "M-105", "note": ""}, add_tags=["Done"], drop_tags=["RING"])
    archive.relabel(number, append_note="second line")
    record = archive.record(number)
    assert (record.labels.job, record.labels.note, record.labels.tags) == ("M-105", "second line", ("Done",))
    told = [(change.field, change.before, change.after) for change in record.changes]
    assert ("job", "M-104", "M-105") in told
    assert ("note", "Cushion bezel asked for first, then tube.", "") in told
    assert ("tags", '["ring"]', '["Done"]') in told


def test_removing_goes_to_a_bin_and_back(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured).number
    assert archive.remove([number]) == [number]
    assert archive.remove([number]) == []
    assert archive.record(number).removed_at is not None
    assert archive.restore([number]) == [number]
    assert archive.record(number).removed_at is None


def test_removing_moves_all_or_none(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured).number
    with pytest.raises(NoSuchRecord, match="no record 99"):
        archive.remove([number, 99])
    assert archive.record(number).removed_at is None


def test_emptying_the_bin_deletes_only_what_nothing_else_uses(archive: Archive) -> None:
    photo, measured = sample.rim()
    first = archive.keep(photo, "a.jpg", measured).number
    second = archive.keep(photo, "a.jpg", measured).number  # the same photo and overlay
    other = archive.keep(*_with_name(sample.rim(5))).number
    archive.remove([first, other])
    assert archive.empty_bin()[0] == 2
    assert archive.objects.read(archive.record(second).photo) == photo
    with pytest.raises(NoSuchRecord):
        archive.record(first)
    files = [path for path, _ in archive.objects.everything()]
    assert len(files) == archive.connection.execute("SELECT count(*) FROM object").fetchone()[0] == 4


def _with_name(made: tuple[bytes, Measured]) -> tuple[bytes, str, Measured]:
    return made[0], "b.jpg", made[1]


def test_a_number_is_never_given_twice(archive: Archive) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, "a.jpg", measured).number
    archive.remove([number])
    archive.empty_bin()
    assert archive.keep(photo, "a.jpg", measured).number == number + 1


def test_once_keeps_a_photo_once_for_each_kind(archive: Archive) -> None:
    photo, measured = sample.rim()
    first = archive.keep(photo, "a.jpg", measured, once=True)
    again = archive.keep(photo, "copy of a.jpg", measured, once=True)
    assert (first.new, again.new, again.number) == (True, False, first.number)
    assert archive.keep(photo, "a.jpg", replace(measured, kind="stone"), once=True).new
    archive.remove([first.number])
    assert not archive.keep(photo, "a.jpg", measured, once=True).new


def test_keeping_the_same_photo_again_tells_of_the_other_record(archive: Archive) -> None:
    photo, measured = sample.rim()
    first = archive.keep(photo, "a.jpg", measured)
    assert archive.keep(photo, "a.jpg", measured).others == (first.number,)


@pytest.mark.parametrize(
    ("result", "says"),
    [
        ({"stone": {"diameter_mm": {"value": float("nan")}}}, "not plain JSON"),
        ({"stone": {"diameter_mm": {"value": float("inf")}}}, "not plain JSON"),
        ({"stone": object()}, "not plain JSON"),
    ],
)
def test_a_result_that_is_not_json_is_refused_and_leaves_nothing(
    archive: Archive, result: dict[str, object], says: str
) -> None:
    photo, measured = sample.rim()
    with pytest.raises(ValueError, match=says):
        archive.keep(photo, "a.jpg", replace(measured, result=result))
    assert list(archive.objects.everything()) == []
    assert list(archive.objects.incoming.iterdir()) == []


def test_a_photo_that_no_decoder_knows_is_kept_without_a_small_picture(archive: Archive) -> None:
    _, measured = sample.rim()
    record = archive.record(archive.keep(b"not a picture", "a.raw", replace(measured, overlay=None)).number)
    assert record.latest.thumbnail is None
    assert archive.objects.read(record.photo) == b"not a picture"


def test_labels_lose_what_could_mislead(archive: Archive) -> None:
    photo, measured = sample.rim()
    nasty = Labels(job=" M\x1b[31m-1 \u202egpj.exe\n", note="one\r\ntwo\x07", tags=("a", "A", " ", "b\u0000"))
    labels = archive.record(archive.keep(photo, "a.jpg", measured, nasty).number).labels
    assert labels.job == "M [31m-1 gpj.exe"
    assert labels.note == "one\ntwo"
    assert labels.tags == ("a", "b")


def test_a_file_name_that_is_not_text_is_kept_all_the_same(archive: Archive) -> None:
    photo, measured = sample.rim()
    name = b"IMG_\xff\xfe.jpg".decode("utf-8", "surrogateescape")
    assert archive.record(archive.keep(photo, name, measured).number).photo_name == "IMG_ .jpg"


def test_too_long_a_label_is_refused(archive: Archive) -> None:
    photo, measured = sample.rim()
    with pytest.raises(ValueError, match="the job is 300 characters long; 200 are allowed"):
        archive.keep(photo, "a.jpg", measured, Labels(job="x" * 300))


def test_reading_where_nothing_was_kept(tmp_path: Path) -> None:
    with pytest.raises(NoArchive, match="there is no archive in"):
        Archive(tmp_path / "home" / "archive")
    assert list(tmp_path.iterdir()) == []


def test_an_archive_is_not_made_on_a_stick_that_is_not_plugged_in(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="so no archive is made in it"):
        Archive(tmp_path / "media" / "stick" / "archive", write=True)
    assert list(tmp_path.iterdir()) == []


def test_the_folder_is_private(archive: Archive) -> None:
    assert archive.folder.stat().st_mode & 0o077 == 0


def test_files_without_their_database_are_not_taken_for_a_new_archive(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    archive.close()
    for path in archive.folder.glob("archive.db*"):
        path.unlink()
    for write in (False, True):
        with pytest.raises(ArchiveDamaged, match="verify --repair"):
            Archive(archive.folder, write=write)


@pytest.mark.parametrize("name", ["a?b", "a#b", "a%20b", "a b", "ä"])
def test_odd_names_of_folders(tmp_path: Path, name: str) -> None:
    photo, measured = sample.rim()
    with Archive(tmp_path / name / "archive", write=True) as archive:
        archive.keep(photo, "a.jpg", measured)
    assert (tmp_path / name / "archive" / "archive.db").is_file()
    with Archive(tmp_path / name / "archive") as archive:
        assert archive.record(1).number == 1
