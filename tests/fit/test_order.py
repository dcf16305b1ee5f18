"""Ranking the tubes at hand, what to order, what a cut takes. Limits are common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rimsight.fit import Stone, Tube, check, default_rules, within
from rimsight.fit.gauge import awg_mm
from rimsight.fit.numbers import nominal
from rimsight.fit.order import candidates, own_setting, taken_mm, what_to_order, with_length
from rimsight.fit.rules import from_text

RULES = default_rules()

#: Hypodermic tube, regular wall: gauge, outside, bore in mm.
#: Source: needle gauge comparison chart, http://en.wikipedia.org/wiki/Needle_gauge_comparison_chart
NEEDLES = [
    ("7G", 4.572, 3.810), ("10G", 3.404, 2.692), ("12G", 2.769, 2.159), ("14G", 2.108, 1.600), ("15G", 1.829, 1.372),
    ("16G", 1.651, 1.194), ("18G", 1.270, 0.838), ("19G", 1.067, 0.686),
]


def stone(diameter: float, height: float | None = None) -> Stone:
    return Stone(within(diameter, 0.02, "stone"), height_mm=None if height is None else within(height, 0.02, "height"))


def test_ranking_is_the_checkers() -> None:
    tubes = [("thin", Tube(6.0, 5.1)), ("heavy", Tube(7.6, 5.0)), ("right", Tube(6.5, 5.2)), ("small", Tube(5.0, 4.1))]
    ranked = candidates(stone(6.12, 4.22), tubes, RULES)
    assert [candidate.label for candidate in ranked] == ["right", "heavy", "thin", "small"]
    assert [candidate.report.verdict for candidate in ranked] == ["adequate", "adequate", "too thin", "too thin"]


@pytest.mark.parametrize(
    ("gauge", "verdict"),
    # ledge (outer - 0.22 - bore)/2: 0.195, 0.144, 0.119 mm against 0.15 mm
    [("12G", "adequate"), ("14G", "too close to call"), ("15G", "too thin")],
)
def test_published_tubes_for_a_stone_that_leaves_a_rim(gauge: str, verdict: str) -> None:
    """A rim of 0.11 mm is enough below 3 mm; the needle's thin wall decides by the ledge."""
    outer = next(o for name, o, _ in NEEDLES if name == gauge)
    tubes = [(name, Tube(within(o, 0.01, "od"), within(b, 0.01, "bore"))) for name, o, b in NEEDLES]
    ranked = candidates(Stone(within(outer - 0.22, 0.01, "stone")), tubes, RULES)
    found = next(candidate.report for candidate in ranked if candidate.label == gauge)
    assert found.verdict == verdict
    for candidate in ranked:  # every thinner needle is narrower than this stone or nearly so
        if nominal(candidate.report.tube.outer_mm) < outer:
            assert candidate.report["rim_centred"].verdict == "too thin"


def test_a_tube_that_is_used_up_is_too_short() -> None:
    tubes = [("rest", Tube(6.5, 5.2, length_mm=4.0)), ("rod", Tube(6.5, 5.2, length_mm=100.0))]
    ranked = candidates(stone(6.12, 4.22), tubes, RULES)
    assert [(candidate.label, candidate.taken_mm) for candidate in ranked] == [("rod", 5.3), ("rest", None)]
    assert "too short" in ranked[1].report.headline


@pytest.mark.parametrize(
    ("cut", "left", "taken"),
    [(5.0, 100.0, 5.3), (5.0, 5.3, 5.3), (5.0, 5.2, 5.2), (5.0, 5.0, 5.0)],
)
def test_a_cut_takes_the_kerf_too(cut: float, left: float, taken: float) -> None:
    assert taken_mm(cut, left, 0.3) == pytest.approx(taken)


def test_no_more_is_cut_than_is_left() -> None:
    with pytest.raises(ValueError, match=r"4\.9 mm is left, 5 mm can't be cut"):
        taken_mm(5.0, 4.9, 0.3)


@settings(deadline=None)
@given(st.floats(1.0, 15), st.sampled_from([None, "platinum", "fine silver", "white gold"]))
def test_what_is_ordered_suits(diameter: float, metal: str | None) -> None:
    """The example, and the corners of the window, pass the checker when they are measured with calipers."""
    order = what_to_order(stone(diameter), RULES, metal)
    assert order.example_outer_mm is not None
    assert order.example_wall_mm is not None
    walls = [order.example_wall_mm]
    if order.example_gauge is not None:
        walls.append(awg_mm(order.example_gauge))
    for wall in walls:
        outer, bore = order.example_outer_mm, order.example_outer_mm - 2 * wall
        tube = Tube(within(outer, 0.02, "od"), within(bore, 0.04, "bore"), metal=metal)
        report = check(stone(diameter), tube, RULES)
        assert report.verdict == "adequate"
        assert report["rim_heavy"].verdict != "too heavy"


def test_the_order_names_window_wall_and_length() -> None:
    """ASTM B258: 24 gauge is 0.511 mm."""
    order = what_to_order(stone(6.12, 4.22), RULES)
    for part in ("6.45 to 7.29 mm outside", "bore of 5.58 mm at most", "6.5 mm outside", "0.47 mm or more",
                 "24 gauge is 0.511 mm", "5.3 mm of it"):
        assert part in order.sentence, part
    record = order.to_json()
    assert record["example_gauge"] == 24
    assert record["length_mm"] == 5.3


def test_no_tube_for_a_grain() -> None:
    order = what_to_order(Stone(0.25), RULES)
    assert order.example_outer_mm is None
    assert "too small for a tube" in order.sentence


def test_rules_too_close_together_leave_no_window() -> None:
    mine = from_text("[rim]\nat_least_mm = 0.2\nat_most_mm = 0.21\n")
    order = what_to_order(stone(6.12), mine)
    assert order.example_outer_mm is None
    assert "closer together" in order.sentence


def test_small_stones_are_hardly_worth_a_tube() -> None:
    advisable, reason = own_setting(Stone(1.5), RULES)
    assert not advisable
    assert "hardly advisable for a stone of 1.5 mm" in reason
    assert own_setting(Stone(2.0), RULES)[0]
    assert own_setting(Stone(1.5), from_text("[setting]\nown_from_mm = 1.0\n"))[0]


def test_length_left() -> None:
    tube = with_length(Tube(6.5, 5.2), 30.0, 0.5)
    assert nominal(tube.length_mm) == 30.0
    assert with_length(tube, None, 0.5).length_mm is None
    with pytest.raises(ValueError, match="nothing is left"):
        with_length(tube, 0.0, 0.5)
