"""What a second photograph gains: scenes with known truth, measured from several photographs and from one.

    python -m tests.bench.several [--photos FOLDER ...] [--jobs 2] [--json FILE] [--every] [--quick]

Several photographs are measured with nothing typed but the card's check lines, and with their EXIF removed; beside them
stand the figures of each scene's first photograph alone, and the geometry alone: edges located where the truth says
they are, so that what is left is not a matter of which edge was read. Photographs of the bare card in the folder,
`lens-NAME-card-N`, make that lens's profile first, as a user would.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import multiprocessing
import os
import tempfile
from pathlib import Path

import numpy as np

from tests.bench.several_scene import GEOMETRY, ONE, ONE_TYPED, TWO, TWO_PROFILE, SceneOutcome, judge_scene, scenes

PHOTOS = Path(__file__).resolve().parents[2] / "fixtures" / "pairs"
#: 95th percentile of the absolute error that must be reached, millimetres.
MUST_MM = {
    "stone": 0.02, "outer": 0.02, "bore": 0.03, "rim": 0.015, "tube_top": 0.1, "girdle": 0.1, "girdle_above_tube": 0.1,
}  # fmt: skip
WORDS = {
    "stone": "stone diameter", "outer": "tube OD", "bore": "tube bore", "rim": "rim, centred",
    "tube_top": "height of tube's end", "girdle": "height of girdle", "girdle_above_tube": "girdle above tube",
}  # fmt: skip
#: What the lens may add with a profile, millimetres.
LENS_MM = 0.005


def make_profile(folder: Path, lens: str, home: Path) -> bool:
    """Make a lens's profile from its photographs of the bare card; False where there are none."""
    from rimsight.cli.app import main as program

    photos = sorted(folder.glob(f"lens-{lens}-card-*.jpg"))
    if len(photos) < 4:
        return False
    card = json.loads(photos[0].with_suffix(".json").read_text())["card"]
    os.environ["RIMSIGHT_HOME"] = str(home)
    lines = ["--across", f"{card['across_mm']:.2f}", "--down", f"{card['down_mm']:.2f}"]
    for call in (
        ["card", "check", "--side", f"{card['side_mm']:.0f}", *lines],
        ["camera", "profile", *map(str, photos), "--name", lens],
    ):
        with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()) as said:
            program(call)
    return "kept as" in said.getvalue()


def table(outcomes: list[SceneOutcome]) -> str:
    """Errors by way of measuring and quantity, with coverage."""
    head = (
        f"{'quantity':<22} {'n':>4} {'of':>4} {'mean':>8} {'median':>8} {'95 % |e|':>9} {'largest':>8} {'coverage':>9} "
        f"{'U95 med':>8} {'must':>7}  met"
    )
    lines = ["errors in millimetres"]
    for way in (TWO, TWO_PROFILE, ONE, ONE_TYPED, GEOMETRY):
        rows = []
        for name, words in WORDS.items():
            asked = [o for o in outcomes if _asked(o, way, name)]
            pairs = [o.errors[way][name] for o in asked if name in o.errors.get(way, {})]
            if not pairs:
                continue
            errors, u95 = np.array(pairs).T
            size = np.abs(errors)
            p95 = float(np.percentile(size, 95))
            rows.append(
                f"{words:<22} {len(errors):>4} {len(asked):>4} {errors.mean():>+8.4f} {np.median(errors):>+8.4f} "
                f"{p95:>9.4f} {size.max():>8.4f} {100 * np.mean(size <= u95):>8.1f}% {np.median(u95):>8.4f} "
                f"{MUST_MM[name]:>7.3f}  {'yes' if p95 <= MUST_MM[name] else 'MISSED'}"
            )
        if rows:
            lines += ["", f"{way}:", head, "-" * len(head), *rows]
            held = [abs(e) <= u for o in outcomes for e, u in o.errors.get(way, {}).values()]
            lines.append(f"stated 95 % intervals that hold the truth: {100 * np.mean(held):.1f}% of {len(held)}")
            refused = [o.refused[way] for o in outcomes if way in o.refused]
            if refused:
                kinds = ", ".join(f"{refused.count(kind)} {kind}" for kind in sorted(set(refused)))
                lines.append(f"refused: {len(refused)} of {len(outcomes)} ({kinds})")
    added = [value for o in outcomes for value in o.lens_mm.values()]
    if added:
        largest = float(np.abs(added).max())
        lines += [
            "",
            f"what the lens adds to a diameter with its profile: largest of {len(added)} {largest:.4f} mm "
            f"(must be under {LENS_MM:g}: {'yes' if largest < LENS_MM else 'MISSED'})",
        ]
    if any(o.located for o in outcomes):
        lines += ["", *_shared(outcomes)]
    lines += ["", f"time of a scene from several photos, median: {np.median([o.seconds for o in outcomes]):.1f} s"]
    return "\n".join(lines)


