"""The checks: each a value with its uncertainty against one limit of the house rules, a verdict and a sentence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from rimsight.fit.decision import Decision, Outcome, decide
from rimsight.fit.model import Placed, Stone, Tube
from rimsight.fit.numbers import K95, Number, in_words, nominal, plain_mm, standard, to_json, within
from rimsight.fit.remedy import Reading, Remedy, what_decides
from rimsight.fit.rules import Limit, Rules

#: Rule for the free height under the culet, by whether the back is closed.
CLEARANCE = {False: "length.clearance_mm", True: "length.closed_clearance_mm"}
ADEQUATE = "adequate"
CLOSE = "too close to call"
NOT_CHECKED = "not checked"


@dataclass(frozen=True)
class Check:
    """Result of one check.

    Parameters
    ----------
    name : str
        For machines: "rim_centred".
    title : str
        For people: "rim, centred".
    outcome : Outcome
        Pass, fail, close or not checked.
    verdict : str
        The outcome in the check's own word: "adequate", "too thin", "too heavy", "too close to call" ...
    decisive : bool
        Whether it counts for the overall verdict; the others are cautions.
    sentence : str
        Says it all, ends with a full stop.
    value_mm : Number, optional
        What was judged; None if not checked.
    limit : Limit, optional
        Against what.
    bound : {"at least", "at most", ""}
        Which side of the limit is good.
    decision : Decision, optional
        Margin, guard band, probability.
    remedy : Remedy, optional
        What would decide it, if it is too close to call.
    """

    name: str
    title: str
    outcome: Outcome
    verdict: str
    decisive: bool
    sentence: str
    value_mm: Number | None = None
    limit: Limit | None = None
    bound: str = ""
    decision: Decision | None = None
    remedy: Remedy | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain members, units in their names."""
        record: dict[str, Any] = {
            "name": self.name,
            "title": self.title,
            "outcome": self.outcome.value,
            "verdict": self.verdict,
            "decisive": self.decisive,
            "sentence": self.sentence,
        }
        if self.value_mm is not None and self.limit is not None and self.decision is not None:
            record |= {
                "value_mm": to_json(self.value_mm),
                "bound": self.bound,
                "limit_mm": round(self.limit.value, 4),
                "rule": self.limit.key or None,
                "rule_from": self.limit.origin,
                "margin_mm": round(self.decision.margin_mm, 4) + 0.0,
                "guard_band_mm": round(self.decision.guard_band_mm, 4),
                "conformance_probability": round(self.decision.probability, 4),
            }
        if self.remedy is not None:
            record["decided_by"] = self.remedy.to_json()
        return record


@dataclass(frozen=True)
class _Kind:
    """What is the same whatever stone and tube: names, words, side of the limit."""

    name: str
    title: str
    subject: str
    fail_word: str
    decisive: bool = True
    bound: str = "at least"
    pass_word: str = ADEQUATE


_COVERS = _Kind("covers_bore", "stone over the bore", "The stone is wider than the bore by", "falls through")
_RIM = _Kind("rim_centred", "rim, centred", "The rim, with the stone centred, is", "too thin")
_WIDEST = _Kind(
    "rim_at_widest", "rim where the stone is widest", "The rim where the stone is widest, with the stone centred, is",
    "too thin",
)
_PLACED = _Kind(
    "rim_as_placed", "thinnest rim as placed", "The thinnest rim as placed is", "off centre", decisive=False
)
_LEDGE = _Kind("ledge", "ledge under the stone", "The ledge under the stone is", "too narrow")
_WALL = _Kind("wall_beside_seat", "wall beside the seat", "The wall left beside the seat is", "too thin")
_METAL = _Kind("metal_above_girdle", "metal above the girdle", "The metal standing above the girdle is", "too little")
_PROUD = _Kind(
    "metal_above_girdle_most", "metal above the girdle, most", "The metal standing above the girdle is", "too much",
    decisive=False, bound="at most", pass_word="not too much",
)
_LENGTH = _Kind(
    "tube_length", "tube longer than the stone", "The tube is longer than the stone is high by", "too short"
)
_HEAVY = _Kind(
    "rim_heavy", "rim to turn over by hand", "The rim to be turned over is", "too heavy", decisive=False,
    bound="at most", pass_word="not too heavy",
)


