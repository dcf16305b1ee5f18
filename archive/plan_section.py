"""The setting in section, with the stone in its seat: enlarged with dimensions, and at true size.

Section coordinates are millimetres of the work: x from the axis, y down from the tube's end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rimsight.archive.plan_dims import OVER, Label, across, down, leader, spread, thin
from rimsight.archive.plan_ink import SOFT, Area, Colour, Line, Mark, Point, circle, hatch

METAL: Colour = (0.93, 0.91, 0.87)
STONE: Colour = (0.86, 0.92, 0.97)
SOLID: Colour = (0.45, 0.43, 0.40)  #: the tube at true size
_METAL_LINE: Colour = (0.62, 0.58, 0.52)
_OUTLINE = 0.3  #: width of outlines, mm of paper
_HATCH = 1.6  #: distance of hatch lines, mm of paper
_ROW = 5.4  #: distance of rows of dimensions, mm of paper
_LABEL_GAP = 3.6  #: distance of labels one under the other
LEFT_ROOM, RIGHT_ROOM = 44.0, 38.0  #: paper that the dimensions need beside the drawing
_FIRST = 6.5  #: from the tube to the first dimension line


@dataclass(frozen=True)
class Section:
    """What the drawing needs, millimetres; best estimates.

    Parameters
    ----------
    outer, bore, length : float
        Of the tube as cut.
    diameter, table, crown, girdle, pavilion : float
        Of the stone: widths, and heights of its parts.
    seat : float
        Tube's end to the girdle's lower edge.
    assumed : frozenset of str
        Names of figures that nobody measured, as in the result.
    closed : bool
        Whether a plate closes the back.
    """

    outer: float
    bore: float
    length: float
    diameter: float
    table: float
    crown: float
    girdle: float
    pavilion: float
    seat: float
    assumed: frozenset[str]
    closed: bool

    @classmethod
    def of(cls, result: Mapping[str, Any]) -> Section:
        """Read it from the JSON of a cut plan."""
        stone, tube, plan = result["stone"], result["tube"], result["plan"]
        return cls(
            tube["outer_diameter_mm"]["value"],
            tube["bore_diameter_mm"]["value"],
            plan["cut_length_mm"],
            stone["diameter_mm"]["value"],
            stone["table_mm"]["value"],
            stone["crown_height_mm"]["value"],
            stone["girdle_thickness_mm"]["value"],
            stone["pavilion_depth_mm"]["value"],
            plan["seat_depth_mm"],
            frozenset(stone["assumed"]),
            plan["back"] == "closed",
        )

    @property
    def metal_above(self) -> float:
        """Tube's end to the girdle's upper edge."""
        return self.seat - self.girdle

    @property
    def top(self) -> float:
        """Height of the table; negative above the tube's end."""
        return self.metal_above - self.crown

    @property
    def culet(self) -> float:
        """Height of the culet."""
        return self.seat + self.pavilion

    @property
    def ledge_end(self) -> tuple[float, float]:
        """Radius and height at which the seat's slope, drawn along the pavilion, meets the bore or the lower end."""
        slope = self.pavilion / (self.diameter / 2)
        y = self.seat + (self.diameter - self.bore) / 2 * slope
        if y <= self.length:
            return self.bore / 2, y
        return self.diameter / 2 - (self.length - self.seat) / slope, self.length

    def walls(self) -> tuple[tuple[Point, ...], tuple[Point, ...]]:
        """Left and right half of the tube as it is cut, before the rim is turned over."""
        radius, end = self.ledge_end
        right = [(self.diameter / 2, 0.0), (self.outer / 2, 0.0), (self.outer / 2, self.length)]
        if end < self.length:
            right.append((radius, self.length))
        right += [(radius, end), (self.diameter / 2, self.seat)]
        return tuple((-x, y) for x, y in right), tuple(right)

    def stone(self) -> tuple[Point, ...]:
        """Outline of the stone."""
        half = [(self.table / 2, self.top), (self.diameter / 2, self.metal_above), (self.diameter / 2, self.seat)]
        return (*half, (0.0, self.culet), *((-x, y) for x, y in reversed(half)))

    def turned_rim(self) -> tuple[Point, ...]:
        """The right half's rim laid on the crown; its middle line keeps its length (plane geometry)."""
        rim = (self.outer - self.diameter) / 2
        angle = math.atan2(self.crown, (self.diameter - self.table) / 2)
        reach = max(0.0, self.metal_above - rim / 2 * (math.pi / 2 - angle))
        x, y = self.diameter / 2, self.metal_above
        up = (-math.cos(angle), -math.sin(angle))
        arc = [(math.pi / 2 - angle) * k / 8 for k in range(9)]
        # From the wall's outside over the bend to the edge, and back along the crown.
        points = [(x + rim * math.cos(turn), y - rim * math.sin(turn)) for turn in arc]
        points.append((points[-1][0] + reach * up[0], points[-1][1] + reach * up[1]))
        return (*points, (x + reach * up[0], y + reach * up[1]), (x, y))


