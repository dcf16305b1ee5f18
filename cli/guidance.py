"""What limits a result, in plain words, and the one step that would improve it most; and the warnings.

The step is computed from the budget: each remedy says by which factor it shrinks which components, and the one that
leaves the smallest uncertainty wins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.cli.measuring import Measurement

#: What the budget's components are called to a person.
WORDS = {
    "edge": "how sharply the edge can be located in the photo",
    "edge bias": "what the check-up leaves of doubt where edges are read",
    "fit": "how evenly the edge lies on a circle",
    "lean": "how far the stone leans out of square to the card",
    "facets": "where facets meet girdle and table",
    "centre": "how well the two centres are located",
    "tips": "where sides meet in a tip that the photo blunts",
    "form": "how far the outline's own form can be told from noise",
    "height": "how high the edge lies above the card",
    "print scale": "the true size of the printed card",
    "square": "how well the square's own edges are located",
    "focal length": "the camera's focal length",
    "lens": "the lens's distortion",
    "bore": "the typed bore",
    "wall": "the typed wall",
}
#: Components below this share of the variance are not worth a word.
SMALLEST_SHARE = 0.02
#: A remedy that takes off less than this share of the uncertainty is not worth the trouble.
SMALLEST_GAIN = 0.10
#: A closer photo is taken with twice the pixels per millimetre; beyond the upper limit phones don't focus.
CLOSER, CLOSEST_PX_PER_MM = 2.0, 90.0
#: Side of the small card.
SMALL_CARD_MM = 30.0
#: What a typed camera distance leaves of the focal length's uncertainty: 3 % (`pose.prior_for`).
TYPED_DISTANCE_U = 0.03
#: What a check with a steel rule leaves of the print scale's.
CHECKED_U = 0.1 / 150.0
#: What not knowing the ledge under the stone does to the girdle's height: 0.13 mm times tan(40.75 deg).
GUESSED_SEAT_U_MM = 0.13 * 0.86
#: Name of the remedy of a second photo, and those that it spares.
SECOND, TYPED_HEIGHTS = "second photo", ("--length", "--height", "--bore")
#: A typed height is named first when it leaves at most this many times what a second photo would.
ABOUT_AS_LITTLE = 1.15
#: Sideways moves that a second photo is advised from, millimetres, and what a longer one must leave at most of the
#: uncertainty that a shorter one leaves.
SECOND_PHOTO_MM, WORTH_MOVING = (30.0, 50.0, 70.0, 100.0), 0.8
#: Below this no better reading is needed: half the limit of error of a hand caliper (DIN 862: 0.02 mm).
GOOD_ENOUGH_MM = 0.01
#: Light that is burnt out on more than this share of the paper makes the edges uncertain.
CLIPPED_WARNING = 0.05
#: Seen further from the side than this, heights act strongly.
TILT_WARNING_DEG = 12.0


@dataclass(frozen=True, eq=False)
class Remedy:
    """One step, and what it leaves of the uncertainty.

    Parameters
    ----------
    option : str
        For machines: the option or command that it is about.
    text : str
        What to do, in words.
    left : dict of str to float
        Component -> factor by which it shrinks.
    """

    option: str
    text: str
    left: dict[str, float]


@dataclass(frozen=True)
class Guidance:
    """What limits the main figure and what would improve it.

    Parameters
    ----------
    figure : str
        Name of the figure in the JSON.
    shares : tuple of (str, float)
        Components and their shares of the variance, largest first.
    u95_mm : float
        Its uncertainty.
    remedy : Remedy or None
        The step that would shrink it most; None if none is worth it.
    u95_after_mm : float
        What would be left.
    """

    figure: str
    shares: tuple[tuple[str, float], ...]
    u95_mm: float
    remedy: Remedy | None
    u95_after_mm: float

    def to_json(self) -> dict[str, Any]:
        """Plain members."""
        largest = self.shares[0][0] if self.shares else None
        return {
            "figure": self.figure,
            "largest": largest,
            "largest_in_words": None if largest is None else words_for(largest),
            "shares": {name: round(share, 3) for name, share in self.shares},
            "step": None if self.remedy is None else self.remedy.option,
            "step_in_words": None if self.remedy is None else self.remedy.text,
            "u95_after_mm": None if self.remedy is None else float(f"{self.u95_after_mm:.2g}"),
        }


def words_for(component: str) -> str:
    """A budget's component in plain words."""
    return WORDS.get(component, component)


