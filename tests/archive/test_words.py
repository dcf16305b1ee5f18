"""Figures rounded by their uncertainty, texts without what misleads, results taken apart."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimsight.archive import records, words
from rimsight.archive.records import Figure, figures


@pytest.mark.parametrize(
    ("value", "u95", "expected"),
    [
        (6.12345, 0.01234, "6.123 ± 0.012 mm"),
        (6.1, 0.0996, "6.10 ± 0.10 mm"),
        (0.285, 0.009, "0.2850 ± 0.0090 mm"),
        (0.3, 0.12, "0.30 ± 0.12 mm"),
        (6.0, 1.5, "6.0 ± 1.5 mm"),
        (-0.025, 0.011, "−0.025 ± 0.011 mm"),
        (-0.0001, 0.11, "0.00 ± 0.11 mm"),
        (6.1234, None, "6.123 mm"),
        (6.1234, 0.0, "6.123 mm"),
        (6.1234, float("nan"), "6.123 mm"),
    ],
)
def test_quantities(value: float, u95: float | None, expected: str) -> None:
    assert words.quantity(value, u95) == expected


@given(st.floats(-100, 100), st.floats(0.001, 9.9))
def test_rounding_never_moves_a_value_by_a_tenth_of_its_uncertainty(value: float, u95: float) -> None:
    shown = words.quantity(value, u95, "").partition(" ± ")[0].replace("−", "-")
    assert abs(float(shown) - value) <= 0.1 * u95 + 1e-12


@pytest.mark.parametrize(
    ("number", "expected"),
    [(0, "0 B"), (999, "999 B"), (1000, "1.0 kB"), (1_234_567, "1.2 MB"), (5 * 10**12, "5.0 TB")],
)
def test_sizes(number: int, expected: str) -> None:
    assert words.size(number) == expected


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("IMG_1.jpg", "IMG_1.jpg"),
        ("/home/x/IMG_1.jpg", "IMG_1.jpg"),
        ("C:\\Users\\x\\IMG_1.jpg", "IMG_1.jpg"),
        ("..", ".."),
        ("a/", "photo"),
        ("", "photo"),
        ("\x1b[31mred.jpg", "[31mred.jpg"),
        ("x" * 300 + ".jpg", "x" * 150 + "..." + "x" * 36 + ".jpg"),
    ],
)
def test_file_names(name: str, expected: str) -> None:
    assert words.file_name(name) == expected


@given(st.text())
def test_shown_text_drives_no_terminal(text: str) -> None:
    shown = words.shown(text)
    assert not any(character in shown for character in "\x1b\x00\x07\x08\r\n\x9b\u202e\u2066\u2028")
    assert len(shown) == len(text)


@given(st.text(max_size=190))
def test_cleaning_twice_is_cleaning_once(text: str) -> None:
    try:
        once = words.one_line(text)
    except ValueError:
        return
    assert words.one_line(once) == once
    assert words.note_text(words.note_text(text)) == words.note_text(text)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("/home/x/a.jpg", "a.jpg"),
        ("C:\\x\\a.jpg", "a.jpg"),
        ("\\\\host\\share\\a.jpg", "a.jpg"),
        ("~/a.jpg", "a.jpg"),
        ("../x/a.jpg", "a.jpg"),
        ("file:///home/x/a.jpg", "a.jpg"),
        ("6/8 prongs", "6/8 prongs"),
        ({"a": ["/x/b", 1, None]}, {"a": ["b", 1, None]}),
    ],
)
def test_paths_are_cut_to_their_last_part(value: Any, expected: Any) -> None:
    assert words.without_folders(value) == expected


def test_figures_of_any_result() -> None:
    result = {
        "schema": "rimsight/1",
        "stone": {"diameter_mm": {"value": 6, "u95": 0.01}, "clock": 3, "odd": {"value": "six"}},
        "stones": [{"diameter_mm": {"value": 2.0}}, "not a stone", {"diameter_mm": {"value": 2.5, "u95": None}}],
        "rim": {"centred_mm": {"value": True}, "big": {"value": 10**400}},
        "checks": [{"name": "rim_centred", "value_mm": {"value": 0.3, "u95": 0.1}}],
    }
    assert list(figures(result)) == [
        Figure(0, "stone.diameter_mm", 6.0, 0.01),
        Figure(1, "stone.diameter_mm", 2.0, None),
        Figure(3, "stone.diameter_mm", 2.5, None),
    ]


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda children: st.lists(children) | st.dictionaries(st.text(), children),
    max_leaves=20,
)


@given(st.dictionaries(st.text(), json_values))
def test_any_result_is_sealed_and_read_back_the_same(result: dict[str, Any]) -> None:
    measured = records.Measured("stone", result)
    photo = {"name": "a", "sha256": "0" * 64, "bytes": 1}
    document = records.compose(
        measured, key="0" * 32, record=1, number=1, photo=photo, overlay=None, labels=records.Labels()
    )
    again = records.parse(document.text)
    assert again.sha256 == document.sha256
    assert {k: v for k, v in again.result.items() if k != "photo"} == {k: v for k, v in result.items() if k != "photo"}
    list(figures(again.result))


@given(st.text())
def test_no_text_is_taken_for_a_document(text: str) -> None:
    with pytest.raises(ValueError, match="document"):
        records.parse(text)
