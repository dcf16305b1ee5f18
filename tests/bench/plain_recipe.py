"""What a handy person writes in an afternoon: threshold, contours, an ellipse, one scale for the picture.

The yardstick of the accuracy table. It knows the size of the printed square and its checked scale, but nothing of
heights, cameras or linear light. Any OpenCV tutorial on "measuring objects with a reference" leads here.
"""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

Codes: TypeAlias = NDArray[np.uint8]
#: Bands of the two frames, millimetres, by the side of the midline.
BANDS_MM = {60.0: 4.0, 30.0: 3.0}
#: Smallest contour that counts as something, as a share of the stage.
SMALLEST_SHARE = 2e-4


class NotFound(Exception):
    """The recipe finds no square or nothing in it."""


def measure(photo: Path, kind: str, side_mm: float, print_scale: float) -> dict[str, float]:
    """Measure a photo.

    Parameters
    ----------
    photo : Path
        The photo.
    kind : {"stone", "tube", "rim"}
        What is on it.
    side_mm : float
        Side of the frame's midline.
    print_scale : float
        True size of the print over nominal size.

    Returns
    -------
    dict
        "stone", "outer", "bore", "rim", millimetres, as far as the kind has them and they were found.

    Raises
    ------
    NotFound
        No square, or nothing in it.
    """
    grey = _grey(photo)
    (x0, y0, x1, y1), px_per_mm = _frame(grey, (side_mm + BANDS_MM[side_mm]) * print_scale, side_mm)
    stage = np.ascontiguousarray(grey[y0:y1, x0:x1])
    rings = _rings(stage)
    if not rings:
        raise NotFound("nothing round on the stage")
    outer = rings[0]
    if kind == "stone":
        return {"stone": outer / px_per_mm}
    inner = next((ring for ring in rings[1:] if ring < 0.97 * outer), None)
    found = {"outer": outer / px_per_mm}
    if inner is not None:
        found["bore" if kind == "tube" else "stone"] = inner / px_per_mm
        if kind == "rim":
            found["rim"] = (outer - inner) / 2 / px_per_mm
    return found


def _grey(photo: Path) -> Codes:
    from PIL import Image, ImageOps

    if photo.suffix.lower() in (".heic", ".heif"):
        import pillow_heif

        pillow_heif.register_heif_opener()
    with Image.open(photo) as picture:
        return np.asarray(ImageOps.exif_transpose(picture).convert("L"), dtype=np.uint8)


def _frame(grey: Codes, outer_mm: float, side_mm: float) -> tuple[tuple[int, int, int, int], float]:
    """Upright box well inside the frame, pixels, and pixels per millimetre from the frame's outer side."""
    _, black = cv2.threshold(cv2.GaussianBlur(grey, (5, 5), 0), 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)
    contours, tree = cv2.findContours(black, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    best, side_px = None, 0.0
    for k, contour in enumerate(contours):
        (_, (width, height), _) = cv2.minAreaRect(contour)
        has_hole, is_hole = tree[0][k][2] >= 0, tree[0][k][3] >= 0
        size = (width + height) / 2
        if is_hole or not has_hole or size < 100 or not 0.85 < width / max(height, 1e-9) < 1.18:
            continue
        if cv2.contourArea(contour) > 0.9 * width * height and size > side_px:
            best, side_px = contour, size
    if best is None:
        raise NotFound("no square")
    (cx, cy), _, angle = cv2.minAreaRect(best)
    # The largest upright box inside the turned stage.
    turn = np.radians(angle % 90.0)
    stage_px = side_px * (side_mm - BANDS_MM[side_mm]) / (side_mm + BANDS_MM[side_mm])
    half = 0.47 * stage_px / (np.cos(turn) + np.sin(turn))
    height, width = grey.shape
    low, high = (max(0, round(cx - half)), max(0, round(cy - half))), (round(cx + half), round(cy + half))
    return (*low, min(width, high[0]), min(height, high[1])), side_px / outer_mm


def _rings(stage: Codes) -> list[float]:
    """Diameters in pixels of the largest thing and of what is concentric with it, largest first."""
    smooth = cv2.GaussianBlur(stage, (5, 5), 0)
    level, _ = cv2.threshold(smooth, 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU)
    found: list[tuple[float, float, float]] = []
    _, dark = cv2.threshold(smooth, level, 255, cv2.THRESH_BINARY_INV)
    edges = cv2.Canny(smooth, 30, 90)
    edges = cv2.morphologyEx(edges, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    for mask in (dark, edges):
        for contour in cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
            if len(contour) < 20 or cv2.contourArea(contour) < SMALLEST_SHARE * stage.size:
                continue
            (x, y), axes, _ = cv2.fitEllipse(contour)
            if min(axes) > 0.8 * max(axes) and max(axes) < 0.98 * min(stage.shape):
                found.append((float(np.mean(axes)), x, y))
    found.sort(reverse=True)
    if not found:
        return []
    size, x0, y0 = found[0]
    return [d for d, x, y in found if np.hypot(x - x0, y - y0) < 0.2 * size]
