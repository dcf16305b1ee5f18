"""`rimsight demo`: the whole job on photos that ship with the program."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.failures import SCHEMA

if TYPE_CHECKING:
    from rimsight.cli.measuring import Measurement

DEMO_HELP = """Measure the photos that ship with the program, and leave marked photos and a summary in a folder.

Nothing is opened and nothing is kept in the archive. The photos are rendered: stones and tubes are invented, their
true sizes are known.

Example: rimsight demo --out rimsight-demo
"""
DEFAULT_FOLDER = "rimsight-demo"
#: Folders tried beside the default one if that is taken.
LARGEST_NUMBER = 999
PHOTOS = "rimsight.demo_photos"
SUMMARY_TEXT, SUMMARY_JSON = "summary.txt", "summary.json"


def register(app: typer.Typer) -> None:
    """Add the command `demo`."""

    @app.command("demo", help=DEMO_HELP)
    def demo(
        out: Annotated[
            Path | None, typer.Option("--out", help=f"New folder to write to. [default: {DEFAULT_FOLDER}]")
        ] = None,
        as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False,
    ) -> None:
        folder = make_folder(out)
        results, texts = [], []
        for item in items():
            if not as_json:
                typer.echo(f"{item['title']} ...", err=True)
            measured, result, overlay = show(item)
            name = f"{item['name']}-marked.jpg"
            write(folder / name, overlay)
            results.append({"name": item["name"], "title": item["title"], "marked_photo": name, "result": result})
            texts.append((item, measured, name))
        summary = {"schema": SCHEMA, "folder": str(folder), "photos": results}
        write(folder / SUMMARY_JSON, json.dumps(summary, ensure_ascii=False, indent=1).encode())
        write(folder / SUMMARY_TEXT, long_text(texts).encode())
        typer.echo(json.dumps(summary, ensure_ascii=False) if as_json else short_text(texts, folder))


def make_folder(wanted: Path | None) -> Path:
    """Make the folder, a new one always.

    Raises
    ------
    FileExistsError
        The named one exists and holds something.
    OSError
        It can't be made.
    """
    if wanted is not None:
        if wanted.is_dir() and not any(wanted.iterdir()):
            return wanted
        if wanted.exists():
            import errno

            raise FileExistsError(errno.EEXIST, "this exists already, name a new folder", str(wanted))
        wanted.mkdir()
        return wanted
    for number in range(1, LARGEST_NUMBER + 1):
        folder = Path(DEFAULT_FOLDER if number == 1 else f"{DEFAULT_FOLDER}-{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise ValueError(f"there are {LARGEST_NUMBER} demo folders here already: name another with --out")


def items() -> list[dict[str, Any]]:
    """What is measured: name, title, kind, photo and what is typed beside it."""
    from importlib.resources import files

    found: list[dict[str, Any]] = json.loads(files(PHOTOS).joinpath("demo.json").read_text("utf-8"))["photos"]
    return found


def show(item: dict[str, Any]) -> tuple[Measurement, dict[str, Any], bytes]:
    """Measure one of the photos, whatever cards the user has on record."""
    from importlib.resources import as_file, files

    from rimsight.cli.measure_inputs import read_inputs
    from rimsight.cli.measuring import measure, overlay_of
    from rimsight.cli.result import result_of

    with as_file(files(PHOTOS).joinpath(item["photo"])) as photo:
        measured = measure(read_inputs(item["kind"], item["inputs"]), photo)
    return measured, result_of(measured), overlay_of(measured, "jpg")


def write(path: Path, content: bytes) -> None:
    """Write one file of the demo whole."""
    from rimsight.calibration.files import write_whole

    write_whole(path, content, overwrite=False)


def short_text(texts: list[tuple[dict[str, Any], Measurement, str]], folder: Path) -> str:
    """The first figures of each photo, and where everything lies."""
    from rimsight.cli.measure_text import figures

    lines: list[str] = []
    for item, measured, name in texts:
        lines += [item["title"], f"  $ {command(item)}"]
        if measured.report is not None:
            lines.append(f"  {measured.report.headline}")
        rows = figures(measured)[:3]
        width = max(len(row[0]) for row in rows)
        lines += [f"  {what.ljust(width)}   {text}" for what, text in rows]
        lines += [f"  {folder / name}", ""]
    return "\n".join([*lines, f"The whole reports: {folder / SUMMARY_TEXT} and {folder / SUMMARY_JSON}"])


def long_text(texts: list[tuple[dict[str, Any], Measurement, str]]) -> str:
    """The reports as the measuring commands print them, each under the call that makes it."""
    from rimsight.cli.measure_text import text_of

    parts = [f"$ {command(item)}\n\n{text_of(measured)}\n" for item, measured, _ in texts]
    return ("\n" + "-" * 96 + "\n\n").join(parts)


def command(item: dict[str, Any]) -> str:
    """The call that measures this photo."""
    typed = " ".join(f"--{name.replace('_', '-')} {value}" for name, value in item["inputs"].items())
    return f"rimsight {item['kind']} {item['photo']} {typed}"
