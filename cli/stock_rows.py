"""Tubes of the stock list from what was typed, and as lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rimsight.cli.values import length_mm, wall_mm

if TYPE_CHECKING:
    from rimsight.archive.stock import Cut, StockTube

NONE = "none"  #: takes a figure or a text off the record
_HEADINGS = ("label", "outside", "bore", "wall", "metal", "left", "note")


def new_tube(
    label: str | None, od: str | None, bore: str | None, wall: str | None, metal: str | None, length: str | None,
    note: str | None, results: list[Path],
) -> StockTube:
    """Make a tube for the list; what was typed goes before what a photo's result says.

    Raises
    ------
    ValueError
        The outer diameter is missing, or a figure is no length.
    OSError
        A file of results can't be read.
    """
    from rimsight.archive.stock import StockTube

    known: dict[str, Any] = _measured(results) if results else {}
    if od is not None:
        known |= {"outer_mm": length_mm(od, "--od"), "outer_u95_mm": None}
    if bore is not None and wall is not None:
        raise ValueError("give --bore or --wall, not both: one follows from the other")
    if bore is not None or wall is not None:
        known = {name: value for name, value in known.items() if not name.startswith(("bore", "wall"))}
        known |= {"bore_mm": length_mm(bore, "--bore")} if bore is not None else {}
        known |= {"wall_mm": wall_mm(wall, "--wall")} if wall is not None else {}
    if length is not None:
        known["length_mm"] = length_mm(length, "--length", allow_zero=True)
    if metal is not None:
        known["metal"] = metal
    if "outer_mm" not in known:
        raise ValueError("the outer diameter is missing: --od 6.5, or --from the result of a photo of the tube's end")
    return StockTube(label=label or "", note=note or "", **known)


def changes(
    od: str | None, bore: str | None, wall: str | None, metal: str | None, length: str | None, note: str | None,
    label: str | None,
) -> dict[str, Any]:
    """Return the fields of a tube that are to change.

    Raises
    ------
    ValueError
        Nothing is to change, or a figure is no length.
    """
    found: dict[str, Any] = {}
    if od is not None:
        found |= {"outer_mm": length_mm(od, "--od"), "outer_u95_mm": None}
    if bore is not None and wall is not None and NONE not in (bore, wall):
        raise ValueError("give --bore or --wall, not both: one follows from the other")
    fresh = {"bore_mm": None, "bore_u95_mm": None, "wall_mm": None, "wall_u95_mm": None}
    if bore is not None:
        found |= {**fresh, "bore_mm": None if bore == NONE else length_mm(bore, "--bore")}
    if wall is not None and not (wall == NONE and bore is not None):
        found |= {**fresh, "wall_mm": None if wall == NONE else wall_mm(wall, "--wall")}
    if length is not None:
        found["length_mm"] = None if length == NONE else length_mm(length, "--length", allow_zero=True)
    for name, text in (("metal", metal), ("note", note)):
        if text is not None:
            found[name] = "" if text == NONE else text
    if label is not None:
        found["label"] = label
    if not found:
        raise ValueError("say what is to change: --od, --bore, --wall, --metal, --length, --note or --label")
    return found


def with_metal(tubes: list[StockTube], metal: str | None) -> list[StockTube]:
    """Pick the tubes of a metal, under any of its names in the house rules."""
    if metal is None:
        return tubes
    from rimsight.cli.tubes import same_metal
    from rimsight.fit.rules import load

    house = load()
    return [tube for tube in tubes if same_metal(tube.metal, metal, house)]


def tube_line(tube: StockTube) -> str:
    """One line: "A3: 6.5 mm outside, wall 0.635 mm, silver, 300 mm left"."""
    from rimsight.fit.numbers import plain_mm

    parts = [f"{tube.label}: {plain_mm(tube.outer_mm)} outside"]
    if tube.wall_mm is not None:
        parts.append(f"wall {plain_mm(tube.wall_mm)}")
    elif tube.bore_mm is not None:
        parts.append(f"bore {plain_mm(tube.bore_mm)}")
    parts += [tube.metal] if tube.metal else []
    if tube.length_mm is not None:
        parts.append(f"{plain_mm(tube.length_mm)} left")
    return ", ".join(parts)


def table(tubes: list[StockTube]) -> list[str]:
    """Lines of a table of tubes, lengths in mm."""
    rows = [
        (tube.label, _mm(tube.outer_mm), _mm(tube.any_bore_mm), _mm(tube.any_wall_mm), tube.metal or "-",
         "-" if tube.length_mm is None else f"{tube.length_mm:g}", tube.note)
        for tube in tubes
    ]
    return aligned([_HEADINGS, *rows], numbers=(1, 2, 3, 5))


def cut_table(cuts: list[Cut]) -> list[str]:
    """Lines of a table of cuts; none if there are none."""
    if not cuts:
        return []
    rows = [
        (cut.cut_at[:10], cut.label, f"{cut.piece_mm:g}", f"{cut.taken_mm:g}", f"{cut.left_mm:g}", cut.note)
        for cut in cuts
    ]
    return aligned([("date", "label", "piece", "taken", "left", "note"), *rows], numbers=(2, 3, 4))


def aligned(rows: Sequence[tuple[str, ...]], *, numbers: tuple[int, ...] = ()) -> list[str]:
    """Set rows in columns, numbers to the right."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "   ".join(
            cell.rjust(width) if column in numbers else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _mm(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}".removesuffix("0")


def _measured(paths: list[Path]) -> dict[str, Any]:
    """Figures of a tube with their uncertainties from the JSON of photos."""
    from rimsight.cli.inputs import read_results
    from rimsight.fit.numbers import K95, nominal, standard
    from rimsight.fit.rules import load

    results = read_results(paths, load())
    if results.remarks:
        raise ValueError(" ".join(results.remarks))
    if "outer_mm" not in results.tube:
        raise ValueError("no outer diameter of a tube in " + ", ".join(str(path) for path in paths))
    known: dict[str, Any] = {}
    # The bore is what was seen; a wall beside it follows from it.
    names = ("outer", "bore") if "bore_mm" in results.tube else ("outer", "wall")
    for name in names:
        value = results.tube.get(f"{name}_mm")
        if value is not None:
            known[f"{name}_mm"] = nominal(value)
            known[f"{name}_u95_mm"] = K95 * standard(value)
    if "length_mm" in results.tube:
        known["length_mm"] = nominal(results.tube["length_mm"])
    if results.metal:
        known["metal"] = results.metal
    return known
