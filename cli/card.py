"""`rimsight card`: print the card, and keep how large each print came out."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.failures import SCHEMA

if TYPE_CHECKING:
    from rimsight.calibration.print_check import PrintCheck

DEFAULT_SIDE = "60"
DEFAULT_PAGE = "a4"
DEFAULT_DPI = 600
DEFAULT_U = "0.1"

CARD_HELP = """Write the printed card to a PDF or PNG file, to be printed at actual size.

The stone or the tube lies inside the black frame; the frame gives the scale. After printing, measure both fine
lines of 150 mm on the sheet and type them with 'rimsight card check'.

Example: rimsight card --out card.pdf --side 60 --page a4
"""

CHECK_HELP = """Keep the measured lengths of the two 150 mm lines of a printed card; without lengths, show what is kept.

Printers are a few per cent off, and differently across and down the page. Measured lines make that harmless.

Example: rimsight card check --side 60 --across 151.2 --down 149.1
"""

LIST_HELP = """Show the printed cards whose lines were measured.

Example: rimsight card list
"""

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]


def register(app: typer.Typer) -> None:
    """Add the command group `card`."""
    group = typer.Typer(rich_markup_mode=None, no_args_is_help=False)

    @group.callback(invoke_without_command=True, help=CARD_HELP)
    def card(
        ctx: typer.Context,
        out: Annotated[Path | None, typer.Option("--out", help="File to write, .pdf or .png.")] = None,
        side: Annotated[
            str | None, typer.Option(help="Side of the frame in mm, 60 or 30 (small stones, close up). [default: 60]")
        ] = None,
        page: Annotated[str | None, typer.Option(help="Paper, a4 or letter. [default: a4]")] = None,
        copies: Annotated[int | None, typer.Option(help="Cards on the page. [default: 1]")] = None,
        dpi: Annotated[int | None, typer.Option(help="Resolution of a PNG. [default: 600]")] = None,
        force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
        as_json: Json = False,
    ) -> None:
        given = [out, side, page, copies, dpi]
        if ctx.invoked_subcommand is not None:
            if force or as_json or any(value is not None for value in given):
                raise ValueError(f"put the options after '{ctx.invoked_subcommand}', not before it")
            return
        if out is None:
            raise ValueError("say where to write the card, for example: rimsight card --out card.pdf")
        _write(out, side or DEFAULT_SIDE, page or DEFAULT_PAGE, copies, dpi, force=force, as_json=as_json)

    @group.command("check", help=CHECK_HELP)
    def check(
        across: Annotated[str | None, typer.Option(help="Measured length of the line across, mm.")] = None,
        down: Annotated[str | None, typer.Option(help="Measured length of the line down, mm.")] = None,
        side: Annotated[str, typer.Option(help="Side of the card's frame in mm, 60 or 30.")] = DEFAULT_SIDE,
        name: Annotated[str | None, typer.Option(help="Name of this print. [default: card-60 or card-30]")] = None,
        u: Annotated[
            str,
            typer.Option(
                "--u", help="Standard uncertainty of a measured line, mm: 0.1 with a steel rule, 0.03 with calipers."
            ),
        ] = DEFAULT_U,
        as_json: Json = False,
    ) -> None:
        if across is None and down is None:
            if name is not None:
                raise ValueError("--name needs the measured lengths too: --across and --down")
            _show(as_json=as_json)
            return
        if across is None or down is None:
            missing = "--across" if across is None else "--down"
            raise ValueError(f"both lines are needed, {missing} is missing: printers differ in the two directions")
        _record(across, down, side, name, u, as_json=as_json)

    @group.command("list", help=LIST_HELP)
    def show(as_json: Json = False) -> None:
        _show(as_json=as_json)

    app.add_typer(group, name="card")


def _write(
    out: Path, side: str, page: str, copies: int | None, dpi: int | None, *, force: bool, as_json: bool
) -> None:
    """Write the sheet and say what to do with it."""
    from rimsight.calibration.card_print import save_sheet
    from rimsight.calibration.card_sheet import sheet
    from rimsight.cli.values import length_mm

    made = sheet(length_mm(side, "--side"), page, 1 if copies is None else copies)
    try:
        save_sheet(out, made, dpi=DEFAULT_DPI if dpi is None else dpi, overwrite=force)
    except FileExistsError as failure:
        raise FileExistsError(failure.errno, "the file exists already, add --force to replace it", str(out)) from None
    card, paper = made.card, made.page
    if as_json:
        from rimsight.calibration.card import CHECK_LINE_MM

        measures = {**asdict(card), "outer_mm": card.outer_mm, "inner_mm": card.inner_mm}
        _print_json(file=str(out), card=measures, page=asdict(paper), copies=len(made.centres_mm),
                    check_line_mm=CHECK_LINE_MM)
        return
    many = f"{len(made.centres_mm)} cards" if len(made.centres_mm) > 1 else "the card"
    typer.echo(f"Wrote {many} of {card.side_mm:g} mm on {paper.name} to {out}.")
    typer.echo("Print at actual size (100 %), not 'fit to page'. Then measure both fine lines and type them:")
    typer.echo(f"  rimsight card check --side {card.side_mm:g} --across 150.0 --down 150.0")


def _record(across: str, down: str, side: str, name: str | None, u: str, *, as_json: bool) -> None:
    """Keep one measured print."""
    from rimsight.calibration.print_check import PrintCheck, default_name, default_path, save_check
    from rimsight.cli.values import length_mm

    side_mm = length_mm(side, "--side")
    measured = PrintCheck(
        default_name(side_mm) if name is None else name.strip(),
        side_mm,
        length_mm(across, "--across"),
        length_mm(down, "--down"),
        length_mm(u, "--u"),
    )
    path = default_path()
    kept = save_check(path, measured)
    warnings = kept.warnings()
    for warning in warnings:
        typer.echo(f"Warning: {warning}.", err=True)
    if as_json:
        _print_json(file=str(path), card=_as_dict(kept), warnings=warnings)
        return
    typer.echo(f"Kept as {kept.name!r}: {_scales(kept)}.")


def _show(*, as_json: bool) -> None:
    """Show every print on record, the newest last."""
    from rimsight.calibration.print_check import UNCHECKED_HALF_WIDTH, default_path, load_checks

    path = default_path()
    checks = list(load_checks(path).values())
    if as_json:
        _print_json(file=str(path), cards=[_as_dict(check) for check in checks])
        return
    if not checks:
        typer.echo(
            f"No printed card is on record. An unchecked card may be {100 * UNCHECKED_HALF_WIDTH:g} % off in size; "
            "measure its two lines and type them, for example:"
        )
        typer.echo("  rimsight card check --side 60 --across 151.2 --down 149.1")
    for check in checks:
        typer.echo(f"{check.name}: {check.side_mm:g} mm card, {_scales(check)}, measured {check.date[:10]}")


def _scales(check: PrintCheck) -> str:
    """Return both lengths and how far they are off, for people."""
    across, down = (f"{100 * (scale - 1):+.2f} %" for scale in (check.scale_across, check.scale_down))
    return f"across {check.across_mm:.2f} mm ({across}), down {check.down_mm:.2f} mm ({down}), u {check.u_mm:g} mm"


def _as_dict(check: PrintCheck) -> dict[str, Any]:
    """Return a record with what follows from it."""
    return {
        **asdict(check),
        "scale_across": check.scale_across,
        "scale_down": check.scale_down,
        "u_scale": check.u_scale,
    }


def _print_json(**members: Any) -> None:
    """Print one object with the schema's name."""
    typer.echo(json.dumps({"schema": SCHEMA, **members}, ensure_ascii=False))
