"""The fit checker: stone, tube and house rules in, one report out.

Photographs, typed caliper figures and the search through the stock all come here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rimsight.fit import checks as _checks
from rimsight.fit.advice import Advice, advise, choose_bur_mm
from rimsight.fit.checks import ADEQUATE, Check
from rimsight.fit.decision import Outcome
from rimsight.fit.model import Placed, Stone, Tube
from rimsight.fit.numbers import Number, nominal, plain_mm, to_json
from rimsight.fit.rules import Rules, load

SCHEMA = "rimsight/1"
TOO_THIN = "too thin"
CLOSE = "too close to call"
#: Cautions that are worth a word even when they are not proved.
_CAUTION_WHEN_CLOSE = ("rim_as_placed",)


@dataclass(frozen=True)
class FitReport:
    """Everything the checker has to say about one stone and one tube.

    Parameters
    ----------
    stone, tube, placed : Stone, Tube, Placed
        As given.
    checks : tuple of Check
        In the order of importance.
    verdict : {"adequate", "too thin", "too close to call"}
        "too thin": metal is proved to be missing somewhere (rim, wall, ledge, length, or a bore that the stone
        falls through): one decisive check failed. "too close to call": none failed, but one can't be decided.
        "adequate": every decisive check that could be made was passed.
    reasons : tuple of str
        Sentences of the checks that made the verdict.
    warnings : tuple of str
        Cautions, what could not be checked, and unknown names.
    advice : Advice
        Figures to work by.
    """

    stone: Stone
    tube: Tube
    placed: Placed | None
    checks: tuple[Check, ...]
    verdict: str
    reasons: tuple[str, ...]
    warnings: tuple[str, ...]
    advice: Advice

    def __getitem__(self, name: str) -> Check:
        """The check of that name."""
        for check in self.checks:
            if check.name == name:
                return check
        raise KeyError(name)

    @property
    def headline(self) -> str:
        """Verdict and, unless adequate, what it is about: "too thin: ledge under the stone (too narrow)"."""
        if self.verdict == ADEQUATE:
            return self.verdict
        outcome = Outcome.FAIL if self.verdict == TOO_THIN else Outcome.CLOSE
        about = [
            check.title if check.verdict == self.verdict else f"{check.title} ({check.verdict})"
            for check in self.checks
            if check.decisive and check.outcome is outcome
        ]
        return f"{self.verdict}: {', '.join(about)}"

    def to_json(self) -> dict[str, Any]:
        """The report as plain members of the schema `rimsight/1`."""
        stone = {
            "diameter_mm": self.stone.diameter_mm,
            "smallest_mm": self.stone.smallest_mm,
            "largest_mm": self.stone.largest_mm,
            "height_mm": self.stone.height_mm,
            "girdle_thickness_mm": self.stone.girdle_mm,
            "pavilion_angle_deg": self.stone.pavilion_angle_deg,
            "inner_mm": self.stone.inner_mm,
        }
        tube = {
            "outer_diameter_mm": self.tube.outer_mm,
            "bore_diameter_mm": self.tube.bore_mm,
            "wall_mm": self.tube.wall_mm,
            "length_mm": self.tube.length_mm,
            "seat_depth_mm": self.tube.seat_depth_mm,
        }
        rim: dict[str, Any] = {"centred_mm": to_json((self.tube.outer_mm - self.stone.diameter_mm) / 2)}
        if self.placed is not None:
            rim |= _quantities(
                {
                    "smallest_mm": self.placed.smallest_rim_mm,
                    "mean_mm": self.placed.mean_rim_mm,
                    "offset_mm": self.placed.offset_mm,
                }
            )
            rim["smallest_at_clock"] = self.placed.smallest_at_clock
        return {
            "schema": SCHEMA,
            "stone": _quantities(stone),
            "tube": {**_quantities(tube), "metal": self.tube.metal},
            "rim": rim,
            "verdict": self.verdict,
            "reasons": list(self.reasons),
            "checks": [check.to_json() for check in self.checks],
            "advice": self.advice.to_json(),
            "warnings": list(self.warnings),
        }


def check(stone: Stone, tube: Tube, rules: Rules | None = None, *, placed: Placed | None = None) -> FitReport:
    """Judge one stone and one tube by the house rules.

    Parameters
    ----------
    stone, tube : Stone, Tube
        What was measured; what is missing is reported as not checked.
    rules : Rules, optional
        House rules; those in force if not given.
    placed : Placed, optional
        The stone as it was seen lying on the tube.

    Returns
    -------
    FitReport

    Examples
    --------
    >>> from rimsight.fit.rules import default_rules
    >>> check(Stone(6.12), Tube(6.5, 5.23), default_rules()).verdict
    'adequate'
    """
    rules = load() if rules is None else rules
    results = _checks.run(stone, tube, rules, placed=placed, bur_mm=choose_bur_mm(stone, rules))
    decisive = [result for result in results if result.decisive]
    failed = [result for result in decisive if result.outcome is Outcome.FAIL]
    close = [result for result in decisive if result.outcome is Outcome.CLOSE]
    if failed:
        verdict, reasons = TOO_THIN, failed
    elif close:
        verdict, reasons = CLOSE, close
    else:
        verdict, reasons = ADEQUATE, [result for result in decisive if result.outcome is Outcome.PASS]
    return FitReport(
        stone,
        tube,
        placed,
        results,
        verdict,
        tuple(result.sentence for result in reasons),
        tuple(_warnings(tube, rules, results)),
        advise(stone, tube, rules),
    )


def _warnings(tube: Tube, rules: Rules, results: tuple[Check, ...]) -> list[str]:
    warnings = [
        result.sentence
        for result in results
        if not result.decisive
        and (
            result.outcome is Outcome.FAIL
            or (result.outcome is Outcome.CLOSE and result.name in _CAUTION_WHEN_CLOSE)
        )
    ]
    warnings += [
        result.sentence
        for result in results
        if result.outcome is Outcome.NOT_CHECKED and result.name != "rim_at_widest"
    ]
    if tube.metal and rules.metal(tube.metal) is None:
        warnings.append(
            f"The house rules know no metal {tube.metal!r}, the general limits were used; they know "
            f"{', '.join(rules.metals())}."
        )
    return warnings


def rank(stone: Stone, tubes: list[tuple[str, Tube]], rules: Rules | None = None) -> list[tuple[str, FitReport]]:
    """Judge a stone against several tubes, those that suit first.

    Adequate before too close before too thin; among equals those without cautions first, then the thinner rim,
    which is the easier one to turn over (common practice, no source); of too thin ones the one that lacks least.

    Parameters
    ----------
    stone : Stone
        The stone.
    tubes : list of (str, Tube)
        Name and tube.
    rules : Rules, optional
        House rules; those in force if not given.
    """
    rules = load() if rules is None else rules
    reports = [(name, check(stone, tube, rules)) for name, tube in tubes]
    return sorted(reports, key=lambda item: _order(item[1]))


def _order(report: FitReport) -> tuple[int, int, float]:
    place = (ADEQUATE, CLOSE, TOO_THIN).index(report.verdict)
    if report.verdict == TOO_THIN:
        lacks = [
            -result.decision.margin_mm
            for result in report.checks
            if result.decisive and result.outcome is Outcome.FAIL and result.decision is not None
        ]
        return place, 0, max(lacks)
    cautions = sum(1 for result in report.checks if not result.decisive and result.outcome is Outcome.FAIL)
    return place, cautions, nominal(report.tube.outer_mm)


def summary(report: FitReport) -> str:
    """One line: "6.12 mm stone on 6.5 mm tube: adequate"."""
    stone, tube = nominal(report.stone.diameter_mm), nominal(report.tube.outer_mm)
    return f"{plain_mm(stone)} stone on {plain_mm(tube)} tube: {report.headline}"


def _quantities(members: dict[str, Number | None]) -> dict[str, Any]:
    return {name: to_json(value) for name, value in members.items() if value is not None}
