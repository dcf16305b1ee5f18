"""`rimsight plan`: from stone and tube to the finished cut list, on the screen and as a page to print."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.inputs import StoneOptions, TubeOptions
from rimsight.cli.option_groups import with_options

if TYPE_CHECKING:
    from rimsight.fit.model import Stone, Tube
    from rimsight.fit.plan import Plan, TubeRefused
    from rimsight.fit.rules import Rules

PLAN_HELP = """Work out a tube setting: length to cut, bur, depth of the seat, metal above the girdle, punch.

Stone and tube come from typed figures, from the JSON of measured photos (--from, as often as needed), or the tube
from the stock list (--stock takes the best, --tube the one named). With --out the plan becomes a page to print: the
section at true size and enlarged, with its dimensions, and a 50 mm line to prove the print.

Example: rimsight plan --stone 6.12 --height 4.22 --od 6.5 --wall 0.635 --metal silver --out plan.pdf
"""

BACKS = ("open", "closed")
KINDS = (".pdf", ".png", ".json")
DEFAULT_DPI = 300


def register(app: typer.Typer) -> None:
    """Add the command `plan`."""

    @app.command("plan", help=PLAN_HELP)
    @with_options(stone_figures=StoneOptions, tube_figures=TubeOptions)
    def plan(
        stone_figures: StoneOptions,
        tube_figures: TubeOptions,
        from_: Annotated[
            list[Path] | None,
            typer.Option("--from", help="JSON of a measured stone or tube (what --json prints); may be repeated."),
        ] = None,
        stock: Annotated[bool, typer.Option("--stock", help="Take the best tube of the stock list.")] = False,
        tube: Annotated[str | None, typer.Option("--tube", help="Take this tube of the stock list.")] = None,
        back: Annotated[str, typer.Option(help="Back of the setting: open, or closed by a plate.")] = "open",
        out: Annotated[
            list[Path] | None, typer.Option("--out", help="Page to write, .pdf, .png or .json; may be repeated.")
        ] = None,
        paper: Annotated[str, typer.Option(help="Paper, a4 or letter.")] = "a4",
        dpi: Annotated[int, typer.Option(help="Resolution of a PNG.")] = DEFAULT_DPI,
        job: Annotated[str, typer.Option(help="Job, for the page's head.")] = "",
        note: Annotated[str, typer.Option(help="Note, for the page's head.")] = "",
        force: Annotated[bool, typer.Option("--force", help="Replace files that exist.")] = False,
        rules: Annotated[Path | None, typer.Option(help="File of house rules in place of your own.")] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
    ) -> None:
        from rimsight.cli.inputs import read_results, stone_from
        from rimsight.cli.plan_text import plan_text
        from rimsight.fit.plan import TubeRefused, make, refuse_not_round
        from rimsight.fit.rules import load

        outs = _checked_outs(out or [], paper, dpi, force=force)
        if back not in BACKS:
            raise ValueError(f"--back: {back!r} is neither open nor closed")
        house = load(rules)
        results = read_results(from_ or [], house)
        the_stone = stone_from(stone_figures, results, house)
        refuse_not_round(the_stone)
        if the_stone.height_mm is None:
            raise ValueError(
                "the stone's height is missing: --height 4.22, or --from the result of a photo from the side"
            )
        closed = back == "closed"
        if stock or tube is not None:
            label, the_tube = _from_stock(
                tube, the_stone, house, tube_figures, closed_back=closed, remarks=results.remarks
            )
        else:
            label, the_tube = "", _typed_tube(tube_figures, results, house, closed_back=closed)
        try:
            made = make(the_stone, the_tube, house)
        except TubeRefused as refusal:
            if outs:
                raise
            _tell_refusal(refusal, as_json=as_json)
            return
        record = made.to_json()
        record["tube"]["label"] = label or None
        record["warnings"] = [*results.remarks, *record["warnings"]]
        record["files"] = [str(path) for path in outs]
        _write(outs, record, made, label=label, job=job, note=note, paper=paper, dpi=dpi, force=force)
        if as_json:
            _print(record)
            return
        typer.echo(plan_text(made, label=label, remarks=tuple(results.remarks)))
        if label:
            length = f"{made.cut_length_mm:g}"
            typer.echo(f"When it is cut: rimsight stock cut {_quoted(label)} {length}")
        for path in outs:
            typer.echo(f"Wrote {path}.")


def _checked_outs(outs: list[Path], paper: str, dpi: int, *, force: bool) -> list[Path]:
    """Refuse what can't be written before anything is."""
    if not outs:
        return []
    from rimsight.archive.plan_page import PAPERS
    from rimsight.archive.plan_print import LARGEST_DPI, SMALLEST_DPI

    for path in outs:
        if path.suffix.lower() not in KINDS:
            raise ValueError(f"--out: a plan is written as .pdf, .png or .json, not as {path.name!r}")
        if path.exists() and not force:
            raise FileExistsError(17, "the file exists already, add --force to replace it", str(path))
    if paper not in PAPERS:
        raise ValueError(f"--paper: there is no paper {paper!r}; there are: {', '.join(PAPERS)}")
    if not SMALLEST_DPI <= dpi <= LARGEST_DPI:
        raise ValueError(f"--dpi must be {SMALLEST_DPI} to {LARGEST_DPI}, not {dpi}")
    return outs


