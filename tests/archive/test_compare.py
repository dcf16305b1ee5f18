"""Two readings beside each other, and measuring a kept photo again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rimsight.archive.compare import chosen, differences
from rimsight.archive.errors import ArchiveError, NoSuchRecord
from rimsight.archive.records import Measured
from rimsight.archive.remeasure import remeasure
from rimsight.archive.store import Archive
from rimsight.archive.verify import verify
from tests.archive import sample


class FakeMeasuring:
    """Stands for the measuring program; remembers what it was asked."""

    def __init__(self, result: dict[str, Any], overlay: bytes | None = None) -> None:
        self.result = result
        self.overlay = overlay
        self.asked: list[tuple[str, str, bytes, dict[str, Any]]] = []

    def __call__(self, kind: str, photo: Path, inputs: dict[str, Any]) -> tuple[dict[str, Any], bytes | None]:
        self.asked.append((kind, photo.suffix, photo.read_bytes(), dict(inputs)))
        inputs.clear()  # whatever is done to them, the record keeps them
        return self.result | {"photo": str(photo)}, self.overlay


@pytest.fixture(name="number")
def number_fixture(archive: Archive) -> int:
    photo, measured = sample.rim()
    return archive.keep(photo, "IMG_1.HEIC", measured).number


def test_a_second_reading_with_the_same_photo_and_inputs(archive: Archive, number: int) -> None:
    measure = FakeMeasuring(sample.rim_result(6.131), sample.encode(sample.draw((64, 48), seed=4), "PNG"))
    before = archive.record(number)
    outcome = remeasure(archive, number, measure, program="0.2.0")
    assert measure.asked == [("rim", ".HEIC", sample.rim()[0], {"height_mm": 5.0, "card": "bench card"})]
    record = archive.record(number)
    assert record.readings[0] == before.latest
    assert outcome.after == record.latest
    assert record.latest.document.data["program"] == "0.2.0"
    assert record.latest.document.data["inputs"] == {"height_mm": 5.0, "card": "bench card"}
    assert record.latest.document.result["photo"] == "IMG_1.HEIC"
    change = next(entry for entry in outcome.differences if entry.name == "stone.diameter_mm")
    assert change.change == pytest.approx(0.007, rel=0, abs=1e-9)
    assert change.u95 == pytest.approx(0.012 * 2**0.5, rel=0, abs=1e-9)
    assert change.differs is False
    assert verify(archive, stale_after_s=0).findings == []


def test_what_this_version_measured_is_measured_again_only_when_asked(archive: Archive, number: int) -> None:
    measure = FakeMeasuring(sample.rim_result())
    assert remeasure(archive, number, measure, program="0.1.0").after is None
    assert measure.asked == []
    assert remeasure(archive, number, measure, program="0.1.0", again=True).after is not None
    assert len(archive.record(number).readings) == 2


def test_a_failed_measurement_leaves_the_record_as_it_was(archive: Archive, number: int) -> None:
    def fails(kind: str, photo: Path, inputs: dict[str, Any]) -> tuple[dict[str, Any], bytes | None]:
        raise RuntimeError("the card is not in the photo")

    before = archive.record(number)
    with pytest.raises(RuntimeError, match="the card is not in the photo"):
        remeasure(archive, number, fails, program="0.2.0")
    assert archive.record(number) == before


def test_an_altered_photo_is_not_measured_again(archive: Archive, number: int) -> None:
    archive.objects.path(archive.record(number).photo).write_bytes(b"another photo")
    measure = FakeMeasuring(sample.rim_result())
    with pytest.raises(ArchiveError, match="no longer what was kept"):
        remeasure(archive, number, measure, program="0.2.0")
    assert measure.asked == []


@pytest.mark.parametrize("name", ["../../x.jpg", "a/b\\c.PNG", "x", ".jpg", "CON.jpg", "x." + "y" * 50, "x.j pg", "ä"])
def test_names_of_photos_are_no_paths(archive: Archive, name: str) -> None:
    photo, measured = sample.rim()
    number = archive.keep(photo, name, measured).number
    measure = FakeMeasuring(sample.rim_result())
    assert remeasure(archive, number, measure, program="0.2.0").after is not None
    assert measure.asked[0][2] == photo


def test_differences_of_records_that_have_not_the_same_figures(archive: Archive, number: int) -> None:
    stone = Measured("stone", {"stone": {"diameter_mm": sample.quantity(6.5, 0.01)}})
    other = archive.keep(b"x", "b.jpg", stone).number
    found = {d.name: d for d in differences(archive.record(number).latest, archive.record(other).latest)}
    assert found["stone.diameter_mm"].differs is True
    assert found["tube.outer_diameter_mm"].after is None
    assert found["tube.outer_diameter_mm"].change is None
    assert found["tube.outer_diameter_mm"].differs is None


def test_a_reading_that_is_not_there(archive: Archive, number: int) -> None:
    with pytest.raises(NoSuchRecord, match="record 1 has no reading 3; it has 1"):
        chosen(archive.record(number), 3)
