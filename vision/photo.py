"""Load a photograph for measuring: every pixel as the camera stored it, upright, in the sRGB curve, or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.errors import UnreadablePhoto
from rimsight.calibration.pixels import LightImage
from rimsight.vision import filetype
from rimsight.vision.decode import Opened, Raster, UnsupportedPixels, assemble, open_file
from rimsight.vision.exif import ExifFacts, FocalHint, focal_hint, read_exif
from rimsight.vision.icc import colour_of

#: Phones store up to 200 megapixels; more is a mistake or a file made to exhaust the memory.
LARGEST_PIXELS = 220_000_000
#: A picture with a shorter side than this can't show a card and a stone on it.
SMALLEST_SIDE_PX = 200
#: 220 megapixels in 16-bit colour and some room; anything longer is no photo.
LARGEST_FILE_BYTES = 1_500_000_000

#: How the decoders put it when a file ends too soon, and when it is sound but of a kind that they don't read.
_CUT_SHORT = ("truncated", "end of file", "unexpected end", "not enough image data", "full meta")
_NOT_READ = ("unknown pixel mode", "cannot handle", "unknown data organization", "unsupported")

_FORMATS = "a JPEG, HEIC, PNG, TIFF or WebP photo"


@dataclass(frozen=True)
class Photo:
    """A photograph ready to be measured, and what is known about the file.

    Parameters
    ----------
    path : Path
        As given.
    light : LightImage
        The upright picture.
    exif : ExifFacts
        What the camera wrote.
    format : {"JPEG", "MPO", "PNG", "TIFF", "WEBP", "HEIF"}
        By content, not by name.
    sha256 : str
        Of the file's bytes, hexadecimal.
    size_bytes : int
        Length of the file.
    warnings : tuple of str
        What the user should know; empty for an ordinary photo.
    colour : str
        Colour space of the codes, for example "sRGB", "Display P3" or "sRGB (from Adobe RGB (1998))".
    icc_profile : bytes or None
        Profile to embed in a copy of the picture; None where the codes are plain sRGB.
    """

    path: Path
    light: LightImage
    exif: ExifFacts
    format: str
    sha256: str
    size_bytes: int
    warnings: tuple[str, ...] = ()
    colour: str = "sRGB"
    icc_profile: bytes | None = None


def load_photo(path: str | os.PathLike[str]) -> Photo:
    """Read a photograph from a file.

    JPEG (MPO: its first picture), PNG, TIFF, WebP and HEIC; 8 or 16 bits. The orientation is applied once: from
    EXIF, or by the container for HEIC. Colour profiles are honoured (see `rimsight.vision.icc`).

    Parameters
    ----------
    path : str or path-like

    Returns
    -------
    Photo

    Raises
    ------
    FileNotFoundError, IsADirectoryError, PermissionError
        With `filename` set.
    UnreadablePhoto
        The file is empty, no picture, cut short, damaged, of an unread kind, or of an impossible size.
    MemoryError
        A picture within the limits for which this machine has no room.
    """
    path = Path(path)
    data = _read(path)
    kind = filetype.kind_of(data[: filetype.SIGNATURE_BYTES])
    assert kind is not None  # _read let only known kinds pass
    notes: list[str] = []
    # Decoders report small damage by warnings: it belongs to this photo, not on the user's terminal.
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        opened, raster = _decode(data, kind)
    facts, exif_notes = read_exif(raster.exif, xmp=raster.xmp)
    notes.extend(exif_notes)
    if caught and not exif_notes:
        notes.append(f"the decoder complained: {str(caught[0].message).strip()}")

    orientation, quarter = _turn(facts.orientation, raster.upright, data, notes)
    colour, colour_note = colour_of(raster.profile, raster.channels, raster.dtype, gamma=raster.gamma)
    if colour_note:
        notes.append(colour_note)
    height, width = opened.height_px, opened.width_px
    try:
        codes = assemble(raster, height, width, colour, orientation)
    except UnsupportedPixels as failure:
        raise _unsupported(str(failure)) from None
    if kind == "JPEG" and codes.dtype == np.uint8 and filetype.looks_unfinished(_as_stored(codes, orientation)):
        raise _incomplete("JPEG")
    if quarter:
        facts = replace(facts, pixel_width=facts.pixel_height, pixel_height=facts.pixel_width)
    return Photo(
        path=path,
        light=LightImage(codes),
        exif=facts,
        format=opened.format,
        sha256=hashlib.sha256(data).hexdigest(),
        size_bytes=len(data),
        warnings=tuple(notes + raster.notes),
        colour=raster.colour_name or colour.name,
        icc_profile=colour.profile,
    )


def camera_hint(photo: Photo) -> FocalHint:
    """Say what the file tells about the focal length in pixels; see `rimsight.vision.exif.focal_hint`."""
    return focal_hint(photo.exif, photo.light.width_px, photo.light.height_px)


def _read(path: Path) -> bytes:
    if path.is_dir():  # some systems report a folder as "permission denied"
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if path.exists() and not path.is_file():
        raise UnreadablePhoto(
            "a device or pipe, not a file", _FORMATS, "save the photo as a file first", kind="not_a_picture"
        )
    with path.open("rb") as stream:
        size = os.fstat(stream.fileno()).st_size
        head = stream.read(filetype.SIGNATURE_BYTES)
        if not head:
            raise UnreadablePhoto(
                "an empty file (0 bytes)", _FORMATS,
                "copy the photo again; a photo that lives in the cloud must be downloaded first", kind="empty_file",
            )  # fmt: skip
        if filetype.kind_of(head) is None:
            other = filetype.describe_other(head)
            if other == "no picture":
                raise UnreadablePhoto(
                    "a file that is no picture", _FORMATS, "check that this is the right file", kind="not_a_picture"
                )
            raise _unsupported(other)
        if size > LARGEST_FILE_BYTES:
            raise UnreadablePhoto(
                f"a file of {size / 1e9:.1f} GB", f"at most {LARGEST_FILE_BYTES / 1e9:.1f} GB",
                "export the photo as JPEG", kind="too_large",
            )  # fmt: skip
        return head + stream.read()


def _decode(data: bytes, kind: str) -> tuple[Opened, Raster]:
    """Open, judge the size by the header alone, then decode."""
    try:
        opened = open_file(data, kind)
        _check_size(opened.width_px, opened.height_px)
        return opened, opened.decode()
    except (UnreadablePhoto, MemoryError):
        raise
    except UnsupportedPixels as failure:
        raise _unsupported(str(failure)) from None
    except Exception as failure:  # hostile bytes: the decoders raise a dozen types, and all mean the same
        if _says(failure, _CUT_SHORT) or isinstance(failure, EOFError):
            raise _incomplete(kind) from failure
        if _says(failure, _NOT_READ):
            raise _unsupported(f"a {kind} file with pixels of an unusual kind") from failure
        reason = " ".join(str(failure).split())[:160] or type(failure).__name__
        raise UnreadablePhoto(
            f"a damaged {kind} file ({reason})", "a file that can be decoded whole",
            "copy the photo again from the phone or camera, or export it anew as JPEG", kind="damaged_file",
        ) from failure  # fmt: skip


def _says(failure: Exception, words: tuple[str, ...]) -> bool:
    text = str(failure).lower()
    return any(word in text for word in words)


def _check_size(width: int, height: int) -> None:
    if width <= 0 or height <= 0:
        raise UnreadablePhoto(
            f"a picture of {width} x {height} px", "a picture with pixels in it", "take or export the photo again",
            kind="damaged_file",
        )  # fmt: skip
    if width * height > LARGEST_PIXELS:
        raise UnreadablePhoto(
            f"a picture of {width} x {height} px ({width * height / 1e6:.0f} megapixels)",
            f"at most {LARGEST_PIXELS / 1e6:.0f} megapixels",
            "export the photo at a smaller size; 12 to 50 megapixels are plenty",
            kind="too_many_pixels",
        )
    if min(width, height) < SMALLEST_SIDE_PX:
        raise UnreadablePhoto(
            f"a picture of only {width} x {height} px", f"at least {SMALLEST_SIDE_PX} px on the shorter side",
            "use the original photo, not a thumbnail or a preview", kind="too_few_pixels",
        )  # fmt: skip


def _turn(found: int | None, upright: bool, data: bytes, notes: list[str]) -> tuple[int, bool]:
    """Orientation to apply, and whether the picture stands a quarter turn from the size that EXIF states."""
    if found is not None and not 0 <= found <= 8:
        notes.append(f"the orientation entry is {found}, which means nothing; the picture is used as stored")
    asked = found if found is not None and 2 <= found <= 8 else 1
    if not upright:
        return asked, asked >= 5
    turned, quarter = filetype.heif_turns(data)
    if asked != 1 and not turned:
        notes.append(f"EXIF asks for orientation {asked}, the HEIF container for none: the container counts")
    return 1, quarter and asked >= 5


def _as_stored(codes: NDArray[Any], orientation: int) -> NDArray[Any]:
    """View with the foot of the stored picture at the bottom (mirroring does not matter to the check)."""
    if orientation in (3, 4):
        return codes[::-1]
    if orientation in (5, 8):
        return codes.swapaxes(0, 1)
    if orientation in (6, 7):
        return codes.swapaxes(0, 1)[::-1]
    return codes


def _unsupported(what: str) -> UnreadablePhoto:
    return UnreadablePhoto(
        what, _FORMATS, "export the photo as JPEG at full size and quality", kind="unsupported_format"
    )


def _incomplete(kind: str) -> UnreadablePhoto:
    return UnreadablePhoto(
        f"a {kind} file that breaks off before its end", "the whole file",
        "copy or send the photo again; wait until the transfer has finished", kind="incomplete_file",
    )  # fmt: skip
