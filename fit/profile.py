"""The stone's outline seen from the side: crown, girdle and pavilion, from what was measured of them.

What was not measured is taken from Tolkowsky's proportions with a wide spread, and named, so that nobody takes it for
a reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from uncertainties import umath

from rimsight.fit.checks import girdle_thickness_mm
from rimsight.fit.model import Stone
from rimsight.fit.numbers import K95, Number, nominal, plain_mm, standard, to_json, within
from rimsight.fit.rules import Rules

#: Tolkowsky, Diamond Design, 1919, in percent of the diameter.
TABLE_PERCENT, CROWN_PERCENT, PAVILION_PERCENT = 53.0, 16.2, 43.1
#: How far stones lie from these, give or take, in percent of the figure itself: common practice, no source.
_TABLE_SPREAD, _SHARE_SPREAD = 15.0, 25.0
_SLIP_MM = 0.01  # exact figures typed to 0.01 mm may miss their sum by that much


#: Name in the JSON -> member of the stone and of its section.
_MEMBERS = {
    "girdle_thickness_mm": "girdle_mm",
    "table_mm": "table_mm",
    "crown_height_mm": "crown_height_mm",
    "crown_angle_deg": "crown_angle_deg",
    "pavilion_depth_mm": "pavilion_depth_mm",
    "pavilion_angle_deg": "pavilion_angle_deg",
}


@dataclass(frozen=True)
class Profile:
    """Section of a round stone through its axis.

    Parameters
    ----------
    diameter_mm, table_mm, crown_height_mm, girdle_mm, pavilion_depth_mm : Number
        Widths and heights; the heights add up to the stone's.
    assumed : tuple of str
        Names, as in the JSON, of what was taken from usual proportions.
    measured : tuple of str
        Names of what was measured; all else but these follows from them and from what was assumed.
    remarks : tuple of str
        Readings that contradict each other.
    """

    diameter_mm: Number
    table_mm: Number
    crown_height_mm: Number
    girdle_mm: Number
    pavilion_depth_mm: Number
    assumed: tuple[str, ...]
    measured: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def height_mm(self) -> Number:
        """Table to culet."""
        return self.crown_height_mm + self.girdle_mm + self.pavilion_depth_mm

    @property
    def crown_angle_deg(self) -> Number:
        """Angle between the girdle plane and the crown's slope."""
        return umath.degrees(umath.atan(2 * self.crown_height_mm / (self.diameter_mm - self.table_mm)))

    @property
    def pavilion_angle_deg(self) -> Number:
        """Angle between the girdle plane and the pavilion's slope."""
        return umath.degrees(umath.atan(2 * self.pavilion_depth_mm / self.diameter_mm))

    @property
    def crown_slope_mm(self) -> Number:
        """Length of the crown's slope in the section, girdle to table."""
        return umath.hypot(self.crown_height_mm, (self.diameter_mm - self.table_mm) / 2)

    def to_json(self) -> dict[str, Any]:
        """Plain members, units in their names."""
        return {
            **{name: to_json(getattr(self, member)) for name, member in _MEMBERS.items()},
            "assumed": list(self.assumed),
            "not_measured": [name for name in _MEMBERS if name not in self.measured],
        }


def profile(stone: Stone, rules: Rules, metal: str | None = None) -> Profile:
    """Work out the stone's section.

    Measured parts are taken as they are. A missing crown or pavilion is what the height leaves; with both missing, the
    height above and below the girdle is shared as in Tolkowsky's stone; without the height, both are his.

    Parameters
    ----------
    stone : Stone
        What is known of it.
    rules : Rules
        For the girdle, where it was not measured.
    metal : str, optional
        For rules that differ from metal to metal.

    Raises
    ------
    ValueError
        If the parts leave no room for the crown or the pavilion in the height.
    """
    diameter, height = stone.diameter_mm, stone.height_mm
    assumed: list[str] = []
    table = _table(stone)
    if table is None:
        assumed.append("table_mm")
        table = diameter * _spread(TABLE_PERCENT, _TABLE_SPREAD, "table not measured") / 100
    crown, pavilion = _crown(stone, table), _pavilion(stone)
    remarks: list[str] = []
    if height is not None and stone.girdle_mm is None and crown is not None and pavilion is not None:
        girdle = height - crown - pavilion  # what is left, rather than the rule's guess
        if nominal(girdle) < 0:
            remarks.append(_too_much(crown + pavilion, height))
            girdle = girdle_thickness_mm(stone, rules, metal)
    else:
        girdle = girdle_thickness_mm(stone, rules, metal)
        if stone.girdle_mm is None:
            assumed.append("girdle_thickness_mm")
    if height is None:
        if crown is None:
            assumed.append("crown_height_mm")
            crown = diameter * _spread(CROWN_PERCENT, _SHARE_SPREAD, "crown not measured") / 100
        if pavilion is None:
            assumed.append("pavilion_depth_mm")
            pavilion = diameter * _spread(PAVILION_PERCENT, _SHARE_SPREAD, "pavilion not measured") / 100
    elif crown is None and pavilion is not None:
        crown = height - girdle - pavilion
    else:
        if crown is None:
            assumed.append("crown_height_mm")
            share = CROWN_PERCENT / (CROWN_PERCENT + PAVILION_PERCENT)
            crown = (height - girdle) * _spread(share, _SHARE_SPREAD, "crown not measured")
        left = height - girdle - crown
        if pavilion is not None and abs(nominal(left - pavilion)) > max(K95 * standard(left - pavilion), _SLIP_MM):
            remarks.append(_too_much(crown + girdle + pavilion, height))
        pavilion = left
    for part, name in ((crown, "crown"), (pavilion, "pavilion")):
        if nominal(part) <= 0:
            raise ValueError(
                f"the stone's height leaves nothing for the {name}: measure height, girdle, crown and pavilion again"
            )
    measured = tuple(name for name, member in _MEMBERS.items() if getattr(stone, member) is not None)
    return Profile(diameter, table, crown, girdle, pavilion, tuple(assumed), measured, tuple(remarks))


def _table(stone: Stone) -> Number | None:
    if stone.table_mm is None and stone.crown_angle_deg is not None and stone.crown_height_mm is not None:
        table = stone.diameter_mm - 2 * stone.crown_height_mm / umath.tan(umath.radians(stone.crown_angle_deg))
        return table if nominal(table) > 0 else None
    return stone.table_mm


def _crown(stone: Stone, table: Number) -> Number | None:
    if stone.crown_height_mm is None and stone.crown_angle_deg is not None:
        return (stone.diameter_mm - table) / 2 * umath.tan(umath.radians(stone.crown_angle_deg))
    return stone.crown_height_mm


def _pavilion(stone: Stone) -> Number | None:
    if stone.pavilion_depth_mm is None and stone.pavilion_angle_deg is not None:
        return stone.diameter_mm / 2 * umath.tan(umath.radians(stone.pavilion_angle_deg))
    return stone.pavilion_depth_mm


def _spread(value: float, percent: float, name: str) -> Number:
    return within(value, value * percent / 100, name)


def _too_much(parts: Number, height: Number) -> str:
    return (
        f"Crown, girdle and pavilion add up to {plain_mm(round(nominal(parts), 2))}, the stone's height is "
        f"{plain_mm(round(nominal(height), 2))}: measure again. The plan keeps to the height."
    )
