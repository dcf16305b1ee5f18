"""What an overlay shows: outlines, rims, dimensions, numbers and the words under the picture.

Every position is a pixel of the photograph (the program's convention: the centre of the top-left pixel is (0, 0)).
Points that are not finite are left out of the drawing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Kinds of outlines; each has its own line (see `overlay_colour.LINES`).
KINDS = ("stone", "outer", "bore", "mouth", "other")


def _points(value: FloatArray, name: str) -> None:
    if np.ndim(value) != 2 or np.shape(value)[1] != 2:
        raise ValueError(f"{name} must have shape (N, 2), not {np.shape(value)}")


def _point(value: FloatArray, name: str) -> None:
    if np.shape(value) != (2,) or not np.isfinite(value).all():
        raise ValueError(f"{name} must be one finite point (2,), not {value!r}")


@dataclass(frozen=True, eq=False)
class OutlineMark:
    """An edge that was measured.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        The edge in order, x then y, pixels.
    label : str
        Words beside it; empty for none.
    kind : {"stone", "outer", "bore", "mouth", "other"}
        Decides colour and dashes.
    closed : bool
        The last point is joined to the first.
    """

    points_px: FloatArray
    label: str
    kind: str = "other"
    closed: bool = True

    def __post_init__(self) -> None:
        _points(self.points_px, "points_px")
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}, not {self.kind!r}")


@dataclass(frozen=True, eq=False)
class RimBand:
    """Metal between two edges, coloured by its width.

    Where neighbouring points lie more than eight times the usual step apart, nothing was measured between them and
    nothing is coloured.

    Parameters
    ----------
    inner_px, outer_px : ndarray of shape (N, 2)
        Both ends of the rim's width at each place, in order round the rim, pixels.
    width_mm : ndarray of shape (N,)
        Width at each place, millimetres; negative where the stone stands over the metal, NaN where not measured.
    limit_mm : float or None
        Least width that is adequate; parts under it are striped.
    smallest_index : int
        The place that gets the arrow.
    name : str
        What the band is, for the legend and the arrow: "rim" or "wall".
    smallest_text : str or None
        The arrow's words; None for the name and the width.
    """

    inner_px: FloatArray
    outer_px: FloatArray
    width_mm: FloatArray
    limit_mm: float | None
    smallest_index: int
    name: str = "rim"
    smallest_text: str | None = None

    def __post_init__(self) -> None:
        _points(self.inner_px, "inner_px")
        _points(self.outer_px, "outer_px")
        count = len(self.inner_px)
        if len(self.outer_px) != count or np.shape(self.width_mm) != (count,):
            raise ValueError(
                f"inner_px, outer_px and width_mm must be equally long, not {count}, {len(self.outer_px)} and "
                f"{np.shape(self.width_mm)}"
            )
        if self.limit_mm is not None and not (np.isfinite(self.limit_mm) and self.limit_mm > 0):
            raise ValueError(f"limit_mm must be above zero, not {self.limit_mm}")
        if count and not -count <= self.smallest_index < count:
            raise ValueError(f"smallest_index {self.smallest_index} is outside of {count} places")


@dataclass(frozen=True, eq=False)
class DimensionMark:
    """A dimension line with arrowheads at both ends, and its text."""

    start_px: FloatArray
    end_px: FloatArray
    text: str

    def __post_init__(self) -> None:
        _point(self.start_px, "start_px")
        _point(self.end_px, "end_px")


@dataclass(frozen=True, eq=False)
class NumberMark:
    """A numbered thing: a circle round it and its number."""

    centre_px: FloatArray
    radius_px: float
    text: str

    def __post_init__(self) -> None:
        _point(self.centre_px, "centre_px")
        if not (np.isfinite(self.radius_px) and self.radius_px > 0):
            raise ValueError(f"radius_px must be above zero, not {self.radius_px}")


@dataclass(frozen=True, eq=False)
class Overlay:
    """Everything that is drawn on a photograph and written under it.

    Parameters
    ----------
    px_per_mm : float
        Scale of the photograph at the subject, pixels per millimetre.
    scale_centre_px : ndarray of shape (2,)
        Where that scale holds: in an oblique photo it changes across the picture, so the scale bar is put near.
    outlines, rim_bands, dimensions, numbers
        The marks.
    verdict : str or None
        "adequate", "too thin", "too close to call", or longer words that begin so.
    lines : tuple of str
        The figures under the picture, one a line.
    """

    px_per_mm: float
    scale_centre_px: FloatArray
    outlines: tuple[OutlineMark, ...] = ()
    rim_bands: tuple[RimBand, ...] = ()
    dimensions: tuple[DimensionMark, ...] = ()
    numbers: tuple[NumberMark, ...] = ()
    verdict: str | None = None
    lines: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (np.isfinite(self.px_per_mm) and self.px_per_mm > 0):
            raise ValueError(f"px_per_mm must be above zero, not {self.px_per_mm}")
        _point(self.scale_centre_px, "scale_centre_px")

    def extent_px(self) -> tuple[float, float, float, float] | None:
        """The box (x0, y0, x1, y1) round all marks, or None without marks."""
        parts = [mark.points_px for mark in self.outlines]
        for band in self.rim_bands:
            parts += [band.inner_px, band.outer_px]
        parts += [np.vstack([mark.start_px, mark.end_px]) for mark in self.dimensions]
        parts += [np.vstack([m.centre_px - m.radius_px, m.centre_px + m.radius_px]) for m in self.numbers]
        if not parts:
            return None
        points = np.vstack(parts)
        points = points[np.isfinite(points).all(axis=1)]
        if not len(points):
            return None
        low, high = points.min(axis=0), points.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])
