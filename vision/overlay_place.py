"""Finding places for labels: one after the other, each where it hides least and lies nearest to what it names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from rimsight.vision.overlay_ink import finite

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]

#: Edge of a cell of the map of what is taken, 1/1600 of the picture's width.
CELL = 6.0
#: Cost of covering one cell: another label (never done), the rim, a line, the inside of an outline.
TAKEN, RIM, LINE, INSIDE = 1000.0, 40.0, 6.0, 0.35
#: Cost of a leader that runs over one cell of these, as a share of covering it.
LEADER_SHARE = 0.35
#: A place that costs more than this is taken only if there is no cheaper one anywhere in the panel.
ROAM_ABOVE = 400.0
#: Cost of one unit of distance.
DISTANCE = 1.0


@dataclass(frozen=True)
class Anchor:
    """A point that a label may hang on, and the directions (unit vectors) in which it may lie.

    The direction (0, 0) stands for a label right on the point. `bonus` is taken off the price of these places.
    """

    point: tuple[float, float]
    directions: tuple[tuple[float, float], ...]
    bonus: float = 0.0


@dataclass(frozen=True)
class Place:
    """Where a label goes.

    `box` is x0, y0, x1, y1 in panel pixels; `anchor` the point it names; `leader` the end of the leader line at the
    box, None where the label touches what it names; `free` tells whether it covers no other label.
    """

    box: Box
    anchor: tuple[float, float]
    leader: tuple[float, float] | None
    free: bool


class Room:
    """The map of what is taken in the panel.

    Parameters
    ----------
    width, height : int
        Size of the panel, pixels.
    unit : float
        Pixels per 1/1600 of its width.
    """

    def __init__(self, width: int, height: int, unit: float) -> None:
        self.width, self.height, self.unit = width, height, unit
        self.cell = max(2.0, CELL * unit)
        self.cost = np.zeros((int(np.ceil(height / self.cell)), int(np.ceil(width / self.cell))))
        self.passing = np.zeros(self.cost.shape)
        self.taken = np.zeros(self.cost.shape, dtype=bool)

    def add_shapes(self, shapes: Sequence[FloatArray], cost: float) -> None:
        """Make covering the inside of polygons cost at least this much."""
        self.cost = np.maximum(self.cost, cost * self._covered(shapes, filled=True))

    def add_lines(self, lines: Sequence[FloatArray], cost: float) -> None:
        """Make covering polylines cost at least this much."""
        self.cost = np.maximum(self.cost, cost * self._covered(lines, filled=False))

    @contextmanager
    def besides(self, lines: Sequence[FloatArray], cost: float) -> Iterator[None]:
        """Count these polylines too, for a while."""
        lasting = self.passing
        self.passing = np.maximum(lasting, cost * self._covered(lines, filled=False))
        try:
            yield
        finally:
            self.passing = lasting

    def add_box(self, box: Box) -> None:
        """Take a box for a label."""
        rows, columns = self._cells(box)
        self.taken[rows, columns] = True

    def _covered(self, parts: Sequence[FloatArray], *, filled: bool) -> FloatArray:
        """1 in the cells that the parts touch, else 0."""
        mask = Image.new("L", (self.cost.shape[1], self.cost.shape[0]), 0)
        pen = ImageDraw.Draw(mask)
        for part in parts:
            points = finite(part)
            if len(points) < 2:
                continue
            cells = [(float(x), float(y)) for x, y in (points + 0.5) / self.cell - 0.5]
            if filled and len(cells) > 2:
                pen.polygon(cells, fill=1, outline=1)
            else:
                pen.line(cells, fill=1, width=1)
        return np.asarray(mask, dtype=np.float64)

    def _cells(self, box: Box) -> tuple[slice, slice]:
        x0, y0, x1, y1 = box
        return (
            slice(max(int(np.floor(y0 / self.cell)), 0), max(int(np.ceil(y1 / self.cell)), 0)),
            slice(max(int(np.floor(x0 / self.cell)), 0), max(int(np.ceil(x1 / self.cell)), 0)),
        )

    def cover_cost(self, box: Box) -> float:
        """Cost of covering a box."""
        rows, columns = self._cells(box)
        cost = np.maximum(self.cost[rows, columns], self.passing[rows, columns]).sum()
        return float(cost + TAKEN * np.count_nonzero(self.taken[rows, columns]))

    def is_free(self, box: Box) -> bool:
        """Whether a box covers no other label."""
        return not self.taken[self._cells(box)].any()

    def fits(self, box: Box) -> bool:
        """Whether a box lies within the panel, with a little air round it."""
        air = 6.0 * self.unit
        return box[0] >= air and box[1] >= air and box[2] <= self.width - air and box[3] <= self.height - air

    def holds(self, point: tuple[float, float]) -> bool:
        """Whether a point lies in the panel."""
        return -0.5 <= point[0] <= self.width - 0.5 and -0.5 <= point[1] <= self.height - 0.5

    def _leader_cost(self, start: tuple[float, float], end: tuple[float, float]) -> float:
        length = float(np.hypot(end[0] - start[0], end[1] - start[1]))
        # The first steps lie on the mark itself, which every leader touches.
        at = np.arange(3.0 * self.cell, length, self.cell)
        if not len(at):
            return 0.0
        column = ((start[0] + (end[0] - start[0]) * at / length) / self.cell).astype(int)
        row = ((start[1] + (end[1] - start[1]) * at / length) / self.cell).astype(int)
        inside = (row >= 0) & (column >= 0) & (row < self.cost.shape[0]) & (column < self.cost.shape[1])
        row, column = row[inside], column[inside]
        cost = np.maximum(self.cost[row, column], self.passing[row, column]).sum()
        return float(LEADER_SHARE * (cost + 0.2 * TAKEN * self.taken[row, column].sum()))

    def find(
        self, anchors: Sequence[Anchor], size: tuple[float, float], distances: Sequence[float], *, roam: bool = True
    ) -> Place | None:
        """Find the cheapest place for a label.

        Parameters
        ----------
        anchors : sequence of Anchor
            What it may hang on; anchors outside of the panel are left out.
        size : tuple of 2 floats
            Width and height, pixels.
        distances : sequence of float
            Gaps between anchor and label to try, in units; up to the first of them no leader is needed.
        roam : bool
            Where every such place hides another label or much of the rim, look all over the panel.

        Returns
        -------
        Place or None
            None if no anchor lies in the panel or the label is larger than the panel.
        """
        anchors = [anchor for anchor in anchors if self.holds(anchor.point)]
        best: tuple[float, Place] | None = None
        for anchor in anchors:
            for dx, dy in anchor.directions:
                # The box touches the ray's end with its near side.
                reach = min(size[0] / 2 / abs(dx) if dx else np.inf, size[1] / 2 / abs(dy) if dy else np.inf)
                for distance in distances if dx or dy else (0.0,):
                    away = distance * self.unit + reach if dx or dy else 0.0
                    centre = (anchor.point[0] + dx * away, anchor.point[1] + dy * away)
                    best = self._better(best, anchor.point, centre, size, distances[0], anchor.bonus)
        if roam and anchors and (best is None or best[0] > ROAM_ABOVE):
            for x in np.linspace(size[0] / 2, self.width - size[0] / 2, 24):
                for y in np.linspace(size[1] / 2, self.height - size[1] / 2, 24):
                    nearest = min(anchors, key=lambda a: (a.point[0] - x) ** 2 + (a.point[1] - y) ** 2)
                    best = self._better(best, nearest.point, (float(x), float(y)), size, distances[0])
        return None if best is None else best[1]

    def _better(
        self,
        best: tuple[float, Place] | None,
        point: tuple[float, float],
        centre: tuple[float, float],
        size: tuple[float, float],
        touching: float,
        bonus: float = 0.0,
    ) -> tuple[float, Place] | None:
        w, h = size[0] / 2, size[1] / 2
        box = (centre[0] - w, centre[1] - h, centre[0] + w, centre[1] + h)
        if not self.fits(box):
            return best
        end = (min(max(point[0], box[0]), box[2]), min(max(point[1], box[1]), box[3]))
        gap = float(np.hypot(end[0] - point[0], end[1] - point[1])) / self.unit
        price = self.cover_cost(box) + DISTANCE * gap + self._leader_cost(point, end) - bonus
        if best is not None and price >= best[0]:
            return best
        return price, Place(box, point, end if gap > touching + 1.0 else None, self.is_free(box))
