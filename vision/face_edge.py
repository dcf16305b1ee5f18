"""A tube's own edge told from its chamfer's: the ring model applied to a traced edge, and what remains in doubt."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.height import Height
from rimsight.calibration.pixels import LUMINANCE_WEIGHTS, LightImage
from rimsight.calibration.spread import EdgeSpread
from rimsight.calibration.square import Calibration
from rimsight.vision.circle import Circle
from rimsight.vision.outline import RoundEdge, level
from rimsight.vision.polar import ARC_SMOOTHING_PX, PolarMap, unroll
from rimsight.vision.ring_model import RingData, RingFit, fit_rings, usual

FloatArray = NDArray[np.float64]

#: Samples that count, (A, R), of a map round the edge.
Mask = Callable[[PolarMap], NDArray[np.bool_]]

#: Half the width of the light that is modelled, pixels, and the distance of its samples.
REACH_PX, STEP_PX = 7.0, 0.5
#: Share of the radii that must be seen.
SMALLEST_SEEN = 0.5
#: Number of radii.
RADII = 192
#: Widths of a chamfer that are tried, pixels, up to the widest one, millimetres.
GAPS_PX = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0)
WIDEST_CHAMFER_MM = 0.15
#: A second edge is as likely as not when it lowers the mean over the radii of log(1 + mean square left / the typical
#: one) by this much, and its likelihood follows a logistic curve of that width. The constants of this group follow from
#: 229 edges of rendered tubes with known chamfers: plain edges reach 0.5, chamfers wider than 1.5 px give 0.9 and more;
#: of 39 edges between 0.5 and 0.8 the single one lay nearer to the truth as often as not.
EVIDENCE, EVIDENCE_SPREAD = 0.7, 0.1
#: How far the two readings may lie apart in that doubt, pixels.
LARGEST_APART_PX = 4.0
#: Its step must be at least this share of the other's where both show best: sharpening and shadows leave fainter ones.
SMALLEST_SHARE = 0.3
#: A second edge fainter than that which explains the light all the same is the chamfer's in half the cases (judgement:
#: a chamfer in a bore's own shadow is nearly as dark as the bore; such a bore was read 0.10 mm wide, stated 0.10).
FAINT_SHARE = 0.5
#: How much of that evidence a changed blur costs, per squared logarithm, and how much it may change.
BLUR_COST, LARGEST_BLUR_CHANGE = 5.0, 0.25
#: What a chamfer costs that would be darker than black, or brighter than the photograph can show, on all radii. To
#: explain the same light a narrow one must be ever darker or brighter. On 190 edges of rendered tubes chamfers of the
#: true width would be so on 0.03 and 0.05 of the radii at most, some of half that width on 0.3.
DARK_COST, GLARING_COST = 2.0, 1.0
#: Other widths within this much of the best one's evidence are as likely.
ALIKE = 0.06
#: Standard uncertainty of the edge's place, pixels: a single one (a chamfer narrower than about 1 px hides in it; at
#: the bore it draws more, the mouth's edge being the sharper one), and one beside its chamfer's other edge, told apart
#: surely or barely.
SINGLE_OUTER_U_PX, SINGLE_BORE_U_PX, DOUBLE_U_PX, BARE_U_PX = 0.3, 0.5, 0.3, 0.7
SURE_EVIDENCE = 1.0
#: The model's circle lies within this of the traced one's centre, pixels; further off, half the distance is in doubt.
STEADY_CENTRE_PX = 0.7
#: Where single radii by themselves would have the edge further from the circle than this in the median, pixels, what
#: lies there is not the model's: such excess counts so many times. On 191 edges of rendered tubes the error was 0.3 px
#: (root of the mean square) up to 0.15 px, and 0.7 px from 0.2 px on; with it 97 of 100 of the even-numbered ones lie
#: within their intervals, without it 94 (odd: 93 and 92).
STEADY_OFFSET_PX, UNSTEADY_SHARE = 0.15, 2.0
#: Light of this share of the largest code in any colour is blown out. How much brighter it was is lost, and with it
#: where half of the step lay (of light twice as bright, 0.67 blurs further out) and the step to a chamfer as bright.
#: Where all of the light beside an edge is, its standard uncertainty grows by so many blurs: on the 9 edges of rendered
#: tubes with a third or more the error was 0.8 px (root of the mean square; stated before 0.5 px). Where it is looked
#: at, pixels beside the edge; from which share on the reader is told.
BLOWN, BLOWN_BLURS, BESIDE_PX, MUCH_BLOWN = 0.985, 0.8, (2.0, 3.0, 4.0, 5.0), 0.3
#: Largest standard uncertainty of where the wall's far end shows, pixels.
LARGEST_FAR_U_PX = 1.0
#: Light nearer to a tube's other edge than so many blurs and this many pixels is the other edge's: a wall of 8 px, the
#: bore's edge within the outer one's reach, was read 3 px too far in.
CLEAR_BLURS, CLEAR_PX = 1.5, 1.0
#: A traced edge of less merit than this is weak; each tenth below costs 0.3 px.
WEAK_MERIT, WEAK_SHARE = 0.6, 3.0


@dataclass(frozen=True)
class FaceEdge:
    """A tube's own edge.

    Parameters
    ----------
    edge : RoundEdge
        The edge: points on the model's circle, at the height at which it lies.
    gap_mm : float
        Width of the chamfer whose other edge was told apart; 0 when none was.
    u_px : float
        Standard uncertainty of its place, common to the whole round, pixels.
    blown : float
        Share of the light beside it that is blown out.
    """

    edge: RoundEdge
    gap_mm: float
    u_px: float
    blown: float = 0.0


def blown_note(*edges: FaceEdge | None) -> tuple[str, ...]:
    """What the reader should know where much of the light beside one of the edges is blown out."""
    blown = max((edge.blown for edge in edges if edge is not None), default=0.0)
    if blown < MUCH_BLOWN:
        return ()
    return ("metal or paper beside the tube's edge is blown out white: a darker exposure reads it better",)


def face_edge(
    image: LightImage,
    calibration: Calibration,
    traced: RoundEdge,
    height_mm: float,
    length: Height,
    *,
    outer: bool,
    mask: Mask | None = None,
) -> FaceEdge | None:
    """Find a tube's own edge near a traced one.

    Parameters
    ----------
    image, calibration
        The photograph and its geometry.
    traced : RoundEdge
        The sharpest edge there: the tube's own, its chamfer's other one, or something between.
    height_mm : float
        Height of the tube's face above the card.
    length : Height
        Length of the tube: how far below the face its wall ends.
    outer : bool
        The outside, else the bore.
    mask : callable, optional
        Which samples of a map count; default all.

    Returns
    -------
    FaceEdge or None
        None where the surroundings run out of the photograph or hide the edge, or where the length is so little known
        that the wall's far end may lie anywhere beside the edge.
    """
    fits = ring_fits(image, calibration, traced, height_mm, length, outer=outer, mask=mask)
    own = edge_of(calibration, traced, height_mm, *choose(fits, outer=outer)) if fits else None
    if own is None:
        return None
    blown = blown_share(image, calibration, traced, height_mm)
    return replace(own, u_px=float(np.hypot(own.u_px, blown_u_px(calibration, blown))), blown=blown)


def blown_u_px(calibration: Calibration, blown: float) -> float:
    """Standard uncertainty of an edge's place by how much of the light beside it is blown out, pixels."""
    return BLOWN_BLURS * max(calibration.blur_px, 0.5) * blown


