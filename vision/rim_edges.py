"""Finding a girdle on metal: the outermost ring inside the tube's edge that isn't the tube's own chamfer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.height import GirdleHeights
from rimsight.calibration.pixels import LightImage
from rimsight.vision.fields import colour_crests, edge_field, novelty, outermost, roughness, shifted_mean
from rimsight.vision.outline import RoundEdge, level, measure_edge, measure_edges, ring_circle, wall
from rimsight.vision.polar import ARC_SMOOTHING_PX, PolarMap, unroll
from rimsight.vision.rings import best_ring, strongest_rings
from rimsight.vision.tube_edges import COLOURED, FAINT_ARC_PX

FloatArray = NDArray[np.float64]

#: Widest chamfer on a tube's outer edge, millimetres (judgement): a ring nearer to the edge than this, and concentric
#: with it, may be the chamfer's inner edge instead of a girdle.
WIDEST_CHAMFER_MM = 0.14
#: The girdle is at least this share of the tube's diameter; rings further in are facets.
SMALLEST_SHARE = 0.5
#: An edge worth less than this share of the best one is not considered.
WORTH_SHARE = 0.3
#: Below this merit a ring is not believed to be a girdle.
SMALLEST_MERIT = 0.12
SMALLEST_COVERAGE_DEG = 190.0
#: Widest rim that is looked for round a stone, millimetres.
LARGEST_RIM_MM = 1.0
#: A faint outer edge shows over this much of the round, this closely, at least this well.
FAINT_COVERAGE_DEG = 220.0
FAINT_SCATTER_PX = 0.6
FAINT_MERIT = 0.35
#: How far the light is smoothed along the arc in search of it, pixels, one after the other.
FAINT_ARCS_PX = (ARC_SMOOTHING_PX, FAINT_ARC_PX, 14.0)
#: Another edge makes the reading doubtful from this share of its merit on, when it lies this near, pixels.
#: Further out a lesser one does: a ring of facets may show more sharply than the girdle round it.
RIVAL_SHARE, OUTER_RIVAL_SHARE = 0.6, 0.42
RIVAL_REACH_PX = 6.0
#: A girdle of less merit may be another ring, a pixel or two away: of 18 such on rendered photographs eight were.
WEAK_MERIT, WEAK_GAP_PX = 0.35, 2.0
#: Edges whose radii differ by less are of one size, pixels.
SAME_RADIUS_PX = 1.0
#: An edge of luminance replaces one of colour beside it from this share of its merit on.
SHARPER_SHARE = 0.4


@dataclass(frozen=True)
class Found:
    """A girdle that was found.

    Parameters
    ----------
    merit : float
        How well it shows.
    edge : RoundEdge
        The edge.
    rival_gap_px : float
        Distance in radius to the furthest near edge that shows nearly as well, pixels; 0 when there is none.
    rival_shift_px : float
        The same of the centres of edges of its own size.
    """

    merit: float
    edge: RoundEdge
    rival_gap_px: float
    rival_shift_px: float = 0.0


def girdle_on_face(
    image: LightImage,
    view: View,
    tube: RoundEdge,
    heights: GirdleHeights,
    blur_px: float,
    *,
    smallest_mm: float = 0.0,
) -> Found | None:
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
    smallest_mm : float
        Diameter that a stone must have so as not to fall into the bore.

    Returns
    -------
    Found or None
        None when no ring there is convincing.
    """
    plane = heights.mean_mm
    centre = tube.circle.centre
    radius = tube.circle.radius
    px = 1.0 / tube.px_per_mm
    polar = unroll(image, view, centre, plane, 0.4 * radius, radius + 12.0 * px, angles=360)
    # The tube's edge as it appears in the girdle's plane, and a guard of its own blur.
    edge_points = centre + polar.directions * radius
    top = tube.heights(view, edge_points, polar.directions)
    seen = view.to_plane(view.to_pixels(edge_points, top), plane)
    apparent = np.sum((seen - centre) * polar.directions, axis=1)
    guard = (1.0 + 0.9 * blur_px) * px
    inside = polar.radii_mm[None, :] < (apparent - guard)[:, None]
    rule = wall(heights.lower_mm, heights.upper_mm)
    found: list[tuple[float, RoundEdge]] = []
    for own, size, offsets in _starts(polar, inside, centre, radius, blur_px, px):
        radii = [size + offset * px for offset in offsets if size + offset * px > 3.0 * px]
        if not radii:
            continue
        for edge in measure_edges(image, view, own, radii, rule, plane, blur_px, noise=tube.noise):
            reach = edge.circle.radius + float(np.hypot(*(edge.circle.centre - centre)))
            smallest = max(SMALLEST_SHARE * radius, 0.5 * smallest_mm - px)
            if edge.coverage_deg < SMALLEST_COVERAGE_DEG or edge.circle.radius < smallest:
                continue
            if edge.circle.radius > radius - 0.5 * guard or reach > radius + 0.5:
                continue
            if any(_same(edge, other, px) for _, other in found):
                continue
            # Nothing but plain metal lies between a girdle and the tube's edge; outside a facet lies more stone.
            found.append((edge.merit * _rougher_inside(image, view, edge, tube, plane, blur_px), edge))
    chosen = _choose(found, tube, view, px)
    if chosen is None:
        return None
    merit, edge = chosen
    gaps = [
        abs(other.circle.radius - edge.circle.radius) / px
        for own, other in found
        if own > RIVAL_SHARE * merit or (own > OUTER_RIVAL_SHARE * merit and _beyond(other, edge, tube, view, px))
    ]
    shifts = [
        float(np.hypot(*(other.circle.centre - edge.circle.centre))) / px
        for own, other in found
        if own > RIVAL_SHARE * merit and abs(other.circle.radius - edge.circle.radius) < SAME_RADIUS_PX * px
    ]
    return Found(
        merit,
        edge,
        max((gap for gap in gaps if 0.6 < gap < RIVAL_REACH_PX), default=WEAK_GAP_PX if merit < WEAK_MERIT else 0.0),
        max((shift for shift in shifts if shift > 1.0), default=0.0),
    )


