"""`rimsight check-up`: photos of a part of known size say how far the readings can be trusted."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from rimsight.cli.failures import SCHEMA
from rimsight.cli.measure_command import Measuring, Text
from rimsight.cli.option_groups import with_options

CHECK_UP_HELP = """Prove camera, card and program on a part of known size, photographed on end.

Take a drill blank, gauge pin or ring, type its diameter, and photograph it on the card three times or more, moved and
put down anew each time: a placing. Take two photos or more of each placing without touching the part. Put each
placing's photos into a folder of their own, or name all photos in order and say how many make one placing.

Shows bias, repeatability and whether the stated intervals hold, and keeps the outcome with camera and card: it then
replaces the default for where edges are read. --list, --show and --remove are for what is kept; --study judges a
table of readings by several people.

Example: rimsight check-up placing1 placing2 placing3 --diameter 6.000 --length 8.0
"""


def register(app: typer.Typer) -> None:
    """Add the command `check-up`."""

    @app.command("check-up", help=CHECK_UP_HELP)
    @with_options(options=Measuring)
    def check_up(
        photos: Annotated[
            list[Path] | None,
            typer.Argument(metavar="[FOLDER|PHOTO]...", help="A folder for each placing, or photos in order."),
        ] = None,
        *,
        diameter: Annotated[Text, typer.Option(help="The part's diameter.")] = None,
        u95: Annotated[Text, typer.Option(help="Its uncertainty: plus or minus, 95 %. [default: 0.004]")] = None,
        edge: Annotated[str, typer.Option(help="The edge of that diameter: outer, or a ring's bore.")] = "outer",
        length: Annotated[Text, typer.Option(help="Length of the part: how high its upper end stands.")] = None,
        per_placing: Annotated[
            int | None, typer.Option("--per-placing", min=1, help="Photos of one placing, if photos are named.")
        ] = None,
        name: Annotated[Text, typer.Option(help="Name to keep it by. [default: camera, card and edge]")] = None,
        dry_run: Annotated[bool, typer.Option("--dry-run", help="Show the outcome, keep nothing.")] = False,
        show_all: Annotated[bool, typer.Option("--list", help="List the check-ups that are kept.")] = False,
        show: Annotated[Text, typer.Option(metavar="NAME", help="Show one of them.")] = None,
        remove: Annotated[Text, typer.Option(metavar="NAME", help="Remove one: the default stands again.")] = None,
        study: Annotated[
            Path | None,
            typer.Option(metavar="CSV", help="Judge readings with the columns part, operator, value."),
        ] = None,
        options: Measuring,
    ) -> None:
        asked = [show_all, show is not None, remove is not None, study is not None, bool(photos)]
        if sum(asked) != 1:
            raise ValueError("name photos or folders, or give one of --list, --show, --remove and --study")
        if photos:
            typed = {
                "diameter": diameter, "u95": u95, "edge": edge, "length": length, "per_placing": per_placing,
                "name": name,
            }  # fmt: skip
            _measure(photos, options, typed, keep=not dry_run)
        elif study is not None:
            _study(study, as_json=options.as_json)
        else:
            _kept(show, remove, as_json=options.as_json)


def _measure(photos: list[Path], options: Measuring, typed: dict[str, Any], *, keep: bool) -> None:
    from rimsight.calibration.checkup_store import default_path, load_checkups, save_checkup
    from rimsight.cli import check_up_run, check_up_text
    from rimsight.cli.measure_command import check_output

    plan = check_up_run.planned(photos, typed, options.typed())
    load_checkups(default_path())  # a broken file is told before the work, not after it
    ending = None
    if options.out is not None:
        for _, path in plan.photos:
            ending = check_output(options.out, path, force=options.force)
    done = check_up_run.carried_out(plan)
    record = save_checkup(default_path(), done.record) if keep else done.record
    if options.out is not None and ending is not None:
        from rimsight.calibration.files import write_whole
        from rimsight.cli.check_up_plot import plot

        write_whole(options.out, plot(done.outcome, ending), overwrite=options.force)
    if options.as_json:
        _print(check_up_text.as_json(done, record, kept=keep))
        return
    typer.echo(check_up_text.text_of(done, record, kept=keep))
    if options.out is not None:
        typer.echo(f"\nPlot: {options.out}")


def _study(path: Path, *, as_json: bool) -> None:
    from rimsight.cli import check_up_study

    found = check_up_study.read_study(path)
    if as_json:
        _print({"study": check_up_study.as_json(found)})
    else:
        typer.echo(check_up_study.text_of(found))


def _kept(show: str | None, remove: str | None, *, as_json: bool) -> None:
    from dataclasses import asdict

    from rimsight.calibration.checkup_store import default_path, load_checkups, remove_checkup
    from rimsight.cli.check_up_text import line_of, record_text

    if remove is not None:
        removed = remove_checkup(default_path(), remove)
        if as_json:
            _print({"removed": asdict(removed)})
        else:
            typer.echo(f"Removed {line_of(removed)}")
        return
    known = load_checkups(default_path())
    if show is not None:
        if show not in known:
            raise ValueError(f"there is no check-up named {show!r}; known: {', '.join(map(repr, known)) or 'none yet'}")
        if as_json:
            _print({"check_up": asdict(known[show])})
        else:
            typer.echo(record_text(known[show]))
        return
    if as_json:
        _print({"check_ups": [asdict(one) for one in known.values()]})
    else:
        typer.echo("\n".join(map(line_of, known.values())) or "No check-up is kept yet.")


def _print(members: dict[str, Any]) -> None:
    typer.echo(json.dumps({"schema": SCHEMA, **members}, ensure_ascii=False, allow_nan=False))
