"""Opening the archive's database: settings that make it durable, and errors put into words.

Write-ahead logging with `synchronous=FULL`: a commit is on the disk when it returns, and a killed writer leaves
the last commit, whole (https://www.sqlite.org/wal.html, https://www.sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rimsight.archive import migrations
from rimsight.archive.errors import (
    ArchiveBusy,
    ArchiveDamaged,
    ArchiveError,
    ArchiveFull,
    ArchiveReadOnly,
    NoArchive,
)

DATABASE_NAME = "archive.db"
#: How long a command waits for another one that is writing, in seconds.
BUSY_TIMEOUT_S = 30.0
#: What SQLite says when it can't write the small index file that a reader of the log needs.
_CANNOT_WRITE = ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_FULL", "SQLITE_IOERR", "SQLITE_PERM")


def translate(error: sqlite3.Error, folder: Path) -> Exception:
    """Put an error of SQLite into the words and the class that fit who can mend it."""
    name = getattr(error, "sqlite_errorname", "") or ""
    text = str(error)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return ArchiveBusy(f"another command is using the archive in {folder}; try again when it is done")
    if name.startswith("SQLITE_FULL"):
        return ArchiveFull(f"the disk that holds {folder} is full; free some space and do it again")
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM")):
        return ArchiveReadOnly(f"the archive in {folder} can be read but not written")
    if name.startswith("SQLITE_CANTOPEN"):
        return ArchiveReadOnly(f"the archive in {folder} can't be opened: is the folder there, and yours to write?")
    if name.startswith("SQLITE_IOERR"):
        return ArchiveError(f"the disk that holds {folder} failed while the archive used it ({name}: {text})")
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return ArchiveDamaged(
            f"the database of the archive in {folder} is damaged ({text}); "
            "`rimsight archive verify --repair` rebuilds it from the files beside it"
        )
    return ArchiveError(f"the archive in {folder} failed ({name or type(error).__name__}: {text})")


def identity(folder: Path) -> tuple[int, int] | None:
    """Return what tells the database file from another one put in its place, or None if it is gone."""
    try:
        found = (folder / DATABASE_NAME).stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def open_for_writing(folder: Path, *, timeout_s: float = BUSY_TIMEOUT_S) -> sqlite3.Connection:
    """Open the database of `folder`, made and brought to the present schema if need be.

    Raises
    ------
    ArchiveBusy, ArchiveFull, ArchiveReadOnly, ArchiveDamaged, ArchiveTooNew, OSError
        As their names say; the message names the folder.
    """
    connection = None
    try:
        connection = _connect(folder / DATABASE_NAME, "mode=rwc", timeout_s)
        _use_wal(connection, timeout_s)
        migrations.migrate(connection)
        return connection
    except sqlite3.Error as error:
        _close(connection)
        raise translate(error, folder) from error
    except BaseException:
        _close(connection)
        raise


def open_for_reading(folder: Path, *, timeout_s: float = BUSY_TIMEOUT_S) -> sqlite3.Connection:
    """Open the database of `folder` to read it, also where nothing can be written.

    Reading a database with a write-ahead log needs to write a small index file beside it. On a read-only or
    full disk the database is read as it is if its log is empty, else from a copy in a temporary folder.

    Raises
    ------
    NoArchive
        There is no database in the folder.
    ArchiveBusy, ArchiveDamaged, ArchiveTooNew, ArchiveError
        As their names say.
    """
    path = folder / DATABASE_NAME
    if not path.is_file():
        raise NoArchive(f"there is no archive in {folder}")
    for way in (_read_beside_writers, _read_unchanging, _read_copy):
        connection = None
        try:
            connection = way(path, timeout_s)
            if connection is None:
                continue
            if migrations.pending(connection):
                connection.close()
                connection = open_for_writing(folder, timeout_s=timeout_s)
            connection.execute("PRAGMA query_only = ON")
            return connection
        except sqlite3.Error as error:
            _close(connection)
            name = getattr(error, "sqlite_errorname", "") or ""
            if not name.startswith(_CANNOT_WRITE):
                raise translate(error, folder) from error
            failure = error
        except BaseException:
            _close(connection)
            raise
    raise translate(failure, folder) from failure


def _read_beside_writers(path: Path, timeout_s: float) -> sqlite3.Connection | None:
    return _probed(_connect(path, "mode=rw", timeout_s))


def _read_unchanging(path: Path, timeout_s: float) -> sqlite3.Connection | None:
    log = path.with_name(path.name + "-wal")
    if log.exists() and log.stat().st_size:
        return None  # the newest records are still in the log, which an immutable database ignores
    return _probed(_connect(path, "mode=ro&immutable=1", timeout_s))


def _read_copy(path: Path, timeout_s: float) -> sqlite3.Connection | None:
    # Kept until the process ends: the connection reads from it for as long as it lives.
    import atexit
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="rimsight-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    for name in (path.name, path.name + "-wal"):
        shutil.copyfile(path.with_name(name), folder / name)
    return _probed(_connect(folder / path.name, "mode=rw", timeout_s))


def _probed(connection: sqlite3.Connection) -> sqlite3.Connection:
    try:
        connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()  # opening alone touches nothing
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _connect(path: Path, how: str, timeout_s: float) -> sqlite3.Connection:
    # Path.as_uri quotes "?", "#" and "%" in folder names, which would otherwise become options of the URI.
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=timeout_s, isolation_level=None)
    connection.row_factory = sqlite3.Row
    try:
        for setting in (
            "foreign_keys = ON",
            "synchronous = FULL",
            "trusted_schema = OFF",
            "cell_size_check = ON",
            "temp_store = MEMORY",
        ):
            connection.execute(f"PRAGMA {setting}")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _use_wal(connection: sqlite3.Connection, timeout_s: float) -> None:
    # Turning the log on needs the database to itself, and SQLite doesn't wait for that by its busy timeout.
    deadline = time.monotonic() + timeout_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL").fetchone()
            return
        except sqlite3.OperationalError as error:
            name = getattr(error, "sqlite_errorname", "") or ""
            if not name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _close(connection: sqlite3.Connection | None) -> None:
    if connection is not None:
        connection.close()


@contextmanager
def writing(connection: sqlite3.Connection, folder: Path) -> Iterator[sqlite3.Connection]:
    """Hold the archive's one write lock for a transaction: committed as a whole, or not at all."""
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    except sqlite3.Error as error:
        raise translate(error, folder) from error


@contextmanager
def reading(connection: sqlite3.Connection, folder: Path) -> Iterator[sqlite3.Connection]:
    """Read several tables as they were at one moment, whatever other commands write meanwhile."""
    try:
        nested = connection.in_transaction
        if not nested:
            connection.execute("BEGIN")
        try:
            yield connection
        finally:
            if not nested and connection.in_transaction:
                connection.execute("ROLLBACK")
    except sqlite3.Error as error:
        raise translate(error, folder) from error
