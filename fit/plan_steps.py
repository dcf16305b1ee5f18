"""The steps of the cut plan in words, each with what goes wrong otherwise. Common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass

from rimsight.fit.numbers import plain_mm

_SAME_MM = 1e-9


@dataclass(frozen=True)
class Figures:
    """What the sentences need, best estimates in mm; names as in `plan.Plan`."""

    diameter_mm: float
    height_mm: float
    outer_mm: float
    bore_mm: float
    closed_back: bool
    clearance_mm: float
    cut_mm: float
    wanted_mm: float
    bur_mm: float | None
    punch_mm: float | None
    seat_mm: float
    metal_mm: float
    table_above_mm: float
    heavy: bool


@dataclass(frozen=True)
class Step:
    """One step.

    Parameters
    ----------
    name : str
        One word or two: "Cut".
    do : str
        What to do.
    otherwise : str
        What goes wrong if it is done otherwise.
    """

    name: str
    do: str
    otherwise: str

    def to_json(self) -> dict[str, str]:
        """Plain members."""
        return dict(vars(self))


def steps(figures: Figures) -> tuple[Step, ...]:
    """Put the work into words, in the order in which it is done."""
    return (_cut(figures), _bur(figures), _seat(figures), _solder(figures), _close(figures))


def _cut(f: Figures) -> Step:
    over = "above the back plate" if f.closed_back else "above the skin"
    if f.cut_mm < f.wanted_mm - _SAME_MM:
        do = (
            f"Use the whole piece of {plain_mm(f.cut_mm)}: {plain_mm(f.wanted_mm)} would be cut, but no more is left. "
            f"The stone is {plain_mm(round(f.height_mm, 2))} high."
        )
    else:
        do = (
            f"Cut {plain_mm(f.cut_mm)}, ends square: the stone's height of {plain_mm(round(f.height_mm, 2))}, "
            f"{plain_mm(f.clearance_mm)} {over}, rounded up to be filed."
        )
    if f.closed_back:
        return Step("Cut", do, "Too short, the culet stands on the plate and chips when the rim is closed.")
    return Step("Cut", do, "Too short, the culet touches the skin and the stone is pushed out or chipped.")


def _bur(f: Figures) -> Step:
    otherwise = "A larger bur leaves the stone loose and the wall thin; a tight seat breaks the girdle."
    if f.bur_mm is None:
        return Step("Bur", "No bur on the list is as small as the stone: cut the seat by hand.", otherwise)
    if f.bur_mm <= f.bore_mm:
        do = f"The bur under the stone, {plain_mm(f.bur_mm)}, would only turn in the bore: cut the seat by hand."
        return Step("Bur", do, otherwise)
    under = round(f.diameter_mm - f.bur_mm, 2)
    do = f"Cut the seat with a setting bur of {plain_mm(f.bur_mm)}"
    if under > 0:
        do += f", {plain_mm(under)} under the stone, and open it evenly until the stone just drops in."
    else:
        do += ", the stone's own size: it must just drop in."
    return Step("Bur", do, otherwise)


def _seat(f: Figures) -> Step:
    return Step(
        "Seat",
        f"Sink it, level, until the girdle's lower edge lies {f.seat_mm:.2f} mm below the end: "
        f"{f.metal_mm:.2f} mm stand above the girdle.",
        "Too shallow, the rim holds nothing; too deep, metal hides the stone; not level, it shows at once.",
    )


def _solder(f: Figures) -> Step:
    where = "Solder the tube to its plate and the piece" if f.closed_back else "Solder the tube to the piece"
    return Step(
        "Solder",
        f"{where}, pickle, rinse and dry, then try the stone: level, and it must not rock.",
        "Flame and pickle spoil many stones; a stone that rocks cracks under pressure.",
    )


def _close(f: Figures) -> Step:
    stands = (
        f"The table stands {f.table_above_mm:.2f} mm above the tube's end"
        if f.table_above_mm > 0
        else f"The table lies {-f.table_above_mm:.2f} mm below the tube's end"
    )
    # What else there is to mind about a punch is among the cautions, once.
    if f.punch_mm is None:
        do = "Turn the rim over with bezel rocker and burnisher, opposite sides in turn. " + stands + "."
    elif f.heavy:
        do = (
            f"The rim is heavy: push it over with a bezel rocker, opposite sides in turn, then finish with a bezel "
            f"punch of {plain_mm(f.punch_mm)}. {stands}."
        )
    else:
        do = (
            f"Close with a bezel punch of {plain_mm(f.punch_mm)}, or with bezel rocker and burnisher, opposite sides "
            f"in turn. {stands}."
        )
    return Step("Close", do, "One side first tilts the stone; a punch that meets the table or the girdle chips it.")