def blown_share(image: LightImage, calibration: Calibration, edge: RoundEdge, height_mm: float) -> float:
    """Share (0 to 1) of the light beside an edge that is blown out, on the side that has more of it; by luminance."""
    angles = np.arange(RADII) * (2.0 * np.pi / RADII)
    direction = np.column_stack([np.cos(angles), np.sin(angles)])
    shares = [0.0]
    for side in (-1.0, 1.0):
        away = edge.circle.radius + side * np.array(BESIDE_PX) / edge.px_per_mm
        points = edge.circle.centre + (direction[:, None, :] * away[None, :, None]).reshape(-1, 2)
        x, y = np.rint(calibration.view.to_pixels(points, height_mm)).astype(np.intp).T
        seen = (x >= 0) & (y >= 0) & (x < image.width_px) & (y < image.height_px)
        if seen.any():
            codes = image.codes[y[seen], x[seen]].reshape(np.count_nonzero(seen), -1)
            weights = LUMINANCE_WEIGHTS if codes.shape[1] == len(LUMINANCE_WEIGHTS) else (1.0,)
            shares.append(float(np.mean((codes >= BLOWN * image.full_code) @ weights)))
    return max(shares)


def clear_of(other: RoundEdge, blur_px: float, *, outside: bool) -> Mask:
    """What of a map round one edge of a tube lies clear of its other edge: of a thin wall's both are near.

    Parameters
    ----------
    other : RoundEdge
        The tube's other edge, in the map's plane.
    blur_px : float
        Blur of the photograph.
    outside : bool
        What lies outside of the other edge counts, else what lies inside.
    """
    gap_px = CLEAR_BLURS * blur_px + CLEAR_PX
    radius = other.circle.radius + (gap_px if outside else -gap_px) / other.px_per_mm

    def clear(polar: PolarMap) -> NDArray[np.bool_]:
        from_other = polar.centre_mm - other.circle.centre
        x, y = (from_other[k] + polar.directions[:, k, None] * polar.radii_mm for k in (0, 1))
        away = np.hypot(x, y)
        return np.asarray(away > radius if outside else away < radius)

    return clear


