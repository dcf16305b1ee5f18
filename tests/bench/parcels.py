"""Measure rendered parcels against their truth: `python -m tests.bench.parcels [--photos FOLDER] [--match held]`.

Prints for every photograph how many things were found, how many have a size, the errors of the sizes, and how many of
the stated 95 % intervals hold the truth; then the sums.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rimsight.cli.measure_inputs import read_inputs
from rimsight.cli.parcel_run import Parcel, measure_parcel
from rimsight.cli.parcel_text import u95

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "photos_parcel"
HEAD = (
    f"{'photo':18s} {'there':>5s} {'found':>5s} {'extra':>5s} {'sized':>5s} "
    f"{'mean':>8s} {'95 %|e|':>8s} {'largest':>8s} {'coverage':>8s} {'s':>5s}"
)


@dataclass(frozen=True)
class Score:
    """How a parcel was read.

    Parameters
    ----------
    there, found, extra : int
        Things of the truth, those of them that were found, and what was found beside them.
    errors_mm, u95_mm : ndarray of shape (S,)
        Of every size that was given.
    tipped_sized : int
        Stones that lie tipped and were given a size all the same.
    """

    there: int
    found: int
    extra: int
    errors_mm: np.ndarray[Any, np.dtype[np.float64]]
    u95_mm: np.ndarray[Any, np.dtype[np.float64]]
    tipped_sized: int


def read(truth_path: Path) -> tuple[Parcel, dict[str, Any]]:
    """Measure the photograph of a truth file, check lines and tube length typed."""
    truth: dict[str, Any] = json.loads(truth_path.read_text(encoding="utf-8"))
    tubes = "outer_diameter_mm" in truth["pieces"][0]
    card = truth["card"]
    typed: dict[str, Any] = {"check_lines": f"{card['across_mm']:.3f},{card['down_mm']:.3f}"}
    if tubes:
        typed |= {"of": "tubes", "length": truth["pieces"][0]["length_mm"]}
    return measure_parcel(read_inputs("parcel", typed), truth_path.parent / truth["photo"]), truth


def score(parcel: Parcel, truth: dict[str, Any]) -> Score:
    """Compare a parcel with its truth."""
    pieces = truth["pieces"]
    name = "outer_diameter_mm" if parcel.of == "tubes" else "diameter_mm"
    centres = np.array([piece["centre_mm"] for piece in pieces])
    sizes = np.array([piece[name] for piece in pieces])
    hit: set[int] = set()
    extra = tipped = 0
    errors, stated = [], []
    for item in parcel.items:
        away = np.hypot(*(centres - item.centre_mm).T)
        nearest = int(np.argmin(away))
        if away[nearest] > 0.5 * sizes[nearest] or nearest in hit:
            extra += 1
            continue
        hit.add(nearest)
        if item.size is not None:
            tipped += bool(pieces[nearest].get("tipped"))
            errors.append(item.size.nominal_value - sizes[nearest])
            stated.append(u95(item.size))
    return Score(len(pieces), len(hit), extra, np.array(errors), np.array(stated), tipped)


def line(name: str, result: Score, seconds: float) -> str:
    """One line of the table."""
    e, u = result.errors_mm, result.u95_mm
    figures = " ".join(f"{'-':>8s}" for _ in range(4))
    if len(e):
        held = 100.0 * float(np.mean(np.abs(e) <= u))
        figures = f"{e.mean():+8.4f} {np.percentile(np.abs(e), 95):8.4f} {np.abs(e).max():8.4f} {held:7.1f}%"
    return f"{name:18s} {result.there:5d} {result.found:5d} {result.extra:5d} {len(e):5d} {figures} {seconds:5.1f}"


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, default=PHOTOS)
    parser.add_argument("--match", default="", help="only photographs whose name begins so")
    call = parser.parse_args()
    print("errors in millimetres")
    print(HEAD)
    kinds: dict[str, list[Score]] = {"stones": [], "tubes": []}
    for path in sorted(call.photos.glob(f"{call.match}*.json")):
        start = time.perf_counter()
        parcel, truth = read(path)
        result = score(parcel, truth)
        kinds[parcel.of].append(result)
        print(line(path.stem, result, time.perf_counter() - start), flush=True)
    for kind, results in kinds.items():
        if results:
            whole = Score(
                sum(r.there for r in results), sum(r.found for r in results), sum(r.extra for r in results),
                np.concatenate([r.errors_mm for r in results]), np.concatenate([r.u95_mm for r in results]),
                sum(r.tipped_sized for r in results),
            )  # fmt: skip
            print(line(f"all {kind}", whole, 0.0)[:-6])
            if kind == "stones":
                print(f"stones that lie tipped and were given a size: {whole.tipped_sized}")


if __name__ == "__main__":
    main()
