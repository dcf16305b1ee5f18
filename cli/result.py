"""A measurement as the JSON object of the schema `rimsight/1`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from rimsight.cli.failures import SCHEMA
from rimsight.cli.keeping import program_version

if TYPE_CHECKING:
    from rimsight.calibration.print_check import PrintCheck
    from rimsight.cli.measure_inputs import Inputs
    from rimsight.cli.measuring import Measurement
    from rimsight.vision.outline import RoundEdge
    from rimsight.vision.side import SideReading

#: Heights that several photos give, by kind of subject.
SOLVED_HEIGHTS = {"stone": ("girdle",), "tube": ("tube_top",), "rim": ("tube_top", "girdle", "girdle_above_tube")}
#: Places of a rim's profile in the JSON.
PROFILE_STEPS = 72


def result_of(measured: Measurement) -> dict[str, Any]:
    """Make the object that the command prints with `--json`.

    Returns
    -------
    dict
        Plain JSON data; lengths in millimetres, each measured quantity as value, u95 and budget.
    """
    from rimsight.cli.guidance import guidance, warnings_of

    step = guidance(measured)
    return {
        "schema": SCHEMA,
        "program": program_version(),
        "kind": measured.inputs.kind,
        "photo": _photo(measured),
        "card": _card(measured),
        "scale": _scale(measured),
        **_SUBJECTS[measured.inputs.kind](measured),
        **_several(measured),
        **_edge_bias(measured),
        "quality": _quality(measured),
        "inputs": typed_inputs(measured),
        "guidance": step.to_json(),
        "warnings": warnings_of(measured),
    }


def quantity(x: Any) -> dict[str, Any] | None:
    """A number with its uncertainty and budget; None stays None."""
    if x is None:
        return None
    from rimsight.calibration.uncertainty import from_ufloat

    return from_ufloat(x).to_json()


def typed_inputs(measured: Measurement) -> dict[str, Any]:
    """Everything that has to be known beside the photo to measure it again, as plain JSON."""
    return inputs_json(measured.inputs, measured.check)


def inputs_json(inputs: Inputs, check: PrintCheck | None) -> dict[str, Any]:
    """The typed inputs by their names, with the measured check lines that were used; plain JSON."""
    kept = {
        "height": inputs.height_mm,
        "length": inputs.length_mm,
        "bore": inputs.bore_mm,
        "wall": inputs.wall_mm,
        "metal": inputs.metal,
        "rules": None if inputs.rules is None else str(inputs.rules),
        "card_check": None if check is None else card_check(check),
        "camera": inputs.camera,
        "square_side": inputs.square_side_mm,
        "camera_distance": inputs.camera_distance_mm,
        "card_height": inputs.card_height_mm or None,
        "pick": inputs.pick,
        "of": inputs.of,
        "in_front": inputs.in_front_mm,
        "shape": inputs.shape,
        "group": inputs.group_mm,
    }
    return {name: value for name, value in kept.items() if value is not None}


def kept_inputs(measured: Measurement) -> dict[str, Any]:
    """What has to be known beside the one photo that is kept: heights that several photos gave count as typed."""
    inputs = typed_inputs(measured)
    if measured.several is None:
        return inputs
    heights = measured.several.heights
    solved = {"height": heights["girdle"]} if measured.inputs.kind == "stone" else {"length": heights["tube_top"]}
    if "girdle_above_tube" in heights:
        solved["height"] = heights["girdle_above_tube"]
    return {name: round(max(value.nominal_value, 0.0), 4) for name, value in solved.items()} | inputs


def card_check(check: PrintCheck) -> dict[str, Any]:
    """The measured check lines as plain JSON, so that a later record of the same name changes nothing."""
    return dict(vars(check))


def _photo(measured: Measurement) -> dict[str, Any]:
    photo = measured.photo
    return {
        "file": photo.path.name,
        "sha256": photo.sha256,
        "format": photo.format,
        "width_px": photo.light.width_px,
        "height_px": photo.light.height_px,
        "camera_make": photo.exif.make,
        "camera_model": photo.exif.model,
        "lens": photo.exif.lens,
        "taken": photo.exif.taken,
        "colour": photo.colour,
    }


def _card(measured: Measurement) -> dict[str, Any]:
    reference = measured.calibration.reference
    return {
        "name": reference.name,
        "side_mm": reference.side_mm,
        "plain_square": reference.plain,
        "checked": reference.checked,
        "checked_on": None if measured.check is None else measured.check.date or None,
        "scale_across": round(reference.scale_across, 6),
        "scale_down": round(reference.scale_down, 6),
        "u_scale": float(f"{reference.u_scale:.3g}"),
        "way_round_known": reference.oriented,
    }


def _scale(measured: Measurement) -> dict[str, Any]:
    calibration = measured.calibration
    view = calibration.view
    return {
        "px_per_mm": round(calibration.px_per_mm, 3),
        "px_per_mm_at_subject": round(main_edge(measured).px_per_mm, 3),
        "tilt_deg": round(view.tilt_deg, 2),
        "camera_distance_mm": round(view.distance_mm, 1),
        "focal_px": round(view.camera.f_px, 1),
        "u_rel_focal": float(f"{calibration.u_rel_f:.2g}"),
        "focal_source": calibration.focal_source,
        "camera_profile": None if measured.match.prior is None else measured.match.reason,
    }


def _several(measured: Measurement) -> dict[str, Any]:
    """What several photos gave together; nothing for a single one."""
    several = measured.several
    if several is None:
        return {}
    return {
        "height": {
            f"{name}_mm": quantity(several.heights[name]) if name in several.heights else None
            for name in SOLVED_HEIGHTS[measured.inputs.kind]
        },
        "photos": [
            {
                "file": photo.path.name,
                "sha256": photo.sha256,
                "tilt_deg": round(calibration.view.tilt_deg, 2),
                "camera_distance_mm": round(calibration.view.distance_mm, 1),
            }
            for photo, calibration in zip(several.photos, several.calibrations, strict=True)
        ],
        "baseline_mm": round(several.baseline_mm, 1),
        "agreement": round(several.strain, 3),
    }


def _edge_bias(measured: Measurement) -> dict[str, Any]:
    """What check-ups on a part of known size did to the figures; nothing where the default stands."""
    if not measured.corrections:
        return {}
    return {
        "edge_bias": [
            {
                "edge": one.edge,
                "from": one.source,
                "change_mm": round(one.change_mm, 5),
                "u_mm": float(f"{one.u_mm:.3g}"),
                "default_u_mm": float(f"{one.default_u_mm:.3g}"),
            }
            for one in measured.corrections
        ]
    }


def main_edge(measured: Measurement) -> RoundEdge | SideReading:
    """The edge that the first figure of the result rests on; of a side view the reading, which has its scale."""
    from rimsight.vision.side import SideReading

    reading = measured.reading
    if isinstance(reading, SideReading):
        return reading
    for name in ("edge", "stone_edge", "outer_edge"):
        if hasattr(reading, name):
            edge: RoundEdge = getattr(reading, name)
            return edge
    raise TypeError(f"a reading without an edge: {type(reading).__name__}")


def edges_of(measured: Measurement) -> dict[str, RoundEdge]:
    """All edges that were read, by what they are."""
    reading: Any = measured.reading
    names = {"stone": ("edge", "stone_edge"), "outer": ("outer_edge", "tube_edge"), "bore": ("bore_edge",)}
    found: dict[str, RoundEdge] = {}
    for what, attributes in names.items():
        for attribute in attributes:
            edge = getattr(reading, attribute, None)
            if edge is not None:
                found[what] = edge
    return found


def _quality(measured: Measurement) -> dict[str, Any]:
    calibration = measured.calibration
    excess = calibration.band_excess_mm
    return {
        "blur_px": round(calibration.blur_px, 3),
        "straightness_px": round(calibration.straightness_px, 3),
        "clipped": round(calibration.clipped, 4),
        "band_excess_mm": round(excess, 4) if math.isfinite(excess) else None,
        "edges": {
            name: {
                "seen_deg": round(edge.coverage_deg),
                "support": round(edge.support, 3),
                "scatter_px": round(edge.scatter_px, 3),
                "px_per_mm": round(edge.px_per_mm, 3),
            }
            for name, edge in edges_of(measured).items()
        },
        **_outline_quality(measured),
    }


def _stone(measured: Measurement) -> dict[str, Any]:
    reading: Any = measured.reading
    heights = reading.heights
    return {
        "stone": _round_stone(reading) if measured.inputs.shape is None else _shaped_stone(reading),
        "heights": {
            "girdle_lower_mm": round(heights.lower_mm, 3),
            "girdle_upper_mm": round(heights.upper_mm, 3),
            "u_mm": round(heights.u_mm, 3),
            "source": heights.source,
        },
    }


def _round_stone(reading: Any) -> dict[str, Any]:
    return {
        "diameter_mm": quantity(reading.diameter),
        "smallest_mm": quantity(reading.smallest),
        "largest_mm": quantity(reading.largest),
        "out_of_round_mm": quantity(reading.largest - reading.smallest),
    }


def _shaped_stone(reading: Any) -> dict[str, Any]:
    from rimsight.cli.shape_result import subject

    return subject(reading)


def _tube(measured: Measurement) -> dict[str, Any]:
    from rimsight.vision.clock import clock_in_photo

    reading: Any = measured.reading
    length = measured.tube
    thinnest = None
    if reading.thinnest_direction is not None:
        x, y = (float(value) for value in reading.outer_edge.circle.centre)
        top = length.mm - measured.inputs.card_height_mm
        thinnest = round(clock_in_photo(measured.calibration.view, (x, y), reading.thinnest_direction, top), 2)
    return {
        "tube": {
            "outer_diameter_mm": quantity(reading.outer),
            "bore_diameter_mm": quantity(reading.bore),
            "mouth_diameter_mm": quantity(reading.mouth),
            "wall_mm": quantity(reading.wall),
            "smallest_wall_mm": quantity(reading.smallest_wall),
            "largest_wall_mm": quantity(reading.largest_wall),
            "eccentricity_mm": quantity(reading.eccentricity),
            "thinnest_at_clock": thinnest,
        },
        "heights": {"tube_mm": round(length.mm, 3), "u_mm": round(length.u_mm, 3), "source": length.source},
    }


def _rim(measured: Measurement) -> dict[str, Any]:
    reading: Any = measured.reading
    report = measured.report
    assert report is not None  # a rim is never measured without being judged
    length, heights = measured.tube, reading.heights
    placed = report.placed
    bore = reading.bore
    return {
        "stone": (
            {"diameter_mm": quantity(reading.stone_diameter), "smallest_mm": None, "largest_mm": None}
            if measured.inputs.shape is None
            else _shaped_stone(reading)
        ),
        "tube": {
            "outer_diameter_mm": quantity(reading.outer),
            "bore_diameter_mm": quantity(bore),
            "wall_mm": None if bore is None else quantity((reading.outer - bore) / 2),
            "smallest_wall_mm": None,
            "metal": measured.inputs.metal,
        },
        "rim": {
            "centred_mm": quantity(reading.centred),
            "smallest_mm": quantity(reading.smallest),
            "smallest_at_clock": None if placed is None else round(placed.smallest_at_clock or 12.0, 2),
            "mean_mm": quantity(reading.mean),
            "largest_mm": quantity(reading.largest),
            "offset_mm": quantity(reading.offset),
            "profile": _profile(measured),
        },
        "verdict": report.verdict,
        "reasons": list(report.reasons),
        "checks": [check.to_json() for check in report.checks],
        "advice": report.advice.to_json(),
        "heights": {
            "tube_mm": round(length.mm, 3),
            "tube_u_mm": round(length.u_mm, 3),
            "tube_source": length.source,
            "girdle_lower_mm": round(heights.lower_mm, 3),
            "girdle_upper_mm": round(heights.upper_mm, 3),
            "girdle_u_mm": round(heights.u_mm, 3),
            "girdle_source": heights.source,
        },
    }


def _profile(measured: Measurement) -> dict[str, Any]:
    """The rim all round: clock positions in the photograph and widths."""
    import numpy as np

    from rimsight.cli.judge import middle_of
    from rimsight.vision.clock import clock_in_photo

    reading: Any = measured.reading
    x, y = middle_of(reading)
    step = max(1, len(reading.angles) // PROFILE_STEPS)
    clocks = [
        clock_in_photo(
            measured.calibration.view, (x, y), (float(np.cos(a)), float(np.sin(a))), reading.heights.lower_mm
        )
        for a in reading.angles[::step]
    ]
    pairs = sorted(zip(clocks, (float(width) for width in reading.widths_mm[::step]), strict=True))
    return {"clock": [round(hour, 2) for hour, _ in pairs], "width_mm": [round(width, 4) for _, width in pairs]}


def _outline_quality(measured: Measurement) -> dict[str, Any]:
    from rimsight.cli.side_result import quality
    from rimsight.vision.side import SideReading

    return quality(measured.reading) if isinstance(measured.reading, SideReading) else {}


def _side(measured: Measurement) -> dict[str, Any]:
    from rimsight.cli.side_result import subject

    reading: Any = measured.reading
    return subject(reading)


_SUBJECTS = {"stone": _stone, "tube": _tube, "rim": _rim, "side": _side}