@dataclass(frozen=True)
class Place:
    """Where on the page the middle of the tube's end lies, and how many times the drawing enlarges."""

    x: float
    y: float
    scale: float

    def __call__(self, point: Point) -> Point:
        """Paper of a place in the section."""
        return self.x + self.scale * point[0], self.y + self.scale * point[1]

    def ring(self, points: tuple[Point, ...]) -> tuple[Point, ...]:
        """Paper of several."""
        return tuple(self(point) for point in points)


def rows_above(section: Section, scale: float) -> float:
    """Paper that the drawing needs above the tube's end: the table and three rows of dimensions."""
    return max(0.0, -section.top) * scale + 3 * _ROW + 3.5


def rows_below(section: Section, scale: float) -> float:
    """Paper that the drawing needs below the tube's end: its length and two rows of dimensions."""
    return max(section.length, section.culet) * scale + 2 * _ROW + 3.5


def true_size(section: Section, x: float, y: float) -> list[Mark]:
    """The section at 1:1 without dimensions, the middle of the tube's end at (x, y)."""
    place = Place(x, y, 1.0)
    made: list[Mark] = [Area((place.ring(section.stone()),), STONE)]
    made.append(Line(place.ring(section.stone()), 0.1, closed=True))
    # Without outlines: half their width would come on top of the true size.
    made += [Area((place.ring(wall),), SOLID) for wall in section.walls()]
    return made


def from_above(section: Section, x: float, y: float) -> list[Mark]:
    """Tube and stone seen from above at 1:1."""
    outer = circle(x, y, section.outer / 2)
    return [
        Area((circle(x, y, section.diameter / 2),), STONE),
        Area((outer, circle(x, y, section.diameter / 2)), SOLID),
        Line(circle(x, y, section.table / 2, 8), 0.1, colour=SOFT, closed=True),
    ]


def enlarged(section: Section, place: Place) -> list[Mark]:
    """The section with its dimensions."""
    made = _body(section, place)
    made += _widths(section, place)
    made += _heights(section, place)
    made += _notes(section, place)
    return made


def figure(value: float) -> str:
    """Write a dimension to 0.01 mm, or to 0.001 mm where it has one."""
    return f"{value:.2f}" if abs(value * 100 - round(value * 100)) < 0.05 else f"{value:.3f}"


