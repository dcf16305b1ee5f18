"""The answer of `rimsight stock find`: tubes ranked, what to order, and whether the stone is worth a tube."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rimsight.cli.fit_text import WIDTH, limits_from
from rimsight.cli.stock_rows import aligned
from rimsight.cli.tubes import at_hand
from rimsight.fit.checks import ADEQUATE
from rimsight.fit.decision import Outcome
from rimsight.fit.numbers import in_words, nominal, plain_mm, to_json
from rimsight.fit.order import Candidate, Order, candidates, own_setting, what_to_order
from rimsight.fit.plan import written

if TYPE_CHECKING:
    from rimsight.archive.stock import StockTube
    from rimsight.fit.model import Stone
    from rimsight.fit.report import FitReport
    from rimsight.fit.rules import Rules

SHOWN = 10
VERDICT_WIDTH = 54  #: characters


@dataclass(frozen=True)
class Found:
    """What the search came to.

    Parameters
    ----------
    stone : Stone
        As given.
    ranked : list of Candidate
        Tubes that suit first.
    order : Order
        What to ask a supplier for.
    advisable, reason
        Whether a tube of its own is worth making.
    remarks : list of str
        Tubes that were not looked at, and contradictions.
    """

    stone: Stone
    ranked: list[Candidate]
    order: Order
    advisable: bool
    reason: str
    remarks: list[str]

    @property
    def suits(self) -> bool:
        """Whether a tube at hand is sure to suit."""
        return bool(self.ranked) and self.ranked[0].report.verdict == ADEQUATE

    def to_json(self) -> dict[str, Any]:
        """Plain members, units in their names."""
        stone = {"diameter_mm": to_json(self.stone.diameter_mm), "written": written(self.stone)}
        if self.stone.height_mm is not None:
            stone["height_mm"] = to_json(self.stone.height_mm)
        return {
            "stone": stone,
            "ranked": [_candidate(candidate) for candidate in self.ranked],
            "order": None if self.suits else self.order.to_json(),
            "own_setting": {"advisable": self.advisable, "reason": self.reason},
            "warnings": self.remarks,
        }


def search(
    stone: Stone, kept: list[StockTube], house: Rules, metal: str | None, *, closed_back: bool, remarks: list[str]
) -> Found:
    """Rank the tubes at hand for a stone."""
    tubes, passed_over = at_hand(kept, house, metal, closed_back=closed_back)
    advisable, reason = own_setting(stone, house)
    return Found(
        stone,
        candidates(stone, tubes, house),
        what_to_order(stone, house, metal, closed_back=closed_back),
        advisable,
        reason,
        [*remarks, *passed_over],
    )


def find_text(found: Found, *, show_all: bool) -> str:
    """Write the answer for people."""
    count = len(found.ranked)
    lines = [f"For a stone of {written(found.stone)}, {count} tube{'' if count == 1 else 's'} at hand:"]
    shown = found.ranked if show_all else found.ranked[:SHOWN]
    if shown:
        rows = [("tube", "outside", "rim", "left", "verdict")]
        for candidate in shown:
            tube = candidate.report.tube
            rim = (tube.outer_mm - found.stone.diameter_mm) / 2
            left = "-" if tube.length_mm is None else f"{nominal(tube.length_mm):g}"
            rows.append((
                candidate.label, f"{nominal(tube.outer_mm):.3f}".removesuffix("0"),
                in_words(rim) if nominal(rim) > 0 else "none", left,
                textwrap.shorten(candidate.report.headline, VERDICT_WIDTH, placeholder=" ..."),
            ))
        lines += ["", *(f"  {line}" for line in aligned(rows, numbers=(1, 3)))]
    if count > len(shown):
        lines.append(f"  and {count - len(shown)} more, with --all")
    lines += _reasons(found, shown)
    if not found.suits:
        nothing = "No tube at hand is sure to suit. " if found.ranked else "There is no tube to choose from. "
        lines += ["", *_wrapped(nothing + found.order.sentence)]
    if not found.advisable:
        lines += ["", *_wrapped(found.reason)]
    if found.stone.height_mm is None:
        lines += ["", *_wrapped("The length to cut is not looked at without the stone's height (--height).")]
    lines += [line for remark in found.remarks for line in ("", *_wrapped(remark))]
    if found.ranked:
        lines += ["", f"Limits: {limits_from(found.ranked[0].report.checks)}. See `rimsight rules`."]
    return "\n".join(lines)


def _reasons(found: Found, shown: list[Candidate]) -> list[str]:
    """Why the first is taken and why the others are not."""
    lines = []
    for number, candidate in enumerate(shown):
        report = candidate.report
        sentences = list(report.reasons)
        if report.verdict == ADEQUATE:
            # Of those that suit, the first is told in full; of the others what tells them from it.
            sentences = [_in_short(report)] if number == 0 else []
            sentences += [check.sentence for check in report.checks if check.verdict == "too heavy"]
            if candidate.taken_mm is not None:
                sentences.append(f"A cut takes {plain_mm(candidate.taken_mm)} off it, the saw's kerf included.")
        else:
            sentences = sentences[:2]
        if sentences:
            lines += ["", *_wrapped(f"{candidate.label}: {' '.join(sentences)}", indent="  ")]
    return lines


def _in_short(report: FitReport) -> str:
    """Every check that was passed, in one sentence."""
    passed = [
        f"{check.title} {in_words(check.value_mm)} ({check.bound} {plain_mm(check.limit.value)})"
        for check in report.checks
        if check.decisive and check.outcome is Outcome.PASS and check.limit is not None and check.limit.key
        and check.name != "tube_length"  # told by what a cut takes
    ]
    text = "; ".join(passed)
    return f"{text[:1].upper()}{text[1:]}."


def _candidate(candidate: Candidate) -> dict[str, Any]:
    record = candidate.report.to_json()
    return {
        "label": candidate.label,
        "verdict": candidate.report.verdict,
        "headline": candidate.report.headline,
        "reasons": record["reasons"],
        "warnings": record["warnings"],
        "tube": record["tube"],
        "rim": record["rim"],
        "checks": record["checks"],
        "cut_length_mm": candidate.report.advice.cut_length_mm,
        "taken_from_tube_mm": candidate.taken_mm,
    }


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=indent + indent, break_long_words=False,
        break_on_hyphens=False,
    )
