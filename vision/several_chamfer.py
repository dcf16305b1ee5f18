"""A plain edge of a tube or a chamfered one: what several photographs together say, and what stays in doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rimsight.vision.face_edge import believable, fit_costs, fit_penalty, usual_left
from rimsight.vision.ring_model import RingFit
from rimsight.vision.ring_together import OWN_U_PX
from rimsight.vision.several_edges import Chamfer

FloatArray = NDArray[np.float64]

#: What photographs whose radii differ cost, in units of evidence for each pixel, root mean square, beyond what light
#: that is blown out does: a plain edge taken for a chamfer's lies elsewhere in every light.
DIFFERING_COST = 0.7
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
#: An edge told apart from its chamfer's other one is read so far towards that one, pixels: narrower widths have their
#: say as well. Of 103 rendered outsides 0.07 px (0.06 and 0.08 the halves), of 68 bores 0.04 px (median; mean 0.07).
NARROWED_PX = 0.06
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


class Chosen(NamedTuple):
    """Fits of one width, one of each photograph; their edge's doubt in pixels, common to the round; and the chamfer.

    How well an edge of its kind is located, and which of both readings it is: of the latter further photographs leave
    as much, for the evidence is that of all of them.
    """

    fits: tuple[RingFit, ...]
    u_px: float
    u_which_px: float
    chamfer: Chamfer


def choose_together(
    px_per_mm: Sequence[float], fits: list[list[RingFit]], *, outer: bool, alone_px: Sequence[float] | None = None
) -> Chosen:
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
    Chosen
        The fits, the standard uncertainty of their edge's place, and the chamfer.
    """
    widths = _widths(np.array(px_per_mm), fits, np.zeros(len(fits)) if alone_px is None else np.array(alone_px))
    single = widths[0]
    double = [width for width in widths[1:] if width.believed]
    best = min(double, key=lambda width: width.cost, default=single)
    own = SINGLE_OUTER_U_PX if outer else SINGLE_BORE_U_PX
    if best is single:
        return Chosen(single.fits, own, 0.0, Chamfer())
    spread = OUTER_EVIDENCE_SPREAD if outer else BORE_EVIDENCE_SPREAD
    needed = evidence_needed(px_per_mm, best.gap_mm, outer=outer)
    evidence = _evidence(fits, single, best) if outer else single.cost - best.cost
    sure = float(1.0 / (1.0 + np.exp((needed - evidence) / spread)))
    told, gap, u_gap, u_told = _blended(double, best)
    told = told + (NARROWED_PX if outer else -NARROWED_PX)
    u_told = float(np.hypot(DOUBLE_U_PX if sure > SURE else BARE_U_PX, u_told))
    plain = np.array([fit.radius for fit in single.fits])
    apart = abs(float(np.mean(told - plain)))
    # Near to the evidence that is needed either reading may be right: each counts by how likely it is, where they are
    # near enough together that a mean of both is an edge at all. Of 43 rendered bores 95 % were off by 0.057 mm at most
    # when one was chosen, by 0.045 mm so (odd scenes 0.045 both, even ones 0.058 and 0.028).
    share = sure if apart < LARGEST_APART_PX else float(sure > 0.5)
    kept, width = (best.fits, gap) if sure > 0.5 else (single.fits, 0.0)
    mixed = tuple(
        replace(own_fit, radius=float(radius), gap=width)
        for own_fit, radius in zip(kept, share * told + (1.0 - share) * plain, strict=True)
    )
    u_which = float(np.sqrt(sure * (1.0 - sure))) * min(apart, LARGEST_APART_PX)
    u_px = float(np.sqrt(share * u_told**2 + (1.0 - share) * own**2))
    # A single edge may lie anywhere on the slope of the chamfer that there may be; how far up, its radius tells.
    outward = float(np.mean((told - plain) / np.array(px_per_mm))) * (1.0 if outer else -1.0)
    below = gap if sure > 0.5 else gap - min(max(outward, 0.0), gap)
    u_below = float(np.sqrt(sure * (1.0 - sure) * below**2 + sure * u_gap**2))
    return Chosen(mixed, u_px, u_which, Chamfer(width, sure * below, u_below))


def _blended(double: Sequence[_Width], best: _Width) -> tuple[FloatArray, float, float, float]:
    """Radius in each photograph, chamfer and its doubt by how likely each width is; the doubt of the radius, pixels.

    Those too far from the best one for a mean to be an edge at all are left in doubt only.
    """
    shares = np.exp([(best.cost - width.cost) / ALIKE_COST for width in double])
    shares /= shares.sum()
    radii = np.array([[fit.radius for fit in width.fits] for width in double])
    apart = np.abs((radii - [fit.radius for fit in best.fits]).mean(axis=1))
    near = np.where(apart < LARGEST_APART_PX, shares, 0.0)
    near /= near.sum()
    gaps = np.array([width.gap_mm for width in double])
    radius, gap = near @ radii, float(near @ gaps)
    u_gap = float((near @ (gaps - gap) ** 2) ** 0.5)
    return radius, gap, u_gap, float((shares @ (radii - radius).mean(axis=1) ** 2) ** 0.5)


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
        better = np.clip((plain.left - chamfered.left) / usual_left(own), -MOST_EVIDENCE, MOST_EVIDENCE)
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
