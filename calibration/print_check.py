"""Records of measured check lines: how large each printed card really came out.

Printers scale one or a few per cent wrong, and differently along and across the paper. The card's sheet carries two
lines of nominally 150 mm; their measured lengths are kept here, by the name of the card.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rimsight.calibration.card import CHECK_LINE_MM, LAYOUTS, layout
from rimsight.calibration.files import home_folder, read_records, write_records

#: Version of the file of records.
FILE_VERSION = 1

#: Half-width of the uniform distribution of an unchecked card's relative scale error. Laser engines are specified to
#: 2 % (Usenet comp.laser-printers, "compensating for distortion", June 1990), up to 3 % was measured, with opposite
#: signs across and down ("Tolerances in the resolution of laser printers", June 1988); 0.5 % between the
#: directions is reported from a present printer (GitHub puzzlepaint/camera_calibration, issue 50).
UNCHECKED_HALF_WIDTH = 0.025

#: Above this relative deviation the page was probably scaled by the print dialogue ("fit to page" makes 94 % to
#: 97 %; common practice, no source).
FIT_TO_PAGE = UNCHECKED_HALF_WIDTH

#: Above this relative deviation the length is no plausible check line: another line, inches, or a slip of the pen.
IMPLAUSIBLE = 0.08

#: Standard uncertainty of a length read with a steel rule with half-millimetre marks (judgement), millimetres.
DEFAULT_U_MM = 0.1

#: Largest standard uncertainty that still makes a check, millimetres: at 2 mm the check says less than no check.
LARGEST_U_MM = 2.0


@dataclass(frozen=True)
class PrintCheck:
    """Measured check lines of one printed card.

    Attributes
    ----------
    name : str
        What the user calls this print.
    side_mm : float
        Nominal side of the card's midline square.
    across_mm, down_mm : float
        Measured lengths of the horizontal and the vertical line of nominally 150 mm.
    u_mm : float
        Standard uncertainty of one measured length.
    date : str
        When it was recorded, ISO 8601 in UTC.
    """

    name: str
    side_mm: float
    across_mm: float
    down_mm: float
    u_mm: float = DEFAULT_U_MM
    date: str = ""

    def __post_init__(self) -> None:
        """Refuse what can be no measured check line."""
        if not self.name.strip() or len(self.name) > 100 or not self.name.isprintable():
            raise ValueError(f"the name of a card must be 1 to 100 printable characters, not {self.name[:100]!r}")
        layout(self.side_mm)
        for line, value in (("across", self.across_mm), ("down", self.down_mm)):
            _refuse_implausible(line, value)
        if not 0 < self.u_mm <= LARGEST_U_MM:
            raise ValueError(
                f"the uncertainty of a measured line must be above 0 and at most {LARGEST_U_MM:g} mm, "
                f"not {self.u_mm:g} mm; a steel rule reads to about {DEFAULT_U_MM:g} mm, calipers to 0.03 mm"
            )

    @property
    def scale_across(self) -> float:
        """Printed by nominal size, across the page."""
        return self.across_mm / CHECK_LINE_MM

    @property
    def scale_down(self) -> float:
        """Printed by nominal size, down the page."""
        return self.down_mm / CHECK_LINE_MM

    @property
    def u_scale(self) -> float:
        """Relative standard uncertainty of either scale."""
        return self.u_mm / CHECK_LINE_MM

    def warnings(self) -> list[str]:
        """Return what the user should know about this print, one sentence each."""
        found = []
        for line, value in (("across", self.across_mm), ("down", self.down_mm)):
            deviation = value / CHECK_LINE_MM - 1
            if abs(deviation) > FIT_TO_PAGE:
                found.append(
                    f"the line {line} is {100 * deviation:+.1f} % off: the page was probably printed with "
                    "'fit to page'; this is corrected for, but a print at actual size (100 %) is better"
                )
        return found


def _refuse_implausible(line: str, value: float) -> None:
    """Raise ValueError unless the value can be the measured length of a check line."""
    if math.isfinite(value) and abs(value / CHECK_LINE_MM - 1) <= IMPLAUSIBLE:
        return
    hint = f"measure the line marked '{CHECK_LINE_MM:.0f} mm {line}' from end to end"
    if math.isfinite(value) and abs(value * 25.4 / CHECK_LINE_MM - 1) <= IMPLAUSIBLE:
        hint = f"if that was read in inches, type {value:g}in"
    elif math.isfinite(value) and abs(value * 10 / CHECK_LINE_MM - 1) <= IMPLAUSIBLE:
        hint = f"if that was read in centimetres, type {value:g}cm"
    else:
        for card in LAYOUTS.values():
            for what, size in (("outer edge", card.outer_mm), ("inner edge", card.inner_mm), ("middle", card.side_mm)):
                if abs(value / size - 1) < FIT_TO_PAGE:
                    hint = f"that looks like the frame's {what}; {hint}"
                    break
    raise ValueError(
        f"the line {line} can't be {value:g} mm: it is drawn {CHECK_LINE_MM:.0f} mm long, and no print is more than "
        f"{100 * IMPLAUSIBLE:.0f} % off; {hint}"
    )


def default_name(side_mm: float) -> str:
    """Return the name of a card that the user did not name."""
    return f"card-{layout(side_mm).side_mm:g}"


def default_path() -> Path:
    """Return the file of records: `cards.json` in the user's folder."""
    return home_folder() / "cards.json"


