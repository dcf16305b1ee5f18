"""The stock list: what is kept, what a cut takes, and that nothing is ever half done.

The tubes are an invented drawer, and the published hypodermic sizes as test pieces.
"""

from __future__ import annotations

import multiprocessing
import os
import sqlite3
import stat
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimsight.archive import stock_db
from rimsight.archive.stock import LabelTaken, NoSuchTube, Stock, StockTube
from rimsight.archive.stock_db import StockError, StockReadOnly

#: Hypodermic tube, regular wall: gauge, outside, bore, wall in mm.
#: Source: needle gauge comparison chart, http://en.wikipedia.org/wiki/Needle_gauge_comparison_chart
NEEDLES = [
    ("7G", 4.572, 3.810, 0.381), ("10G", 3.404, 2.692, 0.356), ("12G", 2.769, 2.159, 0.305),
    ("14G", 2.108, 1.600, 0.254), ("15G", 1.829, 1.372, 0.229), ("16G", 1.651, 1.194, 0.229),
    ("18G", 1.270, 0.838, 0.216), ("19G", 1.067, 0.686, 0.191), ("20G", 0.9081, 0.603, 0.1524),
    ("22G", 0.7176, 0.413, 0.1524), ("25G", 0.5144, 0.260, 0.1270),
]


@pytest.fixture
def stock(tmp_path: Path) -> Stock:
    return Stock(tmp_path / "stock.db")


def kerf(piece: float, left: float) -> float:
    if piece > left:
        raise ValueError("not that much is left")
    return min(piece + 0.3, left)


def test_an_empty_list_makes_no_file(stock: Stock) -> None:
    assert stock.tubes() == []
    assert stock.cuts() == []
    assert not stock.path.exists()


def test_what_is_added_comes_back(stock: Stock) -> None:
    tube = StockTube("A3", 6.5, wall_mm=0.635, metal="silver", length_mm=120.0, note="blaues Fach, ö 6½")
    assert stock.add([tube]) == [tube]
    assert stock.tubes() == [tube]
    assert stock.tube(" a3 ") == tube


@pytest.mark.parametrize(("gauge", "outside", "bore", "wall"), NEEDLES)
def test_wall_and_bore_of_published_tubes(gauge: str, outside: float, bore: float, wall: float) -> None:
    """(OD - ID)/2 is the tabulated wall within the table's own rounding."""
    assert StockTube(gauge, outside, bore_mm=bore).any_wall_mm == pytest.approx(wall, abs=1e-3)
    assert StockTube(gauge, outside, wall_mm=wall).any_bore_mm == pytest.approx(bore, abs=2e-3)


def test_free_labels_are_chosen(stock: Stock) -> None:
    kept = stock.add([StockTube("", 6.5), StockTube("T2", 5.0), StockTube("", 4.0)])
    assert [tube.label for tube in kept] == ["T1", "T2", "T3"]


def test_a_label_is_there_once(stock: Stock) -> None:
    stock.add([StockTube("A3", 6.5)])
    with pytest.raises(LabelTaken, match="'a3' already"):
        stock.add([StockTube("B1", 5.0), StockTube("a3", 6.0)])
    assert [tube.label for tube in stock.tubes()] == ["A3"]  # nor was B1 taken
    with pytest.raises(ValueError, match="comes twice"):
        stock.add([StockTube("B1", 5.0), StockTube("b1", 6.0)])
    stock.add([StockTube("a3", 6.0)], replace_same=True)
    assert stock.tube("A3").outer_mm == 6.0
    assert len(stock.tubes()) == 1


def test_edit(stock: Stock) -> None:
    stock.add([StockTube("A3", 6.5, bore_mm=5.2), StockTube("B1", 5.0)])
    changed = stock.edit("a3", wall_mm=0.6, bore_mm=None, note="measured again", label="A4")
    assert stock.tube("A4") == changed == StockTube("A4", 6.5, wall_mm=0.6, note="measured again")
    with pytest.raises(LabelTaken):
        stock.edit("A4", label="b1")
    with pytest.raises(ValueError, match="smaller than the tube"):
        stock.edit("B1", bore_mm=5.5)
    with pytest.raises(NoSuchTube, match="there are B1, A4"):
        stock.edit("A3", note="")
    assert stock.tube("B1").bore_mm is None


