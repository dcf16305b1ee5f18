"""Tubes of the stock list as the fit checker takes them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rimsight.archive.stock import StockTube
    from rimsight.fit.model import Tube
    from rimsight.fit.numbers import Number
    from rimsight.fit.rules import Rules

#: How well the length left of a rod is known, read from a rule or kept by subtraction (common practice, no source).
U_LENGTH_MM = 0.2


def as_tube(kept: StockTube, house: Rules, *, closed_back: bool = False) -> Tube:
    """Make the checker's tube of one in the stock list.

    A figure without an uncertainty of its own was typed and is taken as read with calipers.

    Raises
    ------
    ValueError
        Nothing is left of it.
    """
    from rimsight.fit.model import Tube
    from rimsight.fit.order import with_length

    outer = _figure(kept.outer_mm, kept.outer_u95_mm, house, "caliper.outside_mm", "od")
    if kept.wall_mm is not None:
        wall = _figure(kept.wall_mm, kept.wall_u95_mm, house, "caliper.outside_mm", "wall")
        tube = Tube.from_wall(outer, wall, metal=kept.metal or None)
    elif kept.bore_mm is not None:
        bore = _figure(kept.bore_mm, kept.bore_u95_mm, house, "caliper.inside_mm", "bore")
        tube = Tube(outer, bore, metal=kept.metal or None)
    else:
        tube = Tube(outer, metal=kept.metal or None)
    return replace(with_length(tube, kept.length_mm, U_LENGTH_MM), closed_back=closed_back)


def at_hand(
    kept: list[StockTube], house: Rules, metal: str | None, *, closed_back: bool = False
) -> tuple[list[tuple[str, Tube]], list[str]]:
    """Pick the tubes that may be used: of the metal asked for, with something left.

    Returns
    -------
    tubes : list of (label, Tube)
    passed_over : list of str
        Why others are not among them, a sentence each.
    """
    tubes, used_up, other_metal = [], [], []
    for tube in kept:
        if metal is not None and not same_metal(tube.metal, metal, house):
            other_metal.append(tube.label)
        elif tube.length_mm == 0:
            used_up.append(tube.label)
        else:
            tubes.append((tube.label, as_tube(tube, house, closed_back=closed_back)))
    passed_over = []
    if other_metal:
        passed_over.append(f"Not {metal}: {', '.join(other_metal)}.")
    if used_up:
        passed_over.append(f"Used up: {', '.join(used_up)}.")
    return tubes, passed_over


def same_metal(one: str, other: str, house: Rules) -> bool:
    """Tell whether two names mean one metal, by the house rules."""
    return _metal(one, house) == _metal(other, house)


def _metal(name: str, house: Rules) -> str:
    from rimsight.fit.rule_file import normal_metal

    return house.metal(name) or normal_metal(name)


def _figure(value: float, u95: float | None, house: Rules, rule: str, name: str) -> Number:
    from rimsight.fit.numbers import stated, within

    return within(value, house.number(rule), name) if u95 is None else stated(value, u95, name)
