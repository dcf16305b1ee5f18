"""Mending what `verify` found, from what is still whole.

A reading stands in the database and in a file of its own: each mends the other. Small pictures, the search index
and the searchable figures are made anew. A lost photo can only come from a copy of it. Files that belong to no
record are set aside, unless they are a reading that the database lost: then the reading comes back.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable
from pathlib import Path

from rimsight.archive import records, rows, words
from rimsight.archive.errors import ArchiveError, PictureUnreadable
from rimsight.archive.objects import sha256_of
from rimsight.archive.records import Document, Labels
from rimsight.archive.sources import Sources
from rimsight.archive.store import Archive
from rimsight.archive.verify import Finding, Problem, Report, document_in_file


def repair(archive: Archive, report: Report, places: Iterable[Path] = ()) -> Report:
    """Mend what can be mended.

    Parameters
    ----------
    archive : Archive
        Opened to write.
    report : Report
        What `verify` found, of a database that can be read (for one that can't: `rimsight.archive.rebuild`).
    places : iterable of Path
        Folders and exported zips in which lost files are looked for.

    Returns
    -------
    Report
        The same report, with what became of each finding.
    """
    sizes = [row[0] for row in archive.connection.execute("SELECT DISTINCT bytes FROM object WHERE bytes IS NOT NULL")]
    menders = _Menders(archive, Sources(places, sizes))
    # Readings first: what belongs to a reading that comes back is no orphan.
    order = list(Problem)
    ranked = sorted(enumerate(report.findings), key=lambda entry: _rank(order, entry[1]))
    outcome = dict(enumerate(report.findings))
    for position, finding in ranked:
        if finding.outcome == "repaired":
            continue
        outcome[position] = finding.after(menders.mend(finding))
    report.findings = [outcome[position] for position in range(len(report.findings))]
    return report


def _rank(order: list[Problem], finding: Finding) -> tuple[int, int]:
    first = (
        Problem.LOST_READING,
        Problem.DOCUMENT,
        Problem.READING,
        Problem.NO_READING,
        Problem.PHOTO_MISSING,
        Problem.PHOTO_ALTERED,
        Problem.OVERLAY_MISSING,
        Problem.OVERLAY_ALTERED,
    )
    place = first.index(finding.problem) if finding.problem in first else len(first) + order.index(finding.problem)
    # The first reading of a record first: it alone carries the record's labels.
    return place, finding.reading or 0


class _Menders:
    def __init__(self, archive: Archive, sources: Sources) -> None:
        self.archive = archive
        self.sources = sources
        self.by_problem: dict[Problem, Callable[[Finding], bool]] = {
            Problem.PHOTO_MISSING: self.from_elsewhere,
            Problem.PHOTO_ALTERED: self.from_elsewhere,
            Problem.OVERLAY_MISSING: self.from_elsewhere,
            Problem.OVERLAY_ALTERED: self.from_elsewhere,
            Problem.THUMBNAIL: self.thumbnail,
            Problem.DOCUMENT: self.document,
            Problem.READING: self.reading,
            Problem.NO_READING: self.no_reading,
            Problem.FIGURES: self.figures,
            Problem.INDEX: self.index,
            Problem.LOST_READING: self.lost_reading,
            Problem.ORPHAN: self.orphan,
            Problem.HALF_WRITTEN: self.half_written,
        }

    def mend(self, finding: Finding) -> bool:
        mender = self.by_problem.get(finding.problem)
        if mender is None:
            return False
        try:
            return mender(finding)
        except (ArchiveError, ValueError):
            return False  # the next finding may still be mended

    def from_elsewhere(self, finding: Finding) -> bool:
        """Put back a file of which another place has a copy."""
        data = None
        if not self.archive.objects.is_whole(finding.what):
            data = self.sources.find(finding.what)
            if data is None:
                return False
        put(self.archive, finding.what, data)
        return True

    def document(self, finding: Finding) -> bool:
        """Write the file of a reading again, from the database or from a copy."""
        row = self.archive.connection.execute(
            "SELECT body FROM reading WHERE document = ? LIMIT 1", (finding.what,)
        ).fetchone()
        if row is not None and isinstance(row[0], str) and sha256_of(row[0].encode()) == finding.what:
            put(self.archive, finding.what, row[0].encode())
            return True
        return self.from_elsewhere(finding)

    def reading(self, finding: Finding) -> bool:
        """Set a reading of the database right, from its file."""
        number, reading = finding.numbers[0], finding.reading
        record = self.archive.connection.execute("SELECT * FROM record WHERE id = ?", (number,)).fetchone()
        document = document_in_file(self.archive.objects, finding.what)
        if document is None:
            self.from_elsewhere(finding)
            document = document_in_file(self.archive.objects, finding.what)
        if document is None or reading is None:
            return False
        data = document.data
        if data["key"] != record["key"]:
            return False
        with self.archive.writing() as connection, rows.unsealed(connection):
            name_objects(connection, document)
            connection.execute(
                "UPDATE reading SET body = ?, overlay = ? WHERE record = ? AND number = ?",
                (document.text, data["overlay"], number, reading),
            )
            connection.execute(
                "UPDATE record SET photo = ?, photo_name = ?, kind = ? WHERE id = ?",
                (data["photo"]["sha256"], words.file_name(data["photo"]["name"]), data["kind"], number),
            )
            rows.insert_figures(connection, number, reading, document)
            refresh_newest(connection, number)
        return True

    def no_reading(self, finding: Finding) -> bool:
        """Tell whether a record has its readings back (they are lost readings among the files)."""
        (number,) = finding.numbers
        row = self.archive.connection.execute("SELECT count(*) FROM reading WHERE record = ?", (number,)).fetchone()
        return bool(row[0])

    def figures(self, finding: Finding) -> bool:
        """Take the searchable figures out of the readings again."""
        (number,) = finding.numbers
        record = self.archive.record(number)
        with self.archive.writing() as connection:
            for reading in record.readings:
                rows.insert_figures(connection, number, reading.number, reading.document)
            rows.set_newest(connection, number, record.latest.number, record.latest.document)
            rows.index_text(connection, number)
        return True

    def index(self, finding: Finding) -> bool:
        """Make the search index anew."""
        with self.archive.writing() as connection:
            rows.index_everything(connection)
        return True

    def lost_reading(self, finding: Finding) -> bool:
        """Bring a reading back that lies among the files only."""
        document = document_in_file(self.archive.objects, finding.what)
        if document is None:
            return False
        with self.archive.writing() as connection:
            attach(self.archive, connection, document)
        return True

    def thumbnail(self, finding: Finding) -> bool:
        """Make a small picture again, from the marked photo or the photo."""
        make_thumbnails(self.archive, finding.what)
        return True

    def orphan(self, finding: Finding) -> bool:
        """Set a file aside that nothing refers to (by now, it may be a part of a reading that came back)."""
        with self.archive.writing() as connection:
            rows.drop_unused_objects(connection)
        self.archive.sweep([finding.what], aside=True)
        return True

    def half_written(self, finding: Finding) -> bool:
        """Sweep away what a killed command left."""
        (self.archive.folder / finding.what).unlink(missing_ok=True)
        return True


def put(archive: Archive, sha256: str, data: bytes | None) -> None:
    """Put a file under its name, or note one that lies there already (`data` None)."""
    staged = None if data is None else archive.objects.stage(data)
    size = archive.objects.path(sha256).stat().st_size if staged is None else staged.size
    with archive.writing() as connection:
        if staged is not None:
            archive.objects.place(staged)
        rows.insert_object(connection, sha256, size)


def make_thumbnails(archive: Archive, lost: str | None = None) -> None:
    """Make small pictures again, from the marked photo or the photo.

    Parameters
    ----------
    archive : Archive
        Opened to write.
    lost : str, optional
        SHA-256 of the small picture to replace; all readings that have none, if not given.
    """
    from rimsight.archive import pictures

    found = archive.connection.execute(
        "SELECT reading.record, number, overlay, photo FROM reading JOIN record ON record.id = reading.record "
        "WHERE thumbnail IS ?",
        (lost,),
    ).fetchall()
    for row in found:
        data = None
        for sha256 in (row["overlay"], row["photo"]):
            if sha256 is not None and data is None:
                with contextlib.suppress(ArchiveError, PictureUnreadable):
                    data = pictures.thumbnail(archive.objects.read(sha256))
        fresh = None if data is None else sha256_of(data)
        if fresh is not None:
            put(archive, fresh, data)
        with archive.writing() as connection:
            connection.execute(
                "UPDATE reading SET thumbnail = ? WHERE record = ? AND number = ?",
                (fresh, row["record"], row["number"]),
            )
            unused = rows.drop_unused_objects(connection) if lost else []
        archive.sweep(unused)


def name_objects(connection: sqlite3.Connection, document: Document) -> None:
    """Note the files that a reading names, whether they lie there or not."""
    data = document.data
    rows.insert_object(connection, document.sha256, len(document.text))
    rows.insert_object(connection, data["photo"]["sha256"], data["photo"]["bytes"])
    if data["overlay"] is not None:
        rows.insert_object(connection, data["overlay"], None)


def attach(
    archive: Archive,
    connection: sqlite3.Connection,
    document: Document,
    *,
    number: int | None = None,
    labels: Labels | None = None,
    kept_at: str | None = None,
    removed_at: str | None = None,
    thumbnail: str | None = None,
) -> int:
    """Insert the rows of a reading that lies among the files, and of its record if that is gone too.

    Parameters
    ----------
    archive : Archive
        Where the files lie.
    connection : sqlite3.Connection
        Inside a transaction.
    document : Document
        The reading.
    number : int, optional
        The record's number; that of the document if not given. A taken number is replaced by the next free one.
    labels, kept_at, removed_at : optional
        Of the record, if it is gone; else those of the document.
    thumbnail : str, optional
        SHA-256 of the reading's small picture.

    Returns
    -------
    int
        Number of the record.
    """
    data = document.data
    name_objects(connection, document)
    known = connection.execute("SELECT id FROM record WHERE key = ?", (data["key"],)).fetchone()
    if known is None:
        number = data["record"] if number is None else number
        if connection.execute("SELECT 1 FROM record WHERE id = ?", (number,)).fetchone():
            number = rows.next_number(connection)
        if labels is None:
            labels = Labels.from_json(data.get("labels", {}))
        rows.insert_record(
            connection, number, document, labels, kept_at=kept_at or data["measured_at"], removed_at=removed_at
        )
    else:
        number = int(known[0])
    taken = {row[0] for row in connection.execute("SELECT number FROM reading WHERE record = ?", (number,))}
    reading = data["number"] if data["number"] not in taken else max(taken) + 1
    rows.insert_reading(connection, number, reading, document, thumbnail)
    refresh_newest(connection, number)
    return number


def refresh_newest(connection: sqlite3.Connection, number: int) -> None:
    """Let searches and lists show the reading with the highest number."""
    row = connection.execute(
        "SELECT number, body FROM reading WHERE record = ? ORDER BY number DESC LIMIT 1", (number,)
    ).fetchone()
    with contextlib.suppress(ValueError):
        rows.set_newest(connection, number, row["number"], records.parse(row["body"]))
    rows.index_text(connection, number)
