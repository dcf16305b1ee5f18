"""Weight of a round faceted stone from its diameter and height: an estimate, and how good it is.

Two formulas of the trade, each with its own constant; they are not mixed:

- diamond, round brilliant: carat = d^2 h 0.0061. The constant holds density and shape together.
- every other stone: carat = d^2 h G 0.0018, G its specific gravity.

Both are rules of the trade and no standard. With a diamond's G the second would give 4 % more than the first.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rimsight.fit.numbers import Number, nominal, stated, to_json, within

#: Thin to medium girdle, total height 58 to 60 % of the diameter. Successor of Scharffenberg's 0.0067 of 1931, for the
#: fuller stones of the time. Published worked examples of the trade.
BRILLIANT = 0.0061
#: "Most estimates lie within 5 %": a published word on that formula. The real facets of brilliants with tables of
#: 53-62 %, crowns of 32-36 deg, pavilions of 40-42 deg and girdles of 1-4 % spread by 2.4 % (one standard deviation).
BRILLIANT_U95_PERCENT = 5.0
#: Published weight formulas of the trade for round faceted stones.
ROUND = 0.0018
#: Real facets: round brilliants with tables of 50-62 %, crowns of 34-42 deg, pavilions of 41-46 deg and girdles of
#: 2-6 % give 0.00167 to 0.00194, many-tiered cuts up to 0.00211.
ROUND_U95_PERCENT = 10.0
#: Total height, in percent of the diameter, beyond which the brilliant's constant is not what it was made for.
BRILLIANT_HEIGHT_PERCENT = (55.0, 64.0)
#: A girdle other than thin to medium adds this to a brilliant: published worked examples ("slightly thick") and the
#: 2 to 4 % of a published note for thick ones.
GIRDLES: Mapping[str, float] = {"medium": 1.0, "slightly thick": 1.02, "thick": 1.03}

_TABLE = "published table of specific gravities of gems"
_SINGLE = "published single value, spread estimated"


@dataclass(frozen=True)
class Gravity:
    """Specific gravity of a kind of stone: the range that handbooks give, and where it is from."""

    low: float
    high: float
    source: str = _TABLE


#: Kinds by name. Ranges: https://www.gemsociety.org/article/the-physical-properties-of-gemstones/ and
#: https://www.gemsociety.org/article/select-gems-ordered-density/ . Single values are published ones without a range.
GRAVITIES: Mapping[str, Gravity] = {
    "diamond": Gravity(3.51, 3.53),
    "corundum": Gravity(3.97, 4.03),
    "beryl": Gravity(2.66, 2.80),
    "quartz": Gravity(2.63, 2.68),
    "topaz": Gravity(3.53, 3.56),
    "tourmaline": Gravity(2.84, 3.10),
    "peridot": Gravity(3.27, 3.48),
    "garnet": Gravity(3.40, 4.25),
    "almandine": Gravity(3.93, 4.30),
    "zircon": Gravity(3.93, 4.73),
    "zirconia": Gravity(5.50, 6.00),
    "opal": Gravity(1.99, 2.25),
    "amber": Gravity(1.05, 1.096),
    "spinel": Gravity(3.55, 3.65, _SINGLE),
    "chrysoberyl": Gravity(3.68, 3.78, _SINGLE),
    "tanzanite": Gravity(3.30, 3.40, _SINGLE),
    "moissanite": Gravity(3.19, 3.24, _SINGLE),
    "iolite": Gravity(2.56, 2.66, _SINGLE),
}
#: What the same kinds are called by colour.
OTHER_NAMES: Mapping[str, str] = {
    "ruby": "corundum",
    "sapphire": "corundum",
    "emerald": "beryl",
    "aquamarine": "beryl",
    "morganite": "beryl",
    "amethyst": "quartz",
    "citrine": "quartz",
    "rock crystal": "quartz",
    "smoky quartz": "quartz",
    "rubellite": "tourmaline",
    "cz": "zirconia",
    "cubic zirconia": "zirconia",
    "alexandrite": "chrysoberyl",
}


@dataclass(frozen=True)
class Weight:
    """An estimated weight.

    Parameters
    ----------
    carat : Number
        1 carat is 0.2 g.
    kind : str
        Stone, as named.
    formula : str
        As used, with its constants.
    source : str
        Where formula and specific gravity come from.
    remarks : tuple of str
        What makes this one less certain than stated.
    """

    carat: Number
    kind: str
    formula: str
    source: str
    remarks: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain members, units in their names."""
        return {
            "carat": to_json(self.carat),
            "gram": to_json(self.carat / 5),
            "kind": self.kind,
            "formula": self.formula,
            "source": self.source,
            "remarks": list(self.remarks),
        }


