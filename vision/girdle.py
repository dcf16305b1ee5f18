"""Finding a stone's girdle: the outer boundary of something new on smooth ground, then the sharpest ring there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.fields import boundary_field, colour_crests, edge_field, novelty, outermost
from rimsight.vision.outline import HeightRule, RoundEdge, measure_edges, ring_circle
from rimsight.vision.polar import unroll
from rimsight.vision.rings import best_ring, strongest_rings

FloatArray = NDArray[np.float64]

#: Widths (pixels) of the zones inside and outside that are compared in the three rounds of the boundary search.
BOUNDARY_WIDTHS_PX = (6.0, 4.0, 3.0)
#: The girdle is looked for from this far inside the boundary to this far outside, pixels: novelty begins one to two
#: pixels outside the edge (blur), and further out where a hard shadow hugs the stone.
SEARCH_INSIDE_PX, SEARCH_OUTSIDE_PX = 6.0, 1.0
#: A boundary whose inside and outside differ less than this is sought again further round.
CLEAR_BOUNDARY = 0.35
#: Two readings whose radii differ by more than this are different edges, pixels.
DISTINCT_PX = 0.6


def find_boundary(
    image: LightImage, view: View, centre_mm: FloatArray, radius_mm: float, height_mm: float, blur_px: float
) -> tuple[FloatArray, float, float]:
    """Find the circle inside of which the light is new and outside of which it goes on smoothly.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    centre_mm : ndarray of shape (2,)
        Rough centre, in the plane at `height_mm`.
    radius_mm : float
        Rough radius; may be 0.6 to 1.6 times the true one.
    height_mm : float
        Height of the plane.
    blur_px : float
        Blur, pixels.

    Returns
    -------
    centre_mm : ndarray of shape (2,)
        Centre of the boundary.
    radius_mm : float
        Its radius, one to five pixels larger than the edge's.
    support : float
        How clearly inside and outside differ, 0 to 1.
    """
    start = np.asarray(centre_mm, dtype=np.float64)
    best = _boundary(image, view, start, radius_mm, height_mm, blur_px, 0.5)
    if best[2] < CLEAR_BOUNDARY:
        # An inner ring or a facet was taken for the whole: look further round it.
        wider = _boundary(image, view, start, 1.5 * radius_mm, height_mm, blur_px, 0.7)
        best = wider if wider[2] > best[2] else best
    return best


def _boundary(
    image: LightImage,
    view: View,
    centre: FloatArray,
    radius_mm: float,
    height_mm: float,
    blur_px: float,
    reach: float,
) -> tuple[FloatArray, float, float]:
    px = 1.0 / view.px_per_mm((float(centre[0]), float(centre[1])), height_mm)
    support = 0.0
    for turn, width in enumerate(BOUNDARY_WIDTHS_PX):
        outer = radius_mm * (1.8, 1.3, 1.2)[turn] + (17.0 + width) * px + (0.5, 0.1, 0.1)[turn]
        polar = unroll(image, view, centre, height_mm, 0.35 * radius_mm, outer, angles=360, colour=False)
        field = boundary_field(polar, novelty(polar, blur_px), blur_px, width)
        shift = (reach * radius_mm + 0.1, 0.15 * radius_mm + 0.05, 3.0 * px)[turn]
        ring = best_ring(field, polar, largest_shift_mm=shift, tolerance_px=0.0)
        centre, radius_mm = ring_circle(centre, ring)
        support = ring.support
    return centre, radius_mm, support


def ring_hypotheses(
    image: LightImage,
    view: View,
    centre_mm: FloatArray,
    radius_mm: float,
    heights: HeightRule,
    mean_height_mm: float,
    blur_px: float,
) -> list[tuple[float, RoundEdge]]:
    """Edges at the sharpest rings of luminance and of colour near a rough circle, with their merits, the best first.

    Where a hard shadow hugs a coloured stone the boundary of what is new is the shadow's; the stone's own ring is the
    sharper one, in colour at least.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    centre_mm : ndarray of shape (2,)
        Rough centre, in the plane at `mean_height_mm`.
    radius_mm : float
        Rough radius.
    heights : callable
        Height of the edge's points.
    mean_height_mm : float
        Their mean.
    blur_px : float
        Blur, pixels.

    Returns
    -------
    list of (merit, RoundEdge)
        Distinct edges only.
    """
    px = 1.0 / view.px_per_mm((float(centre_mm[0]), float(centre_mm[1])), mean_height_mm)
    polar = unroll(image, view, centre_mm, mean_height_mm, 0.5 * radius_mm, 1.5 * radius_mm + 12.0 * px, angles=360)
    found: list[tuple[float, RoundEdge]] = []
    for crests in (edge_field(polar, blur_px).crests, colour_crests(polar, blur_px)):
        for ring in strongest_rings(
            outermost(crests), polar, largest_shift_mm=0.25 * radius_mm + 0.1, smallest_support=0.12, most=3
        ):
            own, size = ring_circle(centre_mm, ring)
            for edge in measure_edges(
                image, view, own, [size - px, size + 0.5 * px], heights, mean_height_mm, blur_px
            ):
                found.append((_merit(edge), edge))
    return distinct_edges(found, px)


def _merit(edge: RoundEdge) -> float:
    """High for a sharp ring with nothing new outside of it."""
    return edge.merit * (1.0 - edge.novelty_outside)


def distinct_edges(found: list[tuple[float, RoundEdge]], px_mm: float) -> list[tuple[float, RoundEdge]]:
    """Without those that are an edge of more merit seen again; the best first. `px_mm` is a pixel in millimetres."""
    distinct: list[tuple[float, RoundEdge]] = []
    for merit, edge in sorted(found, key=lambda item: -item[0]):
        if all(_apart_mm(edge, other) > DISTINCT_PX * px_mm for _, other in distinct):
            distinct.append((merit, edge))
    return distinct


def _apart_mm(edge: RoundEdge, other: RoundEdge) -> float:
    shift = edge.circle.centre - other.circle.centre
    return float(np.hypot(edge.circle.radius - other.circle.radius, 0.5 * np.hypot(*shift)))


def girdle_hypotheses(
    image: LightImage,
    view: View,
    centre_mm: FloatArray,
    boundary_mm: float,
    heights: HeightRule,
    mean_height_mm: float,
    blur_px: float,
) -> list[tuple[float, RoundEdge]]:
    """Edges near a boundary with their merits, the best first.

    The merit is high for a ring that shows sharply and closely along much of the round, with nothing new outside.

    Returns
    -------
    list of (merit, RoundEdge)
        Distinct edges only.
    """
    px = 1.0 / view.px_per_mm((float(centre_mm[0]), float(centre_mm[1])), mean_height_mm)
    found: list[tuple[float, RoundEdge]] = []
    offsets = np.arange(-SEARCH_INSIDE_PX, SEARCH_OUTSIDE_PX + 0.1, 1.0)
    radii = [float(boundary_mm + offset * px) for offset in offsets if boundary_mm + offset * px > 3.0 * px]
    if not radii:
        return []
    for edge in measure_edges(image, view, centre_mm, radii, heights, mean_height_mm, blur_px):
        found.append((_merit(edge), edge))
    return distinct_edges(found, px)
