"""The list of commands, in the order in which `--help` shows them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib import import_module
from typing import Any

import typer

#: Modules under `rimsight.cli`; each has a `register(app)` that adds its command or group of commands, which has the
#: module's name.
COMMAND_MODULES: tuple[str, ...] = (
    "card",
    "camera",
    "stone",
    "tube",
    "rim",
    "fit",
    "rules",
    "plan",
    "stock",
    "weight",
    "archive",
    "watch",
    "demo",
)


def register(app: typer.Typer, arguments: Sequence[str] = ()) -> None:
    """Add every command to the application; of a call that begins with a command's name, this command alone.

    Declaring the options of all the other commands would take longer than many a command itself.
    """
    called = arguments[0] if arguments else ""
    for name in (called,) if called in COMMAND_MODULES else COMMAND_MODULES:
        module = import_module(f"rimsight.cli.{name}")
        if name == "archive" and len(arguments) > 1:
            module.register(app, arguments[1])  # a group of many commands, of which the same is true
        else:
            module.register(app)
    if called and called not in COMMAND_MODULES:
        _names_only(app)


def _names_only(app: typer.Typer) -> None:
    """Leave names and help of the commands, without options: no command can run, so none need be declared."""
    for command in app.registered_commands:
        command.callback = _bare(command.callback)
    for group in app.registered_groups:
        inner = group.typer_instance
        if inner is not None:
            if inner.registered_callback is not None:
                inner.registered_callback.callback = _bare(inner.registered_callback.callback)
            _names_only(inner)


def _bare(callback: Callable[..., Any] | None) -> Callable[..., Any]:
    """Make a function with the name and the docstring of another, and without parameters."""

    def nothing() -> None: ...

    nothing.__name__, nothing.__doc__ = getattr(callback, "__name__", "nothing"), getattr(callback, "__doc__", None)
    return nothing
