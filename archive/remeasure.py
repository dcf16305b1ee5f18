"""Measuring a kept photo again: a second reading beside the first, never in its place."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rimsight.archive.compare import Difference, differences
from rimsight.archive.records import Measured, Reading
from rimsight.archive.store import Archive

#: Measures a photo: kind of measurement, file, inputs as they were typed -> result and marked photo.
Measure = Callable[[str, Path, dict[str, Any]], tuple[dict[str, Any], bytes | None]]


@dataclass(frozen=True)
class Remeasured:
    """What came of measuring a record again; `after` is None if this version had measured it already."""

    number: int
    before: Reading
    after: Reading | None
    differences: list[Difference]


def remeasure(archive: Archive, number: int, measure: Measure, *, program: str, again: bool = False) -> Remeasured:
    """Measure the photo of a record with the present program and the inputs of its newest reading.

    Parameters
    ----------
    archive : Archive
        Opened to write.
    number : int
        The record.
    measure : callable
        Does the measuring; whatever it raises passes through, and the record stays as it was.
    program : str
        The present version of the program.
    again : bool
        Also if the newest reading is by this version.

    Raises
    ------
    NoSuchRecord, ArchiveError
        There is no such record; its photo is no longer what was kept.
    """
    record = archive.record(number)
    before = record.latest
    if before.document.data["program"] == program and not again:
        return Remeasured(number, before, None, [])
    photo = archive.objects.read(record.photo)
    inputs = dict(before.document.data["inputs"])
    with tempfile.TemporaryDirectory(prefix="rimsight-") as folder:
        # Under its own name: its ending tells the measuring program what kind of file it is.
        path = Path(folder) / _usable(record.photo_name)
        path.write_bytes(photo)
        result, overlay = measure(record.kind, path, dict(inputs))
    kept = archive.add_reading(
        number,
        Measured(
            kind=record.kind,
            result=with_photo_name(result, record.photo_name),
            inputs=inputs,
            program=program,
            overlay=overlay,
            camera=before.document.data["camera"],
        ),
    )
    after = archive.record(number).reading(kept.reading)
    assert after is not None
    return Remeasured(number, before, after, differences(before, after))


def with_photo_name(result: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return a result that was read from a copy of a photo with the photo's own name in it.

    Parameters
    ----------
    result : mapping
        With a member `photo`, a name or an object with the member `file`; or without any.
    name : str
        The photo's own name.
    """
    photo = result.get("photo")
    if photo is None:
        return dict(result)
    return dict(result) | {"photo": dict(photo) | {"file": name} if isinstance(photo, Mapping) else name}


def _usable(name: str) -> str:
    """Return a file name that any system takes, with the ending of another."""
    ending = Path(name).suffix
    return "photo" + (ending if ending[1:].isalnum() and ending.isascii() and len(ending) <= 6 else ".jpg")