def kind_of(name: str) -> str:
    """Bring a stone's name to one of `GRAVITIES`.

    Raises
    ------
    ValueError
        If the kind is not known, with the names there are.
    """
    wanted = re.sub(r"[\s_-]+", " ", name.strip().lower())
    found = OTHER_NAMES.get(wanted, wanted)
    if found not in GRAVITIES:
        known = ", ".join(sorted((*GRAVITIES, *OTHER_NAMES)))
        raise ValueError(f"no specific gravity on record for {name!r}; known are {known}. Or type the figure itself")
    return found


def weight(
    diameter_mm: Number,
    height_mm: Number,
    kind: str = "diamond",
    *,
    gravity: Number | None = None,
    girdle: str = "medium",
) -> Weight:
    """Estimate the weight of a round faceted stone.

    Parameters
    ----------
    diameter_mm : Number
        Mean girdle diameter d.
    height_mm : Number
        Table to culet, h.
    kind : str
        Name of the stone; "diamond" takes the brilliant's formula.
    gravity : Number, optional
        Specific gravity, in place of the handbook's; then the general formula is used whatever the kind's name.
    girdle : str
        One of `GIRDLES`, for a diamond only.

    Raises
    ------
    ValueError
        If a figure is not above zero, the kind or the girdle is not known, or height and diameter can't be those of a
        faceted stone.
    """
    d, h = nominal(diameter_mm), nominal(height_mm)
    if not (d > 0 and h > 0):
        raise ValueError(f"a weight needs a diameter and a height above zero, found {d:g} and {h:g} mm")
    if not 0.2 <= h / d <= 1.5:
        raise ValueError(
            f"a height of {h:g} mm is {100 * h / d:.0f} % of the diameter: no faceted stone; were the two mixed up?"
        )
    if girdle not in GIRDLES:
        raise ValueError(f"no girdle {girdle!r}; there are {', '.join(GIRDLES)}")
    volume = diameter_mm * diameter_mm * height_mm
    if gravity is None and kind_of(kind) == "diamond":
        return _brilliant(volume, 100 * h / d, kind, girdle)
    if girdle != "medium":
        raise ValueError("the correction for the girdle belongs to the diamond's formula only")
    if gravity is None:
        found = GRAVITIES[kind_of(kind)]
        value = within((found.low + found.high) / 2, (found.high - found.low) / 2, "specific gravity")
        told, source = f"{found.low:g} to {found.high:g}", found.source
    else:
        if not 0.5 <= nominal(gravity) <= 10:
            raise ValueError(f"a specific gravity lies between 0.5 and 10, found {nominal(gravity):g}")
        value, told, source = gravity, f"{nominal(gravity):g}", "specific gravity as typed"
    shape = stated(ROUND, ROUND * ROUND_U95_PERCENT / 100, "shape of the cut")
    return Weight(
        volume * value * shape,
        kind,
        f"carat = d² × h × specific gravity ({told}) × {ROUND}",
        f"weight formula of the trade for round faceted stones, no standard; {source}",
        (),
    )


def _brilliant(volume: Number, height_percent: float, kind: str, girdle: str) -> Weight:
    shape = stated(BRILLIANT, BRILLIANT * BRILLIANT_U95_PERCENT / 100, "shape of the cut")
    low, high = BRILLIANT_HEIGHT_PERCENT
    remarks: tuple[str, ...] = ()
    if not low <= height_percent <= high:
        remarks = (
            f"The height is {height_percent:.0f} % of the diameter; the formula is made for brilliants of 58 to 60 %: "
            "expect more error than stated.",
        )
    factor = GIRDLES[girdle]
    correction = "" if factor == 1 else f" × {factor:g} ({girdle} girdle)"
    return Weight(
        volume * shape * factor,
        kind,
        f"carat = d² × h × {BRILLIANT}{correction}",
        "round-brilliant formula of the trade (successor of Scharffenberg 1931), no standard",
        remarks,
    )
