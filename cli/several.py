"""Several photos of one untouched scene: measured together, so that heights are solved instead of typed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rimsight.calibration.errors import PhotoError
from rimsight.cli.measure_inputs import Inputs
from rimsight.cli.measuring import Measurement, typed_tube
from rimsight.cli.opening import Opened, open_photo
from rimsight.cli.several_heights import MOST_PHOTOS, refuse_short, told

if TYPE_CHECKING:
    from uncertainties import UFloat

    from rimsight.calibration.square import Calibration
    from rimsight.vision.candidates import Candidate
    from rimsight.vision.photo import Photo
    from rimsight.vision.several_edges import Known, Shot

#: Solved so much better than it was known beforehand, the focal length counts as solved.
SOLVED_SHARE = 0.6
SOURCE = "solved from several photos"


class DifferentCards(PhotoError):
    """The photos don't show the same card, read the same way round."""

    kind = "different_cards"


@dataclass(frozen=True)
class Several:
    """What several photos gave together.

    Parameters
    ----------
    photos : tuple of Photo
        All of them, in their order.
    calibrations : tuple of Calibration
        Their geometry, solved together.
    heights : dict of str to UFloat
        Solved heights: "tube_top" and "girdle" above the table, "girdle_above_tube". Without those that are known too
        badly to be told.
    baseline_mm : float
        Largest distance between two places of the camera.
    strain : float
        How well the edges agree: about 1 or less where they do within their uncertainty.
    leader : int
        The photo whose reading carries the figures.
    """

    photos: tuple[Photo, ...]
    calibrations: tuple[Calibration, ...]
    heights: dict[str, UFloat]
    baseline_mm: float
    strain: float
    leader: int


def measure_several(inputs: Inputs, paths: Sequence[Path]) -> Measurement:
    """Measure a subject from two to six photos of the untouched scene.

    Parameters
    ----------
    inputs : Inputs
        What was typed.
    paths : sequence of Path
        The photos' files.

    Returns
    -------
    Measurement
        Its photo is the first one that shows the subject by itself.

    Raises
    ------
    PhotoError
        A photo does not allow it, or they don't go together.
    ValueError
        A wrong input.
    OSError
        A file can't be read.
    """
    from rimsight.calibration.baseline import baseline_mm, joined_views
    from rimsight.vision.several import solve_subject
    from rimsight.vision.several_figures import figures

    refuse_inputs(inputs, paths)
    opened = [open_photo(inputs, path) for path in paths]
    _refuse_other_cards(paths, opened)
    cameras = _cameras(opened)
    calibrations = [one.calibration for one in opened]
    priors = [one.prior for one in opened]
    views = joined_views(calibrations, priors, cameras)
    calibrations = [replace(one, view=view) for one, view in zip(calibrations, views, strict=True)]
    candidates = _candidates(inputs, opened, calibrations)
    refuse_short(inputs, calibrations, priors, candidates[0])
    shots = tuple(
        _shot(one, calibration, camera, candidate)
        for one, calibration, camera, candidate in zip(opened, calibrations, cameras, candidates, strict=True)
    )
    common = solve_subject(inputs.kind, shots, _known(inputs))
    read = figures(inputs.kind, common, _known(inputs))
    solved = [
        replace(
            shot.calibration, variants=(), u_rel_f=u,
            focal_source=SOURCE if u < SOLVED_SHARE * shot.prior.u_log_f else shot.prior.source,
        )
        for shot, u in zip(common.shots, common.solved.u_rel_f, strict=True)
    ]  # fmt: skip
    read = told(inputs, _known(inputs), solved, priors, read)
    several = Several(
        photos=tuple(one.photo for one in opened),
        calibrations=tuple(solved),
        heights=read.heights,
        baseline_mm=baseline_mm(common.solved.views),
        strain=common.solved.strain,
        leader=read.leader,
    )
    leader = opened[read.leader]
    from rimsight.cli.edge_bias import corrected

    reading, corrections = corrected(read.reading, leader.photo, solved[read.leader])
    measured = Measurement(
        inputs,
        leader.photo,
        leader.hint,
        leader.match,
        leader.checks,
        solved[read.leader],
        reading,
        None,
        several,
        corrections,
    )
    return measured if inputs.kind != "rim" else replace(measured, report=_judged(measured))


