"""Looking whether the archive still holds what was kept: every row, every file, each against the other.

Looking changes nothing. What is found can be handed to `rimsight.archive.repair`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from enum import Enum
from pathlib import Path

from rimsight.archive import records, rows, words
from rimsight.archive.objects import STALE_AFTER_S, ObjectStore
from rimsight.archive.records import Document
from rimsight.archive.store import Archive


class Problem(Enum):
    """What can be wrong, in the words of the report."""

    DATABASE = "the database is damaged"
    PHOTO_MISSING = "a photo is missing"
    PHOTO_ALTERED = "a photo is no longer what was kept"
    OVERLAY_MISSING = "a marked photo is missing"
    OVERLAY_ALTERED = "a marked photo is no longer what was kept"
    THUMBNAIL = "a small picture is missing or altered"
    DOCUMENT = "the file of a reading is missing or altered"
    READING = "a reading in the database is no longer what was kept"
    NO_READING = "a record has lost its readings"
    FIGURES = "figures in the database are not those of their reading"
    INDEX = "the search index is out of step"
    LOST_READING = "a reading lies among the files, but not in the database"
    ORPHAN = "a file belongs to no record"
    HALF_WRITTEN = "a half-written file was left behind"
    STRANGE = "a file is not the archive's"


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong.

    Parameters
    ----------
    problem : Problem
        What it is.
    what : str
        Hash or path of the file, or a detail of the database.
    numbers : tuple of int
        The records it affects.
    reading : int, optional
        The reading it affects, where it is one.
    outcome : str
        "found", "repaired" or "open" (can't be repaired with what is at hand).
    """

    problem: Problem
    what: str
    numbers: tuple[int, ...] = ()
    reading: int | None = None
    outcome: str = "found"

    def after(self, repaired: bool) -> Finding:
        """Return the finding with what became of it."""
        return replace(self, outcome="repaired" if repaired else "open")

    @property
    def harmless(self) -> bool:
        """True where nothing that was kept is touched: left-overs, and files that others put there."""
        return self.problem in (Problem.ORPHAN, Problem.HALF_WRITTEN, Problem.STRANGE)

    def as_json(self) -> dict[str, object]:
        """Return the finding as JSON data."""
        return {
            "problem": self.problem.name.lower(),
            "says": self.problem.value,
            "what": self.what,
            "records": list(self.numbers),
            "reading": self.reading,
            "outcome": self.outcome,
        }


@dataclass
class Report:
    """How much was looked at, and what was found."""

    records: int = 0
    readings: int = 0
    files: int = 0
    size: int = 0
    findings: list[Finding] = field(default_factory=list)

    @property
    def unhealed(self) -> list[Finding]:
        """What is wrong with something that was kept, and not repaired."""
        return [finding for finding in self.findings if finding.outcome != "repaired" and not finding.harmless]


def verify(
    archive: Archive,
    *,
    hashed: bool = True,
    stale_after_s: float = STALE_AFTER_S,
    progress: Callable[[int], None] | None = None,
) -> Report:
    """Look at everything.

    Parameters
    ----------
    archive : Archive
        Opened to read or to write.
    hashed : bool
        Read every file and hash it; else only sizes are compared.
    stale_after_s : float
        A half-written file younger than this may belong to a command at work, and is left alone; seconds.
    progress : callable, optional
        Called with the number of files looked at so far.

    Returns
    -------
    Report
    """
    report = Report()
    connection = archive.connection
    try:
        report.findings += _database(connection)
    except sqlite3.DatabaseError as error:
        report.findings.append(Finding(Problem.DATABASE, str(error)))
    if report.findings:
        return report  # rows of a damaged database prove nothing about files
    report.findings += _rows(connection, report)
    report.findings += _index(connection)
    report.findings += _files(archive, report, hashed, progress)
    report.findings += _reverse(archive, stale_after_s)
    return report


def _database(connection: sqlite3.Connection) -> Iterator[Finding]:
    for row in connection.execute("PRAGMA integrity_check(20)"):
        if row[0] != "ok":
            yield Finding(Problem.DATABASE, str(row[0]))


def _rows(connection: sqlite3.Connection, report: Report) -> Iterator[Finding]:
    for record in connection.execute("SELECT * FROM record ORDER BY id"):
        report.records += 1
        number = record["id"]
        newest: tuple[int, str] | None = None
        for row in connection.execute("SELECT * FROM reading WHERE record = ? ORDER BY number", (number,)):
            report.readings += 1
            document = _document(row["body"])
            if document is None or document.sha256 != row["document"] or not _belongs(document, row, record):
                yield Finding(Problem.READING, row["document"], (number,), row["number"])
                newest = None
                continue
            newest = (row["number"], document.verdict)
            stored = connection.execute(
                "SELECT item, name, value, u95 FROM figure WHERE record = ? AND reading = ?", (number, row["number"])
            )
            figures = {(f.item, f.name, f.value, f.u95) for f in records.figures(document.result)}
            if {tuple(entry) for entry in stored} != figures:
                yield Finding(Problem.FIGURES, "searched sizes", (number,), row["number"])
        count = connection.execute("SELECT count(*) FROM reading WHERE record = ?", (number,)).fetchone()[0]
        if not count:
            yield Finding(Problem.NO_READING, record["key"], (number,))
        elif newest and (record["reading"], record["verdict"]) != newest:
            yield Finding(Problem.FIGURES, "verdict or newest reading", (number,))