def ring_fits(
    image: LightImage,
    calibration: Calibration,
    traced: RoundEdge,
    height_mm: float,
    length: Height,
    *,
    outer: bool,
    mask: Mask | None = None,
) -> list[RingFit]:
    """The best fit for every width of a chamfer, the single edge first; none where `face_edge` gives None."""
    data = ring_data(image, calibration, traced, height_mm, length.mm, outer, mask)
    if data is None or length.u_mm * traced.px_per_mm * float(np.hypot(*data.slant)) > LARGEST_FAR_U_PX:
        return []
    return _fits(data, traced.circle.radius * traced.px_per_mm, WIDEST_CHAMFER_MM * traced.px_per_mm)


def edge_of(
    calibration: Calibration, traced: RoundEdge, height_mm: float, chosen: RingFit, u_px: float
) -> FaceEdge | None:
    """The edge that a fit round a traced one gives; None where it ran away from there."""
    radius = traced.circle.radius * traced.px_per_mm
    if abs(chosen.radius - radius) > REACH_PX or np.hypot(chosen.x, chosen.y) > REACH_PX:
        return None
    moved = max(float(np.hypot(chosen.x, chosen.y)) - STEADY_CENTRE_PX, 0.0)
    weak = max(WEAK_MERIT - traced.merit, 0.0)
    unsteady = max(float(np.median(np.abs(chosen.offsets))) - STEADY_OFFSET_PX, 0.0)
    terms = (u_px, 0.5 * moved, WEAK_SHARE * weak, UNSTEADY_SHARE * unsteady)
    u_px = float(np.sqrt(np.sum(np.square(terms))))
    px = 1.0 / traced.px_per_mm
    gap_mm = chosen.gap * px
    centre = traced.circle.centre + np.array([chosen.x, chosen.y]) * px
    circle = Circle(
        float(centre[0]), float(centre[1]), chosen.radius * px, traced.circle.covariance,
        np.zeros(RADII), np.ones(RADII),
    )  # fmt: skip
    angles = np.arange(RADII) * (2.0 * np.pi / RADII)
    direction = np.column_stack([np.cos(angles), np.sin(angles)])
    rule = level(height_mm - gap_mm)
    points_px = calibration.view.to_pixels(circle.centre + direction * circle.radius, height_mm - gap_mm)
    contrast = chosen.heights[:, 0]
    edge = replace(traced, points_px=points_px, contrast=contrast, circle=circle, heights=rule)
    return FaceEdge(edge, gap_mm, u_px)


def choose(fits: list[RingFit], *, outer: bool) -> tuple[RingFit, float]:
    """The fit that explains the light best, and the standard uncertainty of its edge in pixels.

    Parameters
    ----------
    fits : list of RingFit
        The single edge first, then chamfers of several widths.
    outer : bool
        The outside, else the bore.
    """
    costs = dict(zip((fit.gap for fit in fits), fit_costs(fits), strict=True))

    def cost(fit: RingFit) -> float:
        return costs[fit.gap]

    single = fits[0]
    double = [fit for fit in fits[1:] if believable(fit)]
    faint = [fit for fit in fits[1:] if _steady(fit) and not believable(fit)]
    own = SINGLE_OUTER_U_PX if outer else SINGLE_BORE_U_PX
    read, u_px = single, own
    if double:
        best = min(double, key=cost)
        # Between a plain edge and a chamfered one each counts by how likely it is, and their distance stays in doubt.
        evidence = cost(single) - cost(best)
        likely = _likely(evidence)
        alike = [fit.radius for fit in double if cost(fit) < cost(best) + ALIKE]
        spread = 0.5 * (max(alike) - min(alike))
        u_double = float(np.hypot(DOUBLE_U_PX if evidence > SURE_EVIDENCE else BARE_U_PX, spread))
        u_px = float(np.sqrt(
            (1.0 - likely) * own**2 + likely * u_double**2 + likely * (1.0 - likely) * _apart(best, single) ** 2
        ))  # fmt: skip
        shares = np.array([1.0 - likely, likely])
        radius, x, y = (
            float(shares @ pair) for pair in zip(*((f.radius, f.x, f.y) for f in (single, best)), strict=True)
        )
        read = replace(best if likely > 0.5 else single, radius=radius, x=x, y=y)
    if faint:
        hidden = min(faint, key=cost)
        if all(cost(hidden) < cost(fit) for fit in double):
            chance = FAINT_SHARE * _likely(cost(single) - cost(hidden))
            u_px = float(np.sqrt(u_px**2 + chance * (1.0 - chance) * _apart(hidden, read) ** 2))
    return read, u_px


def _likely(evidence: float) -> float:
    """How likely a second edge is that lowers the cost by so much."""
    return 1.0 / (1.0 + float(np.exp(-(evidence - EVIDENCE) / EVIDENCE_SPREAD)))


