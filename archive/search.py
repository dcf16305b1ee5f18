"""Finding records again: by words, job, date, size, verdict, metal.

Nothing here reads a reading's document or a file, and no question brings more rows into memory than it shows.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from rimsight.archive import words
from rimsight.archive.store import Archive

#: What a size may be asked of, and the figures that answer: a stone that is not round has length and width.
SIZES: dict[str, tuple[str, ...]] = {
    "stone": ("stone.diameter_mm", "stone.length_mm", "stone.width_mm"),
    "tube": ("tube.outer_diameter_mm",),
    "bore": ("tube.bore_diameter_mm",),
    "wall": ("tube.wall_mm",),
    "rim": ("rim.smallest_mm",),
}


#: Figures in a range of sizes, from which on it is quicker to look at each record's own figures than to collect these.
WIDE = 10_000
#: How far records are counted that answer a wide range.
COUNTED = 10_000


@dataclass(frozen=True)
class Query:
    """What is looked for; everything given must hold.

    Parameters
    ----------
    text : str
        Words, each the beginning of a word on the record (labels, note, tags, photo name, kind, verdict).
    job, stone, tube, metal : str
        Equal to the label whatever the case of letters; `*` stands for anything.
    kind, verdict : str
        Equal.
    tags : tuple of str
        All of them are on the record.
    since, until : str
        Kept at or after, kept before: ISO 8601, UTC.
    sizes : dict
        Smallest and largest value, mm, by a name of `SIZES`; a newest reading's figure lies between.
    in_bin : bool
        Look in the bin instead.
    numbers : tuple of int
        Only these records.
    """

    text: str = ""
    job: str = ""
    stone: str = ""
    tube: str = ""
    metal: str = ""
    kind: str = ""
    verdict: str = ""
    tags: tuple[str, ...] = ()
    since: str = ""
    until: str = ""
    sizes: dict[str, tuple[float, float]] = field(default_factory=dict)
    in_bin: bool = False
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True)
class Row:
    """One line of a list: what tells a record from the others."""

    number: int
    kind: str
    kept_at: str
    photo_name: str
    job: str
    stone: str
    tube: str
    metal: str
    note: str
    verdict: str
    readings: int
    tags: tuple[str, ...]
    figures: dict[str, tuple[float, float | None]]
    items: int
    thumbnail: str | None


@dataclass(frozen=True)
class Page:
    """Some rows, newest first, of how many there are in all; `older` continues where they end.

    Where very many records answer a question about sizes, counting stops at `COUNTED` and `at_least` is true.
    """

    rows: list[Row]
    total: int
    older: int | None
    at_least: bool = False


def page(archive: Archive, query: Query, *, limit: int = 20, before: int | None = None) -> Page:
    """Return the newest records that a query finds.

    Parameters
    ----------
    archive : Archive
        Where to look.
    query : Query
        What to look for.
    limit : int
        Rows at most, 1 or more.
    before : int, optional
        Only records with smaller numbers: the `older` of the page before.

    Raises
    ------
    ValueError
        The query can't be understood.
    """
    if limit < 1:
        raise ValueError("a page needs at least one row")
    with archive.reading() as connection:
        wide = _wide(connection, query)
        asked = _asked(query, wide)
        counted = f"(SELECT 1 FROM {asked.text} LIMIT {COUNTED + 1})" if wide else asked.text
        total = connection.execute(f"SELECT count(*) FROM {counted}", asked.values).fetchone()[0]
        older = "" if before is None else f" AND {asked.id} < ?"
        # Numbers first: an index alone can tell them, and rows are read only of those that are shown.
        found = connection.execute(
            "SELECT * FROM record WHERE id IN "
            f"(SELECT {asked.id} FROM {asked.text}{older} ORDER BY {asked.id} DESC LIMIT ?) ORDER BY id DESC",
            [*asked.values, *([] if before is None else [before]), limit + 1],
        ).fetchall()
        rows = [_row(connection, entry) for entry in found[:limit]]
    at_least = bool(wide) and total > COUNTED
    return Page(rows, COUNTED if at_least else total, rows[-1].number if len(found) > limit else None, at_least)


def numbers(archive: Archive, query: Query, *, oldest_first: bool = False) -> Iterator[int]:
    """Yield the numbers of all records that a query finds, a few hundred at a time.

    Records kept or removed meanwhile may or may not be among them; none is yielded twice.
    """
    asked = _asked(query)
    last: int | None = None
    sign, direction = (">", "ASC") if oldest_first else ("<", "DESC")
    while True:
        beyond = "" if last is None else f" AND {asked.id} {sign} ?"
        with archive.reading() as connection:
            found = connection.execute(
                f"SELECT {asked.id} FROM {asked.text}{beyond} ORDER BY {asked.id} {direction} LIMIT 500",
                [*asked.values, *([] if last is None else [last])],
            ).fetchall()
        if not found:
            return
        for entry in found:
            yield entry[0]
        last = found[-1][0]


def count(archive: Archive, query: Query) -> int:
    """Return how many records a query finds."""
    asked = _asked(query)
    with archive.reading() as connection:
        return int(connection.execute(f"SELECT count(*) FROM {asked.text}", asked.values).fetchone()[0])


def match_expression(text: str) -> str:
    """Return what the full-text index is asked for some typed words: every word, as the beginning of one.

    Each word is quoted, so that nothing typed is taken for an operator (https://www.sqlite.org/fts5.html#fts5_strings).

    Raises
    ------
    ValueError
        There is no letter or digit to look for.
    """
    parts = [part for part in text.split() if any(character.isalnum() for character in part)]
    if not parts:
        raise ValueError(f"there is no word to look for in {words.shown(text)!r}")
    return " ".join('"' + part.replace('"', '""').replace("\0", " ") + '" *' for part in parts)


def size_range(text: str) -> tuple[float, float]:
    """Read a range of sizes in mm: "5.9-6.2", "5,9..6,2", "6" (that is 5.95 to 6.05), ">=6", "<0.3".

    Raises
    ------
    ValueError
        It is not a range, or it is an empty one.
    """
    bare = text.strip().lower().removesuffix("mm").strip().replace(",", ".")
    number = r"(\d+(?:\.\d+)?|\.\d+)(?:\s*mm)?"
    if found := re.fullmatch(rf"{number}\s*(?:-|–|\.\.|to)\s*{number}", bare):
        low, high = float(found[1]), float(found[2])
        if low > high:
            raise ValueError(f"the range {words.shown(text)} is empty: its first size is the larger one")
        return low, high
    if found := re.fullmatch(rf"(<=?|>=?)\s*{number}", bare):
        bound = float(found[2])
        return (0.0, bound) if found[1].startswith("<") else (bound, 1e9)
    if found := re.fullmatch(number, bare):
        decimals = len(found[1].partition(".")[2])
        half = 0.5 * 10.0**-decimals if decimals else 0.05
        return float(found[1]) - half, float(found[1]) + half
    raise ValueError(f"{words.shown(text)!r} is not a range of sizes; write it like 5.9-6.2 or >=6")


def date_bounds(since: str, until: str) -> tuple[str, str]:
    """Turn typed local dates into kept moments; "2026", "2026-03" and "2026-03-05" mean all of that time.

    Returns
    -------
    since, until : str
        The first moment that counts and the first that no longer does, UTC; "" where none was typed.

    Raises
    ------
    ValueError
        One of them is not a date.
    """
    first = _dates(since)[0] if since else None
    end = _dates(until)[1] if until else None
    return tuple("" if date is None else _utc(date) for date in (first, end))  # type: ignore[return-value]


def _utc(local: datetime) -> str:
    return local.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _dates(text: str) -> tuple[datetime, datetime]:
    found = re.fullmatch(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?", text.strip())
    try:
        if not found:
            raise ValueError
        year, month, day = int(found[1]), found[2], found[3]
        first = datetime(year, int(month or 1), int(day or 1))
        if day:
            return first, first + timedelta(days=1)
        if month:
            return first, datetime(year + first.month // 12, first.month % 12 + 1, 1)
        return first, datetime(year + 1, 1, 1)
    except (ValueError, OverflowError):
        raise ValueError(f"{words.shown(text)!r} is not a date; write it like 2026-03-05, 2026-03 or 2026") from None


def verdict_name(text: str) -> str:
    """Return a verdict as it is kept, from the ways of typing one: "too-thin", "thin", "close".

    Raises
    ------
    ValueError
        It is none.
    """
    from rimsight.archive.records import VERDICTS

    plain = " ".join(text.lower().replace("-", " ").replace("_", " ").split())
    plain = {"thin": "too thin", "close": "too close to call", "too close": "too close to call"}.get(plain, plain)
    if plain not in VERDICTS:
        raise ValueError(f"{words.shown(text)!r} is not a verdict; there are: {', '.join(VERDICTS)}")
    return plain


def _wide(connection: sqlite3.Connection, query: Query) -> frozenset[str]:
    """Return the sizes whose range holds very many figures."""
    wide = set()
    for size, (low, high) in query.sizes.items():
        names = _figures_of(size)
        marks = ", ".join("?" * len(names))
        found = connection.execute(
            f"SELECT count(*) FROM (SELECT 1 FROM figure WHERE name IN ({marks}) "
            f"AND value BETWEEN ? AND ? LIMIT {WIDE})",
            (*names, low, high),
        )
        if found.fetchone()[0] == WIDE:
            wide.add(size)
    return frozenset(wide)


def _figures_of(size: str) -> tuple[str, ...]:
    if size not in SIZES:
        raise ValueError(f"{words.shown(size)!r} has no size to look for; there are: {', '.join(SIZES)}")
    return SIZES[size]


class _Asked:
    """A query in SQLite's words: `text` is what follows FROM, `id` the column that holds the record's number."""

    def __init__(self, source: str, id: str) -> None:
        self.source = source
        self.id = id
        self.of_record = source.endswith("AS r")
        self.conditions: list[str] = []
        self.values: list[object] = []

    def that(self, condition: str, *values: object) -> None:
        """Ask for one thing more."""
        self.conditions.append(condition)
        self.values += values

    def that_record(self, condition: str, *values: object) -> None:
        """Ask for one thing more of the record's own row, `r`."""
        if not self.of_record:
            # CROSS JOIN holds SQLite to this order: the index first, then its records.
            self.source += f" CROSS JOIN record AS r ON r.id = {self.id}"
            self.of_record = True
        self.that(condition, *values)

    @property
    def text(self) -> str:
        """Tables and conditions, which may be followed by further ones."""
        return f"{self.source} WHERE {' AND '.join(self.conditions)}"


def _asked(query: Query, wide: frozenset[str] = frozenset()) -> _Asked:
    # Each table that may stand first hands its rows out in the order of the records' numbers, and as long as nothing is
    # asked of the record itself, no record is read: to count 100 000 of them takes ten times as long as to count these.
    tags = list(query.tags)
    if query.text:
        asked = _Asked("record_text AS t", "t.rowid")
        asked.that("t.record_text MATCH ?", match_expression(query.text))
    elif tags:
        asked = _Asked("tag AS g", "g.record")
        asked.that("g.tag = ?", words.one_line(tags.pop(0)))
    else:
        asked = _Asked("record AS r", "r.id")
    for tag in tags:
        asked.that(f"EXISTS (SELECT 1 FROM tag WHERE tag.record = {asked.id} AND tag.tag = ?)", words.one_line(tag))
    for name in ("job", "stone", "tube", "metal"):
        wanted = getattr(query, name)
        if wanted and "*" in wanted:
            pattern = re.sub(r"([\\%_])", r"\\\1", words.one_line(wanted)).replace("*", "%")
            asked.that_record(f"r.{name} LIKE ? ESCAPE '\\'", pattern)
        elif wanted:
            asked.that_record(f"r.{name} = ? COLLATE NOCASE", words.one_line(wanted))
    for name in ("kind", "verdict"):
        if wanted := getattr(query, name):
            asked.that_record(f"r.{name} = ?", wanted)
    if query.since:
        asked.that_record("r.kept_at >= ?", query.since)
    if query.until:
        asked.that_record("r.kept_at < ?", query.until)
    for size, (low, high) in query.sizes.items():
        names = _figures_of(size)
        within = f"f.name IN ({', '.join('?' * len(names))}) AND f.value BETWEEN ? AND ?"
        if size in wide:
            of = "SELECT 1 FROM figure AS f WHERE f.record = r.id AND f.reading = r.reading"
            asked.that_record(f"EXISTS ({of} AND {within})", *names, low, high)
        else:
            of = "SELECT f.record, f.reading FROM figure AS f"
            asked.that_record(f"(r.id, r.reading) IN ({of} WHERE {within})", *names, low, high)
    if query.numbers:
        asked.that(f"{asked.id} IN ({', '.join('?' * len(query.numbers))})", *query.numbers)
    # The bin holds few records, so that its numbers are soon collected.
    within = "IN" if query.in_bin else "NOT IN"
    asked.that(f"{asked.id} {within} (SELECT id FROM record WHERE removed_at IS NOT NULL)")
    return asked


def _row(connection: sqlite3.Connection, entry: sqlite3.Row) -> Row:
    key = (entry["id"], entry["reading"])
    found = connection.execute(
        "SELECT name, value, u95 FROM figure WHERE record = ? AND reading = ? AND item = "
        "(SELECT min(item) FROM figure WHERE record = ? AND reading = ?)",
        (*key, *key),
    )
    figures = {figure["name"]: (figure["value"], figure["u95"]) for figure in found}
    items = connection.execute("SELECT max(item) FROM figure WHERE record = ? AND reading = ?", key).fetchone()[0]
    thumbnail = connection.execute("SELECT thumbnail FROM reading WHERE record = ? AND number = ?", key).fetchone()
    tags = connection.execute("SELECT tag FROM tag WHERE record = ? ORDER BY tag", (entry["id"],))
    return Row(
        number=entry["id"],
        kind=entry["kind"],
        kept_at=entry["kept_at"],
        photo_name=entry["photo_name"],
        job=entry["job"],
        stone=entry["stone"],
        tube=entry["tube"],
        metal=entry["metal"],
        note=entry["note"],
        verdict=entry["verdict"],
        readings=entry["reading"],
        tags=tuple(tag[0] for tag in tags),
        figures=figures,
        items=items or 0,
        thumbnail=None if thumbnail is None else thumbnail[0],
    )
