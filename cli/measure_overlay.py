"""What was measured as marks on the photo."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from rimsight.cli.measure_text import mm
from rimsight.cli.values import clock_text
from rimsight.vision.overlay_model import DimensionMark, NumberMark, OutlineMark, Overlay, RimBand

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rimsight.calibration.camera import View
    from rimsight.calibration.square import Calibration
    from rimsight.cli.measuring import Measurement
    from rimsight.vision.outline import RoundEdge
    from rimsight.vision.subjects import Subject

    FloatArray = NDArray[np.float64]

#: Points of a drawn circle.
CIRCLE_POINTS = 360
#: Rule that sets the least rim.
RIM_RULE = "rim.at_least_mm"


def overlay_for(measured: Measurement) -> Overlay:
    """Make the marks for a measurement."""
    return {"stone": _stone, "tube": _tube, "rim": _rim, "side": _side}[measured.inputs.kind](measured)


def numbers_overlay(subjects: tuple[Subject, ...], calibration: Calibration) -> Overlay:
    """Number the things of which one has to be picked.

    Parameters
    ----------
    subjects : tuple of Subject
        In the order of their numbers.
    calibration : Calibration
        Geometry of the photo.
    """
    view = calibration.view
    marks = []
    for number, subject in enumerate(subjects, start=1):
        x, y = subject.centre_mm
        centre = view.to_pixels(np.array([[x, y]]))[0]
        marks.append(NumberMark(centre, 1.1 * subject.radius_mm * view.px_per_mm((x, y)), str(number)))
    return Overlay(
        px_per_mm=calibration.px_per_mm,
        scale_centre_px=np.mean([mark.centre_px for mark in marks], axis=0),
        numbers=tuple(marks),
        lines=(f"{len(marks)} things lie here: which one?", "Add --pick and its number."),
    )


def circle_px(view: View, edge: RoundEdge, radius_mm: float, angles: FloatArray | None = None) -> FloatArray:
    """The measured circle in the photograph, (N, 2) pixels.

    Parameters
    ----------
    view : View
        Geometry of the photo.
    edge : RoundEdge
        The edge; its circle's centre and its heights are used.
    radius_mm : float
        Radius to draw.
    angles : ndarray of shape (N,), optional
        Directions in card coordinates; all round by default.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, CIRCLE_POINTS, endpoint=False) if angles is None else angles
    normals = np.column_stack([np.cos(turn), np.sin(turn)])
    points = edge.circle.centre + radius_mm * normals
    return view.to_pixels(points, edge.heights(view, points, normals))


