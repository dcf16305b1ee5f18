"""From a common solution of several photographs to figures with budgets, in place of one photograph's own.

What limits the figures is handed on by its causes: each cause's part of the covariance becomes a few common variables,
so that what stone and tube have in common cancels in a rim, as it does for a single photograph.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from uncertainties import UFloat
from uncertainties.umath import sqrt as usqrt

from rimsight.calibration.height import GIRDLE_SHARE, GIRDLE_SHARE_U, GirdleHeights
from rimsight.calibration.multiview import EDGE
from rimsight.vision.influences import Influences
from rimsight.vision.outline import RoundEdge, level, wall
from rimsight.vision.reading import form
from rimsight.vision.rim import PROFILE_POINTS, RimReading, off_tube, refuse_no_metal, refuse_one_edge
from rimsight.vision.several import COMMON_SHARE, Common
from rimsight.vision.several_edges import Known
from rimsight.vision.stone import StoneReading
from rimsight.vision.tube import TubeReading

Reading = StoneReading | TubeReading | RimReading

SOURCE = "solved from several photos"
#: Uncertainty of smallest and largest diameter by form: pixels, and a share of the edge's scatter (as for one photo).
FORM_U_PX, FORM_SCATTER = 0.15, 0.3
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
        The solution.
    known : Known
        What was typed.

    Raises
    ------
    StoneHidesTube
        What was read as the tube's edge lies so near to the stone's that it may be the stone's own.
    StoneOffTube
        The stone reaches beyond the tube's edge.
    """
    leader = _leader(common)
    made = _Figures(common)
    heights = made.heights(kind, known.card_height_mm)
    reading: Reading
    if kind == "rim":
        reading = _rim(made, common, leader, known)
    elif kind == "tube":
        reading = _tube(made, common, leader)
    else:
        reading = _stone(made, common, leader, known)
    return SeveralReading(reading, leader, heights, common)


def _leader(common: Common) -> int:
    """The photograph whose picture carries the figures: the one that shows all edges, and shows them best."""
    most = max(len(edges) for edges in common.edges)
    return max(
        (k for k, edges in enumerate(common.edges) if len(edges) == most),
        key=lambda k: min(own.edge.merit for own in common.edges[k].values()),
    )


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
        own = [edges[name] for edges in self.common.edges if name in edges]
        shared = self.strained**2 * float(np.mean([edge.u_mm**2 for edge in own])) * COMMON_SHARE[name]
        shared += float(np.mean([edge.u_which_mm**2 for edge in own]))
        # Light that is blown out in every photograph moves the edge the same way in all.
        u = 2.0 * float(np.sqrt(shared + min(edge.u_alone_mm for edge in own) ** 2))
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
        height = self.common.height_mm(name)
        half = GIRDLE_SHARE * radius if name == "stone" else 0.0
        rule = wall(height - half, height + half) if name == "stone" else level(height)
        return replace(edge, circle=replace(edge.circle, x=x, y=y, radius=radius), heights=rule)


def _stone(made: _Figures, common: Common, leader: int, known: Known) -> StoneReading:
    diameter = made.diameter("stone")
    edge = common.edges[leader]["stone"].edge
    shape = form(edge, common.shots[leader].calibration.view)
    u_form = FORM_U_PX / edge.px_per_mm + FORM_SCATTER * edge.scatter_px / edge.px_per_mm
    smallest, largest = (
        diameter * share + made.influences.figure(0.0, {(name, "form"): u_form})
        for name, share in (("smallest", shape.smallest), ("largest", shape.largest))
    )
    half = 0.5 * GIRDLE_SHARE * diameter.nominal_value
    middle = common.solved.heights["girdle"] + known.card_height_mm
    heights = GirdleHeights(
        middle - half, middle + half, common.solved.u("girdle"), GIRDLE_SHARE_U * diameter.nominal_value, SOURCE
    )
    # Two rings that would do lie two standard uncertainties apart.
    doubt = 4.0 * common.edges[leader]["stone"].u_which_mm
    return StoneReading(diameter, smallest, largest, made.as_edge("stone", leader), heights, doubt, made.influences)


