"""How many kills an archive survives: processes that write to it, ended with SIGKILL.

    python tests/bench/archive_kills.py [--moments 400] [--instructions 350] [--system-calls]

At random moments while photo after photo is kept; at bytecode instructions spread evenly over every kind of write;
and, with `--system-calls` (needs strace), at every single system call of one `keep` that touches a file. After each
kill the whole archive is looked through: every record whole, everything that was confirmed still there, the next
write working. Prints a table; ends with an error at the first record that is neither whole nor absent.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from rimsight.archive.store import Archive
from tests.archive import killing

ROOT = Path(__file__).parents[2]
#: System calls by which a write reaches the disk.
CALLS = (
    *("openat", "write", "pwrite64", "fsync", "fdatasync", "rename", "unlink"),
    *("mkdir", "ftruncate", "fcntl", "close"),
)

_KEEP = (
    "import sys\n"
    "from pathlib import Path\n"
    "from rimsight.archive.store import Archive\n"
    "from tests.archive import killing\n"
    "photo, measured = killing.photo_and_reading(77)\n"
    "Path('/proc/self/comm').read_text()\n"
    "with Archive(Path(sys.argv[1]), write=True) as archive:\n"
    "    archive.keep(photo, 'new.jpg', measured, thumbnail=False)\n"
)


def kill(how: str, folder: Path, count: int, seed: int) -> dict[str, object]:
    """Run the killing in a process of its own and return what it counted."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.archive.killing", how, str(folder), str(count), str(seed)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    outcome: dict[str, object] = json.loads(done.stdout)
    return outcome


def at_system_calls(folder: Path) -> dict[str, tuple[int, int]]:
    """Kill one `keep` at its first, second, third... call of each kind; returns kills and records that were whole."""
    killing.prepare(folder)
    template = folder.parent.with_name("calls-template")
    shutil.copytree(folder.parent, template)
    counted: dict[str, tuple[int, int]] = {}
    for call in CALLS:
        # Everything before the archive is opened (imports above all) is passed over.
        first = _calls_before(call, folder, template)
        kills = kept = 0
        while True:
            shutil.rmtree(folder.parent)
            shutil.copytree(template, folder.parent)
            inject = f"inject={call}:signal=SIGKILL:when={first + kills + 1}"
            if _traced(folder, "-e", f"trace={call}", "-e", inject) == 0:
                break
            killing.check_after(folder)
            with Archive(folder) as archive:
                records = archive.connection.execute("SELECT count(*) FROM record WHERE photo_name = 'new.jpg'")
                kept += records.fetchone()[0]
            kills += 1
        counted[call] = (kills, kept)
    return counted


def _calls_before(call: str, folder: Path, template: Path) -> int:
    """Return how many calls of a kind come before the archive is opened."""
    shutil.rmtree(folder.parent)
    shutil.copytree(template, folder.parent)
    log = folder.parent / "calls.txt"
    _traced(folder, "-o", str(log), "-e", f"trace={call},openat")
    count = 0
    for line in log.read_text(errors="replace").splitlines():
        if "/proc/self/comm" in line:
            break
        count += line.split("(")[0].split()[-1] == call
    return count + (call == "openat")


def _traced(folder: Path, *options: str) -> int:
    done = subprocess.run(
        ["strace", "-qq", *options, sys.executable, "-c", _KEEP, str(folder)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        check=False,
    )
    return done.returncode


def main() -> None:
    """Kill, look, count, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--moments", type=int, default=400)
    parser.add_argument("--instructions", type=int, default=350)
    parser.add_argument("--system-calls", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        home = Path(name) / "home"
        home.mkdir()
        started = time.perf_counter()
        moments = kill("moments", home / "archive", options.moments, 7)
        print(
            f"random moments: {moments['killed']} kills, {moments['confirmed']} records confirmed before them, "
            f"all whole; {time.perf_counter() - started:.0f} s"
        )
        started = time.perf_counter()
        spots = kill("instructions", Path(name) / "work" / "archive", options.instructions, 8)
        took = time.perf_counter() - started
        print(f"instructions: {spots['killed']} kills over {spots['instructions']}; {took:.0f} s")
        if options.system_calls:
            started = time.perf_counter()
            total = 0
            for call, (kills, kept) in at_system_calls(Path(name) / "calls" / "archive").items():
                total += kills
                print(f"  every {call:<10} {kills:>4} kills, record whole {kept}, absent {kills - kept}")
            print(f"system calls: {total} kills; {time.perf_counter() - started:.0f} s")
    print("every record whole or absent")


if __name__ == "__main__":
    main()
