"""Where the girdle of a stone on paper may run: edges that tell stone from paper, not facets and not shadows.

A coloured or dark stone tells itself: its colour begins at the girdle, and a shadow has the paper's colour. A clear one
does not; there two maps are made, one with every sharp edge, one without those that look like the edge of a shadow, and
the outlines found in both compete.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.pixels import LUMINANCE_WEIGHTS
from rimsight.vision.shape_likeness import CORE, DARKEST, Likeness, Surroundings, stone_likeness

FloatArray = NDArray[np.float64]
Plane = NDArray[np.float32]

#: Smoothing before slopes are taken: of light, and of colour, which JPEG keeps at half resolution, pixels.
LIGHT_PX, COLOUR_PX = 0.7, 1.2
#: An edge counts from this many times the noise on paper, fully from twice that; the least step, share of the paper's
#: light, in light and in colour.
NOISE_FROM = 5.0
LEAST_STEP, LEAST_COLOUR_STEP = 0.0125, 0.05
#: Edges below this share of the stone's usual one are ringing of JPEG: in light and in colour.
RINGING, COLOUR_RINGING = 0.07, 0.3
#: Colour is looked at when the stone's core differs from the paper by this, share of its light.
COLOUR_WORTH = 0.10
#: Just outside of a sharp edge the slope has fallen below this share of the edge's; a shadow's edge runs on.
SLOPE_OUTSIDE, SLOPE_SOFT = 0.25, 0.6
#: Share of the stone's colour by which both sides of its edge differ, from none of the evidence to all of it; and how
#: many standard deviations of what paper and shadow may have are enough, down to a share: crown facets mirror the room,
#: so beside its girdle a stone may show a tenth of the colour of its middle, which in a strong colour tells as surely.
TELLS_FROM, TELLS_FULL = 0.2, 0.45
SURE_FROM, SURE_FULL, LEAST_FROM, LEAST_FULL = 1.0, 2.25, 0.1, 0.25
#: A stone whose colour is this sure only is pale: its colour is smoothed by so many pixels before it tells.
PALE, PALE_BLUR_PX = 8.0, 1.2
#: How far the share of the step of a stone's colour may lie from what an edge there would have (standard deviation): on
#: 28 rendered stones 0.03 to 0.09, widened.
STEP_SPREAD = 0.12
#: So far from the edge on both sides, in blurs of colour: further, and a shadow narrower than that counts as the stone.
TELLS_WITHIN = 1.4


def girdle_maps(around: Surroundings) -> list[Plane]:
    """Maps (h, w) of how likely the girdle runs through each pixel, 0 to 1, thin along edges.

    Returns
    -------
    list of ndarray
        One where the stone's colour or darkness tells it from paper and shadow; else two: with and without edges that
        look like shadows'.
    """
    likeness = stone_likeness(around)
    if likeness is not None:
        return [told_map(around, likeness, joint=True)]
    return [_plain(around, shadows=True), _plain(around, shadows=False)]


@dataclass(frozen=True)
class _Slope:
    """Size, outward direction and crests of a plane's slope."""

    size: Plane
    at: Callable[[Plane, float], Plane]
    crest: NDArray[np.bool_]
    noise: float


