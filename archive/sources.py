"""Other places where a lost file may still be: a folder of photos, or a zip that was once exported."""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterable
from pathlib import Path

from rimsight.archive.objects import sha256_of

#: No photo and no document is longer; a longer file is passed over unread.
FILE_LIMIT = 1 << 30


class Sources:
    """Finds files by the SHA-256 of their bytes in folders and exported zips.

    Parameters
    ----------
    places : iterable of Path
        Folders (searched with all below them) and zip files.
    sizes : iterable of int
        Sizes in bytes of the files that may be asked for: only files of these sizes are read.
    """

    def __init__(self, places: Iterable[Path], sizes: Iterable[int] = ()) -> None:
        self.places = list(places)
        self.sizes = set(sizes)
        self._found: dict[str, Path] | None = None
        for place in self.places:
            if not place.exists():
                raise FileNotFoundError(f"{place} is not there to repair from")

    def find(self, sha256: str) -> bytes | None:
        """Return the bytes of this hash, or None if no place has them."""
        for place in self.places:
            if place.is_file():
                data = _from_zip(place, sha256)
                if data is not None:
                    return data
        path = self._in_folders().get(sha256)
        if path is None:
            return None
        try:
            data = path.read_bytes()
        except OSError:
            return None
        return data if sha256_of(data) == sha256 else None

    def _in_folders(self) -> dict[str, Path]:
        if self._found is None:
            self._found = {}
            for place in self.places:
                if place.is_dir():
                    self._look_through(place, self._found)
        return self._found

    def _look_through(self, folder: Path, found: dict[str, Path]) -> None:
        for where, _, names in os.walk(folder):
            for name in names:
                path = Path(where, name)
                try:
                    if path.is_file() and path.stat().st_size in self.sizes:
                        found.setdefault(sha256_of(path.read_bytes()), path)
                except OSError:
                    continue


def _from_zip(path: Path, sha256: str) -> bytes | None:
    try:
        with zipfile.ZipFile(path) as bundle:
            member = bundle.getinfo(f"objects/{sha256[:2]}/{sha256[2:]}")
            if member.file_size > FILE_LIMIT:
                return None
            data = bundle.read(member)
    except (OSError, KeyError, zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError):
        return None
    return data if sha256_of(data) == sha256 else None
