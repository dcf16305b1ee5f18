"""From a photo of a parcel to its table, files and words."""

from __future__ import annotations

import json
import sys
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from rimsight.calibration.square import Calibration
    from rimsight.cli.keeping import Keeping
    from rimsight.cli.measure_command import Measuring
    from rimsight.cli.measure_inputs import Inputs
    from rimsight.cli.opening import Opened
    from rimsight.vision.parcel import Piece
    from rimsight.vision.photo import Photo

@dataclass(frozen=True)
class Asked:
    """The command's own options, as typed."""

    of: str
    length: str | None
    group: str
    csv: Path | None
    histogram: Path | None


@dataclass(frozen=True)
class Item:
    """One thing of the parcel.

    Parameters
    ----------
    number : int
        On the marked photo.
    centre_mm, radius_mm
        Where it lies in the card's plane and how large it is, roughly.
    size : uncertainties.UFloat or None
        Diameter of the stone, outside of the tube; None where it isn't sure.
    bore : uncertainties.UFloat or None
        Of a tube.
    trouble : str
        Why there is no size.
    touching : tuple of int
        Numbers of the neighbours that it touches.
    outline_px : ndarray of shape (N, 2) or None
        Its outline in the photograph.
    takes : str
        Label of the tube in stock that it takes.
    """

    number: int
    centre_mm: tuple[float, float]
    radius_mm: float
    size: Any
    bore: Any
    trouble: str
    touching: tuple[int, ...]
    outline_px: Any
    takes: str = ""


@dataclass(frozen=True)
class Parcel:
    """A measured parcel."""

    opened: Opened
    inputs: Inputs
    items: list[Item]
    searched_stock: bool

    @property
    def of(self) -> str:
        """What lies there: "stones" or "tubes"."""
        assert self.inputs.of is not None
        return self.inputs.of

    @property
    def tolerance_mm(self) -> float:
        """Largest difference within a size group or a pair."""
        assert self.inputs.group_mm is not None
        return self.inputs.group_mm

    @property
    def sizes(self) -> dict[int, Any]:
        """Sizes by number, those that are sure."""
        return {item.number: item.size for item in self.items if item.size is not None}


def run_parcel(photo: Path, asked: Asked, options: Measuring, keeping: Keeping) -> None:
    """Measure, write and print what was asked for, and keep it if that is wanted.

    Raises
    ------
    ValueError
        A wrong option.
    PhotoError
        There is nothing on the card, or the photo does not allow it.
    OSError
        A file can't be read or written.
    """
    from rimsight.cli.measure_command import check_output
    from rimsight.cli.measure_inputs import read_inputs

    own = {"of": asked.of, "length": asked.length, "group": asked.group, "metal": keeping.metal or None}
    inputs = read_inputs("parcel", {**options.typed(), **own})
    keeping.labels()
    ending = None if options.out is None else check_output(options.out, photo, force=options.force)
    if asked.histogram is not None:
        if asked.histogram.suffix.lower() != ".png":
            raise ValueError(f"--histogram {asked.histogram}: the name must end in .png")
        check_output(asked.histogram, photo, force=options.force)
    if asked.csv is not None and asked.csv.exists() and not options.force:
        raise FileExistsError(17, "the file exists already, add --force to replace it", str(asked.csv))

    from rimsight.calibration.files import write_whole
    from rimsight.cli.parcel_text import csv_of, histogram_of, json_of, overlay_of, text_of

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        parcel = measure_parcel(inputs, photo)
    result = json_of(parcel)
    overlay = None
    if ending is not None or keeping.wanted():
        overlay = overlay_of(parcel, ending or "jpg")
    if options.out is not None and overlay is not None:
        write_whole(options.out, overlay, overwrite=options.force)
    if asked.csv is not None:
        write_whole(asked.csv, csv_of(parcel).encode("utf-8"), overwrite=options.force)
    if asked.histogram is not None:
        write_whole(asked.histogram, histogram_of(parcel), overwrite=options.force)
    if options.as_json:
        typer.echo(json.dumps(result, ensure_ascii=False, allow_nan=False))
    else:
        typer.echo(text_of(parcel))
        for name, path in (("Marked photo", options.out), ("Table", asked.csv), ("Histogram", asked.histogram)):
            if path is not None:
                typer.echo(f"\n{name}: {path}")
    from rimsight.cli.keeping import keep_measurement, kept_text

    kept = keep_measurement(
        keeping, kind="parcel", result=result, photo=photo, overlay=overlay, inputs=result["inputs"],
        camera=parcel.opened.camera,
    )  # fmt: skip
    if kept is not None:
        typer.echo(kept_text(kept), err=options.as_json)


