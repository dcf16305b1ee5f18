"""CSV of the stock list, as spreadsheets of several countries write it."""

from __future__ import annotations

import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimsight.archive.stock import StockTube
from rimsight.archive.stock_csv import COLUMNS, StockCsvError, decode, read, write
from rimsight.cli.values import length_mm, wall_mm


def tubes(text: str) -> tuple[StockTube, ...]:
    return read(text, length_mm, wall_mm).tubes


WANTED = (StockTube("A3", 6.5, wall_mm=0.635, metal="silver", length_mm=120.5, note="drawer 1, left"),)


@pytest.mark.parametrize(
    "text",
    [
        'label,od,wall,metal,length,note\nA3,6.5,0.635,silver,120.5,"drawer 1, left"\n',
        "label;od;wall;metal;length;note\r\nA3;6,5;0,635;silver;120,5;drawer 1, left\r\n",
        "Label\tO.D. (mm)\tWall thickness [mm]\tMaterial\tLength left\tRemarks\n"
        "A3\t6.5\t.635\tsilver\t120.5\tdrawer 1, left\n",
        'sep=;\nname;outer_mm;wall_mm;metal;length_mm;note\nA3;6.5 mm;0,635 mm;silver;120.5;"drawer 1, left"\n',
        '# my drawer\n\nlabel,outer,wall,metal,length,note\n\n'
        'A3,"6,5","0,635",silver,"120,5","drawer 1, left"\n,,,,,\n',
    ],
)
def test_ways_of_writing_agree(text: str) -> None:
    assert tubes(text) == WANTED


def test_inches_and_wire_gauge() -> None:
    """1 in = 25.4 mm exactly; ASTM B258: 22 gauge is 0.6438 mm."""
    found = tubes('label,od (in),gauge\na,0.25,22\nb,1/4,22ga\nc,"1/4""",22\nd,6.35 mm,22 gauge\n')
    assert [tube.outer_mm for tube in found] == pytest.approx([6.35] * 4)
    assert [tube.wall_mm for tube in found] == pytest.approx([0.6438] * 4, abs=5e-5)
    assert tubes("od;wall\n1/4in;22ga\n")[0].wall_mm == pytest.approx(0.6438, abs=5e-5)


def test_nothing_left_is_a_length_too() -> None:
    assert [tube.length_mm for tube in tubes("od;length\n6.5;0\n6.5;0,0\n6.5;\n")] == [0.0, 0.0, None]


def test_columns_that_mean_nothing_are_named() -> None:
    sheet = read("label;price;od;shelf\nA;12,50;6.5;3\n", length_mm, wall_mm)
    assert sheet.ignored == ("price", "shelf")
    assert sheet.tubes == (StockTube("A", 6.5),)


def test_every_problem_names_its_line() -> None:
    text = (
        "label;od;bore;length;note\n"  # 1
        "A;6.5;5.2;100;fine\n"
        "B;six;5.2;100;\n"  # 3
        'C;6.5;7.0;100;"two\nlines"\n'  # 4 and 5
        "a;6.0;5.0;10;\n"  # 6
        "D;;5.0;10;\n"
        "E;6.5;5.0;10;note;and more\n"  # 8
    )
    with pytest.raises(StockCsvError) as refused:
        tubes(text)
    problems = refused.value.problems
    assert [problem.partition(":")[0] for problem in problems] == ["line 3", "line 4", "line 6", "line 7", "line 8"]
    assert "'six' is not a length" in problems[0]
    assert "smaller than the tube" in problems[1]
    assert "stands in line 2 already" in problems[2]
    assert "missing" in problems[3]
    assert "6 cells, but 5 columns" in problems[4]
    assert "Nothing was taken" in str(refused.value)


def test_decimal_commas_between_commas_are_explained() -> None:
    with pytest.raises(StockCsvError, match=r"line 2: 4 cells, but 2 columns are named .decimal commas need ;"):
        tubes("od,wall\n6,5,0,635\n")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "line 1: the file is empty"),
        ("label;wall\nA;0.6\n", "line 1: no column for the outer diameter"),
        ("od;outer\n6.5;6.5\n", "line 1: two columns mean the outer"),
        ('od;note\n6.5;"open\n', "quotation mark left open"),
        ("od;wall;gauge\n6.5;0.6;22\n", "line 2: both a wall and a gauge"),
        ("od;bore;wall\n6.5;5;0.7\n", "line 2: give the bore or the wall"),
        ("od;gauge\n6.5;99\n", "line 2: gauge: '99ga'"),
    ],
)
def test_refusals(text: str, message: str) -> None:
    with pytest.raises(StockCsvError, match=message):
        tubes(text)


def test_many_problems_are_not_all_read_aloud() -> None:
    with pytest.raises(StockCsvError) as refused:
        tubes("od\n" + "x\n" * 100)
    assert len(refused.value.problems) == 100
    assert "and 80 more" in str(refused.value)


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_codings(coding: str) -> None:
    assert decode("od;note\n6,5;für Größe 6½\n".encode(coding)) == "od;note\n6,5;für Größe 6½\n"


def test_no_text_at_all() -> None:
    with pytest.raises(StockCsvError, match="no text"):
        decode(bytes(range(256)) * 4)
    with pytest.raises(StockCsvError, match="larger than"):
        decode(b"x" * 6_000_000)


def as_text(listed: list[StockTube]) -> str:
    file = io.StringIO(newline="")
    write(listed, file)
    return file.getvalue()


lengths = st.floats(0.2, 3.0).map(lambda value: round(value, 4))
labels = st.text(st.characters(exclude_categories=("Cc", "Cs", "Cf", "Zl", "Zp")), max_size=20)


@st.composite
def stock_tubes(draw: st.DrawFn) -> StockTube:
    outer = draw(st.floats(7, 30).map(lambda value: round(value, 4)))
    which = draw(st.sampled_from(["bore", "wall", ""]))
    return StockTube(
        draw(labels),
        outer,
        draw(lengths) if which == "bore" else None,
        draw(lengths) if which == "wall" else None,
        draw(labels),
        draw(st.none() | st.floats(0, 1000).map(lambda value: round(value, 2))),
        draw(labels),
        draw(st.none() | st.floats(0.001, 0.1).map(lambda value: round(value, 4))),
    )


@settings(deadline=None)
@given(st.lists(stock_tubes(), max_size=6, unique_by=lambda tube: tube.label.casefold()))
def test_export_and_import_lose_nothing(listed: list[StockTube]) -> None:
    assert list(tubes(as_text(listed))) == listed


@settings(max_examples=200)
@given(st.text(max_size=200))
def test_any_text_gives_tubes_or_a_line(text: str) -> None:
    problems: tuple[str, ...] = ()
    try:
        tubes(text)
    except StockCsvError as refused:
        problems = refused.problems
    assert all(problem.startswith("line ") for problem in problems)


def test_no_formula_reaches_the_spreadsheet() -> None:
    """OWASP, "CSV Injection": a cell that begins with = + - @ is run by a spreadsheet."""
    evil = StockTube("=1+1", 6.5, metal="@x", note='=HYPERLINK("x")')
    text = as_text([evil])
    rows = text.splitlines()
    assert rows[0] == ",".join(COLUMNS)
    assert rows[1].startswith("'=1+1,6.5,")
    assert tubes(text) == (evil,)
