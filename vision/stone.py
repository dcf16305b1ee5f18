"""Reading a round stone that lies on the card: girdle diameter, smallest, largest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from uncertainties import UFloat

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import GirdleHeights, Height, girdle_on_card
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate
from rimsight.vision.girdle import distinct_edges, find_boundary, girdle_hypotheses, ring_hypotheses
from rimsight.vision.influences import Influences
from rimsight.vision.outline import RoundEdge, level, wall
from rimsight.vision.reading import State, edge_u_px, evaluate, figure, fit_u_mm, form
from rimsight.vision.shadow_ramp import without_ramp

#: Below this much of the round there is no result: a radius from less than half the round is worth little.
SMALLEST_COVERAGE_DEG = 180.0
#: An edge must show on the round at least this much.
SMALLEST_SUPPORT = 0.12
#: An edge of less merit than this (support over scatter) is as likely a ring of facets: on 108 rendered stones two
#: thirds of the errors above 0.08 mm had one.
SMALLEST_MERIT = 0.5
#: Rings that show sharply anywhere near count from this merit on.
CLEAR_MERIT = 0.8
#: A second edge whose merit reaches this share of the best one's makes the reading doubtful; further out a lesser one
#: does, since a ring of facets inside may show more sharply than the girdle.
RIVAL_SHARE, OUTER_RIVAL_SHARE = 0.6, 0.4
#: A ring this sharp all round, whatever lies outside of it, is a girdle if none lies further out (on drawn stones with
#: rings of facets and soft shadows the girdle had 2.3 and 3.1, support 0.70 and 0.98; other rings outside 0.4 at most).
SHARP_MERIT, SHARP_SUPPORT, SHARP_COVERAGE_DEG = 1.5, 0.6, 240.0
#: Where more than this share of what lies just outside of an edge is new (of 76 girdles of rendered stones one had
#: more, 0.46), a ring further out of this merit that leaves less than this share of that is a rival, however sharp the
#: inner one: a small clear stone's table showed round and black, its girdle hardly (0.23 mm small, stated 0.03).
MUCH_NOVELTY, LESS_NOVELTY, EXPLAINING_MERIT = 0.4, 0.5, 0.25

#: What to do about a stone that has no circle.
NOT_ROUND_HINT = "; for a stone that isn't round add --shape auto"


class OutlineUnclear(PhotoError):
    """The edge of the subject is not seen on enough of the round."""

    kind = "outline_unclear"


class NotRound(PhotoError):
    """The subject's outline is no circle."""

    kind = "not_round"


@dataclass(frozen=True)
class StoneReading:
    """A stone read from a photograph.

    Parameters
    ----------
    diameter, smallest, largest : uncertainties.UFloat
        Girdle diameter: of the fitted circle, and smallest and largest two-point diameter, millimetres.
    edge : RoundEdge
        The girdle's edge.
    heights : GirdleHeights
        Heights that were used.
    doubt_mm : float
        Distance in diameter to another edge that would do nearly as well; 0 when there is none.
    influences : Influences
        The photograph's variables.
    """

    diameter: UFloat
    smallest: UFloat
    largest: UFloat
    edge: RoundEdge
    heights: GirdleHeights
    doubt_mm: float
    influences: Influences