def test_remove_takes_all_named_or_none(stock: Stock) -> None:
    stock.add([StockTube("A", 6.5), StockTube("B", 5.0), StockTube("C", 4.0)])
    with pytest.raises(NoSuchTube, match="'D'"):
        stock.remove(["A", "D"])
    assert len(stock.tubes()) == 3
    assert [tube.label for tube in stock.remove(["A", "b", "B"])] == ["A", "B"]
    assert [tube.label for tube in stock.tubes()] == ["C"]


def test_a_cut_takes_piece_and_kerf_off(stock: Stock) -> None:
    stock.add([StockTube("A3", 6.5, length_mm=20.0)])
    tube, taken = stock.cut("a3", 5.0, kerf, note="pendant")
    assert (tube.length_mm, taken) == (14.7, 5.3)
    tube, taken = stock.cut("A3", 5.0, kerf, times=2)
    assert (tube.length_mm, taken) == (4.1, 10.6)
    cuts = stock.cuts("A3")
    assert [cut.left_mm for cut in cuts] == [14.7, 9.4, 4.1]
    assert cuts[0].note == "pendant"


def test_more_than_is_left_is_refused_whole(stock: Stock) -> None:
    stock.add([StockTube("A3", 6.5, length_mm=12.0), StockTube("B1", 6.0)])
    with pytest.raises(ValueError, match="A3: not that much is left for piece 3 of 3; nothing was cut"):
        stock.cut("A3", 5.0, kerf, times=3)
    assert stock.tube("A3").length_mm == 12.0
    assert stock.cuts() == []
    with pytest.raises(ValueError, match="length of B1 is not on record"):
        stock.cut("B1", 5.0, kerf)
    with pytest.raises(NoSuchTube):
        stock.cut("Z", 5.0, kerf)


def test_the_rest_may_be_cut_to_nothing(stock: Stock) -> None:
    stock.add([StockTube("A3", 6.5, length_mm=5.1)])
    tube, taken = stock.cut("A3", 5.0, kerf)
    assert (tube.length_mm, taken) == (0.0, 5.1)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0.5, 20), min_size=1, max_size=8), st.floats(20, 300))
def test_cuts_and_rest_add_up(tmp_path_factory: pytest.TempPathFactory, pieces: list[float], length: float) -> None:
    stock = Stock(tmp_path_factory.mktemp("s") / "stock.db")
    stock.add([StockTube("A", 6.5, length_mm=length)])
    for piece in pieces:
        try:
            stock.cut("A", piece, kerf)
        except ValueError:
            assert piece > (stock.tube("A").length_mm or 0) - 1e-4
    left = stock.tube("A").length_mm
    assert left is not None
    assert left >= 0
    assert left + sum(cut.taken_mm for cut in stock.cuts()) == pytest.approx(length, abs=1e-3)


