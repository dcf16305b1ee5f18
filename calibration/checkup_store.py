"""Check-ups on file: what one on a part of known size said, and which camera and card it belongs to."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rimsight.calibration.edge_bias import EdgeBias
from rimsight.calibration.files import home_folder, read_records, write_records
from rimsight.calibration.profile_match import SAME_F35, SAME_FOCAL, CameraFacts

FILE_VERSION = 1
#: Kinds of edges that a part can tell of.
EDGES = ("outer", "bore")
#: Relative difference of a print's scale that is still the same print, typed with the same rule.
SAME_SCALE = 2e-4


@dataclass(frozen=True)
class CheckUp:
    """A check-up with what it belongs to; lengths in millimetres.

    Parameters
    ----------
    name : str
        What the user calls it.
    edge : str
        "outer" or "bore".
    diameter_mm, u95_diameter_mm : float
        The part's figure.
    make, model, lens : str or None
        As the camera writes them.
    focal_mm, f35_mm, digital_zoom : float or None
        Of the photographs.
    card, side_mm, scale_across, scale_down : str, float, float, float
        The printed card with its measured scales.
    photos, placings, held : int
        How many, and how many photos' intervals hold the figure.
    bias_mm, u95_bias_mm, s_r_mm, s_l_mm, s_R_mm, largest_e_n : float
        Mean less figure, its uncertainty (95 %), the spreads, and the largest E_n.
    bias : EdgeBias or None
        What later readings use; None where the default stays.
    obstacle : str
        Why it stays, in words.
    date : str
        When it was made, ISO 8601 in UTC.
    """

    name: str
    edge: str
    diameter_mm: float
    u95_diameter_mm: float
    make: str | None
    model: str | None
    lens: str | None
    focal_mm: float | None
    f35_mm: float | None
    digital_zoom: float | None
    card: str
    side_mm: float
    scale_across: float
    scale_down: float
    photos: int
    placings: int
    held: int
    bias_mm: float
    u95_bias_mm: float
    s_r_mm: float
    s_l_mm: float
    s_R_mm: float
    largest_e_n: float
    bias: EdgeBias | None
    obstacle: str = ""
    date: str = ""

    def __post_init__(self) -> None:
        """Refuse what can be no check-up."""
        if not self.name.strip() or len(self.name) > 100 or not self.name.isprintable():
            raise ValueError(f"the name of a check-up must be 1 to 100 printable characters, not {self.name[:100]!r}")
        if self.edge not in EDGES:
            raise ValueError(f"a check-up tells of the edges {' or '.join(EDGES)}, not {self.edge!r}")
        figures = [value for value in vars(self).values() if isinstance(value, float)]
        figures += [value for value in vars(self.bias).values() if isinstance(value, float)] if self.bias else []
        if not all(math.isfinite(value) for value in figures):
            raise ValueError("the figures of a check-up must be finite")
        if self.bias is not None and not (self.bias.u_px > 0 and self.bias.u_rel_f >= 0):
            raise ValueError("the uncertainties of a check-up must be above zero")

    def obstacle_for(self, facts: CameraFacts, card: str, side_mm: float, scales: tuple[float, float]) -> str:
        """Why it doesn't belong to a photo, in words; empty if it does.

        Parameters
        ----------
        facts : CameraFacts
            What the photo says about its camera.
        card, side_mm, scales : str, float, (float, float)
            The card in it: the print's name, its side, its scale across and down.
        """
        if facts.model is None or self.model is None:
            return "the camera is not named"
        if (_plain(self.make), _plain(self.model)) != (_plain(facts.make), _plain(facts.model)):
            return "another camera"
        if _plain(self.lens) != _plain(facts.lens):
            return "another lens"
        for own, other, same in ((self.focal_mm, facts.focal_mm, SAME_FOCAL), (self.f35_mm, facts.f35_mm, SAME_F35)):
            if (own is None) != (other is None) or (own and other and abs(math.log(other / own)) > same):
                return "another lens or zoom"
        if abs((self.digital_zoom or 1.0) - (facts.digital_zoom or 1.0)) > 0.005:
            return "another digital zoom"
        if side_mm != self.side_mm:
            return "another card"
        own_scales = (self.scale_across, self.scale_down)
        if any(abs(a / b - 1.0) > SAME_SCALE for a, b in zip(own_scales, scales, strict=True)):
            return f"another print of the card ({card!r}, not {self.card!r}), or its check lines were measured again"
        return ""


def _plain(text: str | None) -> str:
    return " ".join((text or "").split()).casefold()


def default_path() -> Path:
    """Return the file of check-ups: `check-ups.json` in the user's folder."""
    return home_folder() / "check-ups.json"


