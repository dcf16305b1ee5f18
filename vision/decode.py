"""Bytes of a picture file to codes R, G, B or grey: each format's traps, one per function.

The decoders are opened one by one instead of through `Image.open`: its limit of 179 megapixels lies below the
largest phone photos, and lifting it would change a setting of the whole process.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin

from rimsight.vision import filetype
from rimsight.vision.icc import Codes, Colour

#: Pixels a strip. Strips instead of whole copies keep the memory at Pillow's picture plus the result. Their 4-byte
#: form (98 kB) stays in the processor's cache and under the size from which the C library asks the system for
#: fresh pages each time: in a process that loads one photo, taller strips take twice as long.
STRIP_PIXELS = 24_576
#: Rows gathered before a quarter turn, which writes them as columns: shorter pieces thrash the address cache.
TURN_ROWS = 128

_TIFF_BITS, _TIFF_PHOTOMETRIC, _TIFF_KIND, _DNG_VERSION = 258, 262, 254, 50706
_GREY_MODES = frozenset({"1", "L", "LA", "La", "I", "I;16", "I;16B", "I;16L", "I;16N"})
_COLOUR_MODES = frozenset({"P", "PA", "RGB", "RGBA", "RGBa", "RGBX", "YCbCr"})
#: nclx transfer characteristics (ITU-T H.273) that are no camera curve but a display's high-dynamic-range one.
_HDR_CURVES = {16: "PQ", 18: "HLG"}
_P3_PRIMARIES, _SRGB_CURVE = 12, 13


class UnsupportedPixels(Exception):
    """The file is sound but holds something that is not read; the message says what."""


@dataclass
class Raster:
    """A decoded picture as the file stores it, before colour conversion and turning.

    Parameters
    ----------
    strips : callable
        Makes the strips from top to bottom: (h, w), (h, w, 3) or CMYK (h, w, 4), alpha already laid on white.
    channels : {1, 3, 4}
    dtype : numpy dtype
        uint8 or uint16.
    whole : ndarray, optional
        The finished array where the decoder delivered one; saves the copying.
    exif, xmp, profile : bytes or None
        Blocks found in the file.
    gamma : float or None
        PNG's gAMA, unless an sRGB mark overrides it.
    upright : bool
        The decoder has turned the picture already (HEIF does by itself).
    colour_name : str
        Colour space stated by number instead of by a profile.
    notes : list of str
        What the user should know; may grow while strips are made.
    """

    strips: Callable[[], Iterator[Codes]]
    channels: int
    dtype: Any
    whole: Codes | None = None
    exif: bytes | None = None
    xmp: bytes | None = None
    profile: bytes | None = None
    gamma: float | None = None
    upright: bool = False
    colour_name: str = ""
    notes: list[str] = field(default_factory=list)


@dataclass
class Opened:
    """A file whose header was read: its format and size are known, nothing is decoded yet."""

    format: str
    width_px: int
    height_px: int
    decode: Callable[[], Raster]


def open_file(data: bytes, kind: str) -> Opened:
    """Read the header of a picture file.

    Parameters
    ----------
    data : bytes
        The whole file.
    kind : {"JPEG", "PNG", "TIFF", "WEBP", "HEIF"}

    Raises
    ------
    UnsupportedPixels
        For a sound file with contents that are not read.
    Exception
        Whatever the decoder raises on a damaged file.
    """
    if kind == "HEIF":
        return _open_heif(data)
    if kind == "WEBP" and (size := filetype.webp_size(data[: filetype.SIGNATURE_BYTES])):
        # The decoder sets memory aside on opening, so it must not be opened before the size was judged.
        return Opened("WEBP", *size, lambda: _from_pillow(WebPImagePlugin.WebPImageFile(io.BytesIO(data)), data))
    if kind == "PNG":
        width, height, _, _ = filetype.png_header(data)
        if width == 0 or height == 0:
            return Opened("PNG", width, height, lambda: _from_pillow(_open_pillow(data, "PNG"), data))
    upright = filetype.tiff_upright(data) if kind == "TIFF" else data
    image = _open_pillow(upright, kind)
    name = "MPO" if kind == "JPEG" and "mp" in image.info else kind
    # A TIFF file is its own EXIF block; the orientation is read from the untouched bytes.
    exif = data if kind == "TIFF" else None
    return Opened(name, image.width, image.height, lambda: _from_pillow(image, upright, exif))


def _open_pillow(data: bytes, kind: str) -> Image.Image:
    stream = io.BytesIO(data)
    if kind == "JPEG":
        # An MPO file is a JPEG followed by others; opened as JPEG it is its first frame, the photo itself.
        return JpegImagePlugin.JpegImageFile(stream)
    if kind == "PNG":
        return PngImagePlugin.PngImageFile(stream)
    if kind == "WEBP":
        return WebPImagePlugin.WebPImageFile(stream)
    tiff = TiffImagePlugin.TiffImageFile(stream)
    # Raw files are TIFF files whose first page is a small preview: measuring that would be a trap.
    if _DNG_VERSION in tiff.tag_v2:
        raise UnsupportedPixels("a raw camera file (DNG)")
    if tiff.tag_v2.get(_TIFF_KIND, 0) & 1:
        raise UnsupportedPixels("a file whose first page is only a preview (raw camera files are like that)")
    return tiff


def _from_pillow(image: Image.Image, data: bytes, exif: bytes | None = None) -> Raster:
    if image.mode not in _GREY_MODES | _COLOUR_MODES | {"CMYK"}:
        raise UnsupportedPixels(f"a picture with {image.mode} pixels")
    notes = []
    if getattr(image, "n_frames", 1) > 1 and "mp" not in image.info:
        notes.append(f"the file holds {getattr(image, 'n_frames', 1)} pictures; the first one is used")
    image.load()  # the whole stream is checked here, also where OpenCV delivers the codes below
    info = image.info
    grey = image.mode in _GREY_MODES
    raster = Raster(
        strips=lambda: (_plain(strip, notes) for strip in _image_strips(image)),
        channels=4 if image.mode == "CMYK" else 1 if grey else 3,
        dtype=np.uint16 if image.mode.startswith("I") else np.uint8,
        exif=exif or info.get("exif") or _text_exif(info),
        xmp=_xmp(info),
        profile=info.get("icc_profile"),
        gamma=None if "srgb" in info else info.get("gamma"),
        notes=notes,
    )
    if raster.dtype == np.uint16:
        raster.strips = lambda: (_grey16(np.asarray(strip), image) for strip in _image_strips(image))
    elif _has_16_bit_colour(image, data):
        width, height = image.size
        # Assigning drops Pillow's 8-bit picture before OpenCV makes the 16-bit one.
        image.close()
        raster.dtype = np.uint16
        deep = _decode_16_bit(data, (height, width))
        raster.strips = lambda: (_lay_on_white(strip, notes) for strip in _array_strips(deep))
        raster.whole = deep if deep.shape[2] == 3 else None
    return raster


def _image_strips(image: Image.Image) -> Iterator[Image.Image]:
    rows = max(STRIP_PIXELS // image.width, 2)
    for top in range(0, image.height, rows):
        yield image.crop((0, top, image.width, min(top + rows, image.height)))


def _array_strips(array: Codes) -> Iterator[Codes]:
    rows = max(STRIP_PIXELS // array.shape[1], 2)
    for top in range(0, array.shape[0], rows):
        yield array[top : top + rows]


def _plain(strip: Image.Image, notes: list[str]) -> Codes:
    """Codes of a strip in any 8-bit mode, grey, R G B or C M Y K."""
    mode = strip.mode
    if "transparency" in strip.info and mode in ("1", "L", "P", "RGB"):
        strip = strip.convert("LA" if mode in ("1", "L") else "RGBA")
    elif mode in ("La", "RGBa", "PA"):
        strip = strip.convert("LA" if mode == "La" else "RGBA")
    elif mode == "1":
        strip = strip.convert("L")
    elif mode in ("P", "RGBX", "YCbCr"):
        strip = strip.convert("RGB")
    if strip.mode == "RGB":
        # Pillow keeps 4 bytes a pixel: handing them out as they lie and dropping the fourth by OpenCV takes half
        # the time of Pillow's own packing.
        four = np.frombuffer(strip.tobytes("raw", "RGBX"), np.uint8).reshape(strip.height, strip.width, 4)
        return np.asarray(cv2.cvtColor(four, cv2.COLOR_RGBA2RGB), dtype=np.uint8)
    codes: NDArray[np.uint8] = np.asarray(strip)
    return _lay_on_white(codes, notes) if strip.mode in ("LA", "RGBA") else codes


def _lay_on_white(strip: Codes, notes: list[str], *, premultiplied: bool = False) -> Codes:
    """Drop the last channel of (h, w, 2) or (h, w, 4) after laying the picture on white."""
    if strip.ndim == 2 or strip.shape[2] == 3:
        return strip
    colour, alpha = strip[..., :-1], strip[..., -1:]
    full = np.iinfo(strip.dtype).max
    if np.any(alpha != full):
        note = "the picture has transparent parts; they were laid on white"
        if note not in notes:
            notes.append(note)
        wide = colour.astype(np.uint64) * (full if premultiplied else alpha)
        wide += full * (full - alpha.astype(np.uint64)) + full // 2
        colour = np.minimum(wide // full, full).astype(strip.dtype)
    return colour[..., 0] if colour.shape[2] == 1 else colour


def _grey16(strip: NDArray[Any], image: Image.Image) -> Codes:
    """16-bit grey in the machine's byte order, 12-bit scans stretched, white-is-zero files put right."""
    if strip.min() < 0 or strip.max() > 65535:
        raise UnsupportedPixels("a picture with 32-bit or signed pixels")
    codes: NDArray[np.uint16] = strip.astype(np.uint16)
    tags = getattr(image, "tag_v2", {})
    if tags.get(_TIFF_BITS) in ((12,), 12):
        codes = np.bitwise_or(codes << 4, codes >> 8, dtype=np.uint16)
    if tags.get(_TIFF_PHOTOMETRIC) == 0:
        codes = np.subtract(65535, codes, dtype=np.uint16)
    return codes


