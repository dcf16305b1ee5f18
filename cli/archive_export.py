"""`rimsight archive export` and `import`: pages, sheets, tables and zips."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer

from rimsight.cli.archive_filters import HIGHEST, Filters
from rimsight.cli.option_groups import with_options

if TYPE_CHECKING:
    from rimsight.archive.store import Archive

EXPORT_HELP = """Write records for others to see or other programs to read.

Album and sheet carry no position, serial number or owner's name; the zip holds the untouched photos and is for
yourself. Without numbers or filters, everything that is kept is exported.

Example: rimsight archive export --album ~/show --job M-104, or --sheet M-104, or --csv stones.csv --kind stone
"""

TextOption = Annotated[str, typer.Option(help="Only records with these words, as in `find`.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]


def _export(group: typer.Typer) -> None:
    @group.command("export", help=EXPORT_HELP)
    @with_options(filters=Filters)
    def export(
        filters: Filters,
        numbers: Annotated[
            list[int] | None,
            typer.Argument(min=1, max=HIGHEST, metavar="[NUMBER]...", help="Only these records.", show_default=False),
        ] = None,
        text: TextOption = "",
        album: Annotated[
            Path | None, typer.Option(help="Folder for an HTML album in one file, to be opened in any browser.")
        ] = None,
        title: Annotated[str, typer.Option(help="The album's heading.")] = "Stones and settings",
        picture_px: Annotated[int, typer.Option(min=200, max=6000, help="Longer side of the album's pictures.")] = 1200,
        per_file: Annotated[int, typer.Option(min=1, max=5000, help="Records in one file of the album.")] = 100,
        sheet: Annotated[str, typer.Option(metavar="JOB", help="One-page PDF of this job.")] = "",
        sheet_file: Annotated[Path | None, typer.Option(help="File of the sheet; JOB.pdf here, if not given.")] = None,
        paper: Annotated[str, typer.Option(help="Paper of the sheet: a4 or letter.")] = "a4",
        csv: Annotated[Path | None, typer.Option(help="CSV for a spreadsheet; - prints it.")] = None,
        jsonl: Annotated[Path | None, typer.Option(help="JSON lines, one record each; - prints them.")] = None,
        zip_: Annotated[Path | None, typer.Option("--zip", help="Zip with the untouched photos, for yourself.")] = None,
        force: Annotated[bool, typer.Option("--force", help="Replace files of the same name.")] = False,
        as_json: JsonOption = False,
    ) -> None:
        from rimsight.cli.archive import print_json, to_read

        if not (album or sheet or csv or jsonl or zip_):
            raise ValueError("say what to write: --album, --sheet, --csv, --jsonl or --zip")
        if as_json and Path("-") in (csv, jsonl):
            raise ValueError("--json and a table on the same output don't go together")
        query = filters.query(text, numbers=tuple(numbers or ()))
        done: dict[str, Any] = {}
        with to_read() as archive:
            if numbers:
                for number in numbers:
                    archive.record(number)  # a number that doesn't exist is told, not passed over
            if csv is not None:
                done["csv"] = _table(archive, query, csv, "csv", force)
            if jsonl is not None:
                done["jsonl"] = _table(archive, query, jsonl, "jsonl", force)
            if album is not None:
                done["album"] = _album(archive, query, album, title, picture_px, per_file, force)
            if sheet:
                done["sheet"] = _sheet(archive, sheet, sheet_file, paper, force)
            if zip_ is not None:
                done["zip"] = _zip(archive, query, zip_, force)
        if as_json:
            print_json(exported={name: outcome for name, (outcome, _) in done.items()})
        else:
            for _, line in done.values():
                if line:
                    typer.echo(line)
        if any(outcome.get("left_out") for outcome, _ in done.values()):
            raise typer.Exit(4)


def _import(group: typer.Typer) -> None:
    @group.command(
        "import",
        help="Take the records of an exported zip into this archive; those it has already stay as they are.\n\n"
        "Example: rimsight archive import workshop.zip",
    )
    def import_(
        zip_file: Annotated[Path, typer.Argument(metavar="ZIP", help="A zip that `archive export --zip` wrote.")],
        as_json: JsonOption = False,
    ) -> None:
        from rimsight.archive.place import folder_to_write
        from rimsight.archive.store import Archive
        from rimsight.archive.unbundle import read_zip
        from rimsight.cli.archive import print_json

        if not zip_file.is_file():
            raise FileNotFoundError(f"there is no file {zip_file}")
        with Archive(folder_to_write(), write=True) as archive:
            outcome = read_zip(archive, zip_file)
        if as_json:
            print_json(new=outcome.new, extended=outcome.extended, known=outcome.known)
            return
        typer.echo(
            f"{len(outcome.new)} records taken, {len(outcome.extended)} got further readings, "
            f"{outcome.known} were here already."
        )


def _free(path: Path, force: bool) -> None:
    if path.exists() and not force:
        raise FileExistsError(f"{path} exists already; --force replaces it")


@contextmanager
def _output(path: Path, force: bool) -> Iterator[TextIO]:
    if path == Path("-"):
        yield sys.stdout
        return
    import io

    from rimsight.archive.wholly import new_file

    _free(path, force)
    with new_file(path) as file:
        # With the mark that tells spreadsheets it is UTF-8; other readers know it as "utf-8-sig".
        coding = "utf-8-sig" if path.suffix.lower() == ".csv" else "utf-8"
        text = io.TextIOWrapper(file, encoding=coding, newline="", write_through=True)
        yield text
        text.flush()
        text.detach()


def _table(archive: Archive, query: Any, path: Path, kind: str, force: bool) -> tuple[dict[str, Any], str]:
    from rimsight.archive import search, tables

    write = tables.write_csv if kind == "csv" else tables.write_json_lines
    with _output(path, force) as file:
        count = write(archive, search.numbers(archive, query, oldest_first=True), file)
    what = "rows" if kind == "csv" else "lines"
    return {"file": str(path), what: count}, "" if path == Path("-") else f"{path}: {count} {what}"


def _album(
    archive: Archive, query: Any, folder: Path, title: str, picture_px: int, per_file: int, force: bool
) -> tuple[dict[str, Any], str]:
    from rimsight.archive import album, search

    if not force and folder.is_dir():
        for old in sorted(folder.glob("album*.html")):
            _free(old, force)
    written = album.write_album(
        archive, search.numbers(archive, query), folder, title=title, picture_px=picture_px, per_file=per_file
    )
    files = [str(path) for path in written.files]
    line = f"{files[0]}: {written.records} records" + (f" in {len(files)} files" if len(files) > 1 else "")
    if written.unshown:
        line += f"; the photo of {_some(written.unshown)} can't be shown"
    return {"files": files, "records": written.records, "unshown": list(written.unshown)}, line


def _sheet(archive: Archive, job: str, path: Path | None, paper: str, force: bool) -> tuple[dict[str, Any], str]:
    from rimsight.archive.sheet import write_sheet

    path = Path(f"{_slug(job)}.pdf") if path is None else path
    _free(path, force)
    record = write_sheet(archive, job, path, paper=paper)
    return {"file": str(path), "record": record.number}, f"{path}: the sheet of {record.labels.job}"


def _slug(job: str) -> str:
    """Return a file name for a job: nothing of it is left that a system could take for a folder or a device."""
    kept = "".join(character if character.isalnum() or character in "-_" else "-" for character in job)
    return "job-" + kept.strip("-")[:80] if kept.strip("-") else "job"


def _zip(archive: Archive, query: Any, path: Path, force: bool) -> tuple[dict[str, Any], str]:
    from rimsight.archive import bundle, search, words
    from rimsight.cli.keeping import program_version

    _free(path, force)
    numbers = search.numbers(archive, query, oldest_first=True)
    outcome = bundle.write_zip(archive, numbers, path, program=program_version())
    line = (
        f"{path}: {outcome.records} records, {outcome.files} files, {words.size(outcome.size)}. It holds the untouched "
        "photos with all the camera wrote into them: keep it for yourself."
    )
    if outcome.left_out:
        line += "".join(f"\nleft out: record {number}, {why}" for number, why in outcome.left_out.items())
    return {
        "file": str(path),
        "records": outcome.records,
        "files": outcome.files,
        "bytes": outcome.size,
        "left_out": {str(number): why for number, why in outcome.left_out.items()},
    }, line


def _some(numbers: Iterable[int]) -> str:
    every = [str(number) for number in numbers]
    return ", ".join(every[:10]) + (f" and {len(every) - 10} more" if len(every) > 10 else "")


#: What adds each command to the group.
COMMANDS: dict[str, Callable[[typer.Typer], None]] = {"export": _export, "import": _import}
