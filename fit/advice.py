"""What follows for the bench: bur, length to cut, depth of the seat, punch, and the tube to look for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from rimsight.fit.checks import CLEARANCE, girdle_thickness_mm
from rimsight.fit.decision import GUARD_FACTOR
from rimsight.fit.model import Stone, Tube
from rimsight.fit.numbers import nominal, plain_mm, standard
from rimsight.fit.rules import Rules
from rimsight.fit.turnover import metal_above_mm

#: Said with every piece of advice. Common practice, no source.
CAUTIONS = (
    "A punch must clear the table: its hollow may touch metal only. Try it over the stone before you strike.",
    "Wear eye protection and keep dust and fumes out of your lungs; keep hands clear of bur and flame.",
    "Find out first whether this stone bears heat, pickle, ultrasonic or steam: many don't. Solder before setting.",
    "These figures advise, you decide; local safety rules and a qualified setter's word come first, above all "
    "with a costly stone.",
)
#: For stones that aren't round. Common practice, no source.
BY_HAND = (
    "Cut the seat to the stone's outline by hand, with small burs and a graver: no setting bur of one diameter cuts "
    "it. Protect the corners: nothing may press on a tip."
)
OPPOSITE = (
    "Turn the rim over with pusher and burnisher, opposite places in turn: a bezel punch presses all round alike, and "
    "here the rim is wider along the sides."
)
_ROUNDING_SLIP = 1e-9


@dataclass(frozen=True)
class TubeWanted:
    """Tubes that would suit the stone, with the guard band of the present readings, mm."""

    outer_at_least_mm: float
    outer_at_most_mm: float
    bore_at_most_mm: float

    @property
    def sentence(self) -> str:
        """The same in words."""
        if self.bore_at_most_mm <= 0:
            return "The stone is too small for a tube by these rules: no bore leaves it a ledge that is wide enough."
        if self.outer_at_least_mm > self.outer_at_most_mm:
            return "The rim's limits lie closer together than these readings can tell: measure stone and tube better."
        return (
            f"Look for a tube of {self.outer_at_least_mm:.2f} to {self.outer_at_most_mm:.2f} mm outside "
            f"with a bore of {self.bore_at_most_mm:.2f} mm at most."
        )

    def to_json(self) -> dict[str, float]:
        """Plain members."""
        return {name: round(value, 3) for name, value in vars(self).items()}


@dataclass(frozen=True)
class Advice:
    """Figures to work by; None where an input is missing or nothing at hand suits.

    Parameters
    ----------
    setting_bur_mm : float, optional
        Largest bur on the list that is not larger than the stone.
    cut_length_mm : float, optional
        Length of tube to cut.
    seat_depth_mm : float, optional
        From the tube's end to the girdle's lower edge.
    metal_above_girdle_mm : float
        What the seat's depth leaves to turn over.
    bezel_punch_mm : float, optional
        First punch on the list that is over the tube.
    tube_wanted : TubeWanted
        Tube to look for, if this one does not suit.
    steps : tuple of str
        The same in sentences.
    cautions : tuple of str
        Said once.
    """

    setting_bur_mm: float | None
    cut_length_mm: float | None
    seat_depth_mm: float | None
    metal_above_girdle_mm: float
    bezel_punch_mm: float | None
    tube_wanted: TubeWanted
    steps: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS

    def to_json(self) -> dict[str, Any]:
        """Plain members, units in their names."""
        return {
            "setting_bur_mm": self.setting_bur_mm,
            "cut_length_mm": self.cut_length_mm,
            "seat_depth_mm": self.seat_depth_mm,
            "metal_above_girdle_mm": round(self.metal_above_girdle_mm, 3),
            "bezel_punch_mm": self.bezel_punch_mm,
            "tube_wanted": self.tube_wanted.to_json(),
            "steps": list(self.steps),
            "cautions": list(self.cautions),
        }


def choose_bur_mm(stone: Stone, rules: Rules) -> float | None:
    """Largest setting bur at hand that is at or just under the stone; None if all are larger, or it isn't round."""
    if stone.inner_mm is not None:
        return None
    diameter_mm = nominal(stone.diameter_mm)
    return max((size for size in rules.sizes("bur.sizes_mm") if size <= diameter_mm + _ROUNDING_SLIP), default=None)


def choose_punch_mm(tube: Tube, rules: Rules) -> float | None:
    """Smallest bezel punch at hand that goes over the tube; None if all are smaller."""
    wanted = nominal(tube.outer_mm) + rules.number("punch.over_tube_mm")
    return min((size for size in rules.sizes("punch.sizes_mm") if size >= wanted - _ROUNDING_SLIP), default=None)


