"""The rows of a record: how it is written to the tables and taken out of them.

Every function runs inside a transaction that its caller holds.
"""

from __future__ import annotations

import sqlite3

from rimsight.archive import records, words
from rimsight.archive.errors import ArchiveDamaged
from rimsight.archive.records import Document, Labels


def insert_record(
    connection: sqlite3.Connection,
    document: Document,
    labels: Labels,
    *,
    kept_at: str,
    removed_at: str | None = None,
) -> int:
    """Insert the row of a record whose first reading is `document`; returns its number."""
    data = document.data
    cursor = connection.execute(
        "INSERT INTO record (key, kind, photo, photo_name, kept_at, reading, verdict, removed_at) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            data["key"],
            data["kind"],
            data["photo"]["sha256"],
            words.file_name(data["photo"]["name"]),
            kept_at,
            data["number"],
            document.verdict,
            removed_at,
        ),
    )
    number = cursor.lastrowid
    assert number is not None
    write_labels(connection, number, labels)
    return number


def insert_reading(connection: sqlite3.Connection, number: int, document: Document, thumbnail: str | None) -> None:
    """Insert a reading with its searchable figures."""
    connection.execute(
        "INSERT INTO reading (record, number, document, body, overlay, thumbnail) VALUES (?, ?, ?, ?, ?, ?)",
        (number, document.data["number"], document.sha256, document.text, document.data["overlay"], thumbnail),
    )
    connection.executemany(
        "INSERT INTO figure (record, reading, item, name, value, u95) VALUES (?, ?, ?, ?, ?, ?)",
        [
            (number, document.data["number"], figure.item, figure.name, figure.value, figure.u95)
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
    try:
        document = records.parse(row["body"])
    except ValueError:
        document = None
    if document is None or document.sha256 != row["document"]:
        raise ArchiveDamaged(
            f"reading {row['number']} of record {number} is no longer what was kept; "
            "`rimsight archive verify --repair` mends it from its file"
        )
    return document