def guidance(measured: Measurement) -> Guidance:
    """Find what limits the main figure of a measurement."""
    from rimsight.calibration.uncertainty import combined, coverage_factor, from_ufloat

    name, figure = main_figure(measured)
    found = from_ufloat(figure)
    total = sum(u**2 for u in found.budget.values()) or 1.0
    shares = sorted(((tag, u**2 / total) for tag, u in found.budget.items()), key=lambda item: -item[1])
    after = (
        {
            remedy: coverage_factor()
            * combined({tag: u * remedy.left.get(tag, 1.0) for tag, u in found.budget.items()})
            for remedy in _remedies(measured)
        }
        if found.budget and found.u95 > GOOD_ENOUGH_MM
        else {}
    )
    best = min(after, key=lambda remedy: after[remedy], default=None)
    second = next((remedy for remedy in after if remedy.option == SECOND), None)
    if best is second and second is not None:
        # A typed height that leaves about as little is the surer way: it does not rest on the edge of another photo.
        typed = [
            remedy
            for remedy in after
            if remedy.option in TYPED_HEIGHTS and after[remedy] < ABOUT_AS_LITTLE * after[second]
        ]
        best = min(typed, key=lambda remedy: after[remedy], default=best)
    useful = second is not None and after[second] < (1.0 - SMALLEST_GAIN) * found.u95
    if best is not None and second is not None and useful and best.option in TYPED_HEIGHTS:
        # Nobody has to type what a second photo tells as well.
        spaced = f"\u00b1\u00a0{after[second]:.2g}\u00a0mm"
        both = replace(best, text=f"{best.text}, or {second.text} (about {spaced})")
        after[both] = after[best]
        best = both
    if best is not None and after[best] > (1.0 - SMALLEST_GAIN) * found.u95:
        best = None
    left = found.u95 if best is None else after[best]
    return Guidance(name, tuple(item for item in shares if item[1] >= SMALLEST_SHARE), found.u95, best, left)


def main_figure(measured: Measurement) -> tuple[str, Any]:
    """Name and value of the figure that the result is about."""
    reading: Any = measured.reading
    if measured.inputs.kind == "side":
        member = "stone.height_mm" if reading.of == "stone" else "tube.length_mm"
        return member, reading.figures["height" if reading.of == "stone" else "length"]
    if measured.inputs.kind == "stone" and measured.inputs.shape is not None:
        return "stone.length_mm", reading.length
    if measured.inputs.kind == "stone":
        return "stone.diameter_mm", reading.diameter
    if measured.inputs.kind == "tube":
        if reading.bore is not None and reading.bore.std_dev > 1.2 * reading.outer.std_dev:
            return "tube.bore_diameter_mm", reading.bore
        return "tube.outer_diameter_mm", reading.outer
    return "rim.centred_mm", reading.centred


def _remedies(measured: Measurement) -> list[Remedy]:
    return [*_height_remedies(measured), *_scale_remedies(measured), *_edge_remedies(measured)]


