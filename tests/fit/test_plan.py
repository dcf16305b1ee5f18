"""The cut plan: the worked case of the bench, and what geometry demands of every plan.

Facts of the trade (limits, steps) are common practice, no source.
"""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimsight.fit import Stone, Tube, default_rules, within
from rimsight.fit.advice import CAUTIONS
from rimsight.fit.numbers import nominal, standard
from rimsight.fit.plan import Plan, TubeRefused, make, title, written
from rimsight.fit.rules import from_text

RULES = default_rules()


def stone(diameter: float = 6.12, height: float | None = 4.22, **more: float) -> Stone:
    return Stone(
        within(diameter, 0.02, "stone"),
        height_mm=None if height is None else within(height, 0.02, "height"),
        **{name: within(value, 0.02, name) for name, value in more.items()},
    )


def worked_case() -> Plan:
    tube = Tube.from_wall(within(6.5, 0.02, "od"), within(0.635, 0.02, "wall"), metal="silver")
    return make(stone(), tube, RULES)


def test_worked_case() -> None:
    """6.12 mm stone, 4.22 mm high, 6.5 mm tube of 0.635 mm wall: common practice, no source."""
    plan = worked_case()
    assert plan.report.verdict == "adequate"
    rim = plan.report["rim_centred"]
    assert rim.value_mm is not None
    assert rim.value_mm.nominal_value == pytest.approx(0.19)
    assert plan.cut_length_mm == 5.0
    assert plan.taken_mm == 5.3
    assert plan.setting_bur_mm == 6.0
    assert plan.bezel_punch_mm == 7.0
    assert title(plan) == "6.12 x 4.22 mm stone on 6.5 mm tube: adequate"
    # cut and seat are judged too, not only advised
    assert plan.report["tube_length"].verdict == "adequate"
    assert plan.report["metal_above_girdle"].verdict == "adequate"


@pytest.mark.parametrize(("outer", "bore"), [(5.0, 4.1), (6.0, 5.1)])
def test_worked_case_refuses_the_smaller_tubes(outer: float, bore: float) -> None:
    with pytest.raises(TubeRefused, match=r"narrower than the stone.*Look for a tube of 6\.44") as refused:
        make(stone(), Tube(outer, bore), RULES)
    assert refused.value.report.verdict == "too thin"


def test_a_bore_as_wide_as_the_stone_is_refused() -> None:
    with pytest.raises(TubeRefused, match="falls through"):
        make(stone(), Tube(7.0, 6.3), RULES)


def test_what_is_missing_is_asked_for() -> None:
    with pytest.raises(ValueError, match="needs the stone's height"):
        make(stone(height=None), Tube(6.5, 5.23), RULES)
    with pytest.raises(ValueError, match="needs the tube's bore or wall"):
        make(stone(), Tube(6.5), RULES)


@settings(deadline=None, max_examples=60)
@given(st.floats(1.2, 12), st.floats(0.45, 0.8), st.floats(0.15, 0.5), st.booleans())
def test_heights_close_round_the_stone(diameter: float, share: float, rim: float, closed: bool) -> None:
    """From the tube's lower end up: clearance, stone, and the table's height above the upper end."""
    plan = make(
        stone(diameter, diameter * share), Tube(diameter + 2 * rim, diameter * 0.75, closed_back=closed), RULES
    )
    up = plan.under_culet_mm + diameter * share - plan.table_above_mm
    assert nominal(up) == pytest.approx(plan.cut_length_mm, abs=1e-9)
    seat = plan.metal_above_mm + plan.section.girdle_mm
    assert nominal(seat) == pytest.approx(plan.seat_depth_mm, abs=1e-9)
    # the culet keeps the rule's clearance at least, because the table stands up into the rim
    assert plan.cut_length_mm - diameter * share >= (0.2 if closed else 0.3) - 1e-9
    assert 0 < nominal(plan.cover_percent) < 100


def test_measured_girdle_and_crown_make_it_sharper() -> None:
    vague = worked_case()
    sharp = make(stone(girdle_mm=0.2, crown_height_mm=1.0), Tube(6.5, 5.23), RULES)
    assert standard(sharp.metal_above_mm) < standard(vague.metal_above_mm) / 2
    assert standard(sharp.table_above_mm) < standard(vague.table_above_mm) / 4
    assert "girdle_thickness_mm" not in sharp.section.assumed


def test_pavilion_angle_gives_the_room_under_the_culet() -> None:
    """Pavilion of 45 degrees under a 6 mm girdle: 3 mm deep (plane geometry)."""
    plan = make(Stone(6.0, height_mm=4.2, girdle_mm=0.2, pavilion_angle_deg=45.0), Tube(6.4, 5.0), RULES)
    assert nominal(plan.section.pavilion_depth_mm) == pytest.approx(3.0)
    assert nominal(plan.under_culet_mm) == pytest.approx(plan.cut_length_mm - plan.seat_depth_mm - 3.0)
    assert nominal(plan.section.crown_height_mm) == pytest.approx(1.0)


