"""The stock list as CSV: written for any spreadsheet, read from whatever a spreadsheet makes of it.

Read are commas, semicolons or tabs between cells, decimal points or commas, millimetres or inches, walls by wire
gauge, and the usual names of columns. All rows are taken or none, and every error names its line.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TextIO

from rimsight.archive.stock import StockTube
from rimsight.archive.tables import harmless

#: Reads a typed length or wall: (text, its name for the message) -> mm; raises ValueError.
Parser = Callable[[str, str], float]

COLUMNS = (
    "label", "outer_mm", "bore_mm", "wall_mm", "metal", "length_mm", "note", "outer_u95_mm", "bore_u95_mm",
    "wall_u95_mm",
)
LARGEST_BYTES = 5_000_000
MOST_ROWS = 10_000
MOST_PROBLEMS = 20
_UNITS = {"mm": "mm", "millimetres": "mm", "millimeters": "mm", "in": "in", "inch": "in", "inches": "in", '"': "in"}
_NAMES = {
    "label": ("label", "name", "tube", "no", "nr", "number"),
    "outer": ("outer", "od", "outside", "outer diameter", "outside diameter", "diameter"),
    "bore": ("bore", "id", "inner", "inside", "inner diameter", "inside diameter", "bore diameter"),
    "wall": ("wall", "wall thickness", "thickness"),
    "gauge": ("gauge", "ga", "awg", "wall gauge"),
    "metal": ("metal", "material", "alloy"),
    "length": ("length", "left", "length left"),
    "note": ("note", "notes", "remark", "remarks", "comment"),
    "outer u95": ("outer u95",),
    "bore u95": ("bore u95",),
    "wall u95": ("wall u95",),
}
_BY_NAME = {other: name for name, others in _NAMES.items() for other in others}
_BARE_NUMBER = re.compile(r"[+-]?[0-9.,]+|[0-9 ]*[0-9]+\s*/\s*[0-9]+")


class StockCsvError(ValueError):
    """A CSV file that can't be taken into the stock list.

    Parameters
    ----------
    problems : list of str
        One line each, beginning with the line of the file.
    """

    def __init__(self, problems: list[str]) -> None:
        shown = problems[:MOST_PROBLEMS]
        if len(problems) > len(shown):
            shown.append(f"and {len(problems) - len(shown)} more")
        super().__init__("\n".join([*shown, "Nothing was taken into the stock list."]))
        self.problems = tuple(problems)


@dataclass(frozen=True)
class Sheet:
    """What a CSV file holds: tubes with the line each comes from, and columns that were passed over."""

    tubes: tuple[StockTube, ...]
    lines: tuple[int, ...]
    ignored: tuple[str, ...]


def write(tubes: Sequence[StockTube], file: TextIO) -> None:
    """Write tubes as CSV with commas and decimal points; `read` takes it back without loss.

    Parameters
    ----------
    tubes : sequence of StockTube
        What to write.
    file : text file
        Opened with `newline=""`.
    """
    table = csv.writer(file, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for tube in tubes:
        values = (getattr(tube, name) for name in COLUMNS)
        table.writerow(["" if value is None else harmless(value) if isinstance(value, str) else repr(value)
                        for value in values])


def decode(content: bytes) -> str:
    """Decode a CSV file: UTF-8, UTF-16 with its mark, else the Windows code page of western Europe.

    Raises
    ------
    StockCsvError
        The file is too large or no text.
    """
    if len(content) > LARGEST_BYTES:
        raise StockCsvError([f"the file is larger than {LARGEST_BYTES // 1_000_000} MB: no stock list"])
    codings = ("utf-16",) if content[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for coding in codings:
        try:
            text = content.decode(coding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise StockCsvError(["the file is no text that can be read: save it as CSV (UTF-8)"])


def read(text: str, length: Parser, wall: Parser) -> Sheet:
    """Read a CSV text.

    Parameters
    ----------
    text : str
        With a line of column names first; passed over are empty lines, and lines above it that begin with #.
    length, wall : callable
        Read a length, and a wall that may be a wire gauge.

    Raises
    ------
    StockCsvError
        With every problem and its line.
    """
    rows, delimiter = _rows(text)
    if not rows:
        raise StockCsvError(["line 1: the file is empty; it needs a line of column names, such as label;od;wall"])
    (at, header), body = rows[0], rows[1:]
    columns, ignored = _columns(header, at)
    if len(body) > MOST_ROWS:
        raise StockCsvError([f"more than {MOST_ROWS} rows: no stock list"])
    problems: list[str] = []
    tubes: list[StockTube] = []
    lines: list[int] = []
    seen: dict[str, int] = {}
    for line, cells in body:
        if any(cell.strip() for cell in cells[len(header):]):
            advice = " (decimal commas need ; between the cells, or quotes)" if delimiter == "," else ""
            problems.append(f"line {line}: {len(cells)} cells, but {len(header)} columns are named{advice}")
            continue
        try:
            tube = _tube(cells, columns, length, wall)
        except ValueError as problem:
            problems.append(f"line {line}: {problem}")
            continue
        key = tube.label.casefold()
        if key and key in seen:
            problems.append(f"line {line}: the label {tube.label!r} stands in line {seen[key]} already")
            continue
        if key:
            seen[key] = line
        tubes.append(tube)
        lines.append(line)
    if problems:
        raise StockCsvError(problems)
    return Sheet(tuple(tubes), tuple(lines), ignored)


def _rows(text: str) -> tuple[list[tuple[int, list[str]]], str]:
    """Split into rows with the line in which each begins, without empty ones and remarks."""
    first = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    told = re.fullmatch(r"sep=(.)", first.strip().lower())  # a spreadsheet's own way of naming the mark
    # A header holds no figures, so that its commas can't be decimal ones.
    delimiter = told[1] if told else next((mark for mark in ";\t," if mark in first), ",")
    rows: list[tuple[int, list[str]]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    try:
        for cells in reader:
            begins, line = line, reader.line_num + 1
            if not any(cell.strip() for cell in cells):
                continue
            # Above the names of the columns only: below them, "#1" is a label as good as any.
            if not rows and cells[0].lstrip().lower().startswith(("#", "sep=") if told else "#"):
                continue
            rows.append((begins, cells))
    except csv.Error as error:
        raise StockCsvError([f"line {reader.line_num}: {error}: is a quotation mark left open?"]) from None
    return rows, delimiter


def _columns(header: list[str], line: int) -> tuple[dict[str, tuple[int, str]], tuple[str, ...]]:
    """Return field -> (place, unit) and the columns that mean nothing here."""
    found: dict[str, tuple[int, str]] = {}
    ignored = []
    for place, cell in enumerate(header):
        name, unit = _column(cell)
        if name is None:
            if cell.strip():
                ignored.append(cell.strip())
        elif name in found:
            raise StockCsvError([f"line {line}: two columns mean the {name}: keep one"])
        else:
            found[name] = (place, unit)
    if "outer" not in found:
        named = ", ".join(cell.strip() for cell in header if cell.strip()) or "none"
        raise StockCsvError(
            [f"line {line}: no column for the outer diameter (od, outer, outer_mm ...); the columns are: {named}"]
        )
    return found, tuple(ignored)


def _column(cell: str) -> tuple[str | None, str]:
    words = re.sub(r"[._()\[\]/-]+", " ", cell.lower().replace("o.d", "od").replace("i.d", "id")).split()
    unit = ""
    if len(words) > 1 and words[-1] in _UNITS:
        unit = _UNITS[words.pop()]
    return _BY_NAME.get(" ".join(words)), unit


def _tube(cells: list[str], columns: dict[str, tuple[int, str]], length: Parser, wall: Parser) -> StockTube:
    def text(name: str) -> str:
        place = columns.get(name, (len(cells), ""))[0]
        return cells[place].strip() if place < len(cells) else ""

    def number(name: str, parser: Parser = length) -> float | None:
        typed = text(name)
        if not typed:
            return None
        # The unit in the column's name is for cells that bring none of their own.
        unit = columns[name][1]
        return parser(f"{typed} {unit}" if unit and _BARE_NUMBER.fullmatch(typed) else typed, name)

    outer = number("outer")
    if outer is None:
        raise ValueError("the outer diameter is missing")
    thickness = number("wall", wall)
    gauge = text("gauge")
    if gauge:
        if thickness is not None:
            raise ValueError("both a wall and a gauge are given: keep one")
        thickness = wall(f"{gauge}ga" if gauge.isascii() and gauge.isdigit() else gauge, "gauge")
    left = text("length")
    used_up = left and re.fullmatch(r"0+([.,]0*)?\s*(mm|in)?", left)
    return StockTube(
        _unquoted(text("label")),
        outer,
        number("bore"),
        thickness,
        _unquoted(text("metal")),
        0.0 if used_up else number("length"),
        _unquoted(text("note")),
        number("outer u95"),
        number("bore u95"),
        number("wall u95"),
    )


def _unquoted(text: str) -> str:
    """Take off the apostrophe that `write` puts before what a spreadsheet would take for a formula."""
    return text[1:] if text.startswith("'") and harmless(text[1:]) == text else text
