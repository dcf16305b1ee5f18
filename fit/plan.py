"""The cut plan: one stone, one tube and the house rules, worked out to every dimension of the setting.

Pure: numbers in, numbers and sentences out. Lengths run down from the tube's end, the one with the seat.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from rimsight.fit.advice import CAUTIONS
from rimsight.fit.checks import CLEARANCE
from rimsight.fit.model import Stone, Tube
from rimsight.fit.numbers import Number, nominal, plain_mm, to_json, within
from rimsight.fit.order import own_setting, taken_mm
from rimsight.fit.plan_steps import Figures, Step, steps
from rimsight.fit.profile import Profile, profile
from rimsight.fit.report import FitReport, check
from rimsight.fit.rules import Rules
from rimsight.fit.turnover import cover_percent


class TubeRefused(ValueError):
    """This tube can't hold the stone at all, so there is nothing to plan.

    Parameters
    ----------
    report : FitReport
        Why, and what to look for.
    """

    def __init__(self, report: FitReport) -> None:
        super().__init__(f"no plan: {' '.join(report.reasons)} {report.advice.tube_wanted.sentence}")
        self.report = report


@dataclass(frozen=True)
class Plan:
    """A setting worked out.

    Parameters
    ----------
    report : FitReport
        The shared checker's, for the tube as planned: cut to length, seat sunk.
    section : Profile
        The stone from the side.
    cut_length_mm : float
        Length of tube to cut.
    taken_mm : float
        What that takes off the tube, with the saw's kerf.
    setting_bur_mm, bezel_punch_mm : float, optional
        Tools at hand; None where no size suits.
    seat_depth_mm : float
        Tube's end to the girdle's lower edge.
    metal_above_mm : Number
        Tube's end to the girdle's upper edge.
    cover_percent : Number
        Share of the crown's slope under the turned edge.
    table_above_mm : Number
        How far the table stands above the tube's end before the rim is turned over; negative below.
    under_culet_mm : Number
        Culet to the tube's lower end.
    steps : tuple of Step
        What to do, in order, and what goes wrong otherwise.
    own_setting : (bool, str)
        Whether a tube of its own is advisable for a stone of this size, and why.
    """

    report: FitReport
    section: Profile
    cut_length_mm: float
    taken_mm: float
    setting_bur_mm: float | None
    bezel_punch_mm: float | None
    seat_depth_mm: float
    metal_above_mm: Number
    cover_percent: Number
    table_above_mm: Number
    under_culet_mm: Number
    steps: tuple[Step, ...]
    own_setting: tuple[bool, str]

    @property
    def warnings(self) -> tuple[str, ...]:
        """Readings of the stone that contradict each other, whether it is worth a tube, cautions of the checker."""
        worth = () if self.own_setting[0] else (self.own_setting[1],)
        return (*self.section.remarks, *worth, *self.report.warnings)

    def to_json(self) -> dict[str, Any]:
        """The report and the plan as plain members of the schema `rimsight/1`."""
        record = self.report.to_json()
        record["stone"] |= self.section.to_json() | {"written": written(self.report.stone)}
        record["warnings"] = list(self.warnings)
        tube = self.report.tube
        bur, rim = self.setting_bur_mm, (tube.outer_mm - self.report.stone.diameter_mm) / 2
        record["plan"] = {
            "own_setting": {"advisable": self.own_setting[0], "reason": self.own_setting[1]},
            "back": "closed" if tube.closed_back else "open",
            "cut_length_mm": self.cut_length_mm,
            "taken_from_tube_mm": self.taken_mm,
            "setting_bur_mm": bur,
            "wall_beside_bur_mm": None if bur is None else to_json((tube.outer_mm - bur) / 2),
            "wall_beside_seat_mm": to_json(rim),
            "ledge_mm": to_json((self.report.stone.diameter_mm - tube.bore_mm) / 2),
            "seat_depth_mm": self.seat_depth_mm,
            "metal_above_girdle_mm": to_json(self.metal_above_mm),
            "crown_covered_percent": to_json(self.cover_percent),
            "table_above_tube_mm": to_json(self.table_above_mm),
            "under_culet_mm": to_json(self.under_culet_mm),
            "bezel_punch_mm": self.bezel_punch_mm,
            "steps": [step.to_json() for step in self.steps],
            "cautions": list(CAUTIONS),
        }
        return record


def make(stone: Stone, tube: Tube, rules: Rules) -> Plan:
    """Work out a setting.

    Parameters
    ----------
    stone : Stone
        With its height.
    tube : Tube
        With its bore. Its length, if known, is what is left of it; its seat's depth is not looked at.
    rules : Rules
        House rules.

    Raises
    ------
    TubeRefused
        If the tube is narrower than the stone, or its bore as wide.
    ValueError
        If the stone's height or the tube's bore is not known, or the parts of the stone contradict its height.
    """
    refuse_not_round(stone)
    if stone.height_mm is None:
        raise ValueError("a cut plan needs the stone's height, table to culet (calipers, or a photo from the side)")
    if tube.bore_mm is None:
        raise ValueError("a cut plan needs the tube's bore or wall")
    first = check(stone, replace(tube, seat_depth_mm=None), rules)
    advice = first.advice
    if advice.cut_length_mm is None or advice.seat_depth_mm is None:
        raise TubeRefused(first)
    section = profile(stone, rules, tube.metal)
    left = None if tube.length_mm is None else nominal(tube.length_mm)
    # A piece that is a little shorter than the rounded length may still do; the checker has the word.
    cut = advice.cut_length_mm if left is None else round(min(advice.cut_length_mm, left), 3)
    kerf = rules.number("saw.kerf_mm")
    taken = cut + kerf if left is None else taken_mm(cut, left, kerf)
    seat = within(advice.seat_depth_mm, rules.number("caliper.inside_mm"), "depth of the seat")
    length = within(cut, rules.number("caliper.outside_mm"), "length cut")
    report = check(stone, replace(tube, length_mm=length, seat_depth_mm=seat), rules)
    metal = seat - section.girdle_mm
    rim = (tube.outer_mm - stone.diameter_mm) / 2
    table_above = section.crown_height_mm - metal
    under = length - seat - section.pavilion_depth_mm
    figures = Figures(
        diameter_mm=nominal(stone.diameter_mm),
        height_mm=nominal(stone.height_mm),
        outer_mm=nominal(tube.outer_mm),
        bore_mm=nominal(tube.bore_mm),
        closed_back=tube.closed_back,
        clearance_mm=rules.limit(CLEARANCE[tube.closed_back], nominal(stone.diameter_mm), tube.metal).value,
        cut_mm=cut,
        wanted_mm=advice.cut_length_mm,
        bur_mm=advice.setting_bur_mm,
        punch_mm=advice.bezel_punch_mm,
        seat_mm=advice.seat_depth_mm,
        metal_mm=nominal(metal),
        table_above_mm=nominal(table_above),
        heavy=report["rim_heavy"].verdict == "too heavy",
    )
    # A bur no wider than the bore finds nothing to cut.
    bites = advice.setting_bur_mm is not None and advice.setting_bur_mm > nominal(tube.bore_mm)
    return Plan(
        report,
        section,
        cut,
        round(taken, 3),
        advice.setting_bur_mm if bites else None,
        advice.bezel_punch_mm,
        advice.seat_depth_mm,
        metal,
        cover_percent(metal, rim, section),
        table_above,
        under,
        steps(figures),
        own_setting(stone, rules),
    )


def refuse_not_round(stone: Stone) -> None:
    """Refuse a stone that isn't round, and say what can be done.

    Raises
    ------
    ValueError
        It isn't round.
    """
    if stone.inner_mm is not None:
        raise ValueError(
            "a cut plan is for round stones: a seat of another shape is cut by hand, by no bur of one diameter, and "
            "one section doesn't show it. For the tube to take use rimsight stock find, for the rim with the stone on "
            "the tube rimsight rim --shape auto"
        )


def written(stone: Stone) -> str:
    """Write a stone's size as grading reports do: "6.10 - 6.14 x 4.22 mm", smallest - largest x height.

    The order of ISO 24016:2020; two decimals are the usual form (from memory). Without both diameters, the mean one.
    """
    if stone.inner_mm is not None:
        text = f"{nominal(stone.diameter_mm):.2f} (circle round it; not round)"
    elif stone.smallest_mm is not None and stone.largest_mm is not None:
        text = f"{nominal(stone.smallest_mm):.2f} - {nominal(stone.largest_mm):.2f}"
    else:
        text = f"{nominal(stone.diameter_mm):.2f}"
    return f"{text} x {nominal(stone.height_mm):.2f} mm" if stone.height_mm is not None else f"{text} mm"


def title(plan: Plan) -> str:
    """One line: "6.12 x 4.22 mm stone on 6.5 mm tube: adequate"."""
    tube = plain_mm(round(nominal(plan.report.tube.outer_mm), 3))
    return f"{written(plan.report.stone)} stone on {tube} tube: {plan.report.headline}"
