"""The album: records as one HTML page that needs nothing else, from a memory stick or on a phone.

The page is a plain list of records with their pictures even where scripts don't run; the script adds search, pages
and the divider. Its content security policy allows the page's own style and script by their hashes, pictures inside
the page, and nothing else: what a note or a file name says can't run, and nothing is asked of a network.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import BinaryIO

from rimsight.archive import album_parts as parts
from rimsight.archive import pictures, words
from rimsight.archive.album_parts import Pictures
from rimsight.archive.errors import ArchiveError, PictureUnreadable
from rimsight.archive.records import Record
from rimsight.archive.store import Archive
from rimsight.archive.wholly import new_file

#: Longer side of the pictures, in pixels: sharp on a phone, and two of them are about 0.3 MB.
PICTURE_PX = 1200
#: More records than this make several pages: a phone has to hold one in its memory.
PER_FILE = 100


@dataclass(frozen=True)
class Written:
    """The files of an album and how many records they show; `unshown` are records whose photo can't be shown."""

    files: tuple[Path, ...]
    records: int
    unshown: tuple[int, ...]


def write_album(
    archive: Archive,
    numbers: Iterable[int],
    folder: Path,
    *,
    title: str = "Stones and settings",
    picture_px: int = PICTURE_PX,
    per_file: int = PER_FILE,
) -> Written:
    """Write records as a self-contained HTML page, `album.html`, or as `album-1.html`, `album-2.html`...

    Parameters
    ----------
    archive : Archive
        Where the records are.
    numbers : iterable of int
        Which ones, in the order in which they are shown.
    folder : Path
        Where the pages are put; made if it isn't there.
    title : str
        The page's heading.
    picture_px : int
        Longer side of the pictures, in pixels.
    per_file : int
        Records of one page at most.

    Raises
    ------
    ValueError
        There is no record to show, or a number is out of range.
    OSError
        The page can't be written.
    """
    if not 200 <= picture_px <= 6000 or per_file < 1:
        raise ValueError("pictures are 200 to 6000 pixels wide, and a page shows at least one record")
    chosen = list(numbers)
    if not chosen:
        raise ValueError("there is no record to make an album of")
    folder.mkdir(parents=True, exist_ok=True)
    slices = [chosen[start : start + per_file] for start in range(0, len(chosen), per_file)]
    names = ["album.html"] if len(slices) == 1 else [f"album-{part}.html" for part in range(1, len(slices) + 1)]
    unshown: list[int] = []
    for part, slice_ in enumerate(slices):
        with new_file(folder / names[part]) as file:
            _write_page(archive, slice_, file, words.one_line(title), picture_px, names, part, unshown)
    return Written(tuple(folder / name for name in names), len(chosen), tuple(unshown))


def _write_page(
    archive: Archive,
    numbers: Sequence[int],
    file: BinaryIO,
    title: str,
    picture_px: int,
    names: Sequence[str],
    part: int,
    unshown: list[int],
) -> None:
    style = _asset("album.css")
    script = _asset("album.js")
    policy = (
        f"default-src 'none'; img-src data:; style-src 'sha256-{_digest(style)}'; script-src 'sha256-{_digest(script)}'"
    )

    def put(text: str) -> None:
        file.write(text.encode("utf-8"))

    put(parts.head(title, policy, style))
    put(parts.header(title, len(numbers), names, part))
    put(parts.FORM)
    put(parts.LIST_OPENS)
    # Twice over the records: the list stands before the pages it leads to, and never are all in memory.
    for number in numbers:
        record = archive.record(number)
        put(parts.card(record, _small(archive, record)))
    put(parts.LIST_CLOSES)
    for number in numbers:
        record = archive.record(number)
        shown = _pictures(archive, record, picture_px)
        if shown.original is None and shown.marked is None:
            unshown.append(number)
        put(parts.article(record, shown))
    put(parts.foot(script, words.now()))


def _small(archive: Archive, record: Record) -> str | None:
    for sha256 in (record.latest.thumbnail, record.latest.overlay, record.photo):
        if sha256 is not None:
            try:
                # Made anew even from our own small picture: it may have come with a zip from elsewhere.
                return _data_url(pictures.thumbnail(archive.objects.read(sha256)))
            except (ArchiveError, PictureUnreadable):
                continue
    return None


def _pictures(archive: Archive, record: Record, picture_px: int) -> Pictures:
    urls: list[str | None] = []
    sizes: list[tuple[int, int] | None] = []
    for sha256 in (record.photo, record.latest.overlay):
        url, size = None, None
        if sha256 is not None:
            try:
                data, size = pictures.clean_jpeg_and_size(archive.objects.read(sha256), picture_px)
                url = _data_url(data)
            except (ArchiveError, PictureUnreadable):
                pass
        urls.append(url)
        sizes.append(size)
    return Pictures(urls[0], urls[1], _same_shape(*sizes))


def _same_shape(first: tuple[int, int] | None, second: tuple[int, int] | None) -> bool:
    """Tell whether two pictures show the same frame: only then does a divider between them make sense."""
    if first is None or second is None:
        return False
    return abs(first[0] / first[1] - second[0] / second[1]) < 0.01 * first[0] / first[1]


def _data_url(jpeg: bytes) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


def _asset(name: str) -> str:
    return files("rimsight.archive").joinpath(name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
