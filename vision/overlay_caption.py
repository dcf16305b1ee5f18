"""The strip under the picture: verdict with its symbol, the figures, the legend, and the whole photo small."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from rimsight.calibration.pixels import LightImage
from rimsight.vision.overlay_colour import (
    BAD,
    FAINT,
    GOOD,
    INK,
    LIMIT_RAMP,
    OPEN,
    PAPER,
    PLAIN_RAMP,
    RAMP_END,
    WHITE,
    ramp,
    width_range,
)
from rimsight.vision.overlay_frame import Box, Frame, small_picture
from rimsight.vision.overlay_ink import Ink, block_size, font, line_height, text_width, wrap
from rimsight.vision.overlay_model import Overlay, RimBand
from rimsight.vision.overlay_rim import PERIOD, SLANT, STRIPE, STRIPE_OPACITY

FloatArray = NDArray[np.float64]
#: A part of the strip: its height in pixels, and how to draw it with its top at y.
Part = tuple[float, Callable[[Ink, float], None]]

#: Sizes, 1/1600 of the picture's width.
PAD = 44.0
VERDICT_SIZE = 58.0
TEXT_SIZE = 44.0
LEGEND_SIZE = 36.0
SYMBOL = 88.0
RAMP_WIDTH, RAMP_HEIGHT = 640.0, 40.0
INSET = 330.0
LEAST_RECTANGLE = 26.0
#: The small picture is left out where the crop already shows this share of the photo.
WHOLE_SHARE = 0.7


def caption(image: LightImage, frame: Frame, overlay: Overlay, more: Sequence[str], unit: float) -> Image.Image | None:
    """Return the strip as wide as the panel, or None if there is nothing to say.

    Parameters
    ----------
    image : LightImage
        The photograph, for the small picture.
    frame : Frame
        The part of it that the panel shows.
    overlay : Overlay
        Verdict, figures and rims.
    more : sequence of str
        Lines after the figures.
    unit : float
        Pixels per 1/1600 of the panel's width.
    """
    pad = PAD * unit
    x0, y0, x1, y1 = frame.crop_px
    shown = (x1 - x0) * (y1 - y0) / (image.width_px * image.height_px)
    inset = small_picture(image, round(INSET * unit), round(INSET * unit)) if shown < WHOLE_SHARE else None
    width = frame.width - 2 * pad - (0 if inset is None else inset.width + pad)
    parts = _parts(overlay, more, pad, width, unit)
    if not parts and inset is None:
        return None
    gap = 20.0 * unit
    text_height = sum(height for height, _ in parts) + gap * max(len(parts) - 1, 0)
    height = max(text_height, 0 if inset is None else inset.height) + 1.7 * pad
    strip = Image.new("RGB", (frame.width, int(np.ceil(height))), PAPER)
    ink = Ink(strip, unit)
    y = 0.85 * pad
    for part_height, paint in parts:
        paint(ink, y)
        y += part_height + gap
    if inset is not None:
        _mark_crop(inset, frame.crop_px, inset.width / image.width_px, unit)
        strip.paste(inset, (round(frame.width - pad - inset.width), round(0.85 * pad)))
    return strip


def _mark_crop(inset: Image.Image, crop_px: Box, share: float, unit: float) -> None:
    """Draw the crop's rectangle on the small photo: wholly inside of it, and large enough to be seen."""
    size = np.array([inset.width, inset.height], dtype=np.float64)
    low, high = (np.array(crop_px).reshape(2, 2) + 0.5) * share - 0.5
    middle, half = (low + high) / 2, np.maximum((high - low) / 2, 0.5 * LEAST_RECTANGLE * unit)
    air = 5.0 * unit
    low, high = np.maximum(middle - half, air - 0.5), np.minimum(middle + half, size - 0.5 - air)
    corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]], [low[0], low[1]]])
    Ink(inset, unit).stroke([corners], 4.0, WHITE)


def _parts(overlay: Overlay, more: Sequence[str], x: float, width: float, unit: float) -> list[Part]:
    parts: list[Part] = []
    if overlay.verdict is not None and overlay.verdict.strip():
        parts.append(_verdict(overlay.verdict, x, width, unit))
    figures = [text for text in (*overlay.lines, *more) if text.strip()]
    if figures:
        parts.append(_figures(figures, x, width, unit))
    seen: list[tuple[str, float | None]] = []
    for band in overlay.rim_bands:
        # Rims of one limit share a legend; without a limit each has its own range.
        key = (band.name, band.limit_mm)
        if len(band.width_mm) and (band.limit_mm is None or key not in seen):
            parts.append(_legend(band, x, width, unit))
            seen.append(key)
    return parts


def _figures(texts: Sequence[str], x: float, width: float, unit: float) -> Part:
    face = font(TEXT_SIZE * unit)
    lines = [line for text in texts for line in wrap(text, face, width)]

    def paint(ink: Ink, y: float) -> None:
        ink.text(lines, x, y, face, INK)

    return block_size(lines, face)[1], paint


def symbol_of(verdict: str) -> str:
    """Symbol of a verdict: "tick", "cross", "question", or "" for words that mean none of them."""
    words = verdict.strip().lower()
    if words.startswith("adequate"):
        return "tick"
    if words.startswith("too close"):
        return "question"
    return "cross" if words.startswith(("too ", "not ")) else ""


