"""Stones and tubes that can't be, and the stone that rests on a bore."""

from __future__ import annotations

import math

import pytest

from rimsight.fit import Placed, Stone, Tube, resting_height_mm, within
from rimsight.fit.numbers import nominal, standard


@pytest.mark.parametrize("value", [0, -1, 0.05, 612, math.nan, math.inf])
def test_lengths_that_are_a_slip(value: float) -> None:
    with pytest.raises(ValueError, match="the stone's diameter"):
        Stone(value)
    with pytest.raises(ValueError, match="outer diameter"):
        Tube(value)


@pytest.mark.parametrize(
    ("kwargs", "message"),
    [
        ({"height_mm": 0}, "height"),
        ({"girdle_mm": -0.1}, "girdle"),
        ({"largest_mm": math.nan}, "largest"),
        ({"pavilion_angle_deg": 90}, "pavilion"),
    ],
)
def test_stones_that_can_not_be(kwargs: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Stone(6.0, **kwargs)


def test_bore_and_outside_mixed_up() -> None:
    with pytest.raises(ValueError, match="mixed up"):
        Tube(5.2, 6.5)
    with pytest.raises(ValueError, match="leave no bore"):
        Tube.from_wall(2.0, 1.0)


def test_wall_and_bore_follow_from_each_other() -> None:
    tube = Tube.from_wall(within(6.5, 0.02, "od"), within(0.635, 0.02, "wall"))
    assert nominal(tube.bore_mm) == pytest.approx(5.23)
    # bore = od - 2 wall: u = sqrt(0.0115^2 + (2 * 0.0115)^2)
    assert standard(tube.bore_mm) == pytest.approx(0.02 / math.sqrt(3) * math.sqrt(5))
    assert standard(tube.wall_mm) == pytest.approx(0.02 / math.sqrt(3))
    assert Tube(6.5).wall_mm is None


def test_a_stone_rests_on_the_bore_by_its_pavilion() -> None:
    """(D - bore)/2 * tan(pavilion): Tolkowsky's 40.75 degrees (Diamond Design, 1919) on a ledge of 0.445 mm."""
    stone = Stone(6.12, pavilion_angle_deg=40.75)
    assert nominal(resting_height_mm(stone, Tube(6.5, 5.23))) == pytest.approx(0.445 * math.tan(math.radians(40.75)))
    # from his angle, the pavilion of a whole stone is 43.1 % of the diameter deep
    assert nominal(resting_height_mm(Stone(1.0, pavilion_angle_deg=40.75), Tube(1.2, 1e-9))) == pytest.approx(
        0.431, abs=5e-4
    )
    assert resting_height_mm(stone, Tube(7.0, 6.5)) == 0.0
    assert resting_height_mm(Stone(6.12), Tube(6.5, 5.23)) is None
    assert resting_height_mm(stone, Tube(6.5)) is None


def test_placed_needs_numbers() -> None:
    with pytest.raises(ValueError, match="finite"):
        Placed(math.nan)
