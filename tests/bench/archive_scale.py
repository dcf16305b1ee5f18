"""How long whole commands take on an archive of 100 000 generated records.

    python tests/bench/archive_scale.py [--records 100000] [--folder DIR] [--runs 7]

Prints a table: median time of the whole command (interpreter, imports and all) by the clock and by the processor,
the largest by the clock, and the peak memory. On a machine that does other work the processor's time is the one to
compare.
The records are rows with tiny pictures shared between many of them; every reading has its own document. With
`--folder` the archive is left there and found again by the next run.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from rimsight.archive import records, rows, words
from rimsight.archive.objects import sha256_of
from rimsight.archive.records import Labels, Measured
from rimsight.archive.store import Archive
from tests.archive import sample

LIMIT_S = 0.3

STONES = ("blue spinel", "garnet", "tourmaline, green", "zircon", "aquamarine", "ruby", "sapphire", "peridot")
METALS = ("18k yellow", "14k white", "sterling silver", "platinum", "palladium")
VERDICTS = ("adequate", "adequate", "adequate", "too thin", "too close to call")
WORDS = (
    *("bezel", "ring", "pendant", "repair", "rush", "customer", "waits", "resize", "polish"),
    *("solder", "tube", "spare", "pair", "left", "right", "worn", "engraved"),
)

COMMANDS: dict[str, list[str]] = {
    "list": ["list"],
    "list, second page": ["list", "--before", "50000"],
    "list --job": ["list", "--job", "M-04242"],
    "list --job 'M-04*'": ["list", "--job", "M-04*"],
    "list --verdict thin --metal platinum": ["list", "--verdict", "thin", "--metal", "platinum"],
    "list --stone-mm 5.9-6.2": ["list", "--stone-mm", "5.9-6.2"],
    "list --stone-mm 1-9 (nearly all)": ["list", "--stone-mm", "1-9"],
    "list --since --until (a month)": ["list", "--since", "2024-03", "--until", "2024-03"],
    "list --tag rush": ["list", "--tag", "rush"],
    "find a rare word": ["find", "IMG_0077777"],
    "find a common word": ["find", "ring"],
    "find three words": ["find", "spinel", "rush", "plat"],
    "find a letter (nearly all)": ["find", "i"],
    "find words and size": ["find", "garnet", "--stone-mm", "5.9-6.2", "--verdict", "thin"],
    "find nothing": ["find", "xylophone"],
    "show": ["show", "77777"],
    "show the first": ["show", "1"],
    "compare": ["compare", "77777", "88888"],
    "where": ["where"],
}


def generate(folder: Path, count: int) -> None:
    """Fill an archive with invented records, in transactions of a thousand and without flushing files."""
    rng = random.Random(1)
    pictures = []
    for seed in range(20):
        photo, measured = sample.rim(seed)
        assert measured.overlay is not None
        pictures.append((photo, measured.overlay))
    started = 1_577_836_800  # 2020-01-01, UTC
    with Archive(folder, write=True, durable=False) as archive:
        archive.connection.execute("PRAGMA synchronous = OFF")
        for first in range(1, count + 1, 1000):
            with archive.writing() as connection:
                for number in range(first, min(first + 1000, count + 1)):
                    photo, overlay = pictures[number % len(pictures)]
                    for data in (photo, overlay):
                        if number <= len(pictures):
                            archive.objects.place(archive.objects.stage(data))
                            rows.insert_object(connection, sha256_of(data), len(data))
                    labels = Labels(
                        job=f"M-{number // 20:05}",
                        stone=rng.choice(STONES),
                        tube=f"{rng.randrange(40, 90) / 10:.1f} mm",
                        metal=rng.choice(METALS),
                        note=" ".join(rng.choices(WORDS, k=12)),
                        tags=tuple(rng.sample(WORDS[:8], k=2)),
                    ).cleaned()
                    stone = rng.uniform(1.5, 9.0)
                    result = sample.rim_result(round(stone, 4), round(stone + 0.8, 4), verdict=rng.choice(VERDICTS))
                    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(started + number * 1900))
                    document = records.compose(
                        Measured("rim", result, {"height_mm": 5.0}, "0.1.0", measured_at=moment),
                        key=f"{number:032x}",
                        record=number,
                        number=1,
                        photo={"name": f"IMG_{number:07}.jpg", "sha256": sha256_of(photo), "bytes": len(photo)},
                        overlay=sha256_of(overlay),
                        labels=labels,
                    )
                    archive.objects.place(archive.objects.stage(document.text.encode("ascii")))
                    rows.insert_object(connection, document.sha256, len(document.text))
                    rows.insert_record(connection, number, document, labels, kept_at=moment)
                    rows.insert_reading(connection, number, 1, document, None)
                    rows.index_text(connection, number)
            print(f"\r{min(first + 999, count)} records", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


def _processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def timed(arguments: list[str], home: Path, runs: int) -> tuple[float, float, float, int, str]:
    """Return median and largest time, median processor time (s), peak memory (bytes) and the last line printed."""
    environment = os.environ | {"RIMSIGHT_HOME": str(home)}
    command = [sys.executable, "-m", "rimsight.cli", "archive", *arguments]
    times, processor = [], []
    last = ""
    for _ in range(runs + 1):
        before, used = time.perf_counter(), _processor_s()
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        times.append(time.perf_counter() - before)
        processor.append(_processor_s() - used)
        last = done.stdout.strip().splitlines()[-1]
    times, processor = times[1:], processor[1:]  # the first one warms the disk's cache
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024
    return statistics.median(times), max(times), statistics.median(processor), peak, last


def main() -> None:
    """Generate, time, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--records", type=int, default=100_000)
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--runs", type=int, default=7)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        home = (options.folder or Path(temporary)).absolute()
        home.mkdir(parents=True, exist_ok=True)
        if not (home / "archive" / "archive.db").exists():
            started = time.perf_counter()
            generate(home / "archive", options.records)
            print(f"generated in {time.perf_counter() - started:.0f} s")
        size = (home / "archive" / "archive.db").stat().st_size
        print(f"database {words.size(size)}")
        print(f"{'command':<38} {'median s':>8} {'largest s':>9} {'processor s':>11} {'peak':>8}  last line")
        slow = []
        for name, arguments in COMMANDS.items():
            median, largest, processor, peak, last = timed(arguments, home, options.runs)
            print(f"{name:<38} {median:>8.3f} {largest:>9.3f} {processor:>11.3f} {words.size(peak):>8}  {last[:40]}")
            if median > LIMIT_S:
                slow.append(name)
        print(f"over {LIMIT_S} s: {', '.join(slow) or 'none'}")


if __name__ == "__main__":
    main()
