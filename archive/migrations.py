"""The schema of the archive's database, as named steps that are applied once each, in order.

A step and the note that it was applied are one transaction: a database is at one step or the next, never between.
Steps are only ever added at the end; one that has left the house is not edited.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from rimsight.archive.errors import ArchiveTooNew

#: Marks the file as ours (`PRAGMA application_id`): the letters "RIMS".
APPLICATION_ID = 0x52494D53


@dataclass(frozen=True)
class Migration:
    """One step of the schema: a lasting name and what it does to the database."""

    name: str
    apply: Callable[[sqlite3.Connection], None]


_RECORDS = (
    # Every file the archive holds, under the SHA-256 of its bytes (`bytes` is NULL for one known by name only).
    """CREATE TABLE object (
        sha256 TEXT PRIMARY KEY CHECK (length(sha256) = 64),
        bytes INTEGER
    ) WITHOUT ROWID""",
    # AUTOINCREMENT: a record's number stands on envelopes, so it is never given to another record.
    """CREATE TABLE record (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        key TEXT NOT NULL UNIQUE,
        kind TEXT NOT NULL,
        photo TEXT NOT NULL REFERENCES object (sha256),
        photo_name TEXT NOT NULL,
        kept_at TEXT NOT NULL,
        job TEXT NOT NULL DEFAULT '',
        stone TEXT NOT NULL DEFAULT '',
        tube TEXT NOT NULL DEFAULT '',
        metal TEXT NOT NULL DEFAULT '',
        note TEXT NOT NULL DEFAULT '',
        reading INTEGER NOT NULL,
        verdict TEXT NOT NULL DEFAULT '',
        removed_at TEXT
    )""",
    "CREATE INDEX record_by_job ON record (job COLLATE NOCASE)",
    "CREATE INDEX record_by_verdict ON record (verdict)",
    "CREATE INDEX record_by_metal ON record (metal COLLATE NOCASE)",
    "CREATE INDEX record_by_time ON record (kept_at)",
    "CREATE INDEX record_by_photo ON record (photo, kind)",
    # Most questions ask for what is not in the bin: with this they count it without reading a record.
    "CREATE INDEX record_in_bin ON record (removed_at)",
    # `body` is the reading's document, word for word as in the file named by `document`.
    """CREATE TABLE reading (
        record INTEGER NOT NULL REFERENCES record (id),
        number INTEGER NOT NULL,
        document TEXT NOT NULL REFERENCES object (sha256),
        body TEXT NOT NULL,
        overlay TEXT REFERENCES object (sha256),
        thumbnail TEXT REFERENCES object (sha256),
        PRIMARY KEY (record, number)
    )""",
    "CREATE INDEX reading_by_document ON reading (document)",
    "CREATE INDEX reading_by_overlay ON reading (overlay) WHERE overlay IS NOT NULL",
    "CREATE INDEX reading_by_thumbnail ON reading (thumbnail) WHERE thumbnail IS NOT NULL",
    # The figures once more, taken out of the document, so that sizes can be searched.
    """CREATE TABLE figure (
        record INTEGER NOT NULL,
        reading INTEGER NOT NULL,
        item INTEGER NOT NULL,
        name TEXT NOT NULL,
        value REAL NOT NULL,
        u95 REAL,
        PRIMARY KEY (record, reading, item, name),
        FOREIGN KEY (record, reading) REFERENCES reading (record, number)
    ) WITHOUT ROWID""",
    "CREATE INDEX figure_by_value ON figure (name, value)",
    """CREATE TABLE tag (
        record INTEGER NOT NULL REFERENCES record (id),
        tag TEXT NOT NULL COLLATE NOCASE,
        PRIMARY KEY (record, tag)
    ) WITHOUT ROWID""",
    "CREATE INDEX tag_by_name ON tag (tag)",
    # What was written on a record after it was kept: the old wording stays readable.
    """CREATE TABLE change (
        id INTEGER PRIMARY KEY,
        record INTEGER NOT NULL REFERENCES record (id),
        at TEXT NOT NULL,
        field TEXT NOT NULL,
        before TEXT NOT NULL,
        after TEXT NOT NULL
    )""",
    "CREATE INDEX change_by_record ON change (record)",
    # Keys of records deleted for good: files of theirs that outlive a killed deletion are not taken for lost records.
    "CREATE TABLE deleted (key TEXT PRIMARY KEY) WITHOUT ROWID",
    """CREATE VIRTUAL TABLE record_text USING fts5 (
        job, stone, tube, metal, note, tags, photo_name, kind, verdict,
        tokenize = "unicode61 remove_diacritics 2", prefix = '1 2 3'
    )""",
    """CREATE TRIGGER reading_stays BEFORE UPDATE OF record, number, document, body, overlay ON reading
       BEGIN SELECT RAISE (ABORT, 'a reading is never changed; add another'); END""",
    """CREATE TRIGGER photo_stays BEFORE UPDATE OF key, kind, photo, photo_name, kept_at ON record
       BEGIN SELECT RAISE (ABORT, 'the photo of a record is never changed'); END""",
)


def _records(connection: sqlite3.Connection) -> None:
    for statement in _RECORDS:
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")


#: All steps, oldest first.
MIGRATIONS: tuple[Migration, ...] = (Migration("0001_records", _records),)


def applied(connection: sqlite3.Connection) -> list[str]:
    """Return the names of the steps this database has had, in the order they were applied."""
    known = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'migration'").fetchone()
    if known is None:
        return []
    return [row[0] for row in connection.execute("SELECT name FROM migration ORDER BY rowid")]


def pending(
    connection: sqlite3.Connection, steps: Sequence[Migration] = MIGRATIONS
) -> list[Migration]:
    """Return the steps that this database still lacks.

    Raises
    ------
    ArchiveTooNew
        The database has had a step that this version of the program doesn't know.
    """
    done = applied(connection)
    unknown = set(done) - {step.name for step in steps}
    if unknown:
        raise ArchiveTooNew(
            f"this archive was written by a newer version of rimsight (it has {', '.join(sorted(unknown))}); "
            "upgrade rimsight to use it"
        )
    return [step for step in steps if step.name not in done]


def migrate(connection: sqlite3.Connection, steps: Sequence[Migration] = MIGRATIONS) -> list[str]:
    """Apply every pending step, each in a transaction of its own with the note that it was applied.

    Parameters
    ----------
    connection : sqlite3.Connection
        In autocommit mode (`isolation_level=None`).
    steps : sequence of Migration
        All steps, oldest first.

    Returns
    -------
    list of str
        Names of the steps applied by this call.
    """
    done_now = []
    for step in pending(connection, steps):
        connection.execute("BEGIN IMMEDIATE")
        try:
            connection.execute(
                "CREATE TABLE IF NOT EXISTS migration (name TEXT NOT NULL UNIQUE, applied_at TEXT NOT NULL)"
            )
            # Another command may have applied it between our look and our lock.
            if step.name not in applied(connection):
                step.apply(connection)
                connection.execute(
                    "INSERT INTO migration (name, applied_at) VALUES (?, ?)",
                    (step.name, datetime.now(UTC).isoformat(timespec="seconds")),
                )
                done_now.append(step.name)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return done_now
