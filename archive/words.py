"""Text and figures as people read them: cleaned of what could mislead, rounded by their uncertainty."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

#: A label is one line of this many characters at most; a note is a page.
LABEL_LIMIT = 200
NOTE_LIMIT = 20_000

_SIZES = ("B", "kB", "MB", "GB", "TB")

#: What a figure is called to a person, by its name in the result. Others are spelled out from their names.
FIGURE_WORDS = {
    "stone.diameter_mm": "stone",
    "stone.length_mm": "stone length",
    "stone.width_mm": "stone width",
    "stone.height_mm": "stone height",
    "stone.smallest_mm": "stone smallest",
    "stone.largest_mm": "stone largest",
    "tube.outer_diameter_mm": "tube outside",
    "tube.bore_diameter_mm": "tube bore",
    "tube.wall_mm": "tube wall",
    "tube.smallest_wall_mm": "tube wall smallest",
    "rim.centred_mm": "rim centred",
    "rim.smallest_mm": "rim smallest",
    "rim.mean_mm": "rim mean",
    "rim.offset_mm": "stone offset",
}
#: The figures worth a place in one line, the most telling first.
HEADLINES = (
    "rim.smallest_mm",
    "rim.centred_mm",
    "stone.diameter_mm",
    "stone.length_mm",
    "stone.width_mm",
    "tube.outer_diameter_mm",
    "tube.bore_diameter_mm",
    "tube.wall_mm",
    "stone.height_mm",
)


def _misleads(character: str) -> bool:
    # Cc: control characters, which drive terminals; Cf: among them those that turn the direction of writing round
    # and so make "gpj.exe" read "exe.jpg"; Cs: halves of characters; Zl, Zp: line breaks in disguise.
    # The joiners U+200C and U+200D are letters' business in several scripts and stay.
    return unicodedata.category(character) in ("Cc", "Cf", "Cs", "Zl", "Zp") and character not in "\u200c\u200d"


def one_line(text: str, what: str = "text", limit: int = LABEL_LIMIT) -> str:
    """Return a label as it is kept: one line, composed (NFC), without invisible characters.

    Raises
    ------
    ValueError
        It is longer than `limit` characters.
    """
    clean = "".join(" " if _misleads(character) else character for character in unicodedata.normalize("NFC", text))
    clean = " ".join(clean.split())
    if len(clean) > limit:
        raise ValueError(f"{what} is {len(clean)} characters long; {limit} are allowed")
    return clean


def note_text(text: str) -> str:
    """Return a note as it is kept: lines stay, invisible characters go.

    Raises
    ------
    ValueError
        It is longer than a page (20 000 characters).
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    clean = "\n".join(
        "".join(
            " " if character == "\t" else "" if _misleads(character) else character
            for character in unicodedata.normalize("NFC", line)
        ).rstrip()
        for line in lines
    ).strip("\n")
    if len(clean) > NOTE_LIMIT:
        raise ValueError(f"the note is {len(clean)} characters long; {NOTE_LIMIT} are allowed")
    return clean


def file_name(name: str) -> str:
    """Return the last part of a file name, whichever system it comes from, fit to be shown."""
    last = re.split(r"[/\\]", name)[-1]
    clean = one_line(last, "the file name", limit=10_000)
    if len(clean) > LABEL_LIMIT:  # a name can't be refused like a label: it is only shortened in the middle
        clean = clean[:150] + "..." + clean[-40:]
    return clean or "photo"


def shown(text: object, *, lines: bool = False) -> str:
    """Return any text so that neither terminal nor reader is misled by it (also what came by import)."""
    cleaned = str(text)
    return "".join(
        character if (lines and character == "\n") or not _misleads(character) else "\ufffd" for character in cleaned
    )


def decimals_for(u95: float) -> int:
    """Return how many decimals show two significant digits of an uncertainty (1 at least, 4 at most, mm)."""
    if not math.isfinite(u95) or u95 <= 0:
        return 3
    exponent = int(f"{u95:.1e}".partition("e")[2])  # of the rounded value: 0.0996 is 0.10
    return min(4, max(1, 1 - exponent))


def quantity(value: float, u95: float | None, unit: str = "mm") -> str:
    """Return a figure with its 95 % uncertainty, both rounded by the uncertainty: "6.124 ± 0.012 mm".

    The uncertainty is rounded to two significant digits (JCGM 100:2008, 7.2.6).
    """
    tail = f" {unit}" if unit else ""
    if u95 is None or not math.isfinite(u95) or u95 <= 0:
        return f"{number(value, 3)}{tail}"
    decimals = decimals_for(u95)
    return f"{number(value, decimals)} ± {u95:.{decimals}f}{tail}"


def number(value: float, decimals: int) -> str:
    """Return a number with a minus sign that is not a hyphen, and without one before zero."""
    text = f"{value:.{decimals}f}"
    return text.replace("-", "" if float(text) == 0 else "−")


def unit_of(name: str) -> str:
    """Return the unit that a figure's name ends in."""
    for ending, unit in (("_mm", "mm"), ("_deg", "°"), ("_px", "px"), ("_mm2", "mm²")):
        if name.endswith(ending):
            return unit
    return ""


def figure_words(name: str) -> str:
    """Return what a figure is called: "tube.bore_diameter_mm" is "tube bore"."""
    known = FIGURE_WORDS.get(name)
    if known:
        return known
    bare = re.sub(r"_(mm2|mm|deg|px)\Z", "", name)
    return bare.replace(".", " ").replace("_", " ")


def headline(figures: Mapping[str, tuple[float, float | None]], most: int = 2) -> str:
    """Return the few figures that say most, in one line: of the rim one only."""
    chosen = [name for name in HEADLINES if name in figures]
    if "rim.smallest_mm" in chosen and "rim.centred_mm" in chosen:
        chosen.remove("rim.centred_mm")
    chosen = chosen[:most]
    return ", ".join(f"{figure_words(name)} {quantity(*figures[name], unit_of(name))}" for name in chosen)


def size(number_of_bytes: int) -> str:
    """Return a size in bytes in the unit that suits it: 1 234 567 is "1.2 MB"."""
    amount = float(number_of_bytes)
    for unit in _SIZES:
        if amount < 999.5 or unit == _SIZES[-1]:
            return f"{amount:.0f} {unit}" if unit == "B" or amount >= 99.5 else f"{amount:.1f} {unit}"
        amount /= 1000
    raise AssertionError("unreachable")


def now() -> str:
    """Return the present moment as it is kept: UTC, to the second, ISO 8601."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def moment(text: str) -> datetime:
    """Read a moment as it is kept.

    Raises
    ------
    ValueError
        It is not one.
    """
    # `strptime` would load the calendar and the locale, a hundredth of a second before every list.
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z", text):
        raise ValueError(f"{text!r} is not a moment like 2026-03-05T14:30:00Z")
    return datetime.fromisoformat(text[:-1]).replace(tzinfo=UTC)


def local_time(text: str) -> str:
    """Return a kept moment in the local time, to the minute."""
    try:
        return moment(text).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return shown(text)


def without_folders(value: Any) -> Any:
    """Return JSON data with every path cut to its last part: a folder's name tells who sits at the computer."""
    if isinstance(value, str):
        looks_like_path = re.match(r"(/|~/|\.{1,2}/|[A-Za-z]:[\\/]|\\\\|file:)", value) is not None
        return file_name(value) if looks_like_path else value
    if isinstance(value, Mapping):
        return {key: without_folders(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [without_folders(entry) for entry in value]
    return value
