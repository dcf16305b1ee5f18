"""What `rimsight --help` prints.

Loading Typer takes most of the time that the front page may take, so the page is laid out here; a test holds it to what
Typer would print.
"""

from __future__ import annotations

import os
import sys

from rimsight.cli.registry import COMMAND_MODULES

ABOUT = "Read a faceted stone and a setting tube in millimetres from a photo with the printed card in it."
OPTIONS = {"--version": "Show the version and stop.", "--help": "Show this message and exit."}
EPILOG = (
    "Exit codes: 0 done; 2 the command was called wrongly; 3 this photo does not allow the reading; "
    "4 something else that is not your doing."
)
#: Columns of the page, as Typer has them.
_NARROWEST, _WIDEST, _MARGIN, _INDENT = 50, 80, 2, "  "


def page(columns: int | None = None) -> str:
    """Return the page for a terminal of so many columns, of this terminal if None."""
    width = max(min(_terminal() if columns is None else columns, _WIDEST) - _MARGIN, _NARROWEST)
    blocks = [
        "Usage: rimsight [OPTIONS] COMMAND [ARGS]...",
        _wrapped(ABOUT, width),
        "Options:\n" + _listed(OPTIONS, width),
        "Commands:\n" + _listed(COMMAND_MODULES, width),
        _wrapped(EPILOG, width),
    ]
    return "\n\n".join(blocks)


def _wrapped(text: str, width: int, first: str = _INDENT, later: str = _INDENT) -> str:
    lines = [first]
    for word in text.split():
        begun = lines[-1] not in (first, later)
        if begun and len(lines[-1]) + 1 + len(word) > width:
            lines.append(later)
            begun = False
        lines[-1] += f" {word}" if begun else word
    return "\n".join(lines)


def _listed(rows: dict[str, str], width: int) -> str:
    room = max(map(len, rows)) + 2
    return "\n".join(
        _wrapped(text, width, f"{_INDENT}{name:<{room}}", " " * (len(_INDENT) + room)) for name, text in rows.items()
    )


def _terminal() -> int:
    typed = os.environ.get("COLUMNS", "")
    if typed.isascii() and typed.isdigit() and int(typed) > 0:
        return int(typed)
    try:
        return os.get_terminal_size(sys.stdout.fileno()).columns or _WIDEST
    except (AttributeError, ValueError, OSError):  # no terminal
        return _WIDEST
