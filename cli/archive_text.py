"""What `rimsight archive` prints for people. Nothing that was kept can drive the terminal: see `words.shown`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from rimsight.archive import words
from rimsight.archive.compare import Difference
from rimsight.archive.records import Reading, Record
from rimsight.archive.search import Page, Row


def page_text(page: Page, command: str) -> str:
    """Return a page of a list, two lines a record, and how to see more."""
    lines = [line for row in page.rows for line in _row_lines(row)]
    least = "more than " if page.at_least else ""
    count = "1 record" if page.total == 1 else f"{least}{page.total} records"
    if page.older is None and len(page.rows) == page.total:
        lines.append(count)
    else:
        more = "" if page.older is None else f"; older ones: {command} --before {page.older}"
        lines.append(f"{len(page.rows)} of {count}{more}")
    return "\n".join(lines)


def _row_lines(row: Row) -> list[str]:
    name = _joined((row.job, row.stone, row.tube, row.metal)) or row.photo_name
    told = words.headline(row.figures)
    if row.items > 1:
        told = f"{row.items} items, first: {told}"
    more = f" ({row.readings} readings)" if row.readings > 1 else ""
    return [
        words.shown(f"{row.number:>6}  {row.kind:<7} {row.verdict:<18} {name}").rstrip(),
        words.shown(f"        {words.local_time(row.kept_at):<26} {told}{more}").rstrip(),
    ]


def _joined(parts: Iterable[str]) -> str:
    return " · ".join(part for part in parts if part)


def record_text(record: Record, files: Iterable[tuple[str, str]]) -> str:
    """Return all that is kept of a record; `files` are (what, path)."""
    labels = record.labels
    title = _joined((f"Record {record.number}", record.kind, record.latest.document.verdict))
    lines = [title]
    if named := _joined((labels.job, labels.stone, labels.tube, labels.metal)):
        lines.append(named)
    lines.append(f"Photo {record.photo_name}, kept {words.local_time(record.kept_at)}")
    if labels.tags:
        lines.append(f"Tags: {', '.join(labels.tags)}")
    if record.removed_at:
        lines.append(f"In the bin since {words.local_time(record.removed_at)}; `rimsight archive restore` takes it out")
    for reading in reversed(record.readings):
        lines += ["", *_reading_lines(reading)]
    if labels.note:
        lines += ["", "Note", *(f"  {line}" for line in labels.note.split("\n"))]
    if record.changes:
        lines += ["", "Changed since it was kept"]
        lines += [
            f"  {words.local_time(change.at)}  {change.field}: {_short(change.before)} -> {_short(change.after)}"
            for change in record.changes
        ]
    lines += ["", "Files"]
    lines += [f"  {what:<9} {path}" for what, path in files]
    return "\n".join(words.shown(line) for line in lines)


def _reading_lines(reading: Reading) -> list[str]:
    from rimsight.archive.records import figures

    data = reading.document.data
    lines = [f"Reading {reading.number}, {words.local_time(data['measured_at'])}, rimsight {data['program']}"]
    rows = []
    for figure in figures(reading.document.result):
        title = words.figure_words(figure.name) + (f" {figure.item}" if figure.item else "")
        size = words.quantity(figure.value, figure.u95, words.unit_of(figure.name))
        rows.append((title, size, _budget(reading, figure)))
    wide = max((len(title) for title, _, _ in rows), default=0)
    lines += [f"  {title:<{wide}}  {size:<20} {budget}".rstrip() for title, size, budget in rows]
    if reading.document.verdict:
        lines.append(f"  Verdict: {reading.document.verdict}")
    result = reading.document.result
    for name in ("reasons", "warnings"):
        lines += [f"  - {text}" for text in _texts(result.get(name))]
    lines += [f"  {name}: {_plain(data[name])}" for name in ("inputs", "camera") if data[name]]
    if result.get("card"):
        lines.append(f"  card: {_plain(result['card'])}")
    return lines


def _budget(reading: Reading, figure: Any) -> str:
    subject, _, name = figure.name.partition(".")
    found = reading.document.result.get(subject)
    if figure.item:
        found = reading.document.result.get(subject + "s") or found
        found = found[figure.item - 1] if isinstance(found, list) and len(found) >= figure.item else None
    quantity = found.get(name) if isinstance(found, Mapping) else None
    budget = quantity.get("budget") if isinstance(quantity, Mapping) else None
    if not isinstance(budget, Mapping):
        return ""
    parts = [(key, part) for key, part in budget.items() if isinstance(part, int | float) and part]
    parts.sort(key=lambda entry: -abs(entry[1]))
    return "from " + ", ".join(f"{key} {part:.4f}" for key, part in parts[:4]) if parts else ""


def _texts(value: object) -> list[str]:
    from rimsight.archive.album_parts import texts_of

    return texts_of(value)


def _plain(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain(entry)}" for key, entry in value.items() if entry is not None)
    if isinstance(value, list):
        return " ".join(_plain(entry) for entry in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _short(text: str) -> str:
    one = " ".join(text.split())
    return f'"{one[:60]}..."' if len(one) > 60 else f'"{one}"'


def differences_text(title: str, found: Iterable[Difference]) -> str:
    """Return two readings beside each other, one line a quantity."""
    rows = []
    for one in found:
        unit = words.unit_of(one.name)
        name = words.figure_words(one.name) + (f" {one.item}" if one.item else "")
        before = "-" if one.before is None else words.quantity(*one.before, unit)
        after = "-" if one.after is None else words.quantity(*one.after, unit)
        change = ""
        if one.change is not None:
            sign = "+" if one.change > 0 else ""
            says = {True: "differs", False: "the same within the uncertainty", None: ""}[one.differs]
            change = f"{sign}{words.number(one.change, 4)} {unit}  {says}"
        rows.append((name, before, after, change))
    wide = [max((len(row[column]) for row in rows), default=0) for column in range(3)]
    lines = [title]
    lines += [f"  {a:<{wide[0]}}  {b:<{wide[1]}}  {c:<{wide[2]}}  {d}".rstrip() for a, b, c, d in rows]
    return "\n".join(words.shown(line) for line in lines)
