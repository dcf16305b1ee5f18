"""The reading of a stone on a tube, handed to the fit checker as it was measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rimsight.vision.clock import clock_in_photo

if TYPE_CHECKING:
    from uncertainties import UFloat

    from rimsight.calibration.square import Calibration
    from rimsight.cli.measure_inputs import Inputs
    from rimsight.fit.model import Stone
    from rimsight.fit.report import FitReport
    from rimsight.fit.rules import Rules
    from rimsight.vision.rim import RimReading
    from rimsight.vision.rim_shape import ShapeRimReading


def judge(
    inputs: Inputs,
    reading: RimReading | ShapeRimReading,
    calibration: Calibration,
    rules: Rules,
    *,
    length: UFloat | None = None,
) -> FitReport:
    """Judge a rim by the house rules.

    The figures are handed on as expressions of the photo's own variables: what stone and tube have in common (scale,
    height) cancels in the rim.

    Parameters
    ----------
    inputs : Inputs
        Typed length and metal of the tube.
    reading : RimReading or ShapeRimReading
        The stone on the tube.
    calibration : Calibration
        Geometry of the photo.
    rules : Rules
        House rules.
    length : uncertainties.UFloat, optional
        Length of the tube as measured, where it was not typed.
    """
    from rimsight.fit.model import Placed, Tube
    from rimsight.fit.numbers import within
    from rimsight.fit.report import check

    typed = inputs.length_mm
    if typed is not None:
        length = within(typed, rules.number("caliper.outside_mm"), "length")
    tube = Tube(reading.outer, reading.bore, length, inputs.metal)
    placed = Placed(reading.smallest, smallest_at(reading, calibration), reading.offset, reading.mean)
    return check(_stone(reading), tube, rules, placed=placed)


def _stone(reading: RimReading | ShapeRimReading) -> Stone:
    from rimsight.fit.model import Stone
    from rimsight.vision.rim import RimReading

    if isinstance(reading, RimReading):
        return Stone(reading.stone_diameter)
    return Stone(reading.enclosing, inner_mm=reading.inner)


def smallest_at(reading: RimReading | ShapeRimReading, calibration: Calibration) -> float:
    """Clock position of the smallest rim, as seen in the photograph."""
    x, y = middle_of(reading)
    return clock_in_photo(calibration.view, (x, y), reading.smallest_direction, reading.heights.lower_mm)


def middle_of(reading: RimReading | ShapeRimReading) -> tuple[float, float]:
    """From where the rim's directions are told: a round stone's middle, the tube's of another; card millimetres."""
    from rimsight.vision.rim import RimReading

    edge = reading.stone_edge if isinstance(reading, RimReading) else reading.tube_edge
    x, y = (float(value) for value in edge.circle.centre)
    return x, y
