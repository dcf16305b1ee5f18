"""What a printed page is made of: areas, lines and words, in millimetres of paper.

Origin at the page's upper left corner, x right, y down. PDF and PNG are drawn from the same marks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from rimsight.archive import typeset

#: PDF points in a millimetre (ISO 32000-1, 8.3.2.3: a point is 1/72 inch).
POINTS_PER_MM = 72 / 25.4

Point = tuple[float, float]
Colour = tuple[float, float, float]

INK: Colour = (0.11, 0.13, 0.15)
SOFT: Colour = (0.36, 0.39, 0.42)
PALE: Colour = (0.78, 0.80, 0.82)
WHITE: Colour = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Area:
    """A filled polygon; several rings leave holes by the even-odd rule."""

    rings: tuple[tuple[Point, ...], ...]
    fill: Colour


@dataclass(frozen=True)
class Line:
    """A polyline of a width in millimetres; `dash` is (on, off) in millimetres."""

    points: tuple[Point, ...]
    width: float
    colour: Colour = INK
    dash: tuple[float, ...] = ()
    closed: bool = False


@dataclass(frozen=True)
class Words:
    """One line of text, `size` is the font size in millimetres.

    (x, y) is the left end of its baseline, or its middle or right end by `align`. With `upward` it runs from the
    bottom to the top of the page.
    """

    x: float
    y: float
    text: str
    size: float
    weight: str = typeset.REGULAR
    colour: Colour = INK
    align: str = "left"
    upward: bool = False

    @property
    def start(self) -> Point:
        """Left end of the baseline (lower end, if it runs upward)."""
        back = {"left": 0.0, "middle": 0.5, "right": 1.0}[self.align] * width_mm(self.text, self.size, self.weight)
        return (self.x, self.y + back) if self.upward else (self.x - back, self.y)


Mark = Area | Line | Words


@dataclass
class Page:
    """A page and its marks, drawn in their order, words last."""

    width: float
    height: float
    title: str
    marks: list[Mark] = field(default_factory=list)

    def add(self, *marks: Mark) -> None:
        """Put marks on the page."""
        self.marks += marks


def width_mm(text: str, size: float, weight: str = typeset.REGULAR) -> float:
    """Width of a text in millimetres."""
    return typeset.width(text, size * POINTS_PER_MM, weight) / POINTS_PER_MM


def fitted(text: str, size: float, room: float, weight: str = typeset.REGULAR) -> str:
    """Return a text cut to a width in millimetres."""
    return typeset.fitted(text, size * POINTS_PER_MM, room * POINTS_PER_MM, weight)


def broken(text: str, size: float, room: float, most: int = 9, weight: str = typeset.REGULAR) -> list[str]:
    """Break a text into lines of a width in millimetres."""
    return typeset.lines(text, size * POINTS_PER_MM, room * POINTS_PER_MM, most, weight)


def box(left: float, top: float, right: float, bottom: float) -> tuple[Point, ...]:
    """Corners of a rectangle."""
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def circle(x: float, y: float, radius: float, sides: int = 180) -> tuple[Point, ...]:
    """A circle as a polygon with the circle's own area, so that its edge lies on the circle in the mean."""
    corner = radius * math.sqrt(2 * math.pi / sides / math.sin(2 * math.pi / sides))
    turns = (2 * math.pi * k / sides for k in range(sides))
    return tuple((x + corner * math.cos(turn), y + corner * math.sin(turn)) for turn in turns)


def hatch(rings: Iterable[Sequence[Point]], distance: float, angle_deg: float = 45.0) -> list[tuple[Point, Point]]:
    """Parallel lines inside polygons (even-odd rule), `distance` apart, rising to the right by the angle.

    Returns
    -------
    list of (start, end)
    """
    turn = math.radians(angle_deg)
    along, across = (math.cos(turn), -math.sin(turn)), (math.sin(turn), math.cos(turn))
    edges = []
    for ring in rings:
        turned = [(x * along[0] + y * along[1], x * across[0] + y * across[1]) for x, y in ring]
        edges += list(zip(turned, turned[1:] + turned[:1], strict=True))
    if not edges:
        return []
    low, high = (pick(v for edge in edges for _, v in edge) for pick in (min, max))
    lines = []
    # Whole multiples of the distance, so that the two walls of one tube have lines of one family.
    for step in range(math.ceil(low / distance), math.floor(high / distance) + 1):
        v = step * distance
        cuts = sorted(
            u0 + (u1 - u0) * (v - v0) / (v1 - v0) for (u0, v0), (u1, v1) in edges if (v0 <= v) != (v1 <= v)
        )
        for u0, u1 in zip(cuts[::2], cuts[1::2], strict=False):
            start, end = (
                (u * along[0] + v * across[0], u * along[1] + v * across[1]) for u in (u0, u1)
            )
            lines.append((start, end))
    return lines
