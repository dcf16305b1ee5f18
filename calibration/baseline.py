"""How well a second photograph would tell a height: what the square gives to a common solution, and how far to move."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from rimsight.calibration import band
from rimsight.calibration.bundle import SeenLines
from rimsight.calibration.camera import View
from rimsight.calibration.multiview import FIT, covariance_at, solve_scene
from rimsight.calibration.pixels import FloatArray
from rimsight.calibration.pose import EDGE_U_PX, Prior
from rimsight.calibration.sighting import LevelCircle, SeenCircle, Sighting, Solved
from rimsight.calibration.square import Calibration

#: Sideways moves that are weighed, millimetres; nobody holds a phone more exactly than that.
MOVES_MM = (10.0, 20.0, 30.0, 40.0, 50.0, 70.0, 100.0, 150.0)
#: A photograph from further to the side than this shows the far side of the frame out of focus, degrees.
LARGEST_ANGLE_DEG = 30.0
#: Points of a side of the square and of a circle in a photograph that is only planned.
PLANNED_SIDE, PLANNED_CIRCLE = 24, 72


def seen_square(calibration: Calibration) -> SeenLines:
    """The square's edge points of one photograph, as `multiview` takes them.

    Raises
    ------
    ValueError
        The calibration carries no edge points.
    """
    edges, reference = calibration.edges, calibration.reference
    if edges is None:
        raise ValueError("this calibration carries no edge points")
    kept = np.full(len(edges.side), True) if calibration.kept is None else calibration.kept
    normals = band.NORMALS[edges.side[kept]]
    half = 0.5 * reference.side_mm * (np.abs(normals) @ (reference.scale_across, reference.scale_down))
    u_px = max(EDGE_U_PX, calibration.straightness_px)
    return SeenLines(edges.edge_px[:, kept], normals, edges.edge_place[:, None] * half, np.full(len(normals), u_px))


def joined_views(calibrations: list[Calibration], priors: list[Prior], cameras: list[int]) -> tuple[View, ...]:
    """The photographs' views with what they tell together of their common camera; no subject is needed."""
    sightings = [
        Sighting(seen_square(calibration), calibration.view, (), prior, camera)
        for calibration, prior, camera in zip(calibrations, priors, cameras, strict=True)
    ]
    u_proportion = max(calibration.u_proportion for calibration in calibrations)
    return solve_scene(sightings, (), heights_mm={}, u_proportion=u_proportion).views


