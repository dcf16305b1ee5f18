"""`rimsight stock`: the tubes at hand, which of them suits a stone, and what is left of each."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from rimsight.cli.failures import SCHEMA
from rimsight.cli.inputs import StoneOptions
from rimsight.cli.option_groups import with_options

STOCK_HELP = """Keep a list of the tubes at hand and find the one for a stone.

Example: rimsight stock find --stone 6.1 --height 4.2
"""
ADD_HELP = """Put a tube on the list: typed, or from the JSON of a photo of its end.

Lengths may be typed as 6.5, 6,5, 6.5mm, 0.25in or 1/4in; the wall also by wire gauge (ASTM B258): 22ga. Without
--label the next free one of T1, T2 ... is taken.

Example: rimsight stock add --od 6.5 --wall 22ga --metal silver --length 300 --label A3
"""
LIST_HELP = """Show the tubes at hand.

Example: rimsight stock list --metal silver
"""
FIND_HELP = """Rank the tubes at hand for a stone by the house rules, with reasons, and say what to order if none suits.

Example: rimsight stock find --stone 6.1 --height 4.2 --metal silver
"""
EDIT_HELP = """Change what is on record of a tube. 'none' takes a bore, wall, length, metal or note off the record.

Example: rimsight stock edit A3 --length 120 --note "second drawer"
"""
REMOVE_HELP = """Take tubes off the list.

Example: rimsight stock remove A3
"""
CUT_HELP = """Take the length of a cut piece, and of the saw's kerf by the house rules, off a tube.

Example: rimsight stock cut A3 5.0 --times 2 --note "pair of studs"
"""
CUTS_HELP = """Show the cuts on record.

Example: rimsight stock cuts A3
"""
IMPORT_HELP = """Take tubes from a CSV file, all of them or none; every error is named with its line.

The first line names the columns: label, od, bore or wall or gauge, metal, length, note. Commas, semicolons or tabs,
decimal points or commas, mm or inches ('od (in)') all do.

Example: rimsight stock import drawer.csv
"""
EXPORT_HELP = """Write the list as CSV, to be opened in any spreadsheet and imported again.

