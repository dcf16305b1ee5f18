"""`rimsight rules`: the house rules, a file that the jeweller owns."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.failures import SCHEMA

if TYPE_CHECKING:
    from rimsight.fit.rules import Rules

RULES_HELP = """Say where the house rules are, and whether the file there is used.

The limits for rim, ledge, wall and length are common practice, no standard gives them. Put your own into the file:
only what differs is needed.

Example: rimsight rules write
"""

WRITE_HELP = """Write the built-in rules, with their comments, to your own file, to be changed there.

Example: rimsight rules write
"""

CHECK_HELP = """Check a file of house rules; every error is named with its line.

Example: rimsight rules check my-rules.toml
"""

SHOW_HELP = """Show the rules in force and where each comes from.

Example: rimsight rules show --metal platinum --stone 6.1
"""

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]


def register(app: typer.Typer) -> None:
    """Add the command group `rules`."""
    group = typer.Typer(rich_markup_mode=None, no_args_is_help=False)

    @group.callback(invoke_without_command=True, help=RULES_HELP)
    def rules(ctx: typer.Context, as_json: Json = False) -> None:
        if ctx.invoked_subcommand is not None:
            if as_json:
                raise ValueError(f"put --json after '{ctx.invoked_subcommand}', not before it")
            return
        _where(as_json=as_json)

    @group.command("write", help=WRITE_HELP)
    def write(
        force: Annotated[
            bool, typer.Option("--force", help="Replace the file if it exists; the old one is kept as rules.toml.bak.")
        ] = False,
        as_json: Json = False,
    ) -> None:
        _write(force=force, as_json=as_json)

    @group.command("check", help=CHECK_HELP)
    def check(
        file: Annotated[Path | None, typer.Argument(help="File to check. [default: your own]")] = None,
        as_json: Json = False,
    ) -> None:
        _check(file, as_json=as_json)

    @group.command("show", help=SHOW_HELP)
    def show(
        stone: Annotated[str | None, typer.Option(help="Only what holds for a stone of this diameter.")] = None,
        metal: Annotated[str | None, typer.Option(help="What holds for this metal.")] = None,
        file: Annotated[Path | None, typer.Option("--rules", help="File of house rules in place of your own.")] = None,
        as_json: Json = False,
    ) -> None:
        _show(stone, metal, file, as_json=as_json)

    app.add_typer(group, name="rules")


def _where(*, as_json: bool) -> None:
    from rimsight.fit.rules import RulesError, default_rules, load, rules_path

    path = rules_path()
    exists = path.is_file()
    problems: tuple[str, ...] = ()
    try:
        metals = load().metals()
    except RulesError as error:
        problems, metals = error.problems, default_rules().metals()
    if as_json:
        _print_json(file=str(path), exists=exists, valid=not problems, problems=list(problems), metals=list(metals))
        return
    if problems:
        typer.echo(f"Your house rules can't be used until this is put right in {path}")
        for problem in problems:
            typer.echo(f"  {problem}")
    elif exists:
        typer.echo(f"Your house rules: {path}")
        typer.echo("`rimsight rules show` lists what is in force.")
    else:
        typer.echo(f"Your house rules would be in {path}")
        typer.echo("There is no such file, so the built-in ones are used. `rimsight rules write` puts a copy there.")
    typer.echo(f"Metals with rules of their own or a name: {', '.join(metals)}")


def _write(*, force: bool, as_json: bool) -> None:
    from rimsight.calibration.files import write_whole
    from rimsight.fit.rules import default_text, rules_path

    path = rules_path()
    kept: Path | None = None
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_file() and force:
        # His own figures are the work of years: never thrown away by an option.
        kept = path.with_name(path.name + ".bak")
        write_whole(kept, path.read_bytes(), overwrite=True)
    try:
        write_whole(path, default_text().encode(), overwrite=force)
    except FileExistsError as failure:
        raise FileExistsError(
            failure.errno, "the file exists already, add --force to replace it (the old one is kept as .bak)", str(path)
        ) from None
    if as_json:
        _print_json(file=str(path), kept=None if kept is None else str(kept))
        return
    typer.echo(f"Wrote the built-in rules to {path}: change what your bench does otherwise.")
    if kept is not None:
        typer.echo(f"The file that was there is kept as {kept}.")


def _check(file: Path | None, *, as_json: bool) -> None:
    from rimsight.fit.rules import load, rules_path

    path = file or rules_path()
    if file is None and not path.is_file():
        raise FileNotFoundError(2, "you have no house rules yet, `rimsight rules write` makes the file", str(path))
    rules = load(path)
    own = rules.layers[-1]
    if as_json:
        _print_json(file=str(path), valid=True, values=len(own.entries), metals=list(own.metals))
        return
    count = len(own.entries)
    typer.echo(f"{path} is in order: {count} value{'' if count == 1 else 's'} set.")


def _show(stone: str | None, metal: str | None, file: Path | None, *, as_json: bool) -> None:
    from rimsight.cli.values import length_mm
    from rimsight.fit.rule_file import RULES
    from rimsight.fit.rules import load

    rules = load(file)
    if metal is not None and rules.metal(metal) is None:
        raise ValueError(
            f"--metal: the house rules know no metal {metal!r}; they know {', '.join(rules.metals())}, "
            "and a section [metal.NAME.rim] in your file makes another"
        )
    stone_mm = None if stone is None else length_mm(stone, "--stone")
    shown = {key: _value(rules, key, stone_mm, metal) for key in RULES}
    if as_json:
        values = {key: {"value": value, "from": rules.origin(key, metal)} for key, value in shown.items()}
        _print_json(metal=rules.metal(metal), stone_mm=stone_mm, rules=values)
        return
    for key, value in shown.items():
        typer.echo(f"{key} = {_as_text(value)}")
        typer.echo(f"    {RULES[key].meaning}; {rules.origin(key, metal)}")


def _value(rules: Rules, key: str, stone_mm: float | None, metal: str | None) -> Any:
    """A number, a list of sizes, or steps as {"below 3": 0.1, "otherwise": 0.2}."""
    from rimsight.fit.rule_file import OTHERWISE, Steps

    value = rules.entry(key, metal)[0].value
    if not isinstance(value, Steps):
        return list(value) if isinstance(value, tuple) else value
    if stone_mm is not None:
        return value.at(stone_mm)
    return {OTHERWISE if below == float("inf") else f"below {below:g}": number for below, number in value.steps}


def _as_text(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{step}: {number:g}" for step, number in value.items())
    if isinstance(value, list):
        return f"{len(value)} sizes, {value[0]:g} to {value[-1]:g}"
    return f"{value:g}"


def _print_json(**members: Any) -> None:
    typer.echo(json.dumps({"schema": SCHEMA, **members}, ensure_ascii=False, allow_nan=False))
