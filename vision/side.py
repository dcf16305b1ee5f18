"""Reading a stone or a tube from the side: height, girdle, crown and pavilion; length and outside."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat

from rimsight.calibration.camera import View
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.height import Height
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.influences import Influences
from rimsight.vision.side_beyond import METAL, STREAK_SHARE, burnt_out, own_colour_beyond
from rimsight.vision.side_body import BEVELS, TABLE_SHARE, TABLE_SHARE_U, StoneBody, TubeBody
from rimsight.vision.side_find import NoSideView, Thing
from rimsight.vision.side_fit import SMALLEST_SCALE_PX, TIP_OFFSETS_PX, Fit, covariance, outline_of, solve
from rimsight.vision.side_model import axis_points_px, from_ideal, ideal_view, sight_angle
from rimsight.vision.side_search import LARGEST_BEVEL_MM, USUAL_SHARES, finish, odd_share, search

FloatArray = NDArray[np.float64]

#: Thickness of the wax between a stone's girdle and the card, and its standard uncertainty, millimetres (judgement).
WAX_MM, WAX_U_MM = 0.2, 0.15
#: An outline must show on this share of its length.
SMALLEST_SUPPORT = 0.7
#: A height that is known no better than this share (95 %) is no help at the bench.
POOREST_SHARE = 0.08
#: Standard uncertainties of the outline's place, pixels: of all of it together, and of each of its sides by itself.
#: Facets that are seen at a grazing angle mirror the ground and hide. From rendered photographs (set `side`).
EDGE_U_PX, SIDE_U_PX = 0.35, 0.6
#: Facets and a tube's sides mirror the paper beside them, so that the light begins to change only gradually: so far
#: within the true outline lies the edge, in blurs, the same on all sides of a stone but at the culet, which is a point
#: (19 stones, odd numbers of the set `side`). Of a tube's two sides one shows plainly as a rule (26 tubes).
SEAM_BLURS, TUBE_SEAM_BLURS = 0.34, 0.17
#: The segment of a tube's outline that runs along its sides, from its second circle to its third.
SIDES = 2
#: A side of the outline that doesn't show at all may lie this far off, pixels.
HIDDEN_U_PX = 2.5
#: Where facets meet the girdle its edges wander: standard uncertainties, shares of the diameter (set `side`).
FACET_SHARE_U = {"crown": 0.005, "pavilion": 0.01, "girdle": 0.01, "culet": 0.012}
#: How far the profile's angle differs from the main facets', degrees (common practice, no source).
CROWN_ANGLE_U, PAVILION_ANGLE_U = 1.5, 1.2

STONE_FIGURES = (
    "height", "diameter", "girdle", "table", "crown", "pavilion", "crown angle", "pavilion angle", "culet"
)  # fmt: skip
TUBE_FIGURES = ("length", "outer")


class SideUnclear(PhotoError):
    """The outline is not seen on enough of its length."""

    kind = "outline_unclear"


class TooCoarse(PhotoError):
    """The figures would be too uncertain to be of use."""

    kind = "too_small"


@dataclass(frozen=True)
class SideReading:
    """A stone or a tube read from the side.

    Parameters
    ----------
    of : {"stone", "tube"}
        What it is.
    figures : dict of str to uncertainties.UFloat
        By the names of `STONE_FIGURES` or `TUBE_FIGURES`; millimetres, angles in degrees.
    fit : Fit
        The fitted body.
    axis : Height
        Height of the axis above the card.
    lean_deg, lean_u_deg : float
        How far the table rises out of the square to the card, and its standard uncertainty; 0 for a tube.
    px_per_mm : float
        Scale at the axis.
    outline_px : ndarray of shape (M, 2)
        The fitted outline, pixels.
    marks_px : dict of str to ndarray of shape (2, 2)
        Ends of the dimension lines, pixels, by figure.
    influences : Influences
        The photograph's variables.
    notes : tuple of str
        What to mind.
    """

    of: str
    figures: dict[str, UFloat]
    fit: Fit
    axis: Height
    lean_deg: float
    lean_u_deg: float
    px_per_mm: float
    outline_px: FloatArray
    marks_px: dict[str, FloatArray]
    influences: Influences
    notes: tuple[str, ...] = ()


def read_side(
    image: LightImage,
    calibration: Calibration,
    thing: Thing,
    *,
    of: str | None = None,
    axis: Height | None = None,
    card_height_mm: float = 0.0,
) -> SideReading:
    """Read what stands on the stage as seen from the side.

    Parameters
    ----------
    image, calibration
        The photograph and its geometry.
    thing : Thing
        What is meant, from `side_find.find_things`.
    of : {"stone", "tube"}, optional
        What it is; by default whichever fits better.
    axis : Height, optional
        Height of a stone's axis above the table on which the card lies; default its girdle stands in wax on the card.
    card_height_mm : float
        How high above the table the card lies.

    Raises
    ------
    NoSideView, SideUnclear, TooCoarse
        The photograph doesn't allow it.
    """
    view, blur = calibration.view, max(calibration.blur_px, 0.5)
    lift = WAX_MM - card_height_mm
    stone = StoneBody(lift, None if axis is None else axis.mm - card_height_mm)
    fits = search(image, view, thing, stone, TubeBody(-card_height_mm), blur, of=of)
    if not fits:
        raise NoSideView(
            "what stands there fits neither a stone nor a tube seen from the side",
            "a stone on its girdle, table and culet to the left and right of it, or a tube on its side",
            "stand the stone on its girdle in a little wax, its table upright, and look from straight above",
        )
    fit, lean_u = finish(image, view, fits[0], blur)
    _refuse_unclear(fit)
    _refuse_streak(image, view, fit)
    _refuse_end_shadow(fit)
    return _reading(calibration, fit, lean_u, axis)


def _reading(calibration: Calibration, fit: Fit, lean_u: float, axis: Height | None) -> SideReading:
    view, body = calibration.view, fit.body
    influences = Influences()
    is_stone = isinstance(body, StoneBody)
    quantities = _stone_quantities if is_stone else _tube_quantities
    values = quantities(fit.figures + covariance(view, fit)[0] @ _hidden_px(fit, max(calibration.blur_px, 0.5)))
    if is_stone:
        _refuse_odd(values)

    def refit(there: View, changed: StoneBody | TubeBody) -> FloatArray:
        start = fit.figures.copy()
        if isinstance(changed, StoneBody):
            start[3] = changed.lean
        figures, _, _ = solve(there, changed, start, fit.seen, SMALLEST_SCALE_PX, rounds=1)
        return quantities(figures)

    changes: dict[tuple[str, str], FloatArray] = {}
    assert isinstance(body, StoneBody | TubeBody)
    here = refit(view, body)
    lie, _ = body.place(fit.figures)
    for k, (tag, variant) in enumerate(calibration.variants):
        # The lean was read against the line of sight, and moves with it.
        turned = sight_angle(view, lie) - sight_angle(variant, lie)
        there = replace(body, lean=body.lean + turned) if isinstance(body, StoneBody) else body
        changes[(f"view {k}", tag)] = refit(variant, there) - here
    if isinstance(body, StoneBody):
        u_axis = WAX_U_MM if axis is None else axis.u_mm
        raised = (
            replace(body, lift_mm=body.lift_mm + u_axis)
            if body.axis_height_mm is None
            else replace(body, axis_height_mm=body.axis_height_mm + u_axis)
        )
        changes[("axis height", "height")] = refit(view, raised) - here
        leaning = [refit(view, replace(body, lean=body.lean + sign * lean_u)) - here for sign in (1.0, -1.0)]
        # The change is even in a small lean: the larger of both sides counts.
        changes[("lean", "lean")] = np.where(np.abs(leaning[0]) > np.abs(leaning[1]), *leaning)
    changes |= _edge_changes(view, fit, quantities)
    scale = view.px_per_mm((lie.x_mm, lie.y_mm), lie.height_mm)
    names = STONE_FIGURES if is_stone else TUBE_FIGURES
    extra = _facets(values) if is_stone else {}
    figures: dict[str, UFloat] = {}
    for k, name in enumerate(names):
        own = {key: float(change[k]) for key, change in changes.items()}
        own |= {(f"{name} facets", "facets"): extra[name]} if name in extra else {}
        figures[name] = influences.figure(float(values[k]), own)
    main = figures[names[0]]
    if 1.96 * main.std_dev > POOREST_SHARE * main.nominal_value:
        raise TooCoarse(
            f"the {names[0]} would be {main.nominal_value:.2f} ± {1.96 * main.std_dev:.2f} mm",
            f"better than {100 * POOREST_SHARE:.0f} % of it",
            "come closer or use the 30 mm card, and set the stone so that its axis is level with the card",
        )
    source = "lies on the card" if not is_stone else f"stands in wax on its girdle, {WAX_MM:g} mm above the card"
    at = Height(lie.height_mm, 0.0 if not is_stone else u_axis, source if axis is None else axis.source)
    marks = _marks(view, fit)
    return SideReading(
        "stone" if is_stone else "tube", figures, fit, at, float(np.degrees(lie.lean)), float(np.degrees(lean_u)),
        scale, outline_of(view, fit), marks, influences,
        _notes(fit, lean_u),
    )  # fmt: skip


def _refuse_unclear(fit: Fit) -> None:
    if fit.support < SMALLEST_SUPPORT:
        raise SideUnclear(
            f"only {100 * fit.support:.0f} % of the outline stands out from the ground",
            f"at least {100 * SMALLEST_SUPPORT:.0f} %",
            "turn the light, come closer, or lay a grey or coloured paper inside the frame under the stone",
        )


def _refuse_end_shadow(fit: Fit) -> None:
    """Refuse a tube an end of which has corners rounder than a tube's."""
    if isinstance(fit.body, StoneBody):
        return
    bevel = float(np.abs(fit.figures[list(BEVELS)]).max())
    if bevel > LARGEST_BEVEL_MM:
        raise SideUnclear(
            f"an end's corners would be broken by {bevel:.2f} mm: a shadow there looks like the end",
            f"an end that stands out from its shadow, corners broken by at most {LARGEST_BEVEL_MM:g} mm",
            "use softer light, or turn the tube so that neither end throws a shadow along it",
        )


