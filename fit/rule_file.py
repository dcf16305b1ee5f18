"""One file of house rules: which keys there are, what they may hold, and errors that name the line."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from rimsight.fit.toml_lines import line_of, lines_of_keys

OTHERWISE = "otherwise"
_BELOW = re.compile(r"below\s+([0-9]+(?:[.,][0-9]+)?)(?:\s*mm)?")
_DECIMAL_COMMA = re.compile(r"[0-9],[0-9]")
_SYNTAX_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")


@dataclass(frozen=True)
class Rule:
    """What one key may hold.

    Parameters
    ----------
    kind : {"limit", "number", "sizes"}
        A limit may be one number or steps of the stone's diameter; a number is one number; sizes are a list.
    low, high : float
        Bounds, both allowed unless `low` is 0 for a kind that must be above it.
    meaning : str
        Shown to the owner of the file.
    noun : str
        "length" (mm) or "percentage".
    """

    kind: str
    low: float
    high: float
    meaning: str
    noun: str = "length"


#: Every key of the file, in the order in which they are shown.
RULES: Mapping[str, Rule] = {
    "rim.at_least_mm": Rule("limit", 0, 5, "rim when centred, at least"),
    "rim.at_most_mm": Rule("limit", 0, 5, "rim that can be turned over by hand, at most"),
    "ledge.at_least_mm": Rule("limit", 0, 5, "ledge under the stone, at least"),
    "wall.beside_seat_at_least_mm": Rule("limit", 0, 5, "wall beside the seat after burring, at least"),
    "girdle.metal_above_at_least_mm": Rule("limit", 0, 5, "metal above the girdle, at least"),
    "girdle.metal_above_at_most_mm": Rule("limit", 0, 5, "metal above the girdle, at most"),
    "girdle.thickness_percent": Rule("number", 0, 30, "girdle thickness where not measured", "percentage"),
    "girdle.thickness_spread_percent": Rule("number", 0, 30, "give or take", "percentage"),
    "crown.cover_at_least_percent": Rule("number", 0, 100, "share of the crown covered, at least", "percentage"),
    "crown.cover_at_most_percent": Rule("number", 0, 100, "share of the crown covered, at most", "percentage"),
    "length.clearance_mm": Rule("number", 0, 10, "free height under the culet"),
    "length.closed_clearance_mm": Rule("number", 0, 10, "free height under the culet above a closed back"),
    "length.round_up_to_mm": Rule("number", 0.01, 10, "lengths to cut are multiples of"),
    "bur.sizes_mm": Rule("sizes", 0.1, 50, "setting burs at hand"),
    "bur.tolerance_mm": Rule("number", 0, 1, "a bur is true to plus or minus"),
    "punch.sizes_mm": Rule("sizes", 0.1, 50, "bezel punches at hand"),
    "punch.over_tube_mm": Rule("number", 0, 5, "punch over the tube by, at least"),
    "saw.kerf_mm": Rule("number", 0, 5, "a saw cut takes off"),
    "setting.own_from_mm": Rule("number", 0, 50, "smallest stone worth a tube setting of its own"),
    "caliper.outside_mm": Rule("number", 0.0001, 1, "outside lengths typed are true to plus or minus"),
    "caliper.inside_mm": Rule("number", 0.0001, 1, "bores and depths typed are true to plus or minus"),
}
#: What may differ from metal to metal; lists and tools are the bench's.
PER_METAL = tuple(key for key in RULES if key.split(".")[0] in ("rim", "ledge", "wall", "girdle", "crown", "length"))


class RulesError(ValueError):
    """A file of house rules that can't be used.

    Parameters
    ----------
    problems : sequence of str
        One line each, with the file's name and the line in it.
    """

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


@dataclass(frozen=True)
class Steps:
    """A limit that depends on the stone's diameter: `(below, value)` in rising order, the last below infinity."""

    steps: tuple[tuple[float, float], ...]

    def at(self, stone_mm: float) -> float:
        """Value for a stone of this diameter."""
        return next(value for below, value in self.steps if stone_mm < below)


Value = float | Steps | tuple[float, ...]


@dataclass(frozen=True)
class Entry:
    """A value and the line of the file that sets it."""

    value: Value
    line: int | None


@dataclass(frozen=True)
class RuleFile:
    """What one file sets.

    Parameters
    ----------
    name : str
        File name, for messages.
    entries : mapping
        (metal or "", key) -> entry; the metal "" holds for all.
    metals : mapping of str to tuple of str
        Metal's name -> other names of it.
    """

    name: str
    entries: Mapping[tuple[str, str], Entry]
    metals: Mapping[str, tuple[str, ...]]


def normal_metal(name: str) -> str:
    """Bring a metal's name to the form of the file: "White Gold" -> "white_gold"."""
    return re.sub(r"[\s_-]+", "_", name.strip().lower())


