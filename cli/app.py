"""The command `rimsight`: how a call begins, and how every failure leaves the program.

`rimsight --help` answers in a few hundredths of a second because it loads nothing. Of the other calls, each command
lives in a module of its own, which imports nothing heavy at its top: OpenCV, SciPy and Pillow are loaded inside the
commands only.
"""

from __future__ import annotations

import sys


def main(argv: list[str] | None = None) -> None:
    """Run the command line; leaves the process with one of the documented exit codes."""
    arguments = sys.argv[1:] if argv is None else argv
    try:
        if arguments == ["--help"]:
            _show_front()
            raise SystemExit(0)
        from rimsight.cli.parser import build

        build(arguments)(args=arguments, prog_name="rimsight")
    except Exception as failure:  # every failure becomes one short message and an exit code
        from rimsight.cli.failures import leave

        leave(failure, as_json="--json" in arguments)


def _show_front() -> None:
    from rimsight.cli.front import page

    try:
        print(page(), flush=True)
    except BrokenPipeError:  # whoever reads has seen enough; what is left in the buffer must not fail once more
        import os

        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(1) from None


if __name__ == "__main__":
    main()
