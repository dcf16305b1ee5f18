"""A check-up in words, and as the JSON object of the schema `rimsight/1`."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.calibration.checkup_store import CheckUp
    from rimsight.cli.check_up_run import Done

WIDTH = 96  #: characters
#: A bias of more than this share of its own uncertainty is one.
SIGNIFICANT = 1.0


def text_of(done: Done, record: CheckUp, *, kept: bool) -> str:
    """Write a check-up for people: the photos, the figures, what follows."""
    from rimsight.calibration.repeatability import e_n
    from rimsight.calibration.uncertainty import format_quantity

    outcome = done.outcome
    figure = format_quantity(outcome.diameter_mm, outcome.u95_diameter_mm, "mm")
    lines = [f"Check-up on a part of {figure}: {len(outcome.trials)} photos, {outcome.spread.groups} placings", ""]
    wide = max(len("photo"), *(len(trial.photo) for trial in outcome.trials))
    placing = max(len("placing"), *(len(trial.placing) for trial in outcome.trials))
    lines.append(f"  {'photo':<{wide}}  {'placing':<{placing}}  {'reading':<18}  {'off by':>9}  {'E_n':>5}  interval")
    for trial in outcome.trials:
        off = trial.value_mm - outcome.diameter_mm
        number = e_n(trial.value_mm, trial.u95_mm, outcome.diameter_mm, outcome.u95_diameter_mm)
        holds = "holds" if abs(off) <= trial.u95_mm else "MISSES"
        reading = format_quantity(trial.value_mm, trial.u95_mm, "mm")
        lines.append(
            f"  {trial.photo:<{wide}}  {trial.placing:<{placing}}  {reading:<18}  {off:>+9.4f}  {number:>+5.2f}  "
            f"{holds}"
        )
    lines += [f"  {name}: not read, {why}" for name, why in done.refused]
    lines += ["", *_table(_figures(record))]
    lines += ["", *_wrapped(_intervals(done)), *_wrapped(_bias(record))]
    if kept:
        lines += ["", *_wrapped(f"Kept as {record.name!r}. {_effect(record)}")]
    else:
        lines += ["", *_wrapped(f"Not kept (--dry-run). {_effect(record)}")]
    return "\n".join(lines)


def _figures(record: CheckUp) -> list[tuple[str, str]]:
    from rimsight.calibration.uncertainty import format_quantity

    return [
        ("bias: mean less figure", format_quantity(record.bias_mm, record.u95_bias_mm, "mm")),
        ("repeatability s_r", f"{record.s_r_mm:.4f} mm, photographed again without touching"),
        ("between placings s_L", f"{record.s_l_mm:.4f} mm, put down anew"),
        ("reproducibility s_R", f"{record.s_R_mm:.4f} mm, both"),
        ("intervals that hold", f"{record.held} of {record.photos} (95 % are meant to)"),
        ("largest E_n", f"{record.largest_e_n:+.2f} (up to 1 in size: agrees within what is claimed)"),
    ]


def _intervals(done: Done) -> str:
    outcome = done.outcome
    n = len(outcome.trials)
    if outcome.held == n:
        return "Every photo's interval holds the figure."
    if outcome.intervals_hold:
        return f"{n - outcome.held} of {n} intervals miss the figure; by chance so many would in {outcome.chance:.0%}."
    return (
        f"The stated intervals do NOT hold: {n - outcome.held} of {n} miss the figure, by chance so many would in "
        f"{outcome.chance:.1%}. Look for the cause before you trust readings with this camera and card."
    )


def _bias(record: CheckUp) -> str:
    if abs(record.bias_mm) <= SIGNIFICANT * record.u95_bias_mm:
        return "No bias shows beyond the uncertainty of the mean."
    way = "large" if record.bias_mm > 0 else "small"
    return f"Readings come out {abs(record.bias_mm):.4f} mm too {way}."


def _effect(record: CheckUp) -> str:
    if record.bias is None:
        return f"The default for where edges are read stays: {record.obstacle}."
    what = {"outer": "outsides of tubes", "bore": "bores"}[record.edge]
    camera = " ".join(part for part in (record.make, record.model) if part)
    return (
        f"Photos by {camera} of the {record.side_mm:g} mm card {record.card!r} now read {what} "
        f"{-record.bias.value_px:+.3f} px in radius, with a standard uncertainty of {record.bias.u_px:.3f} px in "
        "place of the default."
    )


def line_of(record: CheckUp) -> str:
    """One kept check-up in one line."""
    effect = "in use" if record.bias is not None else "not in use"
    return (
        f"{record.name}: {record.date[:10]}, {record.diameter_mm:g} mm, {record.photos} photos, "
        f"bias {record.bias_mm:+.4f} \N{PLUS-MINUS SIGN} {record.u95_bias_mm:.4f} mm, {effect}"
    )


def record_text(record: CheckUp) -> str:
    """One kept check-up with all its figures."""
    camera = " ".join(part for part in (record.make, record.model, record.lens) if part) or "a camera that isn't named"
    lines = [
        f"{record.name}: check-up of {record.date[:10]}",
        f"  part of {record.diameter_mm:g} \N{PLUS-MINUS SIGN} {record.u95_diameter_mm:g} mm, {record.photos} photos, "
        f"{record.placings} placings",
        f"  {camera}; card {record.card!r}, {record.side_mm:g} mm, {100 * (record.scale_across - 1):+.2f} % across, "
        f"{100 * (record.scale_down - 1):+.2f} % down",
        *_table(_figures(record)),
        *_wrapped(_effect(record)),
    ]
    return "\n".join(lines)


def as_json(done: Done, record: CheckUp, *, kept: bool) -> dict[str, Any]:
    """The members of the JSON object."""
    from dataclasses import asdict

    from rimsight.calibration.repeatability import e_n
    from rimsight.cli.keeping import program_version

    outcome, spread = done.outcome, done.outcome.spread
    return {
        "program": program_version(),
        "kind": "check-up",
        "check_up": asdict(record),
        "kept": kept,
        "photos": [
            {
                "file": trial.photo,
                "placing": trial.placing,
                "diameter_mm": {"value": round(trial.value_mm, 5), "u95": round(trial.u95_mm, 5)},
                "off_mm": round(trial.value_mm - outcome.diameter_mm, 5),
                "e_n": round(e_n(trial.value_mm, trial.u95_mm, outcome.diameter_mm, outcome.u95_diameter_mm), 3),
                "holds": abs(trial.value_mm - outcome.diameter_mm) <= trial.u95_mm,
            }
            for trial in outcome.trials
        ],
        "not_read": [{"file": name, "why": why} for name, why in done.refused],
        "variance": {
            "ss_between": spread.ss_between,
            "ss_within": spread.ss_within,
            "ms_between": spread.ms_between,
            "ms_within": spread.ms_within,
            "f": spread.f if spread.ms_within > 0 else None,
        },
        "intervals_hold": outcome.intervals_hold,
        "chance_of_so_few": round(outcome.chance, 5),
        "bias_px": round(outcome.bias_px, 4),
    }


def _table(rows: list[tuple[str, str]]) -> list[str]:
    wide = max(len(name) for name, _ in rows)
    return [f"  {name:<{wide}}  {value}" for name, value in rows]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)
