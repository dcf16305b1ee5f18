"""What a check-up concludes from its readings."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rimsight.calibration.edge_bias import LARGEST_BIAS_PX, Outcome, Trial, analyse

PX_PER_MM = 25.0
TRIAL = Trial("a.jpg", "1", 6.0, 0.05, PX_PER_MM, 0.003, 0.010, 0.002, 0.12, 0.04)


def trials(values: list[list[float]], like: Trial = TRIAL) -> list[Trial]:
    return [
        replace(like, photo=f"{p}-{k}.jpg", placing=str(p), value_mm=value)
        for p, group in enumerate(values)
        for k, value in enumerate(group)
    ]


def steady(bias_mm: float, *, spread_mm: float = 0.001) -> Outcome:
    values = [[6.0 + bias_mm + spread_mm * s for s in (-1, 1, 0)] for _ in range(3)]
    return analyse(trials(values), 6.0, 0.002)


def test_figures_by_hand() -> None:
    """Two placings of two: mean 6.005, s_r = 0.002 sqrt(1/2), MS between = 2 (0.003^2) 2 = 3.6e-5."""
    outcome = analyse(trials([[6.001, 6.003], [6.007, 6.009]]), 6.0, 0.00392)
    assert outcome.bias_mm == pytest.approx(0.005, abs=1e-12)
    assert outcome.spread.s_r == pytest.approx(0.002 / math.sqrt(2))
    assert outcome.spread.ms_between == pytest.approx(3.6e-5)
    # The mean's uncertainty sqrt(3.6e-5 / 4) with t(1) = 12.706 in place of 1.96, and 0.002 of the figure.
    assert outcome.u_bias_mm == pytest.approx(math.hypot(0.003 * 12.706 / 1.95996, 0.002), rel=1e-4)
    assert outcome.u_edge_bias_mm == pytest.approx(math.hypot(outcome.u_bias_mm, 0.002))
    assert outcome.bias_px == pytest.approx(0.005 * PX_PER_MM / 2)
    assert outcome.held == 4
    assert outcome.largest_e_n == pytest.approx(0.009 / math.hypot(0.05, 0.00392))


def test_intervals_that_miss_are_counted_and_believed_no_more() -> None:
    tight = replace(TRIAL, u95_mm=0.004)
    good = analyse(trials([[6.001, 6.003, 5.999], [5.998, 6.002, 6.0]], tight), 6.0, 0.002)
    assert (good.held, good.intervals_hold) == (6, True)
    bad = analyse(trials([[6.011, 6.013, 6.009], [6.001, 6.012, 6.0]], tight), 6.0, 0.002)
    assert (bad.held, bad.intervals_hold) == (2, False)
    assert abs(bad.largest_e_n) == pytest.approx(0.013 / math.hypot(0.004, 0.002))


def test_a_steady_bias_replaces_the_default() -> None:
    outcome = steady(0.010)
    bias = outcome.edge_bias("outer", "the check-up")
    assert bias is not None
    assert bias.value_px == pytest.approx(0.125)
    assert bias.u_px < TRIAL.default_px
    assert bias.print_scale_px == pytest.approx(0.003 * PX_PER_MM / 2)
    assert bias.focal_px == pytest.approx(0.010 * PX_PER_MM / 2)
    assert bias.u_px**2 == pytest.approx((PX_PER_MM / 2) ** 2 * (outcome.u_edge_bias_mm**2 + outcome.spread.s_R**2))


def test_what_is_no_bias_of_edges_is_not_corrected() -> None:
    outcome = steady(1.2 * 2 * LARGEST_BIAS_PX / PX_PER_MM)
    assert "look for its cause" in outcome.obstacle
    assert outcome.edge_bias("outer", "") is None


def test_a_check_up_that_knows_less_than_the_default_leaves_it() -> None:
    told = steady(0.010, spread_mm=0.03).obstacle
    assert "the default is 0.12 px" in told
    assert "more placings" in told
    vague = analyse(trials([[6.0, 6.001], [6.0, 6.001]]), 6.0, 0.05)
    assert "known better (--u95)" in vague.obstacle
    high = analyse(trials([[6.0, 6.001], [6.0, 6.001]], replace(TRIAL, other_mm=0.05)), 6.0, 0.002)
    assert "--length" in high.obstacle


@pytest.mark.parametrize("figure", [(0.0, 0.1), (6.0, 0.0), (math.nan, 0.1), (6.0, math.inf), (-6.0, 0.1)])
def test_no_figure(figure: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="above zero"):
        analyse(trials([[6.0, 6.1], [6.0, 6.1]]), *figure)


@pytest.mark.parametrize("s_placing_mm", [0.0, 0.003])
def test_the_bias_lies_within_its_interval(s_placing_mm: float) -> None:
    """Simulated check-ups of three placings of four on a part whose figure is off by its own uncertainty."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(3000):
        true_bias, figure_error = 0.008, rng.normal(0, 0.001)
        values = [
            list(6.0 + figure_error + true_bias + rng.normal(0, s_placing_mm) + rng.normal(0, 0.002, 4))
            for _ in range(3)
        ]
        outcome = analyse(trials(values), 6.0, 1.96 * 0.001)
        inside += abs(outcome.bias_mm - true_bias) <= outcome.u95_bias_mm
    assert 0.93 <= inside / 3000 <= 0.99
