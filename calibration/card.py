"""Geometry of the printed card: the black frame, its two markers, the check lines.

Card coordinates: origin at the centre of the frame, x right and y down as printed, millimetres. The third axis
points into the card; an edge h above the card has z = -h.

Only the MIDLINE of the black band is a measure. Ink spread, blur and threshold move the two edges of a band in
opposite ways, so their mean stays where it was drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.drawing import Box, Label, raster

#: Name of OpenCV's dictionary of the two markers (`getattr(cv2.aruco, MARKER_DICTIONARY)`).
MARKER_DICTIONARY = "DICT_4X4_100"

#: Modules along a side of a marker: 4 of code and a black border of one on each side.
MARKER_MODULES = 6

#: Nominal length of both check lines, millimetres.
CHECK_LINE_MM = 150.0

#: Width of the check lines and of the strokes across their ends, millimetres.
CHECK_STROKE_MM = 0.1

#: Length of the strokes across both ends of a check line, millimetres. The line does not run on past them: 150 mm
#: from end to end is then the only length that a rule can be laid to.
CHECK_END_MM = 8.0

#: Where the check lines run, from the centre of the page (and of the frame of a single card), millimetres:
#: the horizontal one at this y, the vertical one at this x; both are centred along their other axis.
CHECK_ACROSS_Y_MM = 100.0
CHECK_DOWN_X_MM = -88.0


@dataclass(frozen=True)
class CardLayout:
    """Measures of one size of card, millimetres.

    Attributes
    ----------
    side_mm : float
        Side of the square along the midline of the black band.
    band_mm : float
        Width of the black band.
    marker_side_mm : float
        Side of a marker with its black border.
    marker_gap_mm : float
        White between the frame's outer edge and a marker.
    marker_ids : tuple of int
        Marker above the frame (left-aligned with its outer edge), marker below (right-aligned).
    """

    side_mm: float
    band_mm: float
    marker_side_mm: float
    marker_gap_mm: float
    marker_ids: tuple[int, int]

    @property
    def outer_mm(self) -> float:
        """Side of the frame's outer edge."""
        return self.side_mm + self.band_mm

    @property
    def inner_mm(self) -> float:
        """Side of the frame's inner edge: the stage."""
        return self.side_mm - self.band_mm

    @property
    def band_edges_mm(self) -> tuple[float, float]:
        """Distances of the band's inner and outer edge from the centre of the frame."""
        return self.inner_mm / 2, self.outer_mm / 2

    @property
    def marker_module_mm(self) -> float:
        """Side of one module of a marker."""
        return self.marker_side_mm / MARKER_MODULES

    @property
    def half_height_mm(self) -> float:
        """Distance from the centre of the frame to the far edge of a marker."""
        return self.outer_mm / 2 + self.marker_gap_mm + self.marker_side_mm

    def square_corners_mm(self, side_mm: float) -> NDArray[np.float64]:
        """Return the (4, 2) corners of a square centred on the frame: top left, then clockwise as printed."""
        half = side_mm / 2
        return np.array([[-half, -half], [half, -half], [half, half], [-half, half]])

    @property
    def midline_corners_mm(self) -> NDArray[np.float64]:
        """(4, 2) corners of the midline: top left, top right, bottom right, bottom left."""
        return self.square_corners_mm(self.side_mm)

    @property
    def outer_corners_mm(self) -> NDArray[np.float64]:
        """(4, 2) corners of the band's outer edge, same order."""
        return self.square_corners_mm(self.outer_mm)

    @property
    def inner_corners_mm(self) -> NDArray[np.float64]:
        """(4, 2) corners of the band's inner edge (the stage), same order."""
        return self.square_corners_mm(self.inner_mm)

    @property
    def marker_corners_mm(self) -> dict[int, NDArray[np.float64]]:
        """Corners (4, 2) of each marker by its id, in OpenCV's order: top left, then clockwise as printed."""
        half, size = self.outer_mm / 2, self.marker_side_mm
        square = np.array([[0.0, 0.0], [size, 0.0], [size, size], [0.0, size]])
        above = square + np.array([-half, -half - self.marker_gap_mm - size])
        below = square + np.array([half - size, half + self.marker_gap_mm])
        return {self.marker_ids[0]: above, self.marker_ids[1]: below}


#: Every size of card by its side in millimetres.
LAYOUTS: dict[int, CardLayout] = {
    60: CardLayout(60.0, 4.0, 12.0, 3.0, (60, 61)),
    30: CardLayout(30.0, 3.0, 7.2, 2.4, (30, 31)),
}


def layout(side_mm: float) -> CardLayout:
    """Return the layout of the card whose midline square has this side.

    Raises
    ------
    ValueError
        No card of that size exists.
    """
    for card in LAYOUTS.values():
        if card.side_mm == side_mm:
            return card
    sizes = " or ".join(f"{side}" for side in LAYOUTS)
    raise ValueError(f"there is no card with a side of {side_mm:g} mm; the side is {sizes}")


