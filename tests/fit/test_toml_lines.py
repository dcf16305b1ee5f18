"""The scanner that finds the line of a key in valid TOML."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from rimsight.fit.rules import default_text
from rimsight.fit.toml_lines import line_of, lines_of_keys

TRICKY = '''# comment with key = 1
title = "a = [ { # not a comment"
[rim]
at_least_mm = 0.15 # after
"quoted key" = 1
'literal' = 2
dotted.inner . deep = 3
list = [ # open
    1, 2,
    "]", # still = inside
]
text = """
fake = 1
[fake]
\\""" fake2 = 2
"""
literal_text = \'\'\'
fake3 = 1\'\'\'
inline = { a = 1, b = [1, 2] }
[ spaced . "table" ]
last = true
[[many]]
x = 1
'''


def test_lines_of_a_tricky_file() -> None:
    tomllib.loads(TRICKY)  # the scanner is only promised to work on valid files
    lines = lines_of_keys(TRICKY)
    assert lines == {
        ("title",): 2,
        ("rim",): 3,
        ("rim", "at_least_mm"): 4,
        ("rim", "quoted key"): 5,
        ("rim", "literal"): 6,
        ("rim", "dotted"): 7,
        ("rim", "dotted", "inner"): 7,
        ("rim", "dotted", "inner", "deep"): 7,
        ("rim", "list"): 8,
        ("rim", "text"): 12,
        ("rim", "literal_text"): 17,
        ("rim", "inline"): 19,
        ("spaced",): 20,
        ("spaced", "table"): 20,
        ("spaced", "table", "last"): 21,
        ("many",): 22,
        ("many", "x"): 23,
    }
    assert line_of(("rim", "inline", "a"), lines) == 19
    assert line_of(("nowhere", "at all"), lines) is None


def _paths(data: dict[str, Any], prefix: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for key, value in data.items():
        found.append((*prefix, key))
        if isinstance(value, dict):
            found += _paths(value, (*prefix, key))
    return found


def test_every_key_of_the_built_in_rules_is_found_where_it_stands() -> None:
    text = default_text()
    lines, rows = lines_of_keys(text), text.splitlines()
    for path in _paths(tomllib.loads(text)):
        line = line_of(path, lines)
        assert line is not None, path
        if path in lines:
            assert path[-1] in rows[line - 1], path


_NAMES = st.from_regex(r"[a-z_]{1,8}", fullmatch=True)
_VALUES = st.one_of(
    st.integers(-99, 99).map(str),
    st.sampled_from(
        ['"plain"', '"with # and = and ["', "'lit [ #'", '"""\nx = 1\n"""', "[1,\n 2]", "{ a = 1 }", "true", '" "']
    ),
)


@given(st.dictionaries(_NAMES, st.dictionaries(_NAMES, _VALUES, min_size=1, max_size=4), min_size=1, max_size=4))
def test_generated_files(tables: dict[str, dict[str, str]]) -> None:
    text = ""
    expected: dict[tuple[str, ...], int] = {}
    for table, members in tables.items():
        expected[table,] = text.count("\n") + 1
        text += f"[{table}]\n"
        for key, value in members.items():
            expected[table, key] = text.count("\n") + 1
            text += f"{key} = {value}\n"
    tomllib.loads(text)
    assert lines_of_keys(text) == expected
