"""A gauge study from a table: several parts read by several people, each several times."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.calibration.repeatability import Study

COLUMNS = ("part", "operator", "value")
#: Shares of the spread of all readings that the measuring may have: good under the first, poor above the second (AIAG,
#: Measurement Systems Analysis).
GOOD, POOR = 0.10, 0.30
LARGEST_FILE = 1_000_000


def read_study(path: Path) -> Study:
    """Read and analyse a table with the columns part, operator, value; a line for each reading.

    Raises
    ------
    ValueError
        A column is missing, a value is no number, or the study has gaps.
    OSError
        The file can't be read.
    """
    from rimsight.calibration.repeatability import crossed
    from rimsight.cli.values import length_mm

    if path.stat().st_size > LARGEST_FILE:
        raise ValueError(f"{path.name} is too long to be a table of readings")
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise ValueError(f"{path.name} is no text in UTF-8") from None
    divider = max(";\t,", key=lines[0].count) if lines else ","
    rows = csv.DictReader(lines, delimiter=divider, skipinitialspace=True)
    names = [(name or "").strip().lower() for name in rows.fieldnames or ()]
    rows.fieldnames = names
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise ValueError(f"{path.name} lacks the column {missing[0]!r}; its first line must name {', '.join(COLUMNS)}")
    table: dict[str, dict[str, list[float]]] = {}
    for row in rows:
        part, operator, text = ((row[name] or "").strip() for name in COLUMNS)
        if part or operator or text:
            value = length_mm(text, f"{path.name}, line {rows.line_num}")
            table.setdefault(part, {}).setdefault(operator, []).append(value)
    people = sorted({operator for cells in table.values() for operator in cells})
    return crossed([[cells.get(operator, []) for operator in people] for cells in table.values()])


def text_of(study: Study) -> str:
    """The study in words."""
    grade = "good" if study.share < GOOD else "poor" if study.share > POOR else "usable"
    rows = [
        ("repeats", study.repeat),
        ("people", study.operator),
        ("people with parts", study.interaction),
        ("measuring, together", study.gauge),
        ("parts", study.part),
    ]
    lines = [f"Gauge study: {study.parts} parts, {study.operators} people, {study.repeats} repeats", ""]
    lines.append(f"  {'standard deviation of':<22} {'mm':>9}")
    lines += [f"  {name:<22} {math.sqrt(variance):>9.4f}" for name, variance in rows]
    classes = "many" if math.isinf(study.categories) else f"{math.floor(study.categories)}"
    lines += [
        "",
        f"Measuring makes {study.share:.1%} of the spread ({grade}); it tells {classes} classes of parts apart.",
    ]
    return "\n".join(lines)


def as_json(study: Study) -> dict[str, Any]:
    """The study as plain data; variances in square millimetres."""
    from dataclasses import asdict

    names = ("repeat", "operator", "interaction", "part", "gauge", "share")
    return {
        **asdict(study),
        "variances": {name: getattr(study, name) for name in names[:-1]},
        "share": study.share,
        "categories": None if math.isinf(study.categories) else study.categories,
    }
