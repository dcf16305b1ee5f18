"""From what stands on the stage to the fitted body: several starts, the best by what the photograph shows of each."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.side_body import BEVELS, TABLE_SHARE, StoneBody, TubeBody
from rimsight.vision.side_find import Start, Thing, angles, starts, support
from rimsight.vision.side_fit import ROUNDS, TIP_OFFSETS_PX, Fit, fit_body, outline_of
from rimsight.vision.side_lean import girdle_score
from rimsight.vision.side_lines import Judged, LineMap, tube_lines
from rimsight.vision.side_model import circles_px, ideal_view
from rimsight.vision.side_shading import across_axis

FloatArray = NDArray[np.float64]

#: Starts that are tried, and those that are carried to the end.
TRIED, CARRIED, TUBES = 5, 3, 2
#: Leans that are tried to either side, and how far one set by eye is off: standard uncertainty, radians.
TRIED_LEANS: tuple[float, ...] = tuple(float(v) for v in np.radians([0.8, 2.5, 4.5, 6.8]))
LEAN_U = float(np.radians(4.0))
#: An edge half agrees with an outline from which it lies this far, pixels.
AGREES_PX = 0.4
#: So many strips more, or so much more of the girdle, make a lean e times as likely. Neighbouring strips hang together:
#: by itself the outline tells the lean no better than the hand does that set the stone (2.0 degrees off in the root
#: mean square, 26 stones, odd numbers of both sets), the girdle's edge does (1.2).
AGREEMENT_UNIT, SCORE_UNIT = 20.0, 0.025
#: A table that leans shows as a rounded end, which the outline of an upright stone follows with a table too small. So a
#: lean that makes the table the usual share of the girdle is likelier: mean and standard deviation over modern and old
#: cuts (common practice, no source). With all three the lean is 1.0 degrees off in the root mean square.
USUAL_TABLE, USUAL_TABLE_U = 0.57, 0.10
#: No lean is read better than this, radians.
LEAST_LEAN_U = float(np.radians(0.4))
#: An outline that is seen on less than this share tells the lean worse by so many times each share below (set `side`).
SURE_SUPPORT, SUPPORT_DOUBT = 0.85, 15.0
#: What lies outside of an outline counts this much against what lies on it.
OUTSIDE_SHARE = 0.3
#: ... and how much a tube's four lines count beside its outline's support; their score is 2 at best.
LINES_SHARE = 0.25
#: A tube of which one side is an edge on less than this, or whose light changes along more than that share of it, is
#: refused: a shadow was taken in. So is one of which an end goes on beyond both sides, or beyond one with a further
#: side there: its own are streaks of light on the tube. So is one that scores less (set `side`).
LEAST_SCORE, LEAST_SIDE, LARGEST_UNEVEN, MOST_BEYOND, MOST_WIDER = 0.9, 0.25, 0.06, 0.7, 0.4
#: Rounds from a rectangle of straight edges: it lies a few pixels off, for a tube's end is curved as seen.
STRAIGHT_ROUNDS: tuple[tuple[float, float, float], ...] = ((0.0, 8.0, 4.0), (0.0, 6.0, 2.0))
#: Shares of the girdle's diameter that round cuts have, with room to spare (common practice, no source); what an
#: outline of others is worth less.
USUAL_SHARES = {"crown": (0.04, 0.23), "pavilion": (0.18, 0.52), "table": (0.3, 0.8), "girdle": (0.0, 0.12)}
ODD_COST = 0.3
#: Usual angles of crown and pavilion (Tolkowsky, 1919), radians.
USUAL_CROWN, USUAL_PAVILION = np.radians(34.5), np.radians(40.75)
#: A crown or pavilion that is off the usual by this share of the radius is tried as usual, too.
GROWN_SHARE = 0.06
#: Rounds from an end moved out, and how many strips more have to agree: on tubes it was 23 where the upper rim had been
#: taken for the lower, 0.2 at most on 28 others.
RIM_ROUNDS: tuple[tuple[float, float, float], ...] = ((0.0, 3.5, 1.5), (0.0, 2.5, 1.0))
RIM_GAIN = 5.0
#: An end's bevel wider than this is a shadow's rounded corner, millimetres: of 42 tubes that were read well the widest
#: came out at 0.12 (true chamfers up to 0.12); a shadow's at 0.31, which made the tube 0.39 mm too long.
LARGEST_BEVEL_MM = 0.2
SHADOW_ROUNDS: tuple[tuple[float, float, float], ...] = ((0.0, 6.0, 2.0), (0.0, 3.5, 1.5), (0.0, 2.5, 1.0))
#: How far a stone's table is moved out, pixels, and the same for it: it was 17 where a facet's edge had been taken for
#: the table, 0.3 mm inside of it; 8 at most on 55 others, of which one would have got worse.
TABLE_STEPS_PX, TABLE_GAIN = (3.0, 5.0, 8.0), 10.0
#: Culets that are tried beside the point, shares of the girdle's radius, and how much more of the end has to show:
#: of 56 stones it was 0.4 and more on the three whose large culet was read for a point, 0.15 at most on all others.
BLUNT_SHARES, SHOWN_MORE = (0.03, 0.07), 0.3
#: Two hulls are the same when they differ by less than this, millimetres.
SAME_HULL_MM = 0.03
#: What size counts beside the merit: streaks of light and facets are outlines, too, but inner ones.
SIZE_SHARE = 0.3
#: Two starts are the same when their circles differ by less than this share.
SAME_SHARE = 0.06


def merit(view: View, fit: Fit, lines: LineMap | None) -> float:
    """High for an outline that is seen on most of its length: of a stone with nothing more outside of it.

    A tube's streaks of light and its shadow are as straight as its sides; so its four lines are judged.
    """
    if isinstance(fit.body, StoneBody):
        return fit.support - OUTSIDE_SHARE * fit.outside - (ODD_COST if odd_share(stone_shares(fit)) else 0.0)
    judged = judged_lines(view, fit, lines)
    return 0.5 * fit.support + LINES_SHARE * (0.0 if judged is None else judged.score)


def stone_shares(fit: Fit) -> dict[str, float]:
    """Proportions of a fitted stone, shares of its girdle's diameter."""
    across = 2 * fit.named("radius")
    return {
        "crown": fit.named("crown") / across,
        "pavilion": fit.named("pavilion") / across,
        "table": 2 * fit.named("table") / TABLE_SHARE / across,
        "girdle": abs(fit.named("girdle")) / across,
    }


