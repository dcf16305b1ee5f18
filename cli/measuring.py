"""From a photo's file and typed inputs to a result: what every measuring command, the archive and `watch` call.

    result, overlay = measure_photo("rim", Path("IMG_0042.HEIC"), {"length": "5.2", "bore": "4,4"})

Nothing here prints or writes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from rimsight.cli.measure_inputs import Inputs, read_inputs
from rimsight.cli.opening import camera_json, open_photo, used_check

if TYPE_CHECKING:
    from rimsight.calibration.height import Height
    from rimsight.calibration.print_check import PrintCheck
    from rimsight.calibration.profile_match import ProfileMatch
    from rimsight.calibration.square import Calibration
    from rimsight.cli.several import Several
    from rimsight.fit.report import FitReport
    from rimsight.vision.candidates import Candidate
    from rimsight.vision.edge_correction import Correction
    from rimsight.vision.exif import FocalHint
    from rimsight.vision.photo import Photo
    from rimsight.vision.rim import RimReading
    from rimsight.vision.rim_shape import ShapeRimReading
    from rimsight.vision.shape import ShapeReading
    from rimsight.vision.side import SideReading
    from rimsight.vision.stone import StoneReading
    from rimsight.vision.tube import TubeReading

    Reading = StoneReading | ShapeReading | TubeReading | RimReading | ShapeRimReading | SideReading


@dataclass(frozen=True)
class Measurement:
    """One photo, measured.

    Parameters
    ----------
    inputs : Inputs
        What was typed.
    photo : Photo
        The photograph.
    hint : FocalHint
        What the file says about the focal length.
    match : ProfileMatch
        The camera's profile, or why none is applied.
    checks : mapping of side to PrintCheck, or PrintCheck
        Measured check lines that could have been used.
    calibration : Calibration
        Its geometry.
    reading : StoneReading, ShapeReading, TubeReading, RimReading, ShapeRimReading or SideReading
        What was read.
    report : FitReport or None
        The verdict on a rim.
    several : Several or None
        What several photos of the scene gave together.
    corrections : tuple of Correction
        What check-ups on a part of known size did to the reading.
    """

    inputs: Inputs
    photo: Photo
    hint: FocalHint
    match: ProfileMatch
    checks: dict[float, PrintCheck] | PrintCheck
    calibration: Calibration
    reading: Reading
    report: FitReport | None = None
    several: Several | None = None
    corrections: tuple[Correction, ...] = ()

    @property
    def tube(self) -> Height:
        """Height of the tube's end above the table: solved from several photos, typed, or the usual one."""
        if self.several is None:
            return tube_length(self.inputs)
        from rimsight.calibration.height import Height

        found = self.several.heights["tube_top"]
        return Height(found.nominal_value, found.std_dev, "solved from several photos")

    @property
    def camera(self) -> dict[str, Any] | None:
        """The camera profile that was applied, as plain JSON."""
        return camera_json(self.match)

    @property
    def check(self) -> PrintCheck | None:
        """The measured check lines that were used."""
        return used_check(self.checks, self.calibration)


def measure_photo(kind: str, photo_path: Path, inputs: Mapping[str, Any]) -> tuple[dict[str, Any], bytes | None]:
    """Measure a photo.

    Parameters
    ----------
    kind : str
        "stone", "tube", "rim", "side" or "parcel".
    photo_path : Path
        The photo's file.
    inputs : mapping
        What was typed, by the options' names with underscores; see `rimsight.cli.measure_inputs`.

    Returns
    -------
    result : dict
        The object that the command prints with `--json`.
    overlay : bytes or None
        The photo with what was measured drawn on it, JPEG.

    Raises
    ------
    PhotoError
        The photo does not allow it.
    ValueError
        A wrong input.
    OSError
        The file can't be read.
    """
    from rimsight.cli.result import result_of

    typed = read_inputs(kind, inputs)
    if typed.kind == "parcel":
        from rimsight.cli import parcel_text
        from rimsight.cli.parcel_run import measure_parcel

        parcel = measure_parcel(typed, photo_path)
        return parcel_text.json_of(parcel), parcel_text.overlay_of(parcel, "jpg")
    measured = measure(typed, photo_path)
    return result_of(measured), overlay_of(measured, "jpg")


