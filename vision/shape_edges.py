"""The sub-pixel edge along an outline: located on its normals in the original pixels, the outline moved to it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.vision.fields import CHROMA_BLUR_PX, EdgeField, edge_field, novelty, outermost, telling_weights
from rimsight.vision.outline import HeightRule
from rimsight.vision.polar import PolarMap
from rimsight.vision.shape_fit import moved, tukey
from rimsight.vision.shape_models import Curve, Family, at_shares
from rimsight.vision.shape_steps import joint_field
from rimsight.vision.shape_strip import Patch, unroll_along

FloatArray = NDArray[np.float64]

#: Half width of the window in which the edge is looked for, and spread of the preference for its middle, by round.
CLOSE_PX = ((4.0, 2.0), (2.5, 1.5), (1.6, 1.0), (1.6, 1.0))
#: Nearer to a corner than this many blurs the edge is rounded off by the blur and left out of the fit.
CORNER_BLURS = 2.5
#: Bends sharper than a radius of this many blurs count as corners.
BEND_BLURS = 4.0
#: A crest supports the outline when it lies this near, pixels.
TIGHT_PX = 0.5
#: The outline is looked at in so many stretches; one of less mean support than this is not seen, and what that costs.
STRETCHES, SEEN_FROM, SEEN_POWER = 16, 0.25, 2
#: Weight of an edge that shows as evidence only (`Guide`), beside that of a clear edge in light.
EVIDENCE_WEIGHT = 0.25
#: Residuals below this are never taken for outliers, pixels.
SMALLEST_SCATTER_PX = 0.05
#: An edge of this merit is clear; below, colour is tried, and has to be this many times better.
CLEAR_MERIT = 0.9
COLOUR_HANDICAP = 1.4


@dataclass(frozen=True)
class Guide:
    """Where the girdle may run, as a map of the photograph (`shape_evidence.girdle_maps`).

    Parameters
    ----------
    corner_px : ndarray of shape (2,)
        First column and row.
    evidence : ndarray of shape (h, w)
        0 to 1, thin along edges.
    joint : bool
        The edge is one of a coloured or dark stone, located in all colours together.
    """

    corner_px: FloatArray
    evidence: NDArray[np.float32]
    joint: bool = False

    def along(self, pixels: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Evidence at pixels (N, R, 2), and the largest of it within one pixel, both (N, R)."""
        x, y = (np.asarray(pixels[..., k] - self.corner_px[k], dtype=np.float32) for k in (0, 1))
        thick = cv2.dilate(self.evidence, np.ones((3, 3), np.uint8))
        here, near = (cv2.remap(plane, x, y, cv2.INTER_LINEAR) for plane in (self.evidence, thick))
        return np.asarray(here, dtype=np.float64), np.asarray(near, dtype=np.float64)


@dataclass(frozen=True)
class ShapeEdge:
    """The edge along an outline.

    Parameters
    ----------
    family : Family
        Kind of outline.
    parameters : ndarray of shape (P,)
        Its parameters, card millimetres at the edge's own height.
    curve : Curve
        Points along it.
    points_px : ndarray of shape (N, 2)
        The edge found on each normal, pixels.
    offsets_mm : ndarray of shape (N,)
        How far outside of the outline it lies.
    weights : ndarray of shape (N,)
        0 for rejected points and at corners.
    heights : HeightRule
        Height of each point.
    px_per_mm : float
        Scale at the edge.
    support : float
        Mean strength of the crests along the outline, 0 to 1.
    novelty_outside : float
        Share of the outline on which something new still lies just outside.
    noise : float
        Step of light that noise makes.
    seen : float
        Share of the outline's stretches along which it shows at all.
    colour : float
        0 when located in luminance, up to 1 in a colour difference.
    tip_u_mm : float
        Standard uncertainty of where a tip ends that may be cut (`shape_tips`).
    """

    family: Family
    parameters: FloatArray
    curve: Curve
    points_px: FloatArray
    offsets_mm: FloatArray
    weights: FloatArray
    heights: HeightRule
    px_per_mm: float
    support: float
    novelty_outside: float
    noise: float
    seen: float
    colour: float = 0.0
    tip_u_mm: float = 0.0

    @property
    def scatter_px(self) -> float:
        """Weighted scatter of the points about the outline, pixels."""
        total = float(self.weights.sum())
        if total <= 0.0:
            return float("inf")
        return float(np.sqrt(np.sum(self.weights * self.offsets_mm**2) / total)) * self.px_per_mm

    @property
    def merit(self) -> float:
        """High for a sharp edge seen all round: support over scatter in pixels, less what still lies outside.

        A side that the edge doesn't follow has no weight in the scatter, so it counts by the stretches that are seen.
        """
        clear = (self.support + 0.02) / (self.scatter_px + 0.2)
        return clear * (1.0 - self.novelty_outside) * self.seen**SEEN_POWER

    @property
    def coverage_deg(self) -> float:
        """How much of the round, seen from the middle, supports the outline, in bins of 3 degrees."""
        middle = self.curve.points_mm.mean(axis=0)
        away = self.curve.points_mm[self.weights > 0.0] - middle
        turn = np.degrees(np.arctan2(away[:, 1], away[:, 0])) % 360.0
        return float(len(np.unique((turn / 3.0).astype(int))) * 3.0)