def read_stone(
    image: LightImage,
    calibration: Calibration,
    candidate: Candidate,
    *,
    girdle: Height | None = None,
    card_height_mm: float = 0.0,
) -> StoneReading:
    """Read a round stone that lies on its table on the card.

    Parameters
    ----------
    image : LightImage
        The photograph.
    calibration : Calibration
        Its geometry.
    candidate : Candidate
        Where the stone lies.
    girdle : Height, optional
        Typed height of the girdle's middle above the table; default from the stone's diameter.
    card_height_mm : float
        How high above the table the card lies.

    Raises
    ------
    OutlineUnclear, NotRound
        The photograph does not allow it.
    """
    view = calibration.view
    blur = max(calibration.blur_px, 0.5)
    centre = np.array(candidate.centre_mm)
    heights = girdle_on_card(2.0 * candidate.radius_mm, girdle)
    centre, boundary, _ = find_boundary(
        image, view, centre, candidate.radius_mm, heights.mean_mm - card_height_mm, blur
    )
    heights = girdle_on_card(2.0 * boundary, girdle)
    rule = wall(heights.lower_mm - card_height_mm, heights.upper_mm - card_height_mm)
    plane = heights.mean_mm - card_height_mm
    found = girdle_hypotheses(image, view, centre, boundary, rule, plane, blur)
    # Sharp rings anywhere near are tried as well as those at the boundary of what is new: a ring of facets may be what
    # the boundary is (of a coloured stone the inner one showed clearly in colour, 0.95 mm small).
    rings = ring_hypotheses(image, view, np.array(candidate.centre_mm), candidate.radius_mm, rule, plane, blur)
    clear = [(merit, edge) for merit, edge in rings if merit >= CLEAR_MERIT]
    px = 1.0 / view.px_per_mm((float(centre[0]), float(centre[1])), plane)
    found = outermost_first(distinct_edges([*found, *clear], px), rings, px)
    if not found:
        raise OutlineUnclear(
            "no closed edge was found where something lies",
            "a stone whose girdle stands out from the paper",
            f"turn the light so that the stone's edge stands out, or move it a little{NOT_ROUND_HINT}",
        )
    best_merit, edge = found[0]
    refuse_unclear(edge, "stone", hint=NOT_ROUND_HINT)
    if edge.merit < SMALLEST_MERIT:
        raise OutlineUnclear(
            "the girdle hardly stands out: the sharpest ring there may be one of facets",
            "a stone whose edge is darker, lighter or more coloured than the paper on most of the round",
            f"turn the light, come closer, or lay a grey paper under the stone, inside the frame{NOT_ROUND_HINT}",
        )
    if edge.colour == 0.0:
        edge = without_ramp(image, view, edge, plane, blur)
    heights = girdle_on_card(edge.diameter_mm, girdle)
    # Only rivals further out than half a pixel in radius count; nearer ones are the same edge.
    rivals = [
        other
        for merit, other in found[1:]
        if is_rival(merit, best_merit, further_out=other.circle.radius > edge.circle.radius)
    ] + beyond_novelty(edge, [ring for _, ring in [*found, *rings]])
    gap_px = max((abs(o.circle.radius - edge.circle.radius) * edge.px_per_mm for o in rivals), default=0.0)

    def rule_at(shift_mm: float, thicker_mm: float = 0.0) -> State:
        lower = heights.lower_mm - card_height_mm + shift_mm - thicker_mm / 2
        return State(view, {"girdle": wall(lower, lower + heights.upper_mm - heights.lower_mm + thicker_mm)})

    def evaluator(state: State) -> np.ndarray:
        return np.array([2.0 * edge.refit(state.view, state.heights["girdle"]).radius])

    influences = Influences()
    values, changes = evaluate(
        evaluator,
        rule_at(0.0),
        calibration,
        [
            ("girdle height", "height", rule_at(heights.u_mm)),
            ("girdle thickness", "height", rule_at(0.0, heights.u_thickness_mm)),
        ],
    )
    u_edge = 2.0 * edge_u_px(edge, blur, rival_gap_px=gap_px) / edge.px_per_mm
    extra = {("stone edge", "edge"): u_edge, ("stone fit", "fit"): fit_u_mm(edge)}
    # Blur pulls a curved edge inwards by sigma^2 / (2 R) (Mendonca et al.; checked numerically).
    values = values + blur**2 / (edge.circle.radius * edge.px_per_mm) / edge.px_per_mm
    diameter = figure(influences, 0, values, changes, extra)
    shape = form(edge, view)
    u_form = 0.15 / edge.px_per_mm + 0.3 * edge.scatter_px / edge.px_per_mm
    smallest = diameter * shape.smallest + influences.figure(0.0, {("smallest", "form"): u_form})
    largest = diameter * shape.largest + influences.figure(0.0, {("largest", "form"): u_form})
    doubt = 2.0 * gap_px / edge.px_per_mm
    return StoneReading(diameter, smallest, largest, edge, heights, doubt, influences)


def outermost_first(
    found: list[tuple[float, RoundEdge]], rings: list[tuple[float, RoundEdge]], px_mm: float
) -> list[tuple[float, RoundEdge]]:
    """Edges with merits; alone a ring further out than the best one, if such a one is at least as sharp as a girdle.

    The gradient of a soft shadow that hugs the stone counts as something new outside of it and costs the girdle its
    merit; a ring of facets further in has plain facets outside. But a shadow's own boundary is never that sharp all
    round, so the outermost sharp ring is the girdle.
    """
    best = found[0][1].circle.radius if found and found[0][0] >= CLEAR_MERIT else 0.0
    sharp = [
        edge
        for _, edge in rings
        if edge.circle.radius > best + px_mm
        and edge.merit >= SHARP_MERIT
        and edge.support >= SHARP_SUPPORT
        and edge.coverage_deg >= SHARP_COVERAGE_DEG
    ]
    if not sharp:
        return found
    girdle = max(sharp, key=lambda edge: edge.circle.radius)
    return [(girdle.merit, girdle)]


def is_rival(merit: float, best_merit: float, *, further_out: bool) -> bool:
    """Whether a ring of this merit makes the reading of the best one doubtful."""
    return merit > (OUTER_RIVAL_SHARE if further_out else RIVAL_SHARE) * best_merit


def beyond_novelty(edge: RoundEdge, others: list[RoundEdge]) -> list[RoundEdge]:
    """Rings further out that explain what is new outside of an edge: that one may be a table's or a facets' ring."""
    if edge.novelty_outside <= MUCH_NOVELTY:
        return []
    return [
        other
        for other in others
        if (other.circle.radius - edge.circle.radius) * edge.px_per_mm > 1.0
        and other.novelty_outside < LESS_NOVELTY * edge.novelty_outside
        and other.merit >= EXPLAINING_MERIT
    ]


def refuse_unclear(edge: RoundEdge, what: str, *, hint: str = "") -> None:
    """Refuse an edge that is seen on too little of the round, or too faintly; `hint` is added to the advice."""
    if edge.coverage_deg < SMALLEST_COVERAGE_DEG:
        raise OutlineUnclear(
            f"only {edge.coverage_deg:.0f} degrees of the {what}'s edge are seen",
            f"at least {SMALLEST_COVERAGE_DEG:.0f} degrees",
            f"turn the light or the stone so that the edge stands out all round{hint}",
        )
    if edge.support < SMALLEST_SUPPORT:
        raise OutlineUnclear(
            f"the {what}'s edge hardly stands out from the ground",
            "an edge that is darker, lighter or more coloured than the ground on most of the round",
            f"use softer light from two sides, come closer, or lay the stone on a grey paper inside the frame{hint}",
        )


__all__ = ["NotRound", "OutlineUnclear", "StoneReading", "level", "read_stone", "refuse_unclear"]
