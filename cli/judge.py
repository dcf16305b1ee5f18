"""The reading of a stone on a tube, handed to the fit checker as it was measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rimsight.vision.clock import clock_in_photo

if TYPE_CHECKING:
    from rimsight.calibration.square import Calibration
    from rimsight.cli.measure_inputs import Inputs
    from rimsight.fit.report import FitReport
    from rimsight.fit.rules import Rules
    from rimsight.vision.rim import RimReading


def judge(inputs: Inputs, reading: RimReading, calibration: Calibration, rules: Rules) -> FitReport:
    """Judge a rim by the house rules.

    The figures are handed on as expressions of the photo's own variables: what stone and tube have in common (scale,
    height) cancels in the rim.

    Parameters
    ----------
    inputs : Inputs
        Typed length and metal of the tube.
    reading : RimReading
        The stone on the tube.
    calibration : Calibration
        Geometry of the photo.
    rules : Rules
        House rules.
    """
    from rimsight.fit.model import Placed, Stone, Tube
    from rimsight.fit.numbers import within
    from rimsight.fit.report import check

    length = inputs.length_mm
    tube = Tube(
        reading.outer,
        reading.bore,
        None if length is None else within(length, rules.number("caliper.outside_mm"), "length"),
        inputs.metal,
    )
    placed = Placed(reading.smallest, smallest_at(reading, calibration), reading.offset, reading.mean)
    return check(Stone(reading.stone_diameter), tube, rules, placed=placed)


def smallest_at(reading: RimReading, calibration: Calibration) -> float:
    """Clock position of the smallest rim, as seen in the photograph."""
    x, y = (float(value) for value in reading.stone_edge.circle.centre)
    return clock_in_photo(calibration.view, (x, y), reading.smallest_direction, reading.heights.lower_mm)
