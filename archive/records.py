"""What is kept of a measurement, and the document that seals it.

A reading is written down once, as one JSON document in a fixed form (sorted keys, no spaces, ASCII). Its SHA-256
names the file it is kept in, beside the photo: a later edit of any figure would no longer match its name. The
database repeats the document, so that either can be mended from the other.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from rimsight.archive import words
from rimsight.archive.labels import Labels as Labels
from rimsight.archive.objects import is_sha256, new_name, sha256_of

DOCUMENT_SCHEMA = "rimsight-archive/1"
VERDICTS = ("adequate", "too thin", "too close to call")
#: Longest document that is believed to be one (a parcel of a thousand stones with budgets is about 1 MB).
DOCUMENT_LIMIT = 16_000_000


@dataclass(frozen=True)
class Measured:
    """One measurement, as the measuring command hands it over.

    Parameters
    ----------
    kind : str
        What was measured: "stone", "tube", "rim", "parcel", "side".
    result : dict
        The object that the measuring command prints with `--json`; lengths in mm.
    inputs : dict
        What was typed: enough to measure the photo again.
    program : str
        Version of the program that measured.
    overlay : bytes, optional
        The marked photo (PNG or JPEG).
    camera : dict, optional
        The camera profile that was used.
    measured_at : str, optional
        ISO 8601, UTC, to the second; now, if not given.
    """

    kind: str
    result: Mapping[str, Any]
    inputs: Mapping[str, Any] = field(default_factory=dict)
    program: str = "unknown"
    overlay: bytes | None = None
    camera: Mapping[str, Any] | None = None
    measured_at: str | None = None


@dataclass(frozen=True)
class Figure:
    """One measured quantity of one item: value and 95 % uncertainty in the unit that its name ends in."""

    item: int
    name: str
    value: float
    u95: float | None


@dataclass(frozen=True)
class Document:
    """A reading as it is sealed: `text` is the document, word for word; `data` what it says."""

    text: str
    data: Mapping[str, Any]

    @property
    def sha256(self) -> str:
        """SHA-256 of the text, which names its file."""
        return sha256_of(self.text.encode("ascii"))

    @property
    def result(self) -> Mapping[str, Any]:
        """What the measuring command printed."""
        found: Mapping[str, Any] = self.data["result"]
        return found

    @property
    def verdict(self) -> str:
        """The verdict on the rim, or "" where the subject has none."""
        found = self.result.get("verdict")
        return words.one_line(found) if isinstance(found, str) else ""


def new_key() -> str:
    """Return a key for a new record that no other archive has given."""
    return new_name()


def canonical(data: Mapping[str, Any]) -> str:
    """Return JSON data in its one fixed form.

    Raises
    ------
    ValueError
        It holds something that is not JSON, or a figure that is not finite.
    """
    try:
        return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    except (TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"this result can't be kept, it is not plain JSON: {error}") from error


def compose(
    measured: Measured,
    *,
    key: str,
    record: int,
    number: int,
    photo: Mapping[str, Any],
    overlay: str | None,
    labels: Labels | None,
) -> Document:
    """Write the document of a reading.

    Parameters
    ----------
    measured : Measured
        What was measured.
    key : str
        The record's key.
    record : int
        The record's number in the archive where it is made.
    number : int
        1 for the first reading of the photo.
    photo : mapping
        `name`, `sha256` and `bytes` of the original.
    overlay : str, optional
        SHA-256 of the marked photo.
    labels : Labels, optional
        As they were when the record was made (first reading only): a lost database is rebuilt from them.

    Raises
    ------
    ValueError
        The result is not plain JSON, or too long.
    """
    result = dict(measured.result)
    if "photo" in result:
        result["photo"] = words.without_folders(result["photo"])
    data: dict[str, Any] = {
        "schema": DOCUMENT_SCHEMA,
        "key": key,
        "record": record,
        "number": number,
        "kind": measured.kind,
        "photo": dict(photo),
        "overlay": overlay,
        "measured_at": measured.measured_at or words.now(),
        "program": measured.program,
        "inputs": dict(measured.inputs),
        "camera": None if measured.camera is None else dict(measured.camera),
        "result": result,
    }
    if labels is not None:
        data["labels"] = labels.as_json()
    text = canonical(data)
    if len(text) > DOCUMENT_LIMIT:
        raise ValueError(f"this result is too long to keep ({len(text)} characters)")
    return parse(text)


def parse(text: str, *, sealed: bool = False) -> Document:
    """Read the document of a reading, which may come from anywhere.

    Parameters
    ----------
    text : str
        The document.
    sealed : bool
        Its hash is known to be right: its form was looked at when it was sealed, and is not looked at again.

    Raises
    ------
    ValueError
        It is not a document of the form that `compose` writes.
    """
    if len(text) > DOCUMENT_LIMIT:
        raise ValueError("the document is too long to be one")
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("the document is not JSON") from None
    if not isinstance(data, dict) or data.get("schema") != DOCUMENT_SCHEMA:
        raise ValueError("the document is not a reading of this archive's form")
    photo = data.get("photo")
    labels = data.get("labels")
    well_formed = (
        isinstance(data.get("key"), str)
        and len(data["key"]) == 32
        and data["key"].isalnum()
        and type(data.get("record")) is int
        and 1 <= data["record"] <= 1_000_000_000_000
        and type(data.get("number")) is int
        and 1 <= data["number"] <= 1_000_000
        and isinstance(data.get("kind"), str)
        and data["kind"] == kind_name(data["kind"])
        and isinstance(data.get("result"), dict)
        and isinstance(data.get("inputs"), dict)
        and isinstance(data.get("program"), str)
        and isinstance(data.get("camera"), dict | None)
        and isinstance(photo, dict)
        and isinstance(photo.get("name"), str)
        and is_sha256(photo.get("sha256"))
        and type(photo.get("bytes")) is int
        and (data.get("overlay") is None or is_sha256(data["overlay"]))
    )
    if not well_formed:
        raise ValueError("the document lacks something that a reading has")
    words.moment(str(data.get("measured_at")))
    if labels is not None:
        Labels.from_json(labels)
    if not sealed and canonical(data) != text:
        raise ValueError("the document is not in its fixed form")
    return Document(text, data)


def kind_name(kind: str) -> str:
    """Return the name of a kind of measurement, if it is one: a short lower-case word.

    Raises
    ------
    ValueError
        It is not.
    """
    if not (0 < len(kind) <= 32 and kind.isascii() and kind.replace("-", "").isalnum() and kind == kind.lower()):
        raise ValueError(f"{words.shown(kind)!r} is not a kind of measurement (such as stone, tube, rim)")
    return kind


def figures(result: Mapping[str, Any]) -> Iterator[Figure]:
    """Yield every measured quantity of a result: each `{"value": .., "u95": ..}`, named "subject.name".

    A list of subjects (the stones of a parcel) gives items 1, 2, ...; a single subject is item 0. They come in the
    order of `words.FIGURE_WORDS`, item by item. The checks of a verdict repeat figures and are none themselves.
    """
    found: list[Figure] = []
    for subject, entry in result.items():
        if subject == "checks":
            continue
        if isinstance(entry, Mapping):
            found += _figures_of(subject, entry, 0)
        elif isinstance(entry, list):
            single = subject[:-1] if subject.endswith("s") else subject
            for item, part in enumerate(entry, start=1):
                if isinstance(part, Mapping):
                    found += _figures_of(single, part, item)
    order = {name: place for place, name in enumerate(words.FIGURE_WORDS)}
    yield from sorted(found, key=lambda figure: (figure.item, order.get(figure.name, len(order))))


def _figures_of(subject: str, entry: Mapping[str, Any], item: int) -> Iterator[Figure]:
    for name, quantity in entry.items():
        if not isinstance(quantity, Mapping):
            continue
        value = _number(quantity.get("value"))
        if value is not None:
            yield Figure(item, f"{subject}.{name}", value, _number(quantity.get("u95")))


def _number(value: object) -> float | None:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    try:
        number = float(value)
    except OverflowError:  # an integer of hundreds of digits
        return None
    return number if math.isfinite(number) else None


@dataclass(frozen=True)
class Reading:
    """One reading of a record, as it lies in the archive."""

    number: int
    document: Document
    thumbnail: str | None = None

    @property
    def overlay(self) -> str | None:
        """SHA-256 of the marked photo, if there is one."""
        found: str | None = self.document.data["overlay"]
        return found

    def figures(self, item: int | None = 0) -> dict[str, tuple[float, float | None]]:
        """Return value and 95 % uncertainty by name, of one item (or of the first of each name: `item=None`)."""
        chosen: dict[str, tuple[float, float | None]] = {}
        for figure in figures(self.document.result):
            if item is None or figure.item == item:
                chosen.setdefault(figure.name, (figure.value, figure.u95))
        return chosen


@dataclass(frozen=True)
class Change:
    """What was written on a record after it was kept."""

    at: str
    field: str
    before: str
    after: str


@dataclass(frozen=True)
class Record:
    """A photo with its readings and labels, as it lies in the archive."""

    number: int
    key: str
    kind: str
    photo: str
    photo_name: str
    kept_at: str
    labels: Labels
    readings: tuple[Reading, ...]
    changes: tuple[Change, ...] = ()
    removed_at: str | None = None

    @property
    def latest(self) -> Reading:
        """The newest reading, which searches and pages show."""
        return self.readings[-1]

    def reading(self, number: int) -> Reading | None:
        """Return one reading by its number, or None."""
        return next((reading for reading in self.readings if reading.number == number), None)

    def as_json(self) -> dict[str, Any]:
        """Return everything that the archive knows of the record as JSON data, without the files."""
        return {
            "number": self.number,
            "key": self.key,
            "kind": self.kind,
            "photo": {"name": self.photo_name, "sha256": self.photo},
            "kept_at": self.kept_at,
            "removed_at": self.removed_at,
            "labels": self.labels.as_json(),
            "readings": [
                {"sha256": reading.document.sha256} | dict(reading.document.data) for reading in self.readings
            ],
            "changes": [vars(change) for change in self.changes],
        }
