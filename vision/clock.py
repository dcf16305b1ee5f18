"""A direction on the card as a position on the clock face that is seen in the upright photograph."""

from __future__ import annotations

import numpy as np

from rimsight.calibration.camera import View

#: Step along the direction, millimetres: short enough for perspective not to bend it.
STEP_MM = 0.1


def clock_in_photo(
    view: View, centre_mm: tuple[float, float], direction: tuple[float, float], height_mm: float
) -> float:
    """Where a direction points in the photograph: 12 is up, 3 is right.

    Parameters
    ----------
    view : View
        Geometry of the photograph.
    centre_mm : tuple of 2 floats
        From where it points, card millimetres.
    direction : tuple of 2 floats
        Unit vector in the card's plane, x right and y down as printed.
    height_mm : float
        Height above the card.

    Returns
    -------
    float
        Hours, above 0 up to 12.

    Raises
    ------
    ValueError
        The direction has no length.
    """
    start = np.asarray(centre_mm, dtype=np.float64)
    step = np.asarray(direction, dtype=np.float64)
    if not np.hypot(*step) > 0:
        raise ValueError("a direction of no length points nowhere")
    seen = view.to_pixels(np.vstack([start, start + STEP_MM * step]), height_mm)
    dx, dy = seen[1] - seen[0]
    hours = float(np.degrees(np.arctan2(dx, -dy)) / 30.0 % 12.0)
    return hours if hours > 0 else 12.0