def _slope(around: Surroundings, plane: Plane, spread_px: float) -> _Slope:
    """The slope of a plane (h, w), or of several together (h, w, C): that of the steepest direction (Di Zenzo 1986)."""
    smooth = cv2.GaussianBlur(plane, (0, 0), spread_px)
    gx = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125), dtype=np.float32)
    gy = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125), dtype=np.float32)
    if plane.ndim == 3:
        across, along, both = (np.sum(v, axis=2) for v in (gx * gx, gy * gy, gx * gy))
        turn = 0.5 * np.arctan2(2.0 * both, across - along)
        steepest = np.sqrt(0.5 * (across + along + np.hypot(across - along, 2.0 * both)))
        gx, gy = steepest * np.cos(turn), steepest * np.sin(turn)
    size = np.hypot(gx, gy)
    height, width = plane.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    nx, ny = gx / np.maximum(size, 1e-9), gy / np.maximum(size, 1e-9)
    cx, cy = around.centre_px
    outward = np.sign(nx * (x - np.float32(cx)) + ny * (y - np.float32(cy)))
    nx, ny = nx * outward, ny * outward

    def at(values: Plane, distance_px: float) -> Plane:
        """The values so far outside of each pixel, along the slope."""
        far = np.float32(distance_px)
        x_there, y_there = x + far * nx, y + far * ny
        return np.asarray(cv2.remap(values, x_there, y_there, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    crest = (size >= at(size, 0.7)) & (size >= at(size, -0.7))
    # 1.66 is the upper quartile of a Rayleigh distribution over its parameter.
    noise = float(np.percentile(size[around.paper], 75.0)) / 1.66
    return _Slope(size, at, crest, noise)


def _light(around: Surroundings) -> Plane:
    """Luminance over the paper's."""
    light = np.asarray(around.light @ np.asarray(LUMINANCE_WEIGHTS, dtype=np.float32), dtype=np.float32)
    return np.asarray(light / max(float(np.median(light[around.paper])), 1e-3), dtype=np.float32)


def told_map(around: Surroundings, likeness: Likeness, *, joint: bool = False) -> Plane:
    """Edges in light or colour at which the stone's own colour begins.

    Parameters
    ----------
    around : Surroundings
        The photograph round the stone.
    likeness : Likeness
        How much each pixel is like the stone.
    joint : bool
        Take edges in all colours together rather than in luminance, and such where the stone is pale.
    """
    reach = float(np.hypot(around.blur_px, LIGHT_PX))
    edges, like = _light(around), likeness.plane
    begins, full = TELLS_FROM, TELLS_FULL
    if joint:
        edges = np.asarray(around.light / np.maximum(np.median(around.light[around.paper], axis=0), 1e-3), np.float32)
        begins = min(TELLS_FROM, max(SURE_FROM / likeness.sure, LEAST_FROM))
        full = min(TELLS_FULL, max(SURE_FULL / likeness.sure, LEAST_FULL))
    total = np.zeros(like.shape, dtype=np.float32)
    noise = 1.4826 * float(np.median(np.abs(like[around.paper] - np.median(like[around.paper]))))
    wide = like
    if joint and likeness.sure < PALE:
        wide = np.asarray(cv2.GaussianBlur(like, (0, 0), PALE_BLUR_PX), dtype=np.float32)
    for plane, spread in ((edges, LIGHT_PX), (like, 0.6)):
        slope = _slope(around, plane, spread)
        near = TELLS_WITHIN * float(np.hypot(reach, COLOUR_PX))
        inside, outside = slope.at(wide, -near), slope.at(wide, near)
        tells = np.clip((inside - outside - begins) / (full - begins), 0.0, 1.0)
        tells *= np.clip((0.65 - outside) / 0.2, 0.0, 1.0)
        # At the edge of a narrow shadow less of the colour's step lies outside than at the girdle, at the inner edge of
        # a narrow facet more.
        share = (like - outside) / np.maximum(inside - outside, 0.05)
        expected = likeness.share_at_edge(slope.at(likeness.light, -near), slope.at(likeness.light, near))
        # A pale stone's colour is noisy.
        may = np.hypot(STEP_SPREAD, (noise if joint else 0.0) / np.maximum(inside - outside, 0.05))
        tells *= np.exp(-0.5 * ((share - expected) / may) ** 2)
        if plane is edges:
            least = max(0.8 * NOISE_FROM * slope.noise, 0.8 * _per_px(LEAST_STEP, around, spread))
            strength = np.clip((slope.size - least) / least, 0.0, 1.0)
        else:
            # Colour is blurred: where light shows an edge too, that one is nearer to the truth.
            strength = 0.5 * np.clip((slope.size - 0.05) / 0.1, 0.0, 1.0)
        total = np.maximum(total, np.where(slope.crest, strength * tells, 0.0))
    return np.asarray(np.minimum(1.5 * total, 1.0), dtype=np.float32)


def _per_px(step: float, around: Surroundings, spread_px: float) -> float:
    """Slope at the middle of a step blurred by the photograph and by the smoothing."""
    return step / (float(np.sqrt(2.0 * np.pi)) * float(np.hypot(around.blur_px, spread_px)))


def _plain(around: Surroundings, *, shadows: bool) -> Plane:
    """Sharp edges, in light and in colour; `shadows` says whether those that look like shadows' are kept."""
    light = _light(around)
    rgb = around.light / max(float(np.median(around.light[around.paper])), 1e-3)
    planes = [
        (light, LIGHT_PX),
        (rgb[:, :, 0] - rgb[:, :, 1], COLOUR_PX),
        (rgb[:, :, 2] - 0.5 * (rgb[:, :, 0] + rgb[:, :, 1]), COLOUR_PX),
    ]
    hull, core = around.within(), around.within(CORE)
    base = _slope(around, light, LIGHT_PX)
    total = np.zeros(light.shape, dtype=np.float32)
    for plane, spread in planes:
        coloured = spread > LIGHT_PX
        away = float(np.median(plane[core]) - np.median(plane[~hull]))
        if coloured and abs(away) < COLOUR_WORTH * max(float(np.median(light[core])), 0.05):
            continue
        slope = _slope(around, plane, spread)
        reach = float(np.hypot(around.blur_px, spread))
        strong = slope.size[slope.crest & hull & (slope.size > NOISE_FROM * slope.noise)]
        usual = float(np.median(strong)) if len(strong) > 40 else 0.0
        step = LEAST_COLOUR_STEP if coloured else LEAST_STEP
        least = max(NOISE_FROM * slope.noise, (COLOUR_RINGING if coloured else RINGING) * usual,
                    _per_px(step, around, spread))  # fmt: skip
        beyond = np.minimum(slope.at(slope.size, 2.6 * reach), slope.at(slope.size, 2.6 * reach + 1.0))
        rest = np.maximum(beyond - 1.3 * slope.noise, 0.0) / np.maximum(slope.size, 1e-9)
        sharp = np.clip((SLOPE_SOFT - rest) / (SLOPE_SOFT - SLOPE_OUTSIDE), 0.0, 1.0)
        if not shadows:
            sharp = sharp * (1.0 - 0.9 * _like_shadow(around, slope, base, reach))
        strength = np.clip((slope.size - least) / (1.2 * least), 0.0, 1.0)
        total = np.maximum(total, np.where(slope.crest, strength * sharp, 0.0))
    return total


def _like_shadow(around: Surroundings, slope: _Slope, base: _Slope, reach: float) -> Plane:
    """How much each edge looks like a shadow's: darker and smooth inside, of the paper's colour or a little bluer.

    A shadow keeps the light of the room, which may be bluer or redder than the lamp's: daylight and lamps differ along
    blue and red together, so green beside their mean tells more.
    """
    logs = [np.log(np.maximum(plane, DARKEST)) for plane in cv2.split(cv2.GaussianBlur(around.light, (0, 0), 0.9))]
    inside = [0.5 * (slope.at(plane, -2.3 * reach) + slope.at(plane, -3.0 * reach)) for plane in logs]
    outside = [0.5 * (slope.at(plane, 2.6 * reach) + slope.at(plane, 3.6 * reach)) for plane in logs]
    red, green, blue = (one - other for one, other in zip(inside, outside, strict=True))
    neutral = np.clip((0.10 - np.abs(green - 0.5 * (red + blue))) / 0.04, 0.0, 1.0)
    neutral *= np.clip((0.12 + 0.35 * np.abs(green) - np.abs(blue - red)) / 0.05, 0.0, 1.0)
    dark = (green < -0.03) & (green > -1.5)
    rough = np.zeros_like(neutral)
    for share in (2.2, 2.7, 3.2, 3.7):
        rough += 0.25 * np.maximum(slope.at(base.size, -share * reach) - 2.0 * base.noise, 0.0)
    smooth = np.clip((0.35 - rough / np.maximum(base.size, 1e-6)) / 0.2, 0.0, 1.0)
    return np.asarray(neutral * dark * smooth, dtype=np.float32)
