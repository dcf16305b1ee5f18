"""Exports that other programs read: CSV for spreadsheets, JSON lines for everything else."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from typing import TextIO

from rimsight.archive import records, words
from rimsight.archive.records import Record
from rimsight.archive.store import Archive

_LABELS = ("number", "kept_at", "kind", "job", "stone", "tube", "metal", "verdict", "note", "tags", "photo", "sha256")
_READING = ("reading", "measured_at", "program", "item")
#: Figures that have a column of their own, in this order; the rest stands in the JSON lines.
_FIGURES = (
    "stone.diameter_mm",
    "stone.smallest_mm",
    "stone.largest_mm",
    "stone.length_mm",
    "stone.width_mm",
    "stone.height_mm",
    "tube.outer_diameter_mm",
    "tube.bore_diameter_mm",
    "tube.wall_mm",
    "tube.smallest_wall_mm",
    "rim.centred_mm",
    "rim.smallest_mm",
    "rim.mean_mm",
    "rim.offset_mm",
)
#: What a spreadsheet takes for the beginning of a formula, also in its full-width forms
#: (OWASP, "CSV Injection": = + - @ tab carriage-return).
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def columns() -> list[str]:
    """Return the names of the columns of the CSV, in order."""
    figures = [column for name in _FIGURES for column in (name.replace(".", "_"), _u95(name))]
    return [*_LABELS, *_READING, *figures]


def _u95(name: str) -> str:
    return name.replace(".", "_").removesuffix("_mm") + "_u95_mm"


def harmless(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula: one that looks like it gets an apostrophe in front."""
    shown = words.shown(text, lines=True)
    return "'" + shown if shown.lstrip(" ").startswith(_FORMULA) else shown


def write_csv(archive: Archive, numbers: Iterable[int], file: TextIO) -> int:
    """Write the newest reading of each record as CSV, one row an item, and return the number of rows.

    Parameters
    ----------
    archive : Archive
        Where the records are.
    numbers : iterable of int
        Which ones.
    file : text file
        Opened with `newline=""`. Columns are comma-separated, decimals have a point, values are
        given to the nanometre.
    """
    table = csv.writer(file, lineterminator="\r\n")
    table.writerow(columns())
    count = 0
    for number in numbers:
        for row in _rows(archive.record(number)):
            table.writerow(row)
            count += 1
    return count


def _rows(record: Record) -> Iterable[list[object]]:
    reading = record.latest
    labels = record.labels
    by_item: dict[int, dict[str, tuple[float, float | None]]] = {}
    for figure in records.figures(reading.document.result):
        by_item.setdefault(figure.item, {})[figure.name] = (figure.value, figure.u95)
    for item in sorted(by_item) or [0]:
        figures = by_item.get(item, {})
        row: list[object] = [
            record.number,
            record.kept_at,
            record.kind,
            *(harmless(text) for text in (labels.job, labels.stone, labels.tube, labels.metal)),
            harmless(reading.document.verdict),
            harmless(labels.note),
            harmless(", ".join(labels.tags)),
            harmless(record.photo_name),
            record.photo,
            reading.number,
            reading.document.data["measured_at"],
            harmless(reading.document.data["program"]),
            item,
        ]
        for name in _FIGURES:
            value, u95 = figures.get(name, (None, None))
            row += ["" if value is None else _number(value), "" if u95 is None else _number(u95)]
        yield row


def _number(value: float) -> str:
    """Return a size to the nanometre: enough to lose nothing, without the tail of binary fractions."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def write_json_lines(archive: Archive, numbers: Iterable[int], file: TextIO) -> int:
    """Write everything known of each record as one line of JSON, and return the number of lines.

    All readings with their budgets, inputs and hashes; no pictures. Of paths among the inputs only the last part.
    """
    count = 0
    for number in numbers:
        data = archive.record(number).as_json()
        for reading in data["readings"]:
            reading["inputs"] = words.without_folders(reading["inputs"])
            reading["camera"] = words.without_folders(reading["camera"])
        file.write(json.dumps(data, ensure_ascii=False, sort_keys=True) + "\n")
        count += 1
    return count
