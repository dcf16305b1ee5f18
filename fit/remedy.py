"""What would settle a reading that is too close to call."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rimsight.fit.decision import GUARD_FACTOR
from rimsight.fit.numbers import K95, Number, budget, nominal, standard


@dataclass(frozen=True)
class Tool:
    """A kind of measuring tool, by the way in which it touches: outside, in a bore, down a depth.

    `words` are the tools' names, `errors_mm` their limits of error.
    """

    name: str
    words: Mapping[str, str]
    errors_mm: Mapping[str, float]


#: From the nearest at hand to the finest. Calipers: DIN 862. Micrometer up to 25 mm: DIN 863, 0.004 mm. Pin gauges
#: and depth gauge: common practice, no source.
TOOLS = (
    Tool(
        "calipers",
        {"outside": "calipers on", "bore": "calipers in", "depth": "calipers for"},
        {"outside": 0.02, "bore": 0.04, "depth": 0.04},
    ),
    Tool(
        "micrometer",
        {"outside": "a micrometer on", "bore": "pin gauges in", "depth": "a depth micrometer for"},
        {"outside": 0.004, "bore": 0.01, "depth": 0.01},
    ),
)
_WORTHWHILE = 0.95  #: a tool that takes less than 5 % off the uncertainty is no help
_ON_THE_LIMIT_MM = 0.001
_MOST = 0.6  #: part of the variance from which on a single influence is worth naming


@dataclass(frozen=True)
class Reading:
    """One input of a check.

    Parameters
    ----------
    name : str
        In words, "the stone".
    value : Number
        What was read, mm.
    weight : float
        Change of the check's value per millimetre of this reading.
    touch : {"outside", "bore", "depth", ""}
        How a tool gets at it; empty if it is no reading that a tool could repeat.
    """

    name: str
    value: Number
    weight: float
    touch: str


@dataclass(frozen=True)
class Remedy:
    """What would decide a check.

    Parameters
    ----------
    u95_needed_mm : float
        Expanded uncertainty of the check's value at which it would be decided, if the value itself stays.
    u95_mm : float
        As it is.
    largest : str
        Name of the largest entry in the budget.
    share : float
        Part of the variance that comes from it, 0 to 1.
    tool : str
        Name of the first of `TOOLS` that would decide; empty if none would.
    sentence : str
        All that in words.
    """

    u95_needed_mm: float
    u95_mm: float
    largest: str
    share: float
    tool: str
    sentence: str

    def to_json(self) -> dict[str, Any]:
        """Plain members, units in their names."""
        return {
            "u95_needed_mm": float(f"{self.u95_needed_mm:.3g}"),
            "u95_mm": float(f"{self.u95_mm:.3g}"),
            "largest_contributor": self.largest,
            "share_of_variance": round(self.share, 3),
            "tool": self.tool or None,
            "sentence": self.sentence,
        }


def what_decides(value: Number, limit_mm: float, readings: tuple[Reading, ...]) -> Remedy:
    """Work out which uncertainty, and which tool, would decide a value that is too close to its limit.

    Parameters
    ----------
    value : Number
        The check's value, mm, with an uncertainty above 0.
    limit_mm : float
        Its limit.
    readings : tuple of Reading
        What the value is made of.

    Raises
    ------
    ValueError
        If the value has no uncertainty: then there is nothing to shrink.
    """
    u = standard(value)
    if u == 0:
        raise ValueError("a value without uncertainty is never too close to call")
    distance = abs(nominal(value) - limit_mm)
    needed = distance / GUARD_FACTOR
    largest, component = next(iter(budget(value).items()))
    tool = next((tool for tool in TOOLS if _would_decide(readings, tool, u, needed)), None)
    if tool:
        sentence = (
            f"{_naming(readings, tool)} would decide it, if the reading stays: "
            f"± {_two_digits(K95 * needed)} mm is needed"
        )
    elif distance < _ON_THE_LIMIT_MM:
        sentence = "it lies on the limit, where no tool can settle it: your judgement, or another piece"
    else:
        sentence = (
            f"it lies {_two_digits(distance)} mm from the limit, nearer than the bench's tools can settle: "
            "your judgement, or another piece"
        )
    share = (component / u) ** 2
    if share > _MOST:
        sentence += f" (most of the uncertainty comes from: {largest})"
    return Remedy(K95 * needed, K95 * u, largest, share, tool.name if tool else "", sentence)


def _would_decide(readings: tuple[Reading, ...], tool: Tool, u: float, needed: float) -> bool:
    squares = [
        # what no tool repeats keeps the uncertainty that it has
        (
            reading.weight
            * (tool.errors_mm[reading.touch] / math.sqrt(3) if reading.touch else standard(reading.value))
        )
        ** 2
        for reading in readings
    ]
    u_tool = math.sqrt(math.fsum(squares))
    return u_tool <= needed and u_tool < _WORTHWHILE * u


def _naming(readings: tuple[Reading, ...], tool: Tool) -> str:
    """Say what to lay on what: "a micrometer on the stone and pin gauges in the bore"."""
    objects: dict[str, list[str]] = {}
    for reading in readings:
        if reading.touch:
            objects.setdefault(tool.words[reading.touch], []).append(reading.name)
    return _and([f"{word} {_and(names)}" for word, names in objects.items()])


def _two_digits(number: float) -> str:
    return f"{number:.2g}"


def _and(names: list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
