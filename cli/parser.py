"""The command line as Typer parses it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from rimsight.cli import registry
from rimsight.cli.front import ABOUT, EPILOG, OPTIONS


def _version(value: bool) -> None:
    if value:
        from rimsight.cli.keeping import program_version

        typer.echo(f"rimsight {program_version()}")
        raise typer.Exit()


def build(arguments: Sequence[str] | None = None) -> typer.Typer:
    """Make the application with all its commands, or with what a call with these `arguments` needs."""
    app = typer.Typer(
        name="rimsight",
        help=ABOUT,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        add_completion=False,
        rich_markup_mode=None,
        epilog=EPILOG,
    )

    @app.callback()
    def root(
        version: Annotated[
            bool, typer.Option("--version", callback=_version, is_eager=True, help=OPTIONS["--version"])
        ] = False,
    ) -> None:
        """Read a faceted stone and a setting tube in millimetres from a photo with the printed card in it."""

    registry.register(app, arguments)
    return app
