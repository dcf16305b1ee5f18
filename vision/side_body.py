"""Stones and tubes as bodies of revolution: their figures as one vector, and what is known of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from rimsight.vision.side_find import Start
from rimsight.vision.side_model import Lie, Profile

FloatArray = NDArray[np.float64]

#: Where a lying tube's figures hold the bevels of its two ends.
BEVELS = (5, 6)
#: The outline's fit keeps to the lean that it is given: facets at the table's ends pass for lean only too well.
LEAN_HELD = float(np.radians(0.1))
#: A girdle thinner than this share of the radius is opened so far at the start of a round.
GIRDLE_SHARE = 0.05
#: ... and a culet larger than this one sharpened.
CULET_SHARE = 0.01
#: Width of a regular octagon, seen from anywhere round it, over that across corners: sin(pi/8) / (pi/8), and its
#: standard deviation. Most tables have eight corners; with more the width is nearer to 1.
TABLE_SHARE, TABLE_SHARE_U = 0.9745, 0.023
#: Steps by which figures are moved for derivatives: millimetres and radians.
STEP_MM, STEP_RAD = 1e-3, 2e-4


class Body(Protocol):
    """What the outline's fit has to know of a body."""

    @property
    def mirrors(self) -> bool:
        """Its facets mirror the ground at grazing angles, so that the outline's outer end counts."""

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the figures, in order."""

    def place(self, figures: FloatArray) -> tuple[Lie, Profile]:
        """Axis and circles of these figures."""

    def tips(self, figures: FloatArray) -> list[tuple[tuple[float, float], tuple[float, float]]]:
        """Ends of the outline with strips of their own: an inner and an outer point, each (along, aside), mm."""

    def opened(self, figures: FloatArray) -> FloatArray:
        """Figures from which the next round starts: nothing so small that no strip would cross it."""

    def prior(self, figures: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Expected figures (P,) and their standard uncertainties (infinite where nothing is known)."""


