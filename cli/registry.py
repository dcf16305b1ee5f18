"""The list of commands, in the order in which `--help` shows them."""

from __future__ import annotations

TYPE_CHECKING = False  # `typing` alone takes a tenth of the time that `--help` may take; type checkers know this name
if TYPE_CHECKING:
    from collections.abc import Sequence

    import typer

#: Modules under `rimsight.cli`, and what `rimsight --help` says of each. A module has a `register(app)` that adds its
#: command or group of commands, which has the module's name.
COMMAND_MODULES: dict[str, str] = {
    "card": "Print the card with the black frame; keep its measured lines.",
    "camera": "Make and keep the profile of a camera.",
    "stone": "Measure a round stone that lies on the card.",
    "tube": "Measure the end of a tube that stands on the card.",
    "rim": "Measure and judge the rim of metal round a stone on a tube.",
    "parcel": "Measure all the stones, or tubes, on one card.",
    "side": "Measure a stone or a tube seen from the side.",
    "check-up": "Prove the set-up on a part of known size.",
    "fit": "Judge stone and tube by figures typed from calipers.",
    "rules": "Show, write and check your house rules.",
    "plan": "Work out a setting: length to cut, bur, seat and punch.",
    "stock": "Keep a list of your tubes, and find the one for a stone.",
    "weight": "Estimate the weight of a round faceted stone.",
    "archive": "Find, show, compare, check and export what was kept.",
    "watch": "Measure and keep pictures as they arrive in a folder.",
    "demo": "Measure the photos that ship with the program.",
}


def register(app: typer.Typer, arguments: Sequence[str] | None = None) -> None:
    """Add to the application the command that a call begins with; without a call, every command.

    Declaring the options of all the other commands would take longer than many a command itself. Of a call that begins
    with no command, names and summaries are all that can be shown, and so all that is added.
    """
    if arguments is None:
        for name in COMMAND_MODULES:
            _add(app, name)
    elif arguments and arguments[0] in COMMAND_MODULES:
        _add(app, *arguments[:2])
    else:
        for name, summary in COMMAND_MODULES.items():
            app.command(name, help=summary, short_help=summary)(_nothing)


def _add(app: typer.Typer, name: str, inner: str | None = None) -> None:
    from importlib import import_module

    module = import_module(f"rimsight.cli.{name.replace('-', '_')}")
    if name == "archive" and inner is not None:
        module.register(app, inner)  # a group of many commands, of which the same is true
    else:
        module.register(app)


def _nothing() -> None:
    """Stand for a command that can't be called."""
