"""Dimension lines: arrowheads on the spot, labels apart."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimsight.archive.plan_dims import ARROW, Label, across, arrow, down, spread
from rimsight.archive.plan_ink import Area, Line, Words


def tips(marks: list[object]) -> set[tuple[float, float]]:
    return {mark.rings[0][0] for mark in marks if isinstance(mark, Area) and len(mark.rings[0]) == 3}


@pytest.mark.parametrize("span", [0.3, 4.0, 6.0, 60.0])
def test_arrows_point_at_both_ends(span: float) -> None:
    assert tips(list(across(10.0, 10.0 + span, 5.0, Label("6.50", "tube")))) == {(10.0, 5.0), (10.0 + span, 5.0)}
    assert tips(list(down(3.0, 10.0, 10.0 + span))) == {(3.0, 10.0), (3.0, 10.0 + span)}


def test_arrows_come_from_outside_where_there_is_no_room() -> None:
    inside = arrow(0, 0, 1, 0).rings[0]
    assert max(x for x, _ in inside) == 0
    short = across(10.0, 10.5, 5.0, Label("0.50", "rim"))
    [line] = [mark for mark in short if isinstance(mark, Line)]
    assert line.points[0][0] < 10.0 - ARROW
    assert line.points[1][0] > 10.5 + ARROW
    assert all(mark.x > line.points[1][0] for mark in short if isinstance(mark, Words))
    left = across(10.0, 10.5, 5.0, Label("0.50", "rim"), outside="left")
    assert all(mark.x < line.points[0][0] for mark in left if isinstance(mark, Words))


def test_words_stand_on_the_line_where_there_is_room() -> None:
    label = Label("6.50", "tube")
    [first, _] = [mark for mark in across(0.0, 60.0, 5.0, label) if isinstance(mark, Words)]
    assert first.x == pytest.approx(30 - label.width / 2)


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=8).map(sorted), st.floats(0.1, 6))
def test_spread_keeps_order_and_distance(wanted: list[float], distance: float) -> None:
    placed = spread(wanted, distance)
    assert len(placed) == len(wanted)
    assert all(b - a >= distance - 1e-6 for a, b in itertools.pairwise(placed))
    # moved no more than needed: the mean stays where it was
    assert sum(placed) == pytest.approx(sum(wanted), abs=1e-6 * len(wanted) + 1e-6)


def test_spread_leaves_alone_what_is_apart() -> None:
    assert spread([0.0, 5.0, 10.0], 4.0) == [0.0, 5.0, 10.0]
    assert spread([0.0, 1.0], 4.0) == [-1.5, 2.5]