def load_checks(path: Path) -> dict[str, PrintCheck]:
    """Read all records, by name, the oldest first.

    A file that does not exist holds no records. Members that this version does not know are passed over.

    Raises
    ------
    ValueError
        The file is no file of records, is broken, or was written by a newer version. A record is never passed
        over in silence: without it a card would measure with another scale.
    OSError
        The file can't be read.
    """
    records = read_records(
        path, "cards", FILE_VERSION, what="records of printed cards", again="rimsight card check"
    )
    return {name: _check_of(name, record, path) for name, record in records.items()}


def _check_of(name: str, record: Any, path: Path) -> PrintCheck:
    """Make one record, with an error that names it."""
    try:
        side, across, down, u = (float(record[key]) for key in ("side_mm", "across_mm", "down_mm", "u_mm"))
        return PrintCheck(name, side, across, down, u, date=str(record["date"]))
    except (KeyError, TypeError, ValueError, OverflowError) as failure:
        reason = f"{failure.args[0]} is missing" if isinstance(failure, KeyError) else failure
        raise ValueError(
            f"the record {name!r} in {path} is broken ({reason}); correct it there, or remove it and run "
            f"'rimsight card check --name {name}' again"
        ) from failure


def save_check(path: Path, check: PrintCheck) -> PrintCheck:
    """Add a record to the file, in place of one with the same name; makes the folder if need be.

    Returns
    -------
    PrintCheck
        As stored: with the time, if it had none.

    Raises
    ------
    ValueError
        The file that is there is broken; it is left as it is.
    OSError
        The file can't be written.
    """
    if not check.date:
        check = replace(check, date=datetime.now(UTC).isoformat(timespec="seconds"))
    checks = load_checks(path)
    checks.pop(check.name, None)  # so that the newest stands last, whatever the clock says
    checks[check.name] = check
    cards = {name: {key: value for key, value in asdict(one).items() if key != "name"} for name, one in checks.items()}
    write_records(path, "cards", FILE_VERSION, cards)
    return check


def find_check(side_mm: float, name: str | None = None, path: Path | None = None) -> PrintCheck | None:
    """Find the record for the card in a photo.

    Parameters
    ----------
    side_mm : float
        Size of the card that the photo shows.
    name : str, optional
        The print that was used. Without it the record saved last for that size is taken.
    path : Path, optional
        File of records, default `default_path()`.

    Returns
    -------
    PrintCheck or None
        None: no card of that size has been checked.

    Raises
    ------
    ValueError
        There is no record of that name, or it is of a card of another size, or the file is broken.
    """
    checks = load_checks(default_path() if path is None else path)
    if name is None:
        of_side = [check for check in checks.values() if check.side_mm == side_mm]
        return of_side[-1] if of_side else None
    if name not in checks:
        known = ", ".join(repr(one) for one in checks) or "none yet"
        raise ValueError(f"no printed card named {name!r} is on record; known: {known}")
    if checks[name].side_mm != side_mm:
        raise ValueError(
            f"the card named {name!r} has a side of {checks[name].side_mm:g} mm, "
            f"the card in this photo one of {side_mm:g} mm"
        )
    return checks[name]
