"""The house rules in force: built-in defaults below, the jeweller's own file above them.

No standard gives limits for a tube setting. The defaults are common practice without a published source, say so in
their file, and give way to every line of the jeweller's own: his general limit beats even a built-in limit that is
special to a metal.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from rimsight.fit.rule_file import (
    RULES,
    Entry,
    RuleFile,
    RulesError,
    Steps,
    Value,
    normal_metal,
    parse,
)

__all__ = ["Limit", "Rules", "RulesError", "default_rules", "default_text", "load", "rules_path"]

BUILT_IN = "built-in, common practice, no published source"
FILE_NAME = "rules.toml"
HOME_VARIABLE = "RIMSIGHT_HOME"
_DEFAULTS_NAME = "house_rules.toml"
_DIN_862 = "built-in, DIN 862"
#: A lower limit at or above the upper one leaves no tube that suits.
_PAIRS = (
    ("rim.at_least_mm", "rim.at_most_mm"),
    ("girdle.metal_above_at_least_mm", "girdle.metal_above_at_most_mm"),
    ("crown.cover_at_least_percent", "crown.cover_at_most_percent"),
)


@dataclass(frozen=True)
class Limit:
    """A rule's value for one stone and metal, in mm or percent, and where it comes from."""

    key: str
    value: float
    origin: str


@dataclass(frozen=True)
class Rules:
    """House rules in force.

    Parameters
    ----------
    layers : tuple of RuleFile
        Lowest first: the built-in defaults, then the jeweller's file if there is one.
    path : Path, optional
        The jeweller's file.
    """

    layers: tuple[RuleFile, ...]
    path: Path | None = None

    def metal(self, name: str | None) -> str | None:
        """Name under which the rules know a metal; None if they don't, or none was named."""
        if name is None:
            return None
        wanted = normal_metal(name)
        for layer in reversed(self.layers):
            for metal, others in layer.metals.items():
                if wanted == metal or wanted in others:
                    return metal
        return None

    def metals(self) -> tuple[str, ...]:
        """Metals that the rules know, in alphabetical order."""
        return tuple(sorted({metal for layer in self.layers for metal in layer.metals}))

    def entry(self, key: str, metal: str | None = None) -> tuple[Entry, RuleFile]:
        """What is in force for a key, and the file that sets it.

        Raises
        ------
        ValueError
            If there is no such key.
        """
        if key not in RULES:
            raise ValueError(f"no house rule {key!r}; there are {', '.join(RULES)}")
        known = self.metal(metal)
        for layer in reversed(self.layers):
            for name in (known, "") if known else ("",):
                if (name, key) in layer.entries:
                    return layer.entries[name, key], layer
        raise ValueError(f"house rule {key} is set in no file")  # the defaults set all; a test holds that

    def limit(self, key: str, stone_mm: float, metal: str | None = None) -> Limit:
        """Value in force for a stone of this diameter (mm) in this metal.

        Raises
        ------
        ValueError
            If there is no such key, or it holds a list.
        """
        value = self.entry(key, metal)[0].value
        if isinstance(value, tuple):
            raise ValueError(f"house rule {key} is a list of sizes, not a limit")
        number = value.at(stone_mm) if isinstance(value, Steps) else value
        return Limit(key, number, self.origin(key, metal))

    def number(self, key: str, metal: str | None = None) -> float:
        """Value in force of a rule that is the same for every stone, mm or percent.

        Raises
        ------
        ValueError
            If there is no such key, or it may depend on the stone.
        """
        value = self.entry(key, metal)[0].value
        if RULES[key].kind != "number" or not isinstance(value, float):
            raise ValueError(f"house rule {key} is not a single number")
        return value

    def sizes(self, key: str) -> tuple[float, ...]:
        """Sizes in rising order of a rule that is a list, mm."""
        value = self.entry(key)[0].value
        if not isinstance(value, tuple):
            raise ValueError(f"house rule {key} is not a list of sizes")
        return value

    def origin(self, key: str, metal: str | None = None) -> str:
        """Where the value in force comes from: "rules.toml line 14", or built-in and on what ground."""
        entry, layer = self.entry(key, metal)
        if layer is self.layers[0]:
            return _DIN_862 if key.startswith("caliper.") else BUILT_IN
        return f"{layer.name} line {entry.line}"


