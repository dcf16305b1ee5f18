"""Where a lying tube's four edges may run: two straight lines along it and two across, as seen in the card's plane.

Detection only. Shadows are long and straight too, and so are the streaks of light on a tube. A rectangle counts by how
much of each side is a sharp edge in any channel; its sides must end at its corners, for a streak of light inside of a
tube has the tube's ends going on beyond it; and between its sides the light must be the same all along the axis, which
it is not where a shadow at the tube's end was taken in.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.side_find import Start, Thing

FloatArray = NDArray[np.float64]

#: Samples of the map, pixels, and how far beyond the thing it reaches: millimetres, and a share of the thing's size.
STEP_PX, MARGIN_MM, MARGIN_SHARE, WIDE_SHARE = 1.5, 0.6, 0.25, 0.6
#: Lines are looked at in pieces of this length, millimetres.
PIECE_MM = 0.3
#: A piece counts as edge from so many times the usual step on, fully from so many more.
PIECE_FROM, PIECE_FULL = 4.0, 12.0
#: The usual step is that of the map without this part of it on each side.
NOISE_INSET = 6
#: An edge belongs to a line when it lies within so many samples.
NEAR = 2
#: Lines of each direction that are combined, and their least distance, millimetres.
LINES, SHORTEST_MM = 14, 1.0
#: Directions that are tried to either side of the commonest one of the edges, and their distance, radians.
TURN_REACH, TURN_STEP = float(np.radians(6.0)), float(np.radians(0.2))
#: Channels: lightness, red against green, blue against both; codes about even to the eye (square roots of light).
WEIGHTS = np.array([[0.3, 0.6, 0.1], [1.0, -1.0, 0.0], [-0.5, -0.5, 1.0]])
#: How far beyond its corners a side is looked for: a share of the smaller side and at least this, millimetres.
BEYOND_SHARE, BEYOND_MM = 0.12, 0.5
#: What counts against a rectangle: ends that go on (their mean, the worst), light that changes along it.
MEAN_COST, WORST_COST, UNEVEN_COST = 0.5, 0.25, 4.0
#: ... and for it: the square root of its share of the largest one's area.
SIZE_GAIN = 0.6
#: A side of which less is an edge is none.
LEAST_SHARE = 0.25
#: Light differs from that of the rest of the length by this (codes from 0 to 1) on more than this share of a slice.
UNEVEN_CODE, UNEVEN_SHARE = 0.045, 0.3
#: Rectangles that are looked at closely, and that are returned.
LOOKED_AT, RETURNED = 40, 3

#: Further sides are looked for so far outside of a tube's, as a share of its width.
WIDER_SHARE = 1.6

Rectangle = tuple[int, int, int, int]


@dataclass(frozen=True)
class Judged:
    """How well a rectangle suits a lying tube.

    Parameters
    ----------
    score : float
        The higher, the better.
    shares : tuple of 4 floats
        How much of each side is an edge.
    beyond, both : float
        How much of what continues an end beyond the tube's sides is an edge: beyond one side at least, beyond both.
        (A side may go on as its shadow's, and an end beyond the side that throws a shadow.)
    uneven : float
        Share of the length on which the light between the sides differs from that on the rest.
    across : bool
        The axis runs along the second direction.
    """

    score: float
    shares: tuple[float, ...]
    beyond: float
    both: float
    uneven: float
    across: bool


@dataclass(frozen=True)
class LineMap:
    """The neighbourhood of a thing, turned so that its straight edges run along rows and columns.

    Parameters
    ----------
    turn : float
        Direction of the first axis in the card's plane, radians.
    start : tuple of 2 floats
        First samples along both axes, millimetres.
    step_mm : float
        Distance of the samples.
    code : ndarray of shape (H, W, 3)
        Square roots of the light.
    edges : tuple of 2 ndarrays
        For lines at one place of the first axis (W, pieces), and of the second (H, pieces): how much each piece is an
        edge, 0 to 1.
    """

    turn: float
    start: tuple[float, float]
    step_mm: float
    code: FloatArray
    edges: tuple[FloatArray, FloatArray]

    @property
    def piece(self) -> int:
        """Samples of a piece."""
        return max(2, round(PIECE_MM / self.step_mm))

    def rectangle(self, points_mm: FloatArray) -> Rectangle | None:
        """The rectangle round points (N, 2) in the card's plane, in samples; None where it leaves the map."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        at = (points_mm @ np.array([[c, -s], [s, c]]) - np.array(self.start)) / self.step_mm
        low, high = np.rint(at.min(axis=0)).astype(int), np.rint(at.max(axis=0)).astype(int)
        height, width = self.code.shape[:2]
        if low.min() < 0 or high[0] >= width or high[1] >= height or (high - low).min() < 2:
            return None
        return int(low[0]), int(high[0]), int(low[1]), int(high[1])

    def judge(self, rectangle: Rectangle, *, quick: bool = False) -> Judged:
        """Judge a rectangle; a quick look leaves out the light inside."""
        left, right, top, bottom = rectangle
        sides = ((0, left, top, bottom), (0, right, top, bottom), (1, top, left, right), (1, bottom, left, right))
        reach = max(BEYOND_MM / self.step_mm, BEYOND_SHARE * min(right - left, bottom - top))
        shares, beyond, both = [], [], []
        for axis, line, low, high in sides:
            line_edges, n = self.edges[axis][line], self.piece
            begin, end = -(-low // n), max(high // n, -(-low // n) + 1)
            shares.append(_mean(line_edges[begin:end]))
            before, after = line_edges[max(int(low - reach) // n, 0) : low // n], line_edges[-(-high // n) :]
            further = _mean(before), _mean(after[: -(-int(reach) // n)])
            beyond.append(max(further))
            both.append(min(further))
        uneven = (0.0, 0.0) if quick else self._uneven(rectangle)
        # With the axis along the second direction the ends are the last two sides, along the first the first two.
        options = [
            (UNEVEN_COST * own + MEAN_COST * float(np.mean(beyond[ends])) + WORST_COST * max(beyond[ends]), own,
             max(beyond[ends]), max(both[ends]), along)
            for own, ends, along in ((uneven[0], slice(2, 4), True), (uneven[1], slice(0, 2), False))
        ]
        cost, own, one_way, both_ways, across = min(options)
        return Judged(float(np.mean(shares) + min(shares)) - cost, tuple(shares), one_way, both_ways, own, across)

    def wider(self, rectangle: Rectangle, across: bool) -> float:
        """How much of the best line outside of a tube's sides, between its ends, is an edge."""
        left, right, top, bottom = rectangle
        sides, low, high = ((left, right), top, bottom) if across else ((top, bottom), left, right)
        edges, n = self.edges[0 if across else 1], self.piece
        between = edges[:, -(-low // n) : max(high // n, -(-low // n) + 1)].mean(axis=1)
        reach, gap = round(WIDER_SHARE * (sides[1] - sides[0])), 2 * NEAR + 1
        outside = between[max(sides[0] - reach, 0) : max(sides[0] - gap, 0)], between[sides[1] + gap : sides[1] + reach]
        return float(max(part.max() if len(part) else 0.0 for part in outside))

    def _uneven(self, rectangle: Rectangle) -> tuple[float, float]:
        """Share of the rectangle on which the light isn't that of the rest, with the axis along columns and rows."""
        left, right, top, bottom = rectangle
        inset = max(2, int(0.06 * min(right - left, bottom - top)))
        inside = self.code[top + inset : bottom - inset, left + inset : right - inset]
        if min(inside.shape[:2]) < 4:
            return 1.0, 1.0
        found = []
        for axis in (0, 1):
            usual = np.median(inside, axis=axis, keepdims=True)
            away = np.abs(ndimage.uniform_filter1d(inside, max(3, inset), axis=axis) - usual).max(axis=2)
            found.append(float(np.mean((away > UNEVEN_CODE).mean(axis=1 - axis) > UNEVEN_SHARE)))
        return found[0], found[1]


def _mean(values: FloatArray) -> float:
    return float(values.mean()) if len(values) else 0.0


def line_map(
    image: LightImage, view: View, thing: Thing, blur_px: float, share: float = MARGIN_SHARE
) -> LineMap | None:
    """Map the straight edges round a thing; None where it has too few.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    thing : Thing
        What lies there.
    blur_px : float
        Blur of the photograph.
    share : float
        How far beyond the thing is looked, as a share of its size.
    """
    if thing.normals is None or len(thing.normals) < 40:
        return None
    turn = _peak(np.mod(np.arctan2(thing.normals[:, 1], thing.normals[:, 0]), np.pi / 2))
    turn = _better_turn(_sampled(image, view, thing, turn, share), blur_px, turn)
    start, step, code = _sampled(image, view, thing, turn, share)
    edges = tuple(_edges(pieces) for pieces in _pieces(code, step, blur_px))
    return LineMap(turn, start, step, code, (edges[0], edges[1]))


def tube_lines(image: LightImage, view: View, thing: Thing, blur_px: float) -> tuple[LineMap | None, list[Start]]:
    """Map the straight edges round a thing and find the likeliest rectangles, the best first."""
    lines = line_map(image, view, thing, blur_px)
    found = [] if lines is None else tube_starts(lines)
    if lines is not None and not found:
        # Of a pale tube only a streak or one side may have been found at first.
        lines = line_map(image, view, thing, blur_px, WIDE_SHARE)
        found = [] if lines is None else tube_starts(lines)
    return lines, found


def tube_starts(lines: LineMap) -> list[Start]:
    """The likeliest rectangles, the best first."""
    places = [_strongest(edges) for edges in lines.edges]
    least = SHORTEST_MM / lines.step_mm
    found: list[tuple[float, Rectangle]] = []
    for left, right in combinations(places[0], 2):
        for top, bottom in combinations(places[1], 2):
            if right - left < least or bottom - top < least:
                continue
            judged = lines.judge((left, right, top, bottom), quick=True)
            if min(judged.shares) >= LEAST_SHARE:
                found.append((judged.score, (left, right, top, bottom)))
    largest = max((_area(rectangle) for _, rectangle in found), default=1.0)
    gained = [(score + SIZE_GAIN * float(np.sqrt(_area(r) / largest)), r) for score, r in found]
    gained.sort(key=lambda item: -item[0])
    looked = []
    for _, rectangle in gained[:LOOKED_AT]:
        judged = lines.judge(rectangle)
        size = SIZE_GAIN * float(np.sqrt(_area(rectangle) / largest))
        looked.append((judged.score + size, rectangle, judged.across))
    looked.sort(key=lambda item: -item[0])
    return [_start(lines, *item) for item in looked[:RETURNED]]


def _area(rectangle: Rectangle) -> float:
    left, right, top, bottom = rectangle
    return float((right - left) * (bottom - top))


def _start(lines: LineMap, score: float, rectangle: Rectangle, across: bool) -> Start:
    left, right, top, bottom = (float(v) for v in rectangle)
    middle = np.array([left + right, top + bottom]) / 2 * lines.step_mm + lines.start
    half = (right - left) / 2 * lines.step_mm, (bottom - top) / 2 * lines.step_mm
    c, s = np.cos(lines.turn), np.sin(lines.turn)
    centre = (float(c * middle[0] - s * middle[1]), float(s * middle[0] + c * middle[1]))
    length, radius = (half[1], half[0]) if across else half
    turn = lines.turn + (np.pi / 2 if across else 0.0)
    return Start("tube", centre, float(turn), radius, length, length, radius, float(max(0.0, 2.6 - score)) / 20)


def _sampled(
    image: LightImage, view: View, thing: Thing, turn: float, share: float
) -> tuple[tuple[float, float], float, FloatArray]:
    """First samples, their distance, and the square roots of the light round a thing, turned."""
    c, s = np.cos(turn), np.sin(turn)
    turned = np.array([[c, s], [-s, c]])
    hull = thing.hull_mm @ turned.T
    margin = MARGIN_MM + share * float(np.ptp(thing.hull_mm, axis=0).max())
    low, high = hull.min(axis=0) - margin, hull.max(axis=0) + margin
    middle = turned.T @ ((low + high) / 2)
    step = STEP_PX / view.px_per_mm((float(middle[0]), float(middle[1])))
    first, second = (np.arange(low[k], high[k], step) for k in (0, 1))
    points = np.stack(np.meshgrid(first, second), axis=-1)
    pixels = view.to_pixels(points.reshape(-1, 2) @ turned, 0.0)
    light = np.nan_to_num(image.sample_rgb(pixels, order=1)).reshape(*points.shape[:2], 3)
    return (float(low[0]), float(low[1])), step, np.sqrt(np.clip(light, 0.0, None))


def _pieces(code: FloatArray, step_mm: float, blur_px: float) -> tuple[FloatArray, FloatArray]:
    """Steps across columns (W, pieces, 3) and across rows (H, pieces, 3), over their noise."""
    channels = code @ WEIGHTS.T
    count = max(2, round(PIECE_MM / step_mm))
    found = []
    for axis in (1, 0):
        slope = ndimage.gaussian_filter1d(channels, max(blur_px, 1.0) / STEP_PX, axis=axis, order=1)
        slope = np.moveaxis(slope, axis, 0)
        whole = slope.shape[1] // count
        pieces = slope[:, : whole * count].reshape(slope.shape[0], whole, count, 3).mean(axis=2)
        near, part = max(2, pieces.shape[0] // NOISE_INSET), max(1, whole // NOISE_INSET)
        inner = pieces[near:-near, part:-part]
        noise = 1.4826 * np.median(np.abs(inner - np.median(inner, axis=(0, 1))), axis=(0, 1)) + 1e-4
        found.append(pieces / noise)
    return found[0], found[1]


def _edges(pieces: FloatArray) -> FloatArray:
    """How much each piece of each line is an edge, 0 to 1."""
    size = np.sqrt(np.sum(pieces**2, axis=2))
    crest = size >= ndimage.maximum_filter1d(size, 2 * NEAR + 1, axis=0)
    strength = np.where(crest, np.clip((size - PIECE_FROM) / (PIECE_FULL - PIECE_FROM), 0.0, 1.0), 0.0)
    return np.asarray(ndimage.maximum_filter1d(strength, 2 * NEAR + 1, axis=0))


def _strongest(edges: FloatArray) -> list[int]:
    """Places of the lines with most edges, in order."""
    total = ndimage.gaussian_filter1d(edges.sum(axis=1), 1.0)
    peaks = np.nonzero((total > 0) & (total >= ndimage.maximum_filter1d(total, 2 * NEAR + 1)))[0]
    return sorted(int(k) for k in peaks[np.argsort(-total[peaks])][:LINES])


def _peak(angles: FloatArray) -> float:
    """The commonest angle of a quarter turn."""
    grid = np.radians(np.arange(0.0, 90.0, 0.5))
    away = np.abs((angles[None] - grid[:, None] + np.pi / 4) % (np.pi / 2) - np.pi / 4)
    best = float(grid[np.sum(np.exp(-0.5 * (away / 0.03) ** 2), axis=1).argmax()])
    near = (angles - best + np.pi / 4) % (np.pi / 2) - np.pi / 4
    return best + float(np.mean(near[np.abs(near) < 0.08]))


def _better_turn(sampled: tuple[tuple[float, float], float, FloatArray], blur_px: float, turn: float) -> float:
    """The direction in which the steps add up best along straight lines."""
    _, step, code = sampled
    count = max(2, round(PIECE_MM / step))
    pieces = [np.clip(one, -15.0, 15.0) for one in _pieces(code, step, blur_px)]
    tried = np.arange(-TURN_REACH, TURN_REACH + TURN_STEP / 2, TURN_STEP)
    energy = np.array([
        _summed(pieces[0], -np.tan(by) * count) + _summed(pieces[1], np.tan(by) * count) for by in tried
    ])  # fmt: skip
    k = int(np.clip(energy.argmax(), 1, len(tried) - 2))
    bend = energy[k - 1] - 2 * energy[k] + energy[k + 1]
    shift = 0.5 * (energy[k - 1] - energy[k + 1]) / bend if bend < 0 else 0.0
    return float(turn + tried[k] + np.clip(shift, -1.0, 1.0) * TURN_STEP)


def _summed(pieces: FloatArray, slope: float) -> float:
    """Squares of the steps added along lines that go on by `slope` samples a piece."""
    lines, count = pieces.shape[:2]
    shift = slope * (np.arange(count) - (count - 1) / 2)
    whole = np.floor(shift).astype(int)
    rest = (shift - whole)[None, :, None]
    at = np.arange(lines)[:, None] + whole[None, :]
    columns = np.arange(count)[None, :]
    moved = (1 - rest) * pieces[at % lines, columns] + rest * pieces[(at + 1) % lines, columns]
    return float(np.sum(moved.sum(axis=1) ** 2))
