"""The stock list: tubes at hand, what is left of each, and the cuts that were made."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rimsight.archive import stock_db, words

LABEL_LIMIT = 40  #: characters; it is written on the tube
METAL_LIMIT = 60
SMALLEST_MM, LARGEST_MM = 0.1, 100.0  #: outside it is a slip of the unit or the decimal mark
LONGEST_MM = 10_000.0
MOST_CUTS = 1000
_DECIMALS = 4  #: of a millimetre: sums of cuts shall not end in 0.30000000000000004
_COLUMNS = (
    "label", "outer_mm", "bore_mm", "wall_mm", "metal", "length_mm", "note", "outer_u95_mm", "bore_u95_mm",
    "wall_u95_mm",
)
_NUMBERS = tuple(name for name in _COLUMNS if name.endswith("_mm"))


class NoSuchTube(ValueError):
    """There is no tube with that label."""


class LabelTaken(ValueError):
    """A label is in the list already.

    Parameters
    ----------
    label : str
        Which one.
    """

    def __init__(self, label: str) -> None:
        super().__init__(f"there is a tube {label!r} already; choose another label, or edit that one")
        self.label = label


@dataclass(frozen=True)
class StockTube:
    """One tube at hand.

    Parameters
    ----------
    label : str
        What is written on it; "" lets the list choose one.
    outer_mm : float
        Outer diameter.
    bore_mm, wall_mm : float, optional
        One of the two, as it was measured or bought; neither if not known.
    metal : str
        Its metal.
    length_mm : float, optional
        What is left; None if nobody measured it.
    note : str
        Anything else.
    outer_u95_mm, bore_u95_mm, wall_u95_mm : float, optional
        Uncertainty (95 %) of the figure, from a photo; None for a typed one.

    Raises
    ------
    ValueError
        A figure can't be that of a tube, or a text is too long.
    """

    label: str
    outer_mm: float
    bore_mm: float | None = None
    wall_mm: float | None = None
    metal: str = ""
    length_mm: float | None = None
    note: str = ""
    outer_u95_mm: float | None = None
    bore_u95_mm: float | None = None
    wall_u95_mm: float | None = None

    def __post_init__(self) -> None:
        texts = {
            "label": words.one_line(self.label, "the label", LABEL_LIMIT),
            "metal": words.one_line(self.metal, "the metal", METAL_LIMIT),
            "note": words.one_line(self.note, "the note"),
        }
        for name, text in texts.items():
            object.__setattr__(self, name, text)
        for name in _NUMBERS:
            value = getattr(self, name)
            if value is not None:
                if not math.isfinite(value):
                    raise ValueError(f"{name} must be a finite number, found {value}")
                object.__setattr__(self, name, round(float(value), _DECIMALS) + 0.0)
        self._check()

    def _check(self) -> None:
        if not SMALLEST_MM <= self.outer_mm <= LARGEST_MM:
            raise ValueError(
                f"the outer diameter must lie between {SMALLEST_MM:g} and {LARGEST_MM:g} mm, found "
                f"{self.outer_mm:g}: is the unit or the decimal mark right?"
            )
        if self.bore_mm is not None and self.wall_mm is not None:
            raise ValueError("give the bore or the wall, not both: one follows from the other")
        if self.bore_mm is not None and not 0 < self.bore_mm < self.outer_mm:
            raise ValueError(f"the bore ({self.bore_mm:g} mm) must be smaller than the tube ({self.outer_mm:g} mm)")
        if self.wall_mm is not None and not 0 < 2 * self.wall_mm < self.outer_mm:
            raise ValueError(f"two walls of {self.wall_mm:g} mm leave no bore in a tube of {self.outer_mm:g} mm")
        if self.length_mm is not None and not 0 <= self.length_mm <= LONGEST_MM:
            raise ValueError(f"the length left must lie between 0 and {LONGEST_MM:g} mm, found {self.length_mm:g}")
        for name in ("outer_u95_mm", "bore_u95_mm", "wall_u95_mm"):
            value, of = getattr(self, name), getattr(self, name.replace("_u95", ""))
            if value is not None and (of is None or not 0 <= value < of):
                raise ValueError(f"{name} must be an uncertainty smaller than the figure it belongs to, found {value}")

    @property
    def any_bore_mm(self) -> float | None:
        """Bore, also where the wall is on record."""
        if self.wall_mm is not None:
            return round(self.outer_mm - 2 * self.wall_mm, _DECIMALS)
        return self.bore_mm

    @property
    def any_wall_mm(self) -> float | None:
        """Wall, also where the bore is on record."""
        if self.bore_mm is not None:
            return round((self.outer_mm - self.bore_mm) / 2, _DECIMALS)
        return self.wall_mm

    def to_json(self) -> dict[str, Any]:
        """Plain members, named as the measuring commands name them."""
        def quantity(value: float | None, u95: float | None) -> dict[str, Any] | None:
            return None if value is None else {"value": value, "u95": u95}

        return {
            "label": self.label,
            "outer_diameter_mm": quantity(self.outer_mm, self.outer_u95_mm),
            "bore_diameter_mm": quantity(self.any_bore_mm, self.bore_u95_mm),
            "wall_mm": quantity(self.any_wall_mm, self.wall_u95_mm),
            "given": "wall" if self.wall_mm is not None else "bore" if self.bore_mm is not None else None,
            "metal": self.metal or None,
            "length_left_mm": self.length_mm,
            "note": self.note or None,
        }


@dataclass(frozen=True)
class Cut:
    """A cut on record: the piece, what it took off with the saw's kerf, and what was left."""

    label: str
    piece_mm: float
    taken_mm: float
    left_mm: float
    note: str
    cut_at: str