def load_checkups(path: Path) -> dict[str, CheckUp]:
    """Read all check-ups, by name, the oldest first; none if there is no file.

    Raises
    ------
    ValueError
        The file is broken, is no file of check-ups, or was written by a newer version. None is passed over in silence:
        without it the photographs would measure differently.
    OSError
        The file can't be read.
    """
    found = read_records(path, "check_ups", FILE_VERSION, what="check-ups", again="rimsight check-up")
    return {name: _read(name, record, path) for name, record in found.items()}


def _read(name: str, record: Any, path: Path) -> CheckUp:
    try:
        if not isinstance(record, Mapping):
            raise TypeError("it is no object")
        known = {key: record[key] for key in CheckUp.__dataclass_fields__ if key != "name"}
        for member, field in CheckUp.__dataclass_fields__.items():
            kind, _, none = str(field.type).partition(" | ")
            if member not in known or (none and known[member] is None):
                continue
            if kind in ("int", "float"):
                known[member] = (int if kind == "int" else float)(known[member])
            elif kind == "str" and not isinstance(known[member], str):
                raise TypeError(f"{member} is no text")
        if known["bias"] is not None:
            own = known["bias"]
            figures: dict[str, Any] = {
                key: str(own[key]) if key in ("edge", "source") else float(own[key])
                for key in EdgeBias.__dataclass_fields__
            }
            known["bias"] = EdgeBias(**figures)
        return CheckUp(name=name, **known)
    except (KeyError, TypeError, ValueError, OverflowError) as failure:
        reason = f"{failure.args[0]} is missing" if isinstance(failure, KeyError) else failure
        raise ValueError(
            f"the check-up {name!r} in {path} is broken ({reason}); take it out of the file and make it again"
        ) from failure


def save_checkup(path: Path, checkup: CheckUp) -> CheckUp:
    """Add a check-up to the file, in place of one with the same name; returned as stored, with the time.

    Raises
    ------
    ValueError
        The file that is there is broken; it is left as it is.
    OSError
        The file can't be written.
    """
    if not checkup.date:
        checkup = replace(checkup, date=datetime.now(UTC).isoformat(timespec="seconds"))
    known = load_checkups(path)
    known.pop(checkup.name, None)
    known[checkup.name] = checkup
    _write(path, known)
    return checkup


def remove_checkup(path: Path, name: str) -> CheckUp:
    """Take a check-up off the file and return it.

    Raises
    ------
    ValueError
        There is none of that name, or the file is broken.
    """
    known = load_checkups(path)
    if name not in known:
        raise ValueError(f"there is no check-up named {name!r}; known: {', '.join(map(repr, known)) or 'none yet'}")
    removed = known.pop(name)
    _write(path, known)
    return removed


def _write(path: Path, known: Mapping[str, CheckUp]) -> None:
    plain = {name: {k: v for k, v in asdict(one).items() if k != "name"} for name, one in known.items()}
    write_records(path, "check_ups", FILE_VERSION, plain)


def that_fit(
    checkups: Iterable[CheckUp], facts: CameraFacts, card: str, side_mm: float, scales: tuple[float, float]
) -> dict[str, CheckUp]:
    """Choose the newest check-up of each edge that belongs to a photo; see `CheckUp.obstacle_for`."""
    found: dict[str, CheckUp] = {}
    for one in sorted(checkups, key=lambda checkup: checkup.date):
        if not one.obstacle_for(facts, card, side_mm, scales):
            found[one.edge] = one
    return found