@pytest.mark.parametrize(
    ("members", "message"),
    [
        ({"outer_mm": 65.0, "bore_mm": 70.0}, "smaller than the tube"),
        ({"outer_mm": 650.0}, "between 0.1 and 100 mm"),
        ({"outer_mm": float("nan")}, "finite"),
        ({"outer_mm": 6.5, "wall_mm": 3.25}, "leave no bore"),
        ({"outer_mm": 6.5, "wall_mm": 0.6, "bore_mm": 5.3}, "not both"),
        ({"outer_mm": 6.5, "length_mm": -1.0}, "between 0 and 10000"),
        ({"outer_mm": 6.5, "bore_u95_mm": 0.1}, "belongs to"),
        ({"outer_mm": 6.5, "note": "x" * 300}, "300 characters"),
    ],
)
def test_what_can_be_no_tube(members: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        StockTube("A", **members)  # type: ignore[arg-type]


def test_labels_are_one_line_without_tricks() -> None:
    assert StockTube("A\n3\u202e", 6.5).label == "A 3"


# --- the file ----------------------------------------------------------------------------------------------------


def _add_many(path: str, name: str, count: int) -> None:
    for number in range(count):
        Stock(Path(path)).add([StockTube(f"{name}{number}", 6.5)])


def _cut_many(path: str, count: int) -> None:
    for _ in range(count):
        Stock(Path(path)).cut("rod", 1.0, kerf)


def test_two_processes_lose_nothing(stock: Stock) -> None:
    stock.add([StockTube("rod", 6.5, length_mm=100.0)])
    context = multiprocessing.get_context("spawn")
    jobs = [
        context.Process(target=_add_many, args=(str(stock.path), "a", 15)),
        context.Process(target=_add_many, args=(str(stock.path), "b", 15)),
        context.Process(target=_cut_many, args=(str(stock.path), 15)),
        context.Process(target=_cut_many, args=(str(stock.path), 15)),
    ]
    for job in jobs:
        job.start()
    for job in jobs:
        job.join(60)
    assert [job.exitcode for job in jobs] == [0] * 4
    assert len(stock.tubes()) == 31
    assert stock.tube("rod").length_mm == pytest.approx(100 - 30 * 1.3)


def _die_in_the_middle(path: str) -> None:
    with stock_db.writing(Path(path)) as connection:
        connection.execute("PRAGMA cache_size = 1")  # so that pages reach the file before the commit
        connection.execute("DELETE FROM tube")
        for number in range(500):
            connection.execute(
                "INSERT INTO cut (label, piece_mm, taken_mm, left_mm, note, cut_at) VALUES (?, 1, 1, 1, ?, '')",
                (str(number), "x" * 200),
            )
        os._exit(9)


def test_a_killed_writer_leaves_the_list_as_it_was(stock: Stock) -> None:
    stock.add([StockTube("A", 6.5), StockTube("B", 6.0)])
    job = multiprocessing.get_context("spawn").Process(target=_die_in_the_middle, args=(str(stock.path),))
    job.start()
    job.join(60)
    assert job.exitcode == 9
    assert stock.path.with_name("stock.db-journal").exists()  # it did die in the middle
    assert [tube.label for tube in stock.tubes()] == ["B", "A"]
    assert stock.cuts() == []


def test_a_list_in_use_is_waited_for_then_told(stock: Stock, monkeypatch: pytest.MonkeyPatch) -> None:
    stock.add([StockTube("A", 6.5)])
    monkeypatch.setattr(stock_db, "BUSY_TIMEOUT_S", 0.2)
    with stock_db.writing(stock.path), pytest.raises(StockError, match="another command is using"):
        stock.add([StockTube("B", 6.5)])


def test_files_that_are_no_stock_list(tmp_path: Path) -> None:
    text = tmp_path / "text.db"
    text.write_text("this is a shopping list, not a database, and long enough to be looked at" * 40)
    with pytest.raises(StockError, match="damaged"):
        Stock(text).tubes()
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE recipe (name TEXT)")
    connection.commit()
    connection.close()
    with pytest.raises(StockError, match="another program's"):
        Stock(other).add([StockTube("A", 6.5)])
    (tmp_path / "empty.db").touch()
    assert Stock(tmp_path / "empty.db").tubes() == []


def test_a_newer_file_is_left_alone(stock: Stock) -> None:
    stock.add([StockTube("A", 6.5)])
    connection = sqlite3.connect(stock.path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(StockError, match="newer version"):
        stock.tubes()
    with pytest.raises(StockError, match="newer version"):
        stock.add([StockTube("B", 6.5)])


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="root writes everywhere")
def test_a_read_only_list_is_read(stock: Stock) -> None:
    stock.add([StockTube("A", 6.5)])
    stock.path.chmod(stat.S_IRUSR)
    stock.path.parent.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        assert len(stock.tubes()) == 1
        with pytest.raises(StockReadOnly):
            stock.add([StockTube("B", 6.5)])
    finally:
        stock.path.parent.chmod(stat.S_IRWXU)


def test_where_it_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "home"))
    assert Stock().path == tmp_path / "home" / "stock.db"
    Stock().add([StockTube("A", 6.5)])
    assert (tmp_path / "home" / "stock.db").is_file()