def odd_share(shares: dict[str, float]) -> str:
    """Name of a proportion that no round cut has; empty where there is none."""
    for name, (least, most) in USUAL_SHARES.items():
        if not least < shares[name] < most:
            return name
    return ""


def judged_lines(view: View, fit: Fit, lines: LineMap | None) -> Judged | None:
    """How well a fitted tube's outline suits the straight edges; None where that can't be told."""
    if lines is None:
        return None
    rectangle = lines.rectangle(view.to_plane(outline_of(view, fit), 0.0))
    return None if rectangle is None else lines.judge(rectangle)


def all_starts(
    thing: Thing, of: str | None, turn: float | None, straight: list[Start]
) -> list[tuple[Start, tuple[tuple[float, float, float], ...]]]:
    """Starts from straight edges and from all hulls of a thing, distinct ones only, with the rounds that they need."""
    found: list[Start] = []
    seen: list[FloatArray] = []
    for hull in (thing.hull_mm, *thing.cores_mm):
        reach = support(hull, angles())
        if any(np.abs(reach - other).mean() < SAME_HULL_MM for other in seen):
            continue
        seen.append(reach)
        for start in starts(hull, of, turn)[:3]:
            if not any(_alike(start, other) for other in found):
                found.append(start)
    found.sort(key=lambda start: start.misfit)
    # Lines are located to a few pixels; a wide search would leave them for a shadow's or a streak's.
    return [*((start, STRAIGHT_ROUNDS) for start in straight[:TUBES]), *((start, ROUNDS[:3]) for start in found)]


