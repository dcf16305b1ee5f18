"""Figures for the bench. Facts of the trade here are common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimsight.fit import Stone, Tube, check, default_rules, within
from rimsight.fit.advice import (
    CAUTIONS,
    advise,
    choose_bur_mm,
    choose_punch_mm,
    cut_length_mm,
    tube_wanted,
)
from rimsight.fit.rules import from_text

RULES = default_rules()


@pytest.mark.parametrize(
    ("diameter", "bur"),
    [(6.12, 6.0), (6.0, 6.0), (5.99, 5.75), (6.25, 6.25), (1.0, 1.0), (1.04, 1.0), (2.05, 2.0), (50.0, 10.0),
     (0.5, None)],
)
def test_bur_is_at_or_just_under_the_stone(diameter: float, bur: float | None) -> None:
    assert choose_bur_mm(Stone(diameter), RULES) == bur


@given(st.floats(0.7, 20))
def test_bur_is_never_larger_than_the_stone(diameter: float) -> None:
    bur = choose_bur_mm(Stone(diameter), RULES)
    assert bur is not None
    assert bur <= diameter + 1e-9


@pytest.mark.parametrize(("outer", "punch"), [(6.5, 7.0), (6.4, 6.5), (6.41, 7.0), (30.0, None)])
def test_punch_goes_just_over_the_tube(outer: float, punch: float | None) -> None:
    assert choose_punch_mm(Tube(outer), RULES) == punch


@pytest.mark.parametrize(
    ("height", "length"), [(4.22, 5.0), (4.2, 4.5), (4.19, 4.5), (4.21, 5.0), (2.0, 2.5), (0.2, 0.5)]
)
def test_length_is_height_and_clearance_rounded_up(height: float, length: float) -> None:
    assert cut_length_mm(Stone(6.12, height_mm=height), RULES) == length


def test_length_holds_the_uncertainty_of_the_height() -> None:
    """4.19 + 0.30 leaves 0.01 mm to 4.5; a caliper's guard band of 0.019 mm does not fit in."""
    assert cut_length_mm(Stone(6.12, height_mm=within(4.19, 0.02, "height")), RULES) == 5.0
    assert cut_length_mm(Stone(6.12), RULES) is None


@settings(deadline=None)
@given(st.floats(1, 10), st.floats(0.3, 0.8))
def test_the_advised_length_passes_its_own_check(diameter: float, share: float) -> None:
    stone = Stone(within(diameter, 0.02, "stone"), height_mm=within(diameter * share, 0.02, "height"))
    length = cut_length_mm(stone, RULES)
    assert check(stone, Tube(diameter + 1, length_mm=length), RULES)["tube_length"].verdict == "adequate"


@settings(deadline=None)
@given(st.floats(1.5, 12))
def test_the_tube_to_look_for_passes_its_own_check(diameter: float) -> None:
    stone = Stone(within(diameter, 0.02, "stone"))
    wanted = tube_wanted(stone, Tube(within(9, 0.02, "od"), within(1, 0.04, "bore")), RULES)
    for outer in (wanted.outer_at_least_mm + 1e-6, wanted.outer_at_most_mm - 1e-6):
        tube = Tube(within(outer, 0.02, "od"), within(wanted.bore_at_most_mm - 1e-6, 0.04, "bore"))
        report = check(stone, tube, RULES)
        assert report.verdict == "adequate"
        assert report["rim_heavy"].verdict == "not too heavy"


@settings(deadline=None)
@given(st.floats(1.5, 12))
def test_the_advised_seat_leaves_metal_to_turn_over(diameter: float) -> None:
    stone = Stone(diameter, girdle_mm=0.03 * diameter)
    seat = advise(stone, Tube(diameter + 0.6, diameter - 0.6), RULES).seat_depth_mm
    report = check(stone, Tube(diameter + 0.6, diameter - 0.6, seat_depth_mm=seat), RULES)
    assert report["metal_above_girdle"].verdict == "adequate"
    assert report["metal_above_girdle_most"].verdict == "not too much"


def test_steps_say_what_the_figures_say() -> None:
    advice = advise(Stone(6.12, height_mm=4.22), Tube(6.5, 5.23, length_mm=4.0), RULES)
    text = " ".join(advice.steps)
    for figure in ("Cut 5 mm", "piece at hand has 4 mm", "bur of 6 mm", "0.12 mm under the stone", "punch of 7 mm"):
        assert figure in text
    assert "own size" in " ".join(advise(Stone(6.0), Tube(6.5, 5.23), RULES).steps)
    assert "pusher and burnisher" in " ".join(advise(Stone(20.0), Tube(21, 18), RULES).steps)
    own = from_text("[bur]\nsizes_mm = [3.0]\n")
    assert "only turn in the bore" in " ".join(advise(Stone(6.12), Tube(6.5, 5.23), own).steps)


def test_the_usual_cautions_are_said_once() -> None:
    advice = advise(Stone(6.12), Tube(6.5, 5.23), RULES)
    assert advice.cautions == CAUTIONS
    text = " ".join(CAUTIONS)
    for word in ("clear the table", "eye", "dust", "heat", "pickle", "local safety rules", "qualified"):
        assert text.count(word) == 1, word


def test_a_stone_too_small_for_any_bore() -> None:
    sentence = tube_wanted(Stone(0.25), Tube(0.6), RULES).sentence
    assert "too small for a tube" in sentence


def test_a_closed_back_is_cut_shorter() -> None:
    """4.31 + 0.20 needs 5.0, 4.3 + 0.20 makes 4.5 exactly."""
    assert cut_length_mm(Stone(6.12, height_mm=4.3), RULES, closed_back=True) == 4.5
    assert cut_length_mm(Stone(6.12, height_mm=4.31), RULES, closed_back=True) == 5.0
    assert advise(Stone(6.12, height_mm=4.25), Tube(6.5, 5.23, closed_back=True), RULES).cut_length_mm == 4.5
