"""The file of the stock list: one SQLite database of its own, apart from the archive of photos.

SQLite's rollback journal keeps it in a single file that may be copied while nobody writes; a transaction is whole or
absent whatever happens, and two commands at once wait for each other (https://www.sqlite.org/lockingv3.html).
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

HOME_VARIABLE = "RIMSIGHT_HOME"
FILE_NAME = "stock.db"
#: How long a command waits for another one that is writing, in seconds.
BUSY_TIMEOUT_S = 15.0
#: "RiSt" in ASCII: tells this file from any other database.
APPLICATION_ID = 0x52695374

#: Statements that bring the file from one version to the next; never changed once published, only added to.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE tube (
            id INTEGER PRIMARY KEY,
            label TEXT NOT NULL,
            label_key TEXT NOT NULL UNIQUE,
            outer_mm REAL NOT NULL CHECK (outer_mm > 0),
            bore_mm REAL CHECK (bore_mm > 0 AND bore_mm < outer_mm),
            wall_mm REAL CHECK (wall_mm > 0 AND 2 * wall_mm < outer_mm),
            metal TEXT NOT NULL DEFAULT '',
            length_mm REAL CHECK (length_mm >= 0),
            note TEXT NOT NULL DEFAULT '',
            outer_u95_mm REAL CHECK (outer_u95_mm >= 0),
            bore_u95_mm REAL CHECK (bore_u95_mm >= 0),
            wall_u95_mm REAL CHECK (wall_u95_mm >= 0),
            added_at TEXT NOT NULL,
            changed_at TEXT NOT NULL,
            CHECK (bore_mm IS NULL OR wall_mm IS NULL)
        ) STRICT""",
        """CREATE TABLE cut (
            id INTEGER PRIMARY KEY,
            label TEXT NOT NULL,
            piece_mm REAL NOT NULL CHECK (piece_mm > 0),
            taken_mm REAL NOT NULL CHECK (taken_mm >= piece_mm),
            left_mm REAL NOT NULL CHECK (left_mm >= 0),
            note TEXT NOT NULL DEFAULT '',
            cut_at TEXT NOT NULL
        ) STRICT""",
    ),
)


class StockError(OSError):
    """The stock list can't be used, and the caller is not to blame; the message says what to do."""


class StockReadOnly(PermissionError):
    """The stock list can be read but not written."""


def stock_path() -> Path:
    """Return the file of the stock list: `$RIMSIGHT_HOME/stock.db`, else in the user's data folder."""
    home = os.environ.get(HOME_VARIABLE)
    if home:
        return Path(home).expanduser() / FILE_NAME
    from platformdirs import user_data_path

    return user_data_path("rimsight", appauthor=False) / FILE_NAME


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection | None]:
    """Open the file to read it; None if there is none yet.

    Raises
    ------
    StockError, OSError
        The file can't be read, is no stock list, or comes from a newer program.
    """
    if not path.exists():
        yield None
        return
    # Not "ro": what a killed writer left half done is put right by the next one to open it, a reader too.
    with _translated(path), closing(_connect(path, "rw")) as connection:
        if _version(connection, path) == 0:
            yield None  # made, but never written
            return
        yield connection


@contextmanager
def writing(path: Path) -> Iterator[sqlite3.Connection]:
    """Hold the one write lock for a transaction; all of it is kept, or nothing. The file is made if need be.

    Raises
    ------
    StockError, StockReadOnly, OSError
        The file can't be written, is no stock list, or comes from a newer program.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with _translated(path), closing(_connect(path, "rwc")) as connection:
        connection.execute("BEGIN IMMEDIATE")
        try:
            version = _version(connection, path)
            for statements in MIGRATIONS[version:]:
                for statement in statements:
                    connection.execute(statement)
            if version < len(MIGRATIONS):
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
            yield connection
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    # Transactions are begun by hand: the library's own begin late and would let two commands overwrite each other.
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None)
    connection.row_factory = sqlite3.Row
    return connection


def _version(connection: sqlite3.Connection, path: Path) -> int:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    mark = int(connection.execute("PRAGMA application_id").fetchone()[0])
    empty = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    if not empty and mark != APPLICATION_ID:
        raise StockError(f"{path} is another program's database, not a stock list")
    if version > len(MIGRATIONS):
        raise StockError(f"{path} was written by a newer version of this program: bring the program up to date")
    return version


@contextmanager
def _translated(path: Path) -> Iterator[None]:
    """Put SQLite's errors into words that say what to do."""
    try:
        yield
    except sqlite3.IntegrityError:
        raise  # a fault of this program, not of the file
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "") or ""
        if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            raise StockError(f"another command is using {path}; try again when it is done") from error
        if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN")):
            raise StockReadOnly(13, "the stock list can't be opened here: is it yours to read and write?", str(path)) \
                from error
        if name.startswith("SQLITE_FULL"):
            raise StockError(f"the disk that holds {path} is full; nothing was changed") from error
        if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
            raise StockError(
                f"{path} is damaged ({error}); put a copy back, or move it away and import your last CSV export"
            ) from error
        raise StockError(f"the stock list {path} failed ({name or type(error).__name__}: {error})") from error