def _belongs(document: Document, row: sqlite3.Row, record: sqlite3.Row) -> bool:
    data = document.data
    return (data["key"], data["photo"]["sha256"], data["overlay"], data["kind"]) == (
        record["key"],
        record["photo"],
        row["overlay"],
        record["kind"],
    )


def _document(text: object) -> Document | None:
    try:
        return records.parse(text) if isinstance(text, str) else None
    except ValueError:
        return None


def _index(connection: sqlite3.Connection) -> Iterator[Finding]:
    wrong = connection.execute(
        "SELECT r.id FROM record AS r LEFT JOIN record_text AS t ON t.rowid = r.id WHERE t.rowid IS NULL "
        "OR t.job <> r.job OR t.stone <> r.stone OR t.tube <> r.tube OR t.metal <> r.metal OR t.note <> r.note "
        "OR t.photo_name <> r.photo_name OR t.verdict <> r.verdict OR t.tags <> "
        "coalesce((SELECT group_concat(tag, ' ') FROM tag WHERE record = r.id), '') LIMIT 1000"
    )
    numbers = tuple(row[0] for row in wrong)
    extra = connection.execute("SELECT count(*) FROM record_text WHERE rowid NOT IN (SELECT id FROM record)")
    if numbers or extra.fetchone()[0]:
        yield Finding(Problem.INDEX, "text of labels and notes", numbers)
    broken = None
    if not connection.execute("PRAGMA query_only").fetchone()[0]:
        try:
            connection.execute("INSERT INTO record_text (record_text) VALUES ('integrity-check')")
        except sqlite3.DatabaseError as error:
            broken = error
    if broken is not None and not numbers:
        yield Finding(Problem.INDEX, str(broken))


def _files(
    archive: Archive, report: Report, hashed: bool, progress: Callable[[int], None] | None
) -> Iterator[Finding]:
    connection = archive.connection
    # What is referred to but not listed counts as well: a row of `object` may be what was lost.
    names = connection.execute(
        "SELECT sha256 FROM object UNION SELECT photo FROM record UNION SELECT document FROM reading "
        "UNION SELECT overlay FROM reading WHERE overlay IS NOT NULL "
        "UNION SELECT thumbnail FROM reading WHERE thumbnail IS NOT NULL"
    )
    for (sha256,) in names:
        known = connection.execute("SELECT bytes FROM object WHERE sha256 = ?", (sha256,)).fetchone()
        state = archive.objects.state(sha256, size=None if known is None else known[0], hashed=hashed)
        report.files += 1
        report.size += (known[0] or 0) if known else 0
        if progress is not None:
            progress(report.files)
        if state == "whole" and known is not None:
            continue
        missing = state == "missing"
        for column, table, problem in (
            ("photo", "record", Problem.PHOTO_MISSING if missing else Problem.PHOTO_ALTERED),
            ("overlay", "reading", Problem.OVERLAY_MISSING if missing else Problem.OVERLAY_ALTERED),
            ("thumbnail", "reading", Problem.THUMBNAIL),
            ("document", "reading", Problem.DOCUMENT),
        ):
            number = "id" if table == "record" else "record"
            found = connection.execute(f"SELECT {number} FROM {table} WHERE {column} = ? ORDER BY 1", (sha256,))
            if numbers := tuple(dict.fromkeys(row[0] for row in found)):
                yield Finding(problem, sha256, numbers)


def _reverse(archive: Archive, stale_after_s: float) -> Iterator[Finding]:
    candidates: list[str] = []
    for path, sha256 in archive.objects.everything():
        if sha256 is None:
            yield Finding(Problem.STRANGE, _inside(path, archive.folder))
        elif not _known(archive.connection, sha256):
            candidates.append(sha256)
    # A command at work places its files before it commits their rows. Whoever holds the write lock sees neither.
    if candidates and not archive.connection.execute("PRAGMA query_only").fetchone()[0]:
        with archive.writing() as connection:
            candidates = [sha256 for sha256 in candidates if not _known(connection, sha256)]
    for sha256 in candidates:
        document = document_in_file(archive.objects, sha256)
        if document is not None and not _deleted(archive.connection, document):
            known = archive.connection.execute("SELECT id FROM record WHERE key = ?", (document.data["key"],))
            numbers = tuple(row[0] for row in known)
            yield Finding(Problem.LOST_READING, sha256, numbers, document.data["number"])
        else:
            yield Finding(Problem.ORPHAN, sha256)
    for path in archive.objects.stale(stale_after_s):
        yield Finding(Problem.HALF_WRITTEN, _inside(path, archive.folder))


def document_in_file(objects: ObjectStore, sha256: str) -> Document | None:
    """Return the reading whose document is the file of this name, or None if it is another file."""
    path = objects.path(sha256)
    try:
        with open(path, "rb") as file:
            if file.read(1) != b"{":  # no picture begins like a JSON object
                return None
        data = path.read_bytes()
    except OSError:
        return None
    try:
        document = records.parse(data.decode("ascii"))
    except ValueError:
        return None
    return document if document.sha256 == sha256 else None


def _known(connection: sqlite3.Connection, sha256: str) -> bool:
    # A row of `object` alone doesn't make a file wanted: the record or reading that named it may be lost.
    return any(
        connection.execute(f"SELECT 1 FROM {table} WHERE {column} = ?", (sha256,)).fetchone()
        for table, column in rows.REFERENCES
    )


def _deleted(connection: sqlite3.Connection, document: Document) -> bool:
    return (
        connection.execute("SELECT 1 FROM deleted WHERE key = ?", (document.data["key"],)).fetchone() is not None
    )


def _inside(path: Path, folder: Path) -> str:
    return words.shown(path.relative_to(folder).as_posix())