def _refuse_streak(image: LightImage, view: View, fit: Fit) -> None:
    """Refuse a tube whose metal goes on beyond what was taken for its sides."""
    if isinstance(fit.body, StoneBody):
        return
    lie, profile = fit.body.place(fit.figures)
    radius = float(profile.radii_mm.max())
    half = float(profile.places_mm[0])
    streak = burnt_out(image, view, lie, half, radius) > STREAK_SHARE
    seen = "a streak of light lies between" if streak else "the metal goes on beyond"
    if streak or own_colour_beyond(image, view, lie, half, radius) > METAL:
        raise SideUnclear(
            f"{seen} the two lines {2.0 * radius:.2f} mm apart that look most like the tube's sides",
            "both long sides of the tube standing out from the paper",
            "turn the light so that no bright streak runs along the tube, or measure its end with rimsight tube",
        )


def _hidden_px(fit: Fit, blur_px: float) -> FloatArray:
    """How far outside of the edge on each strip the true outline lies in the mean, pixels."""
    hidden = np.full(len(fit.segment), blur_px)
    if isinstance(fit.body, StoneBody):
        first = len(hidden) - fit.seen.places.single
        hidden[first : first + len(TIP_OFFSETS_PX)] = 0.0
        return SEAM_BLURS * hidden
    return np.where(fit.segment == SIDES, TUBE_SEAM_BLURS * hidden, 0.0)


