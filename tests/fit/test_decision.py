"""The decision rule and the conformance probability against JCGM 106:2012.

The ball bearings of 9.5.4 were compared with a public re-calculation (the suncal project's notebook); the two
examples of 7.3.3 are remembered and come out of the formula to all printed digits.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from rimsight.fit.decision import GUARD_FACTOR, Outcome, conformance_probability, decide

# --- JCGM 106:2012, 7.3.3 (from memory) --------------------------------------------------------------------------


def test_jcgm_106_zener_diode() -> None:
    """7.3.3, example 1: breakdown voltage -5.47 V, u 0.05 V, at most -5.40 V: 91.92 %."""
    assert conformance_probability(-5.47, 0.05, at_most=-5.40) == pytest.approx(0.9192, abs=5e-5)


def test_jcgm_106_burst_strength() -> None:
    """7.3.3, example 2: 509.7 kPa, u 8.6 kPa, at least 490 kPa: 98.90 %."""
    assert conformance_probability(509.7, 8.6, at_least=490) == pytest.approx(0.9890, abs=5e-5)


# --- JCGM 106:2012, 9.5.4: ball bearings -------------------------------------------------------------------------

LIMIT_UM = 2.0
U_UM = 0.25
RADIAL_ERROR = stats.gamma(a=4, scale=0.25)  # the process, in micrometres


def false_accept(acceptance_limit_um: float) -> float:
    """Probability that a bearing is out and its reading is accepted."""
    # Seen from a true value, readings are spread like true values seen from a reading: the same function serves.
    value, _ = integrate.quad(
        lambda true: RADIAL_ERROR.pdf(true) * conformance_probability(true, U_UM, at_most=acceptance_limit_um),
        LIMIT_UM, 20, epsabs=1e-12, limit=200,
    )
    return float(value)


def test_jcgm_106_ball_bearings() -> None:
    assert RADIAL_ERROR.sf(LIMIT_UM) == pytest.approx(0.04238, abs=5e-6)
    assert false_accept(LIMIT_UM) == pytest.approx(0.008019, abs=5e-7)


def test_jcgm_106_ball_bearings_guarded() -> None:
    """A guard band of 0.32817 um brings the consumer's risk to 0.1 %."""
    assert false_accept(LIMIT_UM - 0.32817) == pytest.approx(0.001, abs=1e-7)


# --- the rule itself ---------------------------------------------------------------------------------------------


def test_guard_factor_is_the_95_percent_quantile() -> None:
    assert pytest.approx(1.645, abs=5e-4) == GUARD_FACTOR


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        # u = 0.01, w = 0.01645, limit 0.15
        (0.1665, Outcome.PASS), (0.1664, Outcome.CLOSE), (0.15, Outcome.CLOSE), (0.1336, Outcome.CLOSE),
        (0.1335, Outcome.FAIL), (-1.0, Outcome.FAIL), (9.0, Outcome.PASS),
    ],
)
def test_three_outcomes_and_their_borders(value: float, outcome: Outcome) -> None:
    assert decide(value, 0.01, at_least=0.15).outcome is outcome
    # mirrored for an upper limit
    assert decide(0.30 - value, 0.01, at_most=0.15).outcome is outcome


def test_without_uncertainty_there_is_nothing_to_call_close() -> None:
    assert decide(0.15, 0.0, at_least=0.15).outcome is Outcome.PASS
    assert decide((6.42 - 6.12) / 2, 0.0, at_least=0.15).outcome is Outcome.PASS  # 0.1499999999999999 in binary
    assert decide(0.1499, 0.0, at_least=0.15).outcome is Outcome.FAIL


def test_wrong_calls() -> None:
    with pytest.raises(ValueError, match="exactly one limit"):
        decide(1, 0.1)
    with pytest.raises(ValueError, match="exactly one limit"):
        decide(1, 0.1, at_least=0, at_most=2)
    with pytest.raises(ValueError, match="at_least, at_most or both"):
        conformance_probability(1, 0.1)
    for value, u in ((math.nan, 0.1), (1, math.inf), (1, -0.1)):
        with pytest.raises(ValueError, match="finite"):
            conformance_probability(value, u, at_least=0)


@given(
    st.floats(-5, 5), st.floats(1e-6, 1.0), st.floats(-5, 5), st.sampled_from(["at_least", "at_most"])
)
def test_outcome_and_probability_tell_the_same(value: float, u: float, limit: float, side: str) -> None:
    decision = decide(value, u, **{side: limit})
    if decision.outcome is Outcome.PASS:
        # a micrometre-thousandth of slack at the border, see the module
        assert decision.probability >= 0.95 - 0.11 * 1e-6 / u
    elif decision.outcome is Outcome.FAIL:
        assert decision.probability < 0.05
    else:
        assert 0.05 - 1e-12 <= decision.probability <= 0.95 + 1e-12


@given(st.floats(-1, 1), st.floats(0, 0.2), st.floats(0, 0.2))
def test_uncertainty_moves_outcomes_to_or_from_close_only(value: float, u: float, more: float) -> None:
    """A less certain reading of the same value may become undecided, never the opposite."""
    sure = decide(value, u, at_least=0.15).outcome
    unsure = decide(value, u + more, at_least=0.15).outcome
    assert unsure in (sure, Outcome.CLOSE)


def test_two_limits() -> None:
    inside = conformance_probability(0.0, 1.0, at_least=-1.96, at_most=1.96)
    assert inside == pytest.approx(0.95, abs=1e-4)
    assert conformance_probability(0.0, 0.0, at_least=-1, at_most=1) == 1.0
    assert conformance_probability(2.0, 0.0, at_least=-1, at_most=1) == 0.0


def test_the_far_tail_keeps_its_digits() -> None:
    # NIST/any table: the standard normal tail at 10 is 7.62e-24
    assert conformance_probability(10.0, 1.0, at_most=0.0) == pytest.approx(0.0, abs=1e-15)
    assert conformance_probability(-10.0, 1.0, at_least=0.0) >= 0.0
