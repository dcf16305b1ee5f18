"""CSV and JSON lines: all figures, and nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import io
import json

import pytest

from rimsight.archive import tables
from rimsight.archive.records import Labels, Measured
from rimsight.archive.store import Archive
from tests.archive import sample

FORMULAS = [
    "=1+1",
    "=HYPERLINK(\"http://x.invalid\",\"click\")",
    "+1+1",
    "-2+3",
    "@SUM(A1:A9)",
    "=cmd|' /C calc'!A0",
    "  =1+1",
    "＝1+1",
    "＋1",
    "－1",
    "＠x",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
]


def written(archive: Archive, numbers: list[int]) -> list[dict[str, str]]:
    file = io.StringIO(newline="")
    tables.write_csv(archive, numbers, file)
    return list(csv.DictReader(io.StringIO(file.getvalue(), newline="")))


def test_a_row_has_every_figure_with_its_uncertainty(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured, sample.labels())
    (row,) = written(archive, [1])
    assert (row["number"], row["job"], row["kind"], row["verdict"]) == ("1", "M-104", "rim", "adequate")
    assert (row["stone_diameter_mm"], row["stone_diameter_u95_mm"]) == ("6.124", "0.012")
    assert (row["rim_centred_mm"], row["rim_centred_u95_mm"]) == ("0.444", "0.009")
    assert row["stone_height_mm"] == ""
    assert set(row) == set(tables.columns())


def test_every_stone_of_a_parcel_has_its_row(archive: Archive) -> None:
    archive.keep(sample.encode(sample.draw((64, 48))), "p.jpg", Measured("parcel", sample.parcel_result(3)))
    rows = written(archive, [1])
    assert [(row["item"], row["stone_diameter_mm"]) for row in rows] == [("1", "2"), ("2", "2.1"), ("3", "2.2")]


@pytest.mark.parametrize("text", FORMULAS)
def test_no_text_is_a_formula(archive: Archive, text: str) -> None:
    photo, measured = sample.rim(verdict=text)
    archive.keep(photo, f"{text}.jpg", measured, Labels(text, text, text, text, text, (text,)))
    (row,) = written(archive, [1])
    for name in ("job", "stone", "tube", "metal", "note", "tags", "verdict", "photo"):
        assert not row[name].lstrip().startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠")), (name, row[name])


def test_quotes_commas_and_lines_survive(archive: Archive) -> None:
    photo, measured = sample.rim()
    note = 'said "seven, or so"\nand left; ü'
    archive.keep(photo, "a.jpg", measured, Labels(note=note))
    assert written(archive, [1])[0]["note"] == note


def test_a_line_of_json_has_everything(archive: Archive) -> None:
    photo, measured = sample.rim()
    archive.keep(photo, "a.jpg", measured, sample.labels())
    archive.add_reading(1, measured)
    file = io.StringIO()
    assert tables.write_json_lines(archive, [1], file) == 1
    record = json.loads(file.getvalue())
    assert [reading["number"] for reading in record["readings"]] == [1, 2]
    assert record["readings"][0]["result"]["stone"]["diameter_mm"]["budget"] == {"print scale": 0.003, "edge": 0.004}
    assert record["labels"]["job"] == "M-104"


def test_folders_among_the_inputs_stay_at_home(archive: Archive) -> None:
    photo, _ = sample.rim()
    inputs = {"camera": "/home/ottilie/phone.json", "side": {"photo": r"C:\Users\ottilie\s.jpg"}, "height": "5"}
    archive.keep(photo, "a.jpg", Measured("rim", sample.rim_result(), inputs))
    file = io.StringIO()
    tables.write_json_lines(archive, [1], file)
    assert "ottilie" not in file.getvalue()
    assert json.loads(file.getvalue())["readings"][0]["inputs"] == {
        "camera": "phone.json",
        "side": {"photo": "s.jpg"},
        "height": "5",
    }
