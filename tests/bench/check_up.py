"""What check-ups find on rendered parts, and what they do to later readings by the same camera and card.

    python -m tests.bench.check_up --photos RENDERED/checkup

For each part (`check-PART-PLACING-REPEAT.jpg`) the check-up's outcome; then, for the tubes `later-PART-NN.jpg`, the
outer diameter's error and stated uncertainty with the default edge bias and with the check-up in its place. Typed are
what a jeweller would type: check lines to 0.1 mm, lengths to 0.05 mm.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import warnings
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from rimsight.calibration.checkup_store import default_path, save_checkup
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.uncertainty import from_ufloat
from rimsight.cli import check_up_run
from rimsight.cli.edge_bias import corrected
from rimsight.cli.measure_inputs import read_inputs
from rimsight.cli.measuring import measure

U95_PART_MM = 0.002


def truth_of(photo: Path) -> dict[str, Any]:
    """The photo's truth file."""
    truth: dict[str, Any] = json.loads(photo.with_suffix(".json").read_text(encoding="utf-8"))
    return truth


def typed(truth: dict[str, Any]) -> dict[str, str]:
    """What a jeweller types, rounded as the tools read."""
    card, tube = truth["card"], truth["tube"]
    length = round(tube["length_mm"] / 0.05) * 0.05
    return {"check_lines": f"{card['across_mm']:.1f},{card['down_mm']:.1f}", "length": f"{length:.2f}"}


def check(photos: list[Path]) -> check_up_run.Done:
    """Make the check-up of a part and keep it."""
    truth = truth_of(photos[0])
    shared = typed(truth)
    own = {
        "diameter": f"{truth['tube']['outer_diameter_mm']:.4f}", "u95": str(U95_PART_MM), "edge": "outer",
        "length": shared.pop("length"), "per_placing": None, "name": None,
    }  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        for photo in photos:
            placing = Path(folder) / photo.stem.split("-")[2]
            placing.mkdir(exist_ok=True)
            (placing / photo.name).symlink_to(photo.absolute())
        done = check_up_run.carried_out(check_up_run.planned([Path(folder)], own, shared))
    save_checkup(default_path(), done.record)
    return done


def later(photos: Iterable[Path]) -> tuple[list[tuple[float, float]], list[tuple[float, float]], int, int]:
    """Errors and stated uncertainties (95 %) with the default and with the check-up; corrected and refused photos."""
    default, checked = [], []
    applied = refused = 0
    for photo in photos:
        truth = truth_of(photo)
        try:
            measured = measure(read_inputs("tube", typed(truth)), photo, check_ups=False)
        except PhotoError:
            refused += 1
            continue
        before: Any = measured.reading
        found = from_ufloat(before.outer)
        after: Any
        after, done = corrected(before, measured.photo, measured.calibration)
        own = from_ufloat(after.outer)
        applied += bool(done)
        true = truth["tube"]["outer_diameter_mm"]
        default.append((found.value - true, found.u95))
        checked.append((own.value - true, own.u95))
    return default, checked, applied, refused


def line(name: str, pairs: list[tuple[float, float]]) -> str:
    """One row: errors and coverage."""
    error, u95 = np.array(pairs).T
    held = np.abs(error) <= u95
    size = np.abs(error)
    return (
        f"  {name:<22} {len(error):>3} {error.mean():>+8.4f} {np.median(size):>8.4f} {np.percentile(size, 95):>8.4f} "
        f"{size.max():>8.4f} {np.median(u95):>8.4f} {100 * held.mean():>6.1f}%"
    )


def main() -> None:
    """Check up, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=Path, required=True, help="Folder of the rendered set `checkup`.")
    photos = parser.parse_args().photos
    warnings.simplefilter("ignore", RuntimeWarning)
    parts = sorted({path.stem.split("-")[1] for path in photos.glob("check-*.jpg")})
    with tempfile.TemporaryDirectory() as home:
        os.environ["RIMSIGHT_HOME"] = home
        for part in parts:
            done = check(sorted(photos.glob(f"check-{part}-*.jpg")))
            outcome, spread = done.outcome, done.outcome.spread
            print(
                f"{part}, {outcome.diameter_mm:g} mm: {len(outcome.trials)} photos in {spread.groups} placings, "
                f"{len(done.refused)} not read, {outcome.px_per_mm:.1f} px per mm"
            )
            print(
                f"  bias {outcome.bias_mm:+.4f} +- {outcome.u95_bias_mm:.4f} mm ({outcome.bias_px:+.3f} px of radius), "
                f"s_r {spread.s_r:.4f}, s_L {spread.s_l:.4f}, s_R {spread.s_R:.4f} mm, "
                f"{outcome.held} intervals hold, largest E_n {outcome.largest_e_n:+.2f}"
            )
            u_px = "-" if done.record.bias is None else f"{done.record.bias.u_px:.3f} px"
            print(f"  edge bias for later readings: {u_px} in place of {outcome.default_px:.3f} px {outcome.obstacle}")
            default, checked, applied, refused = later(sorted(photos.glob(f"later-{part}-*.jpg")))
            if not default:
                continue
            print(
                f"  later tubes, mm {'n':>10} {'mean':>8} {'median':>8} {'95 %':>8} {'largest':>8} {'U95':>8}   holds"
            )
            print(line("default", default))
            print(line(f"check-up ({applied} of them)", checked))
            print(f"  not read: {refused}")


if __name__ == "__main__":
    main()
