"""Steps of the schema: each once, each whole, and never backwards."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from rimsight.archive import database
from rimsight.archive.errors import ArchiveTooNew
from rimsight.archive.migrations import APPLICATION_ID, MIGRATIONS, Migration, applied, migrate, pending
from rimsight.archive.store import Archive
from tests.archive import sample


@pytest.fixture(name="connection")
def connection_fixture(tmp_path: Path) -> sqlite3.Connection:
    tmp_path.joinpath("a").mkdir()
    return database.open_for_writing(tmp_path / "a")


def _add_column(connection: sqlite3.Connection) -> None:
    connection.execute("ALTER TABLE record ADD COLUMN colour TEXT NOT NULL DEFAULT ''")


def _fail(connection: sqlite3.Connection) -> None:
    connection.execute("CREATE TABLE half (x)")
    raise RuntimeError("in the middle")


def test_a_new_database_has_every_step(connection: sqlite3.Connection) -> None:
    assert applied(connection) == [step.name for step in MIGRATIONS]
    assert pending(connection) == []
    assert migrate(connection) == []
    assert connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
    assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_a_further_step_is_applied_once_and_keeps_the_records(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured)
    steps = (*MIGRATIONS, Migration("0002_colour", _add_column))
    assert migrate(archive.connection, steps) == ["0002_colour"]
    assert migrate(archive.connection, steps) == []
    assert archive.connection.execute("SELECT count(*), max(colour) FROM record").fetchone()[:] == (1, "")


def test_a_step_that_fails_leaves_no_trace(connection: sqlite3.Connection) -> None:
    steps = (*MIGRATIONS, Migration("0002_fails", _fail))
    with pytest.raises(RuntimeError, match="in the middle"):
        migrate(connection, steps)
    assert applied(connection) == [step.name for step in MIGRATIONS]
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone()[0] == 0
    assert not connection.in_transaction


def test_a_database_of_a_newer_version_is_left_alone(archive: Archive) -> None:
    archive.connection.execute("INSERT INTO migration VALUES ('0099_future', '2030-01-01')")
    archive.close()
    for write in (False, True):
        with pytest.raises(ArchiveTooNew, match="0099_future"):
            Archive(archive.folder, write=write)


def test_names_of_steps_are_in_order_and_never_twice() -> None:
    names = [step.name for step in MIGRATIONS]
    assert names == sorted(set(names))
