"""Pictures that may leave the house, and small ones for lists.

A photo file carries far more than its pixels: position, serial numbers, the owner's name, an embedded small
picture of the part that was cropped away, notes of editing programs, a colour profile with names in it. A picture
that leaves is therefore a new file made of pixels alone, turned upright, in sRGB, and nothing else.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from rimsight.archive.errors import PictureUnreadable

if TYPE_CHECKING:
    from PIL import Image

#: Phones of 200 megapixels exist; beyond this a file is a trick to fill the memory.
PIXEL_LIMIT = 260_000_000
#: What a photo may be. Anything else (SVG, PostScript...) is never handed to a decoder.
FORMATS = ("JPEG", "MPO", "PNG", "TIFF", "WEBP", "HEIF", "AVIF")
THUMBNAIL_PX = 320


def clean_jpeg(data: bytes, longest_px: int, *, quality: int = 82) -> bytes:
    """Return a photo as a new JPEG of its pixels alone: upright, sRGB, without any metadata.

    Parameters
    ----------
    data : bytes
        The photo's file.
    longest_px : int
        The longer side is reduced to this many pixels; smaller photos stay as they are.
    quality : int
        JPEG quality, 1 to 95.

    Raises
    ------
    PictureUnreadable
        It can't be decoded as a photograph.
    """
    return clean_jpeg_and_size(data, longest_px, quality=quality)[0]


def clean_jpeg_and_size(data: bytes, longest_px: int, *, quality: int = 82) -> tuple[bytes, tuple[int, int]]:
    """Return `clean_jpeg` and the size of the upright photo before reduction, width and height in pixels."""
    with _failures_in_words():
        image, size = _upright(data, longest_px)
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=quality, optimize=True, progressive=longest_px > THUMBNAIL_PX)
    return buffer.getvalue(), size


def thumbnail(data: bytes, longest_px: int = THUMBNAIL_PX) -> bytes:
    """Return a small picture of a photo, fit to leave the house.

    Raises
    ------
    PictureUnreadable
        It can't be decoded as a photograph.
    """
    return clean_jpeg(data, longest_px, quality=78)


def check_whole(data: bytes) -> None:
    """Decode a photo to its last pixel and forget it: a half-copied file fails.

    Raises
    ------
    PictureUnreadable
        It can't be decoded, or not to its end.
    """
    with _failures_in_words(), _opened(data) as image:
        image.load()


def _upright(data: bytes, longest_px: int) -> tuple[Image.Image, tuple[int, int]]:
    from PIL import Image, ImageOps

    with _opened(data) as opened:
        full = opened.size
        # JPEG only: decodes at half, a quarter or an eighth while that is still larger than what is asked for.
        opened.draft("RGB", (longest_px, longest_px))
        opened.load()
        profile = opened.info.get("icc_profile")
        turned = ImageOps.exif_transpose(opened)
        if (turned.size[0] > turned.size[1]) != (opened.size[0] > opened.size[1]):
            full = (full[1], full[0])
        image = _to_rgb(turned)
    # Reduced before the profile is applied: a fraction of the pixels to convert.
    image.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    image = _to_srgb(image, profile)
    # A new image, not a copy: Pillow writes some of what an image carries along (comments, profiles) unasked.
    clean = Image.new("RGB", image.size)
    clean.paste(image)
    return clean, full


def _to_rgb(image: Image.Image) -> Image.Image:
    from PIL import Image

    if image.mode.startswith("I;16") or image.mode in ("I", "F"):
        # 16-bit grey: Pillow would clip to 255 instead of scaling.
        import numpy as np

        values = np.asarray(image, dtype=np.float64)
        scale = 257.0 if values.size and values.max() > 255 else 1.0
        return Image.fromarray(np.clip(values / scale, 0, 255).astype(np.uint8)).convert("RGB")
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        solid = image.convert("RGBA")
        ground = Image.new("RGBA", solid.size, "white")
        ground.alpha_composite(solid)
        return ground.convert("RGB")
    # CMYK stays until its profile is applied.
    return image if image.mode in ("RGB", "CMYK") else image.convert("RGB")


def _to_srgb(image: Image.Image, profile: Any) -> Image.Image:
    if isinstance(profile, bytes) and profile:
        from PIL import ImageCms

        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            converted = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
        except (ImageCms.PyCMSError, OSError, ValueError):
            converted = None  # a broken profile, or one for another kind of pixels
        if converted is not None:
            return converted
    return image if image.mode == "RGB" else image.convert("RGB")


@contextmanager
def _opened(data: bytes) -> Iterator[Image.Image]:
    from PIL import Image

    formats = list(FORMATS)
    if b"ftyp" in data[4:12]:
        import pillow_heif

        pillow_heif.register_heif_opener(thumbnails=False)
    # Registered plugins only: Pillow refuses a name it doesn't know.
    Image.init()
    formats = [name for name in formats if name in Image.OPEN]
    limit = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = PIXEL_LIMIT // 2  # Pillow warns above this and refuses above twice as much
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = Image.open(io.BytesIO(data), formats=formats)
            if image.size[0] * image.size[1] > PIXEL_LIMIT:
                raise PictureUnreadable(f"{image.size[0]} x {image.size[1]} pixels are more than a photo has")
            with image:
                yield image
    finally:
        Image.MAX_IMAGE_PIXELS = limit


@contextmanager
def _failures_in_words() -> Iterator[None]:
    try:
        yield
    except PictureUnreadable:
        raise
    except Exception as error:  # decoders fail in every way there is on bytes made to hurt them
        if isinstance(error, MemoryError):
            raise
        if type(error).__name__ == "UnidentifiedImageError":  # its own words tell of an object in memory
            raise PictureUnreadable("not a photo of a kind that can be read") from error
        raise PictureUnreadable(f"not a photo that can be read ({type(error).__name__}: {error})") from error