def _height_remedies(measured: Measurement) -> list[Remedy]:
    from rimsight.calibration.height import TYPED_HEIGHT_U_MM

    inputs, reading = measured.inputs, measured.reading
    if inputs.kind == "side":
        text = "set the stone so that its table stands square to the card: sight along the card, the table must vanish"
        return [Remedy("lean", text, {"lean": 0.3})] if main_figure(measured)[0].startswith("stone") else []
    if measured.several is not None:
        return _wider_remedies(measured)
    remedies = _second_photo(measured)
    if inputs.kind == "stone":
        if inputs.height_mm is None:
            left = min(1.0, TYPED_HEIGHT_U_MM / max(reading.heights.u_mm, 1e-9))  # type: ignore[union-attr]
            text = "measure how high the girdle stands above the table and type it with --height"
            remedies.append(Remedy("--height", text, {"height": left}))
    elif inputs.length_mm is None:
        from rimsight.calibration.height import TUBE_LENGTH_U_MM

        text = "measure the tube's length and type it with --length"
        remedies.append(Remedy("--length", text, {"height": TYPED_HEIGHT_U_MM / TUBE_LENGTH_U_MM}))
    if inputs.kind == "rim" and inputs.height_mm is None:
        u = reading.heights.u_mm  # type: ignore[union-attr]
        if inputs.bore_mm is None and inputs.wall_mm is None:
            left = u / math.hypot(u, GUESSED_SEAT_U_MM)
            text = "type the tube's bore or wall (--bore, --wall): it says how deep the stone sits"
            remedies.append(Remedy("--bore", text, {"height": left}))
        else:
            text = "measure how high the girdle stands above the tube's end and type it with --height"
            remedies.append(Remedy("--height", text, {"height": min(1.0, TYPED_HEIGHT_U_MM / max(u, 1e-9))}))
    if all(remedy.option == SECOND for remedy in remedies):
        text = "hold the camera twice as far away with twice the zoom (real zoom, a tele lens): heights then act half"
        remedies.append(Remedy("distance", text, {"height": 0.5, "focal length": 0.5}))
    return remedies


def _second_photo(measured: Measurement) -> list[Remedy]:
    """A second photo from the side: what it would leave is computed for this camera, this place and this edge."""
    import numpy as np

    from rimsight.calibration.baseline import Planned, after_move, furthest_move_mm
    from rimsight.calibration.uncertainty import combined, from_ufloat
    from rimsight.cli.opening import prior_of
    from rimsight.cli.result import main_edge

    calibration = measured.calibration
    if calibration.reference.plain or not calibration.reference.oriented:
        return []
    if measured.inputs.kind not in ("stone", "tube", "rim") or measured.inputs.shape is not None:
        return []
    edge: Any = main_edge(measured)
    x, y = (float(value) for value in edge.circle.centre)
    budget = from_ufloat(main_figure(measured)[1]).budget
    causes = ("height", "focal length", "lens", "square")
    now = combined({tag: budget.get(tag, 0.0) for tag in causes})
    if not now > 0.0:
        return []
    rim = measured.inputs.kind == "rim"
    located = 0.5 * (2.0 if rim else 1.0) * math.hypot(budget.get("edge", 0.0), budget.get("edge bias", 0.0))
    height = float(np.mean(edge.heights(calibration.view, edge.circle.centre + np.eye(2), np.eye(2))))
    circle = Planned(x, y, edge.circle.radius, height, located, located)
    prior = prior_of(measured.photo, measured.hint, measured.match, measured.inputs)
    best: tuple[float, float] | None = None
    for move in SECOND_PHOTO_MM:
        if move > furthest_move_mm(calibration):
            break
        _, u = after_move(calibration, prior, circle, move)
        # Of a rim only the two heights' difference counts: that of two edges, on half a diameter.
        left = (0.5**0.5 if rim else 1.0) * u / now
        if best is None or left < WORTH_MOVING * best[1]:
            best = move, left
    if best is None or best[1] >= 1.0:
        return []
    text = (
        f"take a second photo of the untouched scene from {best[0] / 10:.0f} cm to the side and name both photos: the "
        "heights are then solved"
    )
    return [Remedy(SECOND, text, dict.fromkeys(causes, best[1]))]


def _wider_remedies(measured: Measurement) -> list[Remedy]:
    """Photos from further apart: an edge's doubt acts on the height as one over the distance between the places."""
    from rimsight.calibration.baseline import furthest_move_mm

    assert measured.several is not None
    now = measured.several.baseline_mm
    wider = min(2.0 * now, furthest_move_mm(measured.calibration))
    if wider < 1.2 * now:
        return []
    text = f"photograph from further apart: {wider / 10:.0f} cm instead of {now / 10:.0f}"
    return [Remedy("wider", text, {"height": now / wider})]


