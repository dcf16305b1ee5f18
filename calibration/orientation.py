"""The camera's own frame and the upright picture: quarter turns of points and of lenses.

A phone lies flat over the table and stores the same scene turned one way or another, with a tag that says how to
turn it upright. The lens belongs to the sensor, so profiles are kept in the sensor's frame.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimsight.calibration.camera import Camera
from rimsight.calibration.pixels import FloatArray

#: EXIF orientation (CIPA DC-008, tag 274) -> quarter turns clockwise that make the stored picture upright. The other
#: four values are mirror images, which no camera lens makes.
QUARTER_TURNS = {1: 0, 6: 1, 3: 2, 8: 3}


def quarter_turns(orientation: int | None) -> int | None:
    """Quarter turns clockwise from the sensor's picture to the upright one; None for a mirror image.

    A picture without a tag counts as upright.
    """
    return QUARTER_TURNS.get(1 if orientation is None else orientation)


def turned_size(size: tuple[int, int], turns: int) -> tuple[int, int]:
    """Width and height after quarter turns."""
    return size if turns % 2 == 0 else (size[1], size[0])


def turned_points(points_px: FloatArray, size: tuple[int, int], turns: int) -> FloatArray:
    """Turn points with their picture.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        In the picture before the turn.
    size : (int, int)
        Width and height before the turn.
    turns : int
        Quarter turns clockwise, as the picture is seen; negative for the other way.
    """
    points = np.array(points_px, dtype=np.float64)
    for _ in range(turns % 4):
        # The top edge becomes the right one: x' = height - 1 - y, y' = x.
        points = np.column_stack([size[1] - 1 - points[:, 1], points[:, 0]])
        size = (size[1], size[0])
    return points


def turned_camera(camera: Camera, size: tuple[int, int], turns: int) -> Camera:
    """The lens as the turned picture has it; see `turned_points`."""
    for _ in range(turns % 4):
        camera = replace(camera, cx_px=size[1] - 1 - camera.cy_px, cy_px=camera.cx_px, p1=camera.p2, p2=-camera.p1)
        size = (size[1], size[0])
    return camera


def turned_covariance(covariance: FloatArray, turns: int) -> FloatArray:
    """Covariance (5, 5) of (log f, k1, k2, cx, cy) as the turned picture has it."""
    turn = np.eye(5)
    quarter = np.eye(5)
    quarter[3:, 3:] = [[0.0, -1.0], [1.0, 0.0]]
    for _ in range(turns % 4):
        turn = quarter @ turn
    return np.asarray(turn @ covariance @ turn.T)


def scaled_camera(camera: Camera, factor: float) -> Camera:
    """The lens of a picture that is `factor` times as large; pixels' centres move by the half-pixel rule."""
    return replace(
        camera,
        f_px=camera.f_px * factor,
        cx_px=(camera.cx_px + 0.5) * factor - 0.5,
        cy_px=(camera.cy_px + 0.5) * factor - 0.5,
    )
