"""Uncertainty of a measured quantity: budget, expansion to 95 %, and how the figures are written.

The rules are those of the Guide to the Expression of Uncertainty in Measurement (GUM, JCGM 100:2008). Propagation
itself is done by the library `uncertainties`: every influence (print scale, height, edge bias ...) is one of its
variables, named by its tag, and is used in each quantity that it touches. So what two diameters of one photo have
in common cancels in their difference without anybody having to write a covariance down.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from statistics import NormalDist
from types import MappingProxyType
from typing import Any

COVERAGE = 0.95  #: probability of the stated interval
UNTAGGED = "other"  #: budget entry of influences that were given no name
MM_DECIMALS = 4  #: 0.1 um: below any reading made here, so rounding to it loses nothing
# A finite number of degrees of freedom above this gives the normal quantile to 4 digits; GUM G.3.4, table G.2.
LARGE_DOF = 1e6


@dataclass(frozen=True)
class Quantity:
    """A value with its standard uncertainty and where that comes from.

    Parameters
    ----------
    value : float
        Best estimate, in the unit that the name of the holder says (mm, degrees).
    u : float
        Combined standard uncertainty, same unit.
    dof : float
        Effective degrees of freedom; infinite unless readings were few (GUM G.4).
    budget : mapping of str to float
        Component name -> standard uncertainty that it contributes, same unit. The components are independent:
        their root sum of squares is `u`.

    Raises
    ------
    ValueError
        If a number is not finite, an uncertainty is negative, or the budget does not add up to `u`.
    """

    value: float
    u: float
    dof: float = math.inf
    budget: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a quantity needs a finite value, found {self.value}")
        if not (math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"a standard uncertainty must be finite and not negative, found {self.u}")
        if not self.dof > 0:
            raise ValueError(f"degrees of freedom must be above zero, found {self.dof}")
        for name, component in self.budget.items():
            if not (math.isfinite(component) and component >= 0):
                raise ValueError(f"budget entry {name!r} must be finite and not negative, found {component}")
        if self.budget:
            total = combined(self.budget)
            if abs(total - self.u) > 1e-6 * max(total, self.u):
                raise ValueError(f"the budget adds up to {total:.6g}, but the uncertainty given is {self.u:.6g}")
        object.__setattr__(self, "budget", MappingProxyType(dict(self.budget)))

    @classmethod
    def from_budget(
        cls, value: float, budget: Mapping[str, float], *, dof: Mapping[str, float] | None = None
    ) -> Quantity:
        """Combine independent components in quadrature (GUM 5.1.2).

        Parameters
        ----------
        value : float
            Best estimate.
        budget : mapping of str to float
            Standard uncertainty that each component contributes, in the unit of the value.
        dof : mapping of str to float, optional
            Degrees of freedom of components that rest on few readings; the others are taken as well known.
        """
        return cls(value, combined(budget), effective_dof(budget, dof or {}), budget)

    @property
    def k(self) -> float:
        """Coverage factor for 95 %."""
        return coverage_factor(self.dof)

    @property
    def u95(self) -> float:
        """Expanded uncertainty: value - u95 to value + u95 holds the true value with a probability of 95 %."""
        return self.k * self.u

    def to_json(self) -> dict[str, Any]:
        """Give `{"value", "u95", "budget"}` as plain numbers.

        Value and u95 carry 4 decimals, more where u95 would be left with fewer than two digits; budget entries
        are standard uncertainties with three digits, largest first.
        """
        decimals = max(MM_DECIMALS, _decimals_for(self.u95)) if self.u95 > 0 else MM_DECIMALS
        ordered = sorted(self.budget.items(), key=lambda item: -item[1])
        return {
            # `+ 0.0` turns a rounded -0.0 into 0.0
            "value": round(self.value, decimals) + 0.0,
            "u95": round(self.u95, decimals),
            "budget": {name: float(f"{component:.3g}") for name, component in ordered},
        }

    def __str__(self) -> str:
        return format_quantity(self.value, self.u95)


def from_ufloat(x: Any, *, dof: Mapping[str, float] | None = None) -> Quantity:
    """Make a quantity from a number of the library `uncertainties`.

    Parameters
    ----------
    x : uncertainties.UFloat or float
        The result of a calculation with tagged variables, `ufloat(value, u, tag="print scale")`. Variables of the
        same tag are one entry of the budget; those without a tag are put under "other".
    dof : mapping of str to float, optional
        Degrees of freedom by tag.

    Returns
    -------
    Quantity
        With the budget grouped by tag. A plain float has no uncertainty and an empty budget.
    """
    if not hasattr(x, "error_components"):
        return Quantity(float(x), 0.0)
    squares: dict[str, float] = {}
    for variable, component in x.error_components().items():
        tag = variable.tag or UNTAGGED
        squares[tag] = squares.get(tag, 0.0) + component**2
    # What cancels exactly, such as a common scale in a ratio, is no part of the budget.
    budget = {tag: math.sqrt(square) for tag, square in squares.items() if square}
    return Quantity.from_budget(float(x.nominal_value), budget, dof=dof)


def combined(components: Mapping[str, float]) -> float:
    """Root sum of squares of independent components."""
    return math.hypot(*components.values())


def effective_dof(components: Mapping[str, float], dof: Mapping[str, float]) -> float:
    """Welch-Satterthwaite formula, GUM G.4.1 eq. (G.2b).

    Parameters
    ----------
    components : mapping of str to float
        Contributed standard uncertainties, all in one unit.
    dof : mapping of str to float
        Degrees of freedom by component; a missing one is infinite.

    Returns
    -------
    float
        Effective degrees of freedom, not truncated; infinite if every component is well known.
    """
    total = combined(components)
    if total == 0:
        return math.inf
    # Relative first: fourth powers of micrometres in metres would underflow.
    weight = sum((u / total) ** 4 / dof[name] for name, u in components.items() if name in dof)
    return 1 / weight if weight > 0 else math.inf


def coverage_factor(dof: float = math.inf, level: float = COVERAGE) -> float:
    """Factor k for a two-sided interval: Student's t, or the normal distribution for infinitely many degrees.

    Degrees of freedom that are not whole are truncated, the cautious one of the two ways of GUM G.4.1.
    """
    return quantile((1 + level) / 2, dof)


def quantile(probability: float, dof: float = math.inf) -> float:
    """Quantile of Student's t distribution with truncated degrees of freedom, or of the normal distribution.

    Parameters
    ----------
    probability : float
        Between 0 and 1.
    dof : float
        Degrees of freedom, above zero; below 1 counts as 1.
    """
    if dof > LARGE_DOF:
        return NormalDist().inv_cdf(probability)
    from scipy.special import stdtrit  # a quarter of a second to load, and hardly ever needed

    return float(stdtrit(max(1, math.floor(dof)), probability))


def guard_band(u: float, *, level: float = COVERAGE, dof: float = math.inf) -> float:
    """One-sided guard band w = 1.645 u (95 %): JCGM 106:2012, 8.3; ISO 14253-1:2017.

    A value at least w inside a one-sided limit conforms with a probability of at least `level`.
    """
    return quantile(level, dof) * u


def type_a(readings: Sequence[float]) -> tuple[float, float, int]:
    """Mean, its standard uncertainty and the degrees of freedom of repeated readings (GUM 4.2).

    Raises
    ------
    ValueError
        If there are fewer than two readings.
    """
    n = len(readings)
    if n < 2:
        raise ValueError(f"a spread needs two readings at least, found {n}")
    mean = math.fsum(readings) / n
    # Two passes: the short-cut formula loses all digits on readings such as 196.3052, 196.1240, ...
    variance = math.fsum((reading - mean) ** 2 for reading in readings) / (n - 1)
    return mean, math.sqrt(variance / n), n - 1


def from_half_width(half_width: float, shape: str = "uniform") -> float:
    """Standard uncertainty of "between -a and +a, and nothing more is known" (GUM 4.3.7, 4.3.9).

    Parameters
    ----------
    half_width : float
        a.
    shape : {"uniform", "triangular", "arcsine"}
        Divisor sqrt(3), sqrt(6) or sqrt(2).
    """
    divisors = {"uniform": 3.0, "triangular": 6.0, "arcsine": 2.0}
    if shape not in divisors:
        raise ValueError(f"shape must be one of {', '.join(divisors)}, found {shape!r}")
    return half_width / math.sqrt(divisors[shape])


def from_interval(half_width: float, level: float = COVERAGE) -> float:
    """Standard uncertainty of a normal quantity stated as "+- half_width with probability level" (GUM 4.3.4, 4.3.5)."""
    return half_width / NormalDist().inv_cdf((1 + level) / 2)


def from_display_step(step: float) -> float:
    """Standard uncertainty of a reading from a display whose last digit moves by `step`: 0.29 step (GUM F.2.2.1)."""
    return step / math.sqrt(12)


def format_quantity(value: float, u95: float, unit: str = "") -> str:
    """Write a value rounded by its uncertainty: two digits of the uncertainty, the value to the same place.

    Two digits is the most that GUM 7.2.6 allows and never loses more than 5 % of the uncertainty. Halves go to the
    even digit, counted on the decimal figures that Python prints.

    Parameters
    ----------
    value, u95 : float
        In the unit named.
    unit : str
        Put behind, if given.

    Returns
    -------
    str
        Such as "6.123 ± 0.012"; outside 1e-9 to 1e9 with one common power of ten, "(1.230 ± 0.012)e-15".

    Examples
    --------
    >>> format_quantity(6.12345, 0.01234)
    '6.123 ± 0.012'
    >>> format_quantity(6.1, 0.0996, "mm")
    '6.10 ± 0.10 mm'
    """
    behind = f" {unit}" if unit else ""
    if not (math.isfinite(value) and math.isfinite(u95) and u95 >= 0):
        raise ValueError(f"can't write {value} ± {u95}: both must be finite, the uncertainty not negative")
    if u95 == 0:
        return f"{value:.10g}{behind}"
    largest = max(abs(value), u95)
    exponent = 0 if 1e-9 <= largest < 1e9 else Decimal(repr(largest)).adjusted()
    decimals = _decimals_for(u95) + exponent
    power = Decimal(1).scaleb(-exponent)
    step = Decimal(1).scaleb(-decimals)
    # Enough digits for a value of 1e308 beside an uncertainty of 5e-324; the default of 28 would raise.
    from decimal import localcontext

    with localcontext() as context:
        context.prec = 700
        texts = [
            f"{_no_minus_zero((Decimal(repr(number)) * power).quantize(step, ROUND_HALF_EVEN)):f}"
            for number in (value, u95)
        ]
    plain = " ± ".join(texts)
    if exponent:
        return f"({plain})e{exponent:+03d}{behind}"
    return f"{plain}{behind}"


def _decimals_for(u95: float) -> int:
    """Decimals that leave two digits of the uncertainty, after rounding (0.0996 -> 0.10: 2; 123 -> 120: -1)."""
    rounded = Decimal(f"{u95:.1e}")
    return 1 - rounded.adjusted()


def _no_minus_zero(number: Decimal) -> Decimal:
    return number.copy_abs() if number == 0 else number
