"""Finding the many small things of a parcel on one card, and which of them touch."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate, Stage, find_candidates, flatten
from rimsight.vision.shape_mask import blobs

FloatArray = NDArray[np.float64]

#: Rounds of looking; what was found is covered up before the next.
LARGEST_ROUNDS = 6
#: What was found is covered this far out, as a share of its radius, and by this much, millimetres.
COVER_SHARE, COVER_MM = 1.15, 0.15
#: After the first round a thing must show on this share of its round: what is left over are shadows and caustics.
LATER_COVERAGE = 0.5
#: Larger leftovers are shadows that run together, millimetres.
LARGEST_BLOB_MM = 3.0
#: Smaller things are dust.
SMALLEST_RADIUS_MM = 0.4


def find_pieces(image: LightImage, calibration: Calibration) -> list[Candidate]:
    """Find the round things on the stage, row by row as the card is printed.

    Parameters
    ----------
    image : LightImage
        The photograph.
    calibration : Calibration
        Its geometry.

    Returns
    -------
    list of Candidate
        Those wholly on the stage.
    """
    stage = flatten(image, calibration)
    found: list[Candidate] = []
    for round_number in range(LARGEST_ROUNDS):
        fresh = [
            thing
            for thing in find_candidates(stage)
            if thing.round
            and not thing.touches_edge
            and thing.radius_mm >= SMALLEST_RADIUS_MM
            and (round_number == 0 or thing.coverage >= LATER_COVERAGE)
            and not any(_same(thing, other) for other in found)
        ]
        if not fresh:
            break
        found += fresh
        stage = _covered(stage, fresh)
    # What shows no ring at this resolution is still a thing; whether it is a stone is for the measurement to tell.
    for blob in blobs(stage):
        if not blob.touches_edge and blob.radius_mm >= SMALLEST_RADIUS_MM and blob.radius_mm < LARGEST_BLOB_MM:
            x, y = (float(v) for v in blob.centre_mm)
            thing = Candidate((x, y), blob.radius_mm, 0.0, True, False)
            if not any(_near(thing, other) for other in found):
                found.append(thing)
    return in_rows(found)


def _near(one: Candidate, other: Candidate) -> bool:
    """Whether a leftover is the rest of something found: its shadow or its edge."""
    away = np.hypot(one.centre_mm[0] - other.centre_mm[0], one.centre_mm[1] - other.centre_mm[1])
    return bool(away < other.radius_mm + 0.6 * one.radius_mm)


def _same(one: Candidate, other: Candidate) -> bool:
    away = np.hypot(one.centre_mm[0] - other.centre_mm[0], one.centre_mm[1] - other.centre_mm[1])
    return bool(away < max(one.radius_mm, other.radius_mm))


def _covered(stage: Stage, things: list[Candidate]) -> Stage:
    """The stage with things painted over in the colour of the paper round them."""
    codes = stage.codes.copy()
    mask = np.zeros(codes.shape[:2], dtype=np.uint8)
    for thing in things:
        x, y = (np.array(thing.centre_mm) + stage.half_mm) * stage.px_per_mm - 0.5
        radius = (COVER_SHARE * thing.radius_mm + COVER_MM) * stage.px_per_mm
        cv2.circle(mask, (round(float(x)), round(float(y))), round(float(radius)), 1, -1)
    paper = np.median(codes[mask == 0], axis=0)
    codes[mask > 0] = paper
    # A hard edge of the paint would be found as a ring: let it fade.
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 3.0)[:, :, None]
    blurred = cv2.GaussianBlur(codes, (0, 0), 3.0)
    return replace(stage, codes=np.asarray(codes * (1.0 - soft) + blurred * soft, dtype=np.float32))


def in_rows(things: list[Candidate]) -> list[Candidate]:
    """Order things as one reads: rows from the top of the card, each from the left."""
    if not things:
        return []
    height = 1.5 * float(np.median([2.0 * thing.radius_mm for thing in things]))
    left = sorted(things, key=lambda thing: thing.centre_mm[1])
    rows: list[list[Candidate]] = []
    for thing in left:
        if rows and thing.centre_mm[1] - rows[-1][0].centre_mm[1] < height:
            rows[-1].append(thing)
        else:
            rows.append([thing])
    return [thing for row in rows for thing in sorted(row, key=lambda one: one.centre_mm[0])]
