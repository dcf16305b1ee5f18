"""Making the database anew from the files beside it, when it is gone or can't be read.

Every reading lies in a file of its own, with the labels its record had when it was kept. Whatever the old database
still gives away (later labels, the bin, what was changed when) is taken from it row by row.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rimsight.archive import database, records, repair
from rimsight.archive.errors import ArchiveError
from rimsight.archive.objects import ObjectStore, flush_folder, is_sha256, sha256_of
from rimsight.archive.records import Document, Labels
from rimsight.archive.store import LABEL_FIELDS, Archive
from rimsight.archive.verify import document_in_file

#: Row numbers looked through in a damaged database at most, whatever it says is its highest.
_PROBED = 2_000_000


@dataclass
class Rebuilt:
    """What came of it: records and readings brought back, and where the old database was put."""

    records: int = 0
    readings: int = 0
    labels_from_database: int = 0
    old: Path | None = None


@dataclass
class _Salvage:
    """What a damaged database still gives away, by the key of the record."""

    rows: dict[str, dict[str, Any]] = field(default_factory=dict)
    tags: dict[str, list[str]] = field(default_factory=dict)
    changes: dict[str, list[tuple[Any, ...]]] = field(default_factory=dict)
    documents: list[Document] = field(default_factory=list)
    deleted: set[str] = field(default_factory=set)
    highest: int = 0


def rebuild(folder: Path) -> Rebuilt:
    """Make the database of an archive's folder anew. No other command may be using the archive.

    The old database is not deleted but put into a folder `damaged-...` beside the new one.

    Raises
    ------
    ArchiveError, OSError
        Nothing was changed.
    """
    outcome = Rebuilt()
    with tempfile.TemporaryDirectory(prefix="rebuild-", dir=folder) as name:
        workplace = Path(name)
        objects = ObjectStore(folder)
        documents = list(_documents(objects))
        last = max((document.data["record"] for document in documents), default=0)
        salvage = _salvage(folder, workplace / "old", last)
        fresh = Archive(workplace / "new", write=True, durable=False)
        fresh.objects = objects
        try:
            _fill(fresh, documents, salvage, outcome)
            fresh.connection.execute("PRAGMA journal_mode = DELETE").fetchone()  # all of it in the one file
        except sqlite3.Error as error:
            raise database.translate(error, folder) from error
        finally:
            fresh.close()
        outcome.old = _swap(folder, workplace / "new" / database.DATABASE_NAME)
    return outcome


def _fill(fresh: Archive, documents: list[Document], salvage: _Salvage, outcome: Rebuilt) -> None:
    known = {document.sha256 for document in documents}
    documents += [document for document in salvage.documents if document.sha256 not in known]
    documents.sort(key=lambda document: (document.data["record"], document.data["key"], document.data["number"]))
    with fresh.writing() as connection:
        for key in salvage.deleted:
            connection.execute("INSERT OR IGNORE INTO deleted (key) VALUES (?)", (key,))
        for document in documents:
            key = document.data["key"]
            if key in salvage.deleted:
                continue
            if document.sha256 not in known:
                known.add(document.sha256)
                fresh.objects.place(fresh.objects.stage(document.text.encode("ascii")))
            row = salvage.rows.get(key)
            new = connection.execute("SELECT 1 FROM record WHERE key = ?", (key,)).fetchone() is None
            labels = None if row is None else _labels(row, salvage.tags.get(key, []))
            number = repair.attach(
                fresh,
                connection,
                document,
                number=None if row is None else row["id"],
                labels=labels,
                kept_at=None if row is None else row["kept_at"],
                removed_at=None if row is None else row["removed_at"],
            )
            outcome.readings += 1
            if new:
                outcome.records += 1
                outcome.labels_from_database += labels is not None
                connection.executemany(
                    "INSERT INTO change (record, at, field, before, after) VALUES (?, ?, ?, ?, ?)",
                    [(number, *change) for change in salvage.changes.get(key, [])],
                )
        connection.execute(
            "UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = 'record'", (salvage.highest,)
        )


def _documents(objects: ObjectStore) -> Iterator[Document]:
    for _, sha256 in objects.everything():
        if sha256 is not None:
            document = document_in_file(objects, sha256)
            if document is not None:
                yield document


def _labels(row: dict[str, Any], tags: list[str]) -> Labels | None:
    try:
        return Labels.from_json({name: row[name] for name in LABEL_FIELDS} | {"tags": tags})
    except ValueError:
        return None


def _salvage(folder: Path, workplace: Path, last: int) -> _Salvage:
    """Read what can be read of the old database, from a copy, row by row."""
    salvage = _Salvage()
    path = folder / database.DATABASE_NAME
    if not path.is_file():
        return salvage
    workplace.mkdir()
    for suffix in ("", "-wal"):
        source = path.with_name(path.name + suffix)
        if source.is_file():
            shutil.copyfile(source, workplace / source.name)
    connection = sqlite3.connect(workplace / path.name, isolation_level=None)
    connection.row_factory = sqlite3.Row
    try:
        connection.execute("SELECT 1 FROM sqlite_master").fetchall()
        _salvage_rows(connection, salvage, last)
    except sqlite3.DatabaseError:
        pass  # not even its schema can be read: the files alone have to do
    finally:
        connection.close()
    return salvage


def _salvage_rows(connection: sqlite3.Connection, salvage: _Salvage, last: int) -> None:
    for row in _readable(connection, "SELECT key FROM deleted", ()):
        if isinstance(row["key"], str):
            salvage.deleted.add(row["key"])
    highest = next(iter(_readable(connection, "SELECT seq FROM sqlite_sequence WHERE name = 'record'", ())), None)
    if highest is not None and isinstance(highest["seq"], int):
        last = salvage.highest = max(last, highest["seq"])
    for number in range(1, min(last, _PROBED) + 1):
        for row in _readable(connection, "SELECT * FROM record WHERE id = ?", (number,)):
            if not isinstance(row["key"], str) or not isinstance(row["kept_at"], str):
                continue
            salvage.rows[row["key"]] = dict(row)
            salvage.tags[row["key"]] = [
                tag["tag"] for tag in _readable(connection, "SELECT tag FROM tag WHERE record = ?", (number,))
            ]
            salvage.changes[row["key"]] = [
                tuple(change)
                for change in _readable(
                    connection, "SELECT at, field, before, after FROM change WHERE record = ?", (number,)
                )
            ]
        for row in _readable(connection, "SELECT document, body FROM reading WHERE record = ?", (number,)):
            body = row["body"]
            if isinstance(body, str) and is_sha256(row["document"]) and sha256_of(body.encode()) == row["document"]:
                salvage.documents.append(records.parse(body))


def _readable(connection: sqlite3.Connection, question: str, values: tuple[object, ...]) -> list[sqlite3.Row]:
    try:
        return connection.execute(question, values).fetchall()
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        return []


def _swap(folder: Path, fresh: Path) -> Path | None:
    """Put the new database in the place of the old one, which is kept aside."""
    path = folder / database.DATABASE_NAME
    old = None
    if path.exists():
        old = folder / f"damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
        old.mkdir()
        for suffix in ("", "-wal", "-shm"):
            source = path.with_name(path.name + suffix)
            if source.is_file():
                shutil.copyfile(source, old / source.name)
    # The old log goes before the new database comes: SQLite would play it back into the new one.
    for suffix in ("-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    with open(fresh, "rb+") as file:
        os.fsync(file.fileno())
    try:
        os.replace(fresh, path)
    except OSError as error:
        raise ArchiveError(f"the rebuilt database can't be put into {folder} ({error.strerror})") from error
    flush_folder(folder)
    return old
