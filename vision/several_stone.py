"""A stone's girdle in several photographs: the ring that is one level circle in all, a little above the card.

Facets shine differently in every photograph and a shadow lies on the card itself, so a ring that all photographs show
at one height above it is the girdle, even where each by itself shows shadows and facets as sharply.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.sighting import Solved
from rimsight.vision.outline import RoundEdge
from rimsight.vision.reading import edge_u_px
from rimsight.vision.several_edges import TOGETHER, Chamfer, Edges, Known, OwnEdge, Shot
from rimsight.vision.several_rim import CENTRE_OVER_RADIUS, girdle_rule
from rimsight.vision.several_rings import LevelRing, level_rings, lifted, measured, met
from rimsight.vision.shadow_ramp import without_ramp
from rimsight.vision.stone import OutlineUnclear, is_rival

FloatArray = NDArray[np.float64]

#: Heights of a girdle above the table as shares of the diameter: where it is looked for, and where it may come out.
LOOKED_FOR, PLAUSIBLE = (0.06, 0.13, 0.2, 0.28), (0.04, 0.36)
#: Range of radii that is searched, and how far the centre may lie off, as shares of the rough radius.
RADII, SHIFT = (0.7, 1.35), 0.25
#: A ring of less score than this may be one of facets.
SMALLEST_SCORE = 0.5
#: Rings whose radii differ by more than this are different edges, pixels.
DISTINCT_PX = 0.8
#: A rival this much further out, millimetres in diameter, leaves open which one is the girdle: a clear stone of 2.98 mm
#: was read 2.46 mm by its ring of facets. Inside of a girdle that shows better there are many rings of facets.
LARGEST_DOUBT_MM = 0.1


@dataclass(frozen=True)
class Girdle:
    """A stone's girdle in several photographs.

    Parameters
    ----------
    edges : tuple of dict of str to OwnEdge
        The circle "stone", by photograph.
    height_mm : float
        Height of its middle above the card.
    ring : LevelRing
        The ring as measured.
    rival_mm : float
        Distance in radius to the furthest other ring that would do nearly as well; 0 where there is none.
    """

    edges: tuple[Edges, ...]
    height_mm: float
    ring: LevelRing
    rival_mm: float

    @property
    def heights_mm(self) -> dict[str, float]:
        """Heights above the card by the names of the levels."""
        return {"girdle": self.height_mm}

    @property
    def chamfers(self) -> dict[str, Chamfer]:
        """No chamfers."""
        return {}

    def at(self, shots: Sequence[Shot], solved: Solved) -> Girdle:
        """The same looked for once more, where a solution puts it."""
        ring = self.ring.on(solved.circles["stone"])
        return _measured(shots, ring, solved.heights["girdle"], self.rival_mm) or self


@dataclass(frozen=True)
class _Ring:
    score: float
    height_mm: float
    ring: LevelRing


def girdle(shots: Sequence[Shot], known: Known) -> Girdle:
    """Find a stone's girdle.

    Parameters
    ----------
    shots : sequence of Shot
        The photographs.
    known : Known
        What was typed.

    Raises
    ------
    OutlineUnclear
        No ring is one level circle in all photographs, clearly enough.
    """
    found = _rings(shots, known)
    if not found or found[0].score < SMALLEST_SCORE:
        raise OutlineUnclear(
            "no ring stands out in all photos at one height: the sharpest ones may be facets or shadows",
            "a stone whose edge is darker, lighter or more coloured than the paper on most of the round",
            "turn the light, come closer, or lay a grey paper under the stone, inside the frame",
        )
    best = found[0]
    px = float(np.mean([edge.px_per_mm for edge in best.ring.edges if edge is not None]))
    rivals = [
        other.ring.radius_mm - best.ring.radius_mm
        for other in found[1:]
        if is_rival(other.score, best.score, further_out=other.ring.radius_mm > best.ring.radius_mm)
        and abs(other.ring.radius_mm - best.ring.radius_mm) * px > DISTINCT_PX
    ]
    if 2.0 * max(rivals, default=0.0) > LARGEST_DOUBT_MM:
        raise _two_rings(2.0 * best.ring.radius_mm, 2.0 * (best.ring.radius_mm + max(rivals)))
    made = _measured(shots, best.ring, best.height_mm, max(map(abs, rivals), default=0.0))
    assert made is not None
    return made


def _two_rings(inner_mm: float, outer_mm: float) -> OutlineUnclear:
    return OutlineUnclear(
        f"two rings would do, {inner_mm:.2f} and {outer_mm:.2f} mm across: the inner one shows better, but may be one "
        "of facets",
        "a girdle that shows better than what lies inside of it",
        "turn the light, come closer, or lay a grey paper under the stone, inside the frame",
    )


def _rings(shots: Sequence[Shot], known: Known) -> list[_Ring]:
    """Rings at heights that a girdle may have, the best first."""
    rough = float(np.median([shot.candidate.radius_mm for shot in shots]))
    low, high = (share * 2.0 * rough - known.card_height_mm for share in PLAUSIBLE)
    planes = [share * 2.0 * rough - known.card_height_mm for share in LOOKED_FOR]
    if known.girdle is not None:
        planes = [known.girdle.mm - known.card_height_mm]
    found = []
    for plane in planes:
        places = [
            lifted(shot.calibration.view, np.array(shot.candidate.centre_mm), 1.0, 0.0, plane)[0] for shot in shots
        ]
        rings = level_rings(
            shots, np.mean(places, axis=0), plane, (RADII[0] * rough, RADII[1] * rough), largest_shift_mm=SHIFT * rough,
            most=4, rule=girdle_rule(plane, 2.0 * rough),
        )  # fmt: skip
        for ring in rings:
            match = met(shots, ring, plane)
            if match is not None and low < match.height_mm < high:
                outside = float(np.mean([edge.novelty_outside for edge in ring.edges if edge is not None]))
                shown = sum(edge is not None for edge in ring.edges) / len(shots)
                found.append(_Ring(match.score * (1.0 - outside) * shown, match.height_mm, ring))
    return sorted(found, key=lambda one: -one.score)


def _measured(shots: Sequence[Shot], ring: LevelRing, height_mm: float, rival_mm: float) -> Girdle | None:
    own = measured(shots, ring.centre_mm, ring.radius_mm, height_mm, girdle_rule(height_mm, 2.0 * ring.radius_mm))
    if own is None:
        return None
    edges: tuple[Edges, ...] = tuple(
        {} if edge is None else {"stone": _own(shot, edge, height_mm, rival_mm)}
        for shot, edge in zip(shots, own.edges, strict=True)
    )
    return Girdle(edges, height_mm, own, rival_mm)


def _own(shot: Shot, edge: RoundEdge, height_mm: float, rival_mm: float) -> OwnEdge:
    blur = max(shot.calibration.blur_px, 0.5)
    if edge.colour == 0.0:
        edge = without_ramp(shot.image, shot.calibration.view, edge, height_mm, blur)
    u_px = edge_u_px(edge, blur)
    # Blur pulls a curved edge inwards by sigma^2 / (2 R) (Mendonca et al.; checked numerically).
    outside = blur**2 / (2.0 * edge.circle.radius * edge.px_per_mm**2)
    return OwnEdge(
        edge, outside, TOGETHER["stone"] * u_px / edge.px_per_mm, CENTRE_OVER_RADIUS * u_px / edge.px_per_mm,
        u_which_mm=0.5 * rival_mm,
    )  # fmt: skip