def test_a_short_piece_is_used_whole_and_judged() -> None:
    whole = make(stone(), Tube(6.5, 5.23, length_mm=4.6), RULES)
    assert whole.cut_length_mm == whole.taken_mm == 4.6
    assert whole.report["tube_length"].verdict == "adequate"
    assert "whole piece of 4.6 mm" in whole.steps[0].do
    short = make(stone(), Tube(6.5, 5.23, length_mm=4.3), RULES)
    assert short.report.verdict == "too thin"
    assert "tube longer than the stone (too short)" in short.report.headline


def test_closed_back() -> None:
    plan = make(stone(height=4.25), Tube(6.5, 5.23, closed_back=True), RULES)
    assert plan.cut_length_mm == 4.5
    assert "0.2 mm above the back plate" in plan.steps[0].do
    assert "plate" in plan.steps[0].otherwise
    assert plan.report["tube_length"].verdict == "adequate"


def test_own_rules_reach_the_plan() -> None:
    mine = from_text("[saw]\nkerf_mm = 0.5\n[length]\nround_up_to_mm = 0.1\n[bur]\nsizes_mm = [5.8]\n")
    plan = make(stone(), Tube(6.5, 5.23), mine)
    assert plan.cut_length_mm == pytest.approx(4.6)
    assert plan.taken_mm == pytest.approx(5.1)
    assert plan.setting_bur_mm == 5.8


def test_steps_carry_the_figures_and_what_goes_wrong() -> None:
    plan = worked_case()
    text = " ".join(step.do for step in plan.steps)
    for figure in ("Cut 5 mm", "bur of 6 mm", "0.12 mm under", "0.61 mm below", "0.43 mm stand", "punch of 7 mm",
                   "0.68 mm above the tube's end"):
        assert figure in text, figure
    assert [step.name for step in plan.steps] == ["Cut", "Bur", "Seat", "Solder", "Close"]
    assert all(step.otherwise for step in plan.steps)


def test_tools_that_do_not_suit() -> None:
    no_punch = make(stone(18, 11), Tube(18.8, 16), RULES)
    assert "bezel rocker and burnisher" in no_punch.steps[-1].do
    assert no_punch.bezel_punch_mm is None
    heavy = make(stone(), Tube(7.6, 5.2), RULES)
    assert "rim is heavy" in heavy.steps[-1].do
    by_hand = make(stone(), Tube(6.5, 5.23), from_text("[bur]\nsizes_mm = [3.0]\n"))
    assert "only turn in the bore" in by_hand.steps[1].do
    assert by_hand.setting_bur_mm is None
    tiny = make(stone(), Tube(6.5, 5.23), from_text("[bur]\nsizes_mm = [7.0]\n"))
    assert "cut the seat by hand" in tiny.steps[1].do


def test_a_flat_crown_lies_below_the_end() -> None:
    plan = make(stone(girdle_mm=0.2, crown_height_mm=0.2), Tube(6.5, 5.23), RULES)
    assert nominal(plan.table_above_mm) < 0
    assert "below the tube's end" in plan.steps[-1].do


def test_contradicting_heights_are_warned_of() -> None:
    plan = make(stone(girdle_mm=0.2, crown_height_mm=1.1, pavilion_depth_mm=3.4), Tube(6.5, 5.23), RULES)
    assert "add up to 4.7 mm" in plan.warnings[0]


@pytest.mark.parametrize(
    ("made", "text"),
    # ISO 24016:2020: smallest - largest x height
    [
        (Stone(6.08, smallest_mm=6.05, largest_mm=6.11, height_mm=3.63), "6.05 - 6.11 x 3.63 mm"),
        (Stone(6.0, height_mm=3.6), "6.00 x 3.60 mm"),
        (Stone(6.08, smallest_mm=6.05, largest_mm=6.11), "6.05 - 6.11 mm"),
    ],
)
def test_written_like_a_report(made: Stone, text: str) -> None:
    assert written(made) == text


def test_json_is_plain_and_whole() -> None:
    record = json.loads(json.dumps(worked_case().to_json(), allow_nan=False))
    assert record["schema"] == "rimsight/1"
    assert record["verdict"] == "adequate"
    plan = record["plan"]
    assert plan["cut_length_mm"] == 5.0
    assert plan["ledge_mm"]["value"] == pytest.approx(0.445)
    assert plan["wall_beside_bur_mm"]["value"] == pytest.approx(0.25)
    assert plan["cautions"] == list(CAUTIONS)
    stone_record = record["stone"]
    assert stone_record["written"] == "6.12 x 4.22 mm"
    total = sum(
        stone_record[name]["value"] for name in ("crown_height_mm", "girdle_thickness_mm", "pavilion_depth_mm")
    )
    assert math.isclose(total, 4.22, abs_tol=2e-4)
    assert set(stone_record["assumed"]) == {"girdle_thickness_mm", "table_mm", "crown_height_mm"}


def test_a_small_stone_is_warned_of() -> None:
    small = make(stone(1.6, 1.0), Tube(2.0, 1.1), RULES)
    assert "hardly advisable" in small.warnings[0]
    assert small.to_json()["plan"]["own_setting"]["advisable"] is False
    assert worked_case().to_json()["plan"]["own_setting"]["advisable"] is True
    assert worked_case().warnings == ()
