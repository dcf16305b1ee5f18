"""A tube's own edge told from its chamfer's in several photographs at once: they show one chamfer.

What `face_edge` weighs for one photograph is added up over all; and at the right width of the chamfer the photographs
agree on the radius as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from rimsight.calibration.height import Height
from rimsight.vision.circle import TUKEY_CUT, Circle
from rimsight.vision.face_edge import (
    GAPS_PX,
    WIDEST_CHAMFER_MM,
    FaceEdge,
    Mask,
    blown_share,
    blown_u_px,
    ring_data,
    typical_left,
)
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.ring_model import RingData, RingFit, usual
from rimsight.vision.ring_together import RingView, TogetherFit, fit_together
from rimsight.vision.several_chamfer import choose_together
from rimsight.vision.several_edges import Chamfer, Shot

FloatArray = NDArray[np.float64]

#: Share of the radii on which a photograph must show the edge, where others show the rest.
SMALLEST_SEEN = 0.2
#: Of the edge this much, and its blur, must be clear of the stone on both sides, pixels.
BOTH_SIDES_PX = 1.5
#: A radius that shows the edge to this weighs half of one that shows it surely, pixels.
RADIUS_U_PX = 0.15
#: What scatter over the share of the round that shows an edge costs its radius.
RADIUS_SHARE, SMALLEST_SHOWN = 0.5, 0.05
#: Radii within this many pixels (times Tukey's cut) are never taken for stray ones.
SMALLEST_SPREAD_PX = 0.06
#: Light is smoothed along the arc by so many of the model's radii (standard deviation): what the model leaves is noise
#: mostly, of which neighbours share little, while the circle and its chamfer are one all round.
ARC_RADII = 2.2
#: Fits of one width are different ones when their edges lie this far apart, pixels.
DISTINCT_PX = 0.5


@dataclass(frozen=True)
class CommonFace:
    """A tube's own edge, told from its chamfer's in several photographs.

    Parameters
    ----------
    edges : tuple of RoundEdge or None
        Points on the edge in each photograph, on the common circle but for what each radius shows of its own; weights
        by how surely it shows it. None for photographs that don't show the edge.
    scatter_px : tuple of float
        Weighted scatter of these points about the photograph's own circle.
    chamfer : Chamfer
        Its chamfer.
    u_px : float
        Standard uncertainty of the edge's place, common to the round, pixels.
    u_which_px : float
        The same by the doubt whether it is the chamfer's other edge: as much in all photographs.
    """

    edges: tuple[RoundEdge | None, ...]
    scatter_px: tuple[float, ...]
    chamfer: Chamfer
    u_px: float
    u_which_px: float

    def in_photo(self, k: int) -> FaceEdge | None:
        """The edge in one photograph, with its doubt; None where it isn't seen."""
        edge = self.edges[k]
        if edge is None:
            return None
        return FaceEdge(edge, self.chamfer.width_mm, float(np.hypot(self.u_px, RADIUS_SHARE * self.unsteady_px(k))))

    @property
    def shown(self) -> float:
        """Share of the round on which the edge shows, in the photograph that shows most of it."""
        return max(float(np.mean(edge.circle.weights)) for edge in self.edges if edge is not None)

    def unsteady_px(self, k: int) -> float:
        """Scatter of the points in one photograph over the share of the round that shows the edge, pixels."""
        edge = self.edges[k]
        assert edge is not None
        return self.scatter_px[k] / max(float(np.mean(edge.circle.weights)), SMALLEST_SHOWN)


