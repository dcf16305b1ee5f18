"""Which tube of several for a stone, what to order when none suits, and whether a stone is worth a tube of its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from rimsight.fit.advice import TubeWanted, cut_length_mm, tube_wanted
from rimsight.fit.gauge import THICKEST, THINNEST, awg_mm
from rimsight.fit.model import Stone, Tube
from rimsight.fit.numbers import nominal, plain_mm, within
from rimsight.fit.report import FitReport, rank
from rimsight.fit.rules import Rules

_STEP_MM = 0.1  #: tubes for an example are named in tenths


@dataclass(frozen=True)
class Candidate:
    """One tube at hand, judged for a stone.

    Parameters
    ----------
    label : str
        Its name in the stock.
    report : FitReport
        Of the shared checker, with the length that is left as the tube's length.
    taken_mm : float, optional
        What the cut takes off, the saw's kerf included; None without the stone's height or a length on record.
    """

    label: str
    report: FitReport
    taken_mm: float | None


@dataclass(frozen=True)
class Order:
    """What to ask a supplier for.

    Parameters
    ----------
    wanted : TubeWanted
        Window of outer diameters and the largest bore, by the rules, for caliper readings.
    length_mm : float, optional
        Needed for one setting, with the saw's kerf; None without the stone's height.
    example_outer_mm, example_wall_mm : float, optional
        The smallest tube in tenths that suits, and the thinnest wall for it.
    example_gauge : int, optional
        The next wire gauge that is no thinner (ASTM B258).
    """

    wanted: TubeWanted
    length_mm: float | None
    example_outer_mm: float | None
    example_wall_mm: float | None
    example_gauge: int | None

    @property
    def sentence(self) -> str:
        """The same in words."""
        if self.example_outer_mm is None or self.example_wall_mm is None:
            return self.wanted.sentence
        text = (
            f"Order a tube of {self.wanted.outer_at_least_mm:.2f} to {self.wanted.outer_at_most_mm:.2f} mm outside "
            f"with a bore of {self.wanted.bore_at_most_mm:.2f} mm at most, for instance {self.example_outer_mm:.1f} mm "
            f"outside with a wall of {self.example_wall_mm:.2f} mm or more"
        )
        if self.example_gauge is not None:
            text += f" ({self.example_gauge} gauge is {awg_mm(self.example_gauge):.3f} mm)"
        if self.length_mm is not None:
            text += f"; {plain_mm(self.length_mm)} of it makes one setting, the saw cut included"
        return text + "."

    def to_json(self) -> dict[str, Any]:
        """Plain members, units in their names."""
        return {
            **self.wanted.to_json(),
            "length_mm": self.length_mm,
            "example_outer_mm": self.example_outer_mm,
            "example_wall_at_least_mm": self.example_wall_mm,
            "example_gauge": self.example_gauge,
            "sentence": self.sentence,
        }


def candidates(stone: Stone, tubes: Sequence[tuple[str, Tube]], rules: Rules) -> list[Candidate]:
    """Judge the tubes at hand for a stone, those that suit first.

    Parameters
    ----------
    stone : Stone
        The stone.
    tubes : sequence of (str, Tube)
        Label and tube; its length is what is left of it.
    rules : Rules
        House rules.
    """
    ranked = rank(stone, list(tubes), rules)
    return [Candidate(label, report, _taken(stone, report.tube, rules)) for label, report in ranked]


def taken_mm(cut_mm: float, left_mm: float, kerf_mm: float) -> float:
    """What a cut takes off a tube: the piece and the saw's kerf, or the rest if that is less than a kerf longer.

    Raises
    ------
    ValueError
        If more is asked than is left.
    """
    if cut_mm > left_mm + 1e-9:
        raise ValueError(f"{plain_mm(round(left_mm, 3))} is left, {plain_mm(round(cut_mm, 3))} can't be cut from it")
    return min(cut_mm + kerf_mm, left_mm)


def what_to_order(stone: Stone, rules: Rules, metal: str | None = None, *, closed_back: bool = False) -> Order:
    """Work out the tube to order for a stone."""
    diameter_mm = nominal(stone.diameter_mm)
    # Whoever orders will measure the tube with calipers when it comes.
    by_caliper = Tube(
        within(diameter_mm + 0.5, rules.number("caliper.outside_mm"), "od"),
        within(diameter_mm / 2, rules.number("caliper.inside_mm"), "bore"),
        metal=metal,
    )
    wanted = tube_wanted(stone, by_caliper, rules)
    cut = cut_length_mm(stone, rules, metal, closed_back=closed_back)
    length = None if cut is None else round(cut + rules.number("saw.kerf_mm"), 3)
    outer = math.ceil(wanted.outer_at_least_mm / _STEP_MM - 1e-9) * _STEP_MM
    if wanted.bore_at_most_mm <= 0 or outer > wanted.outer_at_most_mm:
        return Order(wanted, length, None, None, None)
    # Rounded up, so that what is typed into an order still keeps the limit.
    wall = math.ceil((outer - wanted.bore_at_most_mm) / 2 * 100 - 1e-9) / 100
    gauges = [number for number in range(THICKEST, THINNEST + 1) if wall <= awg_mm(number) < outer / 2]
    return Order(wanted, length, round(outer, 1), wall, max(gauges, default=None))


def own_setting(stone: Stone, rules: Rules) -> tuple[bool, str]:
    """Tell whether a tube of its own is advisable for a stone, and why.

    Returns
    -------
    advisable : bool
    reason : str
        One sentence.
    """
    diameter_mm = nominal(stone.diameter_mm)
    least = rules.number("setting.own_from_mm")
    told = f"a stone of {plain_mm(round(diameter_mm, 2))}"
    if diameter_mm >= least:
        return True, f"{told[0].upper()}{told[1:]} is worth a tube of its own (house rule: from {plain_mm(least)})."
    return False, (
        f"An own tube setting is hardly advisable for {told}: by the house rule it pays from {plain_mm(least)}. "
        "Sooner set it straight into the metal, or into a ready-made setting."
    )


def with_length(tube: Tube, length_mm: float | None, u_mm: float) -> Tube:
    """Give a tube the length that is left of it, true to plus or minus `u_mm`; a used-up one is refused.

    Raises
    ------
    ValueError
        If nothing is left.
    """
    if length_mm is None:
        return replace(tube, length_mm=None)
    if length_mm <= 0:
        raise ValueError("nothing is left of this tube")
    return replace(tube, length_mm=within(length_mm, min(u_mm, length_mm / 2), "length left"))


def _taken(stone: Stone, tube: Tube, rules: Rules) -> float | None:
    cut = cut_length_mm(stone, rules, tube.metal, closed_back=tube.closed_back)
    if cut is None or tube.length_mm is None:
        return None
    left = nominal(tube.length_mm)
    return None if cut > left else round(taken_mm(cut, left, rules.number("saw.kerf_mm")), 3)
