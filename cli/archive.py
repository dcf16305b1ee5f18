"""`rimsight archive`: the photos and figures that were kept. Listing, finding, showing and labelling them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.archive_filters import HIGHEST, Filters
from rimsight.cli.failures import SCHEMA
from rimsight.cli.option_groups import with_options

if TYPE_CHECKING:
    from rimsight.archive.search import Page
    from rimsight.archive.store import Archive

GROUP_HELP = "Photographs kept with their figures: find, show, compare, export, check."

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
LimitOption = Annotated[int, typer.Option(min=1, max=10_000, help="Records to show at most.")]
BeforeOption = Annotated[int | None, typer.Option(help="Only records with smaller numbers than this.")]
NumberArgument = Annotated[int, typer.Argument(min=1, max=HIGHEST, metavar="NUMBER", help="The record's number.")]
NumbersArgument = Annotated[
    list[int] | None,
    typer.Argument(min=1, max=HIGHEST, metavar="[NUMBER]...", help="Numbers of records.", show_default=False),
]


def register(app: typer.Typer, called: str = "") -> None:
    """Add the group `archive` with all its commands, or with the one that is called alone."""
    from rimsight.cli import archive_care, archive_export

    commands = COMMANDS | archive_export.COMMANDS | archive_care.COMMANDS
    group = typer.Typer(help=GROUP_HELP, no_args_is_help=True, rich_markup_mode=None)
    group.callback()(_group)
    for name in (called,) if called in commands else commands:
        commands[name](group)
    app.add_typer(group, name="archive")


def _group() -> None:
    # Without it, a group of one command would take that command for itself.
    """Photographs kept with their figures: find, show, compare, export, check."""


@contextmanager
def to_read() -> Iterator[Archive]:
    """Open the user's archive to read it.

    Raises
    ------
    NoArchive
        Nothing was ever kept.
    """
    from rimsight.archive.place import archive_folder
    from rimsight.archive.store import Archive

    with Archive(archive_folder()) as archive:
        yield archive


@contextmanager
def to_write() -> Iterator[Archive]:
    """Open the user's archive to write what is in it already (it isn't made here)."""
    from rimsight.archive.errors import NoArchive
    from rimsight.archive.place import archive_folder
    from rimsight.archive.store import Archive

    folder = archive_folder()
    if not folder.is_dir():
        raise NoArchive(f"there is no archive in {folder}")
    with Archive(folder, write=True) as archive:
        yield archive


def print_json(**members: Any) -> None:
    """Print one object with the schema's name."""
    typer.echo(json.dumps({"schema": SCHEMA} | members, ensure_ascii=False, allow_nan=False))


def _row_json(page: Page) -> list[dict[str, Any]]:
    return [
        vars(row)
        | {"figures": {name: {"value": value, "u95": u95} for name, (value, u95) in row.figures.items()}}
        for row in page.rows
    ]


def _show_page(
    filters: Filters, text: str, *, in_bin: bool, limit: int, before: int | None, as_json: bool, command: str
) -> None:
    from rimsight.archive import search
    from rimsight.archive.errors import NoArchive

    query = filters.query(text, in_bin=in_bin)
    try:
        with to_read() as archive:
            page = search.page(archive, query, limit=limit, before=before)
    except NoArchive as nothing:
        page = search.Page([], 0, None)
        if not as_json:
            typer.echo(f"Nothing is kept yet: {nothing}.")
            return
    if as_json:
        print_json(records=_row_json(page), total=page.total, total_is_at_least=page.at_least, older=page.older)
        return
    from rimsight.cli.archive_text import page_text

    typer.echo(page_text(page, command))


def _list(group: typer.Typer) -> None:
    @group.command(
        "list", help="List what is kept, newest first.\n\nExample: rimsight archive list --job M-104 --verdict thin"
    )
    @with_options(filters=Filters)
    def list_(
        filters: Filters,
        in_bin: Annotated[bool, typer.Option("--bin", help="List what is in the bin.")] = False,
        limit: LimitOption = 20,
        before: BeforeOption = None,
        as_json: JsonOption = False,
    ) -> None:
        command = "rimsight archive list"
        _show_page(filters, "", in_bin=in_bin, limit=limit, before=before, as_json=as_json, command=command)


