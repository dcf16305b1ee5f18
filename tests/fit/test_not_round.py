"""Stones that aren't round: judged by the circle round them and the one inside; plane geometry of a square."""

from __future__ import annotations

import pytest

from rimsight.fit.advice import choose_bur_mm, tube_wanted
from rimsight.fit.model import Stone, Tube
from rimsight.fit.plan import make, written
from rimsight.fit.report import check
from rimsight.fit.rules import default_rules

RULES = default_rules()
#: A square of 4 mm: its diagonal is 4 sqrt(2), the circle inside 4.
SQUARE = Stone(4.0 * 2.0**0.5, inner_mm=4.0)


def test_the_rim_is_told_at_the_corners_and_the_ledge_at_the_sides() -> None:
    report = check(SQUARE, Tube(6.4, 3.2), RULES)
    assert report["rim_centred"].value_mm == pytest.approx((6.4 - 4.0 * 2.0**0.5) / 2)
    assert report["covers_bore"].value_mm == pytest.approx(0.8)
    assert report["ledge"].value_mm == pytest.approx(0.4)
    assert report["rim_heavy"].value_mm == pytest.approx(1.2)
    assert report["wall_beside_seat"].value_mm == pytest.approx((6.4 - 4.0 * 2.0**0.5) / 2)
    assert report.verdict == "adequate"


def test_a_bore_wider_than_the_sides_is_refused_though_narrower_than_the_diagonal() -> None:
    report = check(SQUARE, Tube(6.4, 4.6), RULES)
    assert report.verdict == "too thin"
    assert any("falls through" in reason for reason in report.reasons)
    assert report.advice.steps == ()
    assert check(Stone(4.0 * 2.0**0.5), Tube(6.4, 4.6), RULES)["covers_bore"].verdict == "adequate"


def test_no_bur_and_no_punch_are_named() -> None:
    report = check(SQUARE, Tube(6.4, 3.2), RULES)
    assert choose_bur_mm(SQUARE, RULES) is None
    assert report.advice.setting_bur_mm is None
    assert report.advice.bezel_punch_mm is None
    assert any("by hand" in step for step in report.advice.steps)
    assert any("opposite places" in step for step in report.advice.steps)


def test_the_tube_to_look_for() -> None:
    wanted = tube_wanted(SQUARE, Tube(6.4, 3.2), RULES)
    assert wanted.outer_at_least_mm > 4.0 * 2.0**0.5
    assert wanted.bore_at_most_mm < 4.0


def test_no_cut_plan() -> None:
    stone = Stone(4.0 * 2.0**0.5, height_mm=2.6, inner_mm=4.0)
    with pytest.raises(ValueError, match=r"for round stones.*stock find"):
        make(stone, Tube(6.4, 3.2), RULES)
    assert written(stone) == "5.66 (circle round it; not round) x 2.60 mm"


def test_the_inner_circle_is_no_larger_than_the_outer_one() -> None:
    with pytest.raises(ValueError, match="can't be larger"):
        Stone(4.0, inner_mm=4.1)