def common_face(
    shots: Sequence[Shot],
    edges: Sequence[RoundEdge | None],
    height_mm: float,
    length: Height,
    *,
    outer: bool,
    masks: Sequence[Mask | None] | None = None,
) -> CommonFace | None:
    """A tube's own edge near a traced one, in all photographs.

    Parameters
    ----------
    shots : sequence of Shot
        The photographs.
    edges : sequence of RoundEdge or None
        The sharpest edge there in each, in the plane at the height; None where there is none.
    height_mm : float
        Height of the tube's face above the card.
    length : Height
        Length of the tube.
    outer : bool
        The outside, else the bore.
    masks : sequence of callable, optional
        Which samples of a map count, by photograph.

    Returns
    -------
    CommonFace or None
        None where the surroundings run out of the photographs or hide the edge in all but one.
    """
    traced = [(k, edge) for k, edge in enumerate(edges) if edge is not None]
    if not traced:
        return None
    merits = np.array([edge.merit for _, edge in traced]) + 1e-6
    x, y, radius = merits @ [(e.circle.x, e.circle.y, e.circle.radius) for _, e in traced] / merits.sum()
    views: list[RingView] = []
    seen: list[tuple[int, RoundEdge]] = []
    for k, edge in traced:
        shot = shots[k]
        scale = shot.calibration.view.px_per_mm((x, y), height_mm)
        common = replace(edge, circle=replace(edge.circle, x=x, y=y, radius=radius), px_per_mm=scale)
        data = ring_data(
            shot.image, shot.calibration, common, height_mm, length.mm, outer, masks[k] if masks else None,
            smallest_seen=SMALLEST_SEEN,
        )  # fmt: skip
        if data is not None:
            data = _where_shown(replace(data, bent=outer), radius * scale, max(shot.calibration.blur_px, 0.5))
            data = _smoothed(data)
            if float(np.mean(data.seen.any(axis=1))) < 0.5 * SMALLEST_SEEN:
                continue
            blown = blown_share(shot.image, shot.calibration, common, height_mm)
            u_alone = blown_u_px(shot.calibration, blown)
            views.append(RingView(data, scale, typical_left(data, radius * scale), u_alone))
            seen.append((k, common))
    if len(views) < 2:
        return None
    fits = _fits(views, radius, outer=outer)
    if not fits:
        return None
    scales = [view.px_per_mm for view in views]
    own = [_comparable(fits, k, view) for k, view in enumerate(views)]
    chosen = choose_together(scales, own, outer=outer, alone_px=[view.u_alone_px for view in views])
    found: list[RoundEdge | None] = [None] * len(shots)
    scatter = [0.0] * len(shots)
    gap = chosen.chamfer.width_mm
    radius_mm = float(np.mean([told.radius / scale for told, scale in zip(chosen.fits, scales, strict=True)]))
    best = min(fits, key=lambda fit: abs(fit.gap_mm - gap) + abs(fit.radius_mm - radius_mm))
    for (k, edge), told, own_fit in zip(seen, chosen.fits, best.fits, strict=True):
        fit = replace(own_fit, radius=told.radius)
        centre = np.array([x, y]) + np.array([fit.x, fit.y]) / edge.px_per_mm
        found[k], scatter[k] = _points(shots[k], edge, fit, centre, fit.radius / edge.px_per_mm, height_mm - gap)
    return CommonFace(tuple(found), tuple(scatter), chosen.chamfer, chosen.u_px, chosen.u_which_px)


def _where_shown(data: RingData, radius_px: float, blur_px: float) -> RingData:
    """Only the radii that show both sides of the edge: one side alone would put it anywhere beyond."""
    near = np.abs(data.place - radius_px) < BOTH_SIDES_PX + blur_px
    clear = np.asarray(data.seen[:, near].all(axis=1))
    return replace(data, seen=data.seen & clear[:, None])


def _smoothed(data: RingData) -> RingData:
    """Light smoothed along the arc, of the samples that count."""
    counted = gaussian_filter1d(data.seen.astype(float), ARC_RADII, axis=0, mode="wrap")
    light = gaussian_filter1d(np.where(data.seen, data.light, 0.0), ARC_RADII, axis=0, mode="wrap")
    return replace(data, light=np.where(data.seen, light / np.maximum(counted, 1e-6), data.light))