def _has_16_bit_colour(image: Image.Image, data: bytes) -> bool:
    if isinstance(image, PngImagePlugin.PngImageFile):
        _, _, bits, colour = filetype.png_header(data)
        return bits == 16 and colour in (2, 4, 6)
    if isinstance(image, TiffImagePlugin.TiffImageFile):
        bits = image.tag_v2.get(_TIFF_BITS, ())
        return image.mode in ("RGB", "RGBA", "RGBa", "RGBX") and set(bits) == {16}
    return False


def _decode_16_bit(data: bytes, shape: tuple[int, int]) -> NDArray[np.uint16]:
    """Decode with OpenCV, as Pillow cuts 16-bit colour to 8; (H, W, 3) R G B or (H, W, 4) R G B A."""
    flags = cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
    codes = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if codes is None or codes.ndim != 3 or codes.dtype != np.uint16 or codes.shape[:2] != shape:
        raise UnsupportedPixels("a 16-bit picture in an unusual layout")
    for strip in _array_strips(codes):  # OpenCV's order is B, G, R; swapped in place to save a copy
        strip[..., :3] = strip[..., 2::-1].copy()
    return np.asarray(codes)


def _text_exif(info: dict[Any, Any]) -> bytes | None:
    """EXIF that older programs hide in a PNG text entry: three lines of heading, then hexadecimal digits."""
    text = info.get("Raw profile type exif")
    try:
        return bytes.fromhex("".join(text.split("\n")[3:])) if isinstance(text, str) else None
    except ValueError:
        return b"damaged"


