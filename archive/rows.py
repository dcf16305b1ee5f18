"""The rows of a record: how it is written to the tables and taken out of them.

Every function runs inside a transaction that its caller holds.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from rimsight.archive import records, words
from rimsight.archive.errors import ArchiveDamaged
from rimsight.archive.objects import sha256_of
from rimsight.archive.records import Document, Labels

#: Where a file can be referred to from.
REFERENCES = (("record", "photo"), ("reading", "document"), ("reading", "overlay"), ("reading", "thumbnail"))


def next_number(connection: sqlite3.Connection) -> int:
    """Return the number that the next record gets: one that none ever had."""
    row = connection.execute("SELECT seq FROM sqlite_sequence WHERE name = 'record'").fetchone()
    return 1 if row is None else int(row[0]) + 1


def insert_record(
    connection: sqlite3.Connection,
    number: int,
    document: Document,
    labels: Labels,
    *,
    kept_at: str,
    reading: int = 1,
    removed_at: str | None = None,
) -> None:
    """Insert the row of a record whose newest reading is `document`."""
    data = document.data
    connection.execute(
        "INSERT INTO record (id, key, kind, photo, photo_name, kept_at, reading, verdict, removed_at) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            number,
            data["key"],
            data["kind"],
            data["photo"]["sha256"],
            words.file_name(data["photo"]["name"]),
            kept_at,
            reading,
            document.verdict,
            removed_at,
        ),
    )
    write_labels(connection, number, labels)


def set_newest(connection: sqlite3.Connection, number: int, reading: int, document: Document) -> None:
    """Make a reading the one that searches and lists show."""
    connection.execute(
        "UPDATE record SET reading = ?, verdict = ? WHERE id = ?", (reading, document.verdict, number)
    )


def insert_object(connection: sqlite3.Connection, sha256: str, size: int | None) -> None:
    """Note that a file lies, or should lie, under its name; the size in bytes may be unknown."""
    connection.execute(
        "INSERT INTO object (sha256, bytes) VALUES (?, ?) "
        "ON CONFLICT (sha256) DO UPDATE SET bytes = coalesce(excluded.bytes, bytes)",
        (sha256, size),
    )


def insert_reading(
    connection: sqlite3.Connection, number: int, reading: int, document: Document, thumbnail: str | None
) -> None:
    """Insert reading `reading` of record `number` with its searchable figures."""
    connection.execute(
        "INSERT INTO reading (record, number, document, body, overlay, thumbnail) VALUES (?, ?, ?, ?, ?, ?)",
        (number, reading, document.sha256, document.text, document.data["overlay"], thumbnail),
    )
    insert_figures(connection, number, reading, document)


def insert_figures(connection: sqlite3.Connection, number: int, reading: int, document: Document) -> None:
    """Set the searchable figures of a reading."""
    connection.execute("DELETE FROM figure WHERE record = ? AND reading = ?", (number, reading))
    connection.executemany(
        "INSERT OR IGNORE INTO figure (record, reading, item, name, value, u95) VALUES (?, ?, ?, ?, ?, ?)",
        [
            (number, reading, figure.item, figure.name, figure.value, figure.u95)
            for figure in records.figures(document.result)
        ],
    )


def write_labels(connection: sqlite3.Connection, number: int, labels: Labels) -> None:
    """Set the labels of a record, without a note of the change."""
    connection.execute(
        "UPDATE record SET job = ?, stone = ?, tube = ?, metal = ?, note = ? WHERE id = ?",
        (labels.job, labels.stone, labels.tube, labels.metal, labels.note, number),
    )
    connection.execute("DELETE FROM tag WHERE record = ?", (number,))
    connection.executemany(
        "INSERT OR IGNORE INTO tag (record, tag) VALUES (?, ?)", [(number, tag) for tag in labels.tags]
    )


@contextmanager
def unsealed(connection: sqlite3.Connection) -> Iterator[None]:
    """Let a repair set right what nothing else may change, inside its transaction."""
    triggers = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        connection.execute(f'DROP TRIGGER "{name}"')
    yield
    for _, statement in triggers:
        connection.execute(statement)


def index_everything(connection: sqlite3.Connection) -> None:
    """Make the full-text index anew."""
    connection.execute("DELETE FROM record_text")
    connection.execute("INSERT INTO record_text (record_text) VALUES ('rebuild')")
    for (number,) in connection.execute("SELECT id FROM record").fetchall():
        index_text(connection, number)


def index_text(connection: sqlite3.Connection, number: int) -> None:
    """Bring the full-text index up to date for one record."""
    connection.execute("DELETE FROM record_text WHERE rowid = ?", (number,))
    connection.execute(
        "INSERT INTO record_text (rowid, job, stone, tube, metal, note, tags, photo_name, kind, verdict) "
        "SELECT id, job, stone, tube, metal, note, "
        "coalesce((SELECT group_concat(tag, ' ') FROM tag WHERE record = id), ''), photo_name, kind, verdict "
        "FROM record WHERE id = ?",
        (number,),
    )


def delete_record(connection: sqlite3.Connection, number: int) -> None:
    """Delete every row of a record; its files are swept afterwards."""
    for statement in (
        "INSERT OR IGNORE INTO deleted (key) SELECT key FROM record WHERE id = ?",
        "DELETE FROM record_text WHERE rowid = ?",
        "DELETE FROM figure WHERE record = ?",
        "DELETE FROM tag WHERE record = ?",
        "DELETE FROM change WHERE record = ?",
        "DELETE FROM reading WHERE record = ?",
        "DELETE FROM record WHERE id = ?",
    ):
        connection.execute(statement, (number,))


def drop_unused_objects(connection: sqlite3.Connection) -> list[str]:
    """Forget the files that no record refers to any more, and return their names."""
    rows = connection.execute(
        "SELECT sha256 FROM object AS o WHERE NOT EXISTS (SELECT 1 FROM record WHERE photo = o.sha256) "
        "AND NOT EXISTS (SELECT 1 FROM reading WHERE document = o.sha256) "
        "AND NOT EXISTS (SELECT 1 FROM reading WHERE overlay = o.sha256) "
        "AND NOT EXISTS (SELECT 1 FROM reading WHERE thumbnail = o.sha256)"
    ).fetchall()
    unused = [row[0] for row in rows]
    connection.executemany("DELETE FROM object WHERE sha256 = ?", [(sha256,) for sha256 in unused])
    return unused


def tags_of(connection: sqlite3.Connection, number: int) -> tuple[str, ...]:
    """Return the tags of a record in alphabetical order."""
    return tuple(row[0] for row in connection.execute("SELECT tag FROM tag WHERE record = ? ORDER BY tag", (number,)))


def sealed_document(row: sqlite3.Row, number: int) -> Document:
    """Return the document of a row of `reading`.

    Raises
    ------
    ArchiveDamaged
        It no longer matches the hash it was sealed with.
    """
    document = None
    if isinstance(row["body"], str) and sha256_of(row["body"].encode("utf-8", "replace")) == row["document"]:
        with suppress(ValueError):
            document = records.parse(row["body"], sealed=True)
    if document is None:
        raise ArchiveDamaged(
            f"reading {row['number']} of record {number} is no longer what was kept; "
            "`rimsight archive verify --repair` mends it from its file"
        )
    return document
