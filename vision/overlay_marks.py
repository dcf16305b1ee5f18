"""The marks in the picture: outlines, rims, dimension lines, numbers, the scale bar, and labels that keep clear."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rimsight.vision.overlay_colour import DIMENSION, INK, LINES, SMALLEST, WHITE, Rgb
from rimsight.vision.overlay_frame import Frame
from rimsight.vision.overlay_ink import (
    Ink,
    arrowhead,
    block_size,
    dashes,
    finite,
    font,
    line_height,
    text_width,
    wrap,
)
from rimsight.vision.overlay_model import NumberMark, OutlineMark, Overlay
from rimsight.vision.overlay_place import INSIDE, LINE, RIM, Anchor, Place, Room
from rimsight.vision.overlay_rim import ShownRim

FloatArray = NDArray[np.float64]
Pair = tuple[float, float]

#: Sizes, 1/1600 of the picture's width: at 400 px across, 40 is 10 px.
LABEL_SIZE = 40.0
NUMBER_SIZE = 38.0
OUTLINE_WIDTH = 4.0
DIMENSION_WIDTH = 3.5
LEADER_WIDTH = 2.5
ARROW_WIDTH = 7.0
ARROWHEAD = 26.0
PLATE_PAD = 10.0
PLATE_OPACITY = 0.84
PLATE_CORNER = 9.0
BAR_HEIGHT = 13.0
#: Labels are wrapped at this share of the picture's width and cut after this many lines.
LABEL_SHARE = 0.42
LABEL_LINES = 3
#: Distances from the mark that are tried for a label, units.
DISTANCES = (12.0, 34.0, 70.0, 120.0, 190.0, 280.0)
#: Preferred to a place beside the dimension line by this much.
ON_LINE = 20.0
#: Lengths of the scale bar, millimetres; the others only where none of these fits.
BAR_LENGTHS = (1.0, 2.0, 5.0, 10.0)
#: The bar's wanted and allowed lengths, shares of the picture's width.
BAR_WANTED, BAR_SHORTEST, BAR_LONGEST = 0.30, 0.05, 0.60

AROUND: tuple[Pair, ...] = tuple((float(np.cos(a)), float(np.sin(a))) for a in np.arange(16) * (2.0 * np.pi / 16))


def draw_marks(ink: Ink, frame: Frame, overlay: Overlay) -> list[str]:
    """Draw everything that belongs into the picture.

    Parameters
    ----------
    ink : Ink
        On the panel.
    frame : Frame
        The part of the photo that it shows.
    overlay : Overlay
        What to draw.

    Returns
    -------
    list of str
        Labels for which there was no free place, to be written under the picture.
    """
    room = Room(frame.width, frame.height, ink.unit)
    rims = [ShownRim(band, frame, ink.unit) for band in overlay.rim_bands]
    outlines = [(mark, finite(frame.place(mark.points_px))) for mark in overlay.outlines]
    for rim in rims:
        rim.draw(ink)
        room.add_shapes(rim.quads(), RIM)
    for mark, points in outlines:
        _outline(ink, mark, points)
        if mark.closed:
            room.add_shapes([points], INSIDE)
        room.add_lines([_ring(points) if mark.closed else points], LINE)
    dimensions = [(mark, frame.place(mark.start_px), frame.place(mark.end_px)) for mark in overlay.dimensions]
    for _, start, end in dimensions:
        heads = _dimension(ink, start, end)
        room.add_shapes(heads, RIM)
    for number in overlay.numbers:
        circle = _circle(frame.place(number.centre_px), number.radius_px * frame.scale)
        ink.stroke([_ring(circle)], 3.0, WHITE)
        room.add_shapes([circle], INSIDE)
        room.add_lines([_ring(circle)], LINE)
    left_over: list[str] = []
    spans = [np.vstack([start, end]) for _, start, end in dimensions]
    with room.besides(spans, LINE):
        _scale_bar(ink, frame, overlay, room)
        for rim in rims:
            left_over += _smallest(ink, rim, room)
        _numbers(ink, frame, overlay.numbers, room)
    for k, (dimension, start, end) in enumerate(dimensions):
        # A label may stand in its own line, but not on the others.
        with room.besides(spans[:k] + spans[k + 1 :], LINE):
            left_over += _label(ink, room, dimension.text, _dimension_anchors(start, end, 300.0 * ink.unit), DIMENSION)
    room.add_lines(spans, LINE)
    for mark, points in outlines:
        left_over += _label(ink, room, mark.label, _outline_anchors(points, mark.closed), LINES[mark.kind].colour)
    return left_over


def _ring(points: FloatArray) -> FloatArray:
    return np.vstack([points, points[:1]]) if len(points) else points


def _circle(centre: FloatArray, radius: float) -> FloatArray:
    angle = np.linspace(0.0, 2.0 * np.pi, max(36, min(int(radius), 360)), endpoint=False)
    return np.asarray(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def _outline(ink: Ink, mark: OutlineMark, points: FloatArray) -> None:
    if not len(points):
        return
    line = LINES[mark.kind]
    if line.dash and len(points) > 1:
        pieces = dashes(points, line.dash * ink.unit, line.gap * ink.unit, closed=mark.closed)
    else:
        pieces = [_ring(points) if mark.closed else points]
    ink.stroke(pieces, OUTLINE_WIDTH, line.colour)


def _outline_anchors(points: FloatArray, closed: bool) -> list[Anchor]:
    if not len(points):
        return []
    picked = np.unique(np.linspace(0, len(points) - 1, 40).astype(int))
    if closed:
        away = points[picked] - points.mean(axis=0)
    else:
        ahead = points[np.minimum(picked + 1, len(points) - 1)] - points[np.maximum(picked - 1, 0)]
        away = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    size = np.hypot(away[:, 0], away[:, 1])
    anchors = []
    for point, vector, length in zip(points[picked], away, size, strict=True):
        unit = (float(vector[0] / length), float(vector[1] / length)) if length > 0 else (0.0, -1.0)
        anchors.append(Anchor((float(point[0]), float(point[1])), (unit, (-unit[0], -unit[1]))))
    return anchors


def _dimension(ink: Ink, start: FloatArray, end: FloatArray) -> list[FloatArray]:
    """Draw a dimension line; return its arrowheads."""
    length = float(np.hypot(*(end - start)))
    if length < 1e-6:
        return []
    direction = (end - start) / length
    head = ARROWHEAD * ink.unit
    if length > 3.2 * head:
        lines = [np.vstack([start + 0.7 * head * direction, end - 0.7 * head * direction])]
        heads = [arrowhead(start, -direction, head), arrowhead(end, direction, head)]
    else:  # too short for both: the arrows stand outside and point at it
        lines = [
            np.vstack([start - 2.2 * head * direction, start - 0.7 * head * direction]),
            np.vstack([end + 0.7 * head * direction, end + 2.2 * head * direction]),
        ]
        heads = [arrowhead(start, direction, head), arrowhead(end, -direction, head)]
    ink.stroke(lines, DIMENSION_WIDTH, DIMENSION)
    ink.fill(heads, DIMENSION, halo=True)
    return heads


def _dimension_anchors(start: FloatArray, end: FloatArray, long: float) -> list[Anchor]:
    length = float(np.hypot(*(end - start)))
    ux, uy = ((end - start) / length).tolist() if length > 1e-6 else (1.0, 0.0)
    sides = ((-uy, ux), (uy, -ux))
    anchors = [
        Anchor((float(start[0]), float(start[1])), ((-ux, -uy), *sides)),
        Anchor((float(end[0]), float(end[1])), ((ux, uy), *sides)),
    ]
    for share in (0.5, 0.35, 0.65, 0.2, 0.8):
        point = start + share * (end - start)
        anchors.append(Anchor((float(point[0]), float(point[1])), sides))
        if length > long:  # as in technical drawings: the text stands in the line
            anchors.append(Anchor((float(point[0]), float(point[1])), ((0.0, 0.0),), ON_LINE - abs(share - 0.5)))
    return anchors


def _label(ink: Ink, room: Room, text: str, anchors: Sequence[Anchor], colour: Rgb) -> list[str]:
    """Put a label at the best free place; return its text if there is none."""
    if not text.strip():
        return []
    face = font(LABEL_SIZE * ink.unit)
    lines = wrap(text, face, LABEL_SHARE * room.width, LABEL_LINES)
    size = _plate_size(ink, lines, LABEL_SIZE)
    place = room.find(anchors, size, DISTANCES)
    if place is None:
        # Nothing of it is in the picture, so a label would point nowhere.
        return []
    if not place.free:
        return [text]
    _write(ink, room, place, lines, LABEL_SIZE, colour)
    return []


def _plate_size(ink: Ink, lines: Sequence[str], text_size: float) -> Pair:
    width, height = block_size(lines, font(text_size * ink.unit))
    return width + 2.4 * PLATE_PAD * ink.unit, height + 0.8 * PLATE_PAD * ink.unit


def _write(ink: Ink, room: Room, place: Place, lines: Sequence[str], text_size: float, colour: Rgb) -> None:
    if place.leader is not None:
        ink.stroke([np.array([place.anchor, place.leader])], LEADER_WIDTH, colour)
    ink.plate(place.box, INK, PLATE_OPACITY, PLATE_CORNER)
    _write_in(ink, place.box, lines, text_size, colour)
    room.add_box(place.box)


def _write_in(
    ink: Ink, box: tuple[float, float, float, float], lines: Sequence[str], text_size: float, colour: Rgb
) -> None:
    face = font(text_size * ink.unit)
    width, height = block_size(lines, face)
    x, y = 0.5 * (box[0] + box[2] - width), 0.5 * (box[1] + box[3] - height)
    for k, line in enumerate(lines):
        ink.text([line], x + 0.5 * (width - text_width(line, face)), y + k * line_height(face), face, colour)


def _smallest(ink: Ink, rim: ShownRim, room: Room) -> list[str]:
    """Draw the arrow at the smallest place of a rim, with its value at the arrow's tail."""
    found = rim.smallest()
    if found is None:
        return []
    inner, outer, outward = found
    unit = ink.unit
    lines = wrap(rim.text(), font(LABEL_SIZE * unit), LABEL_SHARE * room.width, LABEL_LINES)
    size = _plate_size(ink, lines, LABEL_SIZE)
    best: tuple[float, Place, FloatArray, FloatArray] | None = None
    for tip, side in ((outer, outward), (inner, -outward)):
        for turn in (0.0, 20.0, -20.0, 40.0, -40.0, 60.0, -60.0):
            c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
            direction = np.array([c * side[0] - s * side[1], s * side[0] + c * side[1]])
            point = tip + 0.15 * ARROWHEAD * unit * side
            place = room.find(
                [Anchor((float(point[0]), float(point[1])), ((float(direction[0]), float(direction[1])),))],
                size, (90.0, 125.0, 175.0), roam=False,
            )  # fmt: skip
            if place is None:
                continue
            cost = room.cover_cost(place.box) + abs(turn) + (0.0 if side is outward else 60.0)
            if best is None or cost < best[0]:
                best = (cost, place, point, direction)
    if best is None or not best[1].free:
        return [rim.text()] if room.holds((float(outer[0]), float(outer[1]))) else []
    _, place, point, direction = best
    head = 1.25 * ARROWHEAD * unit
    tail = np.array([np.clip(point[0], place.box[0], place.box[2]), np.clip(point[1], place.box[1], place.box[3])])
    middle = np.array([0.5 * (place.box[0] + place.box[2]), 0.5 * (place.box[1] + place.box[3])])
    # The shaft comes from the middle of the plate, which covers its end.
    towards = middle - point
    towards = towards / max(float(np.hypot(*towards)), 1e-9)
    ink.stroke([np.vstack([point + 0.8 * head * towards, middle])], ARROW_WIDTH, SMALLEST)
    ink.fill([arrowhead(point, -towards, head)], SMALLEST, halo=True)
    room.add_lines([np.vstack([point, tail])], RIM)
    ink.plate(place.box, INK, 1.0, PLATE_CORNER)
    _write_in(ink, place.box, lines, LABEL_SIZE, SMALLEST)
    room.add_box(place.box)
    return []


