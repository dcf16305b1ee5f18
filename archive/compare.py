"""Two readings beside each other: what changed, and whether it is more than they can tell apart."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rimsight.archive import records
from rimsight.archive.errors import NoSuchRecord
from rimsight.archive.records import Reading, Record


@dataclass(frozen=True)
class Difference:
    """One quantity in two readings; `None` where a reading doesn't have it.

    Parameters
    ----------
    name : str
        Name of the figure; its ending tells the unit.
    item : int
        Which item of a parcel; 0 for a single subject.
    before, after : tuple of (float, float or None), optional
        Value and 95 % uncertainty.
    """

    name: str
    item: int
    before: tuple[float, float | None] | None
    after: tuple[float, float | None] | None

    @property
    def change(self) -> float | None:
        """After less before."""
        if self.before is None or self.after is None:
            return None
        return self.after[0] - self.before[0]

    @property
    def u95(self) -> float | None:
        """Uncertainty of the change at 95 %, as of two readings with nothing in common.

        The square root of the sum of squares (JCGM 100:2008, 5.1.2). Readings of one photo share their scale, so
        their true difference is known better than this.
        """
        if self.before is None or self.after is None or self.before[1] is None or self.after[1] is None:
            return None
        return math.hypot(self.before[1], self.after[1])

    @property
    def differs(self) -> bool | None:
        """True where the change is larger than its uncertainty; None where that can't be said."""
        change, u95 = self.change, self.u95
        return None if change is None or u95 is None else abs(change) > u95

    def as_json(self) -> dict[str, object]:
        """Return the difference as JSON data."""
        return {
            "name": self.name,
            "item": self.item,
            "before": _quantity(self.before),
            "after": _quantity(self.after),
            "change": self.change,
            "u95": self.u95,
            "differs": self.differs,
        }


def differences(before: Reading, after: Reading) -> list[Difference]:
    """Return every quantity of two readings, in the order in which the first one names them."""
    left = {(f.item, f.name): (f.value, f.u95) for f in records.figures(before.document.result)}
    right = {(f.item, f.name): (f.value, f.u95) for f in records.figures(after.document.result)}
    names = dict.fromkeys([*left, *right])
    return [Difference(name, item, left.get((item, name)), right.get((item, name))) for item, name in names]


def chosen(record: Record, reading: int | None) -> Reading:
    """Return a reading of a record: the newest, or the one of a number.

    Raises
    ------
    NoSuchRecord
        The record has no such reading.
    """
    if reading is None:
        return record.latest
    found = record.reading(reading)
    if found is None:
        raise NoSuchRecord(f"record {record.number} has no reading {reading}; it has {len(record.readings)}")
    return found


def _quantity(figure: tuple[float, float | None] | None) -> dict[str, float | None] | None:
    return None if figure is None else {"value": figure[0], "u95": figure[1]}
