"""A stone that isn't round on its way from the photo to JSON, text and marks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.calibration.square import Calibration
    from rimsight.cli.measure_inputs import Inputs
    from rimsight.vision.overlay_model import Overlay
    from rimsight.vision.photo import Photo
    from rimsight.vision.rim_shape import ShapeRimReading
    from rimsight.vision.shape import ShapeReading


def read(inputs: Inputs, photo: Photo, calibration: Calibration) -> ShapeReading:
    """Find what lies on the stage and read its outline.

    Raises
    ------
    PhotoError
        The photograph doesn't allow it; `SeveralSubjects` where one has to be picked.
    """
    from rimsight.vision.shape import read_shape
    from rimsight.vision.shape_find import find_stone

    stone = find_stone(photo.light, calibration, inputs.pick)
    return read_shape(
        photo.light,
        calibration,
        stone.hull_mm,
        shape=None if inputs.shape == "auto" else inputs.shape,
        girdle=inputs.typed_height(inputs.height_mm, "height of the girdle above the table"),
        card_height_mm=inputs.card_height_mm,
    )


def subject(reading: ShapeReading | ShapeRimReading) -> dict[str, Any]:
    """The member `stone` of the JSON; the diameters of a round stone are null."""
    from rimsight.cli.result import quantity

    naming = reading.naming
    return {
        "diameter_mm": None,
        "smallest_mm": None,
        "largest_mm": None,
        "length_mm": quantity(reading.length),
        "width_mm": quantity(reading.width),
        "length_to_width": quantity(reading.ratio),
        "enclosing_mm": quantity(reading.enclosing),
        "inner_mm": quantity(reading.inner),
        "shape": {
            "name": naming.shape,
            "maybe": list(naming.maybe),
            "in_words": naming.sentence,
            "evidence": list(naming.evidence),
        },
    }


def figures(reading: ShapeReading | ShapeRimReading) -> list[tuple[str, str]]:
    """The figures with their names, for people."""
    from rimsight.calibration.uncertainty import format_quantity, from_ufloat
    from rimsight.cli.measure_text import mm

    ratio = from_ufloat(reading.ratio)
    return [
        ("length", mm(reading.length)),
        ("width", mm(reading.width)),
        ("length over width", format_quantity(ratio.value, ratio.u95, "").strip()),
        ("circle round it", mm(reading.enclosing)),
        ("circle inside", mm(reading.inner)),
        ("shape", f"{reading.naming.sentence}: {'; '.join(reading.naming.evidence)}"),
    ]


def overlay(reading: ShapeReading, view: Any, card_line: tuple[str, ...]) -> Overlay:
    """The outline with its smallest box and two dimension lines."""
    from rimsight.cli.measure_text import mm
    from rimsight.vision.overlay_model import Overlay

    outlines, dimensions, centre = marks(reading, view)
    return Overlay(
        px_per_mm=reading.edge.px_per_mm,
        scale_centre_px=centre,
        outlines=outlines,
        dimensions=dimensions,
        lines=(
            f"Length {mm(reading.length)}, width {mm(reading.width)}",
            f"{reading.naming.sentence[:1].upper()}{reading.naming.sentence[1:]}, "
            f"length over width {reading.ratio.nominal_value:.3f}",
            *card_line,
        ),
    )


def marks(reading: ShapeReading | ShapeRimReading, view: Any) -> tuple[tuple[Any, ...], tuple[Any, ...], Any]:
    """Outline and box, two dimension lines, and the box's middle in the photograph."""
    import numpy as np

    from rimsight.vision.overlay_model import DimensionMark, OutlineMark

    def seen(points_mm: Any) -> Any:
        points = np.asarray(points_mm)
        return view.to_pixels(points, np.full(len(points), reading.middle_mm))

    box = reading.box
    across = np.array([-box.along[1], box.along[0]])
    ends = [
        seen([box.centre_mm - half * way, box.centre_mm + half * way])
        for way, half in ((box.along, box.length_mm / 2), (across, box.width_mm / 2))
    ]
    sizes = (reading.length.nominal_value, reading.width.nominal_value)
    outlines = (OutlineMark(seen(reading.outline_mm), "", "stone"), OutlineMark(seen(box.corners_mm), "", "other"))
    dimensions = tuple(
        DimensionMark(pair[0], pair[1], f"{size:.2f} mm") for pair, size in zip(ends, sizes, strict=True)
    )
    return outlines, dimensions, seen([box.centre_mm])[0]
