"""What would decide a reading that is too close to call."""

from __future__ import annotations

import pytest
from uncertainties import ufloat

from rimsight.fit.decision import Outcome, decide
from rimsight.fit.numbers import nominal, standard, within
from rimsight.fit.remedy import Reading, what_decides


def rim(stone_u: float, tube_u: float, width: float) -> tuple[object, tuple[Reading, ...]]:
    stone, tube = ufloat(6.12, stone_u, "stone edge"), ufloat(6.12 + 2 * width, tube_u, "tube edge")
    readings = (
        Reading("the tube's outside", tube, 0.5, "outside"), Reading("the stone", stone, -0.5, "outside"),
    )
    return (tube - stone) / 2, readings


def test_calipers_decide_what_a_poor_photo_can_not() -> None:
    value, readings = rim(0.05, 0.03, 0.17)
    remedy = what_decides(value, 0.15, readings)
    assert remedy.tool == "calipers"
    assert remedy.largest == "stone edge"
    assert remedy.share == pytest.approx(0.05**2 / (0.05**2 + 0.03**2))
    assert "calipers on the tube's outside and the stone" in remedy.sentence
    assert "stone edge" in remedy.sentence
    # with caliper readings of the same value, it is decided indeed
    again = (within(6.46, 0.02, "od") - within(6.12, 0.02, "stone")) / 2
    assert decide(nominal(again), standard(again), at_least=0.15).outcome is Outcome.PASS


def test_a_micrometer_decides_what_calipers_can_not() -> None:
    value, readings = rim(0.0115, 0.0115, 0.155)
    remedy = what_decides(value, 0.15, readings)
    assert remedy.tool == "micrometer"
    assert "most of the uncertainty" not in remedy.sentence  # half and half


def test_on_the_limit_nothing_decides() -> None:
    value, readings = rim(0.0115, 0.0115, 0.1505)
    remedy = what_decides(value, 0.15, readings)
    assert remedy.tool == ""
    assert "on the limit" in remedy.sentence
    assert remedy.to_json()["tool"] is None


def test_nearer_than_a_micrometer_but_not_on_the_limit() -> None:
    value, readings = rim(0.0115, 0.0115, 0.1515)
    assert "0.0015 mm from the limit" in what_decides(value, 0.15, readings).sentence


def test_the_uncertainty_needed_is_the_one_that_decides() -> None:
    value, readings = rim(0.02, 0.02, 0.165)
    remedy = what_decides(value, 0.15, readings)
    needed_u = remedy.u95_needed_mm / 1.959964
    assert decide(0.165, needed_u * 0.999, at_least=0.15).outcome is Outcome.PASS
    assert decide(0.165, needed_u * 1.001, at_least=0.15).outcome is Outcome.CLOSE


def test_each_reading_has_its_tool() -> None:
    stone, bore = within(6.12, 0.02, "stone"), within(5.59, 0.04, "bore")
    readings = (Reading("the stone", stone, 0.5, "outside"), Reading("the bore", bore, -0.5, "bore"))
    remedy = what_decides((stone - bore) / 2, 0.25, readings)
    assert "a micrometer on the stone and pin gauges in the bore" in remedy.sentence
    assert "most of the uncertainty comes from: bore" in remedy.sentence


def test_what_no_tool_repeats_keeps_its_uncertainty() -> None:
    girdle = within(0.2, 0.2, "girdle not measured")
    depth = within(0.5, 0.04, "seat")
    readings = (
        Reading("the depth of the seat", depth, 1.0, "depth"), Reading("the girdle", girdle, -1.0, ""),
    )
    assert what_decides(depth - girdle, 0.25, readings).tool == ""


def test_a_certain_value_has_no_remedy() -> None:
    with pytest.raises(ValueError, match="never too close"):
        what_decides(0.15, 0.15, ())
