"""Files named by the SHA-256 of their bytes, written so that a name never stands for half a file.

A file is written under `incoming/`, flushed to the disk, and only then renamed to its name. Whoever renames or
deletes holds the database's write lock, so that a file one command is about to refer to is not swept away by
another that finds nothing referring to it yet.
"""

from __future__ import annotations

import contextlib
import os
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, BinaryIO

from rimsight.archive.errors import ArchiveError, ArchiveFull

if TYPE_CHECKING:
    import hashlib

_CHUNK = 1 << 20
_HEX = re.compile(r"[0-9a-f]{64}\Z")
#: A half-written file older than this belongs to no living command.
STALE_AFTER_S = 3600.0


def sha256_of(data: bytes) -> str:
    """Return the SHA-256 (FIPS 180-4) of some bytes as 64 hexadecimal digits."""
    return _new_digest(data).hexdigest()


def _new_digest(data: bytes = b"") -> hashlib._Hash:
    import hashlib  # loads OpenSSL, which listing and finding can do without

    return hashlib.sha256(data)


def new_name() -> str:
    """Return a name that no other process gives: 32 hexadecimal digits."""
    return os.urandom(16).hex()


def is_sha256(text: object) -> bool:
    """Tell whether something is a string of 64 lower-case hexadecimal digits."""
    return isinstance(text, str) and _HEX.match(text) is not None


def flush_folder(folder: Path) -> None:
    """Make the names in a folder durable (a rename is on the disk only when its folder is)."""
    if os.name == "nt":
        return  # NTFS journals names; folders can't be opened for flushing there
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@dataclass(frozen=True)
class Staged:
    """A file that is wholly on the disk, but not yet under its name."""

    path: Path
    sha256: str
    size: int


