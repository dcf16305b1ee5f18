"""Which of the things on the stage is the subject, or why that can't be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.pixels import FloatArray, LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate, find_candidates, flatten
from rimsight.vision.girdle import find_boundary

#: Smaller things are dust, crumbs and printing dots.
SPECK_RADIUS_MM = 0.4
#: A round thing beside the subject counts as another one when it shows on this share of its round: lesser rings are
#: caustics and crossing shadows.
OTHER_COVERAGE = 0.55
#: ... and on this share of what the subject shows: the round end of a tube's shadow reached 0.63 of it.
OTHER_SHARE = 0.7
#: A centre this far inside another's outline, as a share of its radius, belongs to the same thing.
SAME_SHARE = 1.05
#: Round a plain square the search goes this many sides far, at most.
LARGEST_REACH = 3.0
#: What lies this near to a plain square is its own edge or shadow, millimetres.
SQUARE_MARGIN_MM = 1.0


class NothingOnStage(PhotoError):
    """There is nothing to measure."""

    kind = "nothing_on_stage"


class OutsideStage(PhotoError):
    """Something lies in the picture, but not on the stage."""

    kind = "outside_stage"


class TouchesFrame(PhotoError):
    """The subject touches the frame or runs out of the picture."""

    kind = "touches_frame"


class NotRoundThing(PhotoError):
    """What lies there has no round edge."""

    kind = "not_round"


@dataclass(frozen=True)
class Subject:
    """Something that may be measured.

    Parameters
    ----------
    candidate : Candidate
        As found.
    centre_mm : tuple of 2 floats
        Centre of its whole outline, as seen in the card's plane.
    radius_mm : float
        Radius of its whole outline there.
    """

    candidate: Candidate
    centre_mm: tuple[float, float]
    radius_mm: float


class SeveralSubjects(PhotoError):
    """More than one thing could be meant; `subjects` holds them in the order of their numbers."""

    kind = "several_subjects"

    def __init__(self, subjects: tuple[Subject, ...], found: str, needed: str, advice: str) -> None:
        super().__init__(found, needed, advice)
        self.subjects = subjects
        #: Set by who looked, so that the numbers can be drawn.
        self.light: LightImage | None = None
        self.calibration: Calibration | None = None

    @property
    def details(self) -> dict[str, object]:
        """The subjects for machines, numbered as `--pick` counts them."""
        return {
            "subjects": [
                {
                    "pick": number,
                    "x_mm": round(subject.centre_mm[0], 1),
                    "y_mm": round(subject.centre_mm[1], 1),
                    "about_diameter_mm": round(2.0 * subject.radius_mm, 1),
                }
                for number, subject in enumerate(self.subjects, start=1)
            ]
        }


def find_subjects(image: LightImage, calibration: Calibration) -> tuple[Subject, ...]:
    """Find what may be measured, left to right as the card is printed.

    On the program's own card only the stage inside the frame is searched; round a plain square everything that the
    photograph shows near it.

    Parameters
    ----------
    image : LightImage
        The photograph.
    calibration : Calibration
        Its geometry.

    Returns
    -------
    tuple of Subject
        One at least.

    Raises
    ------
    NothingOnStage, OutsideStage, TouchesFrame, NotRoundThing
        There is nothing that can be measured.
    """
    plain = calibration.reference.plain
    found = _beside_square(image, calibration) if plain else find_candidates(flatten(image, calibration))
    found = [thing for thing in found if thing.radius_mm >= SPECK_RADIUS_MM]
    whole = [thing for thing in found if thing.round and not thing.touches_edge]
    if not whole:
        _refuse(image, calibration, found)
    best = whole[0]
    least = max(OTHER_COVERAGE, OTHER_SHARE * best.coverage)
    others = [thing for thing in whole[1:] if thing.coverage >= least]
    if not others:
        return (Subject(best, best.centre_mm, best.radius_mm),)
    return _grouped(image, calibration, [best, *others])


def choose(subjects: tuple[Subject, ...], pick: int | None, what: str) -> Candidate:
    """Take the one subject, or the one that was picked.

    Parameters
    ----------
    subjects : tuple of Subject
        From `find_subjects`.
    pick : int or None
        Number of the wanted one, from 1.
    what : str
        What is looked for: "stone", "tube".

    Raises
    ------
    SeveralSubjects
        There are several, and none was picked.
    ValueError
        There is no such number.
    """
    if pick is not None and pick > len(subjects):
        raise ValueError(f"--pick {pick}: only {len(subjects)} thing(s) lie there")
    if pick is None and len(subjects) > 1:
        listed = "; ".join(
            f"{number}: about {2.0 * subject.radius_mm:.1f} mm across, {_place(subject)}"
            for number, subject in enumerate(subjects, start=1)
        )
        raise SeveralSubjects(
            subjects,
            f"{len(subjects)} things lie there ({listed})",
            f"one {what}, or the number of the one that is meant",
            "add --pick and its number (--out PICTURE draws the numbers on the photo), or take the others away",
        )
    return subjects[(pick or 1) - 1].candidate


def _place(subject: Subject) -> str:
    x, y = subject.centre_mm
    across = f"{abs(x):.0f} mm {'right' if x > 0 else 'left'}"
    return f"{across} and {abs(y):.0f} mm {'below' if y > 0 else 'above'} the middle of the card"


def _grouped(image: LightImage, calibration: Calibration, found: list[Candidate]) -> tuple[Subject, ...]:
    """Rings that belong to one thing (facets, a bore) make one subject."""
    view, blur = calibration.view, max(calibration.blur_px, 0.5)
    outlines: list[Subject] = []
    left = list(found)
    while left:
        first = left.pop(0)
        centre, radius, _ = find_boundary(image, view, np.array(first.centre_mm), first.radius_mm, 0.0, blur)
        subject = Subject(first, (float(centre[0]), float(centre[1])), max(radius, first.radius_mm))
        outlines = [known for known in outlines if not _inside(known.centre_mm, subject)]
        left = [other for other in left if not _inside(other.centre_mm, subject)]
        outlines.append(subject)
    return tuple(sorted(outlines, key=lambda subject: subject.centre_mm))


def _inside(centre_mm: tuple[float, float], subject: Subject) -> bool:
    away = np.hypot(centre_mm[0] - subject.centre_mm[0], centre_mm[1] - subject.centre_mm[1])
    return bool(away < SAME_SHARE * subject.radius_mm)


def _beside_square(image: LightImage, calibration: Calibration) -> list[Candidate]:
    """What lies round a plain square, its own outline left out."""
    side = 2.0 * calibration.stage_mm
    half = min(float(np.abs(_picture_mm(image, calibration)).max()), LARGEST_REACH * side)
    corners = _picture_mm(image, calibration)
    found = []
    for thing in find_candidates(flatten(image, calibration, half_mm=half)):
        x, y = thing.centre_mm
        own = max(abs(x), abs(y)) < side / 2 + SQUARE_MARGIN_MM
        if not own and _within(corners, (x, y), thing.radius_mm):
            found.append(thing)
    return found


def _picture_mm(image: LightImage, calibration: Calibration) -> FloatArray:
    """The photograph's corners (4, 2) in the card's plane, in order round it."""
    w, h = image.width_px - 1.0, image.height_px - 1.0
    corners = calibration.view.to_plane(np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]))
    return np.nan_to_num(corners, nan=0.0)


def _within(corners: FloatArray, centre: tuple[float, float], radius: float) -> bool:
    """Whether a circle lies inside a convex quadrilateral."""
    edges = np.roll(corners, -1, axis=0) - corners
    to_centre = np.array(centre) - corners
    across = edges[:, 0] * to_centre[:, 1] - edges[:, 1] * to_centre[:, 0]
    distance = across / np.maximum(np.linalg.norm(edges, axis=1), 1e-9)
    return bool((distance > radius).all() or (distance < -radius).all())


def _refuse(image: LightImage, calibration: Calibration, found: list[Candidate]) -> None:
    """Say why nothing can be measured."""
    plain = calibration.reference.plain
    stage = "the stage" if not plain else "the picture"
    touching = [thing for thing in found if thing.touches_edge]
    if found and len(touching) < len(found):
        raise NotRoundThing(
            f"something lies on {stage}, but no round edge of it is seen",
            "a round stone or a tube on its end, its edge clear of shadows",
            "turn the light so that the edge stands out all round; for a stone that isn't round add --shape auto",
        )
    if touching:
        raise TouchesFrame(
            "what lies on the stage reaches the black frame" if not plain else "it runs out of the picture",
            "white paper all round the stone or tube",
            "move it to the middle of the frame, or use the larger card",
        )
    if not plain and _outside(image, calibration):
        raise OutsideStage(
            "nothing lies inside the black frame, but something round lies outside of it",
            "the stone or tube on the white paper inside the frame",
            "move it into the frame and photograph again",
        )
    raise NothingOnStage(
        f"nothing lies on {stage}",
        "a stone or tube on the white paper inside the black frame" if not plain else "a stone beside the square",
        "lay it in the middle of the frame; if it is there, turn the light so that its edge stands out",
    )


def _outside(image: LightImage, calibration: Calibration) -> bool:
    """Whether something round lies on the paper outside of frame and markers."""
    inner = calibration.stage_mm
    outer = calibration.reference.side_mm - inner  # the band is as wide outside of its midline as inside
    half = min(float(np.abs(_picture_mm(image, calibration)).max()), LARGEST_REACH * inner)
    if half <= outer:
        return False
    return any(
        thing.round
        and thing.coverage > OTHER_COVERAGE
        and max(abs(thing.centre_mm[0]), abs(thing.centre_mm[1])) > outer + thing.radius_mm
        for thing in find_candidates(flatten(image, calibration, half_mm=half))
    )
