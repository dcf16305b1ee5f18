"""The front page: what Typer would print, printed without loading it."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from rimsight.cli.app import main
from rimsight.cli.front import page
from rimsight.cli.parser import build
from rimsight.cli.registry import COMMAND_MODULES

#: Processor time that the page may take on an idle machine, in seconds; interpreter and all.
LIMIT_S = 0.15


@pytest.mark.parametrize("columns", [20, 50, 61, 70, 80, 200])
def test_it_is_what_typer_prints(
    columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Typer 0.28 lays out the same names and texts; both take the terminal's width from COLUMNS."""
    monkeypatch.setenv("COLUMNS", str(columns))
    with pytest.raises(SystemExit) as left:
        build(["--help"])(args=["--help"], prog_name="rimsight")
    assert left.value.code == 0
    assert capsys.readouterr().out == page(columns) + "\n"
    with pytest.raises(SystemExit) as left:
        main(["--help"])
    assert left.value.code == 0
    assert capsys.readouterr().out == page(columns) + "\n"


def test_it_names_every_command_in_one_line() -> None:
    lines = page(80).splitlines()
    for name, summary in COMMAND_MODULES.items():
        assert f"  {name:<{max(map(len, COMMAND_MODULES))}}  {summary}" in lines


def test_a_call_of_no_command_shows_it_too(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main([])
    assert left.value.code == 2
    told = capsys.readouterr()
    assert "Commands:\n" in told.out + told.err
    with pytest.raises(SystemExit) as left:
        main(["ston"])
    assert left.value.code == 2
    assert "Did you mean 'stone'" in capsys.readouterr().err


def test_it_loads_no_parser_and_is_quick() -> None:
    """Five runs, the quickest of which counts: the machine may do other work."""
    code = (
        "import sys\nfrom rimsight.cli.app import main\n"
        "try: main(['--help'])\nfinally: assert not {'typer', 'typing', 'json'} & set(sys.modules)"
    )
    spent = []
    for _ in range(5):
        with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL) as run:
            _, status, used = os.wait4(run.pid, 0)
            run.returncode = status
        assert status == 0
        spent.append(used.ru_utime + used.ru_stime)
    assert min(spent) < LIMIT_S


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no device that is always full")
def test_a_page_that_can_not_be_written_is_told() -> None:
    with open("/dev/full", "w") as full:
        call = [sys.executable, "-m", "rimsight.cli", "--help"]
        done = subprocess.run(call, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 4
    assert "Traceback" not in done.stderr
    assert "No space left" in done.stderr