def measure(inputs: Inputs, photo_path: Path, *, check_ups: bool = True) -> Measurement:
    """Measure a photo and keep everything that was found on the way; see `measure_photo`.

    Without `check_ups` the edges are taken as read, whatever a check-up on record says of them.
    """
    from rimsight.vision.subjects import SeveralSubjects, choose, find_subjects

    opened = open_photo(inputs, photo_path)
    photo, calibration = opened.photo, opened.calibration
    known = (inputs, photo, opened.hint, opened.match, opened.checks, calibration)
    try:
        if inputs.kind == "side":
            from rimsight.cli.side_result import read

            return Measurement(*known, read(inputs, photo, calibration))
        if inputs.shape is not None and inputs.kind == "stone":
            from rimsight.cli import shape_result

            return Measurement(*known, shape_result.read(inputs, photo, calibration))
        subjects = find_subjects(photo.light, calibration)
        candidate = choose(subjects, inputs.pick, "stone" if inputs.kind == "stone" else "tube")
    except SeveralSubjects as several:
        several.light, several.calibration = photo.light, calibration
        raise
    reading = (_READERS[inputs.kind] if inputs.shape is None else _shaped_rim)(inputs, photo, calibration, candidate)
    corrections: tuple[Correction, ...] = ()
    if check_ups:
        from rimsight.cli.edge_bias import corrected

        reading, corrections = corrected(reading, photo, calibration)
    report = _judged(inputs, reading, calibration) if inputs.kind == "rim" else None
    return Measurement(*known, reading, report, corrections=corrections)


def overlay_of(measured: Measurement, format: Literal["jpg", "png"]) -> bytes:
    """Draw what was measured on the photo, encoded as a picture's file."""
    from rimsight.cli.measure_overlay import overlay_for
    from rimsight.vision.overlay import draw, encode

    return encode(draw(measured.photo.light, overlay_for(measured)), format)


def _stone(inputs: Inputs, photo: Photo, calibration: Calibration, candidate: Any) -> StoneReading:
    from rimsight.vision.shape_beyond import refuse_beyond
    from rimsight.vision.stone import read_stone

    girdle = inputs.typed_height(inputs.height_mm, "height of the girdle above the table")
    reading = read_stone(photo.light, calibration, candidate, girdle=girdle, card_height_mm=inputs.card_height_mm)
    refuse_beyond(photo.light, calibration.view, reading.edge, calibration.blur_px)
    return reading


def _tube(inputs: Inputs, photo: Photo, calibration: Calibration, candidate: Candidate) -> TubeReading:
    from rimsight.vision.tube import read_tube

    return read_tube(photo.light, calibration, candidate, tube_length(inputs), card_height_mm=inputs.card_height_mm)


def typed_tube(inputs: Inputs) -> bool:
    """Whether the tube's length was typed."""
    return inputs.length_mm is not None


def tube_length(inputs: Inputs) -> Height:
    """The tube's length as typed, or what tubes are usually long, as a `Height`."""
    from rimsight.calibration.height import TUBE_LENGTH_MM, TUBE_LENGTH_U_MM, Height

    typed = inputs.typed_height(inputs.length_mm, "length of the tube")
    return typed or Height(TUBE_LENGTH_MM, TUBE_LENGTH_U_MM, "default: tubes of 3 to 12 mm")


def _rim(inputs: Inputs, photo: Photo, calibration: Calibration, candidate: Candidate) -> RimReading:
    from rimsight.vision.rim import read_rim

    return read_rim(photo.light, calibration, candidate, tube_length(inputs), **_typed_of_the_rim(inputs))


def _shaped_rim(inputs: Inputs, photo: Photo, calibration: Calibration, candidate: Candidate) -> ShapeRimReading:
    from rimsight.vision.rim_shape import read_shape_rim

    shape = None if inputs.shape == "auto" else inputs.shape
    typed = _typed_of_the_rim(inputs)
    return read_shape_rim(photo.light, calibration, candidate, tube_length(inputs), shape=shape, **typed)


def _typed_of_the_rim(inputs: Inputs) -> dict[str, Any]:
    """What was typed of stone and tube, with the uncertainties of the house rules."""
    from rimsight.fit.numbers import within
    from rimsight.fit.rules import load

    rules = load(inputs.rules)  # a broken file of rules is told before the work
    bore, wall = inputs.bore_mm, inputs.wall_mm
    return {
        "bore_mm": None if bore is None else within(bore, rules.number("caliper.inside_mm"), "bore"),
        "wall_mm": None if wall is None else within(wall, rules.number("caliper.outside_mm"), "wall"),
        "girdle_above": inputs.typed_height(inputs.height_mm, "height of the girdle above the tube"),
        "card_height_mm": inputs.card_height_mm,
    }


def _judged(inputs: Inputs, reading: Any, calibration: Calibration) -> FitReport:
    from rimsight.cli.judge import judge
    from rimsight.fit.rules import load

    return judge(inputs, reading, calibration, load(inputs.rules))


_Reader: TypeAlias = "Callable[[Inputs, Photo, Calibration, Candidate], Reading]"
_READERS: dict[str, _Reader] = {"stone": _stone, "tube": _tube, "rim": _rim}
