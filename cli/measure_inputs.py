"""What was typed beside a photo, read and checked before the photo is opened.

The inputs are a plain dictionary: the measuring commands fill it from their options, the archive keeps it with the
record and hands it back to measure the photo again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.calibration.height import Height
    from rimsight.calibration.print_check import PrintCheck

KINDS = ("stone", "tube", "rim", "side", "parcel")

#: What a stone may be called; "auto" finds out, "round" is the default.
SHAPES = ("auto", "round", "oval", "pear", "marquise", "cushion", "square", "rectangle", "triangle")

#: Inputs that each kind knows beside the shared ones.
OWN = {
    "stone": ("height", "shape"),
    "tube": ("length",),
    "rim": ("length", "bore", "wall", "height", "metal", "rules", "shape"),
    "side": ("of", "in_front"),
    "parcel": ("of", "length", "metal", "group"),
}
SHARED = ("card", "check_lines", "card_check", "camera", "square_side", "camera_distance", "card_height", "pick")
#: Stones that differ by no more belong to one size group, millimetres (common practice, no source).
USUAL_GROUP_MM = 0.05
#: What `of` may be.
OF = {"side": ("stone", "tube"), "parcel": ("stones", "tubes")}
#: Inputs that exclude each other.
EITHER = (("bore", "wall"), ("card", "check_lines"), ("card", "square_side"), ("check_lines", "square_side"))


@dataclass(frozen=True)
class Inputs:
    """Typed inputs of one measurement, in millimetres.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    height_mm : float or None
        Height of the girdle: above the table (stone) or above the tube's end (rim).
    length_mm : float or None
        Length of the tube.
    bore_mm, wall_mm : float or None
        Of the tube.
    metal : str or None
        Metal of the tube, for the house rules; of the tubes that a parcel's stones may take.
    rules : Path or None
        File of house rules in place of the user's own.
    card : str or None
        Name of the printed card that was used.
    check : PrintCheck or mapping of side to PrintCheck or None
        Measured check lines that hold for this photo, whatever is on record.
    camera : str or None
        Name of the camera profile to apply.
    square_side_mm : float or None
        Side of a plain black square.
    camera_distance_mm : float or None
        Distance from the lens to the card.
    card_height_mm : float
        How high above the table the card lies.
    pick : int or None
        Which of several subjects.
    of : str or None
        What is seen from the side: "stone" or "tube", None to find out; what a parcel holds: "stones" or "tubes".
    in_front_mm : float or None
        Height above the card of the axis of a stone that is seen from the side.
    shape : str or None
        What a stone that isn't round is, "auto" to find out; None for a round one.
    group_mm : float or None
        Largest difference within a size group of a parcel.
    """

    kind: str
    height_mm: float | None = None
    length_mm: float | None = None
    bore_mm: float | None = None
    wall_mm: float | None = None
    metal: str | None = None
    rules: Path | None = None
    card: str | None = None
    check: PrintCheck | dict[float, PrintCheck] | None = None
    camera: str | None = None
    square_side_mm: float | None = None
    camera_distance_mm: float | None = None
    card_height_mm: float = 0.0
    pick: int | None = None
    of: str | None = None
    in_front_mm: float | None = None
    shape: str | None = None
    group_mm: float | None = None

    def typed_height(self, value_mm: float | None, what: str) -> Height | None:
        """A typed height with its uncertainty, None if it was not typed."""
        if value_mm is None:
            return None
        from rimsight.calibration.height import TYPED_HEIGHT_U_MM, Height

        return Height(value_mm, TYPED_HEIGHT_U_MM, f"typed {what}")


def read_inputs(kind: str, given: Mapping[str, Any]) -> Inputs:
    """Read and check the inputs of a measurement.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    given : mapping
        By the options' names with underscores: lengths as typed ("6,12", "0.25in") or as numbers of millimetres.

    Returns
    -------
    Inputs

    Raises
    ------
    ValueError
        The kind or an input is not known, or is no length; inputs contradict each other.
    """
    if kind not in KINDS:
        raise ValueError(f"{kind!r} can't be measured; a photo shows one of {', '.join(KINDS)}")
    given = {name: value for name, value in given.items() if value is not None and value != ""}
    for name in given:
        if name not in OWN[kind] + SHARED:
            raise ValueError(
                f"{name!r} is no input of '{kind}'; there are {', '.join((*OWN[kind], *SHARED[:2], *SHARED[3:]))}"
            )
    if kind == "parcel":
        given = {"of": OF[kind][0], "group": USUAL_GROUP_MM, **given}
        if "pick" in given:
            raise ValueError("--pick: a parcel's things are all measured, none is picked")
    of = _of(kind, given)
    if of == "stones" and "length" in given:
        raise ValueError("--length is the tubes' length: add --of tubes")
    for one, other in EITHER:
        if one in given and other in given:
            raise ValueError(f"give --{_option(one)} or --{_option(other)}, not both")
    rules = given.get("rules")
    return Inputs(
        kind=kind,
        height_mm=_length(given, "height", allow_zero=kind == "rim"),
        length_mm=_length(given, "length"),
        bore_mm=_length(given, "bore"),
        wall_mm=_wall(given),
        metal=str(given["metal"]) if "metal" in given else None,
        rules=None if rules is None else Path(str(rules)),
        card=str(given["card"]) if "card" in given else None,
        check=_check(given),
        camera=str(given["camera"]) if "camera" in given else None,
        square_side_mm=_length(given, "square_side"),
        camera_distance_mm=_length(given, "camera_distance"),
        card_height_mm=_length(given, "card_height", allow_zero=True) or 0.0,
        pick=_pick(given),
        of=of,
        in_front_mm=_length(given, "in_front"),
        shape=_shape(given),
        group_mm=_length(given, "group"),
    )


def check_lines(text: str) -> tuple[float, float]:
    """Read the two measured check lines, across and down: "150.3,149.6", "150,3 149,6" or "150,3;149,6".

    Raises
    ------
    ValueError
        They are not two lengths.
    """
    from rimsight.cli.values import length_mm

    plain = text.strip()
    parts = [part for part in plain.replace(";", " ").replace("/", " ").split() if part != ","]
    if len(parts) == 1:
        parts = plain.split(",")
        if len(parts) == 4:  # decimal commas and a comma between: 150,3,149,6
            parts = [",".join(parts[:2]), ",".join(parts[2:])]
    parts = [part.strip().strip(",") if len(parts) == 2 else part for part in parts]
    if len(parts) != 2:
        raise ValueError(
            f"--check-lines: {text!r} are not two lengths; write the line across and the line down like 150.3,149.6 "
            "(with decimal commas: '150,3 149,6')"
        )
    return length_mm(parts[0], "--check-lines, across"), length_mm(parts[1], "--check-lines, down")


def _option(name: str) -> str:
    return name.replace("_", "-")


def _length(given: Mapping[str, Any], name: str, *, allow_zero: bool = False) -> float | None:
    if name not in given:
        return None
    from rimsight.cli.values import length_mm

    return length_mm(_text(given[name]), f"--{_option(name)}", allow_zero=allow_zero)


def _wall(given: Mapping[str, Any]) -> float | None:
    if "wall" not in given:
        return None
    from rimsight.cli.values import wall_mm

    return wall_mm(_text(given["wall"]), "--wall")


def _text(value: Any) -> str:
    return f"{value:.10g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)


def _pick(given: Mapping[str, Any]) -> int | None:
    if "pick" not in given:
        return None
    text = _text(given["pick"]).strip()
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:4]) <= 999):
        raise ValueError(f"--pick: {text[:20]!r} is no number of a subject; write it like 2")
    return int(text)


def _of(kind: str, given: Mapping[str, Any]) -> str | None:
    if "of" not in given:
        return None
    text = str(given["of"]).strip().lower()
    if text not in OF[kind]:
        raise ValueError(f"--of: {text[:20]!r} is neither {' nor '.join(OF[kind])}")
    return text


def _shape(given: Mapping[str, Any]) -> str | None:
    """The shape as typed; None for a round stone, which is read in its own way."""
    if "shape" not in given:
        return None
    text = str(given["shape"]).strip().lower()
    if text not in SHAPES:
        raise ValueError(f"--shape: {text[:20]!r} is no shape that is known; there are {', '.join(SHAPES)}")
    if text == "round":
        return None
    if "square_side" in given:
        raise ValueError("a stone that isn't round needs the printed card: give --shape or --square-side, not both")
    return text


def _check(given: Mapping[str, Any]) -> PrintCheck | dict[float, PrintCheck] | None:
    """The print check that the inputs themselves carry."""
    from rimsight.calibration.card import LAYOUTS
    from rimsight.calibration.print_check import PrintCheck

    if "check_lines" in given:
        across, down = check_lines(str(given["check_lines"]))
        return {side: PrintCheck("typed lines", side, across, down) for side in LAYOUTS}
    kept = given.get("card_check")
    if kept is None:
        return None
    try:
        side, across, down, u = (float(kept[key]) for key in ("side_mm", "across_mm", "down_mm", "u_mm"))
        name, date = str(kept["name"]), str(kept.get("date", ""))
    except (KeyError, TypeError, ValueError, AttributeError):
        raise ValueError("card_check must hold name, side_mm, across_mm, down_mm and u_mm") from None
    return PrintCheck(name, side, across, down, u, date=date)
