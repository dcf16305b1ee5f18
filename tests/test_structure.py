"""What must hold for the code base as a whole: who imports whom, sizes, docstrings, help, and the documents."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main

from rimsight.cli.parser import build

ROOT = Path(__file__).resolve().parents[1]
#: Which of our own packages each one may import.
MAY_IMPORT: dict[str, set[str]] = {
    "calibration": set(),
    "vision": {"calibration"},
    "fit": set(),
    "archive": set(),
    "cli": {"calibration", "vision", "fit", "archive", "demo_photos"},
}
LONGEST_MODULE, LONGEST_TEST = 450, 500
#: Loading these takes longer than `--help` may take.
HEAVY = ("cv2", "scipy", "skimage", "numpy", "PIL", "pillow_heif", "reportlab", "uncertainties", "pydantic")
PROGRAM = sorted(path for name in (*MAY_IMPORT, "fixtures") for path in (ROOT / name).rglob("*.py"))
MEASURING = ("stone", "tube", "rim", "side", "fit", "plan", "weight", "watch", "demo")
DOCUMENTS = [path for path in (ROOT / "README.md", ROOT / "DEVELOPERS.md") if path.exists()]


def short(path: Path) -> str:
    """The path as it is written in the repository."""
    return path.relative_to(ROOT).as_posix()


def own_imports(tree: ast.Module) -> set[str]:
    """Our own packages that a module imports anywhere, also inside functions and for types only."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name.split(".")[1] for name in names if name.startswith("rimsight.")}


# --- modules ----------------------------------------------------------------------------------------------------------


def test_there_are_modules_to_look_at() -> None:
    assert {path.parent.name for path in PROGRAM} >= {*MAY_IMPORT, "fixtures"}
    assert len(PROGRAM) > 100


@pytest.mark.parametrize("package", MAY_IMPORT)
def test_imports_run_one_way(package: str) -> None:
    allowed = MAY_IMPORT[package] | {package}
    wrong = {
        short(path): sorted(others)
        for path in (ROOT / package).rglob("*.py")
        if (others := own_imports(ast.parse(path.read_text(encoding="utf-8"))) - allowed)
    }
    assert not wrong


def test_import_finder_sees_every_form() -> None:
    forms = "import rimsight.fit\nfrom rimsight import cli\ndef f():\n    from rimsight.vision.exif import ExifFacts"
    assert own_imports(ast.parse(forms)) == {"fit", "cli", "vision"}


def test_modules_are_short() -> None:
    limits = dict.fromkeys(PROGRAM, LONGEST_MODULE)
    limits |= dict.fromkeys((ROOT / "tests").rglob("*.py"), LONGEST_TEST)
    counted = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in limits}
    assert not {short(path): lines for path, lines in counted.items() if lines >= limits[path]}


def undocumented(body: list[ast.stmt], prefix: str = "") -> Iterator[str]:
    """Names of public functions, classes and methods without a docstring; a protocol's members are told by its own."""
    for node in body:
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) or node.name.startswith("_"):
            continue
        if ast.get_docstring(node) is None:
            yield prefix + node.name
        if isinstance(node, ast.ClassDef) and not any(ast.unparse(base) == "Protocol" for base in node.bases):
            yield from undocumented(node.body, f"{prefix}{node.name}.")


def test_everything_public_has_a_docstring() -> None:
    missing: dict[str, list[str]] = {}
    for path in PROGRAM:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = list(undocumented(tree.body)) + ([] if ast.get_docstring(tree) else ["the module"])
        if names:
            missing[short(path)] = names
    assert not missing


def test_every_test_module_says_what_it_holds() -> None:
    tests = sorted((ROOT / "tests").rglob("*.py"))
    assert [short(p) for p in tests if ast.get_docstring(ast.parse(p.read_text(encoding="utf-8"))) is None] == []


# --- commands ---------------------------------------------------------------------------------------------------------