def follow(
    patch: Patch,
    view: View,
    family: Family,
    parameters: FloatArray,
    heights: HeightRule,
    blur_px: float,
    *,
    windows: tuple[tuple[float, float], ...] = CLOSE_PX,
    coloured: bool = True,
    guide: Guide | None = None,
) -> ShapeEdge | None:
    """Move an outline to the edge near it, in a few rounds of narrowing windows.

    Parameters
    ----------
    patch, view
        The photograph round the stone, and its geometry.
    family, parameters
        The outline to start from.
    heights : HeightRule
        Height of the edge's points.
    blur_px : float
        Blur of the photograph, pixels.
    windows : tuple of (half width, preference)
        One for each round, pixels.
    coloured : bool
        Try a colour difference where luminance shows no clear edge.
    guide : Guide, optional
        Only edges that lie on its evidence count; where there is evidence but no edge in light, it is followed itself.

    Returns
    -------
    ShapeEdge or None
        None where the outline degenerates or leaves the photograph.
    """
    edge = _follow(
        patch, view, family, parameters, heights, blur_px, windows, coloured=False, guide=guide
    )
    if guide is not None and guide.joint:
        return edge
    if coloured and (edge is None or edge.merit < CLEAR_MERIT):
        start = parameters if edge is None else edge.parameters
        other = _follow(patch, view, family, start, heights, blur_px, windows, coloured=True, guide=guide)
        if other is not None and (edge is None or other.merit > COLOUR_HANDICAP * edge.merit):
            return other
    return edge


def _follow(
    patch: Patch,
    view: View,
    family: Family,
    parameters: FloatArray,
    heights: HeightRule,
    blur_px: float,
    windows: tuple[tuple[float, float], ...],
    *,
    coloured: bool,
    guide: Guide | None,
) -> ShapeEdge | None:
    edge = None
    for window, preference in windows:
        coarse, joint = window > 3.0, guide is not None and guide.joint
        strip = unroll_along(
            patch, view, family, parameters, heights, blur_px, window, coarse=coarse, colour=coloured or joint
        )  # fmt: skip
        if strip is None:
            return None
        curve, polar, pixels = strip
        field = joint_field(polar, blur_px) if joint else _field(polar, blur_px, coloured=coloured)
        if field is None:
            return None
        offsets, strength = _locate(field, window, preference, outer_first=coarse)
        if guide is not None:
            offsets, strength = _guided(field, guide.along(pixels), window, preference)
        offsets = offsets + _blur_shift_mm(curve, blur_px, polar.px_per_mm)
        prior = np.where(usable(curve, blur_px / polar.px_per_mm), strength, 0.0)
        weights = tukey(offsets, prior, smallest=SMALLEST_SCATTER_PX / polar.px_per_mm)
        if np.count_nonzero(weights) < len(parameters) + 8:
            return None
        for _ in range(3):
            parameters = moved(family, parameters, curve, left_of(family, parameters, curve, offsets), weights)
            weights = tukey(
                left_of(family, parameters, curve, offsets), prior, smallest=SMALLEST_SCATTER_PX / polar.px_per_mm
            )
        points = curve.points_mm + offsets[:, None] * curve.normals
        points_px = view.to_pixels(points, heights(view, curve.points_mm, curve.normals))
        left = left_of(family, parameters, curve, offsets)
        support, outside, seen = _judge(
            field, novelty(polar, blur_px), offsets - left, usable(curve, blur_px / polar.px_per_mm)
        )
        here = Curve(
            at_shares(family, parameters, curve), curve.normals, curve.part, curve.share, curve.to_corner_mm,
            curve.bend_per_mm, curve.step_mm,
        )  # fmt: skip
        edge = ShapeEdge(
            family, parameters, here, points_px, left, weights, heights, polar.px_per_mm, support, outside,
            field.noise, seen, field.colour,
        )  # fmt: skip
    return edge


def left_of(family: Family, parameters: FloatArray, curve: Curve, offsets: FloatArray) -> FloatArray:
    """What is left of the offsets along the curve's normals when the outline has other parameters."""
    shift = np.sum((at_shares(family, parameters, curve) - curve.points_mm) * curve.normals, axis=1)
    return np.asarray(offsets - shift)


def usable(curve: Curve, blur_mm: float) -> NDArray[np.bool_]:
    """Points whose edge the blur does not round off."""
    return np.asarray((curve.to_corner_mm > CORNER_BLURS * blur_mm) & (curve.bend_per_mm * BEND_BLURS * blur_mm < 1.0))


