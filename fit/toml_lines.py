"""Where in a TOML file each key stands, so that a wrong value can be pointed at by its line.

The standard reader `tomllib` gives lines for syntax errors only. This scanner runs on text that `tomllib` has
accepted, so it needs to tell keys, tables and what spans several lines apart, and nothing more.
"""

from __future__ import annotations

import re

_PART = r"""(?:"(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)"""
_KEY = re.compile(rf"\s*(?P<key>{_PART}(?:\s*\.\s*{_PART})*)\s*=")
_TABLE = re.compile(rf"\s*\[\[?\s*(?P<key>{_PART}(?:\s*\.\s*{_PART})*)\s*\]")
_PARTS = re.compile(_PART)
_QUOTES = ('"""', "'''", '"', "'")


def lines_of_keys(text: str) -> dict[tuple[str, ...], int]:
    """Find the line of every table and key.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict
        Path such as ("rim", "at_least_mm") -> line, counted from 1. A key inside a value in braces has no entry of
        its own: `line_of` falls back to what holds it.
    """
    found: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    quote, depth = "", 0
    # Not splitlines(), which also splits at characters that end no line of TOML.
    for number, line in enumerate(text.split("\n"), start=1):
        rest = line
        if not quote and depth == 0:
            if header := _TABLE.match(line):
                table = _split(header["key"])
                for length in range(1, len(table) + 1):
                    found.setdefault(table[:length], number)
                continue
            if key := _KEY.match(line):
                path = table + _split(key["key"])
                for length in range(len(table) + 1, len(path) + 1):
                    found.setdefault(path[:length], number)
                rest = line[key.end() :]
        quote, depth = _state_after(rest, quote, depth)
    return found


def line_of(path: tuple[str, ...], lines: dict[tuple[str, ...], int]) -> int | None:
    """Line of a key, or of the nearest thing that holds it; None if nothing of it is in the file."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _split(key: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") if part[0] in "\"'" else part for part in _PARTS.findall(key))


def _state_after(text: str, quote: str, depth: int) -> tuple[str, int]:
    """Follow quotes and brackets through the rest of a line; returns the open quote and the depth of brackets."""
    at = 0
    while at < len(text):
        if quote:
            if text[at] == "\\" and quote[0] == '"':
                at += 2
            elif text.startswith(quote, at):
                at += len(quote)
                quote = ""
            else:
                at += 1
            continue
        if text[at] == "#":
            break
        opened = next((mark for mark in _QUOTES if text.startswith(mark, at)), "")
        if opened:
            quote = opened
            at += len(opened)
            continue
        depth += (text[at] in "[{") - (text[at] in "]}")
        at += 1
    # A quote of one mark can't span lines in valid TOML.
    return (quote if len(quote) == 3 else ""), depth