def run(
    stone: Stone, tube: Tube, rules: Rules, *, placed: Placed | None = None, bur_mm: float | None = None
) -> tuple[Check, ...]:
    """Run every check.

    Parameters
    ----------
    stone, tube : Stone, Tube
        What was measured.
    rules : Rules
        House rules in force.
    placed : Placed, optional
        The stone as it was seen lying on the tube.
    bur_mm : float, optional
        Size of the setting bur, for the wall beside the seat.
    """
    diameter_mm = nominal(stone.diameter_mm)

    def limit(key: str) -> Limit:
        return rules.limit(key, diameter_mm, tube.metal)

    on_stone = Reading("the stone", stone.diameter_mm, -0.5, "outside")
    on_tube = Reading("the tube's outside", tube.outer_mm, 0.5, "outside")
    rim = (tube.outer_mm - stone.diameter_mm) / 2
    checks = [_judge(_RIM, rim, limit("rim.at_least_mm"), (on_tube, on_stone))]
    checks += _rim_at_widest(stone, tube, limit("rim.at_least_mm"), on_tube)
    if placed is not None:
        checks.append(_rim_as_placed(placed, rim, limit("rim.at_least_mm")))
    checks += _over_the_bore(stone, tube, limit("ledge.at_least_mm"))
    if stone.inner_mm is not None:
        # No bur cuts that seat: it follows the outline, and its wall is the rim.
        checks.append(_judge(_WALL, rim, limit("wall.beside_seat_at_least_mm"), (on_tube, on_stone)))
    elif bur_mm is None:
        checks.append(_skip(_WALL, "no setting bur on the list is as small as the stone"))
    else:
        bur = within(bur_mm, rules.number("bur.tolerance_mm"), "bur")
        beside = (tube.outer_mm - bur) / 2
        bur_reading = Reading("the bur", bur, -0.5, "")
        checks.append(_judge(_WALL, beside, limit("wall.beside_seat_at_least_mm"), (on_tube, bur_reading)))
    checks += _above_the_girdle(stone, tube, rules, limit)
    checks.append(_under_the_culet(stone, tube, limit(CLEARANCE[tube.closed_back])))
    if nominal(rim) > 0:
        on_sides = on_stone if stone.inner_mm is None else Reading("the stone", stone.inner_mm, -0.5, "outside")
        widest = (tube.outer_mm - stone.covered_mm) / 2
        checks.append(_judge(_HEAVY, widest, limit("rim.at_most_mm"), (on_tube, on_sides)))
    else:
        checks.append(_skip(_HEAVY, "there is no rim"))
    return tuple(checks)


def girdle_thickness_mm(stone: Stone, rules: Rules, metal: str | None = None) -> Number:
    """Thickness of the girdle: measured, else the house rule's share of the diameter with a wide uncertainty."""
    if stone.girdle_mm is not None:
        return stone.girdle_mm
    percent = within(
        rules.number("girdle.thickness_percent", metal),
        rules.number("girdle.thickness_spread_percent", metal),
        "girdle not measured",
    )
    return stone.diameter_mm * percent / 100


def _rim_at_widest(stone: Stone, tube: Tube, limit: Limit, on_tube: Reading) -> list[Check]:
    if stone.largest_mm is None:
        return []
    # The largest of many noisy diameters lies above the mean even on a round stone; only a difference that its own
    # uncertainty can't explain says anything about the rim.
    excess = stone.largest_mm - stone.diameter_mm
    if nominal(excess) <= K95 * standard(excess):
        return [_skip(_WIDEST, "the stone is round within the uncertainty")]
    reading = Reading("the stone", stone.largest_mm, -0.5, "outside")
    return [_judge(_WIDEST, (tube.outer_mm - stone.largest_mm) / 2, limit, (on_tube, reading))]


def _rim_as_placed(placed: Placed, centred: Number, limit: Limit) -> Check:
    value = placed.smallest_rim_mm
    check = _judge(_PLACED, value, limit, (Reading("the placed rim", value, 1.0, ""),))
    if check.outcome is Outcome.PASS:
        return check
    where = "" if placed.smallest_at_clock is None else f" at {_clock(placed.smallest_at_clock)}"
    shift = placed.offset_mm if placed.offset_mm is not None else centred - value
    sentence = (
        f"As placed, the rim is {in_words(value)} at its thinnest{where}, against {plain_mm(limit.value)}; "
        f"centred it would be {in_words(centred)}: shift the stone by {plain_mm(round(nominal(shift), 2))} "
        f"away from {'there' if where else 'the thin side'} and look again."
    )
    return replace(check, sentence=sentence, remedy=None)