def _beyond(other: RoundEdge, edge: RoundEdge, tube: RoundEdge, view: View, px: float) -> bool:
    """Whether a ring lies outside an edge and isn't the tube's chamfer."""
    return other.circle.radius > edge.circle.radius and not _may_be_chamfer(other, tube, view, px)


def _same(edge: RoundEdge, other: RoundEdge, px: float) -> bool:
    near = abs(edge.circle.radius - other.circle.radius) < 0.4 * px
    return bool(near and np.hypot(*(edge.circle.centre - other.circle.centre)) < px)


def _starts(
    polar: PolarMap, inside: NDArray[np.bool_], centre: FloatArray, radius: float, blur_px: float, px: float
) -> list[tuple[FloatArray, float, tuple[float, ...]]]:
    """Where to look for the girdle: centre, radius and offsets (pixels) to try.

    Four cues, since none works on every stone: sharp rings of luminance, sharp rings of colour, the end of plain metal
    (novelty), and the end of smoothness along the arc (facets flash, metal does not).
    """
    shift = min(0.25 * radius, 0.9)
    starts: list[tuple[FloatArray, float, tuple[float, ...]]] = []
    for crests in (edge_field(polar, blur_px).crests, colour_crests(polar, blur_px)):
        field = outermost(np.where(inside, crests, 0.0))
        for ring in strongest_rings(
            field, polar, largest_shift_mm=shift, tolerance_px=0.8, smallest_support=0.12, most=3
        ):
            own, size = ring_circle(centre, ring)
            starts.append((own, size, (-1.0, 0.5)))
    per_px = 1.0 / polar.step_px
    new = np.where(inside, novelty(polar, blur_px, window_px=3.0), False).astype(np.float64)
    rough = np.where(inside, roughness(polar), 0.0)
    for cue in (new, rough):
        field = shifted_mean(cue, -int(5.5 * per_px), -int(0.5 * per_px)) - shifted_mean(
            cue, int(0.8 * per_px), int(3.8 * per_px)
        )
        field = np.where(inside, field, 0.0)
        field[:, : int(6.0 * per_px)] = 0.0
        ring = best_ring(field, polar, largest_shift_mm=shift)
        own, size = ring_circle(centre, ring)
        starts.append((own, size, (-3.0, -2.0, -1.0, 0.0, 1.0)))
    return starts


def _rougher_inside(
    image: LightImage, view: View, edge: RoundEdge, tube: RoundEdge, plane: float, blur_px: float
) -> float:
    """Weight from 0.25 to 1: how much rougher the light is just inside the edge than just outside it."""
    px = 1.0 / edge.px_per_mm
    gap = (tube.circle.radius - edge.circle.radius) * edge.px_per_mm
    width = float(np.clip(gap - 1.0 - 1.5 * blur_px, 1.0, 5.0))
    start = 0.7 + 0.7 * blur_px
    radius = edge.circle.radius
    inner_mm, outer_mm = max(radius - 9.0 * px, 0.3 * radius), radius + 9.0 * px
    polar = unroll(image, view, edge.circle.centre, plane, inner_mm, outer_mm, angles=300, colour=False)
    rough = roughness(polar)
    place = (polar.radii_mm - radius) / px
    inner = float(np.mean(rough[:, (place < -start) & (place > -start - 5.0)]))
    outer = float(np.mean(rough[:, (place > start) & (place < start + width)]))
    return float(np.clip((inner - outer) / max(inner + outer, 1e-6), 0.1, 1.0))


