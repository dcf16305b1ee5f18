"""Finding records again, and nothing typed being more than what is looked for."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimsight.archive import search, words
from rimsight.archive.records import Measured
from rimsight.archive.search import Query, date_bounds, match_expression, size_range, verdict_name
from rimsight.archive.store import Archive
from tests.archive import sample


@pytest.fixture(name="filled")
def filled_fixture(archive: Archive) -> Archive:
    entries = (
        (5.90, "adequate", sample.labels(job="M-104", metal="18k yellow", note="")),
        (6.12, "too thin", sample.labels(job="m-104", stone="Saphir, königsblau", metal="platinum", tags=("rush",))),
        (6.21, "too close to call", sample.labels(job="M-1040", stone="garnet 100%", metal="Platinum")),
        (3.00, "adequate", sample.labels(job="", stone="", tube="", metal="", note="", tags=())),
    )
    for seed, (size, verdict, labels) in enumerate(entries):
        photo, measured = sample.rim(seed, stone=size, verdict=verdict)
        archive.keep(photo, f"IMG_{seed}.jpg", measured, labels, thumbnail=False)
    archive.keep(
        sample.encode(sample.draw((64, 48))),
        "parcel.jpg",
        Measured("parcel", sample.parcel_result(5)),
        thumbnail=False,
    )
    return archive


def found(archive: Archive, query: Query) -> list[int]:
    rows = [row.number for row in search.page(archive, query).rows]
    assert list(search.numbers(archive, query)) == rows
    assert list(search.numbers(archive, query, oldest_first=True)) == rows[::-1]
    assert search.count(archive, query) == len(rows)
    return rows


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        (Query(), [5, 4, 3, 2, 1]),
        # words: any case, any accent, beginnings, several must all be there
        (Query(text="saphir"), [2]),
        (Query(text="KONIGS"), [2]),
        (Query(text="königsblau"), [2]),
        (Query(text="rush m-104"), [2]),
        (Query(text="m-104"), [3, 2, 1]),
        (Query(text="img_2"), [3]),
        (Query(text="thin"), [2]),
        (Query(text="nothing of the kind"), []),
        # labels: whole, whatever the case; with a star anything
        (Query(job="M-104"), [2, 1]),
        (Query(job="M-104*"), [3, 2, 1]),
        (Query(job="*040"), [3]),
        (Query(stone="garnet 100%"), [3]),
        (Query(stone="garnet 10*%"), [3]),
        (Query(stone="garnet_100%*"), []),
        (Query(metal="PLATINUM"), [3, 2]),
        (Query(tags=("RUSH",)), [2]),
        (Query(tags=("rush", "ring")), []),
        (Query(verdict="adequate"), [4, 1]),
        (Query(kind="parcel"), [5]),
        # sizes: bounds belong to it; any stone of a parcel counts
        (Query(sizes={"stone": (5.9, 6.2)}), [2, 1]),
        (Query(sizes={"stone": (2.35, 2.45)}), [5]),
        (Query(sizes={"stone": (5.9, 6.2)}, verdict="too thin"), [2]),
        (Query(sizes={"rim": (0.0, 0.4)}), [3, 2]),
        (Query(numbers=(1, 4, 77)), [4, 1]),
    ],
)
def test_what_is_found(filled: Archive, query: Query, expected: list[int]) -> None:
    assert found(filled, query) == expected


def test_the_bin_is_looked_in_only_when_asked(filled: Archive) -> None:
    filled.remove([2])
    assert found(filled, Query(text="m-104")) == [3, 1]
    assert found(filled, Query(text="m-104", in_bin=True)) == [2]


def test_labels_are_found_as_they_are_now(filled: Archive) -> None:
    filled.relabel(1, {"note": "quartz after all"})
    assert found(filled, Query(text="quartz")) == [1]
    filled.relabel(1, {"note": "spinel"})
    assert found(filled, Query(text="quartz")) == []


def test_sizes_and_verdicts_are_those_of_the_newest_reading(filled: Archive) -> None:
    filled.add_reading(1, Measured("rim", sample.rim_result(7.5, 8.0, verdict="too thin")))
    assert found(filled, Query(sizes={"stone": (5.9, 6.0)})) == []
    assert found(filled, Query(sizes={"stone": (7.4, 7.6)}, verdict="too thin")) == [1]


def test_pages_go_on_where_the_last_one_ended(filled: Archive) -> None:
    first = search.page(filled, Query(), limit=2)
    second = search.page(filled, Query(), limit=2, before=first.older)
    third = search.page(filled, Query(), limit=2, before=second.older)
    assert [[row.number for row in page.rows] for page in (first, second, third)] == [[5, 4], [3, 2], [1]]
    assert (first.total, third.older) == (5, None)


def test_a_row_tells_the_figures_of_the_first_item_and_how_many_there_are(filled: Archive) -> None:
    row = search.page(filled, Query(kind="parcel")).rows[0]
    assert row.figures == {"stone.diameter_mm": (2.0, 0.011)}
    assert row.items == 5


def test_dates_are_local_days(filled: Archive) -> None:
    today = datetime.now().strftime("%Y-%m-%d")
    yesterday = (datetime.now() - timedelta(days=1)).strftime("%Y-%m-%d")
    since, until = date_bounds(today, today)
    assert len(found(filled, Query(since=since, until=until))) == 5
    assert found(filled, Query(until=date_bounds("", yesterday)[1])) == []
    assert words.moment(until) - words.moment(since) in (timedelta(hours=hours) for hours in (23, 24, 25))


@pytest.mark.parametrize(("text", "days"), [("2024", 366), ("2026-02", 28), ("2026-12", 31), ("2026-03-05", 1)])
def test_a_date_means_all_of_its_time(text: str, days: int) -> None:
    since, until = date_bounds(text, text)
    assert round((words.moment(until) - words.moment(since)) / timedelta(days=1)) == days


@pytest.mark.parametrize("text", ["", "yesterday", "2026-13", "2026-02-30", "26-1-1", "9999999", "0000", "2026-1-1x"])
def test_what_is_no_date_is_refused(text: str) -> None:
    if text:
        with pytest.raises(ValueError, match="is not a date"):
            date_bounds(text, "")
    else:
        assert date_bounds("", "") == ("", "")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("5.9-6.2", (5.9, 6.2)),
        ("5,9 - 6,2 mm", (5.9, 6.2)),
        ("5.9..6.2", (5.9, 6.2)),
        ("5.9 to 6.2", (5.9, 6.2)),
        ("5.9mm–6.2mm", (5.9, 6.2)),
        (">=6", (6.0, 1e9)),
        ("< 0.3", (0.0, 0.3)),
        ("6", (5.95, 6.05)),
        ("6.1", (6.05, 6.15)),
        ("6.12", (6.115, 6.125)),
    ],
)
def test_ranges_of_sizes(text: str, expected: tuple[float, float]) -> None:
    assert size_range(text) == pytest.approx(expected, rel=0, abs=1e-9)


@pytest.mark.parametrize("text", ["", "six", "6.2-5.9", "-6", "1-2-3", "nan", "inf", "1e3", "6;DROP TABLE record"])
def test_what_is_no_range_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="range"):
        size_range(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("thin", "too thin"), ("too-thin", "too thin"), ("Adequate", "adequate"), ("close", "too close to call")],
)
def test_verdicts_as_they_are_typed(text: str, expected: str) -> None:
    assert verdict_name(text) == expected


@pytest.mark.parametrize("text", ["too", "", "fine", "to"])
def test_what_is_no_verdict_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a verdict; there are: adequate, too thin, too close to call"):
        verdict_name(text)


def test_an_unknown_size_is_refused(filled: Archive) -> None:
    with pytest.raises(ValueError, match="has no size to look for"):
        search.page(filled, Query(sizes={"carat": (1, 2)}))


@pytest.mark.parametrize("text", ["", " ", "---", '"', "*", "()"])
def test_no_word_is_told(text: str) -> None:
    with pytest.raises(ValueError, match="no word to look for"):
        match_expression(text)


@pytest.mark.parametrize(
    "text",
    ['a"b', "a AND b", "NEAR(a b)", "job:a", "a*", "^a", "-a", "a OR", "'; DROP TABLE record; --", "(a", "a\0b"],
)
def test_nothing_typed_is_an_operator(filled: Archive, text: str) -> None:
    found(filled, Query(text=text))
    assert search.count(filled, Query()) == 5


@given(st.text())
def test_any_text_is_a_question_or_refused(text: str) -> None:
    import sqlite3

    connection = sqlite3.connect(":memory:")
    connection.execute("CREATE VIRTUAL TABLE t USING fts5 (x)")
    try:
        expression = match_expression(text.encode("utf-8", "replace").decode())
    except ValueError:
        return
    connection.execute("SELECT * FROM t WHERE t MATCH ?", (expression,)).fetchall()
    connection.close()
