"""Text on the job sheet: a typeface that comes with a dependency, and what to do where it lacks a letter.

ReportLab brings Bitstream Vera, which has the letters of western Europe. Other letters are taken from a common
typeface of the system where there is one; else an accent is dropped, and what remains unknown becomes "?".
Scripts that join or reorder their letters are not shaped.
"""

from __future__ import annotations

import os
import unicodedata
from functools import lru_cache
from pathlib import Path
from typing import Any

from rimsight.archive import words

REGULAR, BOLD = "rimsight-regular", "rimsight-bold"
#: Usual places of typefaces with many letters (common practice, no source); read only if a text needs one.
_SYSTEM = (
    ("/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf", "/usr/share/fonts/truetype/dejavu/DejaVuSans-Bold.ttf"),
    ("/usr/share/fonts/dejavu/DejaVuSans.ttf", "/usr/share/fonts/dejavu/DejaVuSans-Bold.ttf"),
    ("/usr/share/fonts/truetype/noto/NotoSans-Regular.ttf", "/usr/share/fonts/truetype/noto/NotoSans-Bold.ttf"),
    ("/System/Library/Fonts/Supplemental/Arial Unicode.ttf", "/System/Library/Fonts/Supplemental/Arial Unicode.ttf"),
    ("C:/Windows/Fonts/arial.ttf", "C:/Windows/Fonts/arialbd.ttf"),
    ("C:/Windows/Fonts/msyh.ttc", "C:/Windows/Fonts/msyhbd.ttc"),
)


@lru_cache(maxsize=1)
def _faces() -> dict[str, list[tuple[str, frozenset[int]]]]:
    """Register the typefaces and return, by weight, their names with the letters they have."""
    import reportlab
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    own = Path(reportlab.__file__).parent / "fonts"
    found: dict[str, list[tuple[str, frozenset[int]]]] = {REGULAR: [], BOLD: []}
    pairs = [(own / "Vera.ttf", own / "VeraBd.ttf"), *((Path(first), Path(second)) for first, second in _SYSTEM)]
    for rank, pair in enumerate(pairs):
        for weight, path in zip((REGULAR, BOLD), pair, strict=True):
            if not os.path.isfile(path):
                continue
            name = weight if rank == 0 else f"{weight}-{rank}"
            try:
                font = TTFont(name, str(path))
            except Exception:  # a typeface that ReportLab can't embed is as good as none
                continue
            pdfmetrics.registerFont(font)
            found[weight].append((name, frozenset(font.face.charToGlyph)))
    return found


def runs(text: str, weight: str = REGULAR) -> list[tuple[str, str]]:
    """Split a text into pieces of one typeface each: (name of the typeface, piece)."""
    faces = _faces()[weight]
    pieces: list[tuple[str, str]] = []
    for character in words.shown(text):
        name, shown = _face_of(character, faces)
        if pieces and pieces[-1][0] == name:
            pieces[-1] = (name, pieces[-1][1] + shown)
        else:
            pieces.append((name, shown))
    return pieces


def _face_of(character: str, faces: list[tuple[str, frozenset[int]]]) -> tuple[str, str]:
    for candidate in (character, unicodedata.normalize("NFKD", character)[0], "?"):
        for name, letters in faces:
            if ord(candidate) in letters:
                return name, candidate
    return faces[0][0], "?"


def width(text: str, size: float, weight: str = REGULAR) -> float:
    """Return the width of a text in points."""
    from reportlab.pdfbase import pdfmetrics

    return float(sum(pdfmetrics.stringWidth(piece, name, size) for name, piece in runs(text, weight)))


def draw(canvas: Any, x: float, y: float, text: str, size: float, weight: str = REGULAR) -> float:
    """Draw a text with its baseline's left end at (x, y), points from the lower left; returns where it ends."""
    from reportlab.pdfbase import pdfmetrics

    for name, piece in runs(text, weight):
        canvas.setFont(name, size)
        canvas.drawString(x, y, piece)
        x += float(pdfmetrics.stringWidth(piece, name, size))
    return x


def fitted(text: str, size: float, room: float, weight: str = REGULAR) -> str:
    """Return a text cut to a width in points, with an ellipsis where it was cut."""
    if width(text, size, weight) <= room:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width(text[:middle].rstrip() + "…", size, weight) <= room:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…"


def lines(text: str, size: float, room: float, most: int, weight: str = REGULAR) -> list[str]:
    """Break a text into lines of a width in points, `most` of them; the last one tells if there was more."""
    broken: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in paragraph.split(" "):
            longer = f"{line} {word}" if line else word
            if line and width(longer, size, weight) > room:
                broken.append(line)
                line = word
            else:
                line = longer
            if len(broken) > most:
                break
        broken.append(line)
        if len(broken) > most:
            break
    if len(broken) > most:
        broken = broken[:most]
        broken[-1] += " …"
    return [fitted(line, size, room, weight) for line in broken]
