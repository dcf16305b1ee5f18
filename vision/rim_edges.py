"""Finding a girdle on metal: the outermost ring inside the tube's edge that isn't the tube's own chamfer."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.height import GirdleHeights
from rimsight.calibration.pixels import LightImage
from rimsight.vision.fields import colour_crests, edge_field, outermost
from rimsight.vision.outline import RoundEdge, measure_edge, ring_circle, wall
from rimsight.vision.polar import unroll
from rimsight.vision.rings import strongest_rings

FloatArray = NDArray[np.float64]

#: Widest chamfer on a tube's outer edge, millimetres (judgement): a ring nearer to the edge than this, and concentric
#: with it, may be the chamfer's inner edge instead of a girdle.
WIDEST_CHAMFER_MM = 0.14
#: The girdle is at least this share of the tube's diameter; rings further in are facets.
SMALLEST_SHARE = 0.5
#: An edge worth less than this share of the best one is not considered.
WORTH_SHARE = 0.3
#: Below this merit a ring is not believed to be a girdle.
SMALLEST_MERIT = 0.2
SMALLEST_COVERAGE_DEG = 190.0


def girdle_on_face(
    image: LightImage, view: View, tube: RoundEdge, heights: GirdleHeights, blur_px: float
) -> RoundEdge | None:
    """Find and measure a stone's girdle inside a tube's outer edge.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    tube : RoundEdge
        The tube's outer edge.
    heights : GirdleHeights
        Where the girdle is expected.
    blur_px : float
        Blur, pixels.

    Returns
    -------
    RoundEdge or None
        None when no ring there is convincing.
    """
    plane = heights.mean_mm
    centre = tube.circle.centre
    radius = tube.circle.radius
    px = 1.0 / tube.px_per_mm
    polar = unroll(image, view, centre, plane, 0.4 * radius, radius + 12.0 * px, angles=480)
    # The tube's edge as it appears in the girdle's plane, and a guard of its own blur.
    edge_points = centre + polar.directions * radius
    top = tube.heights(view, edge_points, polar.directions)
    seen = view.to_plane(view.to_pixels(edge_points, top), plane)
    apparent = np.sum((seen - centre) * polar.directions, axis=1)
    guard = (1.0 + 0.9 * blur_px) * px
    inside = polar.radii_mm[None, :] < (apparent - guard)[:, None]
    rule = wall(heights.lower_mm, heights.upper_mm)
    found: list[tuple[float, RoundEdge]] = []
    for crests in (edge_field(polar, blur_px).crests, colour_crests(polar, blur_px)):
        field = outermost(np.where(inside, crests, 0.0))
        shift = min(0.25 * radius, 0.9)
        for ring in strongest_rings(
            field, polar, largest_shift_mm=shift, tolerance_px=0.8, smallest_support=0.12, most=4
        ):
            own, size = ring_circle(centre, ring)
            for offset in (-1.5, 0.0, 1.5):
                try:
                    edge = measure_edge(image, view, own, size + offset * px, rule, plane, blur_px)
                except ValueError:
                    continue
                reach = edge.circle.radius + float(np.hypot(*(edge.circle.centre - centre)))
                if edge.coverage_deg < SMALLEST_COVERAGE_DEG or edge.circle.radius < SMALLEST_SHARE * radius:
                    continue
                if edge.circle.radius > radius - 0.5 * guard or reach > radius + 0.5:
                    continue
                merit = edge.merit * ring.support**0.5
                if not any(abs(edge.circle.radius - other.circle.radius) < 0.4 * px for _, other in found):
                    found.append((merit, edge))
    return _choose(found, tube, px)


def _choose(found: list[tuple[float, RoundEdge]], tube: RoundEdge, px: float) -> RoundEdge | None:
    if not found:
        return None
    found.sort(key=lambda item: -item[0])
    best_merit, best = found[0]
    if best_merit < SMALLEST_MERIT:
        return None
    if _may_be_chamfer(best, tube, px):
        deeper = [
            (merit, edge)
            for merit, edge in found[1:]
            if merit > max(WORTH_SHARE * best_merit, SMALLEST_MERIT)
            and edge.circle.radius < best.circle.radius - 2.0 * px
            and not _may_be_chamfer(edge, tube, px)
        ]
        if deeper:
            return deeper[0][1]
    return best


def _may_be_chamfer(edge: RoundEdge, tube: RoundEdge, px: float) -> bool:
    gap = tube.circle.radius - edge.circle.radius
    apart = float(np.hypot(*(edge.circle.centre - tube.circle.centre)))
    return bool(gap < WIDEST_CHAMFER_MM + 0.5 * px and apart < 0.7 * px + 0.25 * gap)


def is_textured(image: LightImage, view: View, edge: RoundEdge, height_mm: float, blur_px: float) -> bool:
    """Whether the light just inside an edge changes along it as facets do, and not as a metal face does."""
    px = 1.0 / edge.px_per_mm
    radius = edge.circle.radius
    polar = unroll(image, view, edge.circle.centre, height_mm, max(radius - 12 * px, 0.3 * radius), radius + 12 * px)
    light = polar.channel()
    near = polar.radii_mm < radius - (1.5 + 1.2 * blur_px) * px
    inner = light[:, near]
    if inner.size == 0:
        return False
    # Differences over about 4 px of arc: facets flash within that, a brushed or matt face does not.
    lag = max(1, round(4.0 * px / (radius * 2 * np.pi / len(polar.angles))))
    rough = np.abs(inner - np.roll(inner, lag, axis=0))
    return bool(np.median(rough) > 0.12 * max(float(np.median(inner)), 0.02))