def _scale_remedies(measured: Measurement) -> list[Remedy]:
    reference = measured.calibration.reference
    remedies = []
    if reference.plain:
        text = "use the program's printed card (rimsight card): the middle of its black band is free of edge bias"
        remedies.append(Remedy("rimsight card", text, {"square": 0.1}))
    elif not reference.checked:
        text = "measure the card's two 150 mm lines and type them: rimsight card check"
        remedies.append(Remedy("rimsight card check", text, {"print scale": CHECKED_U / reference.u_scale}))
    elif reference.u_scale > 0.0003:
        text = "measure the card's two 150 mm lines with calipers instead of a rule: rimsight card check --u 0.03"
        remedies.append(Remedy("rimsight card check", text, {"print scale": 0.03 / 150.0 / reference.u_scale}))
    if measured.inputs.camera_distance_mm is None:
        left = min(1.0, TYPED_DISTANCE_U / max(measured.calibration.u_rel_f, 1e-9))
        text = "measure the distance from the phone's lens to the card and type it with --camera-distance"
        remedies.append(Remedy("--camera-distance", text, {"focal length": left}))
    if measured.match.prior is None:
        text = "make a profile of this camera from five photos of the card: rimsight camera profile"
        remedies.append(Remedy("rimsight camera profile", text, {"focal length": 0.2, "lens": 0.2}))
    text = "bring the subject into the middle of the picture, where a lens bends least"
    remedies.append(Remedy("centre", text, {"lens": 0.3}))
    return remedies


def _edge_remedies(measured: Measurement) -> list[Remedy]:
    from rimsight.cli.result import main_edge

    scale = main_edge(measured).px_per_mm
    small = measured.calibration.reference.side_mm <= SMALL_CARD_MM
    if scale * CLOSER <= CLOSEST_PX_PER_MM:
        text = (
            f"come closer{'' if small else ', or use the 30 mm card'}: one millimetre has {scale:.0f} pixels here, "
            f"{CLOSER * scale:.0f} would halve what the edge costs"
        )
        nearer = ("edge", "edge bias", "fit", "centre", "form", "square")
        return [Remedy("closer", text, dict.fromkeys(nearer, 1.0 / CLOSER))]
    text = "light the edge evenly from all round, so that it stands out without glints"
    return [Remedy("light", text, dict.fromkeys(("edge", "fit", "centre", "form"), 0.7))]


def warnings_of(measured: Measurement) -> list[str]:
    """What the user should know about this result, one sentence each."""
    calibration, reading = measured.calibration, measured.reading
    reference = calibration.reference
    found = list(measured.photo.warnings)
    if not reference.plain and not reference.checked:
        found.append(
            f"the print of the {reference.side_mm:g} mm card is not checked, so its size is known to "
            f"{100 * 3**0.5 * reference.u_scale:.1f} % only: measure its two 150 mm lines and type them with "
            "'rimsight card check'"
        )
    elif measured.check is not None:
        found += measured.check.warnings()
        if not reference.oriented:
            found.append(
                "the card's small markers were not read: which of its lines is the one across is not known, their "
                "mean is used; keep the markers in view"
            )
    if reference.plain:
        found.append(
            "a plain square gives a coarser scale than the printed card: light that spills over its edges makes it "
            "look smaller by an amount that the photo does not tell"
        )
    if measured.match.profile is not None and measured.match.prior is None:
        found.append(measured.match.reason)
    unknown = measured.match.prior is None and measured.hint.f_px is None
    if unknown and measured.inputs.camera_distance_mm is None and measured.several is None:
        found.append(
            f"the focal length is not known ({measured.hint.source}): what height costs is in the uncertainty; "
            "use the camera's original file, or type --camera-distance"
        )
    if calibration.clipped > CLIPPED_WARNING:
        found.append(
            f"{100 * calibration.clipped:.0f} % of the paper is burnt out to pure white, edges against it are less "
            "sure: turn the exposure down a little"
        )
    if calibration.view.tilt_deg > TILT_WARNING_DEG:
        found.append(
            f"the camera looks {calibration.view.tilt_deg:.0f} degrees from the side, so heights act strongly: hold "
            "the phone level above the stone"
        )
    doubt = getattr(reading, "doubt_mm", 0.0)
    if doubt > 0:
        found.append(
            f"a second edge, {doubt:.2f} mm away in diameter, would do nearly as well: look at the picture (--out) "
            "before you rely on this"
        )
    found += getattr(reading, "notes", ())
    if measured.report is not None:
        found += measured.report.warnings
    return [_sentence(text) for text in dict.fromkeys(found)]


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:].rstrip(".") + "."
