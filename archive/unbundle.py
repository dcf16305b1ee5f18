"""Taking an exported zip into an archive, whoever made it.

Nothing in the zip says where anything is written: a file lands under the hash of its bytes, whatever it was called.
The whole zip is looked through before the first record is taken, and one that is not of the exported form in every
point is refused.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import shutil
import sqlite3
import stat
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rimsight.archive import bundle as form
from rimsight.archive import records, repair, rows, words
from rimsight.archive.errors import ArchiveFull, PictureUnreadable, ZipRefused
from rimsight.archive.objects import Staged, is_sha256
from rimsight.archive.records import DOCUMENT_LIMIT, Change, Document, Labels
from rimsight.archive.store import Archive

_NAME = re.compile(r"objects/[0-9a-f]{2}/[0-9a-f]{62}\Z|manifest\.json\Z|records\.jsonl\Z|SHA256SUMS\Z")
MEMBER_LIMIT = 2_000_000
FILE_LIMIT = 1 << 30
#: Photos don't shrink and readings shrink to a twentieth at best; a bomb unpacks to a thousand times its size.
RATIO_LIMIT = 100
_SMALL = 1 << 20


@dataclass
class Imported:
    """What was taken: numbers of new records, of records that got further readings, and how many were known."""

    new: list[int] = field(default_factory=list)
    extended: list[int] = field(default_factory=list)
    known: int = 0


@dataclass(frozen=True)
class _Line:
    key: str
    number: int
    kept_at: str
    labels: Labels
    readings: tuple[str, ...]
    changes: tuple[Change, ...]


def read_zip(archive: Archive, path: Path) -> Imported:
    """Take the records of a zip that `rimsight.archive.bundle` wrote; known ones are left as they are.

    Parameters
    ----------
    archive : Archive
        Opened to write.
    path : Path
        The zip.

    Raises
    ------
    ZipRefused
        It is not of the exported form; nothing of it was taken.
    ArchiveFull, OSError
        What was taken until then is whole; importing again takes the rest.
    """
    try:
        with zipfile.ZipFile(path) as bundle:
            members = _members(bundle, path)
            _room(archive, members)
            _check_objects(bundle, members)
            manifest = _json(_small(bundle, members, form.MANIFEST, _SMALL))
            if manifest.get("schema") != form.ZIP_SCHEMA:
                raise ZipRefused("this zip is not an exported archive, or one of a newer version")
            _check_sums(bundle, members)
            for line in _lines(bundle, members):  # all of them, before the first is taken
                _documents(bundle, members, line)
            outcome = Imported()
            for line in _lines(bundle, members):
                _take(archive, bundle, members, line, outcome)
            return outcome
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError) as error:
        raise ZipRefused(f"{path.name} is not a zip that can be read ({error})") from error
    except RuntimeError as error:  # zipfile's word for "encrypted"
        raise ZipRefused(f"{path.name} can't be read ({error})") from error


def _members(bundle: zipfile.ZipFile, path: Path) -> dict[str, zipfile.ZipInfo]:
    """Return the members by name, each checked to be what an export writes."""
    members: dict[str, zipfile.ZipInfo] = {}
    infos = bundle.infolist()
    if len(infos) > MEMBER_LIMIT:
        raise ZipRefused(f"{len(infos)} files are more than an exported archive has")
    for info in infos:
        name = info.orig_filename
        if name != info.filename or not _NAME.match(name):
            raise ZipRefused(f"there is a file in it that no export writes: {words.shown(name)[:200]!r}")
        if name in members:
            raise ZipRefused(f"there are two files of one name in it: {name}")
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind not in (0, stat.S_IFREG) or info.external_attr & 0x10:
            raise ZipRefused(f"{name} is a link or a folder, not a file")
        if info.flag_bits & 0x1:
            raise ZipRefused(f"{name} is encrypted")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise ZipRefused(f"{name} is packed in a way that no export uses")
        if info.file_size > FILE_LIMIT and name != form.RECORDS:
            raise ZipRefused(f"{name} would unpack to {words.size(info.file_size)}")
        if info.file_size > _SMALL and info.file_size > RATIO_LIMIT * max(1, info.compress_size):
            raise ZipRefused(f"{name} would unpack to {info.file_size // max(1, info.compress_size)} times its size")
        members[name] = info
    for name in (form.MANIFEST, form.RECORDS, form.SUMS):
        if name not in members:
            raise ZipRefused(f"there is no {name} in it: not an exported archive")
    # Two names for one packed stream: how a small file unpacks to a large one without any single large ratio.
    ordered = sorted(infos, key=lambda info: info.header_offset)
    ends = [info.header_offset for info in ordered[1:]] + [path.stat().st_size]
    for info, end in zip(ordered, ends, strict=True):
        if info.header_offset < 0:
            raise ZipRefused(f"{info.filename} would begin before the zip does")
        if info.header_offset + 30 + info.compress_size > end:
            raise ZipRefused(f"{info.filename} overlaps another file of the zip")
    return members


def _room(archive: Archive, members: dict[str, zipfile.ZipInfo]) -> None:
    needed = sum(info.file_size for info in members.values())
    free = shutil.disk_usage(archive.folder).free
    if needed > free:
        raise ArchiveFull(f"the zip unpacks to {words.size(needed)}, and {words.size(free)} are free")


def _check_objects(bundle: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo]) -> None:
    for name, info in members.items():
        if name.startswith("objects/"):
            digest = hashlib.sha256()
            with bundle.open(info) as member:
                while chunk := member.read(_SMALL):
                    digest.update(chunk)
            if form.member_name(digest.hexdigest()) != name:
                raise ZipRefused(f"{name} is not what it was when it was exported")


def _check_sums(bundle: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo]) -> None:
    sums = {}
    for line in _small(bundle, members, form.SUMS, 200 * len(members) + _SMALL).decode("ascii", "replace").splitlines():
        sha256, _, name = line.partition("  ")
        sums[name] = sha256
    digest = hashlib.sha256()
    with bundle.open(members[form.RECORDS]) as member:
        while chunk := member.read(_SMALL):
            digest.update(chunk)
    if sums.get(form.RECORDS) != digest.hexdigest():
        raise ZipRefused(f"{form.RECORDS} is not what it was when it was exported")


def _small(bundle: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], name: str, limit: int) -> bytes:
    if members[name].file_size > limit:
        raise ZipRefused(f"{name} is too long to be what an export writes")
    return bundle.read(members[name])


def _json(data: bytes) -> dict[str, Any]:
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        raise ZipRefused("a list in it is not JSON") from None
    if not isinstance(found, dict):
        raise ZipRefused("a list in it is not a JSON object")
    return found


def _lines(bundle: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo]) -> Iterator[_Line]:
    with bundle.open(members[form.RECORDS]) as member:
        while data := member.readline(DOCUMENT_LIMIT):
            if not data.endswith(b"\n"):
                raise ZipRefused("a record in it is cut off, or too long to be one")
            yield _line(_json(data))


def _line(data: dict[str, Any]) -> _Line:
    key, number, readings, changes = (data.get(name) for name in ("key", "number", "readings", "changes"))
    try:
        if not (
            isinstance(key, str)
            and type(number) is int
            and 1 <= number <= 1_000_000_000_000
            and isinstance(readings, list)
            and 0 < len(readings) <= 10_000
            and all(is_sha256(entry) for entry in readings)
            and len(set(readings)) == len(readings)
            and isinstance(changes, list)
            and len(changes) <= 100_000
        ):
            raise ValueError("it lacks something that a record has")
        kept_at = str(data.get("kept_at"))
        words.moment(kept_at)
        return _Line(
            key, number, kept_at, Labels.from_json(data.get("labels")), tuple(readings), tuple(map(_change, changes))
        )
    except ValueError as error:
        raise ZipRefused(f"a record in it is not one: {error}") from error


def _change(data: object) -> Change:
    if not isinstance(data, dict) or not all(isinstance(data.get(n), str) for n in ("at", "field", "before", "after")):
        raise ValueError("what was changed is not told as it should be")
    words.moment(data["at"])
    return Change(data["at"], words.one_line(data["field"]), *(words.note_text(data[n]) for n in ("before", "after")))


def _documents(bundle: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], line: _Line) -> list[Document]:
    """Return the readings of a record, each checked to belong to it and to have its files in the zip."""
    documents: list[Document] = []
    for sha256 in line.readings:
        name = form.member_name(sha256)
        if name not in members:
            raise ZipRefused(f"a reading of record {line.number} is not in it")
        try:
            document = records.parse(_small(bundle, members, name, DOCUMENT_LIMIT).decode("ascii"))
        except ValueError as error:
            raise ZipRefused(f"a reading of record {line.number} is not one: {error}") from error
        data = document.data
        files = [data["photo"]["sha256"]] + ([data["overlay"]] if data["overlay"] else [])
        if data["key"] != line.key or data["photo"] != (documents[0].data["photo"] if documents else data["photo"]):
            raise ZipRefused(f"a reading of record {line.number} belongs to another record")
        if not all(form.member_name(file) in members for file in files):
            raise ZipRefused(f"a photo of record {line.number} is not in it")
        documents.append(document)
    if len({document.data["kind"] for document in documents}) != 1:
        raise ZipRefused(f"the readings of record {line.number} are of several kinds")
    return documents


def _take(
    archive: Archive, bundle: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], line: _Line, outcome: Imported
) -> None:
    documents = _documents(bundle, members, line)
    have = {
        row[0]
        for row in archive.connection.execute(
            "SELECT document FROM reading JOIN record ON record.id = reading.record WHERE key = ?", (line.key,)
        )
    }
    fresh = [document for document in documents if document.sha256 not in have]
    if not fresh:
        outcome.known += 1
        return
    staged: dict[str, Staged] = {}
    small: list[Staged | None] = []
    done = False
    try:
        for document in fresh:
            for sha256 in (document.data["photo"]["sha256"], document.data["overlay"], document.sha256):
                if sha256 is not None and sha256 not in staged:
                    info = members[form.member_name(sha256)]
                    with bundle.open(info) as member:
                        staged[sha256] = archive.objects.stage_stream(member, limit=info.file_size)
                    if staged[sha256].sha256 != sha256:
                        raise ZipRefused(f"{info.filename} changed while it was imported")
        for document in fresh:
            small.append(_thumbnail(archive, staged, document))
        with archive.writing() as connection:
            known = connection.execute("SELECT photo FROM record WHERE key = ?", (line.key,)).fetchone()
            if known is not None and known[0] != documents[0].data["photo"]["sha256"]:
                raise ZipRefused(f"record {line.number} has the key of another photo that is kept here")
            for file in (*staged.values(), *(thumb for thumb in small if thumb)):
                archive.objects.place(file)
                rows.insert_object(connection, file.sha256, file.size)
            # A record keeps its number where no record of this archive ever had it: it may stand on an envelope.
            number = max(line.number, rows.next_number(connection))
            if number != line.number:
                number = rows.next_number(connection)
            for document, thumb in zip(fresh, small, strict=True):
                number = repair.attach(
                    archive,
                    connection,
                    document,
                    number=number,
                    labels=line.labels,
                    kept_at=line.kept_at,
                    thumbnail=thumb.sha256 if thumb else None,
                )
            if known is None:
                connection.execute("DELETE FROM deleted WHERE key = ?", (line.key,))
                connection.executemany(
                    "INSERT INTO change (record, at, field, before, after) VALUES (?, ?, ?, ?, ?)",
                    [(number, change.at, change.field, change.before, change.after) for change in line.changes],
                )
        (outcome.new if known is None else outcome.extended).append(number)
        done = True
    finally:
        files = [*staged.values(), *(thumb for thumb in small if thumb)]
        for file in files:
            archive.objects.discard(file)
        if not done:
            with contextlib.suppress(OSError, sqlite3.Error):
                archive.sweep(file.sha256 for file in files)


def _thumbnail(archive: Archive, staged: dict[str, Staged], document: Document) -> Staged | None:
    from rimsight.archive import pictures

    source = staged[document.data["overlay"] or document.data["photo"]["sha256"]]
    try:
        data = pictures.thumbnail(source.path.read_bytes())
    except PictureUnreadable:
        return None
    return archive.objects.stage(data)