def _verdict(verdict: str, x: float, width: float, unit: float) -> Part:
    symbol = symbol_of(verdict)
    size = SYMBOL * unit if symbol else 0.0
    indent = size + (28.0 * unit if symbol else 0.0)
    face = font(VERDICT_SIZE * unit, bold=True)
    text = verdict.strip()
    lines = wrap(text[:1].upper() + text[1:], face, width - indent)
    text_height = block_size(lines, face)[1]
    height = max(size, text_height)

    def paint(ink: Ink, y: float) -> None:
        if symbol:
            # Beside a long verdict the symbol stays with its first line.
            top = y + max(0.0, (min(text_height, line_height(face)) - size) / 2)
            draw_symbol(ink, symbol, np.array([x + size / 2, top + size / 2]), size)
        ink.text(lines, x + indent, y + max(0.0, (size - text_height) / 2), face, INK)

    return height, paint


def draw_symbol(ink: Ink, symbol: str, centre: FloatArray, size: float) -> None:
    """Draw a verdict's symbol: tick on a disc, cross on an octagon, question mark on a diamond.

    The grounds differ in outline and lightness as well as in hue.
    """
    half = size / 2
    thick = 0.13 * size / ink.unit
    if symbol == "tick":
        ink.disc(centre, half, GOOD)
        ink.stroke([centre + half * np.array([[-0.48, 0.04], [-0.14, 0.38], [0.5, -0.34]])], thick, WHITE, halo=False)
    elif symbol == "cross":
        angle = np.radians(22.5 + 45.0 * np.arange(8))
        ink.fill([centre + half * np.column_stack([np.cos(angle), np.sin(angle)]) / np.cos(np.radians(22.5))], BAD)
        arm = 0.42 * half
        strokes = [centre + arm * np.array([[-1, -1], [1, 1]]), centre + arm * np.array([[-1, 1], [1, -1]])]
        ink.stroke(strokes, thick, WHITE, halo=False)
    elif symbol == "question":
        ink.fill([centre + 1.12 * half * np.array([[0, -1], [1, 0], [0, 1], [-1, 0]])], OPEN)
        turn = np.radians(np.arange(190, 421, 10))
        hook = np.array([0.0, -0.24]) + 0.25 * np.column_stack([np.cos(turn), np.sin(turn)])
        stem = np.array([[0.0, 0.13], [0.0, 0.2]])
        ink.stroke([centre + half * np.vstack([hook, stem])], 0.8 * thick, INK, halo=False)
        ink.disc(centre + half * np.array([0.0, 0.5]), 0.07 * size, INK)


def _legend(band: RimBand, x: float, width: float, unit: float) -> Part:
    face = font(LEGEND_SIZE * unit)
    name = band.name[:1].upper() + band.name[1:]
    if band.limit_mm is None:
        low, high = width_range(band.width_mm)
        title = f"{name}, coloured by its width"
        marks = [(0.0, f"{low:.2f}"), (1.0, f"{high:.2f} mm")]
    else:
        limit = band.limit_mm
        title = f"{name}: striped where under the limit of {_figure(limit)} mm"
        marks = [(0.0, "0"), (0.5, f"limit {_figure(limit)}"), (1.0, f"{_figure(RAMP_END * limit)} mm or more")]
    titles = wrap(title, face, width)
    title_height = block_size(titles, face)[1]
    ramp_width = int(min(RAMP_WIDTH * unit, width))
    ramp_height = round(RAMP_HEIGHT * unit)
    first = title_height + 6.0 * unit

    def paint(ink: Ink, y: float) -> None:
        ink.text(titles, x, y, face, INK)
        left, top = round(x), round(y + first)
        position = (np.arange(ramp_width) + 0.5) / ramp_width
        colours = ramp(PLAIN_RAMP, position) if band.limit_mm is None else ramp(LIMIT_RAMP, RAMP_END * position)
        ink.picture.paste(Image.fromarray(colours[None]).resize((ramp_width, ramp_height)), (left, top))
        if band.limit_mm is not None:
            _stripe_box(ink, left, top, left + ramp_width / 2, top + ramp_height)
        below = top + ramp_height
        taken = -np.inf
        for share, text in marks:
            at = left + share * ramp_width
            ink.stroke([np.array([[at - 0.5, below], [at - 0.5, below + 8.0 * unit]])], 3.0, FAINT, halo=False)
            wide = text_width(text, face)
            start = min(max(at - wide / 2, x), x + width - wide)
            if start < taken:  # no room for all: the ones further on are left out, the title names the limit
                continue
            ink.text([text], start, below + 8.0 * unit, face, INK)
            taken = start + wide + 16.0 * unit

    return first + ramp_height + 8.0 * unit + line_height(face), paint


def _figure(value: float) -> str:
    """Millimetres with two decimals, or more where the value has more."""
    return max(f"{value:.2f}", f"{value:g}", key=len)


def _stripe_box(ink: Ink, left: float, top: float, right: float, bottom: float) -> None:
    unit = ink.unit
    stripes = []
    for start in np.arange(left - SLANT * unit, right, PERIOD * unit):
        low = np.clip([start, start + STRIPE * unit], left, right)
        high = np.clip([start + SLANT * unit, start + (SLANT + STRIPE) * unit], left, right)
        if np.ptp(low) > 0 or np.ptp(high) > 0:
            stripes.append(np.array([[low[0], bottom], [low[1], bottom], [high[1], top], [high[0], top]]) - (0.5, 0.5))
    ink.fill(stripes, INK, opacity=STRIPE_OPACITY)