def cut_length_mm(
    stone: Stone, rules: Rules, metal: str | None = None, *, closed_back: bool = False
) -> float | None:
    """Length to cut: height and clearance, with the height's guard band, rounded up; None without a height."""
    if stone.height_mm is None:
        return None
    diameter_mm = nominal(stone.diameter_mm)
    needed = (
        nominal(stone.height_mm)
        + rules.limit(CLEARANCE[closed_back], diameter_mm, metal).value
        + GUARD_FACTOR * standard(stone.height_mm)
    )
    step = rules.limit("length.round_up_to_mm", diameter_mm, metal).value
    return round(math.ceil(needed / step - _ROUNDING_SLIP) * step, 4)


def tube_wanted(stone: Stone, tube: Tube, rules: Rules) -> TubeWanted:
    """Outer diameters and bores that the rim's and the ledge's rules ask for round this stone.

    The guard band supposes a tube read as well as this one, without anything common to both readings.
    """
    diameter_mm = nominal(stone.diameter_mm)
    limits = {
        key: rules.limit(key, diameter_mm, tube.metal).value
        for key in ("rim.at_least_mm", "rim.at_most_mm", "ledge.at_least_mm")
    }
    covered_mm, u_covered = nominal(stone.covered_mm), standard(stone.covered_mm)
    u_stone, u_outer = standard(stone.diameter_mm), standard(tube.outer_mm)
    u_bore = standard(tube.bore_mm) if tube.bore_mm is not None else u_outer
    rim_band = GUARD_FACTOR * math.hypot(u_stone, u_outer)
    return TubeWanted(
        outer_at_least_mm=diameter_mm + 2 * limits["rim.at_least_mm"] + rim_band,
        outer_at_most_mm=diameter_mm + 2 * limits["rim.at_most_mm"] - rim_band,
        bore_at_most_mm=covered_mm - 2 * limits["ledge.at_least_mm"] - GUARD_FACTOR * math.hypot(u_covered, u_bore),
    )


def advise(stone: Stone, tube: Tube, rules: Rules) -> Advice:
    """Work out the figures for the bench.

    A tube that can't hold the stone at all (narrower than it, or a bore as wide) gets no working figures, only what
    to look for.
    """
    diameter_mm = nominal(stone.diameter_mm)
    wanted = tube_wanted(stone, tube, rules)
    metal_above = metal_above_mm(stone, tube, rules)
    covered_mm = nominal(stone.covered_mm)
    holds = nominal(tube.outer_mm) > diameter_mm and (tube.bore_mm is None or nominal(tube.bore_mm) < covered_mm)
    if not holds:
        return Advice(None, None, None, metal_above, None, wanted, ())
    bur = choose_bur_mm(stone, rules)
    punch = choose_punch_mm(tube, rules) if stone.inner_mm is None else None
    length = cut_length_mm(stone, rules, tube.metal, closed_back=tube.closed_back)
    seat = round(nominal(girdle_thickness_mm(stone, rules, tube.metal)) + metal_above, 2)
    steps = (
        _length_step(tube, length, rules.limit(CLEARANCE[tube.closed_back], diameter_mm, tube.metal).value),
        _bur_step(tube, bur, diameter_mm) if stone.inner_mm is None else BY_HAND,
        f"Sink the seat until the girdle's lower edge lies about {seat:.2f} mm below the end of the tube: "
        f"that leaves about {metal_above:.2f} mm above the girdle"
        + (" (girdle not measured, taken from the house rules)." if stone.girdle_mm is None else "."),
        f"Close it with a bezel punch of {plain_mm(punch)}, the first that goes over the tube."
        if punch is not None
        else OPPOSITE
        if stone.inner_mm is not None
        else "No bezel punch on the list goes over this tube: turn the rim over with pusher and burnisher.",
    )
    return Advice(bur, length, seat, metal_above, punch, wanted, steps)


def _length_step(tube: Tube, length: float | None, clearance_mm: float) -> str:
    if length is None:
        return "Length to cut: not known without the stone's height (--height, or a photo from the side)."
    step = (
        f"Cut {plain_mm(length)} of tube: the stone's height, {plain_mm(clearance_mm)} clearance under the culet, "
        "rounded up to be filed to fit."
    )
    if tube.length_mm is not None and nominal(tube.length_mm) < length:
        step += f" The piece at hand has {plain_mm(nominal(tube.length_mm))}."
    return step


def _bur_step(tube: Tube, bur: float | None, diameter_mm: float) -> str:
    if bur is None:
        return "No setting bur on the list is as small as the stone: cut the seat by hand."
    if tube.bore_mm is not None and bur <= nominal(tube.bore_mm):
        return f"The bur at or under the stone, {plain_mm(bur)}, would only turn in the bore: cut the seat by hand."
    step = f"Cut the seat with a setting bur of {plain_mm(bur)}"
    if diameter_mm - bur > _ROUNDING_SLIP:
        return f"{step}, {plain_mm(round(diameter_mm - bur, 2))} under the stone, and open it until the stone drops in."
    return f"{step}, the stone's own size; it must just drop in."
