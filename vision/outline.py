"""The outline of a round edge: located at sub-pixel on every radius, and the circle that fits it in millimetres.

The circle is fitted at the edge's own height: each edge point is mapped through the plane in which it lies.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.circle import Circle, coverage_deg, fit_circle, fit_circle_robust, fit_ring_robust
from rimsight.vision.fields import CHROMA_BLUR_PX, EdgeField, edge_field, novelty, telling_weights
from rimsight.vision.polar import ARC_SMOOTHING_PX, PolarMap, unroll
from rimsight.vision.rings import Ring

FloatArray = NDArray[np.float64]

#: Height of each edge point (N,) from the view, the points (N, 2) and the outward normals (N, 2).
HeightRule = Callable[[View, FloatArray, FloatArray], FloatArray]

#: The edge is looked for this far from the expected ring, pixels, and preferred near it (Gaussian of 1 px).
WINDOW_PX = 1.6
PREFERENCE_PX = 1.0
#: A crest supports the ring when it lies this near, pixels.
TIGHT_PX = 0.4
#: Distance of the radii along the edge, pixels: the light is smoothed over 2 px of arc.
ARC_STEP_PX = 1.5
#: An edge of this merit is clear; below, colour is tried, and has to be this many times better.
CLEAR_MERIT = 0.9
COLOUR_HANDICAP = 1.4
#: Width of the strips outside of an edge of which the quietest tells the noise of colour, pixels, where it is quieter
#: by this much than the outermost light (on plain paper strips differ by a few hundredths).
QUIET_STRIP_PX, QUIET_SHARE = 3.0, 0.7
#: Residuals below this are never taken for outliers, pixels.
SMALLEST_SCATTER_PX = 0.04


def level(height_mm: float) -> HeightRule:
    """An edge that lies level at one height: a tube's end."""

    def rule(view: View, xy_mm: FloatArray, normals: FloatArray) -> FloatArray:
        return np.full(len(xy_mm), height_mm)

    return rule


def wall(lower_mm: float, upper_mm: float) -> HeightRule:
    """A short upright wall (a girdle) between two heights.

    Where the wall faces the camera its lower edge is the outline, where it faces away the upper one: seen at
    10 degrees, a girdle 0.2 mm thick would otherwise read 0.035 mm large.
    """

    def rule(view: View, xy_mm: FloatArray, normals: FloatArray) -> FloatArray:
        towards = view.slant(xy_mm, 0.5 * (lower_mm + upper_mm))
        facing = np.sum(towards * normals, axis=1) > 0.0
        return np.where(facing, lower_mm, upper_mm)

    return rule


@dataclass(frozen=True)
class RoundEdge:
    """A round edge with its circle.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        The edge on every radius, pixels.
    contrast : ndarray of shape (N,)
        Signed step of light there (outside minus inside), linear.
    circle : Circle
        The circle in card millimetres, each point at its own height; its weights are 0 for rejected points.
    heights : HeightRule
        Height of each point.
    px_per_mm : float
        Scale at the edge.
    coverage_deg : float
        How much of the round supports the circle.
    support : float
        Mean strength of the crests that lie within 0.4 px of the circle, 0 to 1.
    outside : ndarray of shape (N,)
        Share of what lies just outside, on every radius, that is new there.
    noise : float
        Step of light that noise makes.
    colour : float
        0 when the edge was located in luminance, up to 1 when in a colour difference.
    """

    points_px: FloatArray
    contrast: FloatArray
    circle: Circle
    heights: HeightRule
    px_per_mm: float
    coverage_deg: float
    support: float
    outside: FloatArray
    noise: float
    colour: float = 0.0

    @property
    def novelty_outside(self) -> float:
        """Share of the round on which something new still lies just outside."""
        return float(np.mean(self.outside))

    @property
    def merit(self) -> float:
        """High for a sharp ring seen all round: support over scatter in pixels."""
        return (self.support + 0.02) / (self.scatter_px + 0.2)

    @property
    def diameter_mm(self) -> float:
        """Diameter, millimetres."""
        return 2.0 * self.circle.radius

    @property
    def scatter_px(self) -> float:
        """Weighted scatter of the points about the circle, pixels."""
        return self.circle.scatter * self.px_per_mm

    def points_mm(self, view: View, heights: HeightRule | None = None) -> FloatArray:
        """The edge points (N, 2) in card millimetres."""
        rule = self.heights if heights is None else heights
        return to_millimetres(view, self.points_px, rule, self.circle.centre)

    def refit(self, view: View, heights: HeightRule | None = None) -> Circle:
        """The circle under another view or other heights, with the same points and weights."""
        start = (self.circle.x, self.circle.y, self.circle.radius)
        return fit_circle(self.points_mm(view, heights), self.circle.weights, start=start)