def _across(
    view: View, edge: RoundEdge, radius_mm: float, text: str, direction_px: tuple[float, float]
) -> DimensionMark:
    """A dimension line through the circle's centre, along a direction of the photograph."""
    circle = circle_px(view, edge, radius_mm)
    along = circle @ np.asarray(direction_px)
    start = int(np.argmin(along))
    end = (start + CIRCLE_POINTS // 2) % CIRCLE_POINTS
    return DimensionMark(circle[start], circle[end], text)


def _shared(measured: Measurement, edge: RoundEdge) -> dict[str, Any]:
    view = measured.calibration.view
    return {"px_per_mm": edge.px_per_mm, "scale_centre_px": circle_px(view, edge, 0.0, np.zeros(1))[0]}


def _stone(measured: Measurement) -> Overlay:
    reading: Any = measured.reading
    if measured.inputs.shape is not None:
        from rimsight.cli.shape_result import overlay

        return overlay(reading, measured.calibration.view, _card_line(measured))
    view, edge = measured.calibration.view, reading.edge
    radius = reading.diameter.nominal_value / 2
    return Overlay(
        **_shared(measured, edge),
        outlines=(OutlineMark(circle_px(view, edge, radius), "", "stone"),),
        dimensions=(_across(view, edge, radius, f"{reading.diameter.nominal_value:.2f} mm", (1.0, 0.0)),),
        lines=(
            f"Stone {mm(reading.diameter)}",
            f"Smallest {reading.smallest.nominal_value:.2f}, largest {reading.largest.nominal_value:.2f} mm",
            *_card_line(measured),
        ),
    )


def _tube(measured: Measurement) -> Overlay:
    reading: Any = measured.reading
    view, edge = measured.calibration.view, reading.outer_edge
    outer = reading.outer.nominal_value / 2
    outlines = [OutlineMark(circle_px(view, edge, outer), "", "outer")]
    dimensions = [_across(view, edge, outer, f"{2 * outer:.2f} mm", (1.0, 0.0))]
    lines = [f"Outside {mm(reading.outer)}"]
    bands = []
    if reading.bore is not None:
        bore_edge, bore = reading.bore_edge, reading.bore.nominal_value / 2
        outlines.append(OutlineMark(circle_px(view, bore_edge, bore), "", "bore"))
        if reading.mouth is not None:
            outlines.append(OutlineMark(circle_px(view, bore_edge, reading.mouth.nominal_value / 2), "", "mouth"))
        dimensions = [
            _across(view, bore_edge, bore, f"bore {2 * bore:.2f} mm", (0.7, 0.7)),
        ]
        bands.append(_wall_band(view, edge, outer, bore_edge, bore))
        lines += [f"Bore {mm(reading.bore)}", f"Wall {mm(reading.wall)}, smallest {mm(reading.smallest_wall)}"]
    else:
        lines.append("Bore not found")
    return Overlay(
        **_shared(measured, edge),
        outlines=tuple(outlines),
        rim_bands=tuple(bands),
        dimensions=tuple(dimensions),
        lines=(*lines, *_card_line(measured)),
    )


def _wall_band(view: View, edge: RoundEdge, outer: float, bore_edge: RoundEdge, bore: float) -> RimBand:
    """The wall all round, measured along the bore's radii."""
    angles = np.linspace(0.0, 2.0 * np.pi, CIRCLE_POINTS, endpoint=False)
    normals = np.column_stack([np.cos(angles), np.sin(angles)])
    shift = bore_edge.circle.centre - edge.circle.centre
    along = normals @ shift
    reach = -along + np.sqrt(np.maximum(along**2 - shift @ shift + outer**2, 0.0))
    points = bore_edge.circle.centre + reach[:, None] * normals
    outer_px = view.to_pixels(points, edge.heights(view, points, normals))
    widths = reach - bore
    smallest = int(np.argmin(widths))
    return RimBand(
        circle_px(view, bore_edge, bore, angles), outer_px, widths, None, smallest, name="wall",
        smallest_text=f"wall {widths[smallest]:.2f} mm",
    )  # fmt: skip


def _rim(measured: Measurement) -> Overlay:
    from rimsight.cli.judge import smallest_at

    reading: Any = measured.reading
    report = measured.report
    view, tube_edge = measured.calibration.view, reading.tube_edge
    outer = reading.outer.nominal_value / 2
    if measured.inputs.shape is None:
        diameter = reading.stone_diameter
        outline = OutlineMark(circle_px(view, reading.stone_edge, diameter.nominal_value / 2), "", "stone")
        size = mm(diameter)
    else:
        from rimsight.cli.shape_result import marks

        outline = marks(reading, view)[0][0]
        size = f"{reading.naming.sentence} {mm(reading.length)} by {mm(reading.width)}"
    limit = None
    if report is not None:
        limit = next((c.limit.value for c in report.checks if c.limit is not None and c.limit.key == RIM_RULE), None)
    x, y = reading.smallest_direction
    towards = np.cos(reading.angles) * x + np.sin(reading.angles) * y
    smallest = int(np.argmax(towards if measured.inputs.shape is None else -reading.widths_mm))
    band = RimBand(
        reading.inner_px, reading.outer_px, reading.widths_mm, limit, smallest,
        smallest_text=f"smallest {reading.smallest.nominal_value:.2f} mm",
    )  # fmt: skip
    return Overlay(
        **_shared(measured, tube_edge),
        outlines=(
            outline,
            OutlineMark(circle_px(view, tube_edge, outer), "", "outer"),
        ),
        rim_bands=(band,),
        verdict=None if report is None else report.headline,
        lines=(
            f"Rim {mm(reading.centred)} with the stone centred",
            f"Smallest as it lies {mm(reading.smallest)} at {clock_text(smallest_at(reading, measured.calibration))}",
            f"Stone {size}, tube {mm(reading.outer)}",
            *_card_line(measured),
        ),
    )


def _side(measured: Measurement) -> Overlay:
    from rimsight.cli.side_result import overlay

    reading: Any = measured.reading
    return overlay(reading, _card_line(measured))


def _card_line(measured: Measurement) -> tuple[str, ...]:
    """Said only where the scale isn't sure."""
    reference = measured.calibration.reference
    if reference.plain:
        return (f"Scale from a plain square of {reference.side_mm:g} mm",)
    return () if reference.checked else ("The card's print is not checked",)