def _numbers(ink: Ink, frame: Frame, numbers: Sequence[NumberMark], room: Room) -> None:
    waiting = []
    for number in numbers:
        lines = wrap(number.text, font(NUMBER_SIZE * ink.unit), LABEL_SHARE * room.width, 1)
        centre = frame.place(number.centre_px)
        radius = number.radius_px * frame.scale
        size = _plate_size(ink, lines, NUMBER_SIZE)
        box = (centre[0] - size[0] / 2, centre[1] - size[1] / 2, centre[0] + size[0] / 2, centre[1] + size[1] / 2)
        inside = np.hypot(*size) / 2 < 0.9 * radius
        if not lines[0]:
            continue
        if inside and room.fits(box) and room.is_free(box):
            _write(ink, room, Place(box, (centre[0], centre[1]), None, True), lines, NUMBER_SIZE, WHITE)
        else:
            waiting.append((centre, radius, lines, size))
    for centre, radius, lines, size in waiting:
        anchors = [
            Anchor((float(centre[0] + radius * dx), float(centre[1] + radius * dy)), ((dx, dy),)) for dx, dy in AROUND
        ]
        place = room.find(anchors, size, (4.0, 20.0, 45.0, 80.0))
        if place is not None:
            _write(ink, room, place, lines, NUMBER_SIZE, WHITE)