def _xmp(info: dict[Any, Any]) -> bytes | None:
    packet = info.get("xmp") or info.get("XML:com.adobe.xmp")
    return packet.encode("utf-8", "replace") if isinstance(packet, str) else packet


def _open_heif(data: bytes) -> Opened:
    # Imported here: it loads a video decoder, which the other formats need not wait for.
    import pillow_heif

    # The standalone reader, not the Pillow plugin: the plugin rewrites the orientation entry and cuts to 8 bits.
    file = pillow_heif.open_heif(data, convert_hdr_to_8bit=False)
    picture = file[file.primary_index]
    width, height = picture.size

    def decode() -> Raster:
        info = picture.info
        numbers = info.get("nclx_profile") or {}
        profile = info.get("icc_profile") or None
        curve = numbers.get("transfer_characteristics")
        if profile is None and curve in _HDR_CURVES:
            raise UnsupportedPixels(f"a high-dynamic-range picture ({_HDR_CURVES[curve]} curve)")
        notes = [f"the file holds {len(file)} pictures; the main one is used"] if len(file) > 1 else []
        codes: Codes = np.asarray(picture)
        if codes.shape[:2] != (height, width):
            raise UnsupportedPixels("a HEIF picture of another size than stated")
        bits = int(info.get("bit_depth") or 8)
        if codes.dtype == np.uint16 and 8 < bits < 16:
            codes = np.bitwise_or(codes, codes >> bits, dtype=np.uint16)  # full scale: 1023 came as 65472
        grey = codes.ndim == 2 or codes.shape[2] == 2
        soft = bool(picture.premultiplied_alpha)
        p3 = profile is None and numbers.get("color_primaries") == _P3_PRIMARIES and curve == _SRGB_CURVE
        if not any(data[-4096:]):
            notes.append("the file ends in zeros: the copy may have broken off")
        return Raster(
            strips=lambda: (_lay_on_white(s, notes, premultiplied=soft) for s in _array_strips(codes)),
            channels=1 if grey else 3,
            dtype=codes.dtype,
            whole=codes if codes.ndim == 2 or codes.shape[2] == 3 else None,
            exif=info.get("exif"),
            profile=profile,
            upright=True,
            colour_name="Display P3" if p3 else "",
            notes=notes,
        )

    return Opened("HEIF", width, height, decode)