def _find(group: typer.Typer) -> None:
    @group.command(
        "find",
        help="Find records by words in their labels, notes, tags and photo names; each word may be a beginning.\n\n"
        "Example: rimsight archive find spinel ring --stone-mm 5.9-6.2",
    )
    @with_options(filters=Filters)
    def find(
        text: Annotated[list[str], typer.Argument(metavar="WORD...", help="Words to look for; all must be there.")],
        filters: Filters,
        in_bin: Annotated[bool, typer.Option("--bin", help="Look in the bin.")] = False,
        limit: LimitOption = 20,
        before: BeforeOption = None,
        as_json: JsonOption = False,
    ) -> None:
        command = "rimsight archive find ..."
        joined = " ".join(text)
        _show_page(filters, joined, in_bin=in_bin, limit=limit, before=before, as_json=as_json, command=command)


def _show(group: typer.Typer) -> None:
    @group.command("show", help="Show all that is kept of a record.\n\nExample: rimsight archive show 12")
    def show(number: NumberArgument, as_json: JsonOption = False) -> None:
        with to_read() as archive:
            record = archive.record(number)
        files = [("photo", str(archive.objects.path(record.photo)))]
        if record.latest.overlay is not None:
            files.append(("marked", str(archive.objects.path(record.latest.overlay))))
        if as_json:
            print_json(record=record.as_json(), files=dict(files))
            return
        from rimsight.cli.archive_text import record_text

        typer.echo(record_text(record, files))


def _compare(group: typer.Typer) -> None:
    @group.command(
        "compare",
        help="Set two records, or two readings of one, beside each other.\n\n"
        "Example: rimsight archive compare 12 15, or 12 for its first and newest reading, or 12.1 15.2",
    )
    def compare(
        first: Annotated[str, typer.Argument(metavar="NUMBER[.READING]", help="The record, and its reading.")],
        second: Annotated[
            str | None, typer.Argument(metavar="[NUMBER[.READING]]", help="The other one.", show_default=False)
        ] = None,
        as_json: JsonOption = False,
    ) -> None:
        from rimsight.archive.compare import chosen, differences

        one, reading = _reference(first)
        other, other_reading = (one, None) if second is None else _reference(second)
        if second is None and reading is None:
            reading = 1
        with to_read() as archive:
            record, other_record = archive.record(one), archive.record(other)
        before, after = chosen(record, reading), chosen(other_record, other_reading)
        found = differences(before, after)
        if as_json:
            ends = [{"record": one, "reading": before.number}, {"record": other, "reading": after.number}]
            print_json(compared=ends, differences=[entry.as_json() for entry in found])
            return
        from rimsight.cli.archive_text import differences_text

        typer.echo(differences_text(f"{one}.{before.number} and {other}.{after.number}", found))


def _where(group: typer.Typer) -> None:
    @group.command("where", help="Say where the archive is and how large.\n\nExample: rimsight archive where")
    def where(as_json: JsonOption = False) -> None:
        from rimsight.archive import words
        from rimsight.archive.errors import NoArchive
        from rimsight.archive.place import archive_folder, keeps_always

        folder = archive_folder()
        records = in_bin = size = 0
        try:
            with to_read() as archive:
                records, in_bin = archive.connection.execute(
                    "SELECT count(*) - count(removed_at), count(removed_at) FROM record"
                ).fetchone()
                size = archive.connection.execute("SELECT coalesce(sum(bytes), 0) FROM object").fetchone()[0]
        except NoArchive:
            pass  # a folder that isn't there yet is an answer too
        if as_json:
            print_json(folder=str(folder), records=records, in_bin=in_bin, bytes=size, keeps_always=keeps_always())
            return
        more = f", {in_bin} more in the bin" if in_bin else ""
        typer.echo(f"{folder}\n{records} records, {words.size(size)}{more}")
        typer.echo("Everything measured is kept." if keeps_always() else "Measurements are kept when --keep is given.")


def _reference(text: str) -> tuple[int, int | None]:
    number, _, reading = text.partition(".")
    if not (number.isascii() and number.isdigit() and (not reading or (reading.isascii() and reading.isdigit()))):
        raise ValueError(f"{text!r} is not a record; write its number, or number.reading like 12.1")
    if len(number) > 15 or len(reading) > 9:
        raise ValueError(f"there is no record {text}")
    return int(number), int(reading) if reading else None


