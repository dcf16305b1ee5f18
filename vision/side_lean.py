"""How far a stone's axis leans, read from the girdle's near edge.

The half of the girdle that faces the camera runs across the stone's picture from tip to tip. With the axis square to
the line of sight it is straight; leaning by a degree it bows by R / 57, three pixels on a stone of 6 mm. The outline
itself tells the lean badly: of a table that is turned a little to the camera either rim may be the visible one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.fields import CHANNELS, colour_crests
from rimsight.vision.polar import PolarMap
from rimsight.vision.side_fit import Fit
from rimsight.vision.side_model import space_to_px

FloatArray = NDArray[np.float64]

#: Leans that are tried, degrees.
LARGEST_DEG, STEP_DEG = 8.0, 0.25
#: Part of the half round that is looked at: near the tips the edge lies where it lies, whatever the lean.
FROM_RAD = 0.12 * np.pi
PLACES = 81
#: How far along the axis is sampled, as a share of the radius, and how finely, pixels.
REACH_SHARE, STEP_PX = 0.24, 0.25
#: Edges count this near, pixels.
TOLERANCE_PX = 0.6
#: Steps of light are judged against this; the neighbourhood, all facets, tells of no noise.
NOISE = 0.004


def girdle_score(image: LightImage, view: View, fit: Fit, blur_px: float) -> tuple[FloatArray, FloatArray]:
    """How well each lean puts the girdle's near edges where edges are.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    fit : Fit
        A stone's outline; its own lean doesn't matter.
    blur_px : float
        Blur of the photograph.

    Returns
    -------
    leans : ndarray of shape (L,)
        Radians.
    score : ndarray of shape (L,)
        Share of the girdle's near edges that lie where this lean puts them; 0 where the photograph ends.
    """
    figures = fit.figures.copy()
    figures[fit.body.names.index("lean")] = 0.0
    lie, _ = fit.body.place(figures)
    radius, half = fit.named("radius"), abs(fit.named("girdle")) / 2
    phi = np.linspace(FROM_RAD, np.pi - FROM_RAD, PLACES)
    pitch = STEP_PX / view.px_per_mm((lie.x_mm, lie.y_mm), lie.height_mm)
    along = np.arange(-REACH_SHARE * radius, REACH_SHARE * radius + pitch / 2, pitch)
    level, up = lie.across
    origin = np.array([lie.x_mm, lie.y_mm, -lie.height_mm])
    rim = origin + radius * (np.cos(phi)[:, None] * level + np.sin(phi)[:, None] * up)
    points = rim[:, None, :] + along[None, :, None] * lie.direction
    light = image.sample_rgb(space_to_px(view, points.reshape(-1, 3)).reshape(PLACES, len(along), 2))
    leans = np.radians(np.arange(-LARGEST_DEG, LARGEST_DEG + STEP_DEG / 2, STEP_DEG))
    score = np.zeros(len(leans))
    if not np.isfinite(light).all():
        return leans, score
    ticks = STEP_PX * np.arange(len(along), dtype=np.float64)
    found = colour_crests(PolarMap(np.zeros(2), 0.0, np.zeros(PLACES), ticks, light, 1.0),
                          blur_px, noise=dict.fromkeys(CHANNELS, NOISE))  # fmt: skip
    found = ndimage.maximum_filter1d(found, 2 * round(TOLERANCE_PX / STEP_PX) + 1, axis=1)
    rows = np.arange(PLACES)
    for k, lean in enumerate(leans):
        for edge in (half, -half):
            place = edge * np.cos(lean) - radius * np.sin(phi) * np.sin(lean)
            at = np.rint((place - along[0]) / pitch).astype(int)
            inside = (at >= 0) & (at < len(along))
            score[k] += 0.5 * float(np.where(inside, found[rows, np.clip(at, 0, len(along) - 1)], 0.0).mean())
    return leans, np.asarray(ndimage.gaussian_filter1d(score, 1.5))
