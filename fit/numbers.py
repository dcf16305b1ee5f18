"""Numbers with an uncertainty, as the fit checker takes and prints them.

A `Number` is a float (taken as exact) or a variable or expression of the library `uncertainties`. Expressions
keep track of what they have in common: two diameters from one photo share its scale, and in their difference, the
rim, that error nearly cancels by itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from statistics import NormalDist
from typing import Any, TypeAlias

from uncertainties import ufloat

#: float, or UFloat of `uncertainties` (which ships no types)
Number: TypeAlias = Any

NORMAL = NormalDist()
K95 = NORMAL.inv_cdf(0.975)  #: coverage factor for 95 %, two-sided
UNTAGGED = "other"  #: budget entry of influences that were given no name
_JSON_DECIMALS = 4
_EXACT_MM = 1e-9  # thinner than an atom: what is left of an uncertainty that cancelled


def within(value_mm: float, half_width_mm: float, name: str) -> Number:
    """A reading known to lie within plus or minus `half_width_mm`, like a caliper's limit of error.

    Evenly spread over that width, so its standard uncertainty is half_width / sqrt(3): JCGM 100:2008, 4.3.7.

    Parameters
    ----------
    value_mm, half_width_mm : float
        Reading and largest error, mm.
    name : str
        Name in the budget.
    """
    return _variable(value_mm, half_width_mm / math.sqrt(3), name)


def stated(value_mm: float, u95_mm: float, name: str) -> Number:
    """A reading stated as "plus or minus `u95_mm` with 95 %"."""
    return _variable(value_mm, u95_mm / K95, name)


def nominal(x: Number) -> float:
    """Best estimate."""
    estimate: Any = getattr(x, "nominal_value", x)
    return float(estimate)


def standard(x: Number) -> float:
    """Standard uncertainty; 0 for a plain number."""
    return float(getattr(x, "std_dev", 0.0))


def budget(x: Number) -> dict[str, float]:
    """Standard uncertainty that each named influence contributes, largest first."""
    if not hasattr(x, "error_components"):
        return {}
    squares: dict[str, float] = {}
    for variable, component in x.error_components().items():
        name = variable.tag or UNTAGGED
        squares[name] = squares.get(name, 0.0) + float(component) ** 2
    # What cancels exactly (the outer diameter in (outer - (outer - 2 wall)) / 2) is no part of the budget.
    return {name: math.sqrt(square) for name, square in sorted(squares.items(), key=lambda item: -item[1]) if square}


def to_json(x: Number) -> dict[str, Any]:
    """`{"value", "u95", "budget"}`, rounded so that two digits of u95 at least remain."""
    u95 = K95 * standard(x)
    decimals = max(_JSON_DECIMALS, _decimals_for(u95)) if u95 > 0 else _JSON_DECIMALS
    return {
        "value": round(nominal(x), decimals) + 0.0,
        "u95": round(u95, decimals),
        "budget": {name: float(f"{component:.3g}") for name, component in budget(x).items()},
    }


def from_json(record: Mapping[str, Any], name: str) -> Number:
    """Read `{"value", "u95", "budget"}` back, as the archive and other programs hand it on.

    Parameters
    ----------
    record : mapping
        With "value"; with "budget" (standard uncertainties) or, without one, "u95".
    name : str
        Budget name where there is no budget.

    Returns
    -------
    Number
        Independent of every other number, also of those that once shared its photo.

    Raises
    ------
    ValueError
        If there is no finite value, or an uncertainty is negative or not finite.
    """
    try:
        value = float(record["value"])
        components = {str(tag): float(u) for tag, u in (record.get("budget") or {}).items()}
        components = components or {name: float(record.get("u95") or 0.0) / K95}
    except (KeyError, TypeError, ValueError, AttributeError):
        raise ValueError(f"{name}: needs a number under 'value' and numbers under 'u95' or 'budget'") from None
    if not math.isfinite(value) or not all(math.isfinite(u) and u >= 0 for u in components.values()):
        raise ValueError(f"{name}: value and uncertainties must be finite, the latter not negative")
    return value + sum(_variable(0.0, u, tag) for tag, u in components.items())


def in_words(x: Number, unit: str = "mm") -> str:
    """Write "0.190 ± 0.016 mm" (95 %, two digits of the uncertainty), or "0.19 mm" for a plain number."""
    u95 = K95 * standard(x)
    if u95 < _EXACT_MM:
        return f"{nominal(x):.4g} {unit}"
    step = Decimal(1).scaleb(-_decimals_for(u95))
    value, uncertainty = (Decimal(repr(number)).quantize(step, ROUND_HALF_EVEN) for number in (nominal(x), u95))
    return f"{value.copy_abs() if value == 0 else value:f} ± {uncertainty:f} {unit}"


def plain_mm(value: float) -> str:
    """Write a limit or a tool's size without trailing zeros: "0.15 mm", "6 mm"."""
    return f"{round(value, 4) + 0.0:g} mm"


def _variable(value: float, u: float, name: str) -> Number:
    # `uncertainties` warns of variables without an uncertainty; an exact number serves as well.
    return ufloat(value, u, name) if u else value


def _decimals_for(u95: float) -> int:
    return 1 - Decimal(f"{u95:.1e}").adjusted()
