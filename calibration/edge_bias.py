"""What a check-up on a part of known size says about where edges are read: the bias, and what is left of its doubt.

A reading's error is the edge's bias, the print's and the focal length's errors, and chance. The first three are the
same in each photo of a check-up, and print and focal length have the same error again in a later photo with this camera
and card. So the bias is kept with its dependence on those two; what they do to a correction and to the corrected figure
then cancels as far as it does in truth, and isn't counted twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rimsight.calibration.repeatability import OneWay, chance_of_so_few, e_n, one_way
from rimsight.calibration.uncertainty import coverage_factor

#: A bias of more than this many pixels of radius is none of edges: the print, a height, a chamfer, another edge.
LARGEST_BIAS_PX = 0.6
#: Intervals of which so few hold the figure would be met in fewer than one of twenty check-ups, were they right.
UNLIKELY = 0.05
#: What makes each cause of a bias's uncertainty smaller.
HELP = {
    "chance": "more placings and photos",
    "figure": "a part whose diameter is known better (--u95)",
    "shared": "the part's length, typed or shorter (--length)",
}


@dataclass(frozen=True)
class EdgeBias:
    """How far outside their true place edges of one kind are read with one camera and card.

    Parameters
    ----------
    edge : str
        "outer" or "bore".
    value_px : float
        The bias: radius as read less the true one, pixels.
    u_px : float
        Standard uncertainty for one later reading, without what print scale and focal length have in it.
    print_scale_px, focal_px : float
        Change of the bias, pixels, when print scale and focal length move by one standard uncertainty as a photo's
        variants move them (`Calibration.variants`).
    u_rel_f : float
        Relative standard uncertainty of the focal length in the check-up.
    source : str
        The check-up, in words.
    """

    edge: str
    value_px: float
    u_px: float
    print_scale_px: float
    focal_px: float
    u_rel_f: float
    source: str


@dataclass(frozen=True)
class Trial:
    """One photo of a check-up.

    Parameters
    ----------
    photo : str
        Its name.
    placing : str
        Which placing of the part it belongs to.
    value_mm, u95_mm : float
        Diameter as read, and its stated uncertainty (95 %).
    px_per_mm : float
        Pixels per millimetre at the edge.
    print_scale_mm, focal_mm : float
        Signed changes of the diameter when print scale and focal length move by one standard uncertainty.
    other_mm : float
        Standard uncertainty from causes that all photos share beside these: height, lens, the square.
    default_px : float
        Default standard uncertainty of the edge's place, pixels of radius.
    u_rel_f : float
        Relative standard uncertainty of the focal length.
    """

    photo: str
    placing: str
    value_mm: float
    u95_mm: float
    px_per_mm: float
    print_scale_mm: float
    focal_mm: float
    other_mm: float
    default_px: float
    u_rel_f: float


@dataclass(frozen=True)
class Outcome:
    """What came of a check-up; millimetres of diameter unless named otherwise.

    Parameters
    ----------
    diameter_mm, u95_diameter_mm : float
        The part's figure as typed, with its uncertainty (95 %).
    trials : tuple of Trial
        The photos.
    spread : OneWay
        Their analysis of variance by placing.
    bias_mm, u_bias_mm : float
        Mean less the figure, and the standard uncertainty of that from chance and the figure.
    causes_mm : dict of str to float
        Standard uncertainties that make up that of the EDGE's bias: "chance", the part's "figure", and what all photos
        "share" beside print scale and focal length, its height above all.
    held : int
        Photos whose 95 % interval holds the figure.
    largest_e_n : float
        Largest magnitude of E_n.
    px_per_mm : float
        Mean pixels per millimetre at the edge.
    default_px : float
        Default standard uncertainty of the edge's place.
    """

    diameter_mm: float
    u95_diameter_mm: float
    trials: tuple[Trial, ...]
    spread: OneWay
    bias_mm: float
    u_bias_mm: float
    causes_mm: dict[str, float]
    held: int
    largest_e_n: float
    px_per_mm: float
    default_px: float

    @property
    def u95_bias_mm(self) -> float:
        """Expanded uncertainty of the mean's difference from the figure."""
        return coverage_factor() * self.u_bias_mm

    @property
    def u_edge_bias_mm(self) -> float:
        """Standard uncertainty of the edge's bias, without what print scale and focal length have in it."""
        return math.hypot(*self.causes_mm.values())

    @property
    def bias_px(self) -> float:
        """The bias in pixels of radius."""
        return self.bias_mm * self.px_per_mm / 2

    @property
    def u_px(self) -> float:
        """Standard uncertainty of a later reading's edge: of the bias, and a reading's own scatter."""
        return math.hypot(self.u_edge_bias_mm, self.spread.s_R) * self.px_per_mm / 2

    @property
    def chance(self) -> float:
        """Probability of so few intervals that hold, were each right at 95 % and independent of the others."""
        return chance_of_so_few(self.held, len(self.trials))

    @property
    def intervals_hold(self) -> bool:
        """Whether the stated intervals may be believed, as far as this check-up tells."""
        return self.chance >= UNLIKELY

    @property
    def obstacle(self) -> str:
        """Why this says nothing about edges that later readings could use, in words; empty if it does."""
        if abs(self.bias_px) > LARGEST_BIAS_PX:
            return (
                f"a bias of {self.bias_px:+.2f} px is more than edges are misplaced by: look for its cause in the "
                "print's check lines, the typed height and diameter, or a chamfer"
            )
        own_px = self.u_edge_bias_mm * self.px_per_mm / 2
        if own_px > self.default_px:
            return (
                f"it tells the edge's bias to {own_px:.2f} px, the default is {self.default_px:.2f} px; what would "
                f"help most is {HELP[max(self.causes_mm, key=self.causes_mm.__getitem__)]}"
            )
        return ""

    def edge_bias(self, edge: str, source: str) -> EdgeBias | None:
        """What later readings use in place of the default; None if there is an obstacle."""
        if self.obstacle:
            return None
        half = self.px_per_mm / 2
        n = len(self.trials)
        return EdgeBias(
            edge,
            self.bias_px,
            self.u_px,
            half * math.fsum(trial.print_scale_mm for trial in self.trials) / n,
            half * math.fsum(trial.focal_mm for trial in self.trials) / n,
            math.fsum(trial.u_rel_f for trial in self.trials) / n,
            source,
        )


