"""House rules: what the built-in file says, how the jeweller's own overrides it, and errors that name the line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from rimsight.calibration.files import home_folder
from rimsight.fit.rule_file import PER_METAL, RULES, Steps
from rimsight.fit.rules import BUILT_IN, RulesError, default_rules, default_text, from_text, load, rules_path


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMSIGHT_HOME", str(tmp_path))
    return tmp_path


# --- built-in ---------------------------------------------------------------------------------------------------


def test_the_built_in_file_sets_every_rule() -> None:
    rules = default_rules()
    for key in RULES:
        assert rules.entry(key)[0].line, key


def test_the_built_in_file_claims_no_source_that_does_not_exist() -> None:
    """Every block of limits is marked; only the calipers' limits name a standard."""
    rules = default_rules()
    for key in RULES:
        origin = rules.origin(key)
        assert origin == ("built-in, DIN 862" if key.startswith("caliper.") else BUILT_IN)
    text = default_text()
    assert "no published source" in BUILT_IN
    for section in ("rim.at_least_mm", "rim.at_most_mm", "ledge.at_least_mm", "wall.beside_seat_at_least_mm",
                    "girdle.metal_above_at_least_mm", "girdle", "length", "bur", "punch",
                    "metal.platinum.rim.at_least_mm"):
        above = text[: text.index(f"\n[{section}]")].rstrip().splitlines()
        block = [line for line in above[-6:] if line.startswith("#")]
        assert any("ommon practice, no published source" in line for line in block), section


@pytest.mark.parametrize(
    ("stone_mm", "metal", "limit_mm"),
    # common practice, no source
    [(2.99, None, 0.10), (3.0, None, 0.12), (4.999, None, 0.12), (5.0, None, 0.15), (6.12, "silver", 0.15),
     (7.99, None, 0.15), (8.0, None, 0.20), (30.0, None, 0.20), (6.12, "Platinum", 0.13), (6.12, "fine silver", 0.18)],
)
def test_rim_by_size_and_metal(stone_mm: float, metal: str | None, limit_mm: float) -> None:
    assert default_rules().limit("rim.at_least_mm", stone_mm, metal).value == limit_mm


@pytest.mark.parametrize(
    ("name", "known"),
    [("silver", "silver"), ("Sterling", "silver"), (" 925 ", "silver"), ("White Gold", "white_gold"),
     ("white-gold", "white_gold"), ("PT950", "platinum"), ("gold", "yellow_gold"), ("unobtainium", None), (None, None)],
)
def test_names_of_metals(name: str | None, known: str | None) -> None:
    assert default_rules().metal(name) == known


def test_an_unknown_metal_gets_the_general_limits() -> None:
    rules = default_rules()
    assert rules.limit("rim.at_least_mm", 6.0, "unobtainium") == rules.limit("rim.at_least_mm", 6.0)


def test_every_metal_leaves_tubes_that_suit() -> None:
    rules = default_rules()
    for metal in (None, *rules.metals()):
        for stone_mm in (1.0, 2.999, 3.0, 4.0, 5.0, 7.0, 8.0, 20.0):
            low = rules.limit("rim.at_least_mm", stone_mm, metal).value
            assert low < rules.limit("rim.at_most_mm", stone_mm, metal).value
            assert rules.limit("wall.beside_seat_at_least_mm", stone_mm, metal).value <= low


# --- the jeweller's own file -------------------------------------------------------------------------------------


def test_a_partial_file_overrides_only_what_it_names() -> None:
    rules = from_text("[rim]\nat_least_mm = 0.25\n")
    assert rules.limit("rim.at_least_mm", 2.0).value == 0.25
    assert rules.limit("rim.at_least_mm", 2.0).origin == "rules.toml line 2"
    assert rules.limit("ledge.at_least_mm", 6.0) == default_rules().limit("ledge.at_least_mm", 6.0)


def test_own_steps_replace_the_built_in_steps_as_a_whole() -> None:
    rules = from_text('[rim.at_least_mm]\n"below 4 mm" = 0.11\notherwise = 0.3\n')
    assert [rules.limit("rim.at_least_mm", size).value for size in (2.0, 4.0, 9.0)] == [0.11, 0.3, 0.3]
    assert rules.entry("rim.at_least_mm")[0].value == Steps(((4.0, 0.11), (float("inf"), 0.3)))


