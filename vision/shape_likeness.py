"""What lies round a stone in the photograph, and how much each pixel is like the stone and unlike what it lies on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.pixels import LUMINANCE_WEIGHTS, LightImage

FloatArray = NDArray[np.float64]
Plane = NDArray[np.float32]

#: How far round the rough hull the photograph is looked at, pixels.
MARGIN_PX = 25
#: A stone's colour tells from so many standard deviations of the paper's on. What is added to those: noise of facets,
#: and the tint of a shadow that a lamp's or the sky's light is missing from, logarithms of red and blue over green.
TELLING, COLOUR_FLOOR, SHADOW_TINT = 2.5, 0.06, 0.15
#: Logarithm of the light from which a stone is dark: shadows keep a third of the paper's light.
DARK, DARKEST_SHADOW = -1.7, -1.0
#: The stone's core: the rough hull shrunk to this.
CORE = 0.55
#: Smoothing of light before its colour is looked at, pixels, and the darkest light that has one.
SMOOTH_PX, DARKEST = 1.0, 0.004
#: At the girdle light is half of the stone's, half of what lies outside. Measured along the outlines of 28 coloured or
#: black stones in rendered photographs, the likeness there was by this share of its step nearer to the stone's.
SHARE_BIAS = 0.035


@dataclass(frozen=True)
class Surroundings:
    """The photograph round a stone.

    Parameters
    ----------
    corner_px : ndarray of shape (2,)
        First column and row.
    light : ndarray of shape (h, w, 3)
        Linear light.
    hull_px : ndarray of shape (M, 2)
        Rough hull of stone and shadow, from the corner.
    blur_px : float
        Blur of the photograph.
    grounds : tuple of ndarray of shape (h, w)
        Pixels that show each thing before which the stone lies, the paper first; default everything outside the hull.
    """

    corner_px: FloatArray
    light: Plane
    hull_px: FloatArray
    blur_px: float
    grounds: tuple[NDArray[np.bool_], ...] = ()

    @property
    def paper(self) -> NDArray[np.bool_]:
        """Pixels (h, w) that show paper."""
        return self.grounds[0] if self.grounds else ~self.within()

    @property
    def centre_px(self) -> FloatArray:
        """Middle of the hull's area."""
        m = cv2.moments(self.hull_px.astype(np.float32).reshape(-1, 1, 2))
        return np.asarray(np.array([m["m10"], m["m01"]]) / max(m["m00"], 1e-9))

    def within(self, share: float = 1.0) -> NDArray[np.bool_]:
        """Pixels (h, w) inside the hull shrunk by a share about its middle."""
        mask = np.zeros(self.light.shape[:2], dtype=np.uint8)
        middle = self.hull_px.mean(axis=0)
        corners = np.rint(middle + share * (self.hull_px - middle)).astype(np.int32)
        cv2.fillConvexPoly(mask, corners.reshape(-1, 1, 2), 1)
        return np.asarray(mask > 0)


def surroundings(image: LightImage, hull_px: FloatArray, blur_px: float) -> Surroundings:
    """Cut the photograph round a rough hull (M, 2)."""
    x0, y0, x1, y1 = image.window(hull_px, margin_px=MARGIN_PX)
    corner = np.array([x0, y0], dtype=np.float64)
    return Surroundings(corner, image.region(x0, y0, x1, y1), hull_px - corner, max(blur_px, 0.5))


@dataclass(frozen=True)
class Likeness:
    """How much each pixel is like the stone and unlike what it lies on.

    Parameters
    ----------
    plane : ndarray of shape (h, w)
        About 0 to 1.
    of : callable
        The same from linear light (..., 3).
    light : ndarray of shape (h, w, 3)
        The smoothed light from which the plane was made.
    sure : float
        How many standard deviations of what paper and shadow may have a likeness of 1 is.
    """

    plane: Plane
    of: Callable[[Plane], Plane]
    light: Plane
    sure: float = 1.0

    def share_at_edge(self, inside: Plane, outside: Plane) -> Plane:
        """Share of the step of likeness, counted from outside, at an edge between two lights (..., 3).

        Logarithms aren't linear: before bright paper half of a dark stone's light looks like a fifth of its colour.
        """
        high, low = self.of(inside), self.of(outside)
        share = (self.of(0.5 * (inside + outside)) - low) / np.maximum(high - low, 0.05)
        return np.asarray(np.clip(share, 0.0, 1.0) + SHARE_BIAS, dtype=np.float32)


def stone_likeness(around: Surroundings) -> Likeness | None:
    """How much each pixel (h, w) is like the stone's core and unlike paper and shadow.

    None for a clear stone.
    """
    return _by_colour(around) or _by_darkness(around)


def colour_likeness(around: Surroundings) -> Likeness | None:
    """The same by colour alone: None for a stone that is clear, grey or black."""
    return _by_colour(around)


def likeness_from(around: Surroundings, of: Callable[[Plane], Plane], sure: float = 1.0) -> Likeness:
    """The likeness that a function of light gives."""
    light = smoothed(around)
    return Likeness(of(light), of, light, sure)


def smoothed(around: Surroundings) -> Plane:
    """Linear light (h, w, 3), smoothed a little."""
    return np.asarray(cv2.GaussianBlur(around.light, (0, 0), SMOOTH_PX), dtype=np.float32)


def logarithms(light: Plane) -> Plane:
    """Logarithms of linear light (..., 3)."""
    return np.asarray(np.log(np.maximum(light, DARKEST)), dtype=np.float32)


def hues(logs: Plane) -> Plane:
    """Logarithms of red and of blue over green, (..., 2)."""
    return np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def _by_colour(around: Surroundings) -> Likeness | None:
    logs = logarithms(smoothed(around))
    middle = np.median(logs[around.paper], axis=0)
    colour = hues(logs - middle)
    own = np.median(colour[around.within(CORE)], axis=0)
    # Fisher's discriminant between the stone's colour and what paper and shadow may have.
    paper = np.cov(colour[around.paper].T) + COLOUR_FLOOR**2 * np.eye(2)
    paper += SHADOW_TINT**2 * 0.5 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    telling = np.linalg.solve(paper, own)
    apart = float(own @ telling)
    if not apart > TELLING**2:
        return None

    def of(light: Plane) -> Plane:
        return np.asarray(np.clip(hues(logarithms(light) - middle) @ telling / apart, -0.2, 1.2), dtype=np.float32)

    return likeness_from(around, of, apart**0.5)


def _by_darkness(around: Surroundings) -> Likeness | None:
    weights = np.asarray(LUMINANCE_WEIGHTS, dtype=np.float32)
    logs = logarithms(smoothed(around))
    middle = np.median(logs[around.paper], axis=0)
    dark = float(np.median(((logs - middle) @ weights)[around.within(CORE)]))
    if not dark < DARK:
        return None

    def of(light: Plane) -> Plane:
        lightness = (logarithms(light) - middle) @ weights
        return np.asarray(np.clip((lightness - DARKEST_SHADOW) / (dark - DARKEST_SHADOW), -0.2, 1.2), dtype=np.float32)

    return likeness_from(around, of)