def bar_length_mm(px_per_mm: float, width_px: float) -> float:
    """Length of the scale bar: 1, 2, 5 or 10 mm, the longest within three tenths of the picture's width.

    Where a picture is so near or so far that none of them suits, the series goes on both ways (0.5, 20 and so on).
    """
    wanted = BAR_WANTED * width_px / px_per_mm
    power = 10.0 ** np.floor(np.log10(wanted))
    best = float(max(factor * power for factor in (1.0, 2.0, 5.0) if factor * power <= wanted * (1 + 1e-9)))
    nearest = float(np.clip(best, BAR_LENGTHS[0], BAR_LENGTHS[-1]))
    share = nearest * px_per_mm / width_px
    return nearest if BAR_SHORTEST <= share <= BAR_LONGEST else best


def _scale_bar(ink: Ink, frame: Frame, overlay: Overlay, room: Room) -> None:
    scale = overlay.px_per_mm * frame.scale
    length_mm = bar_length_mm(scale, frame.width)
    length = length_mm * scale
    face = font(LABEL_SIZE * ink.unit)
    text = f"{length_mm:g} mm"
    pad, bar = 1.6 * PLATE_PAD * ink.unit, BAR_HEIGHT * ink.unit
    width = max(length, text_width(text, face)) + 2 * pad
    height = line_height(face) + bar + 1.6 * pad
    centre = frame.place(overlay.scale_centre_px)
    air = 18.0 * ink.unit
    best: tuple[float, float, float] | None = None
    for y in (frame.height - air - height, air):
        for share, habit in ((0.0, 0.0), (1.0, 4.0), (0.5, 8.0)):
            x = air + share * (frame.width - 2 * air - width)
            away = np.hypot(x + width / 2 - centre[0], y + height / 2 - centre[1]) / ink.unit
            cost = room.cover_cost((x, y, x + width, y + height)) + 0.01 * away + habit + (12.0 if y == air else 0.0)
            if best is None or cost < best[0]:
                best = (float(cost), round(x) - 0.5, round(y) - 0.5)
    assert best is not None
    _, x, y = best
    box = (x, y, x + width, y + height)
    ink.plate(box, INK, PLATE_OPACITY, PLATE_CORNER)
    start, top = round(x + (width - length) / 2) - 0.5, round(y + 0.8 * pad) - 0.5
    # Square ends on sharp lines: its length is what counts.
    ink.plate((start, top, start + length, top + max(round(bar), 2)), WHITE, 1.0, 0.0)
    ink.text([text], x + (width - text_width(text, face)) / 2, top + bar + 0.25 * pad, face, WHITE)
    room.add_box(box)
