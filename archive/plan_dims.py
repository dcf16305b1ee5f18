"""Dimension lines with arrowheads, as engineering drawings have them (the manner of ISO 129-1, from memory)."""

from __future__ import annotations

from dataclasses import dataclass

from rimsight.archive import typeset
from rimsight.archive.plan_ink import INK, SOFT, WHITE, Area, Colour, Line, Mark, Words, box, width_mm

THIN = 0.13  #: width of dimension lines, mm
TEXT = 2.9  #: font size, mm
ARROW, ARROW_HALF = 2.0, 0.33  #: length and half width of an arrowhead, mm
GAP = 0.7  #: between an outline and its extension line
OVER = 1.2  #: by which an extension line passes the dimension line
TAIL = 3.2  #: shaft of an arrow that points in from outside
_CAP = 0.73  #: height of a capital, in font sizes


@dataclass(frozen=True)
class Label:
    """What a dimension says: the figure, and what it is of."""

    figure: str
    name: str = ""

    @property
    def width(self) -> float:
        """Width on paper, mm."""
        return width_mm(self.figure, TEXT, typeset.BOLD) + (width_mm(" " + self.name, TEXT) if self.name else 0.0)

    def marks(self, x: float, y: float, *, align: str = "left", halo: Colour | None = None) -> list[Mark]:
        """Write it with its middle height at y."""
        left = x - {"left": 0.0, "middle": 0.5, "right": 1.0}[align] * self.width
        base = y + _CAP * TEXT / 2
        made: list[Mark] = []
        if halo is not None:
            made.append(Area((box(left - 0.6, y - 0.62 * TEXT, left + self.width + 0.6, y + 0.68 * TEXT),), halo))
        made.append(Words(left, base, self.figure, TEXT, typeset.BOLD))
        if self.name:
            made.append(Words(left + width_mm(self.figure + " ", TEXT, typeset.BOLD), base, self.name, TEXT,
                              colour=SOFT))
        return made

    def upward(self, x: float, y: float) -> list[Mark]:
        """Write it from the bottom to the top, its middle at y, its baseline at x."""
        start = y + self.width / 2
        made: list[Mark] = [Words(x, start, self.figure, TEXT, typeset.BOLD, upward=True)]
        if self.name:
            made.append(Words(x, start - width_mm(self.figure + " ", TEXT, typeset.BOLD), self.name, TEXT,
                              colour=SOFT, upward=True))
        return made


def arrow(x: float, y: float, dx: float, dy: float) -> Area:
    """An arrowhead with its point at (x, y), pointing along the unit vector (dx, dy)."""
    back_x, back_y = x - ARROW * dx, y - ARROW * dy
    side_x, side_y = -dy * ARROW_HALF, dx * ARROW_HALF
    return Area((((x, y), (back_x + side_x, back_y + side_y), (back_x - side_x, back_y - side_y)),), INK)


def thin(*points: tuple[float, float]) -> Line:
    """A thin line."""
    return Line(points, THIN)


def across(x0: float, x1: float, y: float, label: Label, *, outside: str = "right") -> list[Mark]:
    """A dimension between two places from left to right.

    Parameters
    ----------
    x0, x1 : float
        The places, x0 < x1.
    y : float
        Of the dimension line.
    label : Label
        Stands on the line if there is room, else beside it.
    outside : {"left", "right"}
        On which side, then.
    """
    made: list[Mark] = []
    if x1 - x0 >= label.width + 2 * ARROW + 3:
        made += [thin((x0, y), (x1, y)), arrow(x0, y, -1, 0), arrow(x1, y, 1, 0)]
        return made + label.marks((x0 + x1) / 2, y, align="middle", halo=WHITE)
    if x1 - x0 >= 2 * ARROW + 1:  # room for the arrows, not for the words
        made += [thin((x0, y), (x1, y)), arrow(x0, y, -1, 0), arrow(x1, y, 1, 0)]
        reach = OVER + 0.6
    else:
        made += [thin((x0 - ARROW - TAIL, y), (x1 + ARROW + TAIL, y)), arrow(x0, y, 1, 0), arrow(x1, y, -1, 0)]
        reach = ARROW + TAIL + 1.0
    if outside == "right":
        return made + label.marks(x1 + reach, y)
    return made + label.marks(x0 - reach, y, align="right")


def down(x: float, y0: float, y1: float) -> list[Mark]:
    """A dimension line between two heights, without words; arrows from outside where there is little room."""
    if y1 - y0 >= 2 * ARROW + 0.4:
        return [thin((x, y0), (x, y1)), arrow(x, y0, 0, -1), arrow(x, y1, 0, 1)]
    return [
        thin((x, y0 - ARROW - TAIL / 2), (x, y1 + ARROW + TAIL / 2)), arrow(x, y0, 0, 1), arrow(x, y1, 0, -1),
    ]


def leader(x: float, y: float, knee_x: float, knee_y: float, label: Label, *, to_right: bool = True) -> list[Mark]:
    """A label with a line to the spot it speaks of."""
    side = 1.0 if to_right else -1.0
    made: list[Mark] = [
        thin((x, y), (knee_x, knee_y), (knee_x + side * 2, knee_y)),
        Area((box(x - 0.4, y - 0.4, x + 0.4, y + 0.4),), INK),
    ]
    return made + label.marks(knee_x + side * 2.8, knee_y, align="left" if to_right else "right")


def spread(wanted: list[float], distance: float) -> list[float]:
    """Move places that lie too close to each other apart, as little as possible; the order stays.

    Parameters
    ----------
    wanted : list of float
        In rising order.
    distance : float
        Smallest distance between neighbours.
    """
    groups: list[tuple[float, int]] = []  # middle and number of members
    for place in wanted:
        middle, count = place, 1
        while groups and middle - (count - 1) * distance / 2 < groups[-1][0] + (groups[-1][1] + 1) * distance / 2:
            before, members = groups.pop()
            middle = (before * members + middle * count) / (members + count)
            count += members
        groups.append((middle, count))
    return [middle + (k - (count - 1) / 2) * distance for middle, count in groups for k in range(count)]
