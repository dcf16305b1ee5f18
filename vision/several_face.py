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
    believable,
    blown_share,
    blown_u_px,
    fit_costs,
    fit_penalty,
    ring_data,
    typical_left,
)
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.ring_model import RingData, RingFit, usual
from rimsight.vision.ring_together import OWN_U_PX, RingView, TogetherFit, fit_together
from rimsight.vision.several_edges import Shot

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
#: What photographs whose radii differ cost, in units of evidence for each pixel, root mean square, beyond what light
#: that is blown out does: a plain edge taken for a chamfer's lies elsewhere in every light.
DIFFERING_COST = 0.7
#: Light is smoothed along the arc by so many of the model's radii (standard deviation): what the model leaves is noise
#: mostly, of which neighbours share little, while the circle and its chamfer are one all round.
ARC_RADII = 2.2
#: A second edge is as likely as not when its evidence is this; its likelihood follows a logistic curve of that width.
#: At the outside less is asked of a wide one, for each pixel of width: the light beyond has a slope of its own there,
#: which takes up part of what a wide chamfer does; at the bore, more where a pixel is small, by its logarithm: there a
#: chamfer spans more of them. A cut bore is always broken at its mouth (common practice, no source). About the most
#: likely constants for 270 edges of rendered tubes at 19 to 50 pixels a millimetre; with seven in eight of the scenes
#: choosing for the eighth, 95 % of the 215 at 33 and more came out within 0.023 mm outside and 0.020 mm at the bore.
OUTER_EVIDENCE, OUTER_EVIDENCE_SPREAD, WIDTH_EVIDENCE = 3.34, 0.55, 0.34
BORE_EVIDENCE, BORE_EVIDENCE_SPREAD, SCALE_EVIDENCE, USUAL_PX_PER_MM = 0.84, 0.29, 0.45, 40.0
#: A radius says no more than this for or against a second edge, in units of what is usually left.
MOST_EVIDENCE = 3.0
#: From this likelihood on a second edge is told surely.
SURE = 0.9
#: What a changed blur costs here, per squared logarithm, and how much it may change: a tube's end lies 3 to 12 mm
#: nearer than the card, and the lens is focused on either. In rendered photographs from 110 to 190 mm its blur was 0.65
#: to 1.6 times that of the square's edges, alike at the outside and the bore; held within 5 % of it, chamfers 4 px wide
#: were read a quarter too narrow, and plain bores as chamfered.
BLUR_COST, LARGEST_BLUR_CHANGE = 1.0, 0.5
#: How far the readings with and without a chamfer may lie apart in that doubt, pixels: a wider one would show surely.
LARGEST_APART_PX = 2.0
#: Standard uncertainty of the edge's place, pixels, as in `face_edge` for one photograph: a single one outside and at
#: the bore, and one beside its chamfer's other edge, told apart surely or barely. From the odd ones of 13 rendered
#: pairs of tubes; there the edges lay 0.14 px (outer) and 0.27 px (bore) from the true ones, root mean square; on the
#: even ones 0.13 and 0.21 px.
SINGLE_OUTER_U_PX, SINGLE_BORE_U_PX, DOUBLE_U_PX, BARE_U_PX = 0.15, 0.35, 0.15, 0.3
#: Fits of one width are different ones when their edges lie this far apart, pixels.
DISTINCT_PX = 0.5
#: Widths of a chamfer share the say by exp(-cost / this); 0.06 to 0.15 did about as well.
ALIKE_COST = 0.1
#: A chamfer's two edges must both show in this share of the photographs.
BELIEVING_SHARE = 0.5