def _note(group: typer.Typer) -> None:
    @group.command(
        "note",
        help="Write on a record. What it said before stays readable in `show`.\n\n"
        'Example: rimsight archive note 12 "bezel burnished" --tag done',
    )
    def note(
        number: NumberArgument,
        text: Annotated[
            str | None, typer.Argument(metavar="[TEXT]", help="The note, in place of the one there is.")
        ] = None,
        append: Annotated[bool, typer.Option("--append", help="Add the text below the note there is.")] = False,
        job: Annotated[str | None, typer.Option(help="Another job.")] = None,
        stone_name: Annotated[str | None, typer.Option(help="Another name of the stone.")] = None,
        tube_name: Annotated[str | None, typer.Option(help="Another name of the tube.")] = None,
        metal: Annotated[str | None, typer.Option(help="Another metal.")] = None,
        tag: Annotated[list[str] | None, typer.Option(help="Put a tag on; may be given again.")] = None,
        untag: Annotated[list[str] | None, typer.Option(help="Take a tag off; may be given again.")] = None,
        as_json: JsonOption = False,
    ) -> None:
        texts = {"job": job, "stone": stone_name, "tube": tube_name, "metal": metal}
        typed = {name: value for name, value in texts.items() if value is not None}
        if text is None and not typed and not tag and not untag:
            raise ValueError("there is nothing to write: give a text, a label or a tag")
        if append and not text:
            raise ValueError("--append needs a text to add")
        if text is not None and not append:
            typed["note"] = text
        with to_write() as archive:
            labels = archive.relabel(
                number, typed, add_tags=tag or (), drop_tags=untag or (), append_note=(text or "") if append else ""
            )
        if as_json:
            print_json(record=number, labels=labels.as_json())
            return
        typer.echo(f"Written on record {number}.")


def _remove(group: typer.Typer) -> None:
    @group.command(
        "remove",
        help="Put records into the bin. They stay there until --empty-bin deletes them for good.\n\n"
        "Example: rimsight archive remove 12 13",
    )
    def remove(
        numbers: NumbersArgument = None,
        empty_bin: Annotated[
            bool, typer.Option("--empty-bin", help="Delete for good what is in the bin.")
        ] = False,
        yes: Annotated[bool, typer.Option("--yes", help="Don't ask before --empty-bin deletes.")] = False,
        as_json: JsonOption = False,
    ) -> None:
        if bool(numbers) == empty_bin:
            raise ValueError("name the records to remove, or --empty-bin alone")
        with to_write() as archive:
            if empty_bin:
                from rimsight.archive import search

                count = search.count(archive, search.Query(in_bin=True))
                if not yes:
                    _ask(count)
                deleted, files = archive.empty_bin()
                if as_json:
                    print_json(deleted=deleted, files=files)
                else:
                    typer.echo(f"Deleted for good: {deleted} records, {files} files.")
                return
            moved = archive.remove(numbers or [])
        if as_json:
            print_json(removed=moved)
        else:
            typer.echo(f"In the bin: {_listed(moved)}. `rimsight archive restore` takes them out again.")


def _restore(group: typer.Typer) -> None:
    @group.command("restore", help="Take records out of the bin.\n\nExample: rimsight archive restore 12")
    def restore(
        numbers: Annotated[
            list[int], typer.Argument(min=1, max=HIGHEST, metavar="NUMBER...", help="Numbers of records.")
        ],
        as_json: JsonOption = False,
    ) -> None:
        with to_write() as archive:
            moved = archive.restore(numbers)
        if as_json:
            print_json(restored=moved)
        else:
            typer.echo(f"Out of the bin: {_listed(moved)}.")


def _always(group: typer.Typer) -> None:
    @group.command(
        "always",
        help="Keep every measurement without --keep, or only when asked.\n\nExample: rimsight archive always on",
    )
    def always(
        setting: Annotated[str, typer.Argument(metavar="on|off", help="on or off.")], as_json: JsonOption = False
    ) -> None:
        from rimsight.archive.place import set_keeps_always

        if setting not in ("on", "off"):
            raise ValueError(f"{setting!r} is neither on nor off")
        path = set_keeps_always(setting == "on")
        if as_json:
            print_json(keeps_always=setting == "on", file=str(path))
        else:
            typer.echo("Everything measured is kept from now on." if setting == "on" else "Kept only with --keep.")


def _listed(numbers: list[int]) -> str:
    return ", ".join(str(number) for number in numbers) if numbers else "none (they were there already)"


def _ask(count: int) -> None:
    import sys

    if not sys.stdin.isatty():
        raise ValueError(f"this deletes {count} records for good; add --yes if that is meant")
    if not typer.confirm(f"Delete {count} records for good?"):
        raise ValueError("nothing was deleted")


#: What adds each command to the group.
COMMANDS: dict[str, Callable[[typer.Typer], None]] = {
    "list": _list,
    "find": _find,
    "show": _show,
    "compare": _compare,
    "where": _where,
    "note": _note,
    "remove": _remove,
    "restore": _restore,
    "always": _always,
}
