"""Measure rendered stones that aren't round: `python -m tests.bench.shapes --photos FOLDER [--match held]`.

Prints length and width less their truth for every photograph that is read, and why the others are refused; then the
errors of those read and the share of the stated 95 % intervals that hold the truth. The photographs are those of the
set "shapes" of `fixtures.render`; they are not committed.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.profile_match import match_profile
from rimsight.calibration.square import read_square
from rimsight.calibration.uncertainty import from_ufloat
from rimsight.cli.measure_inputs import read_inputs
from rimsight.cli.opening import checks_of, prior_of
from rimsight.vision.candidates import flatten
from rimsight.vision.photo import camera_hint, load_photo
from rimsight.vision.shape import ShapeReading, read_shape
from rimsight.vision.shape_mask import blobs
from rimsight.vision.shape_rough import rough_outlines


def read(truth_path: Path) -> ShapeReading:
    """Read the photograph of a truth file, the check lines typed."""
    truth = json.loads(truth_path.read_text(encoding="utf-8"))
    card = truth["card"]
    inputs = read_inputs("stone", {"check_lines": f"{card['across_mm']:.3f},{card['down_mm']:.3f}"})
    photo = load_photo(truth_path.parent / truth["photo"])
    match = match_profile(photo.exif, photo.light.width_px, photo.light.height_px)
    calibration = read_square(photo.light, prior_of(photo, camera_hint(photo), match, inputs), check=checks_of(inputs))
    things = [blob for blob in blobs(flatten(photo.light, calibration)) if not blob.touches_edge]
    return read_shape(photo.light, calibration, rough_outlines(photo.light, calibration.view, things[0].hull_mm))


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--match", default="", help="only photographs whose name begins so")
    call = parser.parse_args()
    errors, stated, refused = [], [], 0
    for path in sorted(call.photos.glob(f"{call.match}*.json")):
        stone = json.loads(path.read_text(encoding="utf-8")).get("stone", {})
        if "-rim-" in path.stem or "length_mm" not in stone:
            continue
        try:
            reading = read(path)
        except PhotoError as error:
            refused += 1
            print(f"{path.stem:24s} refused: {error.found}", flush=True)
            continue
        for size, true in ((reading.length, stone["length_mm"]), (reading.width, stone["width_mm"])):
            errors.append(size.nominal_value - true)
            stated.append(from_ufloat(size).u95)
        print(
            f"{path.stem:24s} length {errors[-2]:+.4f} ± {stated[-2]:.3f}, "
            f"width {errors[-1]:+.4f} ± {stated[-1]:.3f} mm, {reading.naming.sentence} (truth: {stone['shape']})",
            flush=True,
        )
    if errors:
        size = np.abs(errors)
        print(
            f"\n{len(errors) // 2} read, {refused} refused; median {np.median(size):.4f}, "
            f"95 % {np.percentile(size, 95):.4f}, largest {size.max():.4f} mm; "
            f"coverage {100 * np.mean(size <= np.array(stated)):.1f} %"
        )


if __name__ == "__main__":
    main()
