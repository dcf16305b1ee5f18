"""Keeping what was measured: the options every measuring command shares, and the one way into the archive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rimsight.archive.records import Labels
    from rimsight.archive.store import Kept

KEEP_HELP = "Keep photo and figures in the archive (`rimsight archive always on` makes it the rule)."


@dataclass
class Keeping:
    """The options `--keep --job --note --metal --tag --stone-name --tube-name` of a measuring command.

    A command takes them all as one argument: `@with_options(keeping=Keeping)` from `rimsight.cli.option_groups`.
    """

    keep: Annotated[bool | None, typer.Option("--keep/--no-keep", help=KEEP_HELP)] = None
    job: Annotated[str, typer.Option(help="Job or envelope it belongs to; keeps it.")] = ""
    note: Annotated[str, typer.Option(help="A note to keep with it; keeps it.")] = ""
    metal: Annotated[str, typer.Option(help="Metal of the setting, such as silver or platinum.")] = ""
    tag: Annotated[list[str] | None, typer.Option(help="A word to find it by; may be given again; keeps it.")] = None
    stone_name: Annotated[str, typer.Option(help="What the stone is called; keeps it.")] = ""
    tube_name: Annotated[str, typer.Option(help="What the tube is called; keeps it.")] = ""

    def labels(self) -> Labels:
        """Return what is written on the record, cleaned.

        Raises
        ------
        ValueError
            One of the texts is too long.
        """
        from rimsight.archive.records import Labels

        return Labels(
            job=self.job,
            stone=self.stone_name,
            tube=self.tube_name,
            metal=self.metal,
            note=self.note,
            tags=tuple(self.tag or ()),
        ).cleaned()

    def wanted(self) -> bool:
        """Tell whether to keep: `--keep` or `--no-keep` decide, else a label that was typed, else the setting."""
        if self.keep is not None:
            return self.keep
        # The metal is an input of the judgement too, so it alone asks for nothing.
        if any((self.job, self.note, self.tag, self.stone_name, self.tube_name)):
            return True
        from rimsight.archive.place import keeps_always

        return keeps_always()


def keep_measurement(
    keeping: Keeping,
    *,
    kind: str,
    result: Mapping[str, Any],
    photo: Path,
    overlay: bytes | None = None,
    inputs: Mapping[str, Any] | None = None,
    camera: Mapping[str, Any] | None = None,
    photo_bytes: bytes | None = None,
) -> Kept | None:
    """Keep a measurement in the user's archive, if that is wanted.

    Print the result before calling this: where it can't be kept (disk full, archive read-only), it is not lost too.

    Parameters
    ----------
    keeping : Keeping
        What was typed.
    kind : str
        What was measured: "stone", "tube", "rim", "parcel", "side"; the same word `measure_photo` takes.
    result : mapping
        The object that `--json` prints; lengths in mm.
    photo : Path
        The photo's file.
    overlay : bytes, optional
        The marked photo, PNG or JPEG.
    inputs : mapping, optional
        What was typed, plain JSON: enough to measure the photo again.
    camera : mapping, optional
        The camera profile that was used.
    photo_bytes : bytes, optional
        The file's bytes where they were read already: what is kept is then what was measured.

    Returns
    -------
    Kept or None
        None if keeping is not wanted. `kept_text` puts it into words.

    Raises
    ------
    ValueError
        A label is too long, or the result is not plain JSON.
    OSError
        The archive can't be written; nothing was kept.
    """
    if not keeping.wanted():
        return None
    from rimsight.archive.place import folder_to_write
    from rimsight.archive.records import Measured
    from rimsight.archive.store import Archive

    labels = keeping.labels()
    data = photo.read_bytes() if photo_bytes is None else photo_bytes
    measured = Measured(
        kind=kind, result=result, inputs=inputs or {}, program=program_version(), overlay=overlay, camera=camera
    )
    with Archive(folder_to_write(), write=True) as archive:
        return archive.keep(data, photo.name, measured, labels)


def kept_text(kept: Kept) -> str:
    """Say in one line where something was kept."""
    text = f"Kept as record {kept.number}."
    if kept.others:
        others = ", ".join(str(number) for number in kept.others[:3])
        text += f" The same photo is also kept as {others}."
    return text


def program_version() -> str:
    """Return the installed program's version, "0+source" when run from a source tree that isn't installed."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("rimsight")
    except PackageNotFoundError:
        return "0+source"
