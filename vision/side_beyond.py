"""Whether a lying tube's metal goes on beyond a line that was taken for its side: a streak of light, not the side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.side_model import Lie, axis_points_px, from_ideal, ideal_view

FloatArray = NDArray[np.float64]

#: Where the light is compared, as shares of the radius that was read: on the tube, and beyond its side.
ON_TUBE, BEYOND = (-0.5, -0.25, 0.0, 0.25, 0.5), (1.25, 1.4, 1.6)
#: Along the tube, as shares of half its length: beside it, and past its ends, where paper lies.
BESIDE, PAST = (-0.7, -0.35, 0.0, 0.35, 0.7), (-1.35, 1.35)
#: Metal whose colour differs less than this from the paper's is as good as grey: then this can't be told.
LEAST_COLOUR = 0.03
#: From this share on it is metal that lies there: 1.8 beyond a streak that was read for a side, 0.21 at most beside the
#: 18 other tubes that were read (set `side`).
METAL = 0.5
#: Light from this on is burnt out, and a streak is burnt out on this share of what was read: a tube's rounded side
#: never is (judgement; a streak 0.86 mm wide was read for a tube of 4.08 mm, its metal's colour lost in the white).
BURNT_OUT, STREAK_SHARE = 0.98, 0.6


def own_colour_beyond(image: LightImage, view: View, lie: Lie, half_mm: float, radius_mm: float) -> float:
    """How much of the metal's colour is left just beyond a lying tube's sides: about 0 on paper, 1 on metal.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    lie : Lie
        Where the tube's axis lies.
    half_mm, radius_mm : float
        Half its length and its radius as they were read.

    Returns
    -------
    float
        The larger of both sides; 0 for a metal without a colour of its own.
    """

    def colour(along: tuple[float, ...], aside: FloatArray) -> FloatArray:
        return _colour(image, view, lie, half_mm * np.array(along), radius_mm * aside)

    sides = [side * np.array(BEYOND) for side in (-1.0, 1.0)]
    paper = np.median([colour(PAST, aside) for aside in sides], axis=0)
    metal = colour(BESIDE, np.array(ON_TUBE)) - paper
    size = float(np.hypot(*metal))
    if not size >= LEAST_COLOUR:
        return 0.0
    return max(float((colour(BESIDE, aside) - paper) @ metal) / size**2 for aside in sides)


def burnt_out(image: LightImage, view: View, lie: Lie, half_mm: float, radius_mm: float) -> float:
    """Share of a lying tube that is burnt out to white; parameters as of `own_colour_beyond`."""
    light = _light(image, view, lie, half_mm * np.array(BESIDE), radius_mm * np.array(ON_TUBE))
    return float(np.mean(np.nanmax(light, axis=1) >= BURNT_OUT))


def _colour(image: LightImage, view: View, lie: Lie, along_mm: FloatArray, aside_mm: FloatArray) -> FloatArray:
    """Median chromaticity (r, g) of a grid beside the axis."""
    light = _light(image, view, lie, along_mm, aside_mm)
    total = np.maximum(light.sum(axis=1), 1e-4)
    return np.asarray(np.nanmedian(light[:, :2] / total[:, None], axis=0))


def _light(image: LightImage, view: View, lie: Lie, along_mm: FloatArray, aside_mm: FloatArray) -> FloatArray:
    """Linear light (N, 3) of a grid beside the axis."""
    plain = ideal_view(view)
    moved = [lie.across[0] * shift for shift in aside_mm]
    rows = [
        axis_points_px(plain, replace(lie, x_mm=lie.x_mm + step[0], y_mm=lie.y_mm + step[1]), along_mm)
        for step in moved
    ]
    return np.asarray(image.sample_rgb(from_ideal(view, np.concatenate(rows)), order=1))
