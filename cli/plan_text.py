"""The cut plan in plain aligned text."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from rimsight.cli.fit_text import WIDTH, limits_from, table
from rimsight.fit.advice import CAUTIONS
from rimsight.fit.checks import ADEQUATE
from rimsight.fit.decision import Outcome
from rimsight.fit.numbers import in_words, nominal, plain_mm
from rimsight.fit.plan import written

if TYPE_CHECKING:
    from rimsight.fit.plan import Plan


def plan_text(plan: Plan, *, label: str = "", remarks: tuple[str, ...] = ()) -> str:
    """Write a cut plan for people.

    Parameters
    ----------
    plan : Plan
        From `rimsight.fit.plan.make`.
    label : str
        The tube's name in the stock.
    remarks : tuple of str
        What else there is to mind.
    """
    report = plan.report
    tube = report.tube
    subject = f"Stone {written(report.stone)}, on tube {label + ', ' if label else ''}"
    subject += f"{plain_mm(round(nominal(tube.outer_mm), 3))}, wall {plain_mm(round(nominal(tube.wall_mm), 4))}"
    subject += f", {tube.metal}" if tube.metal else ""
    lines = [subject + (", closed back" if tube.closed_back else ""), "", f"Verdict: {report.headline}"]
    if report.verdict != ADEQUATE:
        lines += _section("Because", report.reasons)
        lines += ["", *_wrapped(report.advice.tube_wanted.sentence)]
    lines += ["", *_figures(plan)]
    lines += ["", *table(report.checks)]
    unchecked = {check.sentence for check in report.checks if check.outcome is Outcome.NOT_CHECKED}
    lines += _section("Note", [warning for warning in (*remarks, *plan.warnings) if warning not in unchecked])
    lines += ["", "At the bench:" if report.verdict == ADEQUATE else "If you use it all the same:"]
    for number, step in enumerate(plan.steps, start=1):
        lines += _wrapped(step.do, f"  {number}. ")
        lines += _wrapped(f"Otherwise: {step.otherwise}", "     ")
    lines += _section("Mind", CAUTIONS)
    if plan.section.assumed:
        named = ", ".join(name.rpartition("_")[0].replace("_", " ") for name in plan.section.assumed)
        lines += ["", *_wrapped(f"Not measured, taken from usual proportions (Tolkowsky 1919, wide): {named}.")]
    lines += ["", f"Limits: {limits_from(report.checks)}. See `rimsight rules`."]
    return "\n".join(lines)


def _figures(plan: Plan) -> list[str]:
    bur, punch = plan.setting_bur_mm, plan.bezel_punch_mm
    tube = plan.report.tube
    below = nominal(plan.table_above_mm) < 0
    rows = [
        ("cut", plain_mm(plan.cut_length_mm), f"takes {plain_mm(plan.taken_mm)} off the tube, the saw cut included"
         if plan.taken_mm > plan.cut_length_mm else "all that is left of the tube"),
        ("setting bur", "by hand" if bur is None else plain_mm(bur),
         "" if bur is None else f"{in_words((tube.outer_mm - bur) / 2)} of wall beside it"),
        ("seat", plain_mm(plan.seat_depth_mm), "deep, to the girdle's lower edge"),
        ("above the girdle", in_words(plan.metal_above_mm),
         f"covers about {nominal(plan.cover_percent):.0f} % of the crown's slope when turned over"),
        ("table", in_words(-plan.table_above_mm if below else plan.table_above_mm),
         f"{'below' if below else 'above'} the tube's end, before the rim is turned over"),
        ("under the culet", in_words(plan.under_culet_mm), "free, to the tube's lower end"),
        ("bezel punch", "none fits" if punch is None else plain_mm(punch), ""),
    ]
    wide, wider = (max(len(row[column]) for row in rows) for column in (0, 1))
    return [f"  {name.ljust(wide)}   {value.ljust(wider)}   {note}".rstrip() for name, value, note in rows]


def _section(title: str, sentences: tuple[str, ...] | list[str]) -> list[str]:
    if not sentences:
        return []
    return ["", f"{title}:", *(line for sentence in sentences for line in _wrapped(sentence, "  - "))]


def _wrapped(sentence: str, bullet: str = "") -> list[str]:
    return textwrap.wrap(
        sentence, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False,
        break_on_hyphens=False,
    )