def _shared(outcomes: list[SceneOutcome]) -> list[str]:
    """How two views' errors of one edge, located round the true one, hang together."""
    lines = ["edges located round the true ones: radius and centre, pixels, root mean square, and what two views share"]
    for name in ("stone", "outer", "bore"):
        pairs = np.array([o.located[name][:2] for o in outcomes if len(o.located.get(name, ())) > 1])
        if len(pairs):
            square = np.mean(pairs**2, axis=(0, 1))
            common = np.mean(pairs[:, 0] * pairs[:, 1], axis=0)
            lines.append(
                f"{WORDS[name]:<22} {len(pairs):>4} pairs   radius {square[0] ** 0.5:.3f}, shared "
                f"{common[0] / square[0]:+.2f}   centre {np.mean(square[1:]) ** 0.5:.3f}, shared "
                f"{np.sum(common[1:]) / np.sum(square[1:]):+.2f}"
            )
    return lines


def _asked(outcome: SceneOutcome, way: str, name: str) -> bool:
    from rimsight.cli.result import SOLVED_HEIGHTS
    from tests.bench.several_scene import OF_KIND

    if way == TWO_PROFILE and way not in outcome.errors and way not in outcome.refused:
        return False
    return name in OF_KIND[outcome.kind] + SOLVED_HEIGHTS[outcome.kind]


def line(outcome: SceneOutcome) -> str:
    """One scene in a line."""
    found = outcome.errors.get(TWO)
    if not found:
        return f"{outcome.name:<20} {outcome.refused.get(TWO, '')}"
    return f"{outcome.name:<20} " + "  ".join(f"{k} {1000 * e:+.0f}({1000 * u:.0f})" for k, (e, u) in found.items())


def main() -> None:
    """Measure, print, and keep the outcomes if asked to."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=Path, nargs="+", default=[PHOTOS], metavar="FOLDER")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path, default=None, metavar="FILE")
    parser.add_argument("--every", action="store_true", help="one line a scene as well, in micrometres")
    parser.add_argument("--quick", action="store_true", help="several photographs without profile only")
    options = parser.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as folder:
        tasks = []
        homes: dict[str, Path | None] = {}
        for photos in options.photos:
            for name, paths in scenes(photos).items():
                lens = name.split("-")[1] if name.startswith("lens-") else ""
                if lens and lens not in homes and not options.quick:
                    home = Path(folder) / lens
                    home.mkdir()
                    homes[lens] = home if make_profile(photos, lens, home) else None
                tasks.append((name, paths, homes.get(lens), options.quick))
        if not tasks:
            parser.error(f"no scenes with two photographs or more in {', '.join(map(str, options.photos))}")
        with multiprocessing.get_context("spawn").Pool(options.jobs) as pool:
            outcomes = []
            for outcome in pool.imap(judge_scene, tasks):
                outcomes.append(outcome)
                if options.every:
                    print(line(outcome), flush=True)
    print(table(outcomes))
    if options.json is not None:
        options.json.write_text(json.dumps([vars(outcome) for outcome in outcomes], indent=1))


if __name__ == "__main__":
    main()