def _fits(views: Sequence[RingView], radius_mm: float, *, outer: bool) -> list[TogetherFit]:
    """The fits for every width of a chamfer that differ, the best first; the single edge before all."""
    px = float(np.mean([view.px_per_mm for view in views]))
    outward = 1.0 if outer else -1.0
    found: list[TogetherFit] = []
    for gap_px in (0.0, *(gap for gap in GAPS_PX if gap <= WIDEST_CHAMFER_MM * px + 0.5)):
        gap = gap_px / px
        # What was traced is either the tube's own edge, or the chamfer's other one, or lies between.
        starts = (radius_mm,) if gap == 0.0 else (radius_mm, radius_mm + outward * gap, radius_mm + 0.5 * outward * gap)
        fits = []
        for start in starts:
            try:
                fit = fit_together(views, start, gap)
            except np.linalg.LinAlgError:
                continue
            if np.isfinite(fit.radius_mm):
                fits.append(fit)
        if gap == 0.0 and not fits:
            return []
        # Two edges may be this chamfer's in more than one way: the traced one its inner or its outer edge.
        kept: list[TogetherFit] = []
        for fit in sorted(fits, key=_left):
            if all(abs(fit.radius_mm - other.radius_mm) * px > DISTINCT_PX for other in kept):
                kept.append(fit)
        found += kept
    return found


def _comparable(fits: Sequence[TogetherFit], k: int, view: RingView) -> list[RingFit]:
    """One photograph's fits by their width in millimetres, which all share.

    Radii that don't show the edge count as explained as well as a usual one, whatever the width: where little is shown,
    there is little evidence.
    """
    shown = view.data.seen.any(axis=1)
    typical = min(usual(fit.fits[k].left) for fit in fits)
    return [
        replace(
            fit.fits[k], gap=fit.gap_mm, left=np.where(shown, fit.fits[k].left, typical),
            heights=fit.fits[k].heights[shown],
        )
        for fit in fits
    ]  # fmt: skip


def _left(fit: TogetherFit) -> float:
    """What a fit leaves on a usual radius, the photographs taken together."""
    return float(np.mean([np.log(usual(own.left)) for own in fit.fits]))


def _points(
    shot: Shot, edge: RoundEdge, fit: RingFit, centre_mm: FloatArray, radius_mm: float, height_mm: float
) -> tuple[RoundEdge, float]:
    """The edge's points in one photograph, weighted by how surely each radius shows it; and their scatter, pixels."""
    angles = np.arange(len(fit.offsets)) * (2.0 * np.pi / len(fit.offsets))
    direction = np.column_stack([np.cos(angles), np.sin(angles)])
    weights = RADIUS_U_PX**2 / (RADIUS_U_PX**2 + np.minimum(fit.offsets_u, 1e3) ** 2)
    offsets, weights = _steadied(fit.offsets, weights)
    circle = Circle(
        float(centre_mm[0]), float(centre_mm[1]), radius_mm, edge.circle.covariance, np.zeros(len(angles)), weights
    )
    points = centre_mm + direction * (radius_mm + offsets / edge.px_per_mm)[:, None]
    points_px = shot.calibration.view.to_pixels(points, height_mm)
    made = replace(edge, points_px=points_px, contrast=fit.heights[:, 0], circle=circle, heights=level(height_mm))
    scatter = float(np.sqrt(np.sum(weights * offsets**2) / max(float(weights.sum()), 1e-9)))
    return made, scatter


def _steadied(offsets: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Offsets within reach, and weights without those that stray (Tukey's biweight about the median)."""
    order = np.argsort(offsets)
    share = np.cumsum(weights[order])
    middle = float(offsets[order][np.searchsorted(share, 0.5 * share[-1])])
    away = np.abs(offsets - middle)
    order = np.argsort(away)
    spread = 1.4826 * float(away[order][np.searchsorted(np.cumsum(weights[order]), 0.5 * share[-1])])
    cut = TUKEY_CUT * max(spread, SMALLEST_SPREAD_PX)
    kept = np.where(away < cut, (1.0 - (away / cut) ** 2) ** 2, 0.0)
    return np.clip(offsets, middle - cut, middle + cut), weights * kept
