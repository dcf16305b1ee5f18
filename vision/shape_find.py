"""Which of the things on the stage is the stone whose outline is wanted."""

from __future__ import annotations

from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate, flatten
from rimsight.vision.shape_mask import Blob, blobs
from rimsight.vision.subjects import NothingOnStage, Subject, TouchesFrame, choose

#: Something beside the largest thing is another stone from this share of its size on; less is a spark of light that
#: the stone throws, or dust.
OTHER_SHARE = 0.3
#: Things nearer to each other than this are parts of one clear stone, millimetres.
PARTS_MM = 1.0


def find_stone(image: LightImage, calibration: Calibration, pick: int | None = None) -> Blob:
    """Find the one stone that lies on the stage, or the one that was picked, counted from the left.

    Raises
    ------
    NothingOnStage, SeveralSubjects, TouchesFrame
        There is none, there are several and none was picked, or it reaches the frame.
    ValueError
        There is no such number.
    """
    stage = flatten(image, calibration)
    stones = _large(blobs(stage))
    if len(stones) > 1:
        stones = _large(blobs(stage, closing_mm=PARTS_MM))
    if not stones:
        raise NothingOnStage(
            "nothing lies on the stage",
            "a stone on the white paper inside the black frame",
            "lay it in the middle of the frame; if it is there, turn the light so that its edge stands out",
        )
    stones.sort(key=lambda thing: float(thing.centre_mm[0]))
    subjects = tuple(_subject(stone) for stone in stones)
    candidate = choose(subjects, pick, "stone")
    chosen = stones[[subject.candidate for subject in subjects].index(candidate)]
    if chosen.touches_edge:
        raise TouchesFrame(
            "what lies on the stage reaches the black frame",
            "white paper all round the stone",
            "move it to the middle of the frame, or use the larger card",
        )
    return chosen


def _large(things: list[Blob]) -> list[Blob]:
    """The largest thing and those that aren't much smaller."""
    return [thing for thing in things if thing.radius_mm >= OTHER_SHARE * things[0].radius_mm]


def _subject(stone: Blob) -> Subject:
    x, y = (float(v) for v in stone.centre_mm)
    return Subject(Candidate((x, y), stone.radius_mm, 0.0, False, stone.touches_edge), (x, y), stone.radius_mm)