def search(
    image: LightImage,
    view: View,
    thing: Thing,
    stone: StoneBody,
    tube: TubeBody,
    blur_px: float,
    *,
    of: str | None = None,
    turn: float | None = None,
) -> list[Fit]:
    """Fit stones and tubes to a thing, the best first.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    thing : Thing
        What stands there.
    stone, tube : StoneBody, TubeBody
        How either would lie.
    blur_px : float
        Blur of the photograph.
    of : {"stone", "tube"}, optional
        Only this.
    turn : float, optional
        Direction of the table, if it is known.
    """
    lines, straight = (None, []) if of == "stone" else tube_lines(image, view, thing, blur_px)
    rough: list[Fit] = []
    for start, rounds in all_starts(thing, of, turn, straight)[:TRIED]:
        fit = _fitted(image, view, start, 0.0, stone, tube, blur_px, rounds)
        if fit is not None:
            rough.append(fit)
    rough = _ranked(view, rough, lines)
    for fit in [fit for fit in rough[:CARRIED] if isinstance(fit.body, StoneBody)]:
        for figures in _grown(fit):
            with contextlib.suppress(ValueError):
                rough.append(fit_body(image, view, fit.body, figures, blur_px, rounds=ROUNDS[2:3], coarse=True))
    rough = _ranked(view, rough, lines)
    final: list[Fit] = []
    for fit in rough[:CARRIED]:
        with contextlib.suppress(ValueError):
            rounds = ROUNDS[1:] if isinstance(fit.body, StoneBody) else ROUNDS[3:]
            final.append(fit_body(image, view, fit.body, fit.figures, blur_px, rounds=rounds))
    return [fit for fit in _ranked(view, final, lines) if not _doubtful(view, fit, lines)]


def _doubtful(view: View, fit: Fit, lines: LineMap | None) -> bool:
    """Whether a tube's outline has a side that is no edge, or takes in a shadow at its end."""
    rectangle = None if lines is None else lines.rectangle(view.to_plane(outline_of(view, fit), 0.0))
    if isinstance(fit.body, StoneBody) or lines is None or rectangle is None:
        return False
    judged = lines.judge(rectangle)
    further = judged.beyond > MOST_BEYOND and lines.wider(rectangle, judged.across) > MOST_WIDER
    inner = further or judged.both > MOST_BEYOND
    poor = judged.score < LEAST_SCORE or min(judged.shares) < LEAST_SIDE
    return poor or judged.uneven > LARGEST_UNEVEN or inner


def _ranked(view: View, fits: list[Fit], lines: LineMap | None) -> list[Fit]:
    """The best first: by what is seen of the outlines, and a larger before a smaller one inside of it."""
    sizes = [float(np.sqrt(np.prod(np.ptp(fit.seen.places.points, axis=0)))) for fit in fits]
    largest = max(sizes, default=1.0)
    order = sorted(range(len(fits)), key=lambda k: -(merit(view, fits[k], lines) + SIZE_SHARE * sizes[k] / largest))
    return [fits[k] for k in order]


def finish(image: LightImage, view: View, fit: Fit, blur_px: float) -> tuple[Fit, float]:
    """Fit a stone once more with the lean that suits its outline and its girdle best.

    Returns
    -------
    fit : Fit
        With that lean.
    lean_u : float
        The lean's standard uncertainty, radians; 0 for a tube.
    """
    body = fit.body
    if not isinstance(body, StoneBody):
        if across_axis(image, view, fit):
            figures = fit.figures.copy()
            figures[2] += np.pi / 2
            figures[3], figures[4] = fit.figures[4] / 2, 2 * fit.figures[3]
            with contextlib.suppress(ValueError):
                fit = fit_body(image, view, body, figures, blur_px, rounds=ROUNDS[2:])
        return _without_end_shadows(image, view, _outer_rims(image, view, fit, blur_px), blur_px), 0.0
    leans, score = girdle_score(image, view, fit, blur_px)
    tried: list[tuple[float, float, float]] = []
    figures = fit.figures
    for side in (TRIED_LEANS, tuple(-lean for lean in TRIED_LEANS)):
        there = figures.copy()
        for lean in side:
            there[3] = lean
            try:
                found = fit_body(image, view, replace(body, lean=lean), there, blur_px, rounds=ROUNDS[4:])
            except ValueError:
                break
            there = found.figures.copy()
            tried.append((lean, agreement(found), stone_shares(found)["table"]))
    tried.sort()
    if len(tried) < 3:
        return fit, LEAN_U
    at = np.array(tried)
    curve, table = (np.interp(leans, at[:, 0], at[:, k]) for k in (1, 2))
    usual = ((table - USUAL_TABLE) / USUAL_TABLE_U) ** 2 + (leans / LEAN_U) ** 2
    total = curve / AGREEMENT_UNIT + score / SCORE_UNIT - 0.5 * usual
    total[(leans < at[0, 0]) | (leans > at[-1, 0])] = -np.inf
    k = int(total.argmax())
    weight = np.exp(total - total[k])
    lean = float(np.sum(weight * leans) / weight.sum())
    spread = float(np.sqrt(np.sum(weight * (leans - lean) ** 2) / weight.sum()))
    there = figures.copy()
    there[3] = lean
    try:
        best = fit_body(image, view, replace(body, lean=lean), there, blur_px, rounds=ROUNDS[3:])
    except ValueError:
        return fit, LEAN_U
    best = _culet(image, view, _table(image, view, best, blur_px), blur_px)
    doubt = 1.0 + SUPPORT_DOUBT * max(0.0, SURE_SUPPORT - best.support)
    return best, float(np.hypot(spread, LEAST_LEAN_U)) * doubt