def test_an_own_general_limit_beats_a_built_in_one_of_a_metal() -> None:
    rules = from_text("[rim]\nat_least_mm = 0.22\n")
    assert rules.limit("rim.at_least_mm", 6.0, "platinum").value == 0.22


def test_an_own_limit_of_a_metal_beats_the_own_general_one() -> None:
    rules = from_text("[rim]\nat_least_mm = 0.22\n[metal.platinum.rim]\nat_least_mm = 0.14\n")
    assert rules.limit("rim.at_least_mm", 6.0, "platinum").value == 0.14
    assert rules.limit("rim.at_least_mm", 6.0, "silver").value == 0.22


def test_a_new_metal_with_other_names() -> None:
    rules = from_text('[metal."Black Gold"]\nalso = ["bg"]\nrim.at_least_mm = 0.17\n')
    assert rules.metal("BG") == "black_gold"
    assert rules.limit("rim.at_least_mm", 6.0, "bg").value == 0.17


def test_own_bur_list_is_sorted() -> None:
    assert from_text("[bur]\nsizes_mm = [6.5, 6, 6.0, 5.5]\n").sizes("bur.sizes_mm") == (5.5, 6.0, 6.5)


def test_asking_for_the_wrong_thing() -> None:
    rules = default_rules()
    with pytest.raises(ValueError, match="no house rule 'rim'"):
        rules.limit("rim", 6.0)
    with pytest.raises(ValueError, match="list of sizes"):
        rules.limit("bur.sizes_mm", 6.0)
    with pytest.raises(ValueError, match="not a list"):
        rules.sizes("rim.at_least_mm")
    with pytest.raises(ValueError, match="not a single number"):
        rules.number("rim.at_least_mm")


# --- errors name the line ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        # a wrong value, at its own line
        (
            "# mine\n\n[rim]\n# thinner\nat_least_mm = 'thin'\n",
            ["rules.toml line 5: rim.at_least_mm must be a length between 0 and 5, found 'thin'"],
        ),
        ("[rim]\nat_least_mm = true", ["line 2: rim.at_least_mm must be a length between 0 and 5, found true"]),
        ("[rim]\nat_least_mm = nan", ["line 2: rim.at_least_mm must be a length between 0 and 5, found nan"]),
        ("[rim]\nat_least_mm = -0.1", ["line 2: rim.at_least_mm must be a length between 0 and 5, found -0.1"]),
        ("[rim]\nat_least_mm = 15", ["line 2: rim.at_least_mm must be a length between 0 and 5, found 15"]),
        ("[girdle]\nthickness_percent = 99", ["line 2: girdle.thickness_percent must be a percentage between 0 and"]),
        # steps
        ('[rim.at_least_mm]\n"below 3" = 0.1', ['line 1: rim.at_least_mm needs a last step "otherwise"']),
        (
            '[rim.at_least_mm]\n"under 3" = 0.1\notherwise = "x"',
            ['line 2: rim.at_least_mm has the step "under 3"; write "below 3"',
             "line 3: rim.at_least_mm.otherwise must be a length"],
        ),
        ('[rim.at_least_mm]\n"below 3" = 0.1\n"below 3.0" = 0.2\notherwise = 0.3', ["line 3: .* twice"]),
        # unknown keys, with a guess
        ("[rim]\nat_lest_mm = 0.1", ["line 2: unknown key rim.at_lest_mm; did you mean rim.at_least_mm?"]),
        ("zzz = 1", ["line 1: unknown key zzz; `rimsight rules show` lists"]),
        ("rim = 0.1", [r"line 1: unknown key rim; write a section \[rim\] with at_least_mm, at_most_mm"]),
        ("[[rim]]\nat_least_mm = 1", [r"line 1: unknown key rim; write a section \[rim\]"]),
        # lists
        ("[bur]\nsizes_mm = []", ["line 2: bur.sizes_mm must be a list of lengths"]),
        ("[bur]\nsizes_mm = [\n  5,\n  'six',\n]", ["line 2: bur.sizes_mm must be a length .* found 'six'"]),
        # metals
        ("metal = 1", ["line 1: metal must be a table"]),
        ("[metal]\nsilver = 1", ["line 2: metal.silver must be a table"]),
        ("[metal.silver]\nalso = 'sterling'", ["line 2: metal.silver.also must be a list of names"]),
        ("[metal.silver.bur]\ntolerance_mm = 0.1", ["line 2: bur.tolerance_mm can't differ from metal to metal"]),
        ("[metal.silver.rim]\nat_least_mm = 'x'", ["line 2: metal.silver.rim.at_least_mm must be a length"]),
        # contradictions
        (
            "[rim]\n\nat_least_mm = 0.5",
            [r"line 3: rim.at_least_mm \(0.5\) must be below rim.at_most_mm \(0.4\) for a stone of 1.5 mm"],
        ),
        ("[metal.titanium.rim]\nat_least_mm = 0.7", ["line 2: .* in titanium"]),
        # all problems at once, in the order of the file
        (
            "[wall]\nbeside_seat_at_least_mm = 'a'\n[rim]\nat_least_mm = 'b'\nfoo = 1",
            ["line 2: wall", "line 4: rim.at_least_mm", "line 5: unknown key rim.foo"],
        ),
        # syntax
        ("[rim\nat_least_mm = 1", ["line 1: not valid TOML"]),
        ("[rim]\nat_least_mm = 0,15", ["line 2: not valid TOML .*; decimals need a point: 0.15, not 0,15"]),
        ("[rim]\nat_least_mm =", ["line 2: not valid TOML"]),
        ("[rim]\nat_least_mm = 0.1\nat_least_mm = 0.2", ["line 3: not valid TOML"]),
    ],
)
def test_errors_name_the_line(text: str, problems: list[str]) -> None:
    with pytest.raises(RulesError) as caught:
        from_text(text)
    assert len(caught.value.problems) == len(problems)
    for found, expected in zip(caught.value.problems, problems, strict=True):
        assert re.search(expected, found), found
        assert found.startswith("rules.toml line ")


