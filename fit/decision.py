"""The decision rule: when a value with an uncertainty keeps to a limit, and when nobody can say.

ISO 14253-1:2017 and JCGM 106:2012 (8.3): against a one-sided limit, a guard band of w = 1.645 u makes a statement
right with a probability of 95 % at least. Inside the band neither "keeps to it" nor "doesn't" is proved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from rimsight.fit.numbers import NORMAL

CONFIDENCE = 0.95  #: ISO 14253-1:2017: the default conformance probability limit
GUARD_FACTOR = NORMAL.inv_cdf(CONFIDENCE)  #: 1.645
# Typed decimals such as 6.42 - 6.12 miss 0.3 by rounding in the 16th digit; a nanometre is nobody's business.
_SAME_MM = 1e-6


class Outcome(Enum):
    """What a check came to."""

    PASS = "pass"
    FAIL = "fail"
    CLOSE = "close"
    NOT_CHECKED = "not checked"


@dataclass(frozen=True)
class Decision:
    """Outcome against one limit.

    Parameters
    ----------
    outcome : Outcome
        Pass, fail or close.
    margin_mm : float
        How far inside the limit the value lies; negative outside.
    guard_band_mm : float
        w = 1.645 u.
    probability : float
        That the true value keeps to the limit.
    """

    outcome: Outcome
    margin_mm: float
    guard_band_mm: float
    probability: float


def decide(value_mm: float, u_mm: float, *, at_least: float | None = None, at_most: float | None = None) -> Decision:
    """Apply the decision rule to one limit.

    Parameters
    ----------
    value_mm, u_mm : float
        Best estimate and its standard uncertainty.
    at_least, at_most : float
        Exactly one of them: the limit, mm.

    Raises
    ------
    ValueError
        If not exactly one limit is given, or the uncertainty is negative.
    """
    if (at_least is None) == (at_most is None):
        raise ValueError("a decision needs exactly one limit, at_least or at_most")
    margin = value_mm - at_least if at_least is not None else (at_most or 0.0) - value_mm
    guard_band = GUARD_FACTOR * u_mm
    if margin >= guard_band - _SAME_MM:
        outcome = Outcome.PASS
    elif margin < -guard_band:
        outcome = Outcome.FAIL
    else:
        outcome = Outcome.CLOSE
    probability = conformance_probability(value_mm, u_mm, at_least=at_least, at_most=at_most)
    return Decision(outcome, margin, guard_band, probability)


def conformance_probability(
    value: float, u: float, *, at_least: float | None = None, at_most: float | None = None
) -> float:
    """Probability that the true value keeps to the limits: JCGM 106:2012, 7.2 and 7.3.

    Parameters
    ----------
    value, u : float
        Best estimate and its standard uncertainty, in the unit of the limits; the knowledge of the true value is
        a normal distribution.
    at_least, at_most : float, optional
        One limit or both.

    Returns
    -------
    float
        Between 0 and 1. Without uncertainty 0 or 1.

    Raises
    ------
    ValueError
        If `u` is negative, a number is not finite, or no limit is given.
    """
    if at_least is None and at_most is None:
        raise ValueError("give at_least, at_most or both")
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0):
        raise ValueError(f"value and standard uncertainty must be finite, the latter not negative; found {value}, {u}")
    if u == 0:
        keeps = (at_least is None or value >= at_least - _SAME_MM) and (at_most is None or value <= at_most + _SAME_MM)
        return float(keeps)
    below = _normal_cdf((at_least - value) / u) if at_least is not None else 0.0
    above = _normal_cdf((value - at_most) / u) if at_most is not None else 0.0
    return max(0.0, 1.0 - below - above)


def _normal_cdf(z: float) -> float:
    # erfc keeps its digits in the far tail, where 1 + erf would give 0
    return 0.5 * math.erfc(-z / math.sqrt(2))