class Stock:
    """The stock list in one file; every call is one whole transaction.

    Parameters
    ----------
    path : Path, optional
        The file; it need not exist. Without it the user's own.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or stock_db.stock_path()

    def tubes(self) -> list[StockTube]:
        """Return every tube, by outer diameter, then label."""
        with stock_db.reading(self.path) as connection:
            if connection is None:
                return []
            rows = connection.execute("SELECT * FROM tube ORDER BY outer_mm, label_key").fetchall()
        return [_tube(row) for row in rows]

    def tube(self, label: str) -> StockTube:
        """Return the tube with that label, capitals or not.

        Raises
        ------
        NoSuchTube
            There is none.
        """
        with stock_db.reading(self.path) as connection:
            row = None if connection is None else _row(connection, label)
        if row is None:
            raise self._missing(label)
        return _tube(row)

    def cuts(self, label: str | None = None) -> list[Cut]:
        """Return the cuts on record, the oldest first; of one label or of all."""
        with stock_db.reading(self.path) as connection:
            if connection is None:
                return []
            rows = connection.execute("SELECT * FROM cut ORDER BY id").fetchall()
        made = [Cut(*(row[name] for name in ("label", "piece_mm", "taken_mm", "left_mm", "note", "cut_at")))
                for row in rows]
        return [cut for cut in made if label is None or _key(cut.label) == _key(label)]

    def add(self, tubes: Sequence[StockTube], *, replace_same: bool = False) -> list[StockTube]:
        """Take tubes into the list, all of them or none.

        Parameters
        ----------
        tubes : sequence of StockTube
            Those without a label get the next free of T1, T2 ...
        replace_same : bool
            Whether a tube of the same label is replaced; else that is an error.

        Returns
        -------
        list of StockTube
            As kept.

        Raises
        ------
        LabelTaken
            A label is there already.
        ValueError
            A label comes twice.
        """
        with stock_db.writing(self.path) as connection:
            kept: list[StockTube] = []
            now = _now()
            taken = {str(row["label_key"]) for row in connection.execute("SELECT label_key FROM tube")}
            given = [_key(tube.label) for tube in tubes if tube.label]
            twice = next((tube.label for tube in tubes if given.count(_key(tube.label)) > 1), None)
            if twice is not None:
                raise ValueError(f"the label {twice!r} comes twice")
            for tube in tubes:
                named = tube if tube.label else replace(tube, label=_free_label(taken | set(given)))
                key = _key(named.label)
                if key in taken and not replace_same:
                    raise LabelTaken(named.label)
                _write(connection, named, key, now)
                taken.add(key)
                kept.append(named)
        return kept

    def edit(self, of: str, /, **changes: Any) -> StockTube:
        """Change what is on record of a tube, and return it as it is then.

        Parameters
        ----------
        of : str
            The label of the tube.
        **changes
            Fields of `StockTube`. A new bore or wall replaces the other.

        Raises
        ------
        NoSuchTube, ValueError
            There is none, the new label is taken, or a figure can't be.
        """
        with stock_db.writing(self.path) as connection:
            row = _row(connection, of)
            if row is None:
                raise self._missing(of)
            changed = replace(_tube(row), **changes)
            if not changed.label:
                raise ValueError("a tube needs a label")
            other = _row(connection, changed.label)
            if other is not None and other["id"] != row["id"]:
                raise LabelTaken(changed.label)
            connection.execute("DELETE FROM tube WHERE id = ?", (row["id"],))
            _write(connection, changed, _key(changed.label), row["added_at"], changed_at=_now())
        return changed

    def remove(self, labels: Iterable[str]) -> list[StockTube]:
        """Take tubes off the list, all of those named or none, and return what was removed.

        Raises
        ------
        NoSuchTube
            One of them is not there.
        """
        with stock_db.writing(self.path) as connection:
            gone = []
            for label in {_key(label): label for label in labels}.values():
                row = _row(connection, label)
                if row is None:
                    raise self._missing(label)
                gone.append(_tube(row))
                connection.execute("DELETE FROM tube WHERE id = ?", (row["id"],))
        return gone

    def cut(
        self, label: str, piece_mm: float, taken: Callable[[float, float], float], *, times: int = 1, note: str = ""
    ) -> tuple[StockTube, float]:
        """Take the length of cut pieces off a tube.

        Parameters
        ----------
        label : str
            Which tube.
        piece_mm : float
            Length of each piece.
        taken : callable
            (piece, left) -> what one cut takes off, mm; raises ValueError if that much is not left.
        times : int
            How many pieces.
        note : str
            For the record of cuts.

        Returns
        -------
        tube : StockTube
            With what is left now.
        taken_mm : float
            What was taken off in all.

        Raises
        ------
        NoSuchTube, ValueError
            There is no such tube, its length is not on record, or not enough is left; nothing is cut then.
        """
        if not 1 <= times <= MOST_CUTS:
            raise ValueError(f"the number of pieces must be 1 to {MOST_CUTS}, not {times}")
        text = words.one_line(note, "the note")
        with stock_db.writing(self.path) as connection:
            row = _row(connection, label)
            if row is None:
                raise self._missing(label)
            tube = _tube(row)
            if tube.length_mm is None:
                raise ValueError(f"the length of {tube.label} is not on record: `rimsight stock edit {tube.label} "
                                 "--length ...` puts it there")
            left, now = tube.length_mm, _now()
            for number in range(1, times + 1):
                try:
                    took = taken(piece_mm, left)
                except ValueError as refusal:
                    which = f" for piece {number} of {times}" if times > 1 else ""
                    raise ValueError(f"{tube.label}: {refusal}{which}; nothing was cut") from None
                left = max(0.0, round(left - took, _DECIMALS))
                connection.execute(
                    "INSERT INTO cut (label, piece_mm, taken_mm, left_mm, note, cut_at) VALUES (?, ?, ?, ?, ?, ?)",
                    (tube.label, piece_mm, took, left, text, now),
                )
            connection.execute("UPDATE tube SET length_mm = ?, changed_at = ? WHERE id = ?", (left, now, row["id"]))
        return replace(tube, length_mm=left), round(tube.length_mm - left, _DECIMALS)

    def _missing(self, label: str) -> NoSuchTube:
        labels = [tube.label for tube in self.tubes()]
        there = f"there are {', '.join(labels[:20])}" + (" ..." if len(labels) > 20 else "") if labels else (
            "the list is empty, `rimsight stock add` begins it"
        )
        return NoSuchTube(f"there is no tube {words.shown(label)!r}; {there}")


def _key(label: str) -> str:
    return words.one_line(label, "the label", 10 * LABEL_LIMIT).casefold()


def _free_label(taken: set[str]) -> str:
    number = 1
    while f"t{number}" in taken:
        number += 1
    return f"T{number}"


def _row(connection: sqlite3.Connection, label: str) -> sqlite3.Row | None:
    found: sqlite3.Row | None = connection.execute("SELECT * FROM tube WHERE label_key = ?", (_key(label),)).fetchone()
    return found


def _tube(row: sqlite3.Row) -> StockTube:
    return StockTube(**{name: row[name] for name in _COLUMNS})


def _write(
    connection: sqlite3.Connection, tube: StockTube, key: str, added_at: str, *, changed_at: str | None = None
) -> None:
    values = {**asdict(tube), "label_key": key, "added_at": added_at, "changed_at": changed_at or added_at}
    names = ", ".join(values)
    marks = ", ".join(f":{name}" for name in values)
    connection.execute(f"INSERT OR REPLACE INTO tube ({names}) VALUES ({marks})", values)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