def _body(section: Section, place: Place) -> list[Mark]:
    walls = [place.ring(wall) for wall in section.walls()]
    made: list[Mark] = [Area((wall,), METAL) for wall in walls]
    made += [Line(line, 0.1, _METAL_LINE) for line in hatch(walls, _HATCH)]
    stone = place.ring(section.stone())
    made.append(Area((stone,), STONE))
    made += [
        Line((place((-section.diameter / 2, y)), place((section.diameter / 2, y))), 0.12, SOFT)
        for y in (section.metal_above, section.seat)
    ]
    made += [Line(wall, _OUTLINE, closed=True) for wall in walls]
    made.append(Line(stone, _OUTLINE, closed=True))
    for side in (1, -1):
        rim = tuple((side * x, y) for x, y in section.turned_rim())
        made.append(Line(place.ring(rim), 0.22, dash=(1.0, 0.7), closed=True))
    if section.closed:
        plate = 0.8 / place.scale * 4
        left, right = -section.outer / 2 - 1 / place.scale * 3, section.outer / 2 + 1 / place.scale * 3
        made.append(Line(place.ring(((left, section.length), (right, section.length),
                                     (right, section.length + plate), (left, section.length + plate))), 0.15,
                         SOFT, dash=(1.6, 0.8), closed=True))
    top, bottom = min(section.top, 0) * place.scale - 1.5, section.length * place.scale + 3
    axis = ((place.x, place.y + top), (place.x, place.y + bottom))
    made.append(Line(axis, 0.1, SOFT, dash=(4.0, 0.8, 0.6, 0.8)))
    return made


def _widths(section: Section, place: Place) -> list[Mark]:
    k = place.scale
    first = place.y + min(section.top, 0) * k - 4.5
    rows = [first - _ROW * row for row in range(3)]
    stone, tube, bore = (width * k / 2 for width in (section.diameter, section.outer, section.bore))
    made: list[Mark] = []
    for side in (-1, 1):
        made.append(thin((place.x + side * stone, place.y - 0.7), (place.x + side * stone, rows[1] - OVER)))
        made.append(thin((place.x + side * tube, place.y - 0.7), (place.x + side * tube, rows[2] - OVER)))
    made += across(place.x + stone, place.x + tube, rows[0],
                   Label(figure((section.outer - section.diameter) / 2), "rim"))
    made += across(place.x - stone, place.x + stone, rows[1], Label(f"Ø {figure(section.diameter)}", "stone"))
    made += across(place.x - tube, place.x + tube, rows[2], Label(f"Ø {figure(section.outer)}", "tube"))
    low = place.y + max(section.length, section.culet) * k
    under = [low + 5.5, low + 5.5 + _ROW]
    end = place.y + section.length * k + 0.7
    for side in (-1, 1):
        made.append(thin((place.x + side * bore, end), (place.x + side * bore, under[1 if side > 0 else 0] + OVER)))
    made.append(thin((place.x + tube, end), (place.x + tube, under[1] + OVER)))
    made += across(place.x - bore, place.x + bore, under[0], Label(f"Ø {figure(section.bore)}", "bore"))
    made += across(place.x + bore, place.x + tube, under[1],
                   Label(figure((section.outer - section.bore) / 2), "wall"))
    return made


def _heights(section: Section, place: Place) -> list[Mark]:
    k = place.scale
    tube = section.outer * k / 2
    left, outer = place.x - tube - _FIRST, place.x - tube - LEFT_ROOM + 8
    heights = {name: place.y + y * k for name, y in
               (("end", 0.0), ("table", section.top), ("seat", section.seat), ("foot", section.length))}
    made: list[Mark] = [
        thin((place.x - tube - 0.7, heights["end"]), (outer - OVER, heights["end"])),
        thin((place.x - tube - 0.7, heights["foot"]), (outer - OVER, heights["foot"])),
        thin((place.x - tube - 0.7, heights["seat"]), (left - OVER, heights["seat"])),
        thin((place.x - section.table * k / 2 - 0.7, heights["table"]), (left - OVER, heights["table"])),
    ]
    about = "≈ " if "crown_height_mm" in section.assumed or "girdle_thickness_mm" in section.assumed else ""
    high, low = sorted((heights["end"], heights["table"]))
    made += down(left, high, low) + down(left, heights["end"], heights["seat"])
    over = "table above" if section.top <= 0 else "table below"
    wanted = [(high + low) / 2, (heights["end"] + heights["seat"]) / 2]
    labels = [Label(about + figure(abs(round(section.top, 2))), over), Label(figure(section.seat), "seat")]
    # No label sits on the line that marks the tube's end.
    off = 0.6 * _LABEL_GAP
    wanted = [min(wanted[0], heights["end"] - off), max(wanted[1], heights["end"] + off)]
    for y, label in zip(spread(wanted, _LABEL_GAP), labels, strict=True):
        made += label.marks(left - 1.4, y, align="right")
    made += down(outer, heights["end"], heights["foot"])
    made += Label(figure(section.length), "to cut").upward(outer - 1.2, (heights["end"] + heights["foot"]) / 2)
    made += _inside(section, place)
    return made


