"""The metal that is turned over the girdle. Limits are common practice, no source; the bend is plane geometry."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimsight.fit import Stone, Tube, default_rules
from rimsight.fit.numbers import nominal
from rimsight.fit.profile import profile
from rimsight.fit.rules import from_text
from rimsight.fit.turnover import bend_mm, cover_percent, metal_above_mm

RULES = default_rules()


def test_bend_is_an_arc_of_half_the_rim() -> None:
    """A rim of 0.2 mm laid flat (crown angle 0) turns through a quarter of a circle of radius 0.1 mm."""
    assert nominal(bend_mm(0.2, 0.0)) == pytest.approx(math.pi / 2 * 0.1)
    assert nominal(bend_mm(0.2, 90.0)) == 0
    assert nominal(bend_mm(0.0, 30.0)) == 0


def test_the_usual_stone_gets_the_middle_of_the_limits() -> None:
    assert metal_above_mm(Stone(6.12, height_mm=4.22), Tube(6.5, 5.23), RULES) == pytest.approx((0.25 + 0.60) / 2)


@settings(deadline=None)
@given(st.floats(0.8, 15), st.floats(0.3, 0.9), st.floats(0.08, 0.5))
def test_always_within_the_houses_limits(diameter: float, share: float, rim: float) -> None:
    stone = Stone(diameter, height_mm=max(0.1, diameter * share))
    metal = metal_above_mm(stone, Tube(diameter + 2 * rim), RULES)
    low = RULES.limit("girdle.metal_above_at_least_mm", diameter).value
    high = RULES.limit("girdle.metal_above_at_most_mm", diameter).value
    assert low <= metal <= high


def test_a_tiny_stone_gets_less_than_the_middle_so_that_its_crown_shows() -> None:
    stone, tube = Stone(1.0, height_mm=0.6), Tube(1.3, 0.6)
    metal = metal_above_mm(stone, tube, RULES)
    assert metal < (0.15 + 0.35) / 2
    assert nominal(cover_percent(metal, 0.15, profile(stone, RULES))) == pytest.approx(33.0)


def test_a_large_crown_gets_more_than_the_middle() -> None:
    mine = from_text("[crown]\ncover_at_least_percent = 20\n")
    stone, tube = Stone(7.5, height_mm=5.0), Tube(8.0, 6.5)
    assert metal_above_mm(stone, tube, mine) > metal_above_mm(stone, tube, RULES) == pytest.approx(0.425)


def test_own_limits_beat_the_crown() -> None:
    mine = from_text("[girdle]\nmetal_above_at_least_mm = 0.3\nmetal_above_at_most_mm = 0.4\n")
    assert metal_above_mm(Stone(1.0, height_mm=0.6), Tube(1.3, 0.6), mine) == 0.3


def test_heights_that_do_not_add_up_leave_the_houses_middle() -> None:
    stone = Stone(6.0, height_mm=3.0, girdle_mm=1.0, crown_height_mm=2.5)
    assert metal_above_mm(stone, Tube(6.4, 5.0), RULES) == pytest.approx(0.425)
