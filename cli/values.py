"""What people type on the command line, read as numbers with a unit.

Calipers, tube suppliers and stone papers write lengths in several ways (6.12, 6,12, 6.12 mm, 0.25in, 1/4"). All of
these are read; everything else is refused with what was typed and what works, because a length that was
misread silently is worse than one that is asked for again.
"""

from __future__ import annotations

import math
import re

MM_PER_INCH = 25.4  #: exact since 1959 (international yard and pound agreement)

_MM_PER_UNIT = {
    "": 1.0,
    "mm": 1.0,
    "cm": 10.0,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    '"': MM_PER_INCH,
    "″": MM_PER_INCH,
    "”": MM_PER_INCH,
    "''": MM_PER_INCH,
}

# ASCII digits only: `float` would take other scripts' digits and underscores, which nobody types on purpose here.
_DECIMAL = r"[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+"
_FRACTION = r"(?:(?P<whole>[0-9]+)[ -])?(?P<top>[0-9]+)\s*/\s*(?P<bottom>[0-9]+)"
_LENGTH = re.compile(rf"(?P<sign>[+-]?)\s*(?:{_FRACTION}|(?P<decimal>{_DECIMAL}))\s*(?P<unit>[a-z\"'″”]*)")
_ANGLE = re.compile(rf"(?P<sign>[+-]?)\s*(?P<decimal>{_DECIMAL})\s*(?:°|deg|degrees?)?")
_CLOCK = re.compile(
    rf"(?:(?P<hour>[0-9]{{1,2}})\s*(?::|h)\s*(?P<minute>[0-9]{{2}})|(?P<decimal>{_DECIMAL}))\s*(?:o'clock|h)?"
)
_GAUGE = re.compile(r"(?P<number>[0-9]{1,3})\s*-?\s*(?:ga|gauge|awg|b&s)")

LENGTH_FORMS = "6.12 or 6,12 or 6.12mm or 0.25in or 1/4in"
LONGEST = 40  #: characters; no length needs more, and Python refuses to read whole numbers of thousands of digits


def length_mm(text: str, name: str, *, allow_zero: bool = False, allow_negative: bool = False) -> float:
    """Read a typed length.

    Parameters
    ----------
    text : str
        What was typed. One decimal mark, point or comma; units mm (also when none is given), cm, in, inch, ".
        Fractions need the inch: 1/4in, 1 1/4in.
    name : str
        What the length is, for the message ("--stone", "the stone's diameter").
    allow_zero, allow_negative : bool
        Lengths are above zero unless said otherwise.

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    ValueError
        If the text is no length, names what was typed and what works.

    Examples
    --------
    >>> length_mm("6,12", "--stone")
    6.12
    >>> length_mm("1/4in", "--od")
    6.35
    """
    match = _LENGTH.fullmatch(_normal(text))
    if match is None or match["unit"] not in _MM_PER_UNIT:
        raise ValueError(f"{name}: {_shown(text)} is not a length; write it like {LENGTH_FORMS}")
    unit = match["unit"]
    if match["top"] is not None:
        if int(match["bottom"]) == 0:
            raise ValueError(f"{name}: {text!r} divides by zero; write the length like {LENGTH_FORMS}")
        if _MM_PER_UNIT[unit] != MM_PER_INCH:
            raise ValueError(
                f"{name}: {text!r} is a fraction, and fractions are taken for inches only; "
                f"write {match['top']}/{match['bottom']}in if inches are meant, or a decimal number of mm"
            )
        number = int(match["whole"] or 0) + int(match["top"]) / int(match["bottom"])
    else:
        number = _decimal(match["decimal"])
    value = number * _MM_PER_UNIT[unit]
    if match["sign"] == "-":
        value = -value
    if value == 0 and not allow_zero:
        raise ValueError(f"{name}: {text!r} is zero; a length above zero is needed, like {LENGTH_FORMS}")
    if value < 0 and not allow_negative:
        raise ValueError(f"{name}: {text!r} is negative; a length above zero is needed, like {LENGTH_FORMS}")
    return value


def wall_mm(text: str, name: str) -> float:
    """Read a typed wall: a length, or an American wire gauge number such as 22ga, 22 gauge, 22awg (0.6438 mm).

    Returns
    -------
    float
        Millimetres.

    Raises
    ------
    ValueError
        If the text is neither, or the gauge is outside 0 to 40.
    """
    match = _GAUGE.fullmatch(_normal(text))
    if match is None:
        try:
            return length_mm(text, name)
        except ValueError as refusal:
            raise ValueError(f"{refusal} (or a wire gauge like 22ga)") from None
    from rimsight.fit.gauge import awg_mm

    try:
        return awg_mm(int(match["number"]))
    except ValueError as refusal:
        raise ValueError(f"{name}: {text!r}: {refusal}") from None


def angle_deg(text: str, name: str, *, minimum: float = 0.0, maximum: float = 360.0) -> float:
    """Read a typed angle in degrees (41, 41.5, 41,5, 41.5°, 41.5 deg) between `minimum` and `maximum`, both allowed.

    Raises
    ------
    ValueError
        If the text is no angle or outside the bounds.
    """
    match = _ANGLE.fullmatch(_normal(text))
    if match is None:
        raise ValueError(f"{name}: {_shown(text)} is not an angle; write degrees like 41, 41.5 or 41,5°")
    value = _decimal(match["decimal"]) * (-1.0 if match["sign"] == "-" else 1.0)
    if not minimum <= value <= maximum:
        raise ValueError(f"{name}: {text!r} is outside {minimum:g} to {maximum:g} degrees")
    return value


def clock(text: str, name: str) -> float:
    """Read a position on the clock face seen from above: 12, 4:30, 10h15, 10.5, 3 o'clock.

    Returns
    -------
    float
        Hours, above 0 up to 12 (0 is read as 12).

    Raises
    ------
    ValueError
        If the text is no position on a clock face of 12 hours.
    """
    match = _CLOCK.fullmatch(_normal(text))
    forms = "write it like 12, 4:30 or 10.5"
    if match is None:
        raise ValueError(f"{name}: {_shown(text)} is not a position on the clock face; {forms}")
    if match["hour"] is not None:
        if int(match["minute"]) >= 60:
            raise ValueError(f"{name}: {text!r} has more than 59 minutes; {forms}")
        hours = int(match["hour"]) + int(match["minute"]) / 60
    else:
        hours = _decimal(match["decimal"])
    if not 0 <= hours < 13 or (hours > 12 and match["hour"] is None):
        raise ValueError(f"{name}: {text!r} is not on a clock face of 12 hours; {forms}")
    return hours - 12 if hours > 12 else hours or 12.0


def clock_text(hours: float) -> str:
    """Write a position on the clock face to the minute: 4.5 -> "4:30"; whole turns are dropped.

    Raises
    ------
    ValueError
        If `hours` is not a finite number.
    """
    if not math.isfinite(hours):
        raise ValueError(f"a clock position must be a finite number of hours, found {hours}")
    minutes = round(hours * 60) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def _normal(text: str) -> str:
    if len(text) > LONGEST:
        return ""  # matches none of the forms
    # A no-break space comes with figures pasted from a web page, a real minus sign with those from a document.
    return text.replace("\u00a0", " ").replace("\u202f", " ").replace("−", "-").strip().lower()


def _shown(text: str) -> str:
    return repr(text if len(text) <= LONGEST else text[: LONGEST - 3] + "...")


def _decimal(text: str) -> float:
    return float(text.replace(",", "."))