def to_millimetres(view: View, points_px: FloatArray, heights: HeightRule, centre_mm: FloatArray) -> FloatArray:
    """Map edge points to the planes at their own heights.

    Parameters
    ----------
    view : View
        Geometry of the photograph.
    points_px : ndarray of shape (N, 2)
        Points, pixels.
    heights : HeightRule
        Height of each point.
    centre_mm : ndarray of shape (2,)
        Centre of the edge; outward normals point away from it.

    Returns
    -------
    ndarray of shape (N, 2)
        Card millimetres.
    """
    typical = float(np.mean(heights(view, centre_mm[None, :].repeat(2, 0), np.array([[1.0, 0.0], [-1.0, 0.0]]))))
    rough = view.to_plane(points_px, typical)
    outward = rough - centre_mm
    outward /= np.maximum(np.linalg.norm(outward, axis=1), 1e-9)[:, None]
    return view.to_plane(points_px, heights(view, rough, outward))


def measure_edge(
    image: LightImage,
    view: View,
    centre_mm: FloatArray,
    radius_mm: float,
    heights: HeightRule,
    mean_height_mm: float,
    blur_px: float,
    *,
    window_px: float = WINDOW_PX,
    rounds: int = 4,
    noise: float | None = None,
    arc_px: float = ARC_SMOOTHING_PX,
) -> RoundEdge:
    """Locate an edge near an expected circle and fit the circle, in a few rounds.

    Luminance is sharper than colour (mosaic and JPEG keep colour at half resolution), so colour is only used where
    luminance shows no clear edge: a blue stone on grey metal.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    centre_mm : ndarray of shape (2,)
        Expected centre, card millimetres.
    radius_mm : float
        Expected radius.
    heights : HeightRule
        Height of the edge's points.
    mean_height_mm : float
        Their mean.
    blur_px : float
        Blur of the photograph, pixels.
    window_px : float
        How far from the expected circle the edge may lie.
    rounds : int
        How often the window is moved to the circle just found.
    noise : float, optional
        Step of light that noise makes; default from the outermost part of the neighbourhood.
    arc_px : float
        Smoothing along the arc, pixels.

    Returns
    -------
    RoundEdge

    Raises
    ------
    ValueError
        No circle fits what is there.
    """
    edges = measure_edges(
        image, view, centre_mm, [radius_mm], heights, mean_height_mm, blur_px,
        window_px=window_px, rounds=rounds, noise=noise, arc_px=arc_px,
    )  # fmt: skip
    if not edges:
        raise ValueError("no circle fits the edge points")
    return edges[0]