@dataclass(frozen=True)
class _Width:
    """One width of a chamfer, in all photographs; `penalty` is what its cost holds beside the light that is left."""

    gap_mm: float
    cost: float
    penalty: float
    believed: bool
    fits: tuple[RingFit, ...]


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
    gap_mm : float
        Width of the chamfer, 0 where none was told apart.
    u_px : float
        Standard uncertainty of the edge's place, common to the round, pixels.
    """

    edges: tuple[RoundEdge | None, ...]
    scatter_px: tuple[float, ...]
    gap_mm: float
    u_px: float

    def in_photo(self, k: int) -> FaceEdge | None:
        """The edge in one photograph, with its doubt; None where it isn't seen."""
        edge = self.edges[k]
        if edge is None:
            return None
        return FaceEdge(edge, self.gap_mm, float(np.hypot(self.u_px, RADIUS_SHARE * self.unsteady_px(k))))

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
    chosen, u_px = choose_together(scales, own, outer=outer, alone_px=[view.u_alone_px for view in views])
    found: list[RoundEdge | None] = [None] * len(shots)
    scatter = [0.0] * len(shots)
    gap = chosen[0].gap
    radius_mm = float(np.mean([told.radius / scale for told, scale in zip(chosen, scales, strict=True)]))
    best = min(fits, key=lambda fit: abs(fit.gap_mm - gap) + abs(fit.radius_mm - radius_mm))
    for (k, edge), told, own_fit in zip(seen, chosen, best.fits, strict=True):
        fit = replace(own_fit, radius=told.radius)
        centre = np.array([x, y]) + np.array([fit.x, fit.y]) / edge.px_per_mm
        found[k], scatter[k] = _points(shots[k], edge, fit, centre, fit.radius / edge.px_per_mm, height_mm - gap)
    return CommonFace(tuple(found), tuple(scatter), gap, u_px)


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


def choose_together(
    px_per_mm: Sequence[float], fits: list[list[RingFit]], *, outer: bool, alone_px: Sequence[float] | None = None
) -> tuple[tuple[RingFit, ...], float]:
    """The fits of one width of chamfer that explain all photographs best, and their edge's doubt.

    Parameters
    ----------
    px_per_mm : sequence of float
        Scale of each photograph at the edge.
    fits : list of list of RingFit
        Fits of each photograph for every width, the single edge first.
    outer : bool
        The outside, else the bore.
    alone_px : sequence of float, optional
        Standard uncertainty of each photograph's radius that it has alone; default none.

    Returns
    -------
    fits : tuple of RingFit
        One of each photograph.
    u_px : float
        Standard uncertainty of the edge's place, common to the round, pixels.
    """
    widths = _widths(np.array(px_per_mm), fits, np.zeros(len(fits)) if alone_px is None else np.array(alone_px))
    single = widths[0]
    double = [width for width in widths[1:] if width.believed]
    best = min(double, key=lambda width: width.cost, default=single)
    own = SINGLE_OUTER_U_PX if outer else SINGLE_BORE_U_PX
    if best is single:
        return single.fits, own
    spread = OUTER_EVIDENCE_SPREAD if outer else BORE_EVIDENCE_SPREAD
    needed = evidence_needed(px_per_mm, best.gap_mm, outer=outer)
    evidence = _evidence(fits, single, best) if outer else single.cost - best.cost
    sure = float(1.0 / (1.0 + np.exp((needed - evidence) / spread)))
    told, gap, u_told = _blended(double, best)
    u_told = float(np.hypot(DOUBLE_U_PX if sure > SURE else BARE_U_PX, u_told))
    plain = np.array([fit.radius for fit in single.fits])
    apart = abs(float(np.mean(told - plain)))
    # Near to the evidence that is needed either reading may be right: each counts by how likely it is, where they are
    # near enough together that a mean of both is an edge at all. Of 43 rendered bores 95 % were off by 0.057 mm at most
    # when one was chosen, by 0.045 mm so (odd scenes 0.045 both, even ones 0.058 and 0.028).
    share = sure if apart < LARGEST_APART_PX else float(sure > 0.5)
    kept, gap = (best.fits, gap) if sure > 0.5 else (single.fits, 0.0)
    mixed = tuple(
        replace(own_fit, radius=float(radius), gap=gap)
        for own_fit, radius in zip(kept, share * told + (1.0 - share) * plain, strict=True)
    )
    doubt = sure * (1.0 - sure) * min(apart, LARGEST_APART_PX) ** 2
    return mixed, float(np.sqrt(share * u_told**2 + (1.0 - share) * own**2 + doubt))