class ObjectStore:
    """The files of an archive.

    Parameters
    ----------
    folder : Path
        The archive's folder; files lie in `objects/ab/cdef...`, half-written ones in `incoming/`.
    durable : bool
        Flush every file to the disk. Only a generator of throw-away records turns this off.
    """

    def __init__(self, folder: Path, *, durable: bool = True) -> None:
        self.root = folder / "objects"
        self.incoming = folder / "incoming"
        self.leftover = folder / "leftover"
        self.durable = durable

    def path(self, sha256: str) -> Path:
        """Return where the file of this hash lies, or would lie."""
        if not is_sha256(sha256):
            raise ValueError(f"not a SHA-256: {sha256!r}")
        return self.root / sha256[:2] / sha256[2:]

    def stage(self, data: bytes) -> Staged:
        """Write bytes to a file of their own, wholly and durably, under no name yet."""
        self.incoming.mkdir(exist_ok=True)  # without parents: a vanished archive must not come back as an empty one
        path = self.incoming / new_name()
        try:
            with open(path, "xb") as file:
                file.write(data)
                self._flush(file)
        except OSError as error:
            path.unlink(missing_ok=True)
            raise _in_words(error, self.incoming) from error
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return Staged(path, sha256_of(data), len(data))

    def stage_stream(self, source: IO[bytes], *, limit: int) -> Staged:
        """Write a stream to a file of its own; a stream of more than `limit` bytes is refused.

        Raises
        ------
        ValueError
            The stream is longer than `limit`.
        """
        self.incoming.mkdir(exist_ok=True)  # without parents: a vanished archive must not come back as an empty one
        path = self.incoming / new_name()
        digest = _new_digest()
        size = 0
        try:
            with open(path, "xb") as file:
                while chunk := source.read(_CHUNK):
                    size += len(chunk)
                    if size > limit:
                        raise ValueError(f"longer than the {limit} bytes it should have")
                    digest.update(chunk)
                    file.write(chunk)
                self._flush(file)
        except OSError as error:
            path.unlink(missing_ok=True)
            raise _in_words(error, self.incoming) from error
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return Staged(path, digest.hexdigest(), size)

    def place(self, staged: Staged) -> None:
        """Give a staged file its name. The caller holds the archive's write lock.

        A file that already lies there is kept if its bytes are right, and replaced if they are not.
        """
        target = self.path(staged.sha256)
        if self.is_whole(staged.sha256):
            staged.path.unlink(missing_ok=True)
            return
        fresh = not target.parent.is_dir()
        self.root.mkdir(exist_ok=True)
        target.parent.mkdir(exist_ok=True)
        os.replace(staged.path, target)
        if self.durable:
            flush_folder(target.parent)
            if fresh:
                flush_folder(self.root)

    def discard(self, staged: Staged) -> None:
        """Drop a staged file that is not wanted after all."""
        with contextlib.suppress(OSError):
            staged.path.unlink(missing_ok=True)

    def read(self, sha256: str) -> bytes:
        """Return the bytes of a file, checked against its name.

        Raises
        ------
        ArchiveError
            The file is missing, or its bytes are no longer those it was named for.
        """
        try:
            data = self.path(sha256).read_bytes()
        except FileNotFoundError:
            raise ArchiveError(
                f"the archive's file {sha256[:12]}... is missing; `rimsight archive verify` says more"
            ) from None
        if sha256_of(data) != sha256:
            raise ArchiveError(
                f"the archive's file {sha256[:12]}... is no longer what was kept; `rimsight archive verify` says more"
            )
        return data

    def state(self, sha256: str, *, size: int | None = None, hashed: bool = True) -> str:
        """Return "whole", "missing" or "altered" for one file.

        Parameters
        ----------
        sha256 : str
            The file's name.
        size : int, optional
            Its size in bytes, where known; compared only if the file is not hashed.
        hashed : bool
            Read and hash the file; else only its size is looked at.
        """
        path = self.path(sha256)
        try:
            if hashed:
                digest = _new_digest()
                with open(path, "rb") as file:
                    while chunk := file.read(_CHUNK):
                        digest.update(chunk)
                if digest.hexdigest() != sha256:
                    return "altered"
            else:
                found = path.stat().st_size
                if size is not None and found != size:
                    return "altered"
        except FileNotFoundError:
            return "missing"
        except OSError:
            return "altered"  # a directory in its place, or a disk that can't read it
        return "whole"

    def is_whole(self, sha256: str) -> bool:
        """Tell whether the file is there with the right bytes."""
        return self.state(sha256) == "whole"

    def delete(self, sha256: str) -> None:
        """Delete a file that nothing refers to. The caller holds the archive's write lock."""
        self.path(sha256).unlink(missing_ok=True)

    def set_aside(self, sha256: str) -> None:
        """Move a file that nothing refers to out of the way, into `leftover/`. The caller holds the write lock."""
        self.leftover.mkdir(exist_ok=True)
        os.replace(self.path(sha256), self.leftover / sha256)

    def drop_leftover(self) -> int:
        """Delete for good what was set aside, and return how many files that were."""
        dropped = 0
        if self.leftover.is_dir():
            for path in self.leftover.iterdir():
                if is_sha256(path.name):
                    path.unlink(missing_ok=True)
                    dropped += 1
        return dropped

    def everything(self) -> Iterator[tuple[Path, str | None]]:
        """Yield every file under `objects/` with its hash, or None where the name is not one of ours."""
        if not self.root.is_dir():
            return
        for top in sorted(self.root.iterdir()):
            if not top.is_dir() or top.is_symlink():
                yield top, None
                continue
            for path in sorted(top.iterdir()):
                name = top.name + path.name
                yield path, name if is_sha256(name) and path.is_file() and not path.is_symlink() else None

    def stale(self, older_than_s: float = STALE_AFTER_S) -> list[Path]:
        """Return half-written files that a killed command left behind."""
        if not self.incoming.is_dir():
            return []
        before = time.time() - older_than_s
        found = []
        for path in sorted(self.incoming.iterdir()):
            with contextlib.suppress(FileNotFoundError):
                if path.is_file() and path.lstat().st_mtime <= before:
                    found.append(path)
        return found

    def _flush(self, file: BinaryIO) -> None:
        file.flush()
        if self.durable:
            os.fsync(file.fileno())


def _in_words(error: OSError, folder: Path) -> OSError:
    import errno

    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return ArchiveFull(f"no room in {folder} ({error.strerror}); free some space and do it again")
    return error