Example: rimsight stock export --out stock.csv
"""

Text = str | None
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Label = Annotated[str, typer.Argument(help="Label of the tube.")]
Outer = Annotated[Text, typer.Option("--od", help="Outer diameter.")]
Bore = Annotated[Text, typer.Option(help="Inner diameter.")]
Wall = Annotated[Text, typer.Option(help="Wall instead of the bore; also a wire gauge: 22ga.")]
Metal = Annotated[Text, typer.Option(help="Metal, such as silver or platinum.")]
Length = Annotated[Text, typer.Option(help="Length that is left.")]
Note = Annotated[Text, typer.Option(help="Anything to remember.")]
Rules = Annotated[Path | None, typer.Option(help="File of house rules in place of your own.")]
From = Annotated[
    list[Path] | None,
    typer.Option("--from", help="JSON of a measured photo (what --json prints); may be repeated."),
]


def register(app: typer.Typer) -> None:
    """Add the command group `stock`."""
    group = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help=STOCK_HELP)
    _register_changes(group)
    _register_questions(group)
    app.add_typer(group, name="stock")


def _register_changes(group: typer.Typer) -> None:
    @group.command("add", help=ADD_HELP)
    def add(
        od: Outer = None,
        bore: Bore = None,
        wall: Wall = None,
        metal: Metal = None,
        length: Length = None,
        label: Annotated[Text, typer.Option(help="What is written on the tube.")] = None,
        note: Note = None,
        from_: From = None,
        as_json: Json = False,
    ) -> None:
        from rimsight.archive.stock import Stock
        from rimsight.cli.stock_rows import new_tube, tube_line

        stock = Stock()
        tube = new_tube(label, od, bore, wall, metal, length, note, from_ or [])
        [kept] = stock.add([tube])
        if as_json:
            _print(file=str(stock.path), tube=kept.to_json())
            return
        typer.echo(f"Kept {tube_line(kept)}.")

    @group.command("edit", help=EDIT_HELP)
    def edit(
        label: Label,
        od: Outer = None,
        bore: Bore = None,
        wall: Wall = None,
        metal: Metal = None,
        length: Length = None,
        note: Note = None,
        new_label: Annotated[Text, typer.Option("--label", help="A new label.")] = None,
        as_json: Json = False,
    ) -> None:
        from rimsight.archive.stock import Stock
        from rimsight.cli.stock_rows import changes, tube_line

        stock = Stock()
        changed = stock.edit(label, **changes(od, bore, wall, metal, length, note, new_label))
        if as_json:
            _print(file=str(stock.path), tube=changed.to_json())
            return
        typer.echo(f"Now {tube_line(changed)}.")

    @group.command("remove", help=REMOVE_HELP)
    def remove(
        labels: Annotated[list[str], typer.Argument(help="Labels of the tubes.")], as_json: Json = False
    ) -> None:
        from rimsight.archive.stock import Stock
        from rimsight.cli.stock_rows import tube_line

        stock = Stock()
        gone = stock.remove(labels)
        if as_json:
            _print(file=str(stock.path), removed=[tube.to_json() for tube in gone])
            return
        for tube in gone:
            typer.echo(f"Removed {tube_line(tube)}.")

    @group.command("cut", help=CUT_HELP)
    def cut(
        label: Label,
        length: Annotated[str, typer.Argument(help="Length of the piece.")],
        times: Annotated[int, typer.Option(help="How many pieces.")] = 1,
        note: Annotated[str, typer.Option(help="What it is for.")] = "",
        rules: Rules = None,
        as_json: Json = False,
    ) -> None:
        from rimsight.archive.stock import Stock
        from rimsight.cli.values import length_mm
        from rimsight.fit.numbers import plain_mm
        from rimsight.fit.order import taken_mm
        from rimsight.fit.rules import load

        stock = Stock()
        piece = length_mm(length, "the length of the piece")
        house = load(rules)
        kerf = house.number("saw.kerf_mm")
        tube, taken = stock.cut(label, piece, lambda mm, left: taken_mm(mm, left, kerf), times=times, note=note)
        if as_json:
            taken_off = {"pieces": times, "piece_mm": piece, "taken_mm": taken, "kerf_mm": kerf}
            _print(file=str(stock.path), tube=tube.to_json(), **taken_off)
            return
        pieces = f"{times} pieces of {plain_mm(piece)}" if times > 1 else plain_mm(piece)
        typer.echo(
            f"Cut {pieces} from {tube.label}: {plain_mm(taken)} taken off with the saw's kerf of {plain_mm(kerf)} "
            f"a cut, {plain_mm(tube.length_mm or 0.0)} left."
        )

    @group.command("import", help=IMPORT_HELP)
    def import_(
        file: Annotated[Path, typer.Argument(help="CSV file.")],
        replace: Annotated[
            bool, typer.Option("--replace", help="Replace tubes of the same label; else they are an error.")
        ] = False,
        check: Annotated[bool, typer.Option("--check", help="Only check the file; take nothing.")] = False,
        as_json: Json = False,
    ) -> None:
        _import(file, replace=replace, check=check, as_json=as_json)


def _register_questions(group: typer.Typer) -> None:
    @group.command("list", help=LIST_HELP)
    def list_(metal: Metal = None, as_json: Json = False) -> None:
        from rimsight.archive.stock import Stock
        from rimsight.cli.stock_rows import table, with_metal

        stock = Stock()
        tubes = with_metal(stock.tubes(), metal)
        if as_json:
            _print(file=str(stock.path), tubes=[tube.to_json() for tube in tubes])
            return
        if not tubes:
            of_metal = f" of {metal}" if metal else ""
            typer.echo(f"There is no tube{of_metal} on the list. `rimsight stock add` puts one there, for example:")
            typer.echo("  rimsight stock add --od 6.5 --wall 0.635 --metal silver --length 300 --label A3")
            return
        for line in table(tubes):
            typer.echo(line)

    @group.command("find", help=FIND_HELP)
    @with_options(figures=StoneOptions)
    def find(
        figures: StoneOptions,
        metal: Metal = None,
        from_: From = None,
        back: Annotated[str, typer.Option(help="Back of the setting: open, or closed by a plate.")] = "open",
        all_: Annotated[bool, typer.Option("--all", help="Show every tube, not only the first ten.")] = False,
        rules: Rules = None,
        as_json: Json = False,
    ) -> None:
        from rimsight.archive.stock import Stock
        from rimsight.cli.inputs import read_results, stone_from
        from rimsight.cli.stock_find import find_text, search
        from rimsight.fit.rules import load

        if back not in ("open", "closed"):
            raise ValueError(f"--back: {back!r} is neither open nor closed")
        house = load(rules)
        results = read_results(from_ or [], house)
        stone = stone_from(figures, results, house)
        found = search(stone, Stock().tubes(), house, metal, closed_back=back == "closed", remarks=results.remarks)
        if as_json:
            _print(**found.to_json())
            return
        typer.echo(find_text(found, show_all=all_))

    @group.command("cuts", help=CUTS_HELP)
    def cuts(
        label: Annotated[Text, typer.Argument(help="Label of the tube. [default: all]")] = None, as_json: Json = False
    ) -> None:
        from dataclasses import asdict

        from rimsight.archive.stock import Stock
        from rimsight.cli.stock_rows import cut_table

        stock = Stock()
        made = stock.cuts(label)
        if as_json:
            _print(file=str(stock.path), cuts=[asdict(cut) for cut in made])
            return
        for line in cut_table(made) or ["No cut is on record."]:
            typer.echo(line)

    @group.command("export", help=EXPORT_HELP)
    def export(
        out: Annotated[Path | None, typer.Option("--out", help="CSV file to write. [default: print it]")] = None,
        force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
        as_json: Json = False,
    ) -> None:
        _export(out, force=force, as_json=as_json)


def _import(file: Path, *, replace: bool, check: bool, as_json: bool) -> None:
    from rimsight.archive.stock import LabelTaken, Stock
    from rimsight.archive.stock_csv import StockCsvError, decode, read
    from rimsight.cli.values import length_mm, wall_mm

    sheet = read(decode(file.read_bytes()), length_mm, wall_mm)
    stock = Stock()
    try:
        if check:
            there = {tube.label.casefold() for tube in stock.tubes()}
            again = next((tube for tube in sheet.tubes if tube.label and tube.label.casefold() in there), None)
            if again is not None and not replace:
                raise LabelTaken(again.label)
            kept = list(sheet.tubes)
        else:
            kept = stock.add(sheet.tubes, replace_same=replace)
    except LabelTaken as taken:
        line = next(
            line for tube, line in zip(sheet.tubes, sheet.lines, strict=True)
            if tube.label.casefold() == taken.label.casefold()
        )
        raise StockCsvError(
            [f"line {line}: there is a tube {taken.label!r} on the list already; --replace takes the new one"]
        ) from None
    if as_json:
        _print(file=str(stock.path), taken=not check, tubes=[tube.to_json() for tube in kept],
               ignored_columns=list(sheet.ignored))
        return
    many = f"{len(kept)} tube{'' if len(kept) == 1 else 's'}"
    typer.echo(f"{file} is in order: {many}." if check else f"Took {many} from {file}.")
    if sheet.ignored:
        typer.echo(f"Columns that mean nothing here: {', '.join(sheet.ignored)}.")


def _export(out: Path | None, *, force: bool, as_json: bool) -> None:
    import io

    from rimsight.archive.stock import Stock
    from rimsight.archive.stock_csv import write
    from rimsight.calibration.files import write_whole

    stock = Stock()
    tubes = stock.tubes()
    text = io.StringIO(newline="")
    write(tubes, text)
    if out is None:
        if as_json:
            _print(file=str(stock.path), tubes=[tube.to_json() for tube in tubes])
        else:
            typer.echo(text.getvalue().replace("\r\n", "\n"), nl=False)
        return
    try:
        # With the mark by which spreadsheets know UTF-8.
        write_whole(out, text.getvalue().encode("utf-8-sig"), overwrite=force)
    except FileExistsError as failure:
        raise FileExistsError(failure.errno, "the file exists already, add --force to replace it", str(out)) from None
    if as_json:
        _print(file=str(out), tubes=[tube.to_json() for tube in tubes])
        return
    typer.echo(f"Wrote {len(tubes)} tube{'' if len(tubes) == 1 else 's'} to {out}.")


def _print(**members: Any) -> None:
    typer.echo(json.dumps({"schema": SCHEMA, **members}, ensure_ascii=False, allow_nan=False))