def _blended(double: Sequence[_Width], best: _Width) -> tuple[FloatArray, float, float]:
    """Radius in each photograph and chamfer by how likely each width is, and the doubt of the radius, pixels.

    Those too far from the best one for a mean to be an edge at all are left in doubt only.
    """
    shares = np.exp([(best.cost - width.cost) / ALIKE_COST for width in double])
    shares /= shares.sum()
    radii = np.array([[fit.radius for fit in width.fits] for width in double])
    apart = np.abs((radii - [fit.radius for fit in best.fits]).mean(axis=1))
    near = np.where(apart < LARGEST_APART_PX, shares, 0.0)
    near /= near.sum()
    radius, gap = near @ radii, float(near @ [width.gap_mm for width in double])
    return radius, gap, float((shares @ (radii - radius).mean(axis=1) ** 2) ** 0.5)


def evidence_needed(px_per_mm: Sequence[float], gap_mm: float, *, outer: bool) -> float:
    """The evidence at which a second edge is as likely as not.

    Parameters
    ----------
    px_per_mm : sequence of float
        Scale of each photograph at the edge.
    gap_mm : float
        Width of the chamfer.
    outer : bool
        The outside, else the bore.
    """
    scale = float(np.mean(px_per_mm))
    if outer:
        return OUTER_EVIDENCE - WIDTH_EVIDENCE * gap_mm * scale
    return BORE_EVIDENCE + SCALE_EVIDENCE * float(np.log(scale / USUAL_PX_PER_MM))


def _evidence(fits: Sequence[Sequence[RingFit]], single: _Width, double: _Width) -> float:
    """How much better a chamfer explains the light at the outside than a single edge.

    The sum of two means over the radii, each of which tells more than the mean logarithm by which widths are compared:
    of what it leaves less, in units of what is usually left, and the logarithm of what either leaves in all. And less
    what its blur, its level and radii that differ cost more. At a bore the mean logarithm decides: what shows inside of
    it on few radii weighs in the means, and made a chamfer of 0.07 mm of a plain bore that was read 0.11 mm small.
    """
    found = []
    for own, plain, chamfered in zip(fits, single.fits, double.fits, strict=True):
        typical = max(min(float(np.median(fit.left)) for fit in own), 1e-14)
        better = np.clip((plain.left - chamfered.left) / typical, -MOST_EVIDENCE, MOST_EVIDENCE)
        found.append(float(better.mean() + np.log(max(plain.left.mean(), 1e-14) / max(chamfered.left.mean(), 1e-14))))
    return float(np.mean(found)) + single.penalty - double.penalty


def _widths(px_per_mm: FloatArray, fits: list[list[RingFit]], alone_px: FloatArray) -> list[_Width]:
    """Every width of a chamfer that was tried in all photographs; the single edge first."""
    costs = np.mean([fit_costs(own, BLUR_COST) for own in fits], axis=0)
    penalties = np.mean([[fit_penalty(fit, BLUR_COST) for fit in own] for own in fits], axis=0)
    told = OWN_U_PX**2 / (OWN_U_PX**2 + alone_px**2)
    found = []
    for own, cost_of, penalty in zip(zip(*fits, strict=True), costs, penalties, strict=True):
        radii = np.array([fit.radius for fit in own]) / px_per_mm
        differing = float(np.average(((radii - np.average(radii, weights=told)) * px_per_mm) ** 2, weights=told)) ** 0.5
        differing *= DIFFERING_COST
        believed = sum(believable(fit, LARGEST_BLUR_CHANGE) for fit in own) >= BELIEVING_SHARE * len(own)
        found.append(_Width(own[0].gap, float(cost_of) + differing, float(penalty) + differing, believed, own))
    return found