def rules_path() -> Path:
    """Where the jeweller's own file is looked for: `$RIMSIGHT_HOME/rules.toml`, else the user's config folder."""
    home = os.environ.get(HOME_VARIABLE)
    if home:
        return Path(home).expanduser() / FILE_NAME
    from platformdirs import user_config_path

    return user_config_path("rimsight", appauthor=False) / FILE_NAME


def default_text() -> str:
    """Text of the built-in file, comments and all, for the jeweller to start from."""
    return files("rimsight.fit").joinpath(_DEFAULTS_NAME).read_text(encoding="utf-8")


@cache
def default_rules() -> Rules:
    """Built-in rules alone."""
    return Rules((parse(default_text(), _DEFAULTS_NAME),))


def load(path: Path | None = None) -> Rules:
    """Read the house rules in force.

    Parameters
    ----------
    path : Path, optional
        A file that must be there; without it the jeweller's own file, if he has one.

    Raises
    ------
    RulesError
        If the file can't be used: one line for every problem.
    OSError
        If the file can't be read.
    """
    found = path or rules_path()
    if path is None and not found.is_file():
        return default_rules()
    return from_text(_read(found), found.name, path=found)


def from_text(text: str, name: str = FILE_NAME, *, path: Path | None = None) -> Rules:
    """Lay the text of a jeweller's file over the built-in rules.

    Raises
    ------
    RulesError
        If the text can't be used, or leaves a lower limit at or above its upper one.
    """
    own = parse(text, name)
    rules = Rules((*default_rules().layers, own), path)
    problems = _contradictions(rules, own)
    if problems:
        raise RulesError(problems)
    return rules


def _read(path: Path) -> str:
    raw = path.read_bytes()
    try:
        # "-sig": editors on Windows put a byte order mark in front, which TOML does not allow.
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise RulesError([f"{path.name} line {line}: not UTF-8 text; save the file as UTF-8"]) from None


def _contradictions(rules: Rules, own: RuleFile) -> list[str]:
    problems: dict[int, str] = {}
    for low_key, high_key in _PAIRS:
        for metal in (None, *rules.metals()):
            low, high = rules.entry(low_key, metal), rules.entry(high_key, metal)
            mine = [entry for entry, layer in (low, high) if layer is own]
            # A general limit may well contradict a built-in one of a metal that this bench never touches.
            if not mine or (metal and not any((metal, key) in own.entries for key in (low_key, high_key))):
                continue
            for stone_mm in (*_bounds(low[0].value), *_bounds(high[0].value)):
                at_least = rules.limit(low_key, stone_mm, metal).value
                at_most = rules.limit(high_key, stone_mm, metal).value
                if at_least >= at_most:
                    line = max(entry.line or 0 for entry in mine)
                    of_metal = f" in {metal}" if metal else ""
                    problems.setdefault(
                        line,
                        f"{own.name} line {line}: {low_key} ({at_least:g}) must be below {high_key} ({at_most:g}) "
                        f"for a stone of {stone_mm:g} mm{of_metal}",
                    )
                    break
    return [problems[line] for line in sorted(problems)]


def _bounds(value: Value) -> list[float]:
    """One stone diameter inside every step."""
    if not isinstance(value, Steps):
        return [5.0]
    edges = [below for below, _ in value.steps]
    starts = [0.0, *edges[:-1]]
    return [start + 1.0 if math.isinf(edge) else (start + edge) / 2 for start, edge in zip(starts, edges, strict=True)]
