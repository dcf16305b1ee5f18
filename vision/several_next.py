"""One more photograph of a scene: what heights would be known to with it, and where from it would be taken best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.baseline import (
    LARGEST_ANGLE_DEG,
    MOVES_MM,
    PLANNED_CIRCLE,
    moved_along,
    planned_square,
)
from rimsight.calibration.camera import View
from rimsight.calibration.multiview import covariance_at
from rimsight.calibration.sighting import SeenCircle, Sighting, Solved
from rimsight.vision.several import Common, circles_of, known_heights, near_u_mm, sightings_of
from rimsight.vision.several_edges import Known

FloatArray = NDArray[np.float64]

#: Shorter than this a distance between two places of the camera says no direction, millimetres.
SMALLEST_APART_MM = 3.0
#: From nearer by than this light and shadow lie on an edge much as they do in the photograph that is there, so that its
#: error would be the same and nothing gained, millimetres (judgement).
SMALLEST_MOVE_MM = 30.0
#: Scatter of the points of an edge that shows clearly all round, pixels.
CLEAR_POINT_PX = 0.3


@dataclass(frozen=True)
class NextPhoto:
    """Where one more photograph would be taken from.

    Parameters
    ----------
    beyond : int
        The photograph beyond which, away from the others.
    move_mm : float
        How far from it.
    u_mm : float
        Standard uncertainty of the worst height then.
    view : View
        The place.
    """

    beyond: int
    move_mm: float
    u_mm: float
    view: View


def worst_level(solved: Solved) -> str:
    """The level whose height is known worst."""
    return max(solved.heights, key=solved.u)


def with_clear_edges(kind: str, common: Common, known: Known, u_centre_px: float) -> Solved:
    """What the same places would tell if every edge showed clearly all round, its centre located to so many pixels."""
    sightings = []
    for one, own in zip(sightings_of(common.shots, common.edges), common.edges, strict=True):
        circles = tuple(
            replace(
                seen,
                weights=np.ones(len(seen.weights)),
                u_point_px=min(seen.u_point_px, CLEAR_POINT_PX),
                u_centre_mm=min(seen.u_centre_mm, u_centre_px / own[seen.name].edge.px_per_mm),
            )
            for seen in one.circles
        )
        sightings.append(replace(one, circles=circles))
    return _told(kind, common, known, sightings)


def next_photo(kind: str, common: Common, known: Known, wanted_u_mm: Sequence[float]) -> NextPhoto | None:
    """The shortest move for one more photograph that tells every height well enough.

    Its edges are expected to be located as well as those of the photographs that are there.

    Parameters
    ----------
    kind : str
        "stone", "tube" or "rim".
    common : Common
        The photographs that are there, solved.
    known : Known
        What was typed.
    wanted_u_mm : sequence of float
        Wanted standard uncertainties of the worst height, the best one first; a later one counts where no move gives
        one before it.

    Returns
    -------
    NextPhoto or None
        None where no move gives any of them.
    """
    present = sightings_of(common.shots, common.edges)
    found: list[NextPhoto] = []
    for beyond, move, view in _places(common):
        extra = _planned(common, present, beyond, view)
        solved = _told(kind, common, known, [*present, extra])
        found.append(NextPhoto(beyond, move, solved.u(worst_level(solved)), view))
    for wanted in wanted_u_mm:
        good = [one for one in found if one.u_mm <= wanted]
        if good:
            return min(good, key=lambda one: (one.move_mm, one.u_mm))
    return None


def _told(kind: str, common: Common, known: Known, sightings: Sequence[Sighting]) -> Solved:
    known_mm, apart_mm = known_heights(kind, known)
    return covariance_at(
        sightings,
        circles_of(common.edges, common.chamfers),
        heights_mm=common.solved.heights,
        u_proportion=max(shot.calibration.u_proportion for shot in common.shots),
        known_mm=known_mm,
        apart_mm=apart_mm,
    )


def _places(common: Common) -> list[tuple[int, float, View]]:
    """Places beyond each photograph, away from the others, from where the card is still seen well."""
    views = common.solved.views
    target = _target(common)
    places = np.array([view.position_mm for view in views])
    found = []
    for k, view in enumerate(views):
        away = (places[k] - np.delete(places, k, axis=0).mean(axis=0))[:2]
        if np.hypot(*away) < SMALLEST_APART_MM:
            away = np.array([1.0, 0.0])
        for move in (move for move in MOVES_MM if move >= SMALLEST_MOVE_MM):
            moved = moved_along(view, (float(target[0]), float(target[1])), away, move)
            aside = moved.position_mm - np.array([*target, 0.0])
            if np.degrees(np.arctan2(np.hypot(*aside[:2]), abs(aside[2]))) <= LARGEST_ANGLE_DEG:
                found.append((k, move, moved))
    return found


def _target(common: Common) -> FloatArray:
    return np.asarray(np.mean([circle[:2] for circle in common.solved.circles.values()], axis=0))


def _planned(common: Common, present: Sequence[Sighting], like: int, view: View) -> Sighting:
    """A photograph from another place, its edges located as usual for this scene."""
    shot = common.shots[like]
    reference = shot.calibration.reference
    half_mm = 0.5 * reference.side_mm * np.array([reference.scale_across, reference.scale_down])
    own = [seen for one in present for seen in one.circles]
    circles = []
    for name, (x, y, radius) in common.solved.circles.items():
        same = [seen for seen in own if seen.name == name]
        angle = np.arange(PLANNED_CIRCLE) * 2.0 * np.pi / PLANNED_CIRCLE
        points = np.column_stack([np.cos(angle), np.sin(angle)]) * radius + (x, y)
        height = common.height_mm(name)
        # As many points as a photograph gives, by their weights, count together as these fewer ones do.
        shown = float(np.mean([seen.weights.sum() for seen in same])) / PLANNED_CIRCLE
        doubts = (
            float(np.sqrt(np.mean([getattr(seen, what) ** 2 for seen in same])))
            for what in ("u_point_px", "u_centre_mm", "u_radius_mm", "u_oval_mm")
        )
        seen = SeenCircle(name, view.to_pixels(points, height), np.full(PLANNED_CIRCLE, shown), 0.0, *doubts)
        near = near_u_mm(view, (x, y), radius, "outer" in common.solved.circles, height) if name == "stone" else 0.0
        circles.append(replace(seen, u_near_mm=near))
    return Sighting(planned_square(view, half_mm), view, tuple(circles), shot.prior, shot.camera)

