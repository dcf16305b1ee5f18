"""Check-ups on file, and which photos they belong to."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import pytest

from rimsight.calibration.checkup_store import CheckUp, load_checkups, remove_checkup, save_checkup, that_fit
from rimsight.calibration.edge_bias import EdgeBias

BIAS = EdgeBias("outer", 0.1, 0.05, -0.04, 0.2, 0.04, "the check-up of 2026-11-25")
RECORD = CheckUp(
    "pin", "outer", 6.0, 0.002, "Lumetta", "P4", None, None, 95.0, None, "card-30", 30.0, 1.012, 0.9913, 12, 3, 12,
    0.008, 0.002, 0.001, 0.0005, 0.0011, 0.4, BIAS,
)  # fmt: skip


@dataclass(frozen=True)
class Facts:
    """What a photo says."""

    make: str | None = "Lumetta"
    model: str | None = "P4"
    lens: str | None = None
    focal_mm: float | None = None
    f35_mm: float | None = 95.0
    digital_zoom: float | None = None
    pixel_width: int | None = None
    pixel_height: int | None = None
    orientation: int | None = 1


def test_it_comes_back_as_it_was_kept(tmp_path: Path) -> None:
    path = tmp_path / "new" / "check-ups.json"
    kept = save_checkup(path, RECORD)
    assert kept.date
    assert load_checkups(path) == {"pin": kept}
    other = save_checkup(path, replace(RECORD, name="ring", bias=None, obstacle="why", focal_mm=6.5, lens="main"))
    assert load_checkups(path) == {"pin": kept, "ring": other}
    assert save_checkup(path, replace(RECORD, held=11)).held == 11
    assert list(load_checkups(path)) == ["ring", "pin"]
    assert remove_checkup(path, "pin").held == 11
    assert list(load_checkups(path)) == ["ring"]
    with pytest.raises(ValueError, match="known: 'ring'"):
        remove_checkup(path, "pin")


def test_no_file_is_no_check_up(tmp_path: Path) -> None:
    assert load_checkups(tmp_path / "none.json") == {}


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"\xff\xfe", "can't be read"),
        (b"[", "can't be read"),
        (b"[]", "holds no check-ups"),
        (b'{"version": 9, "check_ups": {}}', "newer rimsight"),
        (b'{"version": 1}', "holds no check-ups"),
        (b'{"version": 1, "check_ups": {"a": 3}}', "no object"),
        (b'{"version": 1, "check_ups": {"a": {}}}', "is missing"),
    ],
)
def test_a_broken_file_is_told_and_left(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "check-ups.json"
    path.write_bytes(content)
    with pytest.raises(ValueError, match=says):
        load_checkups(path)
    with pytest.raises(ValueError, match=says):
        save_checkup(path, RECORD)
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    "change",
    [
        {"edge": "rim"}, {"model": 4}, {"bias_mm": "wide"}, {"bias_mm": float("nan")}, {"photos": None}, {"bias": []},
        {"bias": asdict(BIAS) | {"u_px": -0.1}}, {"bias": asdict(BIAS) | {"value_px": None}},
    ],
)  # fmt: skip
def test_a_broken_record_is_told(tmp_path: Path, change: dict[str, object]) -> None:
    path = tmp_path / "check-ups.json"
    plain = {key: value for key, value in asdict(RECORD).items() if key != "name"} | change
    path.write_text(json.dumps({"version": 1, "check_ups": {"pin": plain}}), encoding="utf-8")
    with pytest.raises(ValueError, match=r"check-up 'pin' in .* is broken"):
        load_checkups(path)


@pytest.mark.parametrize(
    ("facts", "side", "scales", "says"),
    [
        (Facts(), 30.0, (1.012, 0.9913), ""),
        (Facts(make=" lumetta"), 30.0, (1.0121, 0.9913), ""),
        (Facts(f35_mm=96.0), 30.0, (1.012, 0.9913), ""),
        (Facts(model=None), 30.0, (1.012, 0.9913), "not named"),
        (Facts(model="P5"), 30.0, (1.012, 0.9913), "another camera"),
        (Facts(lens="tele"), 30.0, (1.012, 0.9913), "another lens"),
        (Facts(f35_mm=26.0), 30.0, (1.012, 0.9913), "lens or zoom"),
        (Facts(f35_mm=None), 30.0, (1.012, 0.9913), "lens or zoom"),
        (Facts(digital_zoom=2.0), 30.0, (1.012, 0.9913), "digital zoom"),
        (Facts(), 60.0, (1.012, 0.9913), "another card"),
        (Facts(), 30.0, (1.0, 1.0), "another print"),
    ],
)
def test_which_photos_it_belongs_to(facts: Facts, side: float, scales: tuple[float, float], says: str) -> None:
    told = RECORD.obstacle_for(facts, "card-30", side, scales)
    assert (says in told) if says else told == ""


def test_the_newest_of_each_edge_is_taken() -> None:
    old, new = replace(RECORD, date="2026-01-01"), replace(RECORD, name="b", date="2026-02-01")
    bore = replace(RECORD, name="c", edge="bore", date="2025-01-01")
    other = replace(RECORD, name="d", model="P5", date="2026-03-01")
    found = that_fit([new, other, old, bore], Facts(), "card-30", 30.0, (1.012, 0.9913))
    assert found == {"outer": new, "bore": bore}
