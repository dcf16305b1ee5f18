"""The list of commands, in the order in which `--help` shows them."""

from __future__ import annotations

from importlib import import_module

import typer

#: Modules under `rimsight.cli`; each has a `register(app)` that adds its command or group of commands.
COMMAND_MODULES: tuple[str, ...] = (
    "card",
    "fit",
    "rules",
    "plan",
    "stock",
    "weight",
    "archive",
    "watch",
)


def register(app: typer.Typer) -> None:
    """Add every command to the application."""
    for name in COMMAND_MODULES:
        import_module(f"rimsight.cli.{name}").register(app)
