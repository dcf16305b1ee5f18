"""The photograph with what was measured drawn on it, as it is looked at on a phone.

The part that matters is shown large, so that a rim of 0.2 mm is seen; outlines lie on dark halos and show on bright
and dark ground; the rim's width is told by lightness, hue and stripes; the words stand under the picture.
"""

from __future__ import annotations

import io
from typing import Literal

import numpy as np
from PIL import Image, PngImagePlugin

from rimsight.calibration.pixels import LightImage
from rimsight.vision.overlay_caption import caption
from rimsight.vision.overlay_colour import PAPER
from rimsight.vision.overlay_frame import Box, choose_frame, panel_picture
from rimsight.vision.overlay_ink import Ink
from rimsight.vision.overlay_marks import draw_marks
from rimsight.vision.overlay_model import DimensionMark, NumberMark, OutlineMark, Overlay, RimBand

__all__ = ["DimensionMark", "NumberMark", "OutlineMark", "Overlay", "RimBand", "draw", "encode"]

#: All widths and text sizes are given for a picture this wide.
UNITS = 1600.0
#: Without a focus, this share of the marks' size is shown round them.
ROUND_MARKS = 0.35
SHORTEST_SIDE_PX, LONGEST_SIDE_PX = 200, 8000
JPEG_QUALITY = 90


def draw(image: LightImage, overlay: Overlay, *, focus_px: Box | None = None, long_side_px: int = 1600) -> Image.Image:
    """Draw what was measured on the photograph.

    Parameters
    ----------
    image : LightImage
        The photograph, upright.
    overlay : Overlay
        What to draw; positions in pixels of the photograph.
    focus_px : tuple of 4 floats, optional
        The region that matters, x0, y0, x1, y1 in pixels: the subject with some of its surroundings. A little is
        added round it. Without it, all marks; without marks, the whole photograph.
    long_side_px : int
        Longer side of the picture proper; the strip with the words comes below it.

    Returns
    -------
    PIL.Image.Image
        RGB, sRGB-coded, without metadata.

    Raises
    ------
    ValueError
        The focus is no box or lies outside of the photograph; the size is not between 200 and 8000 px.
    """
    if not SHORTEST_SIDE_PX <= long_side_px <= LONGEST_SIDE_PX:
        raise ValueError(f"the size must be {SHORTEST_SIDE_PX} to {LONGEST_SIDE_PX} px, not {long_side_px}")
    if focus_px is None:
        focus_px = _round_marks(image, overlay)
    frame = choose_frame(image.width_px, image.height_px, focus_px, long_side_px)
    unit = frame.width / UNITS
    panel = panel_picture(image, frame)
    more = draw_marks(Ink(panel, unit), frame, overlay)
    strip = caption(image, frame, overlay, more, unit)
    if strip is None:
        return panel
    whole = Image.new("RGB", (panel.width, panel.height + strip.height), PAPER)
    whole.paste(panel, (0, 0))
    whole.paste(strip, (0, panel.height))
    return whole


def _round_marks(image: LightImage, overlay: Overlay) -> Box | None:
    extent = overlay.extent_px()
    if extent is None:
        return None
    x0, y0, x1, y1 = extent
    more = ROUND_MARKS * max(x1 - x0, y1 - y0)
    box = (x0 - more, y0 - more, x1 + more, y1 + more)
    outside = box[2] < -0.5 or box[3] < -0.5 or box[0] > image.width_px - 0.5 or box[1] > image.height_px - 0.5
    return None if outside else box


def encode(picture: Image.Image, format: Literal["png", "jpg"]) -> bytes:
    """Encode a picture as a file that says nothing beyond its pixels.

    Parameters
    ----------
    picture : PIL.Image.Image
        From `draw`.
    format : {"png", "jpg"}
        PNG is marked as sRGB; a JPEG without a profile is sRGB by convention.

    Returns
    -------
    bytes
        No EXIF, position, comment, profile or date.
    """
    if format not in ("png", "jpg"):
        raise ValueError(f'the format must be "png" or "jpg", not {format!r}')
    # Built anew from the pixels: Pillow carries a picture's EXIF, comments and text along into its files.
    clean = Image.fromarray(np.asarray(picture.convert("RGB")))
    stream = io.BytesIO()
    if format == "png":
        marks = PngImagePlugin.PngInfo()
        marks.add(b"sRGB", b"\x00")  # rendering intent "perceptual" (PNG specification, 11.3.2.5)
        clean.save(stream, "PNG", pnginfo=marks)
    else:
        # Full colour resolution: thin coloured lines smear over two pixels otherwise.
        clean.save(stream, "JPEG", quality=JPEG_QUALITY, subsampling=0, optimize=True)
    return stream.getvalue()
