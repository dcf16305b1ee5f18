"""Statistics of outcomes, and the table that shows them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from tests.bench.accuracy_photo import OF_KIND, QUANTITIES, Outcome

#: 95th percentile of the absolute error, millimetres: what must be, and what is aimed at. The musts are the limits of
#: hand calipers outside (DIN 862: 0.02) and inside (0.04, here 0.03); the rest is the project's own aim.
TARGETS_MM = {
    "stone": (0.02, 0.008),
    "outer": (0.02, 0.010),
    "bore": (0.03, 0.015),
    "rim": (0.015, 0.006),
    "smallest": (0.015, 0.006),
}
COVERAGE_FROM, COVERAGE_TO = 0.93, 0.98
TRAITS = (
    "focal length in EXIF",
    "no focal length",
    "25 px/mm and more",
    "under 25 px/mm",
    "chamfered tube",
    "plain tube edge",
)


@dataclass(frozen=True)
class Statistics:
    """Errors of a quantity, millimetres; NaN where there is none.

    Parameters
    ----------
    asked : int
        Photographs that show it.
    read : int
        Photographs on which it was read.
    mean, median, p95, largest : float
        Mean and median error; 95th percentile and largest of the absolute error.
    coverage : float
        Share of the stated 95 % intervals that hold the truth.
    u95 : float
        Median of the stated 95 % uncertainty.
    """

    asked: int
    read: int
    mean: float
    median: float
    p95: float
    largest: float
    coverage: float
    u95: float

    @property
    def refused(self) -> float:
        """Share that was not read."""
        return 1.0 - self.read / self.asked if self.asked else float("nan")


def statistics(outcomes: Iterable[Outcome], name: str, *, plain: bool = False) -> Statistics:
    """Statistics of one quantity, by the program or by the plain recipe."""
    figures = [outcome.figures[name] for outcome in outcomes if name in outcome.figures]
    pairs = [(f.plain if plain else f.value, f.true, f.u95) for f in figures]
    kept = [(value, true, u95) for value, true, u95 in pairs if value is not None]
    if not kept:
        nan = float("nan")
        return Statistics(len(figures), 0, nan, nan, nan, nan, nan, nan)
    errors = np.array([value - true for value, true, _ in kept])
    size = np.abs(errors)
    coverage = u95 = float("nan")
    if not plain:
        stated = np.array([u for _, _, u in kept], dtype=np.float64)
        coverage, u95 = float(np.mean(size <= stated)), float(np.median(stated))
    return Statistics(
        len(figures), len(kept), float(errors.mean()), float(np.median(errors)), float(np.percentile(size, 95)),
        float(size.max()), coverage, u95,
    )  # fmt: skip


def table(outcomes: list[Outcome]) -> str:
    """The accuracy table as text."""
    head = (
        f"{'quantity':<16} {'by':<8} {'n':>4} {'mean':>8} {'median':>8} {'95 % |e|':>9} {'largest':>8} {'coverage':>9} "
        f"{'U95 med':>8} {'not read':>9}  {'must':>6} {'aim':>6}  met"
    )
    lines = ["errors in millimetres", head, "-" * len(head)]
    for name, (_, _, words, recipe) in QUANTITIES.items():
        own = statistics(outcomes, name)
        lines.append(f"{words:<16} {'rimsight':<8} {_numbers(own)}  {_target(name, own)}")
        if recipe is not None:
            lines.append(f"{'':<16} {'plain':<8} {_numbers(statistics(outcomes, name, plain=True))}")
    lines += ["", "split", "-" * len(head)]
    for trait in TRAITS:
        group = [outcome for outcome in outcomes if trait in outcome.traits]
        for name, (_, _, words, _) in QUANTITIES.items():
            own = statistics(group, name)
            if own.asked:
                lines.append(f"{words:<16} {'':<8} {_numbers(own)}  {trait}")
    lines += ["", *shares(outcomes)]
    return "\n".join(lines)


def shares(outcomes: list[Outcome]) -> list[str]:
    """Lines for coverage over all, verdicts, subjects found, refusals and failures."""
    every = [
        abs(f.value - f.true) <= f.u95
        for outcome in outcomes
        for f in outcome.figures.values()
        if f.value is not None and f.u95 is not None
    ]
    lines = []
    if every:
        coverage = float(np.mean(every))
        met = COVERAGE_FROM <= coverage <= COVERAGE_TO
        lines.append(
            f"stated 95 % intervals that hold the truth: {coverage:.1%} of {len(every)} (must 93-98 %: {_met(met)})"
        )
    rims = [outcome for outcome in outcomes if outcome.wrongly_adequate is not None]
    if rims:
        wrong = sum(bool(outcome.wrongly_adequate) for outcome in rims)
        under = sum(bool(outcome.truly_under) for outcome in rims)
        lines.append(
            f"rims called adequate though truly under the limit: {wrong} of {len(rims)} judged, {under} truly under it "
            f"(must at most 1 % of those judged: {_met(wrong <= 0.01 * len(rims))})"
        )
        verdicts = Counter(outcome.verdict for outcome in rims)
        lines.append("verdicts: " + ", ".join(f"{count} {verdict}" for verdict, count in verdicts.most_common()))
    if outcomes:
        found = sum(outcome.found for outcome in outcomes) / len(outcomes)
        lines.append(f"main subject found unaided: {found:.1%} of {len(outcomes)} (must 99 %: {_met(found >= 0.99)})")
    for what, pick in _KINDS.items():
        for kind in OF_KIND:
            counted = Counter(text for outcome in outcomes if outcome.kind == kind and (text := pick(outcome)))
            total = sum(outcome.kind == kind for outcome in outcomes)
            if counted:
                reasons = ", ".join(f"{count} {text}" for text, count in counted.most_common())
                lines.append(f"{what}, {kind}: {sum(counted.values())} of {total} ({reasons})")
    return lines


_KINDS: dict[str, Callable[[Outcome], str]] = {
    "refused": lambda outcome: outcome.refusal,
    "FAILED": lambda outcome: outcome.failure,
}


def photo_line(outcome: Outcome) -> str:
    """One photograph's errors over their stated uncertainties."""
    parts = []
    for name, figure in outcome.figures.items():
        if figure.value is not None and figure.u95 is not None:
            error = figure.value - figure.true
            parts.append(f"{name} {error:+.4f} (U {figure.u95:.4f}{'' if abs(error) <= figure.u95 else ', OUTSIDE'})")
    own = outcome.refusal or outcome.failure or ", ".join(parts)
    return f"{outcome.photo:<34} {own}{'' if outcome.found else '  [subject not found]'}"


def _numbers(s: Statistics) -> str:
    if not s.read:
        return f"{0:>4} {'-':>8} {'-':>8} {'-':>9} {'-':>8} {'-':>9} {'-':>8} {s.refused:>9.0%}"
    coverage = f"{s.coverage:.1%}" if s.coverage == s.coverage else "-"
    u95 = f"{s.u95:.4f}" if s.u95 == s.u95 else "-"
    return (
        f"{s.read:>4} {s.mean:>+8.4f} {s.median:>+8.4f} {s.p95:>9.4f} {s.largest:>8.4f} {coverage:>9} {u95:>8} "
        f"{s.refused:>9.0%}"
    )


def _target(name: str, s: Statistics) -> str:
    must, aim = TARGETS_MM[name]
    met = "aim met" if s.p95 <= aim else "must met" if s.p95 <= must else "MISSED"
    return f"{must:>6.3f} {aim:>6.3f}  {met}"


def _met(yes: bool) -> str:
    return "met" if yes else "MISSED"
