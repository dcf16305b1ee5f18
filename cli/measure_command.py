"""What the measuring commands have in common: their options, and the way from a call to files and words."""

from __future__ import annotations

import errno
import json
import tempfile
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

if TYPE_CHECKING:
    from rimsight.cli.keeping import Keeping
    from rimsight.vision.subjects import SeveralSubjects

Text = str | None
Photos = Annotated[
    list[Path],
    typer.Argument(
        metavar="PHOTO [PHOTO...]",
        help="JPEG, HEIC, PNG, TIFF or WebP, as the phone made it; two to six of one untouched scene tell heights.",
    ),
]
Shape = Annotated[
    Text,
    typer.Option(
        metavar="NAME",
        help="Not round: oval, pear, marquise, cushion, square, rectangle, triangle, or auto.",
    ),
]

ENDINGS: dict[str, Literal["png", "jpg"]] = {".png": "png", ".jpg": "jpg", ".jpeg": "jpg"}


# Bare dataclass: every method that the decorator would write costs `--help` a millisecond.
@dataclass(eq=False, repr=False, match_args=False)
class Measuring:
    """Options of every measuring command."""

    card: Annotated[Text, typer.Option(help="Name of the printed card, if several are on record.")] = None
    check_lines: Annotated[
        Text, typer.Option(metavar="ACROSS,DOWN", help="Measured lengths of the card's two 150 mm lines.")
    ] = None
    camera: Annotated[Text, typer.Option(help="Name of the camera profile, if the photo doesn't tell.")] = None
    square_side: Annotated[Text, typer.Option(help="Side of a plain black square in place of the card.")] = None
    camera_distance: Annotated[Text, typer.Option(help="Distance from the lens to the card.")] = None
    card_height: Annotated[Text, typer.Option(help="How high above the table the card lies, on a block.")] = None
    pick: Annotated[int | None, typer.Option(help="Number of the subject, if several lie there.")] = None
    out: Annotated[Path | None, typer.Option("--out", help="Write the marked photo here, .png or .jpg.")] = None
    force: Annotated[bool, typer.Option("--force", help="Replace the marked photo if it exists.")] = False
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")] = False

    def typed(self) -> dict[str, Any]:
        """The inputs among them, by name."""
        names = ("card", "check_lines", "camera", "square_side", "camera_distance", "card_height", "pick")
        return {name: getattr(self, name) for name in names if getattr(self, name) is not None}


def run(kind: str, photos: list[Path], options: Measuring, keeping: Keeping, own: dict[str, Any]) -> None:
    """Measure a photo, write and print what was asked for, and keep it if that is wanted.

    Everything that can be refused without looking at the photo is refused first.

    Parameters
    ----------
    kind : str
        "stone", "tube" or "rim".
    photos : list of Path
        The photo's file, or those of several photos of one scene.
    options : Measuring
        Shared options.
    keeping : Keeping
        Options of the archive.
    own : dict
        The command's own inputs as typed.
    """
    from rimsight.cli.measure_inputs import read_inputs

    inputs = read_inputs(kind, {**options.typed(), **own})
    keeping.labels()
    ending = None
    if options.out is not None:
        for photo in photos:
            ending = check_output(options.out, photo, force=options.force)

    from rimsight.calibration.files import write_whole
    from rimsight.cli.measuring import measure, overlay_of
    from rimsight.cli.several import measure_several
    from rimsight.vision.subjects import SeveralSubjects

    try:
        with warnings.catch_warnings():
            # What the numerical libraries have to say of empty regions is no news for the bench.
            warnings.simplefilter("ignore", RuntimeWarning)
            measured = measure(inputs, photos[0]) if len(photos) == 1 else measure_several(inputs, photos)
    except SeveralSubjects as several:
        if options.out is not None and ending is not None:
            write_whole(options.out, _numbered(several, ending), overwrite=options.force)
        raise
    from rimsight.cli.result import kept_inputs, result_of

    result = result_of(measured)
    keep = keeping.wanted()
    overlay = overlay_of(measured, ending or "jpg") if ending or keep else None
    if options.out is not None and overlay is not None:
        write_whole(options.out, overlay, overwrite=options.force)
    if options.as_json:
        typer.echo(json.dumps(result, ensure_ascii=False, allow_nan=False))
    else:
        from rimsight.cli.measure_text import text_of

        typer.echo(text_of(measured))
        if options.out is not None:
            typer.echo(f"\nMarked photo: {options.out}")
    if keep:
        from rimsight.cli.keeping import keep_measurement, kept_text

        kept = keep_measurement(
            keeping,
            kind=kind,
            result=result,
            photo=measured.photo.path,
            overlay=overlay,
            inputs=kept_inputs(measured),
            camera=measured.camera,
        )
        if kept is not None:
            typer.echo(kept_text(kept), err=options.as_json)


def check_output(out: Path, photo: Path, *, force: bool) -> Literal["png", "jpg"]:
    """Refuse an output that can't be written, before any work.

    Returns
    -------
    {"png", "jpg"}
        The format that the name asks for.

    Raises
    ------
    ValueError
        The name's ending is no picture's, or the output is the photo itself.
    OSError
        The folder is missing, is a file, or does not allow writing; the file exists and may not be replaced.
    """
    ending = ENDINGS.get(out.suffix.lower())
    if ending is None:
        raise ValueError(f"--out {out}: the name must end in .png or .jpg")
    if out.exists() and photo.exists() and out.samefile(photo):
        raise ValueError(f"--out {out} is the photo itself: give the marked photo another name")
    folder = out.parent
    if out.is_dir():
        raise IsADirectoryError(errno.EISDIR, "this is a folder, a file name is needed", str(out))
    if not folder.exists():
        raise FileNotFoundError(errno.ENOENT, "the folder does not exist, make it first", str(folder))
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "this is a file, a folder is needed", str(folder))
    if out.exists() and not force:
        raise FileExistsError(errno.EEXIST, "the file exists already, add --force to replace it", str(out))
    try:
        # Access rights alone don't tell of a file system that is mounted read-only.
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as failure:
        raise PermissionError(errno.EACCES, "this folder does not allow writing", str(folder)) from failure
    return ending


def _numbered(several: SeveralSubjects, ending: Literal["png", "jpg"]) -> bytes:
    from rimsight.cli.measure_overlay import numbers_overlay
    from rimsight.vision.overlay import draw, encode

    assert several.light is not None
    assert several.calibration is not None
    return encode(draw(several.light, numbers_overlay(several.subjects, several.calibration)), ending)