def _refuse_odd(values: FloatArray) -> None:
    """Refuse proportions that no round cut has: some other edge was taken for the stone's."""
    known = dict(zip(STONE_FIGURES, values, strict=True))
    shares = {name: known[name] / known["diameter"] for name in USUAL_SHARES}
    name = odd_share(shares)
    if name:
        least, most = USUAL_SHARES[name]
        raise SideUnclear(
            f"what stands there would have a {name} of {100 * shares[name]:.0f} % of its girdle",
            f"a round faceted stone: {100 * least:.0f} to {100 * most:.0f} %",
            "turn the light so that the whole outline stands out, and keep glints and hard shadows off it",
        )


def _stone_quantities(figures: FloatArray) -> FloatArray:
    """The values of `STONE_FIGURES`."""
    _, _, _, _, radius, girdle, crown, pavilion, table, culet, *_ = figures
    girdle, culet, across = abs(girdle), abs(culet), table / TABLE_SHARE
    return np.array([
        girdle + crown + pavilion, 2 * radius, girdle, 2 * across, crown, pavilion,
        np.degrees(np.arctan2(crown, radius - across)), np.degrees(np.arctan2(pavilion, radius - culet)), 2 * culet,
    ])  # fmt: skip


def _tube_quantities(figures: FloatArray) -> FloatArray:
    """The values of `TUBE_FIGURES`."""
    return np.array([figures[4], 2 * figures[3]])