def _typed_tube(figures: TubeOptions, results: Any, house: Rules, *, closed_back: bool) -> Tube:
    from rimsight.cli.inputs import tube_from

    tube = tube_from(figures, results, house)
    if tube is None:
        raise ValueError("which tube? --od with --bore or --wall, --from a result, --tube LABEL, or --stock")
    if tube.bore_mm is None:
        raise ValueError("the tube's bore is missing: --bore 5.23 or --wall 0.635 (or a gauge: --wall 22ga)")
    return replace(tube, closed_back=closed_back)


def _from_stock(
    label: str | None, stone: Stone, house: Rules, figures: TubeOptions, *, closed_back: bool, remarks: list[str]
) -> tuple[str, Tube]:
    """The tube named, or the one that suits best."""
    from rimsight.archive.stock import Stock
    from rimsight.cli.tubes import as_tube, at_hand
    from rimsight.fit.checks import ADEQUATE
    from rimsight.fit.order import candidates, what_to_order

    typed = [name for name in ("od", "bore", "wall", "length") if getattr(figures, name) is not None]
    if typed:
        raise ValueError(f"--{typed[0]} and a tube of the stock list contradict each other: take one of them")
    stock = Stock()
    if label is not None:
        kept = stock.tube(label)
        return kept.label, as_tube(kept, house, closed_back=closed_back)
    tubes, passed_over = at_hand(stock.tubes(), house, figures.metal, closed_back=closed_back)
    usable = [(name, tube) for name, tube in tubes if tube.bore_mm is not None]
    if not usable:
        why = " ".join(passed_over)
        order = what_to_order(stone, house, figures.metal, closed_back=closed_back)
        raise ValueError(f"the stock list has no tube to choose from. {why + ' ' if why else ''}{order.sentence}")
    best = candidates(stone, usable, house)[0]
    if best.report.verdict != ADEQUATE:
        remarks.append(f"No tube at hand is sure to suit; {best.label} comes nearest.")
    return best.label, best.report.tube


def _tell_refusal(refusal: TubeRefused, *, as_json: bool) -> None:
    """An answer, not a failure: this tube is not for this stone, and that is what to look for."""
    from rimsight.cli.fit_text import report_text

    if as_json:
        _print({**refusal.report.to_json(), "plan": None})
        return
    typer.echo(report_text(refusal.report))
    typer.echo("There is no plan for this tube: it can't hold the stone.")


def _write(
    outs: list[Path], record: dict[str, Any], made: Plan, *, label: str, job: str, note: str, paper: str, dpi: int,
    force: bool,
) -> None:
    if not outs:
        return
    from datetime import date

    from rimsight.archive.plan_page import Heading, plan_page
    from rimsight.archive.plan_print import pdf_bytes, png_bytes
    from rimsight.archive.words import one_line
    from rimsight.calibration.files import write_whole
    from rimsight.cli.fit_text import limits_from

    heading = Heading(
        one_line(job, "--job"), one_line(note, "--note"), label, date.today().isoformat(),
        limits_from(made.report.checks),
    )
    page = plan_page(record, heading, paper=paper)
    for path in outs:
        kind = path.suffix.lower()
        if kind == ".json":
            content = (json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()
        else:
            content = pdf_bytes(page) if kind == ".pdf" else png_bytes(page, dpi)
        write_whole(path, content, overwrite=force)


def _quoted(label: str) -> str:
    import shlex

    return shlex.quote(label)


def _print(record: dict[str, Any]) -> None:
    typer.echo(json.dumps(record, ensure_ascii=False, allow_nan=False))
