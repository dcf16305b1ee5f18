"""Rings of several photographs of a tube's end in combinations, each at the height at which it is one circle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.height import TUBE_LENGTH_MM
from rimsight.vision.outline import RoundEdge
from rimsight.vision.several_edges import Known, Shot
from rimsight.vision.several_rings import Matched, lifted, matched
from rimsight.vision.tube_edges import face_edges

FloatArray = NDArray[np.float64]

Rings = list[tuple[float, RoundEdge]]

#: A tube's end is looked for between these heights above the table, millimetres; its foot lies at 0.
HEIGHTS_MM = (0.5, 16.0)
#: A typed length is right within this, millimetres.
TYPED_WITHIN_MM = 0.5
#: Where the best combination scores less than this, the subject is looked for at so many places as well.
WEAK_SCORE, PLACES = 0.35, 6


def plane_mm(known: Known) -> float:
    """Height above the card at which rings are looked for; they are matched at any."""
    return (known.length.mm if known.length is not None else TUBE_LENGTH_MM) - known.card_height_mm


def matched_rings(shots: Sequence[Shot], known: Known) -> list[Matched]:
    """Rings of the photographs in combinations, at heights that a tube's end may have, the best first.

    The last ones are no circles; `SMALLEST_SCORE` parts them.
    """
    plane = plane_mm(known)
    rings = [rings_of(shot, _rough(shot, plane), plane) for shot in shots]
    found = _matched(shots, rings, known)
    if (not found or found[0].score < WEAK_SCORE) and any(rings):
        # In some photograph the subject may stand elsewhere than it seemed: look along the way its height moves it.
        lead = max((k for k, own in enumerate(rings) if own), key=lambda k: max(merit for merit, _ in rings[k]))
        for k, shot in enumerate(shots):
            if k != lead:
                rings[k] = [*rings[k], *_along(shots[lead], rings[lead], shot, plane)]
        found = _matched(shots, rings, known)
    return found


def rings_of(shot: Shot, rough: tuple[FloatArray, float], plane: float) -> Rings:
    """Rings of one photograph with their merits, round a rough centre and radius in a plane."""
    own = shot.calibration
    edges = face_edges(
        shot.image, own.view, *rough, plane, max(own.blur_px, 0.5), overshoot=own.overshoot_share
    )
    return [(item.merit, item.edge) for item in edges]


def _along(leader: Shot, lead: Rings, shot: Shot, plane: float) -> Rings:
    """Rings of a photograph round every place where another's best ring may appear in it."""
    circle = max(lead, key=lambda item: item[0])[1].circle
    found: Rings = []
    done: list[FloatArray] = []
    for height in np.linspace(*HEIGHTS_MM, PLACES):
        centre, radius = lifted(leader.calibration.view, circle.centre, circle.radius, plane, float(height))
        rough = lifted(shot.calibration.view, centre, radius, float(height), plane)
        if all(float(np.hypot(*(rough[0] - other))) > 0.3 * rough[1] for other in done):
            done.append(rough[0])
            found += rings_of(shot, (rough[0], max(rough[1], _rough(shot, plane)[1])), plane)
    return found


def _matched(shots: Sequence[Shot], rings: Sequence[Rings], known: Known) -> list[Matched]:
    if not all(rings):
        return []
    plane = plane_mm(known)
    low, high = (height - known.card_height_mm for height in HEIGHTS_MM)
    if known.length is not None:
        low, high = plane - TYPED_WITHIN_MM, plane + TYPED_WITHIN_MM
    found = matched([shot.calibration.view for shot in shots], rings, plane)
    return [one for one in found if low < one.height_mm < high]


def _rough(shot: Shot, height_mm: float) -> tuple[FloatArray, float]:
    """Rough centre and radius of the subject in a plane."""
    view = shot.calibration.view
    centre = view.to_plane(view.to_pixels(np.array([shot.candidate.centre_mm])), height_mm)[0]
    return centre, shot.candidate.radius_mm * (1.0 - height_mm / view.distance_mm)


def seen_radius_mm(shots: Sequence[Shot], height_mm: float) -> float:
    """The subject's radius as seen from afar, the median of the photographs."""
    return float(np.median([_rough(shot, height_mm)[1] for shot in shots]))