def measure_parcel(inputs: Inputs, path: Path) -> Parcel:
    """Measure everything that lies on the card; progress goes to the error output of a terminal.

    Raises
    ------
    PhotoError
        There is nothing on the card, or the photo does not allow it.
    ValueError
        A named card or camera that isn't known, or doesn't fit.
    OSError
        The file can't be read.
    """
    from rimsight.cli.opening import open_photo
    from rimsight.vision.parcel_find import find_pieces
    from rimsight.vision.subjects import NothingOnStage

    opened = open_photo(inputs, path)
    photo, calibration = opened.photo, opened.calibration
    things = find_pieces(photo.light, calibration)
    if not things:
        raise NothingOnStage(
            "nothing round lies inside the frame",
            "stones or tubes on the white paper inside the black frame",
            "lay them a millimetre apart inside the frame; if they are there, turn the light",
        )
    items = (_stones if inputs.of == "stones" else _tubes)(photo, calibration, things, inputs)
    searched = False
    if inputs.of == "stones":
        items, searched = _with_tubes(items, inputs.metal)
    return Parcel(opened, inputs, items, searched)


def _tell(done: int, total: int) -> None:
    """Say how far it got, on one line of a terminal."""
    if sys.stderr.isatty():
        end = "\n" if done == total else ""
        sys.stderr.write(f"\r{done} of {total} measured{end}")
        sys.stderr.flush()


def _stones(photo: Photo, calibration: Calibration, things: list[Any], inputs: Inputs) -> list[Item]:
    from rimsight.vision.parcel import read_stones

    pieces = read_stones(photo.light, calibration, things, card_height_mm=inputs.card_height_mm, progress=_tell)
    return [
        Item(
            piece.number,
            piece.centre_mm,
            piece.radius_mm,
            piece.diameter,
            None,
            piece.trouble,
            piece.touching,
            _outline_px(piece, calibration),
        )
        for piece in pieces
    ]


def _outline_px(piece: Piece, calibration: Calibration) -> Any:
    if piece.edge is None or piece.diameter is None:
        return None
    edge, view = piece.edge, calibration.view
    return view.to_pixels(edge.curve.points_mm, edge.heights(view, edge.curve.points_mm, edge.curve.normals))


def _tubes(photo: Photo, calibration: Calibration, things: list[Any], inputs: Inputs) -> list[Item]:
    import numpy as np

    from rimsight.calibration.errors import PhotoError
    from rimsight.cli.measure_overlay import circle_px
    from rimsight.cli.measuring import tube_length
    from rimsight.vision.tube import read_tube

    items = []
    for number, thing in enumerate(things, start=1):
        try:
            reading = read_tube(
                photo.light, calibration, thing, tube_length(inputs), card_height_mm=inputs.card_height_mm
            )
        except PhotoError as error:
            items.append(Item(number, thing.centre_mm, thing.radius_mm, None, None, error.kind, (), None))
        else:
            edge = reading.outer_edge
            outline = circle_px(calibration.view, edge, reading.outer.nominal_value / 2)
            centre = np.asarray(edge.circle.centre)
            items.append(
                Item(
                    number,
                    (float(centre[0]), float(centre[1])),
                    reading.outer.nominal_value / 2,
                    reading.outer,
                    reading.bore,
                    "",
                    (),
                    outline,
                )
            )
        _tell(number, len(things))
    return items


def _with_tubes(items: list[Item], metal: str | None) -> tuple[list[Item], bool]:
    """Add to each sized stone the tube in stock that it takes, by the shared checker."""
    from dataclasses import replace

    from rimsight.archive.stock import Stock
    from rimsight.cli.tubes import at_hand
    from rimsight.fit.checks import ADEQUATE
    from rimsight.fit.model import Stone
    from rimsight.fit.order import candidates
    from rimsight.fit.rules import load

    kept = Stock().tubes()
    if not kept:
        return items, False
    house = load(None)
    tubes, _ = at_hand(kept, house, metal)
    found = []
    for item in items:
        takes = ""
        if item.size is not None and tubes:
            best = candidates(Stone(item.size), tubes, house)[0]
            takes = best.label if best.report.verdict == ADEQUATE else ""
        found.append(replace(item, takes=takes))
    return found, True
