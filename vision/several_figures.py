"""From a common solution of several photographs to figures with budgets, in place of one photograph's own.

What limits the figures is handed on by its causes: each cause's part of the covariance becomes a few common variables,
so that what stone and tube have in common cancels in a rim, as it does for a single photograph.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from uncertainties import UFloat
from uncertainties.umath import sqrt as usqrt

from rimsight.calibration.height import GIRDLE_SHARE
from rimsight.calibration.multiview import EDGE
from rimsight.vision.influences import Influences
from rimsight.vision.outline import RoundEdge, level, wall
from rimsight.vision.rim import RimReading
from rimsight.vision.several import COMMON_SHARE, Common, impossible, impossible_height
from rimsight.vision.several_edges import Known, Reading, part_of
from rimsight.vision.stone import StoneReading
from rimsight.vision.tube import TubeReading

#: Reported heights: each name with the level's.
TUBE_TOP, GIRDLE, GIRDLE_ABOVE = "tube_top", "girdle", "girdle_above_tube"


@dataclass(frozen=True)
class SeveralReading:
    """A subject read from several photographs.

    Parameters
    ----------
    reading : Reading
        The figures, as the reading of the leading photograph.
    leader : int
        Which photograph that is.
    heights : dict of str to uncertainties.UFloat
        Solved heights, millimetres: "tube_top" and "girdle" above the table, "girdle_above_tube".
    common : Common
        The solution.
    """

    reading: Reading
    leader: int
    heights: dict[str, UFloat]
    common: Common


def figures(kind: str, common: Common, known: Known) -> SeveralReading:
    """Make the figures of a solved scene.

    Parameters
    ----------
    kind : str
        "stone", "tube" or "rim".
    common : Common
        The solution; one photograph at least gives a reading by itself.
    known : Known
        What was typed.

    Raises
    ------
    HeightImpossible
        No such thing has its edge at the solved height.
    """
    leader = next(k for k, reading in enumerate(common.readings) if reading is not None)
    own = common.readings[leader]
    assert own is not None
    made = _Figures(common)
    if impossible_height(kind, common.solved, known.card_height_mm) is not None:
        raise impossible(kind, common.solved, known.card_height_mm)
    heights = made.heights(kind, known.card_height_mm)
    reading = {"stone": _stone, "tube": _tube, "rim": _rim}[kind](made, own, common, leader)
    return SeveralReading(reading, leader, heights, common)


class _Figures:
    """Figures as expressions of common variables."""

    def __init__(self, common: Common) -> None:
        self.common, self.solved = common, common.solved
        self.influences = Influences()
        self.columns: list[tuple[tuple[str, str], np.ndarray]] = []
        for source, part in self.solved.sources.items():
            values, vectors = np.linalg.eigh(part)
            largest = float(values[-1]) if len(values) else 0.0
            for k in np.flatnonzero(values > 1e-9 * largest):
                self.columns.append(((f"{source} {k}", source), vectors[:, k] * values[k] ** 0.5))
        # Where the edges agree less than their uncertainty says, that was too small (Birge's ratio).
        self.strained = max(1.0, self.solved.strain) ** 0.5
        reference = common.shots[0].calibration.reference
        self.u_scale = reference.u_scale / (1.0 if reference.plain else 2.0**0.5)

    def of(self, weights: dict[str, float], value: float, extra: dict[tuple[str, str], float] | None = None) -> UFloat:
        """A figure that is a weighted sum of what was solved."""
        places = [(self.solved.names.index(name), weight) for name, weight in weights.items()]
        changes = {
            key: float(sum(weight * column[place] for place, weight in places))
            * (self.strained if key[1] == EDGE else 1.0)
            for key, column in self.columns
        }
        changes[("print", "print scale")] = value * self.u_scale
        return self.influences.figure(value, changes | (extra or {}))

    def diameter(self, name: str) -> UFloat:
        """Diameter of a circle, with what its photographs have in common."""
        own = [edges[name].u_mm for edges in self.common.edges if name in edges]
        u = 2.0 * float(np.sqrt(np.mean(np.square(own)) * COMMON_SHARE[name]))
        value = 2.0 * float(self.solved.circles[name][2])
        return self.of({f"{name} radius": 2.0}, value, {(f"{name} edge", "edge"): u})

    def apart(self, one: str, other: str) -> tuple[UFloat, UFloat]:
        """Centre of one circle less that of another, x and y."""
        first, second = self.solved.circles[one], self.solved.circles[other]
        x, y = (
            self.of({f"{one} {axis}": 1.0, f"{other} {axis}": -1.0}, float(first[k] - second[k]))
            for k, axis in enumerate("xy")
        )
        return x, y

    def heights(self, kind: str, card_height_mm: float) -> dict[str, UFloat]:
        solved = self.solved.heights
        found = {}
        if "top" in solved:
            found[TUBE_TOP] = self.of({"top": 1.0}, solved["top"]) + card_height_mm
        if "girdle" in solved:
            found[GIRDLE] = self.of({"girdle": 1.0}, solved["girdle"]) + card_height_mm
        if kind == "rim":
            found[GIRDLE_ABOVE] = self.of({"girdle": 1.0, "top": -1.0}, solved["girdle"] - solved["top"])
        return found

    def as_edge(self, name: str, leader: int) -> RoundEdge:
        """The leading photograph's edge with the common circle."""
        edge = self.common.edges[leader][name].edge
        x, y, radius = (float(value) for value in self.solved.circles[name])
        height = self.solved.heights["girdle" if name == "stone" else "top"]
        half = GIRDLE_SHARE * radius if name == "stone" else 0.0
        rule = wall(height - half, height + half) if name == "stone" else level(height)
        return replace(edge, circle=replace(edge.circle, x=x, y=y, radius=radius), heights=rule)


