"""The accuracy table: photographs with known truth, measured as a user would, beside a plain recipe.

    python -m tests.bench.accuracy [--photos FOLDER ...] [--jobs 2] [--json FILE] [--every] [--no-cost]

Typed beside each photo are the measured check lines of the card, the tube's length and, for a stone on a tube, the
bore; nothing else. `--every` prints one line a photograph as well.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import tempfile
from dataclasses import asdict
from pathlib import Path

from tests.bench.accuracy_cost import cost
from tests.bench.accuracy_photo import Outcome, judge_photo, truths
from tests.bench.accuracy_table import photo_line, table

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "photos"


def measure_all(paths: list[Path], jobs: int) -> list[Outcome]:
    """Measure every photograph; order as given."""
    with tempfile.TemporaryDirectory() as home:
        os.environ["ACCURACY_HOME"] = home
        try:
            if jobs <= 1:
                return [judge_photo(path) for path in paths]
            # One thread a process: two libraries' thread pools on shared cores only wait for each other.
            os.environ.setdefault("OMP_NUM_THREADS", "1")
            os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
            with multiprocessing.get_context("spawn").Pool(jobs) as pool:
                return list(pool.imap(judge_photo, paths))
        finally:
            del os.environ["ACCURACY_HOME"]


def main() -> None:
    """Measure, print, and keep the outcomes if asked to."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=Path, nargs="+", default=[PHOTOS], metavar="FOLDER")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", type=Path, default=None, metavar="FILE")
    parser.add_argument("--every", action="store_true", help="one line a photograph as well")
    parser.add_argument("--no-cost", action="store_true", help="leave out time and memory")
    options = parser.parse_args()
    paths = [path for folder in options.photos for path in truths(folder)]
    if not paths:
        parser.error(f"no photographs with truth files in {', '.join(map(str, options.photos))}")
    outcomes = measure_all(paths, options.jobs)
    if options.every:
        print("\n".join(photo_line(outcome) for outcome in outcomes), end="\n\n")
    print(table(outcomes))
    if not options.no_cost:
        print("", *cost(PHOTOS), sep="\n")
    if options.json is not None:
        kept = [asdict(outcome) | {"traits": sorted(outcome.traits)} for outcome in outcomes]
        options.json.write_text(json.dumps(kept, indent=1))


if __name__ == "__main__":
    main()
