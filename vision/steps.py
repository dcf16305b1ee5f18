"""Two edges close together: a chamfer between a tube's face and its side or bore.

A chamfer of 0.05 mm is one or two pixels wide: its two edges melt into one, and the sharpest place lies somewhere
between them. But they don't change alike round the tube: the chamfer glints where the face does not. Over all the
radii, aligned on the circle, the light across one edge is a combination of one step and a constant; across two edges it
needs two steps. Where the second step explains a large part of what is left, both edges are there, and the two
positions that explain most are theirs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.outline import RoundEdge

FloatArray = NDArray[np.float64]

#: Step between tried positions, pixels.
GRID_PX = 0.25
#: Edges nearer together than this are not told apart, pixels.
SMALLEST_GAP_PX = 0.75
#: Rounds in which radii that fit badly lose weight.
ROUNDS = 3


@dataclass(frozen=True)
class DoubleEdge:
    """Two edges found across one traced edge.

    Parameters
    ----------
    inner_px, outer_px : float
        Their positions relative to the traced circle, pixels, positive outwards.
    ratio : float
        Residual variance with one step over that with two.
    """

    inner_px: float
    outer_px: float
    ratio: float


def double_edge(
    image: LightImage,
    view: View,
    edge: RoundEdge,
    height_mm: float,
    blur_px: float,
    *,
    inside_px: float,
    outside_px: float,
    ratio_at_least: float,
) -> DoubleEdge | None:
    """Look for a second edge beside a traced one.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    edge : RoundEdge
        The traced edge.
    height_mm : float
        Its height.
    blur_px : float
        Blur, pixels.
    inside_px, outside_px : float
        How far to look on either side, pixels.
    ratio_at_least : float
        How many times the residual of two steps that of one must be for both edges to be believed.

    Returns
    -------
    DoubleEdge or None
        None when one step explains the light about as well.
    """
    px = 1.0 / edge.px_per_mm
    count = int(np.clip(2.0 * np.pi * edge.circle.radius * edge.px_per_mm, 240, 720))
    theta = np.arange(count) * (2.0 * np.pi / count)
    direction = np.column_stack([np.cos(theta), np.sin(theta)])
    margin = 2.0 + blur_px
    place = np.arange(-inside_px - margin, outside_px + margin + 1e-9, GRID_PX)
    radii = edge.circle.radius + place * px
    if radii[0] <= 0.0:
        return None
    points = edge.circle.centre + direction[:, None, :] * radii[None, :, None]
    light = image.sample_luminance(view.to_pixels(points.reshape(-1, 2), height_mm).reshape(count, len(place), 2))
    if not np.isfinite(light).all():
        return None
    arc = 2.0 * np.pi * edge.circle.radius * edge.px_per_mm / count
    light = ndimage.gaussian_filter1d(light, 2.0 / arc, axis=0, mode="wrap")
    positions = [float(p) for p in np.arange(-inside_px, outside_px + 1e-9, GRID_PX)]
    step = {p: 0.5 * special.erf((place - p) / (max(blur_px, 0.5) * 2**0.5)) for p in positions}
    base = [np.ones_like(place), place]
    _, one_left = _best(light, base, [(p,) for p in positions if abs(p) <= 2.5], step)
    pairs = [pair for pair in combinations(positions, 2) if pair[1] - pair[0] >= SMALLEST_GAP_PX]
    two, two_left = _best(light, base, pairs, step)
    ratio = one_left / max(two_left, 1e-15)
    if ratio < ratio_at_least:
        return None
    return DoubleEdge(float(two[0]), float(two[1]), float(ratio))


def _best(
    light: FloatArray, base: list[FloatArray], choices: Sequence[tuple[float, ...]], step: dict[float, FloatArray]
) -> tuple[tuple[float, ...], float]:
    """The choice of step positions that leaves least, robustly over the radii, and the mean square left."""
    spaces = []
    for choice in choices:
        q, _ = np.linalg.qr(np.stack([*base, *(step[p] for p in choice)], axis=1))
        spaces.append(q)
    weights = np.ones(len(light))
    best, left = choices[0], np.inf
    for _ in range(ROUNDS):
        # The residual's sum over radii needs only their covariance: trace(C) - trace(Q' C Q).
        covariance = (light * weights[:, None]).T @ light
        total = float(np.trace(covariance))
        explained = [float(np.sum((covariance @ q) * q)) for q in spaces]
        k = int(np.argmax(explained))
        best = choices[k]
        own = np.sum(light**2, axis=1) - np.sum((light @ spaces[k]) ** 2, axis=1)
        left = (total - explained[k]) / (float(weights.sum()) * light.shape[1])
        typical = max(float(np.median(own)), 1e-12)
        weights = typical / (own + typical)
    return best, left
