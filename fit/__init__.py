"""Numbers to advice: the shared fit checker. No images, no files but the house rules.

    from rimsight import fit
    report = fit.check(fit.Stone(6.12), fit.Tube(6.5, 5.23), fit.default_rules())

Names are loaded when they are first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.fit.decision import conformance_probability, decide
    from rimsight.fit.gauge import awg_mm
    from rimsight.fit.model import Placed, Stone, Tube, resting_height_mm
    from rimsight.fit.numbers import stated, within
    from rimsight.fit.report import FitReport, check, rank
    from rimsight.fit.rules import Rules, RulesError, default_rules, load

_HOME = {
    "conformance_probability": "decision",
    "decide": "decision",
    "awg_mm": "gauge",
    "Placed": "model",
    "Stone": "model",
    "Tube": "model",
    "resting_height_mm": "model",
    "stated": "numbers",
    "within": "numbers",
    "FitReport": "report",
    "check": "report",
    "rank": "report",
    "Rules": "rules",
    "RulesError": "rules",
    "default_rules": "rules",
    "load": "rules",
}

__all__ = [
    "FitReport",
    "Placed",
    "Rules",
    "RulesError",
    "Stone",
    "Tube",
    "awg_mm",
    "check",
    "conformance_probability",
    "decide",
    "default_rules",
    "load",
    "rank",
    "resting_height_mm",
    "stated",
    "within",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
