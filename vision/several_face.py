"""A tube's own edge told from its chamfer's in several photographs at once: they show one chamfer.

What `face_edge` weighs for one photograph is added up over all; and at the right width of the chamfer the photographs
agree on the radius as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rimsight.calibration.height import Height
from rimsight.vision.face_edge import (
    EVIDENCE,
    LARGEST_SUSPICION_PX,
    SURE_EVIDENCE,
    SUSPICION,
    SUSPICION_SHARE,
    FaceEdge,
    Mask,
    believable,
    edge_of,
    fit_costs,
    ring_fits,
)
from rimsight.vision.outline import RoundEdge
from rimsight.vision.ring_model import RingFit
from rimsight.vision.several_edges import Shot

#: What photographs that differ in the radius cost, in units of evidence, and the difference that counts as one, pixels.
DIFFERING_COST, DIFFERING_PX = 0.5, 0.5
#: A chamfer at the bore is believed on less evidence than `EVIDENCE`: a cut bore is always broken at its mouth (common
#: practice, no source), an outer edge may be sharp.
BORE_EVIDENCE = 0.45
#: Standard uncertainty of the edge's place, pixels, as in `face_edge` for one photograph: a single one outside and at
#: the bore, and one beside its chamfer's other edge, told apart surely or barely. From the odd ones of 13 rendered
#: pairs of tubes; there the edges lay 0.14 px (outer) and 0.27 px (bore) from the true ones, root mean square; on the
#: even ones 0.13 and 0.21 px.
SINGLE_OUTER_U_PX, SINGLE_BORE_U_PX, DOUBLE_U_PX, BARE_U_PX = 0.15, 0.35, 0.15, 0.3
#: Widths of a chamfer share the say by exp(-cost / this); 0.06 to 0.15 did about as well.
ALIKE_COST = 0.1
#: A chamfer's two edges must both show in this share of the photographs.
BELIEVING_SHARE = 0.5


@dataclass(frozen=True)
class _Width:
    """One width of a chamfer, in all photographs."""

    gap_px: float
    cost: float
    believed: bool
    fits: tuple[RingFit, ...]


def common_faces(
    shots: Sequence[Shot],
    edges: Sequence[RoundEdge | None],
    height_mm: float,
    length: Height,
    *,
    outer: bool,
    masks: Sequence[Mask | None] | None = None,
) -> tuple[FaceEdge | None, ...]:
    """A tube's own edge near a traced one, in every photograph.

    Parameters
    ----------
    shots : sequence of Shot
        The photographs.
    edges : sequence of RoundEdge or None
        The sharpest edge there in each; None where there is none.
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
    tuple of FaceEdge or None
        None for photographs in which `face_edge` would give none.
    """
    fits: list[list[RingFit]] = []
    for k, (shot, edge) in enumerate(zip(shots, edges, strict=True)):
        own = [] if edge is None else ring_fits(
            shot.image, shot.calibration, edge, height_mm, length, outer=outer, mask=masks[k] if masks else None
        )  # fmt: skip
        fits.append(own)
    seen = [k for k, own in enumerate(fits) if own]
    if not seen:
        return (None,) * len(shots)
    traced = [edges[k] for k in seen]
    scales = [edge.px_per_mm for edge in traced if edge is not None]
    chosen, u_px = choose_together(scales, [fits[k] for k in seen], outer=outer)
    found: list[FaceEdge | None] = [None] * len(shots)
    for k, fit in zip(seen, chosen, strict=True):
        edge = edges[k]
        assert edge is not None
        found[k] = edge_of(shots[k].calibration, edge, height_mm, fit, u_px)
    return tuple(found)


def choose_together(
    px_per_mm: Sequence[float], fits: list[list[RingFit]], *, outer: bool
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

    Returns
    -------
    fits : tuple of RingFit
        One of each photograph.
    u_px : float
        Standard uncertainty of the edge's place, common to the round, pixels.
    """
    widths = _widths(np.array(px_per_mm), fits)
    single = widths[0]
    double = [width for width in widths[1:] if width.believed]
    best = min(double, key=lambda width: width.cost, default=single)
    evidence = single.cost - best.cost
    if best is single or evidence < (EVIDENCE if outer else BORE_EVIDENCE):
        own = SINGLE_OUTER_U_PX if outer else SINGLE_BORE_U_PX
        other = min(_apart(best, single), LARGEST_SUSPICION_PX) if evidence > SUSPICION else 0.0
        return single.fits, float(np.hypot(own, SUSPICION_SHARE * other))
    shares = np.exp([(best.cost - width.cost) / ALIKE_COST for width in double])
    shares /= shares.sum()
    radii = np.array([[fit.radius for fit in width.fits] for width in double])
    radius, gap = shares @ radii, float(shares @ [width.gap_px for width in double])
    spread = float((shares @ (radii - radius).mean(axis=1) ** 2) ** 0.5)
    blended = tuple(replace(own, radius=float(r), gap=gap) for own, r in zip(best.fits, radius, strict=True))
    return blended, float(np.hypot(DOUBLE_U_PX if evidence > SURE_EVIDENCE else BARE_U_PX, spread))


def _apart(one: _Width, other: _Width) -> float:
    """Difference of the mean radius, pixels."""
    return abs(float(np.mean([a.radius - b.radius for a, b in zip(one.fits, other.fits, strict=True)])))


def _widths(px_per_mm: np.ndarray, fits: list[list[RingFit]]) -> list[_Width]:
    """Every width of a chamfer that was tried in all photographs; the single edge first."""
    costs = [fit_costs(own) for own in fits]
    gaps = [gap for gap in costs[0] if all(gap in own for own in costs)]
    found = []
    for gap in gaps:
        own = tuple(next(fit for fit in few if fit.gap == gap) for few in fits)
        radii = np.array([fit.radius for fit in own]) / px_per_mm
        differing = float(np.mean(((radii - radii.mean()) * px_per_mm / DIFFERING_PX) ** 2))
        cost = float(np.mean([costs[k][gap] for k in range(len(fits))])) + DIFFERING_COST * differing
        believed = sum(believable(fit) for fit in own) >= BELIEVING_SHARE * len(own)
        found.append(_Width(gap, cost, believed, own))
    return found
