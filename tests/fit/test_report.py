"""The fit checker as a whole: the worked case of the bench, verdicts, how they combine, and what holds always."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from rimsight.fit import FitReport, Placed, Stone, Tube, check, default_rules, rank, within
from rimsight.fit.decision import Outcome, decide
from rimsight.fit.numbers import standard
from rimsight.fit.report import summary
from rimsight.fit.rules import from_text

RULES = default_rules()
OUTSIDE, INSIDE = 0.02, 0.04  # DIN 862


def typed_stone(diameter: float, **more: float) -> Stone:
    return Stone(
        within(diameter, OUTSIDE, "stone"), **{name: within(value, OUTSIDE, name) for name, value in more.items()}
    )


def typed_tube(outer: float, bore: float | None = None, metal: str | None = None, **more: float) -> Tube:
    return Tube(
        within(outer, OUTSIDE, "od"), None if bore is None else within(bore, INSIDE, "bore"), metal=metal,
        **{name: within(value, OUTSIDE, name) for name, value in more.items()},
    )


# --- the worked case: common practice, no source -----------------------------------------------------------------


def worked_case() -> FitReport:
    stone = typed_stone(6.12, height_mm=4.22)
    tube = Tube.from_wall(within(6.5, OUTSIDE, "od"), within(0.635, OUTSIDE, "wall"), metal="silver")
    return check(stone, tube, RULES)


def test_worked_case_is_adequate() -> None:
    report = worked_case()
    assert report.verdict == "adequate"
    rim = report["rim_centred"]
    assert rim.value_mm is not None
    assert rim.value_mm.nominal_value == pytest.approx(0.19)
    # two caliper readings of +-0.02 mm, evenly spread, halved: 0.02/sqrt(3)*sqrt(2)/2
    assert standard(rim.value_mm) == pytest.approx(0.00816, abs=1e-5)
    assert rim.decision is not None
    assert rim.decision.probability > 0.999


def test_worked_case_gives_the_figures_of_the_bench() -> None:
    advice = worked_case().advice
    assert advice.cut_length_mm == 5.0
    assert advice.setting_bur_mm == 6.0
    assert advice.bezel_punch_mm == 7.0


@pytest.mark.parametrize(("outer", "bore"), [(5.0, 4.1), (6.0, 5.1)])
def test_worked_case_refuses_the_smaller_tubes(outer: float, bore: float) -> None:
    report = check(typed_stone(6.12, height_mm=4.22), typed_tube(outer, bore), RULES)
    assert report.verdict == "too thin"
    assert "narrower than the stone" in report.reasons[0]
    assert report.advice.setting_bur_mm is None
    assert report.advice.cut_length_mm is None
    # what to look for is said all the same
    assert report.advice.tube_wanted.outer_at_least_mm == pytest.approx(6.45, abs=0.005)


# --- single checks -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "stone", "tube", "value", "word"),
    [
        ("rim_centred", typed_stone(6.12), typed_tube(6.5, 5.2), 0.19, "adequate"),
        ("rim_centred", typed_stone(6.12), typed_tube(6.35, 5.2), 0.115, "too thin"),
        ("rim_centred", typed_stone(6.12), typed_tube(6.43, 5.2), 0.155, "too close to call"),
        ("covers_bore", typed_stone(6.12), typed_tube(6.5, 5.2), 0.92, "adequate"),
        ("covers_bore", typed_stone(6.12), typed_tube(6.5, 6.3), -0.18, "falls through"),
        ("covers_bore", typed_stone(6.12), typed_tube(6.5, 6.1), 0.02, "too close to call"),
        ("ledge", typed_stone(6.12), typed_tube(6.5, 5.9), 0.11, "too narrow"),
        ("ledge", typed_stone(2.5), typed_tube(2.9, 2.1), 0.20, "adequate"),
        ("wall_beside_seat", typed_stone(6.12), typed_tube(6.5, 5.2), 0.25, "adequate"),
        ("wall_beside_seat", typed_stone(6.12), typed_tube(6.15, 5.2), 0.075, "too thin"),
        ("tube_length", typed_stone(6.12, height_mm=4.22), typed_tube(6.5, 5.2, length_mm=5.0), 0.78, "adequate"),
        ("tube_length", typed_stone(6.12, height_mm=4.22), typed_tube(6.5, 5.2, length_mm=4.4), 0.18, "too short"),
        ("rim_heavy", typed_stone(6.12), typed_tube(7.0, 5.2), 0.44, "not too heavy"),
        ("rim_heavy", typed_stone(6.12), typed_tube(7.6, 5.2), 0.74, "too heavy"),
        ("metal_above_girdle", typed_stone(6.12, girdle_mm=0.2), typed_tube(6.5, 5.2, seat_depth_mm=0.6), 0.4,
         "adequate"),
        ("metal_above_girdle", typed_stone(6.12, girdle_mm=0.2), typed_tube(6.5, 5.2, seat_depth_mm=0.3), 0.1,
         "too little"),
        ("metal_above_girdle_most", typed_stone(6.12, girdle_mm=0.2), typed_tube(6.5, 5.2, seat_depth_mm=1.2), 1.0,
         "too much"),
    ],
)
def test_each_check_in_its_own_words(name: str, stone: Stone, tube: Tube, value: float, word: str) -> None:
    result = check(stone, tube, RULES)[name]
    assert result.verdict == word
    assert result.value_mm is not None
    assert result.value_mm.nominal_value == pytest.approx(value)
    assert result.sentence.endswith(".")
    assert word.split()[-1] in result.sentence


def test_a_bore_known_by_its_wall_gives_the_same_ledge() -> None:
    by_wall = check(typed_stone(6.12), Tube.from_wall(within(6.5, OUTSIDE, "od"), 0.65), RULES)["ledge"]
    by_bore = check(typed_stone(6.12), typed_tube(6.5, 5.2), RULES)["ledge"]
    assert by_wall.value_mm is not None
    assert by_bore.value_mm is not None
    assert by_wall.value_mm.nominal_value == pytest.approx(by_bore.value_mm.nominal_value)


def test_girdle_not_measured_is_taken_wide() -> None:
    """3 % give or take 2 % of 6.12 mm (house rule): 0.184 mm, u = 0.0707 mm."""
    metal = check(typed_stone(6.12), typed_tube(6.5, 5.2, seat_depth_mm=0.6), RULES)["metal_above_girdle"]
    assert metal.value_mm is not None
    assert metal.value_mm.nominal_value == pytest.approx(0.6 - 0.0306 * 6, abs=1e-3)
    assert standard(metal.value_mm) == pytest.approx(math.hypot(0.0707, 0.0115), abs=2e-3)


def test_what_is_missing_is_not_checked_and_says_why() -> None:
    report = check(Stone(6.12), Tube(6.5), RULES)
    assert report.verdict == "adequate"
    for name, reason in (
        ("covers_bore", "bore or the wall"), ("ledge", "bore or the wall"), ("metal_above_girdle", "depth of the seat"),
        ("tube_length", "the tube's length and the stone's height are not known"),
    ):
        assert report[name].outcome is Outcome.NOT_CHECKED
        assert reason in report[name].sentence
        assert report[name].sentence in report.warnings
    assert "the tube's length is not known" in check(Stone(6.12, height_mm=4), Tube(6.5), RULES)["tube_length"].sentence
    with pytest.raises(KeyError):
        report["no such check"]


def test_no_bur_on_the_list_is_small_enough() -> None:
    report = check(typed_stone(0.5), typed_tube(0.8), RULES)
    assert report["wall_beside_seat"].outcome is Outcome.NOT_CHECKED
    assert report.advice.setting_bur_mm is None
    assert any("by hand" in step for step in report.advice.steps)


# --- out of round, and as placed ---------------------------------------------------------------------------------


def test_a_stone_out_of_round_is_judged_at_its_widest() -> None:
    widest = within(6.30, 0.01, "widest")
    report = check(Stone(within(6.12, 0.01, "stone"), largest_mm=widest), typed_tube(6.5, 5.2), RULES)
    assert report["rim_centred"].verdict == "adequate"
    assert report["rim_at_widest"].verdict == "too thin"
    assert report.verdict == "too thin"


def test_noise_is_not_out_of_round() -> None:
    """The largest of many diameters lies above the mean also on a round stone."""
    stone = Stone(within(6.12, 0.01, "stone"), largest_mm=within(6.13, 0.02, "widest"))
    report = check(stone, typed_tube(6.5, 5.2), RULES)
    assert report["rim_at_widest"].outcome is Outcome.NOT_CHECKED
    assert not any("widest" in warning for warning in report.warnings)


def test_off_centre_is_a_caution_because_the_seat_centres_the_stone() -> None:
    placed = Placed(within(0.08, 0.01, "placed"), smallest_at_clock=4.5, offset_mm=within(0.11, 0.01, "offset"))
    report = check(typed_stone(6.12), typed_tube(6.5, 5.2), RULES, placed=placed)
    assert report.verdict == "adequate"
    assert report["rim_as_placed"].verdict == "off centre"
    caution = report["rim_as_placed"].sentence
    assert "at 4:30" in caution
    assert "shift the stone by 0.11 mm" in caution
    assert caution in report.warnings
    record = report.to_json()
    assert record["rim"]["smallest_at_clock"] == 4.5
    assert record["rim"]["smallest_mm"]["value"] == 0.08


def test_placed_well_needs_no_caution() -> None:
    report = check(typed_stone(6.12), typed_tube(6.5, 5.2), RULES, placed=Placed(within(0.18, 0.01, "placed")))
    assert report["rim_as_placed"].verdict == "adequate"
    assert report["rim_as_placed"].sentence not in report.warnings


# --- how checks combine ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stone", "tube", "verdict", "headline"),
    [
        # all pass
        (typed_stone(6.12), typed_tube(6.5, 5.2), "adequate", "adequate"),
        # one close
        (typed_stone(6.12), typed_tube(6.43, 5.2), "too close to call", "too close to call: rim, centred"),
        # a fail beats a close
        (typed_stone(6.12), typed_tube(6.43, 5.9), "too thin", "too thin: ledge under the stone (too narrow)"),
        # falling through is a fail
        (typed_stone(6.12), typed_tube(6.5, 6.3), "too thin",
         "too thin: stone over the bore (falls through), ledge under the stone (too narrow)"),
        # a short tube is a fail
        (typed_stone(6.12, height_mm=4.2), typed_tube(6.5, 5.2, length_mm=4.0), "too thin",
         "too thin: tube longer than the stone (too short)"),
        # heavy is a caution
        (typed_stone(6.12), typed_tube(7.6, 5.2), "adequate", "adequate"),
    ],
)
def test_overall(stone: Stone, tube: Tube, verdict: str, headline: str) -> None:
    report = check(stone, tube, RULES)
    assert report.verdict == verdict
    assert report.headline == headline
    assert report.reasons
    if verdict != "adequate":
        outcome = Outcome.FAIL if verdict == "too thin" else Outcome.CLOSE
        expected = [result.sentence for result in report.checks if result.decisive and result.outcome is outcome]
        assert list(report.reasons) == expected


def test_too_heavy_is_said() -> None:
    report = check(typed_stone(6.12), typed_tube(7.6, 5.2), RULES)
    assert any("too heavy" in warning for warning in report.warnings)


def test_an_unknown_metal_is_said() -> None:
    report = check(typed_stone(6.12), typed_tube(6.5, 5.2, metal="unobtainium"), RULES)
    assert any("unobtainium" in warning and "platinum" in warning for warning in report.warnings)


def test_metal_and_own_rules_change_the_limit() -> None:
    stone, platinum = typed_stone(6.12), typed_tube(6.43, 5.2, metal="platinum")
    assert check(stone, platinum, RULES).verdict == "adequate"
    strict = check(stone, platinum, from_text("[rim]\nat_least_mm = 0.2\n"))
    assert strict.verdict == "too thin"
    assert strict["rim_centred"].to_json()["rule_from"] == "rules.toml line 2"


# --- JSON --------------------------------------------------------------------------------------------------------


def test_json_is_plain_and_complete() -> None:
    record = json.loads(json.dumps(worked_case().to_json(), allow_nan=False))
    assert record["schema"] == "rimsight/1"
    assert record["stone"]["diameter_mm"] == {"value": 6.12, "u95": 0.0226, "budget": {"stone": 0.0115}}
    assert record["tube"]["bore_diameter_mm"]["value"] == 5.23
    assert record["tube"]["wall_mm"]["value"] == 0.635
    assert record["tube"]["metal"] == "silver"
    assert record["rim"]["centred_mm"] == {"value": 0.19, "u95": 0.016, "budget": {"od": 0.00577, "stone": 0.00577}}
    assert record["verdict"] == "adequate"
    assert record["advice"]["setting_bur_mm"] == 6.0
    rim = next(entry for entry in record["checks"] if entry["name"] == "rim_centred")
    assert rim["limit_mm"] == 0.15
    assert rim["bound"] == "at least"
    assert rim["margin_mm"] == 0.04
    assert rim["rule"] == "rim.at_least_mm"
    assert rim["rule_from"] == "built-in, common practice, no published source"
    assert 0.99 < rim["conformance_probability"] <= 1
    skipped = next(entry for entry in record["checks"] if entry["name"] == "tube_length")
    assert "value_mm" not in skipped
    assert skipped["outcome"] == "not checked"


def test_json_says_what_would_decide() -> None:
    record = check(typed_stone(6.12), typed_tube(6.44, 5.2), RULES).to_json()
    decided_by = record["checks"][0]["decided_by"]
    assert decided_by["tool"] == "micrometer"
    assert decided_by["u95_needed_mm"] == pytest.approx(0.01 / 1.645 * 1.96, abs=1e-4)
    assert decided_by["u95_mm"] == pytest.approx(0.016, abs=1e-4)


# --- ranking -----------------------------------------------------------------------------------------------------


def test_tubes_in_the_drawer_are_ranked() -> None:
    drawer = {
        "5.0": typed_tube(5.0, 4.1), "6.0": typed_tube(6.0, 5.1), "6.43": typed_tube(6.43, 5.2),
        "6.5": typed_tube(6.5, 5.23), "6.8": typed_tube(6.8, 5.3), "7.9": typed_tube(7.9, 5.3),
        "6.5 wide": typed_tube(6.5, 6.3),
    }
    ranked = rank(typed_stone(6.12), list(drawer.items()), RULES)
    names = [name for name, _ in ranked]
    assert names[:4] == ["6.5", "6.8", "7.9", "6.43"]  # the heavy one behind, the close one behind that
    # lacking 0.21 mm of rim, 0.34 mm of ledge, 0.71 mm of rim
    assert names[4:] == ["6.0", "6.5 wide", "5.0"]
    assert summary(ranked[0][1]) == "6.12 mm stone on 6.5 mm tube: adequate"


# --- what holds always -------------------------------------------------------------------------------------------

ORDER = {"too thin": 0, "too close to call": 1, "adequate": 2}
diameters = st.floats(1.0, 15.0).map(lambda x: round(x, 3))


@settings(deadline=None)
@given(diameters, st.floats(-0.5, 1.5), st.floats(0, 1.0), st.floats(0.2, 3))
def test_verdict_never_falls_as_the_tube_grows(diameter: float, extra: float, more: float, ledge: float) -> None:
    """The same stone and bore: a larger outside can only help (heaviness is a caution, not a verdict)."""
    bore = max(0.05, diameter - ledge)
    outer = diameter + extra
    if outer <= bore:
        return
    smaller = check(typed_stone(diameter), typed_tube(outer, bore), RULES).verdict
    larger = check(typed_stone(diameter), typed_tube(outer + more, bore), RULES).verdict
    assert ORDER[larger] >= ORDER[smaller]


@settings(deadline=None)
@given(diameters, st.floats(-0.5, 1.5), st.floats(0.2, 3), st.floats(0, 0.05), st.floats(0, 0.1))
def test_uncertainty_only_moves_a_verdict_to_or_from_close(
    diameter: float, extra: float, ledge: float, half_width: float, more: float
) -> None:
    outer, bore = diameter + extra, max(0.05, diameter - ledge)
    if outer <= bore:
        return

    def outcomes(half: float) -> dict[str, Outcome]:
        report = check(
            Stone(within(diameter, half, "stone")), Tube(within(outer, half, "od"), within(bore, half, "bore")), RULES
        )
        return {result.name: result.outcome for result in report.checks}

    sure, unsure = outcomes(half_width), outcomes(half_width + more)
    for name, outcome in unsure.items():
        assert outcome in (sure[name], Outcome.CLOSE), name


@settings(deadline=None)
@given(diameters, st.floats(-0.3, 1.0), st.floats(0.5, 20))
def test_a_common_scale_error_matters_little_for_the_rim(diameter: float, extra: float, percent: float) -> None:
    """Two diameters of one photo: the rim's relative uncertainty is the scale's, not that of the diameters."""
    scale = ufloat(1, percent / 100, "scale")
    report = check(Stone(diameter * scale), Tube((diameter + extra) * scale), RULES)
    rim = report["rim_centred"].value_mm
    assert standard(rim) == pytest.approx(abs(extra) / 2 * percent / 100, abs=1e-9)


def test_at_the_limit_few_are_called_adequate() -> None:
    """ISO 14253-1: a tube whose true rim is at its limit is called adequate in 5 % of readings.

    Caliper errors drawn as the checker supposes them, evenly within +-0.02 mm, make a triangular sum; of that,
    (1 - 1.645/sqrt(6))^2 / 2 = 5.39 % lie beyond 1.645 u, where a normal distribution has 5.00 %.
    """
    generator = np.random.default_rng(3)
    n = 20_000
    errors = generator.uniform(-OUTSIDE, OUTSIDE, (2, n))
    rims = 0.15 + (errors[0] - errors[1]) / 2
    u = OUTSIDE / math.sqrt(3) / math.sqrt(2)
    calls = [decide(float(rim), u, at_least=0.15).outcome for rim in rims]
    spread = 3 * math.sqrt(0.0539 * 0.9461 / n)
    assert calls.count(Outcome.PASS) / n == pytest.approx(0.0539, abs=spread)
    assert calls.count(Outcome.FAIL) / n == pytest.approx(0.0539, abs=spread)


def test_a_closed_back_has_its_own_clearance() -> None:
    """0.30 mm over the skin, 0.20 mm over a plate: common practice, no source."""
    stone = Stone(6.12, height_mm=4.22)
    for closed, length, word in ((False, 4.45, "too short"), (True, 4.45, "adequate"), (True, 4.4, "too short")):
        tube = Tube(6.5, 5.23, length_mm=length, closed_back=closed)
        assert check(stone, tube, RULES)["tube_length"].verdict == word
    low = check(stone, Tube(6.5, 5.23, length_mm=4.0, closed_back=True), RULES)["tube_length"]
    assert "stand on the plate" in low.sentence