def _over_the_bore(stone: Stone, tube: Tube, ledge_limit: Limit) -> list[Check]:
    if tube.bore_mm is None:
        return [_skip(kind, "the bore or the wall of the tube is not known") for kind in (_COVERS, _LEDGE)]
    overlap = stone.covered_mm - tube.bore_mm
    readings = (
        Reading("the stone", stone.covered_mm, 1.0, "outside"),
        Reading("the bore", tube.bore_mm, -1.0, "bore"),
    )
    halves = tuple(Reading(r.name, r.value, r.weight / 2, r.touch) for r in readings)
    return [
        _judge(_COVERS, overlap, Limit("", 0.0, "geometry"), readings),
        _judge(_LEDGE, overlap / 2, ledge_limit, halves),
    ]


def _above_the_girdle(stone: Stone, tube: Tube, rules: Rules, limit: Callable[[str], Limit]) -> list[Check]:
    if tube.seat_depth_mm is None:
        return [_skip(_METAL, "the depth of the seat is not known")]
    girdle = girdle_thickness_mm(stone, rules, tube.metal)
    metal = tube.seat_depth_mm - girdle
    readings = (
        Reading("the depth of the seat", tube.seat_depth_mm, 1.0, "depth"),
        Reading("the girdle", girdle, -1.0, "" if stone.girdle_mm is None else "outside"),
    )
    return [
        _judge(_METAL, metal, limit("girdle.metal_above_at_least_mm"), readings),
        _judge(_PROUD, metal, limit("girdle.metal_above_at_most_mm"), readings),
    ]


def _under_the_culet(stone: Stone, tube: Tube, limit: Limit) -> Check:
    missing = [
        name
        for name, value in (("the tube's length", tube.length_mm), ("the stone's height", stone.height_mm))
        if value is None
    ]
    if missing or tube.length_mm is None or stone.height_mm is None:
        return _skip(_LENGTH, f"{' and '.join(missing)} {'are' if len(missing) > 1 else 'is'} not known")
    readings = (
        Reading("the tube's length", tube.length_mm, 1.0, "outside"),
        Reading("the stone's height", stone.height_mm, -1.0, "outside"),
    )
    check = _judge(_LENGTH, tube.length_mm - stone.height_mm, limit, readings)
    if tube.closed_back and nominal(tube.length_mm) < nominal(stone.height_mm):
        check = replace(check, sentence=check.sentence.replace("touch the skin", "stand on the plate"))
    return check


def _judge(kind: _Kind, value: Number, limit: Limit, readings: tuple[Reading, ...]) -> Check:
    at_least = limit.value if kind.bound == "at least" else None
    at_most = limit.value if kind.bound == "at most" else None
    decision = decide(nominal(value), standard(value), at_least=at_least, at_most=at_most)
    remedy = None
    stem = f"{kind.subject} {in_words(value)}"
    if limit.key:  # geometry needs no limit read aloud
        stem += f"; {kind.bound} {plain_mm(limit.value)} is wanted"
    if decision.outcome is Outcome.PASS:
        verdict, sentence = kind.pass_word, f"{stem}: {kind.pass_word}."
    elif decision.outcome is Outcome.FAIL:
        verdict, sentence = kind.fail_word, f"{stem}: {kind.fail_word}."
    else:
        verdict = CLOSE
        sentence = f"{stem}: {CLOSE} ({100 * decision.probability:.0f} % that it is kept)"
        remedy = what_decides(value, limit.value, readings)
        sentence += f"; {remedy.sentence}."
    if nominal(value) < 0 and decision.outcome is Outcome.FAIL:
        sentence = _NEGATIVE.get(kind.name, sentence)
    return Check(
        kind.name, kind.title, decision.outcome, verdict, kind.decisive, sentence, value, limit, kind.bound, decision,
        remedy,
    )


#: A negative width read aloud would puzzle; say what it means.
_NEGATIVE = {
    "rim_centred": "The tube is narrower than the stone: no rim at all, too thin.",
    "rim_at_widest": "The tube is narrower than the stone where that is widest: no rim there, too thin.",
    "covers_bore": "The bore is wider than the stone: it falls through.",
    "ledge": "The bore is wider than the stone: no ledge at all, too narrow.",
    "wall_beside_seat": "The seat is as wide as the tube: no wall would be left, too thin.",
    "metal_above_girdle": "The girdle would stand above the end of the tube: nothing to turn over, too little.",
    "tube_length": "The tube is shorter than the stone is high: the culet would touch the skin, too short.",
}


def _skip(kind: _Kind, reason: str) -> Check:
    sentence = f"{kind.title[0].upper()}{kind.title[1:]}: not checked, {reason}."
    return Check(kind.name, kind.title, Outcome.NOT_CHECKED, NOT_CHECKED, kind.decisive, sentence)


def _clock(hours: float) -> str:
    minutes = round(hours * 60) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"