def _inside(section: Section, place: Place) -> list[Mark]:
    """Heights that fit into the drawing: the stone's, and what is free under the culet."""
    k = place.scale
    x = place.x - section.table * k / 4
    top, culet = place.y + section.top * k, place.y + section.culet * k
    made: list[Mark] = [thin((place.x - 0.7, culet), (x - OVER, culet)), *down(x, top, culet)]
    height = section.crown + section.girdle + section.pavilion
    made += Label(figure(height), "high").marks(x, top + 0.44 * (culet - top), align="middle", halo=STONE)
    label = _under_culet(section)
    if label is not None and _fits_in_bore(section, k, label):
        x = place.x + section.bore * k / 8
        foot = place.y + section.length * k
        made += [thin((place.x + 0.7, culet), (x + OVER, culet)), *down(x, culet, foot)]
        made += label.marks(x + 1.6, (culet + foot) / 2)
    return made


def _under_culet(section: Section) -> Label | None:
    free = round(section.length - section.culet, 2)
    about = "≈ " if section.assumed & {"crown_height_mm", "girdle_thickness_mm"} else ""
    return Label(about + figure(free), "under culet") if free > 0 else None


def _fits_in_bore(section: Section, scale: float, label: Label) -> bool:
    return section.bore * scale * 3 / 8 > label.width + 3 and (section.length - section.culet) * scale > 4


def _notes(section: Section, place: Place) -> list[Mark]:
    """On the right: the metal above the girdle, the ledge, and what the broken line is."""
    k = place.scale
    tube = place.x + section.outer * k / 2
    right = tube + _FIRST
    end, girdle = place.y, place.y + section.metal_above * k
    about = "≈ " if "girdle_thickness_mm" in section.assumed else ""
    made: list[Mark] = [
        thin((tube + 0.7, end), (right + OVER, end)),
        thin((tube + 0.7, girdle), (right + OVER, girdle)),
        *down(right, end, girdle),
    ]
    radius, slope_end = section.ledge_end
    spot = place(((radius + section.diameter / 2) / 2, (section.seat + slope_end) / 2))
    labels = [Label(about + figure(round(section.metal_above, 2)), "above girdle")]
    wanted = [max((end + girdle) / 2, end + 0.6 * _LABEL_GAP), spot[1] + 5.0]
    free = _under_culet(section)
    culet, foot = place.y + section.culet * k, place.y + section.length * k
    outside = free is not None and not _fits_in_bore(section, k, free)
    if free is not None and outside:
        # No room in the bore: the extension lines go out through the wall.
        made += [thin((place.x + 0.7, culet), (right + OVER, culet)), thin((tube + 0.7, foot), (right + OVER, foot))]
        made += down(right, culet, foot)
        labels.append(free)
        wanted.append((culet + foot) / 2)
    above, ledge, *rest = spread(wanted, 1.5 * _LABEL_GAP)
    for y, label in zip((above, *rest), labels, strict=True):
        made += label.marks(right + 1.6, y)
    made += leader(*spot, tube + 3.5, ledge, Label(figure((section.diameter - section.bore) / 2), "ledge"))
    return made


__all__ = [
    "LEFT_ROOM", "RIGHT_ROOM", "SOLID", "Place", "Section", "enlarged", "figure", "from_above", "rows_above",
    "rows_below", "true_size",
]
