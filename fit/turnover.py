"""The metal above the girdle that is turned over the crown: how much to leave, and how far it reaches then."""

from __future__ import annotations

from uncertainties import umath

from rimsight.fit.model import Stone, Tube
from rimsight.fit.numbers import Number, nominal
from rimsight.fit.profile import Profile, profile
from rimsight.fit.rules import Rules


def bend_mm(rim_mm: Number, crown_angle_deg: Number) -> Number:
    """Length of metal that goes into the bend when an upright rim is laid on the crown.

    The middle of the rim runs round the girdle's edge on an arc of half the rim's thickness through
    90 degrees - crown angle: plane geometry, the metal neither stretched nor squeezed.
    """
    return rim_mm / 2 * umath.radians(90 - crown_angle_deg)


def cover_percent(metal_mm: Number, rim_mm: Number, of: Profile) -> Number:
    """Share of the crown's slope that the turned edge covers, percent."""
    return 100 * (metal_mm - bend_mm(rim_mm, of.crown_angle_deg)) / of.crown_slope_mm


def metal_above_mm(stone: Stone, tube: Tube, rules: Rules) -> float:
    """Metal to leave above the girdle, mm.

    The middle of the house's limits, moved so that the edge, turned over, covers as much of this crown as the rules
    allow; the house's lower limit comes first.

    Parameters
    ----------
    stone, tube : Stone, Tube
        The thickness of the rim and the slope of the crown count.
    rules : Rules
        House rules.
    """
    diameter_mm = nominal(stone.diameter_mm)
    low = rules.limit("girdle.metal_above_at_least_mm", diameter_mm, tube.metal).value
    high = rules.limit("girdle.metal_above_at_most_mm", diameter_mm, tube.metal).value
    try:
        section = profile(stone, rules, tube.metal)
    except ValueError:  # heights that don't add up say nothing of the crown; who asks for the section is told so
        return (low + high) / 2
    bend = nominal(bend_mm(max(0.0, (nominal(tube.outer_mm) - diameter_mm) / 2), section.crown_angle_deg))
    slope = nominal(section.crown_slope_mm)
    least, most = (
        bend + slope * rules.number(f"crown.cover_at_{end}_percent", tube.metal) / 100 for end in ("least", "most")
    )
    wanted = min(max((low + high) / 2, least), most)
    return min(max(wanted, low), high)