def analyse(trials: Sequence[Trial], diameter_mm: float, u95_diameter_mm: float) -> Outcome:
    """Compare readings with the part's figure.

    Parameters
    ----------
    trials : sequence of Trial
        Readings of two placings or more, one of them with a repeat.
    diameter_mm, u95_diameter_mm : float
        The part's figure and its uncertainty (95 %).

    Raises
    ------
    ValueError
        Too few placings or repeats, or a figure that is none.
    """
    if not (math.isfinite(diameter_mm) and diameter_mm > 0 and math.isfinite(u95_diameter_mm) and u95_diameter_mm > 0):
        raise ValueError("the part's diameter and its uncertainty must be above zero")
    groups: dict[str, list[float]] = {}
    for trial in trials:
        groups.setdefault(trial.placing, []).append(trial.value_mm)
    spread = one_way(list(groups.values()))
    n = len(trials)
    # Few placings tell their own spread badly: Student's t in place of the normal quantile (GUM G.3.2).
    chance_mm = spread.u_mean * coverage_factor(spread.dof_mean) / coverage_factor()
    figure_mm = u95_diameter_mm / coverage_factor()
    shared = math.fsum(trial.other_mm for trial in trials) / n
    numbers = [e_n(trial.value_mm, trial.u95_mm, diameter_mm, u95_diameter_mm) for trial in trials]
    px_per_mm = math.fsum(trial.px_per_mm for trial in trials) / n
    return Outcome(
        diameter_mm=diameter_mm,
        u95_diameter_mm=u95_diameter_mm,
        trials=tuple(trials),
        spread=spread,
        bias_mm=spread.mean - diameter_mm,
        u_bias_mm=math.hypot(chance_mm, figure_mm),
        causes_mm={"chance": chance_mm, "figure": figure_mm, "shared": shared},
        held=sum(abs(trial.value_mm - diameter_mm) <= trial.u95_mm for trial in trials),
        largest_e_n=max(numbers, key=abs),
        px_per_mm=px_per_mm,
        default_px=math.fsum(trial.default_px for trial in trials) / n,
    )