def _form(own: UFloat, mean: UFloat) -> tuple[float, float]:
    """A figure of one photograph over its mean diameter, and what its form alone makes uncertain."""
    return own.nominal_value / mean.nominal_value, part_of(own, "form")


def _stone(made: _Figures, own: Any, common: Common, leader: int) -> Reading:
    diameter = made.diameter("stone")
    ends = []
    for key in ("smallest", "largest"):
        share, u_form = _form(getattr(own, key), own.diameter)
        ends.append(diameter * share + made.influences.figure(0.0, {(key, "form"): u_form}))
    assert isinstance(own, StoneReading)
    return replace(
        own, diameter=diameter, smallest=ends[0], largest=ends[1], edge=made.as_edge("stone", leader),
        influences=made.influences,
    )  # fmt: skip


def _tube(made: _Figures, own: Any, common: Common, leader: int) -> Reading:
    assert isinstance(own, TubeReading)
    outer = made.diameter("outer")
    edge = made.as_edge("outer", leader)
    if "bore" not in common.solved.circles or "bore" not in common.edges[leader] or own.bore is None:
        note = "the bore is not seen in two of the photos, so it is not read"
        return replace(
            own, outer=outer, bore=None, mouth=None, wall=None, smallest_wall=None, largest_wall=None,
            eccentricity=None, thinnest_direction=None, outer_edge=edge, bore_edge=None, influences=made.influences,
            notes=(*own.notes, note),
        )  # fmt: skip
    bore = made.diameter("bore")
    mouth = None if own.mouth is None else bore + (own.mouth.nominal_value - own.bore.nominal_value)
    wall_mm = (outer - bore) / 2
    dx, dy = made.apart("bore", "outer")
    offset = usqrt(dx * dx + dy * dy + 1e-12)
    length = float(np.hypot(dx.nominal_value, dy.nominal_value))
    direction = (dx.nominal_value / length, dy.nominal_value / length) if length > 1e-9 else None
    return replace(
        own, outer=outer, bore=bore, mouth=mouth, wall=wall_mm, smallest_wall=wall_mm - offset,
        largest_wall=wall_mm + offset, eccentricity=offset, thinnest_direction=direction, outer_edge=edge,
        bore_edge=made.as_edge("bore", leader), influences=made.influences,
    )  # fmt: skip


def _rim(made: _Figures, own: Any, common: Common, leader: int) -> Reading:
    assert isinstance(own, RimReading)
    stone, outer = made.diameter("stone"), made.diameter("outer")
    dx, dy = made.apart("stone", "outer")
    offset = usqrt(dx * dx + dy * dy + 1e-12)
    centred = (outer - stone) / 2
    shift = np.array([dx.nominal_value, dy.nominal_value])
    distance = float(np.hypot(*shift))
    stone_edge, tube_edge = made.as_edge("stone", leader), made.as_edge("outer", leader)
    normals = np.column_stack([np.cos(own.angles), np.sin(own.angles)])
    # From the stone's edge along its normal to the tube's circle, the tube's centre as origin.
    along = normals @ shift + stone.nominal_value / 2
    inside = along**2 - np.sum((shift + stone.nominal_value / 2 * normals) ** 2, axis=1) + outer.nominal_value**2 / 4
    widths = -along + np.sqrt(np.maximum(inside, 0.0))
    view = common.shots[leader].calibration.view
    inner = stone_edge.circle.centre + stone.nominal_value / 2 * normals
    rise = common.solved.heights
    half = 0.5 * GIRDLE_SHARE * stone.nominal_value
    heights = replace(
        own.heights, lower_mm=rise["girdle"] - half, upper_mm=rise["girdle"] + half,
        u_mm=float(made.of({"girdle": 1.0, "top": -1.0}, 0.0).std_dev), source="solved from several photos",
    )  # fmt: skip
    bore = own.bore
    return replace(
        own, stone_diameter=stone, outer=outer, centred=centred, smallest=centred - offset, largest=centred + offset,
        mean=centred + float(np.mean(widths) - centred.nominal_value), offset=offset,
        smallest_direction=(float(shift[0]) / distance, float(shift[1]) / distance) if distance > 1e-9 else (0.0, -1.0),
        widths_mm=widths, inner_px=view.to_pixels(inner, stone_edge.heights(view, inner, normals)),
        outer_px=view.to_pixels(inner + widths[:, None] * normals, rise["top"]), stone_edge=stone_edge,
        tube_edge=tube_edge, heights=heights, bore=bore, influences=made.influences, notes=(),
    )  # fmt: skip