def test_an_own_general_limit_may_contradict_a_metal_that_is_not_his() -> None:
    """A rim of at least 0.35 mm for all leaves white gold's built-in "at most 0.30" behind; that is no error."""
    rules = from_text("[rim]\nat_least_mm = 0.35\n")
    assert rules.limit("rim.at_least_mm", 2.0, "white gold").value == 0.35


# --- where the file is -------------------------------------------------------------------------------------------


def test_the_file_is_in_the_users_folder(own_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert rules_path() == own_home / "rules.toml" == home_folder() / "rules.toml"
    monkeypatch.delenv("RIMSIGHT_HOME")
    assert rules_path() == home_folder() / "rules.toml"
    monkeypatch.setenv("RIMSIGHT_HOME", "~/bench")
    assert rules_path() == home_folder() / "rules.toml"


def test_load_without_a_file_gives_the_built_in_rules() -> None:
    assert load() == default_rules()


def test_load_reads_the_own_file(own_home: Path) -> None:
    # with the byte order mark and the line ends of an editor on Windows
    (own_home / "rules.toml").write_bytes(b"\xef\xbb\xbf[rim]\r\nat_least_mm = 0.21\r\n")
    limit = load().limit("rim.at_least_mm", 6.0)
    assert (limit.value, limit.origin) == (0.21, "rules.toml line 2")


def test_a_named_file_must_be_there(own_home: Path) -> None:
    with pytest.raises(FileNotFoundError):
        load(own_home / "mine.toml")


def test_text_in_another_encoding(own_home: Path) -> None:
    (own_home / "rules.toml").write_bytes("[rim]\n# dünn\nat_least_mm = 0.2\n".encode("latin-1"))
    with pytest.raises(RulesError, match=r"rules\.toml line 2: not UTF-8"):
        load()


def test_the_built_in_file_is_a_valid_own_file() -> None:
    rules = from_text(default_text())
    assert rules.limit("rim.at_least_mm", 6.12).value == 0.15
    assert set(PER_METAL) < set(RULES)
    assert set(tomllib.loads(default_text())["metal"]) == set(rules.metals())
