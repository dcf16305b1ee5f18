"""A side view on its way from the photo to JSON, text and marks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.calibration.square import Calibration
    from rimsight.cli.measure_inputs import Inputs
    from rimsight.vision.overlay_model import Overlay
    from rimsight.vision.photo import Photo
    from rimsight.vision.side import SideReading

#: Members of the JSON, by the reading's figures.
STONE_MEMBERS = {
    "height": "height_mm",
    "diameter": "diameter_mm",
    "girdle": "girdle_thickness_mm",
    "table": "table_mm",
    "crown": "crown_height_mm",
    "pavilion": "pavilion_depth_mm",
    "crown angle": "crown_angle_deg",
    "pavilion angle": "pavilion_angle_deg",
    "culet": "culet_mm",
}
TUBE_MEMBERS = {"length": "length_mm", "outer": "outer_diameter_mm"}
#: What they are called to a person; shares of the girdle's diameter are told beside the first of each.
WORDS = {
    "height": "height, table to culet",
    "diameter": "girdle, as seen",
    "girdle": "girdle's thickness",
    "table": "table, corner to corner",
    "crown": "crown",
    "pavilion": "pavilion",
    "crown angle": "crown angle",
    "pavilion angle": "pavilion angle",
    "culet": "culet",
    "length": "length",
    "outer": "outside",
}
#: Proportions, in percent of the girdle's diameter as laboratories report them (ISO 24016:2020).
SHARES = ("height", "girdle", "table", "crown", "pavilion")


def read(inputs: Inputs, photo: Photo, calibration: Calibration) -> SideReading:
    """Find what stands on the stage and read it.

    Raises
    ------
    PhotoError
        The photograph doesn't allow it; `SeveralSubjects` where one has to be picked.
    """
    from rimsight.vision.side import read_side
    from rimsight.vision.side_find import choose_thing, find_things

    thing = choose_thing(find_things(photo.light, calibration), inputs.pick)
    axis = inputs.typed_height(inputs.in_front_mm, "height of the stone's axis above the card")
    return read_side(photo.light, calibration, thing, of=inputs.of, axis=axis, card_height_mm=inputs.card_height_mm)


def subject(reading: SideReading) -> dict[str, Any]:
    """The members of the JSON that belong to the subject."""
    from rimsight.cli.result import quantity

    members = STONE_MEMBERS if reading.of == "stone" else TUBE_MEMBERS
    found: dict[str, Any] = {reading.of: {members[name]: quantity(x) for name, x in reading.figures.items()}}
    if reading.of == "stone":
        found["proportions"] = {
            f"{name}_percent": quantity(100 * reading.figures[name] / reading.figures["diameter"]) for name in SHARES
        }
    found["heights"] = {
        "axis_mm": round(reading.axis.mm, 3),
        "u_mm": round(reading.axis.u_mm, 3),
        "source": reading.axis.source,
        "lean_deg": round(reading.lean_deg, 2),
        "lean_u_deg": round(reading.lean_u_deg, 2),
    }
    return found


def quality(reading: SideReading) -> dict[str, Any]:
    """How well the outline shows."""
    return {
        "outline": {
            "support": round(reading.fit.support, 3),
            "scatter_px": round(reading.fit.scatter_px, 3),
            "px_per_mm": round(reading.px_per_mm, 3),
        }
    }


def figures(reading: SideReading) -> list[tuple[str, str]]:
    """The figures with their names, for people."""
    from rimsight.cli.measure_text import mm

    rows = []
    for name, x in reading.figures.items():
        text = _degrees(x) if name.endswith("angle") else mm(x)
        if reading.of == "stone" and name in SHARES:
            share = 100 * x / reading.figures["diameter"]
            text += f"   {share.nominal_value:.1f} %"
        rows.append((WORDS[name], text))
    return rows


def circumstances(reading: SideReading) -> list[tuple[str, str]]:
    """Where the axis lies."""
    from rimsight.calibration.uncertainty import coverage_factor, format_quantity

    u95 = coverage_factor() * reading.axis.u_mm
    at = format_quantity(reading.axis.mm, u95, "mm") if u95 > 0.0 else f"{reading.axis.mm:.2f} mm"
    rows = [("axis", f"{at} above the card; {reading.axis.source}")]
    if reading.of == "stone":
        lean = format_quantity(reading.lean_deg, coverage_factor() * reading.lean_u_deg, "degrees")
        rows.append(("lean", f"{lean} off square to the card, from outline and girdle"))
    return rows


def overlay(reading: SideReading, card_line: tuple[str, ...]) -> Overlay:
    """The outline with its dimension lines."""
    import numpy as np

    from rimsight.cli.measure_text import mm
    from rimsight.vision.overlay_model import DimensionMark, OutlineMark, Overlay

    value = {name: x.nominal_value for name, x in reading.figures.items()}
    if reading.of == "stone":
        shown: tuple[str, ...] = ("height", "diameter", "crown", "pavilion")
        lines = [
            f"Height {mm(reading.figures['height'])}, girdle {mm(reading.figures['diameter'])}",
            f"Crown {value['crown']:.2f} mm, {value['crown angle']:.1f}°; pavilion {value['pavilion']:.2f} mm, "
            f"{value['pavilion angle']:.1f}°",
            f"Table {value['table']:.2f} mm, girdle's thickness {value['girdle']:.2f} mm",
        ]
    else:
        shown = ("length", "outer")
        lines = [f"Length {mm(reading.figures['length'])}", f"Outside {mm(reading.figures['outer'])}"]
    words = {"height": "height ", "crown": "crown ", "pavilion": "pavilion "}
    dimensions = tuple(
        DimensionMark(
            reading.marks_px[name][0], reading.marks_px[name][1], f"{words.get(name, '')}{value[name]:.2f} mm"
        )
        for name in shown
    )
    return Overlay(
        px_per_mm=reading.px_per_mm,
        scale_centre_px=np.mean(reading.outline_px, axis=0),
        outlines=(OutlineMark(reading.outline_px, "", "stone" if reading.of == "stone" else "outer"),),
        dimensions=dimensions,
        lines=(*lines, *card_line),
    )


def _degrees(x: Any) -> str:
    from rimsight.calibration.uncertainty import format_quantity, from_ufloat

    found = from_ufloat(x)
    return format_quantity(found.value, found.u95, "degrees")
