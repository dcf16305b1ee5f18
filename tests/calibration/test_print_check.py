"""Records of measured check lines: what is accepted, what is refused, and what a broken file does."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rimsight.calibration.print_check import (
    PrintCheck,
    default_name,
    default_path,
    find_check,
    load_checks,
    save_check,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "records" / "cards.json"


def test_scale_is_measured_by_nominal_length() -> None:
    check = PrintCheck("card-60", 60, 151.2, 149.1, 0.1)
    assert check.scale_across == pytest.approx(1.008)
    assert check.scale_down == pytest.approx(0.994)
    assert check.u_scale == pytest.approx(0.1 / 150)


@pytest.mark.parametrize("length", [138.1, 146.3, 150.0, 153.7, 161.9])
def test_prints_up_to_8_per_cent_off_are_kept(length: float) -> None:
    assert PrintCheck("x", 60, length, 150.0).across_mm == length


@pytest.mark.parametrize("length", [137.9, 162.1, 0.0, -150.0, float("nan"), float("inf"), -float("inf")])
def test_lengths_that_can_be_no_check_line_are_refused(length: float) -> None:
    with pytest.raises(ValueError, match="the line across can't be"):
        PrintCheck("x", 60, length, 150.0)
    with pytest.raises(ValueError, match="the line down can't be"):
        PrintCheck("x", 60, 150.0, length)


@pytest.mark.parametrize(
    ("length", "hint"),
    [
        (5.95, "read in inches, type 5.95in"),
        (15.1, "read in centimetres, type 15.1cm"),
        (60.2, "frame's middle"),
        (64.1, "frame's outer edge"),
        (27.0, "frame's inner edge"),
        (120.0, "from end to end"),
    ],
)
def test_the_refusal_guesses_the_mistake(length: float, hint: str) -> None:
    with pytest.raises(ValueError, match=hint):
        PrintCheck("x", 60, length, 150.0)


@pytest.mark.parametrize(
    ("across", "down", "lines"),
    [(150.0, 153.7, []), (146.0, 150.0, ["across"]), (150.0, 154.0, ["down"]), (141.0, 141.0, ["across", "down"])],
)
def test_fit_to_page_is_suspected_beyond_what_printers_do(across: float, down: float, lines: list[str]) -> None:
    warnings = PrintCheck("x", 60, across, down).warnings()
    assert len(warnings) == len(lines)
    for warning, line in zip(warnings, lines, strict=True):
        assert line in warning
        assert "fit to page" in warning


@pytest.mark.parametrize("u", [0.0, -0.1, 2.1, float("nan"), float("inf")])
def test_an_uncertainty_that_is_none_is_refused(u: float) -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        PrintCheck("x", 60, 150, 150, u)


@pytest.mark.parametrize("name", ["", "   ", "a\nb", "a\x1b[31m", "x" * 101])
def test_names_that_can_not_be_shown_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match="name of a card"):
        PrintCheck(name, 60, 150, 150)


def test_unknown_size_of_card_is_refused() -> None:
    with pytest.raises(ValueError, match="60 or 30"):
        PrintCheck("x", 45, 150, 150)
    with pytest.raises(ValueError, match="60 or 30"):
        default_name(45)


def test_no_file_means_no_records(path: Path) -> None:
    assert load_checks(path) == {}
    assert find_check(60, path=path) is None


length = st.floats(139, 161, allow_nan=False)


@given(
    name=st.text(st.characters(codec="utf-8"), min_size=1, max_size=100).filter(
        lambda text: text.isprintable() and text.strip() != ""
    ),
    side=st.sampled_from([30.0, 60.0]),
    across=length,
    down=length,
    u=st.floats(1e-6, 2.0),
)
def test_a_record_comes_back_as_it_went_in(
    tmp_path_factory: pytest.TempPathFactory, name: str, side: float, across: float, down: float, u: float
) -> None:
    path = tmp_path_factory.mktemp("records") / "cards.json"
    kept = save_check(path, PrintCheck(name, side, across, down, u))
    assert kept.date.endswith("+00:00")
    assert load_checks(path) == {name: kept}


def test_a_new_measurement_replaces_the_one_of_that_name_and_becomes_the_newest(path: Path) -> None:
    save_check(path, PrintCheck("office", 60, 150, 151))
    save_check(path, PrintCheck("home", 60, 149, 150))
    save_check(path, PrintCheck("office", 60, 148.5, 151))
    assert list(load_checks(path)) == ["home", "office"]
    found = find_check(60, path=path)
    assert found is not None
    assert (found.name, found.across_mm) == ("office", 148.5)


def test_records_are_found_by_size_and_by_name(path: Path) -> None:
    small = save_check(path, PrintCheck("small", 30, 149, 150))
    save_check(path, PrintCheck("large", 60, 150, 150))
    assert find_check(30, path=path) == small
    assert find_check(30, "small", path) == small


def test_a_name_that_is_not_on_record_is_an_error_not_an_unchecked_card(path: Path) -> None:
    save_check(path, PrintCheck("small", 30, 149, 150))
    with pytest.raises(ValueError, match="no printed card named 'smal' is on record; known: 'small'"):
        find_check(30, "smal", path)
    with pytest.raises(ValueError, match="side of 30 mm, the card in this photo one of 60 mm"):
        find_check(60, "small", path)


def test_the_users_folder_can_be_chosen(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path / "bench"))
    assert default_path() == tmp_path / "bench" / "cards.json"
    save_check(default_path(), PrintCheck("mine", 60, 150.3, 149.9))
    found = find_check(60)
    assert found is not None
    assert found.name == "mine"


def test_without_a_choice_the_systems_configuration_folder_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    import platformdirs

    monkeypatch.setenv("RIMSIGHT_HOME", "")
    assert default_path() == platformdirs.user_config_path("rimsight", appauthor=False) / "cards.json"


def write(path: Path, text: str | bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode() if isinstance(text, str) else text)


GOOD = {"side_mm": 60, "across_mm": 150, "down_mm": 150.5, "u_mm": 0.1, "date": "2026-01-02T03:04:05+00:00"}


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "[]",
        "null",
        "7",
        "{}",
        '{"version": 1}',
        '{"version": 1, "cards": []}',
        '{"version": 0, "cards": {}}',
        '{"version": "1", "cards": {}}',
        b"\xff\xfe\x00",
        "[" * 100_000,
    ],
)
def test_a_broken_file_is_named_with_a_remedy_and_left_alone(path: Path, content: str | bytes) -> None:
    write(path, content)
    before = path.read_bytes()
    with pytest.raises(ValueError, match=r"cards\.json.*(restore|delete)"):
        load_checks(path)
    with pytest.raises(ValueError, match=r"cards\.json"):
        save_check(path, PrintCheck("x", 60, 150, 150))
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "change",
    [
        {"across_mm": "long"},
        {"across_mm": None},
        {"down_mm": [150]},
        {"down_mm": 1500},
        {"u_mm": 0},
        {"side_mm": 45},
        {"side_mm": 10**400},
    ],
)
def test_a_broken_record_is_named_and_never_passed_over(path: Path, change: dict[str, object]) -> None:
    write(path, json.dumps({"version": 1, "cards": {"fine": GOOD, "bad one": {**GOOD, **change}}}))
    with pytest.raises(ValueError, match=r"'bad one'.*is broken"):
        load_checks(path)


@pytest.mark.parametrize("key", sorted(GOOD))
def test_a_missing_member_is_named(path: Path, key: str) -> None:
    write(path, json.dumps({"version": 1, "cards": {"x": {one: value for one, value in GOOD.items() if one != key}}}))
    with pytest.raises(ValueError, match=f"{key} is missing"):
        load_checks(path)


def test_not_a_number_in_the_file_is_refused(path: Path) -> None:
    write(path, json.dumps({"version": 1, "cards": {"x": {**GOOD, "down_mm": float("nan")}}}))
    with pytest.raises(ValueError, match=r"'x'.*is broken"):
        load_checks(path)


def test_a_newer_file_asks_for_a_newer_program(path: Path) -> None:
    write(path, '{"version": 2, "cards": {}}')
    with pytest.raises(ValueError, match="newer rimsight"):
        load_checks(path)


def test_unknown_members_and_a_byte_order_mark_are_tolerated(path: Path) -> None:
    text = json.dumps({"version": 1, "note": "mine", "cards": {"x": {**GOOD, "printer": "left"}}})
    write(path, b"\xef\xbb\xbf" + text.encode())
    assert load_checks(path)["x"].down_mm == 150.5


def test_a_failed_write_leaves_the_old_records_and_no_leftovers(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = save_check(path, PrintCheck("x", 60, 150, 150))

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OSError, match="No space left"):
        save_check(path, PrintCheck("x", 60, 149, 150))
    assert load_checks(path) == {"x": kept}
    assert [one.name for one in path.parent.iterdir()] == ["cards.json"]
