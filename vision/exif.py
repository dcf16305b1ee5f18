"""What the camera wrote beside the picture, and what it says about the focal length.

EXIF is a claim, not a measurement: phones write garbage, editors forget to update it. Everything here is optional,
a damaged block becomes a warning, and no figure is used before it passed a plausibility check.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from PIL import Image

# Tag numbers: CIPA DC-008 (Exif 2.32), tables 3 to 8.
_TAG_MAKE, _TAG_MODEL, _TAG_ORIENTATION, _TAG_DATE = 0x010F, 0x0110, 0x0112, 0x0132
_IFD_EXIF = 0x8769
_TAG_TAKEN, _TAG_OFFSET_TAKEN = 0x9003, 0x9011
_TAG_FOCAL, _TAG_WIDTH, _TAG_HEIGHT = 0x920A, 0xA002, 0xA003
_TAG_ZOOM, _TAG_F35, _TAG_LENS = 0xA404, 0xA405, 0xA434

#: Diagonal of the 36 mm x 24 mm frame. CIPA DCG-001 compares focal lengths by the diagonal (from memory).
FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
#: Equivalents outside are no value: files in the wild hold 0, 9920, 48388, 65535.
F35_RANGE_MM = (10.0, 300.0)
#: +-7 % taken as two standard uncertainties (common practice, no source): stabilisation crops, lens correction,
#: makers that compare by the width instead of the diagonal.
F35_U_REL = 0.035
#: The tag holds whole millimetres: standard uncertainty of a step, GUM F.2.2.1.
F35_STEP_U_MM = 0.29
#: Chance that a camera left the digital zoom out of the equivalent (a judgement, no source; phones include it).
ZOOM_LEFT_OUT_CHANCE = 0.1
#: Shapes that sensors have (4:3 and 3:2, with a little room); other shapes were cut from one of these.
SENSOR_SHAPES = (1.30, 1.55)
#: Longer than this is a panorama or a strip cut out, not a camera's frame.
LONGEST_FRAME = 2.5
#: An editor that scales rounds each side to a whole pixel, some to an even one.
ROUNDING_PX = 2.0


@dataclass(frozen=True)
class ExifFacts:
    """The EXIF entries that the gauge uses; None where absent or implausible.

    Parameters
    ----------
    make, model, lens : str or None
        Names as written, cleaned of control characters.
    focal_mm : float or None
        Real focal length.
    f35_mm : float or None
        Focal length that gives the same field of view on a 36 x 24 mm frame; only if 10 to 300.
    digital_zoom : float or None
        Digital zoom ratio; None where none was used.
    pixel_width, pixel_height : int or None
        The picture size that EXIF states, turned like the picture (so comparable with the photo's own size).
    orientation : int or None
        The orientation tag as found, applied or not.
    taken : str or None
        ISO 8601 local time of the exposure, with the offset where the camera wrote one.
    """

    make: str | None = None
    model: str | None = None
    lens: str | None = None
    focal_mm: float | None = None
    f35_mm: float | None = None
    digital_zoom: float | None = None
    pixel_width: int | None = None
    pixel_height: int | None = None
    orientation: int | None = None
    taken: str | None = None


@dataclass(frozen=True)
class FocalHint:
    """What the EXIF block says about the focal length in pixels.

    Parameters
    ----------
    f_px : float or None
        Focal length in pixels of the picture as loaded; None where the file doesn't tell.
    u_rel : float or None
        Relative standard uncertainty of `f_px`.
    source : str
        Where the value comes from, or why there is none, in words.
    cropped : bool
        The picture is not the whole frame, so its centre is not the camera's axis either.
    """

    f_px: float | None
    u_rel: float | None
    source: str
    cropped: bool


def read_exif(block: bytes | None, *, xmp: bytes | None = None) -> tuple[ExifFacts, tuple[str, ...]]:
    """Read the facts from an EXIF block.

    Parameters
    ----------
    block : bytes or None
        The block with or without its ``Exif\\0\\0`` mark, or a whole TIFF file.
    xmp : bytes, optional
        XMP packet; its ``tiff:Orientation`` counts where EXIF has none, as Pillow's `exif_transpose` has it.

    Returns
    -------
    facts : ExifFacts
        With the size as stated, not turned yet.
    notes : tuple of str
        What was wrong with the block; empty for a sound or absent one.
    """
    main: Mapping[int, Any] = {}
    detail: Mapping[int, Any] = {}
    notes: list[str] = []
    if block:
        # Pillow reports damage by warnings; they belong to this photo, not on the user's terminal.
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                exif = Image.Exif()
                exif.load(block)
                main = dict(exif)
                detail = dict(exif.get_ifd(_IFD_EXIF))
            except Exception as failure:  # any byte may be wrong, and Pillow raises a dozen types for it
                notes.append(f"EXIF data is damaged and was read in part ({_reason(failure)})")
        if caught and not notes:
            notes.append(f"EXIF data is damaged and was read in part ({str(caught[0].message).strip()})")
    orientation = _whole(main.get(_TAG_ORIENTATION))
    if orientation is None and xmp:
        match = re.search(rb'tiff:Orientation(?:="|>)([0-9])', xmp)
        orientation = int(match[1]) if match else None
    f35 = _number(detail.get(_TAG_F35))
    if f35 is not None and not F35_RANGE_MM[0] <= f35 <= F35_RANGE_MM[1]:
        f35 = None
    zoom = _number(detail.get(_TAG_ZOOM))
    focal = _number(detail.get(_TAG_FOCAL))
    facts = ExifFacts(
        make=_text(main.get(_TAG_MAKE)),
        model=_text(main.get(_TAG_MODEL)),
        lens=_text(detail.get(_TAG_LENS)),
        focal_mm=focal if focal is not None and 0.0 < focal < 10_000.0 else None,
        f35_mm=f35,
        # 0 means "not used", 1 means "no enlargement"; below 1 is no zoom at all.
        digital_zoom=zoom if zoom is not None and 1.0 < zoom < 1000.0 else None,
        pixel_width=_size(detail.get(_TAG_WIDTH)),
        pixel_height=_size(detail.get(_TAG_HEIGHT)),
        orientation=orientation,
        taken=_time(detail.get(_TAG_TAKEN) or main.get(_TAG_DATE), detail.get(_TAG_OFFSET_TAKEN)),
    )
    return facts, tuple(notes)


def focal_hint(exif: ExifFacts, width_px: int, height_px: int) -> FocalHint:
    """Work out the focal length in pixels from the 35 mm equivalent.

    ``f_px = f35 * hypot(width, height) / 43.2666`` (CIPA DCG-001 compares by the diagonal; from memory).

    Parameters
    ----------
    exif : ExifFacts
        Facts with the stated size turned like the picture.
    width_px, height_px : int
        Size of the picture as loaded.

    Returns
    -------
    FocalHint
        Without a focal length where the file has no usable equivalent or the picture was cropped.

    Notes
    -----
    A picture scaled down as a whole keeps its field of view, so the equivalent stays valid. A crop to the very
    shape of the original can't be told from that; the source text says so.
    """
    long, short = max(width_px, height_px), min(width_px, height_px)
    shape = long / short
    stated = (exif.pixel_width, exif.pixel_height)
    remark = ""
    if stated[0] is None or stated[1] is None:
        remark = "; the file doesn't state its original size, so a crop would go unnoticed"
    elif stated != (width_px, height_px) and (stated[1], stated[0]) != (width_px, height_px):
        # Swapped sides of the same length are a picture turned by an editor that left the entry alone.
        if _cropped(width_px, height_px, stated[0], stated[1]):
            text = f"cropped: {width_px} x {height_px} px left of the {stated[0]} x {stated[1]} px that EXIF states"
            return FocalHint(None, None, text, True)
        remark = (
            f"; scaled from {stated[0]} x {stated[1]} px (a crop to the same shape would look alike)"
        )
    if shape > LONGEST_FRAME:
        return FocalHint(None, None, f"a strip of {width_px} x {height_px} px is no whole camera frame", True)
    if exif.f35_mm is None:
        return FocalHint(None, None, "EXIF holds no usable 35 mm equivalent", False)
    parts = [F35_U_REL, F35_STEP_U_MM / exif.f35_mm, _shape_u_rel(shape)]
    if parts[2]:
        remark += f"; {shape:.2f}:1 is no sensor's shape, so the equivalent may be that of the larger frame"
    if exif.digital_zoom is not None:
        parts.append(math.sqrt(ZOOM_LEFT_OUT_CHANCE) * math.log(exif.digital_zoom))
        remark += f"; digital zoom {exif.digital_zoom:g} x is taken as included in the equivalent"
    f_px = exif.f35_mm * math.hypot(width_px, height_px) / FILM_DIAGONAL_MM
    source = f"EXIF 35 mm equivalent {exif.f35_mm:g} mm{remark}"
    return FocalHint(f_px, math.hypot(*parts), source, False)


def _cropped(width: int, height: int, stated_width: int, stated_height: int) -> bool:
    """Whether no single scale leads from the stated size to the picture's, rounding allowed."""
    scale = math.hypot(width, height) / math.hypot(stated_width, stated_height)
    return max(abs(width - scale * stated_width), abs(height - scale * stated_height)) > ROUNDING_PX


def _shape_u_rel(shape: float) -> float:
    """Uncertainty because a frame of another shape than the sensor may carry the sensor's own equivalent.

    A 16:9 picture is cut from a 4:3 sensor of the same width, a square one from a sensor of the same height.
    Whether the maker adapted the equivalent is unknown: the true value lies between both, uniformly.
    """
    low, high = SENSOR_SHAPES
    if shape > high:
        ratio = math.hypot(1.0, 3.0 / 4.0) / math.hypot(1.0, 1.0 / shape)
    elif shape < low:
        ratio = math.hypot(4.0 / 3.0, 1.0) / math.hypot(shape, 1.0)
    else:
        return 0.0
    return (ratio - 1.0) / math.sqrt(3.0)


def _reason(failure: Exception) -> str:
    return str(failure).strip().splitlines()[0][:120] if str(failure).strip() else type(failure).__name__


def _number(value: Any) -> float | None:
    if isinstance(value, tuple):
        value = value[0] if len(value) == 1 else None
    if isinstance(value, str | bytes | bool) or value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _whole(value: Any) -> int | None:
    number = _number(value)
    return int(number) if number is not None and number == int(number) else None


def _size(value: Any) -> int | None:
    number = _whole(value)
    return number if number is not None and 0 < number < 1_000_000 else None


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    text = "".join(letter for letter in value.split("\0")[0] if letter.isprintable()).strip()
    return text[:100] or None


def _time(value: Any, offset: Any) -> str | None:
    text = _text(value)
    match = re.fullmatch(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d).*", text or "")
    if match is None:
        return None
    year, month, day, hour, minute, second = (int(part) for part in match.groups())
    # 0000:00:00 is what a camera with an unset clock writes; 60 is a leap second.
    if not (year > 1900 and 1 <= month <= 12 and 1 <= day <= 31 and hour < 24 and minute < 60 and second <= 60):
        return None
    zone = re.fullmatch(r"[+-]\d\d:\d\d", _text(offset) or "")
    stamp = f"{year:04d}-{month:02d}-{day:02d}T{hour:02d}:{minute:02d}:{second:02d}"
    return stamp + (zone[0] if zone else "")
