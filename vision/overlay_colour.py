"""Colours of the overlay, chosen so that no meaning rests on hue alone.

The rim's colours darken steadily with its width, step from orange to blue at the limit (the pair that red-green
blind eyes keep apart), and the part under the limit is striped as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rgb = tuple[int, int, int]
FloatArray = NDArray[np.float64]

INK: Rgb = (24, 27, 32)
PAPER: Rgb = (250, 250, 248)
FAINT: Rgb = (110, 116, 124)
WHITE: Rgb = (255, 255, 255)
GROUND: Rgb = (46, 50, 56)

#: Width as a share of the limit, and the colour there; 1.0 stands twice: the ramp steps at the limit.
LIMIT_RAMP: tuple[tuple[float, Rgb], ...] = (
    (0.0, (255, 226, 74)),
    (1.0, (244, 146, 32)),
    (1.0, (50, 116, 186)),
    (2.0, (8, 40, 98)),
)
#: Share of the range between the smallest and the largest width, and the colour there, where no limit is set.
PLAIN_RAMP: tuple[tuple[float, Rgb], ...] = (
    (0.0, (255, 226, 74)),
    (0.5, (62, 160, 170)),
    (1.0, (8, 40, 98)),
)
#: Without a limit the ramp spans at least this share of the mean width.
LEAST_RANGE = 0.2
#: Widths from this share of the limit on have the last colour.
RAMP_END = 2.0


@dataclass(frozen=True)
class Line:
    """How an outline is drawn: colour, and lengths of dash and gap (0 for a full line), in 1/1600 of the width."""

    colour: Rgb
    dash: float = 0.0
    gap: float = 0.0


LINES: dict[str, Line] = {
    "stone": Line((128, 218, 255)),
    "outer": Line((255, 255, 255)),
    "bore": Line((255, 205, 96), 26.0, 15.0),
    "mouth": Line((255, 186, 214), 7.0, 12.0),
    "other": Line((226, 226, 226), 44.0, 12.0),
}
DIMENSION: Rgb = (255, 255, 255)
SMALLEST: Rgb = (255, 226, 74)

GOOD: Rgb = (20, 88, 160)
BAD: Rgb = (196, 66, 4)
OPEN: Rgb = (255, 202, 40)


def ramp(ramp_points: tuple[tuple[float, Rgb], ...], at: FloatArray) -> NDArray[np.uint8]:
    """Colours along a ramp.

    Parameters
    ----------
    ramp_points : tuple of (float, Rgb)
        Rising positions; one that stands twice is a step, whose second colour counts there.
    at : ndarray of shape (N,)
        Positions; beyond the ends the end's colour.

    Returns
    -------
    ndarray of shape (N, 3), uint8
    """
    where = np.array([position for position, _ in ramp_points])
    colours = np.array([colour for _, colour in ramp_points], dtype=np.float64)
    at = np.clip(np.asarray(at, dtype=np.float64), where[0], where[-1])
    upper = np.clip(np.searchsorted(where, at, side="right"), 1, len(where) - 1)
    share = (at - where[upper - 1]) / np.maximum(where[upper] - where[upper - 1], 1e-12)
    mixed = colours[upper - 1] + (colours[upper] - colours[upper - 1]) * share[:, None]
    return np.asarray(np.rint(mixed), dtype=np.uint8)


def width_colours(width_mm: FloatArray, limit_mm: float | None) -> NDArray[np.uint8]:
    """Colour of each width, (N, 3): against the limit, or within the widths' own range if there is none."""
    width = np.asarray(width_mm, dtype=np.float64)
    if limit_mm is not None:
        return ramp(LIMIT_RAMP, np.nan_to_num(width / limit_mm))
    low, high = width_range(width)
    return ramp(PLAIN_RAMP, np.nan_to_num((width - low) / max(high - low, 1e-9)))


def width_range(width_mm: FloatArray) -> tuple[float, float]:
    """Return the widths between which the colours run: smallest to largest, but not less than a fifth of their mean.

    Else the colours of an even wall would show nothing but the noise of its reading.
    """
    finite = np.asarray(width_mm)[np.isfinite(width_mm)]
    if not len(finite):
        return 0.0, 0.0
    low, high = float(finite.min()), float(finite.max())
    more = max(0.0, LEAST_RANGE * abs(float(finite.mean())) - (high - low)) / 2
    return low - more, high + more
