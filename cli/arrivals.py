"""Pictures as they arrive in a folder: which are wholly there, and which are still being copied."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

#: Endings of pictures that phones and cameras write.
PICTURES = frozenset(
    (".jpg", ".jpeg", ".jpe", ".jfif", ".mpo", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".avif")
)
#: A picture is taken for whole when it hasn't changed for this long, in seconds, and can be decoded.
SETTLE_S = 1.0
#: After this long without a change, in seconds, a picture that can't be decoded is given up.
PATIENCE_S = 60.0
#: Some programs first make a file of the full size and then fill it: its end is zeros until it is whole.
_TAIL = 64


@dataclass(frozen=True)
class Arrived:
    """A picture that is wholly there, with the bytes that were looked at."""

    path: Path
    data: bytes


@dataclass(frozen=True)
class Unfinished:
    """A picture that stayed broken for longer than anybody waits, and what is wrong with it."""

    path: Path
    why: str


@dataclass
class _Waiting:
    stamp: tuple[int, int]
    since: float
    broken: str = ""


def is_picture(path: Path) -> bool:
    """Tell whether a file's name is a picture's, and not that of a copy under way (`.name.jpg.part`, `~name.jpg`)."""
    return path.suffix.lower() in PICTURES and not path.name.startswith((".", "~"))


class Arrivals:
    """Waits for pictures to be whole.

    Parameters
    ----------
    settle_s, patience_s : float
        As `SETTLE_S` and `PATIENCE_S`.
    clock : callable
        Seconds that only ever grow.
    """

    def __init__(
        self, settle_s: float = SETTLE_S, patience_s: float = PATIENCE_S, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.settle_s = settle_s
        self.patience_s = patience_s
        self.clock = clock
        self._waiting: dict[Path, _Waiting] = {}
        self._known: dict[Path, tuple[int, int]] = {}

    def ignore(self, folder: Path) -> None:
        """Leave alone what is in the folder now, until it changes."""
        for path, stamp in _pictures_in(folder):
            self._known[path] = stamp

    def look(self, folder: Path) -> None:
        """Look through the folder for what is new or changed since it was last seen there."""
        for path, stamp in _pictures_in(folder):
            if self._known.get(path) != stamp:
                self.saw(path)

    def saw(self, path: Path) -> None:
        """Take note of a file that was made or changed."""
        if not is_picture(path):
            return
        stamp = _stamp(path)
        if stamp is None or self._known.get(path) == stamp:
            return
        waiting = self._waiting.get(path)
        if waiting is None or waiting.stamp != stamp:
            self._waiting[path] = _Waiting(stamp, self.clock())

    def ready(self) -> Iterator[Arrived | Unfinished]:
        """Yield what has settled since the last call; each state of a file is yielded once."""
        for path in list(self._waiting):
            waiting = self._waiting[path]
            stamp = _stamp(path)
            if stamp is None:
                del self._waiting[path]
                continue
            if stamp != waiting.stamp:
                self._waiting[path] = _Waiting(stamp, self.clock())
                continue
            quiet = self.clock() - waiting.since
            if quiet < self.settle_s:
                continue
            if not waiting.broken:
                data = _read(path)
                if data is None or _stamp(path) != stamp:
                    continue
                waiting.broken = _broken(data)
                if not waiting.broken:
                    self._done(path, stamp)
                    yield Arrived(path, data)
                    continue
            if quiet >= self.patience_s:
                self._done(path, stamp)
                yield Unfinished(path, waiting.broken)

    def waiting(self) -> int:
        """Return how many files are being waited for."""
        return len(self._waiting)

    def _done(self, path: Path, stamp: tuple[int, int]) -> None:
        del self._waiting[path]
        self._known[path] = stamp


def _pictures_in(folder: Path) -> Iterator[tuple[Path, tuple[int, int]]]:
    for path in folder.rglob("*"):
        if is_picture(path):
            stamp = _stamp(path)
            if stamp is not None:
                yield path, stamp


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    import stat

    return (found.st_size, found.st_mtime_ns) if stat.S_ISREG(found.st_mode) else None


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None  # locked by the program that copies it, or gone again


def _broken(data: bytes) -> str:
    """Return what is wrong with a picture, or "" if it is whole."""
    from rimsight.archive.errors import PictureUnreadable
    from rimsight.archive.pictures import check_whole

    if not data:
        return "the file is empty"
    if not any(data[-_TAIL:]):
        return "its end is not written yet"
    try:
        check_whole(data)
    except PictureUnreadable as error:
        return str(error)
    return ""