def refuse_inputs(inputs: Inputs, paths: Sequence[Path]) -> None:
    """Refuse a call that can't be meant.

    Raises
    ------
    ValueError
        Too many photos, the same one twice, or an input that holds for one photo only.
    """
    if len(paths) > MOST_PHOTOS:
        raise ValueError(f"{len(paths)} photos are too many: give two to {MOST_PHOTOS} of one scene")
    if len({path.resolve() for path in paths}) < len(paths):
        raise ValueError("the same photo is named twice")
    if inputs.camera_distance_mm is not None:
        raise ValueError("--camera-distance holds for one photo only; several photos don't need it")
    if inputs.square_side_mm is not None:
        raise ValueError("several photos need the printed card: a plain square may lie in four ways (--square-side)")
    if inputs.shape is not None:
        raise ValueError("--shape takes one photo: several are solved for round stones only")


def _refuse_other_cards(paths: Sequence[Path], opened: list[Opened]) -> None:
    first = opened[0].calibration.reference
    for path, one in zip(paths, opened, strict=True):
        reference = one.calibration.reference
        if not reference.oriented:
            raise DifferentCards(
                f"neither of the card's two small markers can be read in {path.name}, so it could lie in four ways",
                "at least one marker in view in every photo",
                "uncover the small black markers above and below the frame",
            )
        if (reference.side_mm, reference.name) != (first.side_mm, first.name):
            raise DifferentCards(
                f"{paths[0].name} shows the {first.side_mm:g} mm card, {path.name} the {reference.side_mm:g} mm card",
                "photos of one untouched scene",
                "name photos of one scene only",
            )


def _cameras(opened: list[Opened]) -> list[int]:
    """A number for each photo; photos by one camera at one zoom have the same."""
    kinds: list[tuple[Any, ...]] = []
    found = []
    for one in opened:
        exif = one.photo.exif
        light = one.photo.light
        kind = (
            exif.make, exif.model, exif.lens, exif.focal_mm, exif.f35_mm, exif.digital_zoom or 1.0, light.width_px,
            light.height_px,
        )  # fmt: skip
        if kind not in kinds:
            kinds.append(kind)
        found.append(kinds.index(kind))
    return found


def _candidates(inputs: Inputs, opened: list[Opened], calibrations: list[Calibration]) -> list[Candidate]:
    from rimsight.vision.several_find import same_subject
    from rimsight.vision.subjects import SeveralSubjects, find_subjects

    subjects = [
        find_subjects(one.photo.light, calibration) for one, calibration in zip(opened, calibrations, strict=True)
    ]
    names = [one.photo.path.name for one in opened]
    what = "stone" if inputs.kind == "stone" else "tube"
    try:
        return same_subject(names, calibrations, subjects, inputs.pick, what)
    except SeveralSubjects as several:
        several.light, several.calibration = opened[0].photo.light, calibrations[0]
        raise


def _shot(one: Opened, calibration: Calibration, camera: int, candidate: Candidate) -> Shot:
    from rimsight.vision.several_edges import Shot

    return Shot(one.photo.path.name, one.photo.light, calibration, one.prior, camera, candidate)


def _known(inputs: Inputs) -> Known:
    from rimsight.fit.numbers import within
    from rimsight.fit.rules import load
    from rimsight.vision.several_edges import Known

    above = "tube" if inputs.kind == "rim" else "table"
    typed = {
        "length": inputs.typed_height(inputs.length_mm, "length of the tube"),
        "girdle": inputs.typed_height(inputs.height_mm, f"height of the girdle above the {above}"),
    }
    if inputs.kind != "rim":
        return Known(**typed, card_height_mm=inputs.card_height_mm)
    rules = load(inputs.rules)
    bore, wall = inputs.bore_mm, inputs.wall_mm
    return Known(
        **typed,
        bore=None if bore is None else within(bore, rules.number("caliper.inside_mm"), "bore"),
        wall=None if wall is None else within(wall, rules.number("caliper.outside_mm"), "wall"),
        card_height_mm=inputs.card_height_mm,
    )


def _judged(measured: Measurement) -> Any:
    from rimsight.cli.judge import judge
    from rimsight.fit.rules import load

    assert measured.several is not None
    reading: Any = measured.reading
    length = None if typed_tube(measured.inputs) else measured.several.heights["tube_top"]
    return judge(measured.inputs, reading, measured.calibration, load(measured.inputs.rules), length=length)
