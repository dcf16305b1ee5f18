"""A measurement in plain aligned text, for the terminal."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from rimsight.cli.guidance import guidance, warnings_of, words_for
from rimsight.cli.values import clock_text

if TYPE_CHECKING:
    from rimsight.cli.measuring import Measurement

WIDTH = 96  #: characters
#: So many components of the budget are told.
TOLD = 3


def text_of(measured: Measurement) -> str:
    """Write a measurement for people: verdict and figures first, then why, then how sure and what would help.

    Returns
    -------
    str
        Lines of less than 100 characters; no colours.
    """
    kind = measured.inputs.kind
    title = {"stone": "Stone", "tube": "Tube", "rim": "Stone on tube", "side": "From the side"}[kind]
    several = measured.several
    names = [measured.photo.path.name] if several is None else [photo.path.name for photo in several.photos]
    lines = [f"{title}: {' + '.join(names)}"]
    report = measured.report
    if report is not None:
        lines += ["", *_wrapped(f"Verdict: {report.headline}")]
    lines += ["", *_table([*figures(measured), *solved_heights(measured)])]
    told: tuple[str, ...] = ()
    if report is not None:
        from rimsight.cli.fit_text import limits_from, table

        lines += ["", *table(report.checks), *_verdict_notes(report)]
        lines += ["", *_wrapped(f"Limits: {limits_from(report.checks)}. See 'rimsight rules'.")]
        # What was not checked stands in the table already.
        told = tuple(check.sentence for check in report.checks if check.value_mm is None)
    lines += ["", "How it was read:", *_table(_circumstances(measured))]
    step = guidance(measured)
    lines += ["", "What the uncertainty is made of (shares of its square):"]
    lines += [f"  {100 * share:3.0f} %  {words_for(name)}" for name, share in step.shares[:TOLD]]
    if step.remedy is not None:
        # No-break spaces keep a figure with its sign and unit.
        gain = f"±\u00a0{step.u95_mm:.2g}\u00a0mm would become about ±\u00a0{step.u95_after_mm:.2g}\u00a0mm."
        lines += ["", *_wrapped(f"Better: {step.remedy.text}; {gain}")]
    warnings = [text for text in warnings_of(measured) if text not in told]
    if warnings:
        lines += ["", "Note:", *(line for text in warnings for line in _wrapped(text, "  - "))]
    return "\n".join(lines)


def figures(measured: Measurement) -> list[tuple[str, str]]:
    """The figures with their names, rounded by their uncertainty (95 %)."""
    reading: Any = measured.reading
    kind = measured.inputs.kind
    shape: list[tuple[str, str]] = []
    if measured.inputs.shape is not None:
        from rimsight.cli.shape_result import figures as shape_figures

        shape = shape_figures(reading)
    if shape and kind == "stone":
        return shape
    if kind == "stone":
        return [
            ("diameter", mm(reading.diameter)),
            ("smallest", mm(reading.smallest)),
            ("largest", mm(reading.largest)),
            ("out of round", mm(reading.largest - reading.smallest)),
        ]
    if kind == "side":
        from rimsight.cli.side_result import figures as side_figures

        return side_figures(reading)
    if kind == "tube":
        return _tube_figures(measured)
    from rimsight.cli.judge import smallest_at

    at = clock_text(smallest_at(reading, measured.calibration))
    rows = [
        ("rim, stone centred", mm(reading.centred)),
        ("rim as it lies, smallest", f"{mm(reading.smallest)} at {at} o'clock"),
        ("rim as it lies, mean", mm(reading.mean)),
        ("stone off the middle by", mm(reading.offset)),
        *([("stone", mm(reading.stone_diameter))] if not shape else [(f"stone, {name}", text) for name, text in shape]),
        ("tube outside", mm(reading.outer)),
    ]
    return rows + ([("tube bore (typed)", mm(reading.bore))] if reading.bore is not None else [])


def solved_heights(measured: Measurement) -> list[tuple[str, str]]:
    """The heights that several photos gave."""
    names = {
        "tube_top": "tube's end above the table",
        "girdle": "girdle above the table",
        "girdle_above_tube": "girdle above the tube's end",
    }
    heights = {} if measured.several is None else measured.several.heights
    return [(names[name], mm(height)) for name, height in heights.items()]


def mm(x: Any) -> str:
    """A number with its uncertainty: "6.123 ± 0.012 mm"."""
    from rimsight.calibration.uncertainty import format_quantity, from_ufloat

    found = from_ufloat(x)
    return format_quantity(found.value, found.u95, "mm")


def _tube_figures(measured: Measurement) -> list[tuple[str, str]]:
    from rimsight.cli.result import result_of

    reading: Any = measured.reading
    rows = [("outside", mm(reading.outer))]
    if reading.bore is None:
        return [*rows, ("bore", "not found")]
    rows.append(("bore", mm(reading.bore)))
    if reading.mouth is not None:
        rows.append(("mouth of the bore", mm(reading.mouth)))
    clock = result_of(measured)["tube"]["thinnest_at_clock"]
    at = f" at {clock_text(clock)} o'clock" if clock is not None else ""
    return [
        *rows,
        ("wall", mm(reading.wall)),
        ("wall, smallest", mm(reading.smallest_wall) + at),
        ("wall, largest", mm(reading.largest_wall)),
        ("bore off the middle by", mm(reading.eccentricity)),
    ]


def _circumstances(measured: Measurement) -> list[tuple[str, str]]:
    """Card, photo and heights."""
    from rimsight.cli.result import main_edge

    calibration, reading = measured.calibration, measured.reading
    reference, view = calibration.reference, calibration.view
    if reference.plain:
        card = f"plain square, side {reference.side_mm:g} mm"
    elif measured.check is not None:
        scales = (measured.check.scale_across, measured.check.scale_down)
        across, down = (f"{100 * (scale - 1):+.2f} %" for scale in scales)
        card = f"{reference.name}, {reference.side_mm:g} mm, checked: {across} across, {down} down"
    else:
        card = f"{reference.name}, not checked"
    rows = [
        ("card", card),
        (
            "photo",
            f"{main_edge(measured).px_per_mm:.0f} px per mm, camera {view.distance_mm:.0f} mm above the card, "
            f"tilted {view.tilt_deg:.0f}°",
        ),
        ("focal length", calibration.focal_source),
    ]
    if measured.corrections:
        from rimsight.cli.edge_bias import words

        rows += [("edge bias", words(one)) for one in measured.corrections]
    if measured.several is not None:
        rows.append(("places", f"{len(measured.several.photos)}, up to {measured.several.baseline_mm:.0f} mm apart"))
        return rows
    if measured.inputs.kind == "side":
        from rimsight.cli.side_result import circumstances

        side: Any = reading
        return rows + circumstances(side)
    if measured.inputs.kind != "stone":
        length = measured.tube
        rows.append(("tube's end", f"{_height(length.mm, length.u_mm)} high; {length.source}"))
    heights = getattr(reading, "heights", None)
    if heights is not None:
        rows.append(("girdle", f"{_height(heights.mean_mm, heights.u_mm)} high; {heights.source}"))
    return rows


def _height(value_mm: float, u_mm: float) -> str:
    from rimsight.calibration.uncertainty import coverage_factor, format_quantity

    return format_quantity(value_mm, coverage_factor() * u_mm, "mm")


def _verdict_notes(report: Any) -> list[str]:
    """Why, and what follows for the bench."""
    from rimsight.fit.checks import ADEQUATE

    lines: list[str] = []
    bench = "At the bench"
    if report.verdict != ADEQUATE:
        lines += ["", "Because:", *(line for text in report.reasons for line in _wrapped(text, "  - "))]
        lines += ["", *_wrapped(report.advice.tube_wanted.sentence)]
        bench = "If you use it all the same"
    for title, texts in ((bench, report.advice.steps), ("Mind", report.advice.cautions)):
        if texts:
            lines += ["", f"{title}:", *(line for text in texts for line in _wrapped(text, "  - "))]
    return lines


def _table(rows: list[tuple[str, str]]) -> list[str]:
    width = max(len(name) for name, _ in rows)
    lines = []
    for name, text in rows:
        first, *rest = textwrap.wrap(text, WIDTH - width - 5, break_long_words=False) or [""]
        lines.append(f"  {name.ljust(width)}   {first}")
        lines += [" " * (width + 5) + more for more in rest]
    return lines


def _wrapped(sentence: str, bullet: str = "") -> list[str]:
    return textwrap.wrap(
        sentence, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