def _facets(values: FloatArray) -> dict[str, float]:
    """What facets make uncertain in each figure of a stone."""
    known = dict(zip(STONE_FIGURES, values, strict=True))
    shares = {name: share * known["diameter"] for name, share in FACET_SHARE_U.items()}
    return shares | {
        "table": TABLE_SHARE_U * known["table"], "crown angle": CROWN_ANGLE_U, "pavilion angle": PAVILION_ANGLE_U,
    }  # fmt: skip


def _edge_changes(view: View, fit: Fit, quantities: object) -> dict[tuple[str, str], FloatArray]:
    """What the outline's place makes uncertain: all of it together, each side by itself, and strip by strip."""
    assert callable(quantities)
    gain, spread = covariance(view, fit)
    here = quantities(fit.figures)

    def change(figures: FloatArray) -> FloatArray:
        return np.asarray(quantities(fit.figures + figures) - here)

    changes = {("edge", "edge"): change(gain.sum(axis=1) * EDGE_U_PX)}
    lie, _ = fit.body.place(fit.figures)
    middle = axis_points_px(ideal_view(view), lie, np.array([0.0, 1.0]))
    ahead = middle[1] - middle[0]
    side = np.sign((fit.seen.places.points - middle[0]) @ np.array([-ahead[1], ahead[0]]))
    sides = fit.segment * 2 + (side > 0) * (fit.segment % 2 == 0)
    for label in np.unique(sides):
        strips = sides == label
        shown = float(np.mean((np.abs(fit.residual_px) < 0.7)[strips] & (fit.seen.weight > 0)[strips]))
        u = float(np.hypot(SIDE_U_PX, HIDDEN_U_PX * (1.0 - shown)))
        changes[(f"side {label}", "edge")] = change(gain[:, strips].sum(axis=1) * u)
    values, vectors = np.linalg.eigh(spread)
    for k in range(len(values)):
        if values[k] > 0:
            changes[(f"strips {k}", "fit")] = change(vectors[:, k] * np.sqrt(values[k]))
    return changes


def _marks(view: View, fit: Fit) -> dict[str, FloatArray]:
    """Ends of the dimension lines, pixels: where they lie beside the outline."""
    lie, profile = fit.body.place(fit.figures)
    plain = ideal_view(view)
    radius = float(profile.radii_mm.max())
    level = lie.across[0]

    def points(places: list[tuple[float, float]]) -> FloatArray:
        found = []
        for place, aside in places:
            moved = replace(lie, x_mm=lie.x_mm + aside * level[0], y_mm=lie.y_mm + aside * level[1])
            found.append(axis_points_px(plain, moved, np.array([place]))[0])
        return from_ideal(view, np.array(found))

    if not isinstance(fit.body, StoneBody):
        half = float(profile.places_mm[0])
        return {
            "length": points([(half, 0.0), (-half, 0.0)]),
            "outer": points([(0.35 * half, -radius), (0.35 * half, radius)]),
        }
    top, low = float(profile.places_mm[0]), float(profile.places_mm[-1])
    half = abs(fit.named("girdle")) / 2
    return {
        "height": points([(top, 1.35 * radius), (low, 1.35 * radius)]),
        "diameter": points([(0.0, -radius), (0.0, radius)]),
        "crown": points([(top, -1.3 * radius), (half, -1.3 * radius)]),
        "pavilion": points([(-half, -1.3 * radius), (low, -1.3 * radius)]),
        "table": points([(top, -fit.named("table")), (top, fit.named("table"))]),
    }


def _notes(fit: Fit, lean_u: float) -> tuple[str, ...]:
    notes = []
    if isinstance(fit.body, StoneBody):
        lean = float(np.degrees(abs(fit.named("lean"))))
        if lean > 3.0:
            notes.append(
                f"the stone leans by about {lean:.0f} degrees; set it so that its table stands square to the card"
            )
        if np.degrees(lean_u) > 2.0:
            notes.append("how far the stone leans is hard to tell in this photo, so its height is less sure")
    return tuple(notes)