def commands(group: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every command and group below a group, by the words that call it."""
    for name, command in getattr(group, "commands", {}).items():
        yield (*path, name), command
        yield from commands(command, (*path, name))


COMMANDS = dict(commands(typer.main.get_command(build())))


def options_of(command: Any) -> set[str]:
    """The options that a command knows, as they are typed."""
    return {text for parameter in command.params for text in (*parameter.opts, *parameter.secondary_opts)} | {"--help"}


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_every_command_has_help_with_an_example(words: tuple[str, ...]) -> None:
    text = COMMANDS[words].help or ""
    assert len(text.split()) > 4
    if not hasattr(COMMANDS[words], "commands"):
        assert f"Example: rimsight {' '.join(words)}" in text
        assert "--json" in options_of(COMMANDS[words])


def test_the_measuring_commands_are_there() -> None:
    assert {(name,) for name in MEASURING} <= COMMANDS.keys()


def test_help_loads_nothing_heavy() -> None:
    called = [["--help"], *([*words, "--help"] for words in COMMANDS if len(words) == 1)]
    code = (
        "import contextlib, io, json, sys\n"
        "from rimsight.cli.app import main\n"
        "for call in json.loads(sys.argv[1]):\n"
        "    with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()) as text:\n"
        "        main(call)\n"
        "    assert 'Usage: rimsight' in text.getvalue(), call\n"
        "print(json.dumps(sorted(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, json.dumps(called)], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    loaded = set(json.loads(done.stdout))
    assert "rimsight.cli.archive" in loaded
    assert loaded.isdisjoint(HEAVY)


# --- documents --------------------------------------------------------------------------------------------------------


def calls(text: str) -> Iterator[list[str]]:
    """The calls of `rimsight` in a document's code: words after the program's name."""
    code = re.findall(r"`([^`\n]+)`", text) + re.findall(r"^(?: {4,}|\t)(.+)$", text, re.M)
    code += [line for block in re.findall(r"^```.*?$(.+?)^```", text, re.M | re.S) for line in block.splitlines()]
    for line in code:
        for found in re.finditer(r"(?:^|[\s/])rimsight ([^&|;>#]+)", line):
            yield found[1].split()


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_documented_calls_exist(document: Path) -> None:
    seen = 0
    for words in calls(document.read_text(encoding="utf-8")):
        if not re.fullmatch(r"[a-z]+", words[0]):
            continue  # `rimsight COMMAND --help`, `rimsight --help`
        name: tuple[str, ...] = ()
        while words and (*name, words[0]) in COMMANDS:
            name = (*name, words.pop(0))
        assert name, f"there is no command for: rimsight {' '.join(words)}"
        known = options_of(COMMANDS[name])
        unknown = [word for word in words if word.startswith("--") and word.split("=")[0] not in known]
        assert not unknown, f"rimsight {' '.join(name)} has no {', '.join(unknown)}"
        seen += 1
    assert seen >= 3


def test_readme_names_every_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [words[0] for words in COMMANDS if len(words) == 1 and f"`{words[0]}`" not in readme] == []


@pytest.mark.parametrize("marker", ["demo-command", "test-command"])
def test_readme_marks_the_commands_that_ci_runs(marker: str) -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    assert lines.count(f"<!-- {marker} -->") == 1


def tracked() -> list[Path]:
    """The files of the repository; where git can't tell, all that don't lie in a folder of some tool."""
    listed = subprocess.run(["git", "-C", str(ROOT), "ls-files", "-z"], capture_output=True, check=False)
    if listed.returncode == 0 and listed.stdout:
        return [path for name in listed.stdout.decode().split("\0") if name and (path := ROOT / name).is_file()]
    ignored = {"__pycache__", "build", "dist", "out", "node_modules"}
    return [
        path
        for path in ROOT.rglob("*")
        if path.is_file()
        and not any(p.startswith(".") or p in ignored or p.endswith(".egg-info") for p in path.relative_to(ROOT).parts)
    ]


def test_files_name_no_machine_and_no_working_paper() -> None:
    # Put together here, so that this file doesn't hold them itself.
    forbidden = ["/" + "work/", "seed " + "document", "python" + "hosted", "py" + "pi.", "/opt/" + "py" + "pi"]
    forbidden += ["reference-" + "values", "design" + ".md", "pitfalls" + ".md"]
    found = []
    for path in tracked():
        content = path.read_bytes()
        if b"\0" in content[:8000]:
            continue
        text = content.decode("utf-8", errors="replace").lower()
        found += [f"{short(path)}: {word}" for word in forbidden if word.lower() in text]
    assert not found
