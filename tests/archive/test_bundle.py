"""The zip: whole, checkable by others' tools, and harmless whoever made the one that is imported."""

from __future__ import annotations

import io
import json
import shutil
import stat
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rimsight.archive import bundle, search
from rimsight.archive.errors import ArchiveFull, ZipRefused
from rimsight.archive.objects import sha256_of
from rimsight.archive.store import Archive
from rimsight.archive.unbundle import read_zip
from rimsight.archive.verify import verify
from tests.archive import sample


@pytest.fixture(name="zipped")
def zipped_fixture(tmp_path: Path) -> Path:
    with Archive(tmp_path / "house" / "archive", write=True, durable=False) as archive:
        for seed in range(3):
            photo, measured = sample.rim(seed)
            archive.keep(photo, f"IMG_{seed}.jpg", measured, sample.labels(job=f"M-10{seed}"))
        archive.add_reading(2, sample.rim(1)[1])
        archive.relabel(1, {"note": "rewritten"})
        bundle.write_zip(archive, [1, 2, 3], tmp_path / "a.zip", program="0.1.0")
    return tmp_path / "a.zip"


def counted(archive: Archive) -> int:
    return search.count(archive, search.Query())


def test_what_was_exported_arrives_whole(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    outcome = read_zip(archive, zipped)
    assert (outcome.new, outcome.extended, outcome.known) == ([1, 2, 3], [], 0)
    with Archive(tmp_path / "house" / "archive") as house:
        for number in (1, 2, 3):
            here, there = archive.record(number), house.record(number)
            assert here == there
            assert archive.objects.read(here.photo) == house.objects.read(there.photo)
    assert verify(archive, stale_after_s=0).findings == []
    assert search.count(archive, search.Query(text="rewritten", sizes={"stone": (6.1, 6.2)})) == 1


def test_importing_twice_changes_nothing(zipped: Path, archive: Archive) -> None:
    read_zip(archive, zipped)
    outcome = read_zip(archive, zipped)
    assert (outcome.new, outcome.extended, outcome.known) == ([], [], 3)
    assert verify(archive, stale_after_s=0).findings == []


def test_labels_written_here_stay(zipped: Path, archive: Archive) -> None:
    read_zip(archive, zipped)
    archive.relabel(1, {"note": "ours"})
    read_zip(archive, zipped)
    assert archive.record(1).labels.note == "ours"


def test_further_readings_are_added(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    read_zip(archive, zipped)
    with Archive(tmp_path / "house" / "archive", write=True) as house:
        house.add_reading(3, sample.rim(2)[1])
        bundle.write_zip(house, [3], tmp_path / "b.zip", program="0")
    outcome = read_zip(archive, tmp_path / "b.zip")
    assert (outcome.new, outcome.extended, outcome.known) == ([], [3], 0)
    assert len(archive.record(3).readings) == 2
    assert verify(archive, stale_after_s=0).findings == []


def test_numbers_that_are_taken_give_way(zipped: Path, archive: Archive) -> None:
    photo, measured = sample.rim(50)
    archive.keep(photo, "own.jpg", measured)
    assert read_zip(archive, zipped).new == [2, 3, 4]
    assert archive.record(1).photo_name == "own.jpg"
    assert verify(archive, stale_after_s=0).findings == []


def test_what_was_deleted_comes_back_by_import(zipped: Path, archive: Archive) -> None:
    read_zip(archive, zipped)
    archive.remove([1, 2, 3])
    archive.empty_bin()
    assert read_zip(archive, zipped).new == [4, 5, 6]
    assert verify(archive, stale_after_s=0).findings == []


def test_the_zip_stands_before_other_programs(zipped: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(zipped) as opened:
        assert opened.testzip() is None
        names = set(opened.namelist())
        opened.extractall(tmp_path / "out")
    assert {"manifest.json", "records.jsonl", "SHA256SUMS"} <= names
    sums = dict(line.split("  ")[::-1] for line in (tmp_path / "out" / "SHA256SUMS").read_text().splitlines())
    assert set(sums) == names - {"SHA256SUMS"}
    for name, sha256 in sums.items():
        assert sha256_of((tmp_path / "out" / name).read_bytes()) == sha256


@pytest.mark.skipif(shutil.which("unzip") is None, reason="Info-ZIP's unzip is not installed")
def test_info_zip_finds_no_fault(zipped: Path) -> None:
    done = subprocess.run(["unzip", "-t", str(zipped)], capture_output=True, text=True, check=True)
    assert "No errors detected" in done.stdout


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="sha256sum is not installed")
def test_the_sums_are_checked_without_this_program(zipped: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(zipped) as opened:
        opened.extractall(tmp_path / "out")
    subprocess.run(["sha256sum", "--quiet", "-c", "SHA256SUMS"], cwd=tmp_path / "out", check=True)


def test_the_same_records_give_the_same_zip_but_for_the_time(zipped: Path, tmp_path: Path) -> None:
    with Archive(tmp_path / "house" / "archive") as archive:
        bundle.write_zip(archive, [1, 2, 3], tmp_path / "b.zip", program="0.1.0")
    with zipfile.ZipFile(zipped) as one, zipfile.ZipFile(tmp_path / "b.zip") as two:
        for name in set(one.namelist()) - {"manifest.json", "SHA256SUMS"}:
            assert one.read(name) == two.read(name)


def test_a_damaged_record_is_left_out_and_told(zipped: Path, tmp_path: Path) -> None:
    with Archive(tmp_path / "house" / "archive", write=True) as archive:
        archive.objects.path(archive.record(2).photo).write_bytes(b"rotten")
        outcome = bundle.write_zip(archive, [1, 2, 3], tmp_path / "b.zip", program="0")
    assert outcome.records == 2
    assert outcome.left_out == {2: "its photo is missing or altered"}


def test_a_zip_that_can_not_be_finished_leaves_nothing(zipped: Path, tmp_path: Path) -> None:
    target = tmp_path / "b.zip"
    target.write_bytes(b"an older back-up")

    def numbers() -> Any:
        yield 1
        raise KeyboardInterrupt

    with Archive(tmp_path / "house" / "archive") as archive, pytest.raises(KeyboardInterrupt):
        bundle.write_zip(archive, numbers(), target, program="0")
    assert target.read_bytes() == b"an older back-up"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.zip", "b.zip", "house"]


# -- hostile zips ------------------------------------------------------------------------------------------------

Members = dict[str, bytes]


def members_of(path: Path) -> Members:
    with zipfile.ZipFile(path) as opened:
        return {name: opened.read(name) for name in opened.namelist()}


def write_members(path: Path, members: Members) -> None:
    """Write a zip whose list of sums is right, so that it is refused for what the test is about."""
    members = dict(members)
    if "SHA256SUMS" in members:
        sums = {name: sha256_of(data) for name, data in members.items() if name != "SHA256SUMS"}
        members["SHA256SUMS"] = "".join(f"{sums[name]}  {name}\n" for name in sorted(sums)).encode()
    with zipfile.ZipFile(path, "w") as opened:
        for name, data in members.items():
            opened.writestr(zipfile.ZipInfo(name), data)


def line_of(members: Members, number: int = 0) -> dict[str, Any]:
    line: dict[str, Any] = json.loads(members["records.jsonl"].splitlines()[number])
    return line


def with_line(members: Members, **changes: Any) -> Members:
    lines = members["records.jsonl"].splitlines()
    lines[0] = json.dumps(json.loads(lines[0]) | changes).encode()
    return members | {"records.jsonl": b"\n".join(lines) + b"\n"}


def with_document(members: Members, change: Callable[[dict[str, Any]], None]) -> Members:
    """Replace the first record's reading by one that is changed and sealed anew."""
    old = line_of(members)["readings"][0]
    data = json.loads(members[bundle.member_name(old)])
    change(data)
    text = json.dumps(data, sort_keys=True, separators=(",", ":")).encode()
    rest = {name: body for name, body in members.items() if name != bundle.member_name(old)}
    return with_line(rest | {bundle.member_name(sha256_of(text)): text}, readings=[sha256_of(text)])


def a_photo(members: Members) -> bytes:
    return next(data for data in members.values() if data.startswith(b"\xff\xd8"))


def extra(name: str) -> Callable[[Members], Members]:
    return lambda members: members | {name: b"evil"}


HOSTILE: dict[str, tuple[Callable[[Members], Members], str]] = {
    # names that lead outside, or anywhere that no export puts a file
    "parent folder": (extra("../evil.txt"), "no export writes"),
    "deep parent folder": (extra("objects/../../evil.txt"), "no export writes"),
    "parent in a hash": (extra("objects/../" + "a" * 62), "no export writes"),
    "absolute": (extra("/tmp/evil.txt"), "no export writes"),
    "drive": (extra("C:/evil.txt"), "no export writes"),
    "backslashes": (extra("..\\evil.txt"), "no export writes"),
    "network share": (extra("//host/share/evil.txt"), "no export writes"),
    "database": (extra("archive.db"), "no export writes"),
    "folder": (extra("objects/"), "no export writes"),
    "upper case hash": (extra("objects/AB/" + "C" * 62), "no export writes"),
    "short hash": (extra("objects/ab/cdef"), "no export writes"),
    "line feed after the name": (extra("manifest.json\n"), "no export writes"),
    "device": (extra("CON"), "no export writes"),
    "turned round": (extra("\u202egpj.exe"), "no export writes"),
    "empty name": (extra(" "), "no export writes"),
    # files that are not what they are named
    "altered photo": (
        lambda members: {n: b"other" if n.startswith("objects/") else d for n, d in members.items()},
        "not what it was when it was exported",
    ),
    "no manifest": (lambda members: {n: d for n, d in members.items() if n != "manifest.json"}, "no manifest.json"),
    "no records": (lambda members: {n: d for n, d in members.items() if n != "records.jsonl"}, "no records.jsonl"),
    "no sums": (lambda members: {n: d for n, d in members.items() if n != "SHA256SUMS"}, "no SHA256SUMS"),
    "another form": (lambda members: members | {"manifest.json": b'{"schema": "else/9"}'}, "newer version"),
    "manifest of lists": (lambda members: members | {"manifest.json": b"[]"}, "not a JSON object"),
    "manifest too deep": (lambda members: members | {"manifest.json": b"[" * 100_000}, "not JSON"),
    "manifest too long": (lambda members: members | {"manifest.json": b" " * 2_000_000}, "too long"),
    # records that are none
    "record is a number": (lambda members: members | {"records.jsonl": b"7\n"}, "not a JSON object"),
    "record is cut off": (lambda members: members | {"records.jsonl": b'{"key": "'}, "cut off"),
    "record too deep": (lambda members: members | {"records.jsonl": b'{"a":' * 50_000 + b"\n"}, "not JSON"),
    "record without end": (lambda members: members | {"records.jsonl": b" " * 17_000_000}, "cut off, or too long"),
    "key is a list": (lambda members: with_line(members, key=[]), "is not one"),
    "key of another": (lambda members: with_line(members, key="0" * 32), "belongs to another record"),
    "number too large": (lambda members: with_line(members, number=10**30), "is not one"),
    "number is true": (lambda members: with_line(members, number=True), "is not one"),
    "negative number": (lambda members: with_line(members, number=-1), "is not one"),
    "no readings": (lambda members: with_line(members, readings=[]), "is not one"),
    "reading is a path": (lambda members: with_line(members, readings=["../../etc/passwd"]), "is not one"),
    "reading twice": (lambda members: with_line(members, readings=line_of(members)["readings"] * 2), "is not one"),
    "reading is not there": (lambda members: with_line(members, readings=["0" * 64]), "is not in it"),
    "reading is a photo": (
        lambda members: with_line(members, readings=[sha256_of(a_photo(members))]),
        "is not one",
    ),
    "reading of another": (lambda m: with_line(m, readings=line_of(m, 1)["readings"]), "another record"),
    "labels are a text": (lambda members: with_line(members, labels="M-104"), "is not one"),
    "label is a number": (lambda members: with_line(members, labels={"job": 7}), "is not one"),
    "label too long": (lambda members: with_line(members, labels={"job": "x" * 10_000}), "is not one"),
    "time is none": (lambda members: with_line(members, kept_at="'; DROP TABLE record; --"), "is not one"),
    "changes are none": (lambda members: with_line(members, changes=[["at"]]), "is not one"),
    "change too long": (
        lambda members: with_line(
            members, changes=[{"at": "2026-01-01T00:00:00Z", "field": "note", "before": "x" * 10**6, "after": ""}]
        ),
        "is not one",
    ),
    # readings that are sealed rightly, and wrong all the same
    "photo is not there": (
        lambda members: with_document(members, lambda data: data["photo"].update(sha256="0" * 64)),
        "photo of record 1 is not in it",
    ),
    "photo is a path": (
        lambda members: with_document(members, lambda data: data["photo"].update(sha256="../../etc/passwd")),
        "is not one",
    ),
    "overlay is a path": (lambda m: with_document(m, lambda d: d.update(overlay="/etc/passwd")), "is not one"),
    "kind is a sentence": (lambda members: with_document(members, lambda d: d.update(kind="<b>rim</b>")), "is not one"),
    "no result": (lambda members: with_document(members, lambda data: data.pop("result")), "is not one"),
    "another schema": (lambda members: with_document(members, lambda d: d.update(schema="x/1")), "is not one"),
    "measured never": (lambda members: with_document(members, lambda d: d.update(measured_at="soon")), "is not one"),
    "number zero": (lambda members: with_document(members, lambda data: data.update(number=0)), "is not one"),
    "labels of the reading": (lambda members: with_document(members, lambda d: d.update(labels=[1])), "is not one"),
}


def refused(archive: Archive, path: Path, says: str) -> None:
    """Check that a zip is refused in words, and that nothing of it was written anywhere."""
    around = sorted(str(entry) for entry in archive.folder.parent.parent.rglob("*"))
    with pytest.raises(ZipRefused, match=says):
        read_zip(archive, path)
    after = sorted(str(entry) for entry in archive.folder.parent.parent.rglob("*"))
    ours = {str(archive.folder / name) for name in ("incoming", "objects")}
    assert set(after) - set(around) <= ours
    assert counted(archive) == 0
    assert verify(archive, stale_after_s=0).findings == []


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_zip_is_refused_whole(zipped: Path, archive: Archive, name: str, tmp_path: Path) -> None:
    change, says = HOSTILE[name]
    write_members(tmp_path / "evil.zip", change(members_of(zipped)))
    refused(archive, tmp_path / "evil.zip", says)
    assert not Path("/tmp/evil.txt").exists()


def test_untouched_members_written_by_the_same_means_are_taken(
    zipped: Path, archive: Archive, tmp_path: Path
) -> None:
    """What shows that the hostile ones are refused for what they are."""
    write_members(tmp_path / "good.zip", members_of(zipped))
    assert read_zip(archive, tmp_path / "good.zip").new == [1, 2, 3]


def test_records_that_are_not_those_of_the_sums_are_refused(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    members = members_of(zipped)
    members["records.jsonl"] = members["records.jsonl"].replace(b"rewritten", b"falsified")
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as opened:
        for name, data in members.items():
            opened.writestr(name, data)
    refused(archive, tmp_path / "evil.zip", "records.jsonl is not what it was")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFDIR, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFBLK, stat.S_IFSOCK])
def test_links_and_other_things_that_are_no_files(zipped: Path, archive: Archive, tmp_path: Path, kind: int) -> None:
    members = members_of(zipped)
    target = b"/etc/passwd"
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as opened:
        for name, data in members.items():
            opened.writestr(name, data)
        info = zipfile.ZipInfo(bundle.member_name(sha256_of(target)))
        info.create_system = 3
        info.external_attr = (kind | 0o777) << 16
        opened.writestr(info, target)
    refused(archive, tmp_path / "evil.zip", "is a link or a folder")


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_files_of_one_name(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    members = members_of(zipped)
    with zipfile.ZipFile(tmp_path / "evil.zip", "w") as opened:
        for name, data in members.items():
            opened.writestr(name, data)
        opened.writestr("manifest.json", b"{}")
    refused(archive, tmp_path / "evil.zip", "two files of one name")


def test_a_bomb_by_its_ratio(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    members = members_of(zipped)
    data = bytes(200_000_000)
    with zipfile.ZipFile(tmp_path / "evil.zip", "w", zipfile.ZIP_DEFLATED) as opened:
        for name, body in members.items():
            opened.writestr(name, body)
        opened.writestr(bundle.member_name(sha256_of(data)), data)
    assert (tmp_path / "evil.zip").stat().st_size < 400_000
    refused(archive, tmp_path / "evil.zip", "times its size")


def test_a_bomb_of_overlapping_files(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    """Many names for one stream of packed bytes (D. Fifield, "A better zip bomb", WOOT 2019): small ratio each."""
    members = members_of(zipped)
    path = tmp_path / "evil.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as opened:
        for name, body in members.items():
            opened.writestr(name, body)
        opened.writestr(bundle.member_name("0" * 64), b"kernel" * 100_000)
        first = opened.getinfo(bundle.member_name("0" * 64))
        for number in range(1, 50):
            copy = zipfile.ZipInfo(bundle.member_name(f"{number:064x}"))
            for field in ("header_offset", "CRC", "compress_size", "file_size", "compress_type"):
                setattr(copy, field, getattr(first, field))
            opened.filelist.append(copy)
            opened.NameToInfo[copy.filename] = copy
    refused(archive, path, "overlaps another file|can be read")


def test_a_zip_that_says_it_unpacks_to_more_than_the_disk_holds(
    zipped: Path, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Usage:
        free = 1000

    monkeypatch.setattr("rimsight.archive.unbundle.shutil.disk_usage", lambda _: Usage)
    with pytest.raises(ArchiveFull, match=r"and 1\.0 kB are free"):
        read_zip(archive, zipped)
    assert counted(archive) == 0


def test_an_encrypted_zip(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    data = bytearray(zipped.read_bytes())
    at = data.index(b"PK\x01\x02")
    data[at + 8] |= 1  # general purpose bit 0 of the first file in the central directory (APPNOTE 4.4.4)
    (tmp_path / "evil.zip").write_bytes(data)
    refused(archive, tmp_path / "evil.zip", "encrypted")


def test_a_directory_that_lies_about_its_place(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    data = bytearray(zipped.read_bytes())
    at = data.rindex(b"PK\x05\x06") + 16  # where the central directory begins (APPNOTE 4.3.16)
    data[at : at + 4] = (int.from_bytes(data[at : at + 4], "little") + 1).to_bytes(4, "little")
    (tmp_path / "evil.zip").write_bytes(data)
    refused(archive, tmp_path / "evil.zip", "begin before the zip")


@pytest.mark.parametrize("data", [b"", b"PK\x05\x06" + bytes(18), b"not a zip", b"PK\x03\x04" + bytes(100)])
def test_what_is_no_zip(archive: Archive, tmp_path: Path, data: bytes) -> None:
    (tmp_path / "evil.zip").write_bytes(data)
    refused(archive, tmp_path / "evil.zip", r"can't|not a zip|there is no manifest|not an exported")


def test_a_zip_with_bytes_changed_at_random_is_refused_or_right(zipped: Path, tmp_path: Path) -> None:
    """A hundred and fifty times: what is taken is what was exported, or nothing is."""
    import random

    rng = random.Random(11)
    whole = zipped.read_bytes()
    good = {line["key"]: line["readings"] for line in map(json.loads, members_of(zipped)["records.jsonl"].splitlines())}
    taken = 0
    for attempt in range(150):
        data = bytearray(whole)
        for _ in range(rng.randint(1, 3)):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        (tmp_path / "evil.zip").write_bytes(data)
        with Archive(tmp_path / str(attempt) / "archive", write=True, durable=False) as archive:
            try:
                read_zip(archive, tmp_path / "evil.zip")
            except ZipRefused:
                assert counted(archive) == 0
                continue
            taken += 1
            for number in search.numbers(archive, search.Query()):
                record = archive.record(number)
                assert [reading.document.sha256 for reading in record.readings] == good[record.key]
                archive.objects.read(record.photo)
    assert taken < 150


def test_what_a_hostile_record_says_is_only_text(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    labels = {"job": "'; DROP TABLE record; --", "note": "\x1b]0;owned\x07", "tags": ["<script>"], "unknown": 1}
    write_members(tmp_path / "b.zip", with_line(members_of(zipped), labels=labels, extra={"a": 1}))
    read_zip(archive, tmp_path / "b.zip")
    assert archive.record(1).labels.job == "'; DROP TABLE record; --"
    assert archive.record(1).labels.note == "]0;owned"
    assert io.StringIO(archive.record(1).labels.note).read().isprintable()


def test_a_record_with_the_key_of_another_photo_is_refused(zipped: Path, archive: Archive, tmp_path: Path) -> None:
    read_zip(archive, zipped)
    members = members_of(zipped)
    other = b"another photo"
    changed = with_document(
        members | {bundle.member_name(sha256_of(other)): other},
        lambda data: data["photo"].update(sha256=sha256_of(other), bytes=len(other)),
    )
    write_members(tmp_path / "evil.zip", changed)
    with pytest.raises(ZipRefused, match="the key of another photo"):
        read_zip(archive, tmp_path / "evil.zip")
    assert archive.record(1).photo != sha256_of(other)
    assert verify(archive, stale_after_s=0).findings == []