@cache
def marker_cells(marker_id: int) -> tuple[tuple[bool, ...], ...]:
    """Return the marker's modules with its border, row by row, True for black."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    picture = cv2.aruco.generateImageMarker(dictionary, marker_id, MARKER_MODULES, borderBits=1)
    return tuple(tuple(bool(value < 128) for value in row) for row in picture)


def frame_boxes(card: CardLayout) -> list[Box]:
    """Return the black band as four boxes that touch and don't overlap."""
    inner, outer = card.band_edges_mm
    return [
        Box(-outer, -outer, outer, -inner),
        Box(-outer, inner, outer, outer),
        Box(-outer, -inner, -inner, inner),
        Box(inner, -inner, outer, inner),
    ]


def marker_boxes(card: CardLayout) -> list[Box]:
    """Return the black modules of both markers, each run along a row as one box."""
    module = card.marker_module_mm
    boxes = []
    for marker_id, corners in card.marker_corners_mm.items():
        x0, y0 = (float(value) for value in corners[0])
        for row, cells in enumerate(marker_cells(marker_id)):
            start = 0
            while start < MARKER_MODULES:
                stop = start
                while stop < MARKER_MODULES and cells[stop]:
                    stop += 1
                if stop > start:
                    top = y0 + row * module
                    boxes.append(Box(x0 + start * module, top, x0 + stop * module, top + module))
                start = stop + 1
    return boxes


def card_labels(card: CardLayout) -> list[Label]:
    """Return the small print of a card: beside the markers, clear of them and of the frame."""
    title = f"rimsight card {card.side_mm:g} mm"
    outside, inside = f"{card.outer_mm:g} mm outside", f"{card.inner_mm:g} mm inside"
    if card.outer_mm > 50:
        size, step = 2.0, 3.0
        above = [title, f"black frame: {outside}, {inside}"]
        below = ["Lay the stone inside the frame.", "Keep the card flat."]
    else:  # less room beside the markers
        size, step = 1.7, 2.1
        above = [title, f"{outside},", inside]
        below = ["Stone inside", "the frame,", "card flat."]
    left_above = -card.outer_mm / 2 + card.marker_side_mm + 1.5 * card.marker_module_mm
    top = -card.half_height_mm + size
    bottom = card.half_height_mm - step * (len(below) - 1) - size / 4
    return [Label(left_above, top + step * row, size, text) for row, text in enumerate(above)] + [
        Label(-card.outer_mm / 2, bottom + step * row, size, text) for row, text in enumerate(below)
    ]


def check_lines() -> tuple[list[Box], list[Box]]:
    """Return the check lines across and down with the fine stroke across each end, from the centre of the page.

    The length counts from the middle of one end stroke to the middle of the other.
    """
    half, stroke, arm = CHECK_LINE_MM / 2, CHECK_STROKE_MM / 2, CHECK_END_MM / 2
    # Along the line from, to; across it from, to.
    pieces = [(-half + stroke, half - stroke, -stroke, stroke)]
    pieces += [(end - stroke, end + stroke, -arm, arm) for end in (-half, half)]
    across = [Box(a0, CHECK_ACROSS_Y_MM + c0, a1, CHECK_ACROSS_Y_MM + c1) for a0, a1, c0, c1 in pieces]
    down = [Box(CHECK_DOWN_X_MM + c0, a0, CHECK_DOWN_X_MM + c1, a1) for a0, a1, c0, c1 in pieces]
    return across, down


def check_line_boxes() -> list[Box]:
    """Return the boxes of both check lines in one list."""
    across, down = check_lines()
    return across + down


def default_extent_mm(card: CardLayout) -> float:
    """Return the side of the square region that holds frame, markers and 3 mm of white round them."""
    return 2 * (card.half_height_mm + 3.0)


def card_bitmap(side_mm: float, px_per_mm: float, extent_mm: float | None = None) -> NDArray[np.uint8]:
    """Draw the square region round the frame's centre as the card is printed.

    Parameters
    ----------
    side_mm : float
        Size of the card, see `LAYOUTS`.
    px_per_mm : float
        Pixels per millimetre.
    extent_mm : float, optional
        Side of the region, default `default_extent_mm`. A larger region shows the check lines of the sheet.

    Returns
    -------
    (n, n) uint8
        n = extent_mm * px_per_mm, rounded to whole pixels. 255 is white, 0 black, the share of white between
        (exact area coverage; linear in light). Pixel column i covers card x in
        [-extent_mm / 2 + i / px_per_mm, -extent_mm / 2 + (i + 1) / px_per_mm); rows likewise in y.

    Raises
    ------
    ValueError
        Unknown size, or a resolution or extent that is not positive.
    """
    card = layout(side_mm)
    extent = default_extent_mm(card) if extent_mm is None else extent_mm
    if not (px_per_mm > 0 and extent > 0):
        raise ValueError(f"px_per_mm and extent_mm must be positive, not {px_per_mm} and {extent}")
    count = max(1, round(extent * px_per_mm))
    boxes = frame_boxes(card) + marker_boxes(card) + check_line_boxes()
    return raster(
        boxes, card_labels(card), px_per_mm=px_per_mm, left=-extent / 2, top=-extent / 2, width=count, height=count
    )
