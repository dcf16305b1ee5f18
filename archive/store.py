"""The archive: photos kept with their readings, each record whole or absent.

The order of a write is what makes it so. Files first, each flushed and then renamed to the hash of its bytes; then
one transaction that makes the record appear. Killed before the commit, there are at most files that nothing refers
to, which `verify` finds and sweeps away.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rimsight.archive import database, place, records, rows, words
from rimsight.archive.errors import ArchiveDamaged, ArchiveError, NoSuchRecord, PictureUnreadable
from rimsight.archive.objects import ObjectStore, Staged, sha256_of
from rimsight.archive.records import Change, Document, Labels, Measured, Reading, Record

LABEL_FIELDS = ("job", "stone", "tube", "metal", "note")


@dataclass(frozen=True)
class Kept:
    """Where a measurement was kept: number of its record, of the reading in it, and whether it is new."""

    number: int
    reading: int
    new: bool
    #: Numbers of other records of the same photo, the newest first (ten at most).
    others: tuple[int, ...] = ()


class Archive:
    """An open archive. Use as a context manager, or `close` it.

    Parameters
    ----------
    folder : Path
        Folder of the archive.
    write : bool
        Open it to write; the folder is made if its parent folder exists.
    timeout_s : float
        How long to wait for another command that is writing, in seconds.
    durable : bool
        Flush files to the disk. Only a generator of throw-away records turns this off.

    Raises
    ------
    NoArchive
        Opened to read, and there is none.
    ArchiveDamaged
        The database can't be read, or is gone while its files are there.
    ArchiveError, ArchiveReadOnly, OSError
        The message says what is wrong with the folder.
    """

    def __init__(
        self,
        folder: Path,
        *,
        write: bool = False,
        timeout_s: float = database.BUSY_TIMEOUT_S,
        durable: bool = True,
    ) -> None:
        self.folder = Path(folder)
        self.objects = ObjectStore(self.folder, durable=durable)
        if not (self.folder / database.DATABASE_NAME).exists() and self.objects.root.is_dir():
            # A new database would give the numbers of lost records to others.
            raise ArchiveDamaged(
                f"the database of the archive in {self.folder} is gone, its files are there; "
                "`rimsight archive verify --repair` makes it anew from them"
            )
        if write:
            place.make_folder(self.folder)
            self.connection = database.open_for_writing(self.folder, timeout_s=timeout_s)
        else:
            self.connection = database.open_for_reading(self.folder, timeout_s=timeout_s)
        self._identity = database.identity(self.folder)

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self.connection.close()

    def writing(self) -> contextlib.AbstractContextManager[sqlite3.Connection]:
        """Hold the one write lock of the archive for a transaction."""
        return database.writing(self.connection, self.folder)

    def reading(self) -> contextlib.AbstractContextManager[sqlite3.Connection]:
        """Read as of one moment."""
        return database.reading(self.connection, self.folder)

    def keep(
        self,
        photo: bytes,
        photo_name: str,
        measured: Measured,
        labels: Labels | None = None,
        *,
        once: bool = False,
        thumbnail: bool = True,
    ) -> Kept:
        """Keep a measurement as a new record.

        Parameters
        ----------
        photo : bytes
            The photo's file, byte for byte.
        photo_name : str
            Its name; folders are dropped.
        measured : Measured
            What was measured.
        labels : Labels, optional
            What people write on it.
        once : bool
            Keep nothing if this photo was ever kept for this kind of measurement (also when it is in the bin).
        thumbnail : bool
            Make a small picture for lists; left out where the photo can't be decoded.

        Returns
        -------
        Kept
            With `new` False if `once` found the photo already kept.

        Raises
        ------
        ValueError
            The result is not plain JSON, or a label is too long.
        ArchiveFull, ArchiveBusy, ArchiveError, OSError
            Nothing was kept.
        """
        records.kind_name(measured.kind)
        labels = (labels or Labels()).cleaned()
        name = words.file_name(photo_name)
        origin = {"name": name, "sha256": sha256_of(photo), "bytes": len(photo)}
        if once and (known := self.numbers_of_photo(str(origin["sha256"]), measured.kind)):
            return Kept(known[0], 1, new=False, others=tuple(known[1:]))
        small = _thumbnail(measured.overlay or photo) if thumbnail else None
        with self._staging(photo, measured.overlay, small) as staged, self.writing() as connection:
            known = self.numbers_of_photo(str(origin["sha256"]), measured.kind)
            if once and known:
                return Kept(known[0], 1, new=False, others=tuple(known[1:]))
            number = rows.next_number(connection)
            document = records.compose(
                measured,
                key=records.new_key(),
                record=number,
                number=1,
                photo=origin,
                overlay=_hash(measured.overlay),
                labels=labels,
            )
            self._place(staged, document)
            rows.insert_record(connection, number, document, labels, kept_at=words.now())
            rows.insert_reading(connection, number, 1, document, _hash(small))
            rows.index_text(connection, number)
        return Kept(number, 1, new=True, others=tuple(known[:10]))

    def add_reading(self, number: int, measured: Measured, *, thumbnail: bool = True) -> Kept:
        """Keep another reading of a photo that is already kept; the earlier ones stay as they are.

        Raises
        ------
        NoSuchRecord
            There is no such record.
        ValueError
            The result is of another kind of measurement, or not plain JSON.
        """
        small = _thumbnail(measured.overlay) if thumbnail and measured.overlay else None
        with self._staging(None, measured.overlay, small) as staged, self.writing() as connection:
            record = self.record(number)
            if record.kind != measured.kind:
                raise ValueError(f"record {number} is a {record.kind}, this reading is a {measured.kind}")
            following = record.latest.number + 1
            document = records.compose(
                measured,
                key=record.key,
                record=number,
                number=following,
                photo=record.latest.document.data["photo"],
                overlay=_hash(measured.overlay),
                labels=None,
            )
            self._place(staged, document)
            rows.insert_reading(connection, number, following, document, _hash(small))
            rows.set_newest(connection, number, following, document)
            rows.index_text(connection, number)
        return Kept(number, following, new=True)

    @contextlib.contextmanager
    def _staging(self, *files: bytes | None) -> Iterator[list[Staged]]:
        # Large files are written before the lock is taken, so that another command waits for renames only.
        staged: list[Staged] = []
        done = False
        try:
            for data in files:
                if data is not None:
                    staged.append(self.objects.stage(data))
            yield staged
            done = True
        finally:
            for file in staged:
                self.objects.discard(file)
            if not done:
                # The record is absent, and so should its files be; what can't be swept now, `verify` sweeps.
                with contextlib.suppress(OSError, sqlite3.Error):
                    self.sweep(file.sha256 for file in staged)

    def _place(self, staged: list[Staged], document: Document) -> None:
        if database.identity(self.folder) != self._identity:
            raise ArchiveError(f"the archive in {self.folder} was moved or replaced while it was in use")
        # The document comes last: where it lies without a row, all that it names lies there too.
        staged.append(self.objects.stage(document.text.encode("ascii")))
        for file in staged:
            self.objects.place(file)
            rows.insert_object(self.connection, file.sha256, file.size)

    def numbers_of_photo(self, sha256: str, kind: str) -> list[int]:
        """Return the records of a photo for one kind of measurement, the newest first, the bin included."""
        found = self.connection.execute(
            "SELECT id FROM record WHERE photo = ? AND kind = ? ORDER BY id DESC", (sha256, kind)
        )
        return [row[0] for row in found]

    def record(self, number: int) -> Record:
        """Return a record with all its readings, also one that is in the bin.

        Raises
        ------
        NoSuchRecord
            There is none of this number.
        ArchiveDamaged
            A reading no longer matches the hash it was sealed with.
        """
        with self.reading() as connection:
            row = connection.execute("SELECT * FROM record WHERE id = ?", (number,)).fetchone()
            if row is None:
                raise NoSuchRecord(f"the archive holds no record {number}")
            readings = tuple(
                Reading(entry["number"], rows.sealed_document(entry, number), entry["thumbnail"])
                for entry in connection.execute("SELECT * FROM reading WHERE record = ? ORDER BY number", (number,))
            )
            if not readings:
                raise ArchiveDamaged(f"record {number} has lost its readings; `rimsight archive verify --repair`")
            changes = tuple(
                Change(entry["at"], entry["field"], entry["before"], entry["after"])
                for entry in connection.execute("SELECT * FROM change WHERE record = ? ORDER BY id", (number,))
            )
            tags = rows.tags_of(connection, number)
        labels = Labels(**{name: row[name] for name in LABEL_FIELDS}, tags=tags)
        return Record(
            number=row["id"],
            key=row["key"],
            kind=row["kind"],
            photo=row["photo"],
            photo_name=row["photo_name"],
            kept_at=row["kept_at"],
            labels=labels,
            readings=readings,
            changes=changes,
            removed_at=row["removed_at"],
        )

    def relabel(
        self,
        number: int,
        texts: Mapping[str, str] | None = None,
        *,
        add_tags: Iterable[str] = (),
        drop_tags: Iterable[str] = (),
        append_note: str = "",
    ) -> Labels:
        """Write on a record; what it said before stays readable among its changes.

        Parameters
        ----------
        number : int
            The record.
        texts : mapping, optional
            New texts by field: job, stone, tube, metal, note.
        add_tags, drop_tags : iterable of str
            Tags to put on and to take off (in any case of letters).
        append_note : str
            A further paragraph of the note.

        Raises
        ------
        NoSuchRecord, ValueError
            There is no such record; a text is too long.
        """
        with self.writing() as connection:
            old = self.record(number).labels
            dropped = {words.one_line(tag).casefold() for tag in drop_tags}
            fields = {name: getattr(old, name) for name in LABEL_FIELDS} | dict(texts or {})
            if append_note:
                fields["note"] = f"{fields['note']}\n{append_note}" if fields["note"] else append_note
            tags = [tag for tag in (*old.tags, *add_tags) if words.one_line(tag).casefold() not in dropped]
            new = Labels(**fields, tags=tuple(tags)).cleaned()
            rows.write_labels(connection, number, new)
            for name, before in old.as_json().items():
                after = new.as_json()[name]
                if before != after:
                    connection.execute(
                        "INSERT INTO change (record, at, field, before, after) VALUES (?, ?, ?, ?, ?)",
                        (number, words.now(), name, _as_text(before), _as_text(after)),
                    )
            rows.index_text(connection, number)
        return new

    def remove(self, numbers: Iterable[int]) -> list[int]:
        """Put records into the bin, from which `restore` takes them back. Returns those that were not in it yet.

        Raises
        ------
        NoSuchRecord
            One of them doesn't exist; then none is moved.
        """
        return self._move(numbers, words.now())

    def restore(self, numbers: Iterable[int]) -> list[int]:
        """Take records out of the bin. Returns those that were in it."""
        return self._move(numbers, None)

    def _move(self, numbers: Iterable[int], removed_at: str | None) -> list[int]:
        moved = []
        with self.writing() as connection:
            for number in dict.fromkeys(numbers):
                row = connection.execute("SELECT removed_at FROM record WHERE id = ?", (number,)).fetchone()
                if row is None:
                    raise NoSuchRecord(f"the archive holds no record {number}")
                if (row[0] is None) != (removed_at is None):
                    connection.execute("UPDATE record SET removed_at = ? WHERE id = ?", (removed_at, number))
                    moved.append(number)
        return moved

    def empty_bin(self) -> tuple[int, int]:
        """Delete for good what is in the bin, and files that a repair set aside.

        Returns
        -------
        records, files : int
            How many were deleted.
        """
        with self.writing() as connection:
            numbers = [row[0] for row in connection.execute("SELECT id FROM record WHERE removed_at IS NOT NULL")]
            for number in numbers:
                rows.delete_record(connection, number)
            unused = rows.drop_unused_objects(connection)
        return len(numbers), self.sweep(unused) + self.objects.drop_leftover()

    def sweep(self, candidates: Iterable[str], *, aside: bool = False) -> int:
        """Delete (or set aside) those of some files that the database doesn't know; returns how many there were."""
        swept = 0
        with self.writing() as connection:
            for sha256 in candidates:
                known = connection.execute("SELECT 1 FROM object WHERE sha256 = ?", (sha256,)).fetchone()
                if known is None and self.objects.path(sha256).exists():
                    if aside:
                        self.objects.set_aside(sha256)
                    else:
                        self.objects.delete(sha256)
                    swept += 1
        return swept


def _hash(data: bytes | None) -> str | None:
    return None if data is None else sha256_of(data)


def _thumbnail(picture: bytes) -> bytes | None:
    from rimsight.archive import pictures

    try:
        return pictures.thumbnail(picture)
    except PictureUnreadable:
        return None


def _as_text(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