@dataclass(frozen=True)
class StoneBody:
    """A round faceted stone on its side.

    Between girdle and table the profile may bulge at one place, between girdle and culet at two: facets meet there.

    Parameters
    ----------
    lift_mm : float
        From the card to the girdle's lowest point.
    axis_height_mm : float or None
        Height of the axis where it is known otherwise: in front of an upright card.
    lean : float
        What is known of the lean, radians.
    """

    lift_mm: float
    axis_height_mm: float | None = None
    names: tuple[str, ...] = (
        "x", "y", "turn", "lean", "radius", "girdle", "crown", "pavilion", "table", "culet",
        "crown bulge", "lower bulge", "upper bulge",
    )  # fmt: skip
    mirrors: bool = True
    lean: float = 0.0

    def start(self, start: Start, lean: float) -> FloatArray:
        """Figures (13,) from a rough fit."""
        radius = start.radius_mm
        girdle = 0.06 * radius
        return np.array([
            *start.centre_mm, start.turn, lean, radius, girdle, start.ahead_mm - girdle / 2,
            start.behind_mm - girdle / 2, start.table_mm, 0.02 * radius, 0.01 * radius, 0.01 * radius, 0.01 * radius,
        ])  # fmt: skip

    def height(self, radius_mm: float) -> float:
        """Height of the axis."""
        return radius_mm + self.lift_mm if self.axis_height_mm is None else self.axis_height_mm

    def place(self, figures: FloatArray) -> tuple[Lie, Profile]:
        """Axis and circles of these figures."""
        x, y, turn, lean, radius, girdle, crown, pavilion, table, culet, bulge, lower, upper = figures
        half, small = 0.5 * abs(girdle), abs(culet)
        lie = Lie(float(x), float(y), self.height(float(radius)), float(turn), float(lean))
        third = (radius - small) / 3.0
        places = [half + crown, half + 0.6 * crown, half, -half, -half - pavilion / 3, -half - pavilion * 2 / 3,
                  -half - pavilion]  # fmt: skip
        radii = [table, 0.6 * table + 0.4 * radius + bulge, radius, radius, radius - third + upper,
                 radius - 2 * third + lower, small]  # fmt: skip
        return lie, Profile(np.array(places), np.maximum(np.array(radii), 1e-4))

    def tips(self, figures: FloatArray) -> list[tuple[tuple[float, float], tuple[float, float]]]:
        """The culet, and the girdle at both ends."""
        radius, girdle, pavilion = float(figures[4]), abs(float(figures[5])), float(figures[7])
        low = -girdle / 2 - pavilion
        return [
            ((0.5 * low, 0.0), (low, 0.0)),
            ((0.0, 0.6 * radius), (0.0, radius)),
            ((0.0, -0.6 * radius), (0.0, -radius)),
        ]

    def opened(self, figures: FloatArray) -> FloatArray:
        """The same stone with a girdle that is seen and a pointed culet; crown and pavilion stay where they are.

        A girdle that has vanished can't come back by itself, for no strip looks at it, nor can a culet get sharp.
        """
        figures = figures.copy()
        radius, girdle, crown, pavilion, table = figures[4:9]
        blunt = abs(figures[9]) - CULET_SHARE * radius
        if blunt > 0:
            figures[7] = pavilion = pavilion + blunt * pavilion / max(radius - abs(figures[9]), 0.1 * radius)
            figures[9] = CULET_SHARE * radius
        more = GIRDLE_SHARE * radius - abs(girdle)
        if more <= 0:
            return figures
        slopes = crown / max(radius - table, 0.1 * radius) + pavilion / radius
        less = more / max(slopes, 0.5)
        wider = figures.copy()
        wider[4], wider[5] = radius - less, abs(girdle) + more
        wider[6] = crown * (1.0 - less / max(radius - table, 0.1 * radius))
        wider[7] = pavilion * (1.0 - less / radius)
        return wider

    def prior(self, figures: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Expected figures and their standard uncertainties."""
        radius = abs(float(figures[4]))
        free = np.inf
        mean = np.array([0, 0, 0, 0, 0, 0.055, 0, 0, 0.57, 0.01, 0.025, 0.015, 0.015]) * radius
        mean[:4] = [*figures[:3].tolist(), self.lean]
        u = np.array([free, free, free, 0, free, 0.03, free, free, 0.2, 0.05, 0.04, 0.03, 0.03]) * radius
        u[3] = LEAN_HELD
        return mean, u


@dataclass(frozen=True)
class TubeBody:
    """A tube lying on the card, with a bevel at either end.

    Parameters
    ----------
    lift_mm : float
        From the card to the tube.
    """

    lift_mm: float = 0.0
    names: tuple[str, ...] = ("x", "y", "turn", "radius", "length", "bevel ahead", "bevel behind")
    mirrors: bool = False

    def start(self, start: Start, lean: float = 0.0) -> FloatArray:
        """Figures (7,) from a rough fit."""
        return np.array([*start.centre_mm, start.turn, start.radius_mm, start.ahead_mm + start.behind_mm, 0.02, 0.02])

    def place(self, figures: FloatArray) -> tuple[Lie, Profile]:
        """Axis and circles of these figures."""
        x, y, turn, radius, length, ahead, behind = figures
        ahead, behind, half = abs(ahead), abs(behind), length / 2
        lie = Lie(float(x), float(y), float(radius) + self.lift_mm, float(turn))
        places = [half, half - ahead, behind - half, -half]
        return lie, Profile(np.array(places), np.array([radius - ahead, radius, radius, radius - behind]))

    def tips(self, figures: FloatArray) -> list[tuple[tuple[float, float], tuple[float, float]]]:
        """None."""
        return []

    def opened(self, figures: FloatArray) -> FloatArray:
        """The figures as they are."""
        return figures

    def prior(self, figures: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Expected figures and their standard uncertainties."""
        mean, u = figures.copy(), np.full(len(figures), np.inf)
        mean[5:], u[5:] = 0.03, 0.04
        return mean, u
