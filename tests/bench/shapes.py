"""Measure rendered stones that aren't round: `python -m tests.bench.shapes [--photos FOLDER] [--scenes even|odd|all]`.

With `--rims` those on tubes instead (`rimsight rim --shape auto`, length and bore typed): smallest rim as they lie, rim
centred and mean by normals, less their truth, which `fixtures.truth_shapes` works out from the scene in the truth file.

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

    def errors(self, names: tuple[str, ...] = ("length_mm", "width_mm")) -> list[tuple[float, float]]:
        """Length and width, or others by name, less their truth, each with its stated uncertainty."""
        return [(self.stone[name]["value"] - self.truth[name], self.stone[name]["u95"]) for name in names]


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


def judge_rim(truth_path: Path) -> Outcome:
    """Read the photograph of a stone on a tube; the outcome's members are those of the rim, with the verdict."""
    from fixtures.scene import scene_from_dict
    from fixtures.truth_shapes import shaped_rim_truth
    from rimsight.calibration.errors import PhotoError
    from rimsight.cli.measure_inputs import read_inputs
    from rimsight.cli.measuring import measure
    from rimsight.cli.result import result_of

    truth = json.loads(truth_path.read_text(encoding="utf-8"))
    card, tube = truth["card"], truth["tube"]
    rim = shaped_rim_truth(scene_from_dict(truth["scene"])) | {"shape": truth["stone"]["shape"]}
    rim["mean_mm"] = rim["mean_by_normals_mm"]
    given = {
        "check_lines": f"{card['across_mm']:.3f},{card['down_mm']:.3f}", "shape": "auto",
        "length": round(tube["length_mm"], 2), "bore": round(tube["bore_diameter_mm"], 2),
    }  # fmt: skip
    try:
        result = result_of(measure(read_inputs("rim", given), truth_path.parent / truth["photo"]))
    except PhotoError as error:
        return Outcome(truth_path.stem, rim, {}, error.found)
    return Outcome(truth_path.stem, rim, result["rim"] | {"verdict": result["verdict"]})


def main_rims(folder: Path, which: str) -> None:
    """Print the rims' errors."""
    outcomes = []
    for path in scenes(folder, which, rims=True):
        one = judge_rim(path)
        outcomes.append(one)
        true = one.truth["smallest_mm"]
        if not one.stone:
            print(f"{one.name:24s} true {true:+.3f}; refused: {one.refusal}", flush=True)
            continue
        told = [f"{name} {error:+.4f} ± {u:.3f}" for name, (error, u) in zip(RIM, one.errors(RIM), strict=True)]
        print(f"{one.name:24s} true {true:+.3f}; {', '.join(told)}; {one.stone['verdict']}", flush=True)
    summary(outcomes, RIM)


def summary(outcomes: list[Outcome], names: tuple[str, ...]) -> None:
    """Print the errors of those read and how many intervals hold the truth."""
    read = [one for one in outcomes if one.stone]
    if not read:
        print(f"\n0 of {len(outcomes)} read")
        return
    errors = np.array([pair for one in read for pair in one.errors(names)])
    size = np.abs(errors[:, 0])
    print(
        f"\n{len(read)} of {len(outcomes)} read; error: median {np.median(size):.4f}, 95 % "
        f"{np.percentile(size, 95):.4f}, largest {size.max():.4f} mm; truth inside the stated interval "
        f"{100 * np.mean(size <= errors[:, 1]):.1f} %"
    )


#: Figures of a rim that are looked at.
RIM = ("smallest_mm", "centred_mm", "mean_mm")


def scenes(folder: Path, which: str, *, rims: bool = False) -> Iterator[Path]:
    """Truth files of stones alone or on tubes; even, odd or all by the number in the scene's name."""
    for path in sorted(folder.glob("*.json")):
        number = path.stem.rpartition("-")[2]
        odd = number.isdigit() and int(number) % 2 == 1
        if ("-rim-" in path.stem) == rims and (which == "all" or odd == (which == "odd")):
            yield path


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, default=PHOTOS)
    parser.add_argument("--scenes", choices=("even", "odd", "all"), default="all")
    parser.add_argument("--typed", action="store_true", help="type each stone's shape instead of auto")
    parser.add_argument("--rims", action="store_true", help="stones on tubes in place of stones alone")
    call = parser.parse_args()
    if call.rims:
        main_rims(call.photos, call.scenes)
        return
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
    summary(outcomes, ("length_mm", "width_mm"))
    named = sum(one.stone["shape"]["name"].partition(",")[0] in NAMES[one.truth["shape"]] for one in read)
    print(f"{named} of {len(read)} named rightly")


#: What the program may call the shapes of the truth files.
NAMES = {
    "oval": ("oval",), "cushion": ("cushion",), "marquise": ("marquise",), "pear": ("pear",), "square": ("square",),
    "rectangle": ("rectangle",), "cut-corner": ("rectangle", "square"), "triangle": ("triangle",),
}  # fmt: skip


if __name__ == "__main__":
    main()
