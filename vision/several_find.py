"""The same subject in every photograph of a scene."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import CROWN_SHARE, TUBE_LENGTH_MM
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.subjects import Subject, choose

FloatArray = NDArray[np.float64]

#: Highest thing that is looked for, millimetres: so far apart may its places on the card look.
HIGHEST_MM = 16.0
#: How much the size of what was found from afar counts, which may be that of a ring within: a factor of e counts as
#: much as lying this share of a radius away.
SIZE_WEIGHT = 0.3
#: Two things in one place, one above the other, are a tube's foot and its end.
SAME_PLACE = 0.5
#: What lies lower than this is no tube's end but its foot, its shadow or a mark on the card, millimetres: places found
#: from afar tell a height to about half a millimetre.
LOW_MM = 1.5
#: Things whose radii differ by this factor (logarithm) or more are not one thing seen whole in both photographs.
WHOLE_LOG = 0.2


class NotInAll(PhotoError):
    """The subject of one photograph is not in another."""

    kind = "not_in_all_photos"


def same_subject(
    names: list[str],
    calibrations: list[Calibration],
    subjects: list[tuple[Subject, ...]],
    pick: int | None,
    what: str,
) -> list[Candidate]:
    """The candidate in each photograph that is the subject of all.

    The number of `--pick` counts in the first photograph. In the others the thing is taken that lies where a height
    from 0 to 16 mm would put it, and is of much the same size.

    Parameters
    ----------
    names : list of str
        The photographs, for messages.
    calibrations : list of Calibration
        Their geometry, with the views that they give together.
    subjects : list of tuple of Subject
        What lies there in each.
    pick : int or None
        Which one of the first photograph's is meant.
    what : str
        "stone" or "tube", for messages.

    Raises
    ------
    SeveralSubjects
        Several could be meant in every photograph.
    NotInAll
        A photograph shows nothing where the subject would be.
    """
    alone = [k for k, found in enumerate(subjects) if len(found) == 1]
    if pick is None and not alone:
        chosen, leader = _highest(calibrations, subjects, what) or choose(subjects[0], None, what), 0
    else:
        # The photograph that shows it on most of its round is the surest.
        leader = 0 if pick is not None else max(alone, key=lambda k: subjects[k][0].candidate.coverage)
        chosen = choose(subjects[leader], pick, what)
    found = []
    for k, others in enumerate(subjects):
        if k == leader:
            found.append(chosen)
            continue
        matches = [_match(calibrations[leader], chosen, calibrations[k], one.candidate) for one in others]
        best = min(matches, key=lambda match: match.unlike)
        if best.away > 1.0:
            raise NotInAll(
                f"what lies on the card in {names[leader]} is not there in {names[k]}",
                "photos of one untouched scene",
                "name photos of one scene only; move only the camera between them",
            )
        whole = abs(float(np.log(best.candidate.radius_mm / chosen.radius_mm))) < WHOLE_LOG
        found.append(best.candidate if whole else _expected(calibrations[leader], chosen, calibrations[k], what))
    return found


def _expected(one: Calibration, a: Candidate, other: Calibration, what: str) -> Candidate:
    """Where a thing would be seen in another photograph at a usual height."""
    first = np.array(a.centre_mm)
    way = other.view.slant(first[None])[0] - one.view.slant(first[None])[0]
    height = TUBE_LENGTH_MM if what == "tube" else CROWN_SHARE * 2.0 * a.radius_mm
    x, y = (float(value) for value in first - height * way)
    return replace(a, centre_mm=(x, y))


class _Match(NamedTuple):
    """One thing in two photographs, if it is one."""

    candidate: Candidate
    away: float
    unlike: float
    height_mm: float
    place_mm: FloatArray


def _match(one: Calibration, a: Candidate, other: Calibration, b: Candidate) -> _Match:
    """How well two candidates can be the same thing at some height."""
    first, second = np.array(a.centre_mm), np.array(b.centre_mm)
    # Seen on the card, a thing at height h lies h * slant further from the camera's foot than it is.
    own = one.view.slant(first[None])[0]
    way = other.view.slant(first[None])[0] - own
    apart = first - second
    length = float(way @ way)
    height = float(np.clip(apart @ way / length, 0.0, HIGHEST_MM)) if length > 1e-9 else 0.0
    left = float(np.hypot(*(apart - height * way)))
    away = left / max(a.radius_mm, b.radius_mm, 1.0)
    size = abs(float(np.log(b.radius_mm / a.radius_mm)))
    return _Match(b, away, float(np.hypot(away, SIZE_WEIGHT * size)), height, first + height * own)


def _highest(
    calibrations: list[Calibration], subjects: list[tuple[Subject, ...]], what: str
) -> Candidate | None:
    """Of several things in every photograph the highest, if they stand in one place or the others lie on the card.

    None where neither is so: then several things could be meant.
    """
    found = []
    for one in subjects[0]:
        matches = [
            min((_match(calibrations[0], one.candidate, calibration, other.candidate) for other in others),
                key=lambda match: match.unlike)
            for calibration, others in zip(calibrations[1:], subjects[1:], strict=True)
        ]  # fmt: skip
        if all(match.away < SAME_PLACE for match in matches):
            found.append((one.candidate, matches[0]))
    if not found:
        return None
    high = [item for item in found if item[1].height_mm > LOW_MM]
    if what == "tube" and len(high) == 1 and len(found) == len(subjects[0]):
        return high[0][0]
    places = np.array([match.place_mm for _, match in found])
    if np.hypot(*np.ptp(places, axis=0)) > SAME_PLACE * max(one.radius_mm for one, _ in found):
        return None
    return max(found, key=lambda item: item[1].height_mm)[0]