def measure_edges(
    image: LightImage,
    view: View,
    centre_mm: FloatArray,
    radii_mm: list[float],
    heights: HeightRule,
    mean_height_mm: float,
    blur_px: float,
    *,
    window_px: float = WINDOW_PX,
    rounds: int = 4,
    noise: float | None = None,
    arc_px: float = ARC_SMOOTHING_PX,
) -> list[RoundEdge]:
    """Measure the edges near several expected circles round one centre; like `measure_edge`, sampling only once.

    Returns
    -------
    list of RoundEdge
        Without those that no circle fits; two expected circles may lead to the same edge.
    """
    centre = np.asarray(centre_mm, dtype=np.float64)
    scale = view.px_per_mm((float(centre[0]), float(centre[1])), mean_height_mm)
    inner = max(min(radii_mm) - (5.0 + window_px + 2.0 * blur_px) / scale, 0.5 / scale)
    outer = max(radii_mm) + (13.0 + window_px + 3.0 * blur_px) / scale
    count = int(np.clip(2.0 * np.pi * max(radii_mm) * scale / ARC_STEP_PX, 240, 600))
    polar = unroll(image, view, centre, mean_height_mm, inner, outer, angles=count, arc_px=arc_px)
    plain = edge_field(polar, blur_px, noise=noise)
    new = novelty(polar, blur_px)
    edges: list[RoundEdge] = []
    for radius in radii_mm:
        own = _own_heights(view, centre, radius, heights, mean_height_mm, polar.directions)
        trial = _Trial(view, polar, centre, radius, heights, mean_height_mm, own, new, window_px, rounds)
        edge = trial.measure(plain)
        if edge is None or edge.merit < CLEAR_MERIT:
            field = _colour_field(polar, blur_px, polar.index(radius + own))
            coloured = trial.measure(field) if field is not None else None
            if coloured is not None and (edge is None or coloured.merit > COLOUR_HANDICAP * edge.merit):
                edge = coloured
        if edge is not None:
            edges.append(edge)
    return edges


@dataclass(frozen=True)
class _Trial:
    """What the rounds of one measurement have in common, whatever the channel."""

    view: View
    polar: PolarMap
    centre: FloatArray
    radius_mm: float
    heights: HeightRule
    plane_mm: float
    own: FloatArray
    new: NDArray[np.bool_]
    window_px: float
    rounds: int

    def measure(self, field: EdgeField) -> RoundEdge | None:
        """Locate the edge in a field and fit the circle; None where no circle fits."""
        polar, scale = self.polar, self.polar.px_per_mm
        model = np.column_stack([np.ones(len(polar.angles)), polar.directions])
        guess = np.array([self.radius_mm, 0.0, 0.0])
        smallest = SMALLEST_SCATTER_PX / scale
        try:
            for _ in range(self.rounds):
                radii, weights, contrast = _locate(field, model @ guess + self.own, self.window_px)
                guess = fit_ring_robust(radii - self.own, model, weights, smallest_scale=smallest)
            points_px = self.view.to_pixels(polar.points_mm(radii), self.plane_mm)
            middle = self.centre + guess[1:]
            points = to_millimetres(self.view, points_px, self.heights, middle)
            final = fit_circle_robust(
                points,
                weights,
                start=(float(middle[0]), float(middle[1]), float(guess[0])),
                smallest_scale=smallest,
            )
        except ValueError:
            return None
        support, outside = _judge(field, self.new, polar.index(model @ guess + self.own))
        return RoundEdge(
            points_px=points_px,
            contrast=contrast,
            circle=final,
            heights=self.heights,
            px_per_mm=scale,
            coverage_deg=coverage_deg(points, final.centre, final.weights),
            support=support,
            outside=outside,
            noise=field.noise,
            colour=field.colour,
        )


