"""The stone's section against Tolkowsky's published stone, and against plane geometry."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimsight.fit import Stone, default_rules, within
from rimsight.fit.numbers import nominal, standard
from rimsight.fit.profile import profile

RULES = default_rules()
#: Tolkowsky, Diamond Design, 1919: table 53 %, crown 34.5 deg and 16.2 %, pavilion 40.75 deg and 43.1 %, total 59.3 %.
TABLE, CROWN_DEG, CROWN, PAVILION_DEG, PAVILION, TOTAL = 53.0, 34.5, 16.2, 40.75, 43.1, 59.3


def test_tolkowsky_from_his_angles() -> None:
    """Crown and pavilion angle, table and a knife edge give his heights."""
    found = profile(Stone(100.0, girdle_mm=0.001, crown_angle_deg=CROWN_DEG, pavilion_angle_deg=PAVILION_DEG,
                          table_mm=TABLE), RULES)
    assert nominal(found.crown_height_mm) == pytest.approx(CROWN, abs=0.06)
    assert nominal(found.pavilion_depth_mm) == pytest.approx(PAVILION, abs=0.06)
    assert nominal(found.height_mm) == pytest.approx(TOTAL, abs=0.1)
    assert found.assumed == ()


def test_tolkowsky_from_his_heights() -> None:
    found = profile(Stone(10.0, girdle_mm=1e-6, crown_height_mm=CROWN / 10, pavilion_depth_mm=PAVILION / 10,
                          table_mm=TABLE / 10), RULES)
    assert nominal(found.crown_angle_deg) == pytest.approx(CROWN_DEG, abs=0.1)
    assert nominal(found.pavilion_angle_deg) == pytest.approx(PAVILION_DEG, abs=0.1)


def test_unmeasured_parts_are_his_and_said_to_be() -> None:
    found = profile(Stone(10.0), RULES)
    assert nominal(found.crown_height_mm) == pytest.approx(CROWN / 10)
    assert nominal(found.pavilion_depth_mm) == pytest.approx(PAVILION / 10)
    assert set(found.assumed) == {"girdle_thickness_mm", "table_mm", "crown_height_mm", "pavilion_depth_mm"}
    assert standard(found.crown_height_mm) > 0.1  # nobody measured them: wide


@settings(deadline=None)
@given(st.floats(1, 12), st.floats(0.35, 0.9))
def test_parts_add_up_to_the_height(diameter: float, share: float) -> None:
    height = within(diameter * share, 0.02, "height")
    found = profile(Stone(within(diameter, 0.02, "stone"), height_mm=height), RULES)
    assert nominal(found.height_mm) == pytest.approx(diameter * share)
    # crown and pavilion share one guess, so the sum is as well known as the height itself
    assert standard(found.height_mm) == pytest.approx(standard(height), rel=1e-6)


def test_a_missing_part_is_what_the_height_leaves() -> None:
    crown = profile(Stone(6.0, height_mm=4.0, girdle_mm=0.2, pavilion_depth_mm=2.6), RULES)
    assert nominal(crown.crown_height_mm) == pytest.approx(1.2)
    pavilion = profile(Stone(6.0, height_mm=4.0, girdle_mm=0.2, crown_height_mm=1.1), RULES)
    assert nominal(pavilion.pavilion_depth_mm) == pytest.approx(2.7)
    girdle = profile(Stone(6.0, height_mm=4.0, crown_height_mm=1.1, pavilion_depth_mm=2.6), RULES)
    assert nominal(girdle.girdle_mm) == pytest.approx(0.3)
    assert "girdle_thickness_mm" not in girdle.assumed


def test_table_from_crown_height_and_angle() -> None:
    found = profile(Stone(10.0, crown_height_mm=1.5, crown_angle_deg=45.0), RULES)
    assert nominal(found.table_mm) == pytest.approx(7.0)
    assert "table_mm" not in found.assumed


def test_parts_that_do_not_add_up_are_told() -> None:
    found = profile(Stone(6.0, height_mm=4.0, girdle_mm=0.2, crown_height_mm=1.1, pavilion_depth_mm=3.1), RULES)
    assert "add up to 4.4 mm" in found.remarks[0]
    assert nominal(found.height_mm) == pytest.approx(4.0)
    fine = profile(Stone(6.0, height_mm=4.0, girdle_mm=0.2, crown_height_mm=1.1, pavilion_depth_mm=2.7), RULES)
    assert not fine.remarks


@pytest.mark.parametrize(
    ("stone", "message"),
    [
        (Stone(6.0, height_mm=3.0, girdle_mm=1.0, crown_height_mm=2.5), "nothing for the pavilion"),
        (Stone(6.0, height_mm=3.0, pavilion_depth_mm=2.99), "nothing for the crown"),
    ],
)
def test_impossible_heights_are_refused(stone: Stone, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        profile(stone, RULES)


def test_slope_is_the_hypotenuse() -> None:
    found = profile(Stone(10.0, table_mm=4.0, crown_height_mm=4.0, pavilion_depth_mm=4.0), RULES)
    assert nominal(found.crown_slope_mm) == pytest.approx(5.0)
    assert nominal(found.crown_angle_deg) == pytest.approx(math.degrees(math.atan2(4, 3)))
