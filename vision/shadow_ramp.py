"""Edges moved by a shadow that grows away from them, moved back.

Beside a stone on paper the light rises over many pixels: its shadow. The steepest place of a blurred step of height c
that a ramp of slope s adjoins lies s * sigma^2 / c further out than the step (where the second derivative of their sum
is zero; derived, no source). On 150 rendered stones on paper, located round their true girdles, that explains the bias
of the radius: +0.04 px in the median, +0.01 px without it; where the shadow rises by more than a tenth of the paper's
light in 2 px, points lie 0.3 px too far out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.circle import fit_circle
from rimsight.vision.outline import RoundEdge
from rimsight.vision.polar import PolarMap, unroll

FloatArray = NDArray[np.float64]

#: Where the light is read, pixels outside of the edge: beside it, beyond that; and inside of it.
BESIDE_PX, BEYOND_PX, INSIDE_PX = (2.0, 4.0), (4.0, 6.0), (-5.0, -2.5)
#: The same where a rim of metal is the ground: on 97 rendered stones on tubes the median bias fell from 0.10 to
#: 0.05 px.
NEAR_BESIDE_PX, NEAR_BEYOND_PX = (1.5, 2.5), (3.0, 4.5)
#: What the search for edges and the mosaic add to the blur, pixels squared; 0 to 1 did about as well.
SEARCH_VARIANCE_PX2 = 0.5
#: An edge is moved by no more than this, pixels, and a step counts as this share of the paper's light at least.
LARGEST_PX, SMALLEST_STEP = 0.3, 0.02
#: At the edge a step is at least this share of what it is beside it.
SMALLEST_SHARE = 0.3


def without_ramp(
    image: LightImage,
    view: View,
    edge: RoundEdge,
    height_mm: float,
    blur_px: float,
    *,
    room_px: FloatArray | None = None,
) -> RoundEdge:
    """The edge with each point moved back by what the light outside of it shifted it.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    edge : RoundEdge
        A stone's edge, located in luminance.
    height_mm : float
        Mean height of the edge above the card.
    blur_px : float
        Blur of the photograph, pixels.
    room_px : ndarray of shape (N,), optional
        How far outside of each point the ground goes on, pixels: to the tube's edge from a girdle over metal. Default
        far.
    """
    centre = edge.circle.centre
    points = view.to_plane(edge.points_px, height_mm)
    away = points - centre
    radii = np.hypot(*away.T)
    px = edge.px_per_mm
    polar = unroll(
        image, view, centre, height_mm, max(float(radii.min()) + (INSIDE_PX[0] - 1.0) / px, 1.0 / px),
        float(radii.max()) + (BEYOND_PX[1] + 1.0) / px, angles=len(radii), colour=False,
    )  # fmt: skip
    own = radii[_nearest(np.arctan2(away[:, 1], away[:, 0]), polar.angles)]
    zones = (BESIDE_PX, BEYOND_PX) if room_px is None else (NEAR_BESIDE_PX, NEAR_BEYOND_PX)
    moved = _shift_px(polar, own, blur_px, *zones)[_nearest(polar.angles, np.arctan2(away[:, 1], away[:, 0]))]
    if room_px is not None:
        moved = np.where(room_px > NEAR_BEYOND_PX[1] + 1.0, moved, 0.0)
    moved_px = view.to_pixels(points - away / radii[:, None] * (moved / px)[:, None], height_mm)
    made = replace(edge, points_px=moved_px)
    start = (edge.circle.x, edge.circle.y, edge.circle.radius)
    return replace(made, circle=fit_circle(made.points_mm(view), edge.circle.weights, start=start))


def _shift_px(
    polar: PolarMap,
    radii_mm: FloatArray,
    blur_px: float,
    beside_px: tuple[float, float],
    beyond_px: tuple[float, float],
) -> FloatArray:
    """How far a ramp of light moved the edge outwards on every radius of a map, pixels."""
    light = polar.channel()
    place = (polar.radii_mm[None, :] - radii_mm[:, None]) * polar.px_per_mm

    def mean(zone: tuple[float, float]) -> FloatArray:
        inside = (place > zone[0]) & (place < zone[1]) & np.isfinite(light)
        total = np.sum(np.where(inside, light, 0.0), axis=1)
        return np.asarray(total / np.maximum(inside.sum(axis=1), 1))

    beside, beyond, within = mean(beside_px), mean(beyond_px), mean(INSIDE_PX)
    white = float(np.nanpercentile(light, 97))
    slope = (beyond - beside) / (0.5 * (sum(beyond_px) - sum(beside_px)))
    seen = beside - within
    # At the edge itself the shadow is deeper than beside it.
    step = seen - 0.5 * sum(beside_px) * np.maximum(slope, 0.0)
    step = np.where(seen > 0.0, np.maximum(step, SMALLEST_SHARE * seen), seen)
    step = np.where(np.abs(step) < SMALLEST_STEP * white, np.inf, step)
    return np.clip(slope * (blur_px**2 + SEARCH_VARIANCE_PX2) / step, -LARGEST_PX, LARGEST_PX)


def _nearest(of: FloatArray, among: FloatArray) -> NDArray[np.intp]:
    """For each angle of `among` the number of the nearest one of `of`."""
    apart = np.abs((among[:, None] - of[None, :] + np.pi) % (2.0 * np.pi) - np.pi)
    return np.asarray(np.argmin(apart, axis=1))