def faint_outer_edge(
    image: LightImage,
    view: View,
    inner: RoundEdge,
    height_mm: float,
    blur_px: float,
    *,
    reach_mm: float = LARGEST_RIM_MM,
    from_mm: float = 0.0,
) -> RoundEdge | None:
    """Look for a faint edge of a tube round an edge that looks like a stone's or a bore's.

    A silver rim on white paper hardly stands out, while the stone or the dark bore inside of it does. Metal is the same
    along its edge, so the light is smoothed further and further along the arc until a ring shows.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    inner : RoundEdge
        The edge that was found.
    height_mm : float
        Height of the tube's end.
    blur_px : float
        Blur, pixels.
    reach_mm, from_mm : float
        How far outside to look, and from where.
    """
    for arc_px in FAINT_ARCS_PX:
        found = _faint_ring(image, view, inner, height_mm, blur_px, reach_mm, from_mm, arc_px)
        if found is not None:
            return found
    return None


def _faint_ring(
    image: LightImage,
    view: View,
    inner: RoundEdge,
    height_mm: float,
    blur_px: float,
    reach_mm: float,
    from_mm: float,
    arc_px: float,
) -> RoundEdge | None:
    px = 1.0 / inner.px_per_mm
    radius = inner.circle.radius
    farthest = radius + reach_mm
    polar = unroll(image, view, inner.circle.centre, height_mm, radius, farthest + 14.0 * px, angles=360, arc_px=arc_px)
    nearest = radius + max((1.0 + 1.2 * blur_px) * px, from_mm)
    near = (polar.radii_mm > nearest) & (polar.radii_mm < farthest)
    best: RoundEdge | None = None
    for crests in (edge_field(polar, blur_px).crests, colour_crests(polar, blur_px)):
        field = np.where(near[None, :], crests, 0.0)
        for ring in strongest_rings(
            field, polar, largest_shift_mm=0.5, tolerance_px=0.8, smallest_support=0.15, most=2
        ):
            own, size = ring_circle(inner.circle.centre, ring)
            try:
                edge = measure_edge(image, view, own, size, level(height_mm), height_mm, blur_px, arc_px=arc_px)
            except ValueError:
                continue
            seen = edge.coverage_deg >= FAINT_COVERAGE_DEG and edge.scatter_px <= FAINT_SCATTER_PX
            outside = edge.circle.radius > radius + px
            if seen and outside and edge.merit >= FAINT_MERIT and (best is None or edge.merit > best.merit):
                best = edge
    return best


def _choose(
    found: list[tuple[float, RoundEdge]], tube: RoundEdge, view: View, px: float
) -> tuple[float, RoundEdge] | None:
    if not found:
        return None
    found.sort(key=lambda item: -item[0])
    best_merit, best = found[0]
    if best_merit < SMALLEST_MERIT:
        return None
    if best.colour > COLOURED:
        # Colour bleeds: where luminance shows the same edge at all well, it shows it more truly.
        sharper = [
            (merit, edge)
            for merit, edge in found[1:]
            if edge.colour <= COLOURED
            and merit > SHARPER_SHARE * best_merit
            and abs(edge.circle.radius - best.circle.radius) < 2.5 * px
        ]
        if sharper:
            best_merit, best = sharper[0]
    if _may_be_chamfer(best, tube, view, px):
        deeper = [
            (merit, edge)
            for merit, edge in found[1:]
            if merit > max(WORTH_SHARE * best_merit, SMALLEST_MERIT)
            and edge.circle.radius < best.circle.radius - 2.0 * px
            and not _may_be_chamfer(edge, tube, view, px)
        ]
        if deeper:
            return deeper[0]
    return best_merit, best


def _may_be_chamfer(edge: RoundEdge, tube: RoundEdge, view: View, px: float) -> bool:
    # Compared in the plane of the tube's face, where a chamfer's inner edge is concentric with the outer one.
    own = edge.refit(view, tube.heights)
    gap = tube.circle.radius - own.radius
    apart = float(np.hypot(*(own.centre - tube.circle.centre)))
    return bool(gap < WIDEST_CHAMFER_MM + 0.5 * px and apart < px + 0.15 * gap)


def is_textured(image: LightImage, view: View, edge: RoundEdge, height_mm: float, blur_px: float) -> bool:
    """Whether the light just inside an edge changes along it as facets do, and not as a metal face does."""
    px = 1.0 / edge.px_per_mm
    radius = edge.circle.radius
    inner_mm, outer_mm = max(radius - 12.0 * px, 0.3 * radius), radius + 12.0 * px
    polar = unroll(image, view, edge.circle.centre, height_mm, inner_mm, outer_mm, angles=480, colour=False)
    light = polar.channel()
    near = polar.radii_mm < radius - (1.5 + 1.2 * blur_px) * px
    inner = light[:, near]
    if inner.size == 0:
        return False
    # Differences over about 4 px of arc: facets flash within that, a brushed or matt face does not.
    lag = max(1, round(4.0 * px / (radius * 2 * np.pi / len(polar.angles))))
    rough = np.abs(inner - np.roll(inner, lag, axis=0))
    return bool(np.median(rough) > 0.12 * max(float(np.median(inner)), 0.02))