@dataclass(frozen=True)
class Planned:
    """A circle on a scene that another photograph is planned of.

    Parameters
    ----------
    x_mm, y_mm, radius_mm, height_mm : float
        Where it lies, card millimetres.
    u_mm : float
        Standard uncertainty of the radius that one photograph gives by how well its edge can be located.
    u_centre_mm : float
        The same of each coordinate of the centre.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    height_mm: float
    u_mm: float
    u_centre_mm: float


def after_move(calibration: Calibration, prior: Prior, circle: Planned, move_mm: float) -> tuple[float, float]:
    """What a second photograph from a place `move_mm` to the side would leave.

    Parameters
    ----------
    calibration : Calibration
        Of the first photograph.
    prior : Prior
        What was known of the camera beforehand.
    circle : Planned
        The circle whose height is asked for.
    move_mm : float
        How far the camera moves sideways, turned towards the same place.

    Returns
    -------
    u_height_mm : float
        Standard uncertainty of the height.
    u_diameter_mm : float
        Standard uncertainty of the diameter by everything but how well its edge can be located.
    """
    first = calibration.view
    views = (first, moved_sideways(first, (circle.x_mm, circle.y_mm), move_mm))
    return from_views(calibration, prior, circle, views)


def from_views(calibration: Calibration, prior: Prior, circle: Planned, views: tuple[View, ...]) -> tuple[float, float]:
    """What photographs from these places by one camera would leave; see `after_move`."""
    reference = calibration.reference
    half_mm = 0.5 * reference.side_mm * np.array([reference.scale_across, reference.scale_down])
    # The radius itself is left out: here only what height, pose and camera do to it is asked for.
    sightings = [
        Sighting(
            planned_square(view, half_mm),
            view,
            (
                SeenCircle(
                    "it", _planned_circle(view, circle), np.ones(PLANNED_CIRCLE), 0.0, 0.2, circle.u_centre_mm, 1e-6
                ),
            ),
            prior,
        )
        for view in views
    ]
    solved: Solved = covariance_at(
        sightings,
        (LevelCircle("it", "level"),),
        heights_mm={"level": circle.height_mm},
        u_proportion=calibration.u_proportion,
    )
    k = solved.names.index("it radius")
    geometry = sum(float(part[k, k]) for name, part in solved.sources.items() if name != FIT)
    return solved.u("level"), 2.0 * float(np.sqrt(geometry))


def needed_move_mm(
    calibration: Calibration, prior: Prior, circle: Planned, u_height_mm: float
) -> tuple[float, float] | None:
    """The shortest move that tells a height at least this well, and what it leaves; None where none does.

    Parameters
    ----------
    calibration, prior, circle
        As for `after_move`.
    u_height_mm : float
        Wanted standard uncertainty of the height.

    Returns
    -------
    (float, float) or None
        Millimetres to the side, and the standard uncertainty of the height after it.
    """
    for move in MOVES_MM:
        if move > furthest_move_mm(calibration):
            break
        u, _ = after_move(calibration, prior, circle, move)
        if u <= u_height_mm:
            return move, u
    return None


def furthest_move_mm(calibration: Calibration) -> float:
    """How far to the side a photograph still sees the card well, millimetres."""
    return calibration.view.distance_mm * float(np.tan(np.radians(LARGEST_ANGLE_DEG)))


def baseline_mm(views: tuple[View, ...]) -> float:
    """Largest distance between the places of the cameras."""
    places = [view.position_mm for view in views]
    return max(float(np.linalg.norm(a - b)) for a in places for b in places)


def moved_sideways(view: View, towards_mm: tuple[float, float], move_mm: float) -> View:
    """The camera moved sideways, away from where it leans, and turned so that a place on the card stays where it was.

    Parameters
    ----------
    view : View
        The camera as it is.
    towards_mm : tuple of 2 floats
        Place on the card, millimetres.
    move_mm : float
        How far.
    """
    # Away from the foot of the perpendicular is further to the side; straight above, any way does.
    lean = np.array(towards_mm) - view.position_mm[:2]
    way = -lean / np.linalg.norm(lean) if np.linalg.norm(lean) > 1.0 else np.array([1.0, 0.0])
    # Across the present lean: more tilt would only cost sharpness.
    return moved_along(view, towards_mm, np.array([-way[1], way[0]]), move_mm)


def moved_along(view: View, towards_mm: tuple[float, float], way: FloatArray, move_mm: float) -> View:
    """The camera moved level along a direction, and turned so that a place on the card stays where it was.

    Parameters
    ----------
    view : View
        The camera as it is.
    towards_mm : tuple of 2 floats
        Place on the card, millimetres.
    way : ndarray of shape (2,)
        Direction, on the card's axes; its length doesn't count.
    move_mm : float
        How far.
    """
    place, target = view.position_mm, np.array([*towards_mm, 0.0])
    there = place + move_mm * np.array([*(way / np.linalg.norm(way)), 0.0])
    before, after = target - place, target - there
    turn = _turn(before / np.linalg.norm(before), after / np.linalg.norm(after))
    rotation = view.rotation @ turn.T
    t = -rotation @ there
    rvec = np.asarray(cv2.Rodrigues(rotation)[0], dtype=np.float64).reshape(3)
    return View(view.camera, (float(rvec[0]), float(rvec[1]), float(rvec[2])), (float(t[0]), float(t[1]), float(t[2])))


def _turn(one: FloatArray, other: FloatArray) -> FloatArray:
    """The smallest rotation (3, 3) that carries one unit vector into another."""
    axis = np.cross(one, other)
    sine, cosine = float(np.linalg.norm(axis)), float(one @ other)
    if sine < 1e-12:
        return np.eye(3)
    return np.asarray(cv2.Rodrigues(axis / sine * np.arctan2(sine, cosine))[0], dtype=np.float64)


def planned_square(view: View, half_mm: FloatArray) -> SeenLines:
    """The square's edge points in a photograph that is only planned.

    Parameters
    ----------
    view : View
        Where it would be taken from.
    half_mm : ndarray of shape (2,)
        Half the square's sides, across and down.
    """
    side = np.repeat(np.arange(4), PLANNED_SIDE)
    along = np.tile(np.linspace(-0.85, 0.85, PLANNED_SIDE), 4)
    points = (band.NORMALS[side] + band.DIRECTIONS[side] * along[:, None]) * half_mm
    normals = band.NORMALS[side]
    # As many points as a photograph gives count together as these fewer ones do.
    u_px = EDGE_U_PX * (PLANNED_SIDE / band.PROFILES_PER_SIDE) ** 0.5
    offsets = (np.abs(normals) @ half_mm)[None]
    return SeenLines(view.to_pixels(points)[None], normals, offsets, np.full(len(side), u_px))


def _planned_circle(view: View, circle: Planned) -> FloatArray:
    angle = np.arange(PLANNED_CIRCLE) * 2.0 * np.pi / PLANNED_CIRCLE
    points = np.column_stack([np.cos(angle), np.sin(angle)]) * circle.radius_mm + (circle.x_mm, circle.y_mm)
    return view.to_pixels(points, circle.height_mm)
