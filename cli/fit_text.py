"""The fit report in plain aligned text; every verdict is a word, never a colour alone."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from rimsight.fit.checks import ADEQUATE
from rimsight.fit.decision import Outcome
from rimsight.fit.numbers import in_words, nominal, plain_mm

if TYPE_CHECKING:
    from rimsight.fit.checks import Check
    from rimsight.fit.report import FitReport

WIDTH = 96  #: characters
HEADINGS = ("check", "reading", "limit", "verdict")


def report_text(report: FitReport) -> str:
    """Write a report for people.

    Parameters
    ----------
    report : FitReport
        From `rimsight.fit.check`.

    Returns
    -------
    str
        Lines of less than 100 characters; no colours.
    """
    parts = [_subject(report), "", f"Verdict: {report.headline}", "", *table(report.checks)]
    bench = "At the bench"
    if report.verdict != ADEQUATE:
        parts += _section("Because", report.reasons)
        parts += ["", *_wrapped(report.advice.tube_wanted.sentence)]
        bench = "If you use it all the same"
    # What was not checked stands in the table already.
    unchecked = {check.sentence for check in report.checks if check.outcome is Outcome.NOT_CHECKED}
    parts += _section("Note", [warning for warning in report.warnings if warning not in unchecked])
    parts += _section(bench, report.advice.steps)
    parts += _section("Mind", report.advice.cautions)
    parts += ["", f"Limits: {limits_from(report.checks)}. See `rimsight rules`."]
    return "\n".join(parts)


def table(checks: tuple[Check, ...]) -> list[str]:
    """Lines of the table of checks; what was not checked has its reason in place of the figures."""
    rows = [HEADINGS]
    for check in checks:
        if check.value_mm is not None and check.limit is not None:
            limit = f"{check.bound} {plain_mm(check.limit.value)}" if check.limit.key else "above 0 mm"
            rows.append((check.title, in_words(check.value_mm), limit, check.verdict))
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    lines = ["  " + "   ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    lines += [f"  {check.sentence}" for check in checks if check.outcome is Outcome.NOT_CHECKED]
    return [line.rstrip() for line in lines]


def limits_from(checks: tuple[Check, ...]) -> str:
    """Where the limits come from, each origin once: "built-in, common practice, no published source"."""
    # A file counts once, not with each of its lines: those are in the JSON.
    origins = [
        check.limit.origin.partition(" line ")[0] for check in checks if check.limit is not None and check.limit.key
    ]
    return "; ".join(dict.fromkeys(origins))


def _subject(report: FitReport) -> str:
    stone, tube = report.stone, report.tube
    text = f"Stone {plain_mm(nominal(stone.diameter_mm))}"
    if stone.height_mm is not None:
        text += f", {plain_mm(nominal(stone.height_mm))} high"
    text += f", on tube {plain_mm(nominal(tube.outer_mm))}"
    if tube.bore_mm is not None:
        text += f", bore {plain_mm(round(nominal(tube.bore_mm), 3))}"
    return text + (f", {tube.metal}" if tube.metal else "")


def _section(title: str, sentences: tuple[str, ...] | list[str]) -> list[str]:
    if not sentences:
        return []
    lines = [line for sentence in sentences for line in _wrapped(sentence, "  - ")]
    return ["", f"{title}:", *lines]


def _wrapped(sentence: str, bullet: str = "") -> list[str]:
    return textwrap.wrap(
        sentence, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False,
        break_on_hyphens=False,
    )
