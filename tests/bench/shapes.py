"""Measure rendered stones that aren't round: `python -m tests.bench.shapes [--photos FOLDER] [--scenes even|odd|all]`.

Runs the command's own function with `--shape auto` and the check lines typed. Prints length and width less their truth
for every photograph that is read, and why the others are refused; then the errors of those read and the share of the
stated 95 % intervals that hold the truth. Default are the committed photographs, too few for a coverage; set "shapes"
of `fixtures.render` has a hundred. Its odd-numbered scenes were used to choose constants, the even-numbered ones not.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "photos_shapes"


@dataclass(frozen=True)
class Outcome:
    """What came of one photograph.

    Parameters
    ----------
    name : str
        Of the photograph.
    truth : dict
        Its truth file's member `stone`.
    stone : dict
        The program's member `stone`; empty when it refused.
    refusal : str
        Why it refused.
    """

    name: str
    truth: dict[str, Any]
    stone: dict[str, Any]
    refusal: str = ""

    def errors(self) -> list[tuple[float, float]]:
        """Length and width less their truth, each with its stated uncertainty."""
        sizes = ("length_mm", "width_mm")
        return [(self.stone[name]["value"] - self.truth[name], self.stone[name]["u95"]) for name in sizes]


def judge(truth_path: Path, shape: str = "auto") -> Outcome:
    """Read the photograph of a truth file."""
    from rimsight.calibration.errors import PhotoError
    from rimsight.cli.measure_inputs import read_inputs
    from rimsight.cli.measuring import measure
    from rimsight.cli.result import result_of

    truth = json.loads(truth_path.read_text(encoding="utf-8"))
    card = truth["card"]
    lines = f"{card['across_mm']:.3f},{card['down_mm']:.3f}"
    try:
        inputs = read_inputs("stone", {"check_lines": lines, "shape": shape})
        stone = result_of(measure(inputs, truth_path.parent / truth["photo"]))["stone"]
    except PhotoError as error:
        return Outcome(truth_path.stem, truth["stone"], {}, error.found)
    return Outcome(truth_path.stem, truth["stone"], stone)


def scenes(folder: Path, which: str) -> Iterator[Path]:
    """Truth files of stones alone; even, odd or all by the number in the scene's name."""
    for path in sorted(folder.glob("*.json")):
        number = path.stem.rpartition("-")[2]
        odd = number.isdigit() and int(number) % 2 == 1
        if "-rim-" not in path.stem and (which == "all" or odd == (which == "odd")):
            yield path


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, default=PHOTOS)
    parser.add_argument("--scenes", choices=("even", "odd", "all"), default="all")
    parser.add_argument("--typed", action="store_true", help="type each stone's shape instead of auto")
    call = parser.parse_args()
    outcomes = []
    for path in scenes(call.photos, call.scenes):
        shape = json.loads(path.read_text(encoding="utf-8"))["stone"]["shape"]
        one = judge(path, shape.replace("cut-corner", "rectangle") if call.typed else "auto")
        outcomes.append(one)
        if not one.stone:
            print(f"{one.name:22s} refused: {one.refusal}", flush=True)
            continue
        (length, u_length), (width, u_width) = one.errors()
        print(
            f"{one.name:22s} length {length:+.4f} ± {u_length:.3f}, width {width:+.4f} ± {u_width:.3f} mm, "
            f"{one.stone['shape']['in_words']}",
            flush=True,
        )
    read = [one for one in outcomes if one.stone]
    if read:
        errors = np.array([pair for one in read for pair in one.errors()])
        size = np.abs(errors[:, 0])
        named = sum(one.stone["shape"]["name"].partition(",")[0] in NAMES[one.truth["shape"]] for one in read)
        print(
            f"\n{len(read)} of {len(outcomes)} read; error: median {np.median(size):.4f}, 95 % "
            f"{np.percentile(size, 95):.4f}, largest {size.max():.4f} mm; truth inside the stated interval "
            f"{100 * np.mean(size <= errors[:, 1]):.1f} %; {named} of {len(read)} named rightly"
        )


#: What the program may call the shapes of the truth files.
NAMES = {
    "oval": ("oval",), "cushion": ("cushion",), "marquise": ("marquise",), "pear": ("pear",), "square": ("square",),
    "rectangle": ("rectangle",), "cut-corner": ("rectangle", "square"), "triangle": ("triangle",),
}  # fmt: skip


if __name__ == "__main__":
    main()
