"""Which way a lying tube's axis runs, by the light on it: a cylinder's shading is the same all along its axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.side_fit import Fit
from rimsight.vision.side_model import axis_points_px, from_ideal, ideal_view

#: Part of the length and of the width that is looked at.
INNER_SHARE = 0.75
PLACES = 40
#: The shading must change this many times more along the fitted axis than across it before the axis is turned.
CLEAR_RATIO = 1.5


def across_axis(image: LightImage, view: View, fit: Fit) -> bool:
    """Whether a fitted tube's axis runs the other way, for a rectangle doesn't tell.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    fit : Fit
        Of a tube.
    """
    lie, profile = fit.body.place(fit.figures)
    half, radius = float(profile.places_mm[0]) * INNER_SHARE, float(profile.radii_mm.max()) * INNER_SHARE
    level = lie.across[0]
    plain = ideal_view(view)
    along = np.linspace(-half, half, PLACES)
    rows = []
    for aside in np.linspace(-radius, radius, PLACES):
        beside = replace(lie, x_mm=lie.x_mm + aside * level[0], y_mm=lie.y_mm + aside * level[1])
        rows.append(from_ideal(view, axis_points_px(plain, beside, along)))
    light = image.sample_luminance(np.array(rows))
    if not np.isfinite(light).all():
        return False
    # Means over the other direction: noise and scratches even out, shading doesn't.
    change_along, change_across = float(np.std(light.mean(axis=0))), float(np.std(light.mean(axis=1)))
    return change_along > CLEAR_RATIO * change_across
