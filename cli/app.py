"""The command `rimsight`: which commands there are, and how every failure leaves the program.

Each command lives in a module of its own, which imports nothing heavy at its top: `rimsight --help` answers in
about a tenth of a second because OpenCV, SciPy and Pillow are loaded inside the commands only.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

from rimsight.cli import registry
from rimsight.cli.failures import leave

EPILOG = (
    "Exit codes: 0 done; 2 the command was called wrongly; 3 this photo does not allow the reading; "
    "4 something else that is not your doing."
)


def _version(value: bool) -> None:
    if value:
        from importlib.metadata import version

        typer.echo(f"rimsight {version('rimsight')}")
        raise typer.Exit()


def build(arguments: Sequence[str] = ()) -> typer.Typer:
    """Make the application with all its commands, or with the one that `arguments` begin with."""
    app = typer.Typer(
        name="rimsight",
        help="Read a faceted stone and a setting tube in millimetres from a photo with the printed card in it.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=False,
        rich_markup_mode=None,
        epilog=EPILOG,
    )

    @app.callback()
    def root(
        version: Annotated[
            bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and stop.")
        ] = False,
    ) -> None:
        """Read a faceted stone and a setting tube in millimetres from a photo with the printed card in it."""

    registry.register(app, arguments)
    return app


def main(argv: list[str] | None = None) -> None:
    """Run the command line; leaves the process with one of the documented exit codes."""
    arguments = sys.argv[1:] if argv is None else argv
    try:
        build(arguments)(args=arguments, prog_name="rimsight")
    except Exception as failure:  # every failure becomes one short message and an exit code
        leave(failure, as_json="--json" in arguments)


if __name__ == "__main__":
    main()