def _apart(fit: RingFit, other: RingFit) -> float:
    """Distance of two readings as it counts, pixels."""
    return min(abs(fit.radius - other.radius), LARGEST_APART_PX)


def fit_costs(fits: Sequence[RingFit], blur_cost: float = BLUR_COST) -> list[float]:
    """How badly each fit explains the light: mean over the radii of log(1 + share left), and what can't be.

    Parameters
    ----------
    fits : sequence of RingFit
        Fits to one photograph.
    blur_cost : float
        What a changed blur costs, per squared logarithm.
    """
    typical = usual_left(fits)
    return [float(np.mean(np.log1p(fit.left / typical))) + fit_penalty(fit, blur_cost) for fit in fits]


def usual_left(fits: Sequence[RingFit]) -> float:
    """Mean square that the best of a photograph's fits leaves on a usual radius; never 0."""
    return max(min(float(np.median(fit.left)) for fit in fits), 1e-14)


def fit_penalty(fit: RingFit, blur_cost: float = BLUR_COST) -> float:
    """What a fit costs beside the light that it leaves: a changed blur, a chamfer's level that can't be."""
    changed = blur_cost * float(np.log(fit.blur_share)) ** 2
    return changed + DARK_COST * fit.dark + GLARING_COST * fit.glaring


def believable(fit: RingFit, blur_change: float = LARGEST_BLUR_CHANGE) -> bool:
    """Whether both edges of a chamfer show, at a blur that the photograph may have."""
    strongest = np.percentile(np.abs(fit.heights), 90, axis=0)
    return bool(_steady(fit, blur_change) and strongest.min() > SMALLEST_SHARE * strongest.max())


def _steady(fit: RingFit, blur_change: float = LARGEST_BLUR_CHANGE) -> bool:
    """Whether the fit's blur is one that the photograph may have."""
    return bool(abs(np.log(fit.blur_share)) < blur_change)


def _fits(data: RingData, radius: float, widest_px: float) -> list[RingFit]:
    """The best fit for every width of a chamfer; the single edge first."""
    outward = 1.0 if data.outer else -1.0
    found: list[RingFit] = []
    for gap in (0.0, *(g for g in GAPS_PX if g <= widest_px + 0.5)):
        # What was traced is either the tube's own edge, or the chamfer's other one, or lies between.
        starts = (radius,) if gap == 0.0 else (radius, radius + outward * gap, radius + 0.5 * outward * gap)
        fits = []
        for start in starts:
            try:
                fit = fit_rings(data, start, gap, rounds=3)
            except np.linalg.LinAlgError:
                continue
            if np.isfinite(fit.radius):
                fits.append(fit)
        if fits:
            found.append(min(fits, key=lambda fit: float(np.median(fit.left))))
        elif gap == 0.0:
            return []
    return found


def typical_left(data: RingData, radius_px: float) -> float:
    """Mean square that a single edge leaves on a usual radius."""
    return usual(fit_rings(data, radius_px, 0.0, rounds=2).left)


def ring_data(
    image: LightImage,
    calibration: Calibration,
    traced: RoundEdge,
    height_mm: float,
    length_mm: float,
    outer: bool,
    mask: Mask | None,
    *,
    smallest_seen: float = SMALLEST_SEEN,
) -> RingData | None:
    """The light round a traced edge in the plane of the tube's face; None where it can't be seen."""
    view, px = calibration.view, 1.0 / traced.px_per_mm
    circle = traced.circle
    inner_mm, outer_mm = circle.radius - REACH_PX * px, circle.radius + REACH_PX * px
    if inner_mm < 1.0 * px:
        inner_mm = 1.0 * px
    polar = unroll(
        image, view, circle.centre, height_mm, inner_mm, outer_mm, angles=2 * RADII, step_px=STEP_PX, arc_px=0.0,
        colour=False,
    )  # fmt: skip
    light = polar.channel()
    if not np.isfinite(light).all():
        return None
    arc = 2.0 * np.pi * circle.radius * traced.px_per_mm / len(light)
    light = ndimage.gaussian_filter1d(light, ARC_SMOOTHING_PX / arc, axis=0, mode="wrap")[::2]
    seen = np.ones(light.shape, dtype=bool) if mask is None else mask(polar)[::2]
    if np.mean(seen.sum(axis=1) > 0.6 * seen.shape[1]) < smallest_seen:
        return None
    camera = view.position_mm
    above = -float(camera[2]) - height_mm
    spread = calibration.spread or EdgeSpread(max(calibration.blur_px, 0.5), 0.0)
    return RingData(
        light, polar.radii_mm / px, polar.angles[::2], seen, (circle.centre - camera[:2]) / above,
        above / px, max(length_mm, 0.1) / px, outer, spread,
    )  # fmt: skip
