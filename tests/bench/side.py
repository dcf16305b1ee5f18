"""Side views against rendered photographs with truth: `python -m tests.bench.side [--photos DIR]`.

Prints error and coverage of each figure of stones and tubes. Typed are the check lines, nothing else.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "photos" / "side"

#: Name in the table: truth, path in the program's JSON, unit.
FIGURES: dict[str, tuple[str, str, str]] = {
    "height": ("height_mm", "stone.height_mm", "mm"),
    "girdle diameter": ("girdle_diameter_mm", "stone.diameter_mm", "mm"),
    "crown height": ("crown_height_mm", "stone.crown_height_mm", "mm"),
    "pavilion depth": ("pavilion_depth_mm", "stone.pavilion_depth_mm", "mm"),
    "girdle thickness": ("girdle_thickness_mm", "stone.girdle_thickness_mm", "mm"),
    "table": ("table_mm", "stone.table_mm", "mm"),
    "culet": ("culet_mm", "stone.culet_mm", "mm"),
    "crown angle": ("crown_angle_deg", "stone.crown_angle_deg", "deg"),
    "pavilion angle": ("pavilion_angle_deg", "stone.pavilion_angle_deg", "deg"),
    "tube length": ("length_mm", "tube.length_mm", "mm"),
    "tube outside": ("outer_diameter_mm", "tube.outer_diameter_mm", "mm"),
}


@dataclass(frozen=True)
class Outcome:
    """What came of one photograph.

    Parameters
    ----------
    name : str
        Of the photograph.
    truth : dict
        Its truth file's member `side`.
    figures : dict of str to (true, value, u95)
        By the names of `FIGURES`.
    refusal : str
        Kind of the refusal, or what was taken for what, else empty.
    seconds : float
        Of the whole reading.
    detail : dict
        The program's JSON, empty when it refused.
    """

    name: str
    truth: dict[str, Any]
    figures: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    refusal: str = ""
    seconds: float = 0.0
    detail: dict[str, Any] = field(default_factory=dict)


def judge(path: Path) -> Outcome:
    """Read one photograph by its truth file."""
    from rimsight.calibration.errors import PhotoError
    from rimsight.cli.measuring import measure_photo

    truth = json.loads(path.read_text(encoding="utf-8"))
    side, card = truth["side"], truth["card"]
    # A rule reads to a tenth of a millimetre.
    inputs = {"check_lines": f"{card['across_mm']:.1f} {card['down_mm']:.1f}"}
    start = time.perf_counter()
    try:
        result, _ = measure_photo("side", path.parent / truth["photo"], inputs)
    except PhotoError as refusal:
        return Outcome(path.stem, side, refusal=refusal.kind, seconds=time.perf_counter() - start)
    seconds = time.perf_counter() - start
    if side["of"] not in result:
        return Outcome(path.stem, side, refusal="taken for another kind", seconds=seconds, detail=result)
    found = {}
    for name, (true, where, _) in FIGURES.items():
        if true in side:
            part, member = where.split(".")
            if member in result.get(part, {}):
                quantity = result[part][member]
                found[name] = (float(side[true]), float(quantity["value"]), float(quantity["u95"]))
    return Outcome(path.stem, side, found, "", seconds, result)


def table(outcomes: Sequence[Outcome]) -> list[str]:
    """Lines of the table of errors and coverage."""
    lines = [
        "figure            unit    n      mean    median |e|  95 % |e|   largest  coverage  U95 med",
        "-" * 88,
    ]
    for name, (_, _, unit) in FIGURES.items():
        rows = np.array([outcome.figures[name] for outcome in outcomes if name in outcome.figures])
        if not len(rows):
            continue
        error = rows[:, 1] - rows[:, 0]
        away = np.abs(error)
        lines.append(
            f"{name:17} {unit:4} {len(rows):4} {error.mean():+9.4f}  {np.median(away):10.4f}"
            f" {np.quantile(away, 0.95):9.4f} {away.max():9.4f}  {100 * np.mean(away <= rows[:, 2]):7.1f}%"
            f" {np.median(rows[:, 2]):8.4f}"
        )
    return lines


def summary(outcomes: Sequence[Outcome]) -> list[str]:
    """The table with what was refused."""
    lines = []
    for pose in sorted({outcome.truth["pose"] for outcome in outcomes}):
        ours = [outcome for outcome in outcomes if outcome.truth["pose"] == pose]
        refused: dict[str, int] = {}
        for outcome in ours:
            if outcome.refusal:
                refused[outcome.refusal] = refused.get(outcome.refusal, 0) + 1
        lines += ["", f"{pose}: {len(ours)} photographs", *table(ours)]
        told = ", ".join(f"{count} {kind}" for kind, count in sorted(refused.items())) or "none"
        lines.append(f"refused: {sum(refused.values())} of {len(ours)} ({told})")
    lines.append(f"median time: {np.median([outcome.seconds for outcome in outcomes]):.1f} s")
    return lines


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.side", description=__doc__)
    parser.add_argument("--photos", type=Path, default=PHOTOS)
    parser.add_argument("--part", default="1/1", help="only the i-th of n interleaved parts, i/n")
    parser.add_argument("--only", action="append", help="only photographs with this in their name")
    parser.add_argument("--json", type=Path, help="write what was found here")
    parser.add_argument("--each", action="store_true", help="print a line for every photograph")
    call = parser.parse_args(argv)
    index, parts = (int(v) for v in call.part.split("/"))
    paths = sorted(call.photos.glob("*.json"))
    if call.only:
        paths = [path for path in paths if any(word in path.stem for word in call.only)]
    outcomes = []
    with tempfile.TemporaryDirectory() as home:
        os.environ["RIMSIGHT_HOME"] = home  # neither records nor profiles of whoever runs this
        for path in paths[index - 1 :: parts]:
            outcome = judge(path)
            outcomes.append(outcome)
            if call.each:
                told = outcome.refusal or "  ".join(
                    f"{name} {value - true:+.3f}±{u:.3f}"
                    for name, (true, value, u) in list(outcome.figures.items())[:4]
                )
                quality = outcome.detail.get("quality", {}).get("outline", {})
                print(f"{outcome.name} {outcome.seconds:.1f} s {quality.get('support', '')} {told}", flush=True)
    if call.json:
        call.json.write_text(json.dumps([vars(outcome) for outcome in outcomes]), encoding="utf-8")
    print("\n".join(summary(outcomes)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