#: Quarter turn (0 none, 1 clockwise, 3 anticlockwise, 2 half) after mirroring left-right, by EXIF orientation
#: (CIPA DC-008 4.6.4.A): stored picture to upright picture.
_MIRROR_THEN_TURN = {1: (False, 0), 2: (True, 0), 3: (False, 2), 4: (True, 2), 5: (True, 3), 6: (False, 1),
                     7: (True, 1), 8: (False, 3)}  # fmt: skip


def assemble(raster: Raster, height_px: int, width_px: int, colour: Colour, orientation: int) -> Codes:
    """Put the strips together, converted and turned upright, without a second whole copy.

    Parameters
    ----------
    raster : Raster
    height_px, width_px : int
        Size as stored.
    colour : Colour
    orientation : int
        EXIF orientation 1 to 8; 1 where nothing is to be turned.

    Returns
    -------
    ndarray of shape (H, W) or (H, W, 3), uint8 or uint16
        The upright picture.
    """
    if raster.whole is not None and colour.convert is None and orientation == 1:
        return raster.whole
    mirrored, turn = _MIRROR_THEN_TURN[orientation]
    shape = (width_px, height_px) if turn % 2 else (height_px, width_px)
    out = np.empty(shape if raster.channels == 1 else (*shape, 3), raster.dtype)
    strips = raster.strips()
    if colour.convert is not None:
        strips = map(colour.convert, strips)
    if turn % 2:
        strips = _in_blocks(strips, TURN_ROWS)
    turned: Any = None
    top = 0
    for strip in strips:
        end = top + strip.shape[0]
        # OpenCV's turns take a third of the time of NumPy's reversed views.
        if mirrored:
            strip = np.asarray(cv2.flip(strip, 1), dtype=raster.dtype)
        if turn == 0:
            out[top:end] = strip
        elif turn == 2:
            out[height_px - end : height_px - top] = cv2.rotate(strip, cv2.ROTATE_180)
        else:
            clockwise = turn == 1
            code = cv2.ROTATE_90_CLOCKWISE if clockwise else cv2.ROTATE_90_COUNTERCLOCKWISE
            # `turned` is used again while the blocks have the same height
            turned = cv2.rotate(strip, code, dst=turned if strip.shape[0] == TURN_ROWS else None)
            left = height_px - end if clockwise else top
            out[:, left : left + strip.shape[0]] = turned
        top = end
    return out


def _in_blocks(strips: Iterator[Codes], rows: int) -> Iterator[Codes]:
    """Gather strips into blocks of so many rows; the block is the same memory each time."""
    block: Any = None
    filled = 0
    for strip in strips:
        if block is None:
            block = np.empty((rows, *strip.shape[1:]), strip.dtype)
        at = 0
        while at < strip.shape[0]:
            count = min(rows - filled, strip.shape[0] - at)
            block[filled : filled + count] = strip[at : at + count]
            filled, at = filled + count, at + count
            if filled == rows:
                yield block
                filled = 0
    if filled:
        yield block[:filled]
