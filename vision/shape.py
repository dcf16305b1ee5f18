"""Reading a stone that isn't round: its outline's shape, length and width."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.camera import View
from rimsight.calibration.height import GirdleHeights, Height, girdle_on_card
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.influences import Influences
from rimsight.vision.outline import wall
from rimsight.vision.reading import State
from rimsight.vision.shape_box import Box, departures, smallest_box
from rimsight.vision.shape_colour import beside, colour_offsets, share_inside
from rimsight.vision.shape_edges import ShapeEdge
from rimsight.vision.shape_figures import (
    Doubt,
    edge_u_px,
    evaluated,
    outline_under,
    size_figures,
    sizes,
    with_parameters,
)
from rimsight.vision.shape_hypotheses import Hypothesis, box_of, hypotheses, outline_of
from rimsight.vision.shape_likeness import colour_likeness, stone_likeness, surroundings
from rimsight.vision.shape_name import FAMILY_OF, FULLEST_CUSHION, Naming, name_shape
from rimsight.vision.shape_search import side_moves
from rimsight.vision.shape_tips import with_tips
from rimsight.vision.stone import OutlineUnclear

FloatArray = NDArray[np.float64]

#: A stone's rough hull, its shadow in it, is about this much wider than the stone.
HULL_SHARE = 0.85
#: A stone counts as dark where this share of its outline's inside is: of 14 dark ones 0.74 and more, of a clear one
#: with a dark middle, whose facets were read 0.4 mm small, 0.50.
SMALLEST_DARK_SHARE = 0.65
#: Another outline that fits about as closely, whose merit reaches this share of the best one's and which lies further
#: out by more than this, makes the reading doubtful.
RIVAL_SHARE, RIVAL_MM, RIVAL_SCATTER, SAME_SCATTER_PX = 0.45, 0.035, 1.5, 0.2
#: Of a coloured stone, one that differs by less than this adds to the uncertainty instead, millimetres.
DOUBTED_MM = 0.08
#: Nor does one do nearly as well that is seen over so many degrees less of the round, with this share of the evidence
#: or less: a pear's point that sticks out of an oval where nothing shows. Of five rivals of coloured or dark stones
#: that no other reason spoke against none was right, and each is told so (sets `fresh-shapes-1`, `-2`, `close`, drawn).
LESS_SEEN_DEG, LESS_EVIDENCE = 20.0, 0.95
#: Facets lie inside of every girdle: one further in is doubtful from this share on only; of a stone without a colour
#: that tells it from its shadow earlier (drawn grey stones with hard shadows: 0.89 and 0.9).
INNER_RIVAL_SHARE, CLEAR_INNER_RIVAL_SHARE = 0.85, 0.5
#: Less merit or less evidence than this is as likely a chain of facets or a shadow.
SMALLEST_MERIT, SMALLEST_EVIDENCE = 0.8, 0.45
#: Of a coloured or dark stone, whose colour is asked as well.
TOLD_SMALLEST_MERIT = 0.75
#: A clear stone's curved outline of less merit than `SMALLEST_MERIT` still counts, down to this, where more than this
#: share of it lies on evidence and it is seen over so many degrees: the edge of a clear stone is faint in places, but
#: no chain of facets and no shadow is an ellipse, a marquise or a pear all round. Of 36 such outlines all 13 that pass
#: (with what follows) were right within 0.03 mm, of the others 11 were wrong by more.
FAINT_MERIT, FAINT_EVIDENCE, FAINT_COVERAGE_DEG = 0.35, 0.5, 300.0
#: More than this that is new just outside means that the edge proper lies further out.
LARGEST_NOVELTY = 0.36
#: The same where a clear stone's colour tells nothing, and the share of the evidence that may look like a shadow's.
LARGEST_CLEAR_NOVELTY, LARGEST_LIKE_SHADOW = 0.15, 0.35
#: Of an outline of this merit the edge's own blur is all that is new outside: without noise it stands out far.
PERFECT_MERIT = 2.6
#: Where the stone's colour begins this far inside of the outline in the median, a shadow all round was taken for it,
#: pixels; and shares of the outline inside of which a shadow, outside of which stone may lie (`shape_colour.beside`).
#: Of outlines with straight sides that were right within 0.03 mm the largest share of shadow was 0.083, of ten wrong
#: ones 0.117 and more (sets `shapes` and `fresh-shapes-1`, but for one that the stone outside of it tells).
SMALLEST_MEDIAN_PX, LARGEST_SHADOW, LARGEST_STONE = -0.65, 0.1, 0.08
#: A shadow lies on one side: a curved outline can't follow its edge there and the stone's elsewhere. All 26 curved
#: ones of a merit above 0.75 were right, one with a shadow's edge inside of 11 % of it.
LARGEST_CURVED_SHADOW = 0.2
#: An outline that has neither is taken for one that has, where its merit reaches this share of that one's.
FITTING_SHARE = 0.5
#: Standard uncertainty of a figure that colour wants otherwise, as a share of what it wants beyond what colour is good
#: for, pixels.
COLOUR_SHARE, COLOUR_GOOD_PX = 0.35, 0.3
#: For a coloured or dark stone, whose edge is located in all colours: what of the doubt that another place of one side
#: makes counts where sides are straight and where they are curved, and the standard uncertainty of where a straight
#: side lies, pixels. A facet that runs along a straight side moves all of it: 61 such sides scatter by 0.31 px about
#: the true ones, 21 curved outlines as a whole by 0.08 px (odd-numbered scenes and set `fresh-shapes-1`).
STRAIGHT_SHARE, CURVED_SHARE, STRAIGHT_U_PX = 0.6, 0.2, 0.3
STRAIGHT = ("rectangle", "triangle")
#: What of the way to another outline that would do is one standard uncertainty.
RIVAL_U_SHARE = 0.5
#: Less of the round than this, seen from the middle, is no outline; of a coloured or dark stone this: of 35 right ones
#: the edge was seen over 309 degrees and more, of four wrong ones over less.
SMALLEST_COVERAGE_DEG, TOLD_COVERAGE_DEG = 200.0, 300.0


@dataclass(frozen=True)
class ShapeReading:
    """A stone that isn't round, read from a photograph.

    Parameters
    ----------
    length, width : uncertainties.UFloat
        Sides of the smallest box of the outline, millimetres.
    ratio : uncertainties.UFloat
        Length over width.
    enclosing, inner : uncertainties.UFloat
        Diameters of the smallest circle round the outline and of the largest one inside about the same centre.
    naming : Naming
        The shape's name with its evidence.
    edge : ShapeEdge
        The edge.
    outline_mm : ndarray of shape (M, 2)
        The closed outline at the girdle's height, card millimetres.
    box : Box
        The box.
    heights : GirdleHeights
        Heights that were used.
    middle_mm : float
        Height of the girdle's middle above the card.
    others : tuple of (str, float)
        Other families that were tried, with their merits.
    influences : Influences
        The photograph's variables.
    """

    length: UFloat
    width: UFloat
    ratio: UFloat
    enclosing: UFloat
    inner: UFloat
    naming: Naming
    edge: ShapeEdge
    outline_mm: FloatArray
    box: Box
    heights: GirdleHeights
    middle_mm: float
    others: tuple[tuple[str, float], ...]
    influences: Influences


def read_shape(
    image: LightImage,
    calibration: Calibration,
    hull_mm: FloatArray,
    *,
    shape: str | None = None,
    girdle: Height | None = None,
    card_height_mm: float = 0.0,
) -> ShapeReading:
    """Read a stone that lies on its table, whatever its shape.

    Parameters
    ----------
    image, calibration
        The photograph and its geometry.
    hull_mm : ndarray of shape (M, 2)
        Rough hull of the stone and its shadow, as seen in the card's plane.
    shape : str, optional
        What the stone is, one of `shape_name.FAMILY_OF`; found out by default.
    girdle : Height, optional
        Typed height of the girdle above the table.
    card_height_mm : float
        How high above the table the card lies.

    Raises
    ------
    OutlineUnclear
        No outline stands out, or two would do.
    ValueError
        A shape that isn't known.
    """
    if shape is not None and shape not in FAMILY_OF:
        raise ValueError(f"unknown shape {shape!r}; the shapes are {', '.join(FAMILY_OF)}")
    view = calibration.view
    blur = max(calibration.blur_px, 0.5)
    families = None if shape is None else FAMILY_OF[shape]
    around = surroundings(image, view.to_pixels(hull_mm, 0.0), blur)

    def found_at(heights: GirdleHeights) -> list[Hypothesis]:
        lower, upper = heights.lower_mm - card_height_mm, heights.upper_mm - card_height_mm
        return hypotheses(image, view, around, (lower, upper), families)

    heights = girdle_on_card(HULL_SHARE * smallest_box(hull_mm).width_mm, girdle)
    found = found_at(heights)
    if not found:
        raise OutlineUnclear(
            "no closed outline of a cut stone was found where something lies",
            "a stone whose girdle stands out from the paper",
            "turn the light so that the stone's edge stands out, or move it a little",
        )
    found = [_with_tips(image, view, one, blur) for one in found]
    likeness = stone_likeness(around)
    if likeness is not None:
        # An outline outside of which the stone goes on, or inside of which a shadow lies, gives way to one without.
        faults = {id(one): _beside_fault(one, beside(likeness, around, one.edge, view)) for one in found}
        fitting = [one for one in found if not faults[id(one)]]
        if fitting and fitting[0].merit > FITTING_SHARE * found[0].merit:
            found = fitting
    best = likeliest(found)
    coloured = colour_likeness(around) is not None
    # A clear stone may be dark in its middle, where it mirrors the camera.
    clear = likeness is None or (
        not coloured and share_inside(likeness, around.corner_px, best.edge, view) < SMALLEST_DARK_SHARE
    )
    refuse_unclear(best, clear=clear)
    rivals = refuse_rivals(best, found if likeness is None else as_well_seen(best, found), coloured=coloured)
    doubts = doubts_of(best, rivals) if likeness is None else _told_doubts(best, rivals)
    if likeness is not None:
        wanted = colour_offsets(likeness, around.corner_px, best.edge, view)
        doubts.append(_refuse_disagreement(best, wanted, faults[id(best)]))
    # The heights that follow from the width just found.
    heights = girdle_on_card(best.box.width_mm, girdle)
    return _reading(calibration, best, found, heights, card_height_mm, blur, shape, doubts)


def _with_tips(image: LightImage, view: View, one: Hypothesis, blur_px: float) -> Hypothesis:
    edge = with_tips(image, view, one.edge, blur_px)
    return one if edge is one.edge else replace(one, edge=edge, box=box_of(edge))


def doubts_of(best: Hypothesis, rivals: list[Hypothesis], side_share: float = 1.0) -> list[Doubt]:
    """Outlines that would do nearly as well: with one side elsewhere (times a share), and of other hypotheses."""
    edge = best.edge
    departure = departures(edge)
    sides = [Doubt(with_parameters(edge, edge.parameters + change, departure), side_share) for change in best.doubts()]
    return sides + [Doubt(outline_of(rival.edge), RIVAL_U_SHARE) for rival in rivals]


def _told_doubts(best: Hypothesis, rivals: list[Hypothesis]) -> list[Doubt]:
    """The doubts about the outline of a coloured or dark stone."""
    edge, departure = best.edge, departures(best.edge)
    if not _straight_sided(edge):
        return doubts_of(best, rivals, CURVED_SHARE)
    moves = side_moves(edge.family, edge.parameters) * (STRAIGHT_U_PX / edge.px_per_mm)
    own = [Doubt(with_parameters(edge, edge.parameters + move, departure)) for move in moves]
    return own + doubts_of(best, rivals, STRAIGHT_SHARE)


def _straight_sided(edge: ShapeEdge) -> bool:
    """Whether an outline has straight sides: so full a superellipse is a rectangle but for its corners."""
    full = edge.family.name == "superellipse" and float(edge.parameters[5]) > FULLEST_CUSHION
    return full or edge.family.name in STRAIGHT


def likeliest(found: list[Hypothesis]) -> Hypothesis:
    """The outline of highest merit; a family with fewer parameters wins where another is hardly better."""
    best = max(one.merit for one in found)
    near = [one for one in found if one.merit >= 0.97 * best]
    return min(near, key=lambda one: (len(one.edge.parameters), -one.merit))


def refuse_unclear(best: Hypothesis, *, clear: bool) -> None:
    """Refuse an outline that is seen on too little of the round, too faintly, or that may be a shadow's.

    Parameters
    ----------
    best : Hypothesis
        The outline.
    clear : bool
        The stone has no colour that tells it from the paper.
    """
    edge = best.edge
    least = SMALLEST_COVERAGE_DEG if clear else TOLD_COVERAGE_DEG
    if edge.coverage_deg < least:
        raise OutlineUnclear(
            f"only {edge.coverage_deg:.0f} degrees of the stone's outline are seen",
            f"at least {least:.0f} degrees",
            "turn the light or the stone so that the edge stands out all round",
        )
    if clear and _straight_sided(edge):
        raise OutlineUnclear(
            "a clear stone whose sides look straight: facets run along its edge and look like it",
            "a coloured or dark stone, or a clear one with curved sides",
            "measure it with calipers",
        )
    faint = best.merit < (SMALLEST_MERIT if clear else TOLD_SMALLEST_MERIT) or best.evidence < SMALLEST_EVIDENCE
    if clear and faint:
        faint = (
            best.merit < FAINT_MERIT
            or best.evidence < FAINT_EVIDENCE
            or edge.coverage_deg < FAINT_COVERAGE_DEG
        )
    faint = faint or (clear and best.like_shadow > LARGEST_LIKE_SHADOW)
    new_outside = edge.novelty_outside > (LARGEST_CLEAR_NOVELTY if clear else LARGEST_NOVELTY)
    if faint or (new_outside and best.merit < PERFECT_MERIT):
        raise OutlineUnclear(
            "the outline hardly stands out: the sharpest one there may be one of facets",
            "a stone whose edge is darker, lighter or more coloured than the paper on most of the round",
            "turn the light, come closer, or lay a grey paper under the stone, inside the frame",
        )


def _beside_fault(one: Hypothesis, shares: tuple[float, float]) -> str:
    """What lies on the wrong side of an outline, given the shares from `beside`; empty for nothing."""
    shadow, stone = shares
    if shadow > (LARGEST_SHADOW if one.edge.family.name in STRAIGHT else LARGEST_CURVED_SHADOW):
        return f"along {100 * shadow:.0f} % of the outline a shadow lies just inside of it"
    if stone > LARGEST_STONE:
        return f"along {100 * stone:.0f} % of the outline the stone goes on outside of it"
    return ""


def _refuse_disagreement(best: Hypothesis, wanted_px: FloatArray, found: str) -> Doubt:
    """The outline that colour wants; refuse where it differs too much, or for what was found beside the outline."""
    known = wanted_px[np.isfinite(wanted_px)]
    median = float(np.median(known)) if len(known) else 0.0
    if median < SMALLEST_MEDIAN_PX:
        found = f"the stone's colour begins {-median:.1f} pixels inside of the outline"
    if found:
        raise OutlineUnclear(
            f"light and colour disagree: {found}",
            "an outline on which both agree",
            "use softer light from two sides, so that no shadow hugs the stone, and come closer",
        )
    wanted = np.nan_to_num(wanted_px)
    change = np.sign(wanted) * np.maximum(np.abs(wanted) - COLOUR_GOOD_PX, 0.0) / best.edge.px_per_mm
    edge = best.edge
    return Doubt(with_parameters(edge, edge.parameters, departures(edge) + change), COLOUR_SHARE)


def as_well_seen(best: Hypothesis, found: list[Hypothesis]) -> list[Hypothesis]:
    """Those that are seen about as far round as the best one, or with about as much evidence."""
    return [
        one for one in found
        if one.edge.coverage_deg > best.edge.coverage_deg - LESS_SEEN_DEG
        or one.evidence > LESS_EVIDENCE * best.evidence
    ]  # fmt: skip


def refuse_rivals(best: Hypothesis, found: list[Hypothesis], *, coloured: bool) -> list[Hypothesis]:
    """Refuse where another outline would do nearly as well and lies further out, or as well and further in.

    Returns
    -------
    list of Hypothesis
        The one that differs most of those that differ little; empty where there is none.
    """
    size = np.array([best.box.length_mm, best.box.width_mm])
    inner_share = INNER_RIVAL_SHARE if coloured else CLEAR_INNER_RIVAL_SHARE
    doubted: list[tuple[float, Hypothesis]] = []
    for other in found:
        if other is best or other.edge.scatter_px > max(RIVAL_SCATTER * best.edge.scatter_px, SAME_SCATTER_PX):
            continue
        change = np.array([other.box.length_mm, other.box.width_mm]) - size
        further = change.max() > RIVAL_MM and other.merit > RIVAL_SHARE * best.merit
        if not further and not (change.min() < -RIVAL_MM and other.merit > inner_share * best.merit):
            continue
        if not coloured or np.abs(change).max() > DOUBTED_MM:
            raise OutlineUnclear(
                f"two outlines would do: {size[0]:.2f} x {size[1]:.2f} mm and "
                f"{other.box.length_mm:.2f} x {other.box.width_mm:.2f} mm",
                "one outline that stands out from facets and shadow",
                "use softer light from two sides, so that no shadow hugs the stone, and come closer",
            )
        doubted.append((float(np.abs(change).max()), other))
    return [max(doubted, key=lambda pair: pair[0])[1]] if doubted else []


def _reading(
    calibration: Calibration,
    best: Hypothesis,
    tried: list[Hypothesis],
    heights: GirdleHeights,
    card_height_mm: float,
    blur: float,
    shape: str | None,
    doubts: list[Doubt],
) -> ShapeReading:
    view, edge = calibration.view, best.edge

    def state(shift: float = 0.0, thicker: float = 0.0) -> State:
        lower = heights.lower_mm - card_height_mm + shift - thicker / 2
        return State(view, {"girdle": wall(lower, lower + heights.upper_mm - heights.lower_mm + thicker)})

    moves = [
        ("girdle height", "height", state(heights.u_mm)),
        ("girdle thickness", "height", state(0.0, heights.u_thickness_mm)),
    ]
    place_mm = edge_u_px(edge, blur) / edge.px_per_mm
    values, changes = evaluated(
        lambda outline, _: sizes(outline), edge, state(), calibration, moves, place_mm, doubts
    )
    outline = outline_under(edge, state(), departures(edge))
    box = smallest_box(outline)
    influences = Influences()
    length, width, enclosing, inner = size_figures(influences, edge, outline, values, changes, blur)
    others = tuple((one.edge.family.name, one.merit) for one in tried if one.edge.family is not edge.family)
    naming = name_shape(edge, best.merit, [(one.edge, one.merit) for one in tried], box, shape)
    middle = heights.mean_mm - card_height_mm
    return ShapeReading(
        length, width, length / width, enclosing, inner, naming, edge, outline, box, heights, middle, others, influences
    )