def end_faces_px(view: View, fit: Fit) -> dict[int, float]:
    """How wide a lying tube's ends appear, pixels, by the outline's segment that runs along their rim."""
    rings = circles_px(ideal_view(view), *fit.body.place(fit.figures))
    middle = rings.mean(axis=1)
    ahead = middle[0] - middle[-1]
    ahead /= max(float(np.linalg.norm(ahead)), 1e-9)
    return {2 * k + 1: float(np.ptp(rings[k] @ ahead)) for k in (0, len(rings) - 1)}


def _outer_rims(image: LightImage, view: View, fit: Fit, blur_px: float) -> Fit:
    """The same tube with its ends' lower rims where more edges agree with these.

    Of an end that faces the camera the upper rim lies inside the outline: metal beside the dark bore stands out far
    better than the lower rim does from the tube's shadow.
    """
    lie, _ = fit.body.place(fit.figures)
    scale = view.px_per_mm((lie.x_mm, lie.y_mm), lie.height_mm)
    best, most = fit, agreement(fit) + RIM_GAIN
    for segment, width in end_faces_px(view, fit).items():
        more = width / scale
        figures = _end_moved(fit.figures, more, ahead=segment == 1)
        with contextlib.suppress(ValueError):
            found = fit_body(image, view, fit.body, figures, blur_px, rounds=RIM_ROUNDS)
            if agreement(found) > most:
                best, most = found, agreement(found)
    return best


def _without_end_shadows(image: LightImage, view: View, fit: Fit, blur_px: float) -> Fit:
    """The same tube with an end moved in by what was taken for its bevel, where that is too large for one.

    A soft shadow ends in rounded corners, which the outline follows with a bevel.
    """
    for k in BEVELS:
        bevel = abs(float(fit.figures[k]))
        if bevel <= LARGEST_BEVEL_MM:
            continue
        figures = _end_moved(fit.figures, -bevel, ahead=k == BEVELS[0])
        figures[k] = 0.0
        with contextlib.suppress(ValueError):
            fit = fit_body(image, view, fit.body, figures, blur_px, rounds=SHADOW_ROUNDS)
    return fit


def _end_moved(figures: FloatArray, by_mm: float, *, ahead: bool) -> FloatArray:
    """A tube's figures with one end moved outwards; the other stays where it is."""
    there = figures.copy()
    turn = figures[2]
    there[:2] += (by_mm if ahead else -by_mm) / 2 * np.array([np.cos(turn), np.sin(turn)])
    there[4] += by_mm
    return there


