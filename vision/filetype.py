"""What kind of file the bytes are, seen from the bytes alone: names lie, and some damage decodes silently."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

HEIF_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"})
#: Bytes read before the rest, enough for every signature below.
SIGNATURE_BYTES = 64

#: Starts of files that people hand over by mistake: prefix and name for the message.
_OTHERS = (
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"%PDF", "a PDF document"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"\0\0\0\x0cJXL ", "a JPEG XL picture"),
    (b"\0\0\0\x0cjP  ", "a JPEG 2000 picture"),
    (b"FUJIFILMCCD-RAW", "a raw camera file"),
    (b"IIRO", "a raw camera file"),
    (b"IIU\0", "a raw camera file"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"<svg", "an SVG drawing"),
    (b"<?xml", "an XML text"),
    (b"<!DOCTYPE", "a web page"),
    (b"<html", "a web page"),
)

TIFF_ORIENTATION, TIFF_SHORT, TIFF_LONG = 274, 3, 4


def kind_of(head: bytes) -> str | None:
    """Name the picture format: JPEG, PNG, TIFF, WEBP or HEIF; None for everything else."""
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return None if head[8:10] == b"CR" else "TIFF"
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "WEBP"
    if head[4:8] == b"ftyp" and b"avif" not in _brands(head) and head[8:12] in HEIF_BRANDS:
        return "HEIF"
    return None


def describe_other(head: bytes) -> str:
    """Say in words what a file is that `kind_of` does not take; "no picture" where unknown."""
    if head[4:8] == b"ftyp":
        brands = _brands(head)
        if brands & {b"avif", b"avis"}:
            return "an AVIF picture"
        return "a raw camera file" if b"crx " in brands else "a video"
    if head[:4] in (b"II*\0", b"MM\0*"):
        return "a raw camera file"
    for start, name in _OTHERS:
        if head.lower().startswith(start.lower()):
            return name
    return "no picture"


def _brands(head: bytes) -> set[bytes]:
    size = min(int.from_bytes(head[:4], "big"), len(head))
    return {head[8:12]} | {head[at : at + 4] for at in range(16, size - 3, 4)}


def webp_size(head: bytes) -> tuple[int, int] | None:
    """Canvas size from a WebP header (RFC 9649), before the decoder sets memory aside for it."""
    chunk = head[12:16]
    if len(head) < 30:
        return None
    if chunk == b"VP8X":
        return 1 + int.from_bytes(head[24:27], "little"), 1 + int.from_bytes(head[27:30], "little")
    if chunk == b"VP8L":
        bits = int.from_bytes(head[21:25], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if chunk == b"VP8 ":
        width, height = struct.unpack_from("<HH", head, 26)
        return width & 0x3FFF, height & 0x3FFF
    return None


def png_header(head: bytes) -> tuple[int, int, int, int]:
    """Width, height, bits a channel and colour type of a PNG (zeros where the header is cut short)."""
    if len(head) < 26 or head[12:16] != b"IHDR":
        return 0, 0, 0, 0
    width, height, bits, colour = struct.unpack_from(">IIBB", head, 16)
    return width, height, bits, colour


def tiff_upright(data: bytes) -> bytes:
    """Set the orientation entry of a TIFF file's first page to 1.

    Decoders disagree: Pillow turns a TIFF on loading since some version, OpenCV 5 does even when told not to. With
    the entry out of the way nobody turns, and the program does it once.

    Parameters
    ----------
    data : bytes
        The file. Damaged directories are returned as they are.
    """
    order = "<" if data[:1] == b"I" else ">"
    try:
        if data[2 if order == "<" else 3] == 43:  # BigTIFF: 8-byte offsets
            (start,) = struct.unpack_from(order + "Q", data, 8)
            (count,) = struct.unpack_from(order + "Q", data, start)
            first, step, value_at = start + 8, 20, 12
        else:
            (start,) = struct.unpack_from(order + "I", data, 4)
            (count,) = struct.unpack_from(order + "H", data, start)
            first, step, value_at = start + 2, 12, 8
        for entry in range(first, first + step * min(count, 4096), step):
            tag, kind = struct.unpack_from(order + "HH", data, entry)
            if tag == TIFF_ORIENTATION and kind in (TIFF_SHORT, TIFF_LONG):
                form = order + ("H" if kind == TIFF_SHORT else "I")
                at = entry + value_at
                return data[:at] + struct.pack(form, 1) + data[at + struct.calcsize(form) :]
    except struct.error:
        pass  # the decoder will say what is wrong with the file
    return data


def heif_turns(data: bytes) -> tuple[bool, bool]:
    """Whether a HEIF container turns or mirrors its picture (irot, imir), and whether by a quarter turn.

    ISO/IEC 23008-12 6.5.10 and 6.5.12: these properties rule, the EXIF entry only informs.
    """
    at = 0
    while at + 8 <= len(data):
        size, name = struct.unpack_from(">I4s", data, at)
        header = 8
        if size == 1 and at + 16 <= len(data):
            (size,) = struct.unpack_from(">Q", data, at + 8)
            header = 16
        if name == b"meta":
            meta = data[at + header : at + size] if size else data[at + header :]
            angles = [meta[spot + 4] & 3 for spot in _spots(meta, b"irot") if spot + 4 < len(meta)]
            return any(angles) or b"imir" in meta, any(angle & 1 for angle in angles)
        if size < header:
            break
        at += size
    return False, False


def _spots(data: bytes, word: bytes) -> list[int]:
    spots, at = [], data.find(word)
    while at >= 0:
        spots.append(at)
        at = data.find(word, at + 1)
    return spots


def looks_unfinished(codes: NDArray[np.uint8]) -> bool:
    """Whether the foot of a decoded JPEG is the filling of a stream that ended too soon.

    A transfer that broke off and was closed with an end mark decodes without complaint: the rest is one flat grey.
    A drawing may have a flat foot too, but then it is flat elsewhere as well; a photograph's noise is nowhere flat.

    Parameters
    ----------
    codes : ndarray of shape (H, W) or (H, W, 3), uint8
        The picture as stored, not turned.
    """
    height = codes.shape[0]
    # JPEG works in rows of 8 pixels; the last one may be narrower.
    flat_from = height - ((height - 1) % 8 + 1)
    colour = codes[-1, -1]
    if not np.any((colour > 0) & (colour < 255)) or np.any(codes[flat_from:] != colour):
        return False
    while flat_from >= 8 and not np.any(codes[flat_from - 8 : flat_from] != colour):
        flat_from -= 8
    # The row in which the stream broke off is half filled, and colour is smoothed across its border.
    upper = codes[: max(flat_from - 32, 0)]
    rows, columns = upper.shape[0] // 16, upper.shape[1] // 16
    if rows == 0 or columns == 0:
        return True
    blocks = upper[: rows * 16, : columns * 16].reshape(rows, 16, columns, 16, -1)[..., 0]
    flat = np.count_nonzero(blocks.max(axis=(1, 3)) == blocks.min(axis=(1, 3)))
    return bool(flat < 0.01 * rows * columns)
