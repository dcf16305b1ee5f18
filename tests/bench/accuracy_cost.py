"""Time and memory of whole commands beside Pillow's decoding of the same file."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.bench.accuracy_photo import truths, typed

HELP_LIMIT_S = 0.15
DECODE_FACTOR = 4.0
MEMORY_LIMIT_MB = 400.0
#: A picture from this many pixels on stands for a phone's full 12 MP.
FULL_PX = 11_500_000

#: The interpreter with what every measurement imports.
_IMPORTS = (
    "import rimsight.cli.app, rimsight.cli.measure_command, rimsight.cli.measuring, rimsight.cli.result, "
    "rimsight.cli.measure_text, rimsight.vision.photo, rimsight.calibration.square, rimsight.vision.subjects, "
    "rimsight.vision.stone, rimsight.vision.tube, rimsight.vision.rim"
)


def cost(folder: Path, runs: int = 3) -> list[str]:
    """Lines about the time of `--help` and of a whole command on each kind's first 12 MP photograph."""
    with tempfile.TemporaryDirectory() as home:
        took, _ = _run(["-m", "rimsight.cli", "--help"], home, 7)
        lines = [f"--help: {took:.3f} s processor time (must {HELP_LIMIT_S}: {_met(took < HELP_LIMIT_S)})"]
        imports, _ = _run(["-c", _IMPORTS], home, runs)
        lines.append(f"interpreter and imports: {imports:.2f} s")
        seen: set[str] = set()
        for path in truths(folder):
            truth = json.loads(path.read_text())
            camera = truth["camera"]
            if truth["kind"] in seen or camera["width_px"] * camera["height_px"] < FULL_PX:
                continue
            seen.add(truth["kind"])
            photo = path.parent / truth["photo"]
            decode = _decode_s(photo, runs)
            options = [part for name, text in typed(truth).items() for part in (f"--{name.replace('_', '-')}", text)]
            whole, peak = _run(["-m", "rimsight.cli", truth["kind"], str(photo), *options, "--json"], home, runs)
            limit = DECODE_FACTOR * decode + imports
            lines.append(
                f"{truth['kind']}, {photo.name}: whole command {whole:.2f} s processor time, Pillow's decoding "
                f"{decode:.3f} s, so (whole - imports) / decoding = {(whole - imports) / decode:.1f} "
                f"(must {DECODE_FACTOR:.0f}, {limit:.2f} s in all: {_met(whole <= limit)}); "
                f"peak {peak:.0f} MB (must {MEMORY_LIMIT_MB:.0f}: {_met(peak <= MEMORY_LIMIT_MB)})"
            )
        if not seen:
            lines.append("no photograph of 12 MP in the folder")
    return lines


def _decode_s(photo: Path, runs: int) -> float:
    """Median processor time of decoding in a warm interpreter."""
    from PIL import Image

    def decode() -> None:
        with Image.open(photo) as picture:
            picture.convert("RGB").load()

    return _median(decode, runs)


def _median(work: Callable[[], None], runs: int) -> float:
    times = []
    for _ in range(runs + 1):
        before = time.process_time()
        work()
        times.append(time.process_time() - before)
    return statistics.median(times[1:])


def _run(arguments: list[str], home: str, runs: int) -> tuple[float, float]:
    """Median processor time (s) and largest peak memory (MB) of a Python command.

    Processor time, because other work on the machine stretches the clock's.
    """
    environment = os.environ | {"RIMSIGHT_HOME": home}
    times, peaks = [], []
    for k in range(runs + 1):
        child = subprocess.Popen(
            [sys.executable, *arguments], env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        _, _, used = os.wait4(child.pid, 0)
        child.returncode = 0  # reaped already
        if k:  # the first run warms the disk's cache
            times.append(used.ru_utime + used.ru_stime)
        peaks.append(used.ru_maxrss / (1024.0 if sys.platform != "darwin" else 1024.0**2))
    return statistics.median(times), max(peaks)


def _met(yes: bool) -> str:
    return "met" if yes else "MISSED"