def _tube(made: _Figures, common: Common, leader: int) -> TubeReading:
    outer = made.diameter("outer")
    edge = made.as_edge("outer", leader)
    gaps = {name: chamfer.width_mm for name, chamfer in common.chamfers.items()}
    notes = ["a chamfer shows on the outer edge; the outer one of its two edges is read"] if gaps["outer"] else []
    if "bore" not in common.solved.circles or "bore" not in common.edges[leader]:
        notes.append(
            "the bore is not seen in two of the photos, so it is not read: see on the marked photo (--out) that the "
            "edge is the outside, not the bore itself"
        )
        return TubeReading(
            outer, None, None, None, None, None, None, None, edge, None, made.influences, tuple(notes)
        )
    bore = made.diameter("bore")
    mouth = bore + 2.0 * gaps["bore"] if gaps["bore"] else None
    if gaps["bore"]:
        notes.append("a chamfer shows at the bore: the bore is its inner edge, the mouth its outer one")
    else:
        notes.append("the sharpest inner edge is read as the bore; a chamfer too narrow to show would widen it")
    wall_mm = (outer - bore) / 2
    dx, dy = made.apart("bore", "outer")
    offset = usqrt(dx * dx + dy * dy + 1e-12)
    length = float(np.hypot(dx.nominal_value, dy.nominal_value))
    direction = (dx.nominal_value / length, dy.nominal_value / length) if length > 1e-9 else None
    return TubeReading(
        outer, bore, mouth, wall_mm, wall_mm - offset, wall_mm + offset, offset, direction, edge,
        made.as_edge("bore", leader), made.influences, tuple(notes),
    )  # fmt: skip


def _rim(made: _Figures, common: Common, leader: int, known: Known) -> RimReading:
    stone, outer = made.diameter("stone"), made.diameter("outer")
    dx, dy = made.apart("stone", "outer")
    offset = usqrt(dx * dx + dy * dy + 1e-12)
    centred = (outer - stone) / 2
    shift = np.array([dx.nominal_value, dy.nominal_value])
    distance = float(np.hypot(*shift))
    stone_edge, tube_edge = made.as_edge("stone", leader), made.as_edge("outer", leader)
    blur = max(common.shots[leader].calibration.blur_px, 0.5)
    refuse_one_edge(float(centred.nominal_value), tube_edge, blur)
    shot = common.shots[leader]
    refuse_no_metal(
        shot.image, shot.calibration.view, tube_edge, stone_edge, stone_edge.heights, common.solved.heights["top"], blur
    )
    angles = np.arange(PROFILE_POINTS) * 2.0 * np.pi / PROFILE_POINTS
    normals = np.column_stack([np.cos(angles), np.sin(angles)])
    # From the stone's edge along its normal to the tube's circle, the tube's centre as origin.
    along = normals @ shift + stone.nominal_value / 2
    inside = along**2 - np.sum((shift + stone.nominal_value / 2 * normals) ** 2, axis=1) + outer.nominal_value**2 / 4
    widths = -along + np.sqrt(np.maximum(inside, 0.0))
    view = common.shots[leader].calibration.view
    inner = stone_edge.circle.centre + stone.nominal_value / 2 * normals
    rise = common.solved.heights
    half = 0.5 * GIRDLE_SHARE * stone.nominal_value
    heights = GirdleHeights(
        rise["girdle"] - half, rise["girdle"] + half, float(made.of({"girdle": 1.0, "top": -1.0}, 0.0).std_dev),
        GIRDLE_SHARE_U * stone.nominal_value, SOURCE,
    )  # fmt: skip
    smallest = centred - offset
    if smallest.nominal_value + 2.0 * smallest.std_dev < 0.0 and distance > 0.05:
        raise off_tube(-smallest.nominal_value)
    bore = known.bore if known.bore is not None else (None if known.wall is None else outer - 2 * known.wall)
    return RimReading(
        stone, outer, centred, smallest, centred + float(np.mean(widths) - centred.nominal_value), centred + offset,
        offset, (float(shift[0]) / distance, float(shift[1]) / distance) if distance > 1e-9 else (0.0, -1.0),
        angles, widths, view.to_pixels(inner, stone_edge.heights(view, inner, normals)),
        view.to_pixels(inner + widths[:, None] * normals, rise["top"]), stone_edge, tube_edge, heights, bore,
        made.influences, (),
    )  # fmt: skip