def _blur_shift_mm(curve: Curve, blur_px: float, px_per_mm: float) -> FloatArray:
    """How far outside of the located edge the true one lies: blur pulls a curved edge inwards by sigma^2 / (2 R).

    Mendonca et al.; checked numerically. Limited to bends of four blurs, sharper ones count as corners.
    """
    blur = blur_px / px_per_mm
    return np.asarray(0.5 * blur**2 * np.clip(curve.bend_per_mm, 0.0, 1.0 / (BEND_BLURS * blur)))


def _field(polar: PolarMap, blur_px: float, *, coloured: bool) -> EdgeField | None:
    if not coloured:
        return edge_field(polar, blur_px)
    place = polar.radii_mm * polar.px_per_mm
    near, far = 1.0 + 1.2 * blur_px, 4.0 + 1.2 * blur_px
    inside = polar.rgb[:, (place < -near) & (place > -far)].mean(axis=1)
    outside = polar.rgb[:, (place > near) & (place < far)].mean(axis=1)
    weights = telling_weights(inside, outside)
    if weights is None:
        return None
    share = 1.0 - abs(float(weights.sum())) / float(np.abs(weights).sum())
    return edge_field(polar, float(np.hypot(blur_px, CHROMA_BLUR_PX * share)), weights=weights, colour=share)


def _locate(
    field: EdgeField, window_px: float, preference_px: float, *, outer_first: bool
) -> tuple[FloatArray, FloatArray]:
    """Offset (mm) and weight of the best crest on every normal."""
    merit, place = _crests(field, window_px)
    if outer_first:
        # Facets behind the edge may be stronger than the edge; a crest counts by how little lies outside of it.
        merit = outermost(field.crests) * np.where(merit > 0.0, 1.0, 0.0)
    return _best_crest(field, merit * np.exp(-0.5 * (place / preference_px) ** 2)[None, :])


def _guided(
    field: EdgeField, evidence: tuple[FloatArray, FloatArray], window_px: float, preference_px: float
) -> tuple[FloatArray, FloatArray]:
    """Offset (mm) and weight of the best crest on evidence on every normal, or of the evidence itself."""
    here, near = evidence
    merit, place = _crests(field, window_px)
    preference = np.exp(-0.5 * (place / preference_px) ** 2)[None, :]
    offsets, weights = _best_crest(field, np.where(merit > 0.0, near, 0.0) * preference)
    weights = weights * np.minimum(near.max(axis=1), 1.0)
    # A girdle between shadow and a dark facet shows in colour only: its evidence is coarser, but not elsewhere.
    within = here * preference * (np.abs(place) < window_px)[None, :]
    total = within.sum(axis=1)
    alone = (weights <= 0.0) & (total > 0.0)
    middle = within @ field.polar.radii_mm / np.maximum(total, 1e-9)
    return np.where(alone, middle, offsets), np.where(alone, EVIDENCE_WEIGHT * here.max(axis=1), weights)


def _crests(field: EdgeField, window_px: float) -> tuple[FloatArray, FloatArray]:
    """Merit (N, R) of the crests within a window, 0 elsewhere, and the offsets (R,) in pixels."""
    size = np.abs(field.step)
    place = field.polar.radii_mm * field.polar.px_per_mm
    crest = np.zeros(size.shape, dtype=bool)
    crest[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:])
    return np.where(crest & (np.abs(place) < window_px)[None, :], size * field.fit, 0.0), place


def _best_crest(field: EdgeField, merit: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Offset (mm) and weight of the crest of highest merit on every normal, to a fraction of a sample."""
    polar, size = field.polar, np.abs(field.step)
    at = np.clip(np.argmax(merit, axis=1), 1, size.shape[1] - 2)
    rows = np.arange(len(at))
    found = merit[rows, at] > 0.0
    left, middle, right = size[rows, at - 1], size[rows, at], size[rows, at + 1]
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    offsets = np.where(found, polar.radii_mm[at] + np.clip(shift, -0.5, 0.5) * polar.step_mm, 0.0)
    # Facets move edges whatever their contrast, so the weight levels off well above the noise.
    weights = np.where(found, middle / (middle + 6.0 * field.noise), 0.0)
    return offsets, weights


def _judge(
    field: EdgeField, new: NDArray[np.bool_], at_mm: FloatArray, use: NDArray[np.bool_]
) -> tuple[float, float, float]:
    """Support of the outline within half a pixel, share of novelty just outside, and share of the stretches seen.

    All without the corners.
    """
    polar = field.polar
    place = (polar.radii_mm[None, :] - at_mm[:, None]) * polar.px_per_mm
    near = np.where(np.abs(place) <= TIGHT_PX, field.crests, 0.0).max(axis=1)
    first = 0.8 + 0.8 * field.blur_px
    zone = (place > first) & (place < first + 1.5) & use[:, None]
    total = np.count_nonzero(zone)
    if not use.any() or not total:
        return 0.0, 1.0, 0.0
    stretches = [float(part.mean()) for part in np.array_split(near[use], STRETCHES) if len(part)]
    seen = float(np.mean([value >= SEEN_FROM for value in stretches]))
    return float(near[use].mean()), float(np.count_nonzero(new & zone) / total), seen