def _table(image: LightImage, view: View, fit: Fit, blur_px: float) -> Fit:
    """The same stone with its table further out where more edges agree with that: facets' edges lie inside of it."""
    lie, _ = fit.body.place(fit.figures)
    scale = view.px_per_mm((lie.x_mm, lie.y_mm), lie.height_mm)
    best, most = fit, agreement(fit) + TABLE_GAIN
    for _ in range(2):
        before = best
        for step in TABLE_STEPS_PX:
            figures = before.figures.copy()
            radius, crown, table = figures[4], figures[6], figures[8]
            figures[6] += step / scale
            figures[8] = max(table - step / scale * (radius - table) / max(crown, 0.1 * radius), 0.3 * radius)
            with contextlib.suppress(ValueError):
                found = fit_body(image, view, fit.body, figures, blur_px, rounds=RIM_ROUNDS)
                if agreement(found) > most:
                    best, most = found, agreement(found)
        if best is before:
            break
        most += TABLE_GAIN
    return best


def _culet(image: LightImage, view: View, fit: Fit, blur_px: float) -> Fit:
    """The same stone with a blunt culet where the photograph shows its end in light, and shows none of the point.

    The rounds before look for a point, and then only so near to it that the end of a large culet, which lies some
    pixels inside of the point, isn't seen any more.
    """
    best, least = fit, end_shown(fit) + SHOWN_MORE
    for share in BLUNT_SHARES:
        figures = fit.figures.copy()
        radius, blunter = figures[4], share * figures[4] - abs(figures[9])
        if blunter <= 0:
            continue
        figures[7] -= figures[7] * blunter / max(radius - abs(figures[9]), 0.1 * radius)
        figures[9] = share * radius
        with contextlib.suppress(ValueError):
            found = fit_body(image, view, fit.body, figures, blur_px, rounds=ROUNDS[4:])
            shown = end_shown(found)
            if shown > least and agreement(found) > agreement(fit):
                best, least = found, shown
    return best


def end_shown(fit: Fit) -> float:
    """How much of a stone's culet lies on edges of light, 0 to 1; colour is kept too coarsely to tell a point's end."""
    first = len(fit.segment) - fit.seen.places.single
    end = slice(first, first + len(TIP_OFFSETS_PX))
    near = fit.seen.weight[end] / (1.0 + (fit.residual_px[end] / AGREES_PX) ** 2)
    return float(np.mean(np.where(fit.seen.colour[end], 0.0, near)))


def agreement(fit: Fit) -> float:
    """How many of an outline's strips have their edge on it."""
    return float(np.sum(fit.seen.weight / (1.0 + (fit.residual_px / AGREES_PX) ** 2)))


def _fitted(
    image: LightImage,
    view: View,
    start: Start,
    lean: float,
    stone: StoneBody,
    tube: TubeBody,
    blur_px: float,
    rounds: tuple[tuple[float, float, float], ...],
) -> Fit | None:
    try:
        if start.of == "stone":
            return fit_body(image, view, stone, stone.start(start, lean), blur_px, rounds=rounds, coarse=True)
        return fit_body(image, view, tube, tube.start(start), blur_px, rounds=rounds, coarse=True)
    except ValueError:
        return None


def _grown(fit: Fit) -> list[FloatArray]:
    """The same stone with the pavilion, the crown or both as deep as is usual: where only a part was seen at first."""
    radius, table = fit.named("radius"), fit.named("table")
    pavilion = radius * np.tan(USUAL_PAVILION)
    crown = max(radius - min(table, 0.65 * radius), 0.3 * radius) * np.tan(USUAL_CROWN)
    found = []
    for deep, high in ((True, False), (False, True)):
        figures = fit.figures.copy()
        if deep:
            figures[7], figures[9], figures[11:] = pavilion, 0.02 * radius, 0.01 * radius
        if high:
            figures[6], figures[8], figures[10] = crown, min(table, 0.65 * radius), 0.02 * radius
        if np.abs(figures - fit.figures)[6:8].max() > GROWN_SHARE * radius:
            found.append(figures)
    return found


def _alike(one: Start, other: Start) -> bool:
    turned = abs((one.turn - other.turn + np.pi) % (2 * np.pi) - np.pi)
    size = max(one.radius_mm, one.ahead_mm)
    sizes = (one.radius_mm - other.radius_mm, one.ahead_mm - other.ahead_mm, one.behind_mm - other.behind_mm)
    away = np.hypot(one.centre_mm[0] - other.centre_mm[0], one.centre_mm[1] - other.centre_mm[1])
    return bool(one.of == other.of and turned < 0.12 and max(*map(abs, sizes), away) < SAME_SHARE * size)