def _colour_field(polar: PolarMap, blur_px: float, index: FloatArray) -> EdgeField | None:
    """Steps in the weighting of the channels that tells both sides of the expected edge apart; None if none does."""
    place = (np.arange(polar.rgb.shape[1])[None, :] - index[:, None]) * polar.step_px
    near, far = 1.0 + 1.2 * blur_px, 4.0 + 1.2 * blur_px
    weights = telling_weights(
        _zone_mean(polar.rgb, (place < -near) & (place > -far)), _zone_mean(polar.rgb, (place > near) & (place < far))
    )
    if weights is None:
        return None
    # Weights of one sign are a luminance of sorts, sharp as the photograph; opposite signs are a colour difference.
    share = 1.0 - abs(float(weights.sum())) / float(np.abs(weights).sum())
    wider = float(np.hypot(blur_px, CHROMA_BLUR_PX * share))
    field = edge_field(polar, wider, weights=weights, colour=share)
    # The outermost light of the map, which tells the noise by default, may hold another edge (a tube's outer one round
    # its bore): then the quietest strip outside of this edge tells it.
    size, ends = np.abs(field.step), np.arange(near, float(place.max()), QUIET_STRIP_PX)
    strips = [size[(place > start) & (place <= stop)] for start, stop in pairwise(ends)]
    quiet = min((1.4826 * float(np.median(strip)) for strip in strips if strip.size >= len(size)), default=field.noise)
    if quiet > QUIET_SHARE * field.noise:
        return field
    return edge_field(polar, wider, weights=weights, colour=share, noise=quiet)


def _zone_mean(rgb: FloatArray, zone: NDArray[np.bool_]) -> FloatArray:
    """Mean (A, 3) over the samples of each radius that lie in the zone; NaN where there are none."""
    count = zone.sum(axis=1).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.einsum("arc,ar->ac", np.nan_to_num(rgb), zone.astype(np.float64)) / count[:, None])


def _own_heights(
    view: View, centre: FloatArray, radius: float, heights: HeightRule, plane_mm: float, directions: FloatArray
) -> FloatArray:
    """How much further out (mm, in the plane) each point appears because of its own height."""
    points = centre + directions * radius
    seen = view.to_plane(view.to_pixels(points, heights(view, points, directions)), plane_mm)
    return np.asarray(np.sum((seen - centre) * directions, axis=1) - radius)


def _locate(field: EdgeField, expected_mm: FloatArray, window_px: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Radius, weight and contrast of the best crest near the expected radius, for every angle."""
    polar = field.polar
    size = np.abs(field.step)
    offset_px = (polar.radii_mm[None, :] - expected_mm[:, None]) * polar.px_per_mm
    crest = np.zeros(size.shape, dtype=bool)
    crest[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:])
    merit = np.where(crest & (np.abs(offset_px) < window_px), size * field.fit, 0.0)
    merit *= np.exp(-0.5 * (offset_px / PREFERENCE_PX) ** 2)
    at = np.clip(np.argmax(merit, axis=1), 1, size.shape[1] - 2)
    rows = np.arange(len(at))
    found = merit[rows, at] > 0.0
    left, middle, right = size[rows, at - 1], size[rows, at], size[rows, at + 1]
    bend = left - 2.0 * middle + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    radii = np.where(found, polar.radii_mm[at] + np.clip(shift, -0.5, 0.5) * polar.step_mm, expected_mm)
    # Facets move edges whatever their contrast, so the weight levels off well above the noise.
    weights = np.where(found, middle / (middle + 6.0 * field.noise), 0.0)
    return radii, weights, field.step[rows, at]


def _judge(field: EdgeField, new: NDArray[np.bool_], index: FloatArray) -> tuple[float, FloatArray]:
    """Support of a ring within 0.4 px, and share of novelty just outside of it on every radius."""
    step = field.polar.step_px
    place = np.arange(field.crests.shape[1])[None, :] - index[:, None]
    near = np.where(np.abs(place) <= TIGHT_PX / step, field.crests, 0.0).max(axis=1)
    first = 0.8 + 0.8 * field.blur_px
    zone = (place * step > first) & (place * step < first + 1.5)
    total = np.count_nonzero(zone, axis=1)
    return float(near.mean()), np.where(total > 0, np.sum(new & zone, axis=1) / np.maximum(total, 1), 1.0)


def ring_circle(centre_mm: FloatArray, ring: Ring) -> tuple[FloatArray, float]:
    """Centre (2,) and radius of a ring found in a map round `centre_mm`."""
    return np.asarray(centre_mm) + np.array(ring.shift_mm), ring.radius_mm