def parse(text: str, name: str) -> RuleFile:
    """Read the text of a file of house rules.

    Raises
    ------
    RulesError
        With one line for every problem found.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RulesError([_syntax_problem(error, text, name)]) from None
    reader = _Reader(name, lines_of_keys(text))
    metals = data.pop("metal", {})
    reader.read("", data, ())
    if not isinstance(metals, dict):
        reader.complain(("metal",), "metal must be a table such as [metal.silver]")
        metals = {}
    aliases: dict[str, tuple[str, ...]] = {}
    for metal, table in metals.items():
        path = ("metal", metal)
        if not isinstance(table, dict):
            reader.complain(path, f"metal.{metal} must be a table such as [metal.{metal}.rim]")
            continue
        table = dict(table)
        also = table.pop("also", [])
        if not (isinstance(also, list) and all(isinstance(other, str) for other in also)):
            reader.complain((*path, "also"), f'metal.{metal}.also must be a list of names such as ["sterling"]')
            also = []
        aliases[normal_metal(metal)] = tuple(normal_metal(other) for other in also)
        reader.read(normal_metal(metal), table, path)
    if reader.problems:
        raise RulesError([message for _, message in sorted(reader.problems, key=lambda problem: problem[0])])
    return RuleFile(name, reader.entries, aliases)


def _syntax_problem(error: tomllib.TOMLDecodeError, text: str, name: str) -> str:
    message = str(error)
    place = _SYNTAX_PLACE.search(message)
    lines = text.split("\n")
    number = int(place[1]) if place and place[1] else max(1, len(lines))
    reason = _SYNTAX_PLACE.sub("", message).rstrip(".")
    line = lines[number - 1] if number <= len(lines) else ""
    problem = f"{name} line {number}: not valid TOML ({reason})"
    if _DECIMAL_COMMA.search(line.partition("#")[0]):
        problem += "; decimals need a point: 0.15, not 0,15"
    return problem


class _Reader:
    def __init__(self, name: str, lines: dict[tuple[str, ...], int]) -> None:
        self.name = name
        self.lines = lines
        self.entries: dict[tuple[str, str], Entry] = {}
        self.problems: list[tuple[int, str]] = []

    def complain(self, path: tuple[str, ...], message: str) -> None:
        line = line_of(path, self.lines) or 0
        self.problems.append((line, f"{self.name} line {line}: {message}"))

    def read(self, metal: str, data: Mapping[str, Any], prefix: tuple[str, ...]) -> None:
        for path, value in _leaves(data):
            key = ".".join(path)
            full = (*prefix, *path)
            if key not in RULES:
                self.complain(full, f"unknown key {'.'.join(full)}; {_hint(key)}")
                continue
            if metal and key not in PER_METAL:
                self.complain(full, f"{key} can't differ from metal to metal")
                continue
            parsed = self._value(RULES[key], value, full)
            if parsed is not None:
                self.entries[metal, key] = Entry(parsed, line_of(full, self.lines))

    def _value(self, rule: Rule, value: Any, path: tuple[str, ...]) -> Value | None:
        if rule.kind == "sizes":
            return self._sizes(rule, value, path)
        if rule.kind == "limit" and isinstance(value, dict):
            return self._steps(rule, value, path)
        return self._number(rule, value, path)

    def _number(self, rule: Rule, value: Any, path: tuple[str, ...]) -> float | None:
        # `true` is an int to Python and nan slips through comparisons: both are refused on purpose.
        is_number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if is_number and rule.low <= value <= rule.high:
            return float(value)
        shown = str(value).lower() if isinstance(value, bool) else repr(value)
        self.complain(
            path, f"{'.'.join(path)} must be a {rule.noun} between {rule.low:g} and {rule.high:g}, found {shown}"
        )
        return None

    def _sizes(self, rule: Rule, value: Any, path: tuple[str, ...]) -> tuple[float, ...] | None:
        if not (isinstance(value, list) and value):
            self.complain(path, f"{'.'.join(path)} must be a list of lengths such as [5.0, 5.5, 6.0], found {value!r}")
            return None
        sizes = [self._number(rule, size, path) for size in value]
        return tuple(sorted({size for size in sizes if size is not None}))

    def _steps(self, rule: Rule, table: Mapping[str, Any], path: tuple[str, ...]) -> Steps | None:
        before = len(self.problems)
        steps: list[tuple[float, float]] = []
        for step, value in table.items():
            match = _BELOW.fullmatch(step.strip().lower())
            if match is None and step != OTHERWISE:
                self.complain(
                    (*path, step), f'{".".join(path)} has the step "{step}"; write "below 3" or "{OTHERWISE}"'
                )
                continue
            below = float(match[1].replace(",", ".")) if match else math.inf
            number = self._number(rule, value, (*path, step))
            if any(below == other for other, _ in steps):
                self.complain((*path, step), f'{".".join(path)} has the step "{step}" twice')
            if number is not None:
                steps.append((below, number))
        if OTHERWISE not in table:
            self.complain(path, f'{".".join(path)} needs a last step "{OTHERWISE}" for all larger stones')
        if len(self.problems) > before:
            return None
        steps.sort()
        return Steps(tuple(steps))


def _leaves(data: Mapping[str, Any], prefix: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Walk the sections down to the keys; a table of steps under a key is its value."""
    for name, value in data.items():
        path = (*prefix, name)
        if isinstance(value, dict) and _is_section(".".join(path)):
            yield from _leaves(value, path)
        else:
            yield path, value


def _is_section(name: str) -> bool:
    return any(key.startswith(name + ".") for key in RULES)


def _hint(key: str) -> str:
    if _is_section(key):
        inside = ", ".join(other.partition(".")[2] for other in RULES if other.startswith(key + "."))
        return f"write a section [{key}] with {inside}"
    near = difflib.get_close_matches(key, RULES, n=1)
    return f"did you mean {near[0]}?" if near else "`rimsight rules show` lists those there are"
