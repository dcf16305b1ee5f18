"""What stands on the stage as seen from the side: its rough outline, and how a stone's or a tube's axis lies in it.

Detection only, on a flattened copy: the outline is the convex hull of sharp edges (a shadow's edge is soft, because
what casts it stands some millimetres above the paper), and the axis is that of the kite or the rectangle that fits it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.spatial import ConvexHull, cKDTree

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration
from rimsight.vision.candidates import Candidate, Stage, flatten
from rimsight.vision.subjects import SeveralSubjects, Subject, TouchesFrame

FloatArray = NDArray[np.float64]

#: Margin inside the frame's inner edge that is not searched, as a share of the stage's half side.
STAGE_MARGIN = 0.03
#: An edge counts when its gradient is this many times the usual one on the stage, and at least so many codes.
NOISE_TIMES, LEAST_CODES = 6.0, 3.5
#: ... and when smoothing by three times takes at least this much off it: a shadow's edge keeps its gradient.
SHARP_RATIO = 1.45
#: Stronger edges: so many times what counts.
CORES = (1.7, 3.0, 5.0)
#: Edge pixels nearer than this belong to one thing, millimetres.
JOIN_MM = 0.45
#: Smaller things are dust.
SPECK_MM = 0.9
#: A second thing counts from this share of the first one's size on.
OTHER_SHARE = 0.35
#: ... and when its edges are about as strong; what lies nearer than this belongs to the first, millimetres.
OTHER_STRENGTH, NEAR_MM = 0.4, 1.2
#: Directions in which hulls are compared.
DIRECTIONS = 72
#: Sides of the frame by the direction that leads there, card coordinates.
SIDES = {(-1.0, 0.0): "on the left", (1.0, 0.0): "on the right", (0.0, -1.0): "at its top", (0.0, 1.0): "at its bottom"}


class NothingSeen(PhotoError):
    """There is nothing on the stage."""

    kind = "nothing_on_stage"


class NoSideView(PhotoError):
    """What lies there is no stone or tube seen from the side."""

    kind = "no_side_view"


@dataclass(frozen=True)
class Thing:
    """Something on the stage.

    Parameters
    ----------
    hull_mm : ndarray of shape (M, 2)
        Its convex outline as seen in the card's plane.
    touches : tuple of 2 floats or None
        Direction (card coordinates) in which it runs into the frame; None if it doesn't.
    cores_mm : tuple of ndarray of shape (M, 2)
        Hulls of its stronger edges only: glints and light that it throws on the paper are left out.
    edges_mm, normals : ndarray of shape (N, 2), optional
        Its edges' places and directions.
    strength : float
        How strong they are.
    """

    hull_mm: FloatArray
    touches: tuple[float, float] | None = None
    cores_mm: tuple[FloatArray, ...] = ()
    edges_mm: FloatArray | None = None
    normals: FloatArray | None = None
    strength: float = 1.0

    @property
    def size_mm(self) -> float:
        """Its largest extent."""
        return float(np.max(support(self.hull_mm, angles()) + support(self.hull_mm, angles() + np.pi)))


@dataclass(frozen=True)
class Start:
    """A first idea of an axis, in the card's plane.

    Parameters
    ----------
    of : {"stone", "tube"}
        What was fitted.
    centre_mm : tuple of 2 floats
        Middle of the girdle, or of the tube.
    turn : float
        Direction towards the table, radians.
    radius_mm : float
        Radius of girdle or tube.
    ahead_mm, behind_mm : float
        From the centre to table (one end) and culet (the other end).
    table_mm : float
        Radius of the table; of a tube its own.
    misfit : float
        Mean distance of both hulls over the radius.
    """

    of: str
    centre_mm: tuple[float, float]
    turn: float
    radius_mm: float
    ahead_mm: float
    behind_mm: float
    table_mm: float
    misfit: float


def angles() -> FloatArray:
    """Directions in which hulls are compared, radians."""
    return np.asarray(np.arange(DIRECTIONS) * (2.0 * np.pi / DIRECTIONS))


def support(points: FloatArray, directions: FloatArray) -> FloatArray:
    """How far a hull reaches in each direction (radians)."""
    return np.asarray((points @ np.array([np.cos(directions), np.sin(directions)])).max(axis=0))


def find_things(image: LightImage, calibration: Calibration) -> list[Thing]:
    """Find what stands on the stage, the largest first.

    Raises
    ------
    NothingSeen
        There is nothing.
    """
    stage = flatten(image, calibration)
    sharp, strength, directions = _sharp(stage)
    reach = max(1, round(JOIN_MM * stage.px_per_mm / 2))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    joined = cv2.morphologyEx(sharp.astype(np.uint8), cv2.MORPH_CLOSE, disc)
    labels, count = ndimage.label(joined, structure=np.ones((3, 3)))
    things = []
    edge = int(np.ceil(STAGE_MARGIN * stage.half_mm * stage.px_per_mm)) + 2
    for label in range(1, count + 1):
        y, x = np.nonzero((labels == label) & sharp)
        if len(x) < 12:
            continue
        points = stage.to_mm(np.column_stack([x, y]).astype(np.float64))
        if np.ptp(points, axis=0).max() < SPECK_MM or np.ptp(points, axis=0).min() < SPECK_MM / 3:
            continue
        hull = points[ConvexHull(points).vertices]
        cores = []
        for times in CORES:
            strong = points[strength[y, x] > times]
            if len(strong) >= 12 and np.ptp(strong, axis=0).min() > SPECK_MM / 3:
                cores.append(strong[ConvexHull(strong).vertices])
        n = len(labels)
        sides = {(-1.0, 0.0): x.min() <= edge, (1.0, 0.0): x.max() >= n - 1 - edge,
                 (0.0, -1.0): y.min() <= edge, (0.0, 1.0): y.max() >= n - 1 - edge}  # fmt: skip
        things.append(Thing(hull, next((side for side, hit in sides.items() if hit), None), tuple(cores), points,
                            directions[y, x], float(np.percentile(strength[y, x], 80))))  # fmt: skip
    if not things:
        raise NothingSeen(
            "nothing stands on the stage",
            "a stone or tube on the white paper inside the black frame, seen from the side",
            "put it in the middle of the frame; if it is there, turn the light so that its edge stands out",
        )
    things.sort(key=lambda thing: -thing.size_mm)
    return _joined(things)


def _joined(things: list[Thing]) -> list[Thing]:
    """The largest thing with what belongs to it, and others like it."""
    first = things[0]
    # A pale tube's outline comes in pieces; light and shadow that it throws are fainter than its edges.
    near = [thing for thing in things[1:] if thing.touches is None and _gap(first, thing) < NEAR_MM]
    others = [
        thing
        for thing in things[1:]
        if all(thing is not other for other in near)
        and thing.size_mm > OTHER_SHARE * first.size_mm
        and thing.strength > OTHER_STRENGTH * first.strength
    ]
    if near and first.edges_mm is not None and first.normals is not None:
        points = np.vstack([first.edges_mm, *(thing.edges_mm for thing in near if thing.edges_mm is not None)])
        normals = np.vstack([first.normals, *(thing.normals for thing in near if thing.normals is not None)])
        hull = points[ConvexHull(points).vertices]
        first = Thing(first.hull_mm, first.touches, (hull, *first.cores_mm), points, normals, first.strength)
    return [first, *others]


def _gap(one: Thing, other: Thing) -> float:
    """Least distance of two things' edges."""
    assert one.edges_mm is not None
    assert other.edges_mm is not None
    return float(cKDTree(one.edges_mm).query(other.edges_mm)[0].min())


def _sharp(stage: Stage) -> tuple[NDArray[np.bool_], FloatArray, FloatArray]:
    """Pixels of the flattened stage on sharp edges in any channel, how strong these are, and whither they rise."""
    fine, directions = _gradient(stage.codes, 0.8)
    broad, _ = _gradient(stage.codes, 2.4)
    margin = int(np.ceil(STAGE_MARGIN * stage.half_mm * stage.px_per_mm))
    inside = np.zeros(fine.shape, dtype=bool)
    inside[margin:-margin, margin:-margin] = True
    noise = float(np.median(fine[inside]))
    strength = fine / max(LEAST_CODES, NOISE_TIMES * noise)
    return np.asarray(inside & (strength > 1.0) & (fine > SHARP_RATIO * broad)), strength, directions


def _gradient(codes: NDArray[np.float32], sigma: float) -> tuple[FloatArray, FloatArray]:
    """Height of the gradient in the channel where it is highest (n, n), and its direction (n, n, 2)."""
    smooth = cv2.GaussianBlur(codes, (0, 0), sigma)
    gx, gy = (np.asarray(cv2.Sobel(smooth, cv2.CV_32F, *axis, scale=0.125)) for axis in ((1, 0), (0, 1)))
    size = np.sqrt(gx**2 + gy**2)
    best = size.argmax(axis=2)[..., None]
    highest = np.take_along_axis(size, best, axis=2)
    direction = np.concatenate([np.take_along_axis(g, best, axis=2) for g in (gx, gy)], axis=2)
    return highest[..., 0].astype(np.float64), (direction / np.maximum(highest, 1e-6)).astype(np.float64)


def kite(figures: FloatArray) -> FloatArray:
    """Corners (6, 2) of a stone's profile: x, y, turn, radius, crown, pavilion, table radius."""
    x, y, turn, radius, crown, pavilion, table = figures
    along, out = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    girdle = 0.03 * radius
    places = np.array([crown + girdle, crown + girdle, girdle, -girdle, girdle, -girdle, -pavilion - girdle])
    across = np.array([table, -table, radius, radius, -radius, -radius, 0.0])
    return np.asarray(np.array([x, y]) + places[:, None] * along + across[:, None] * out)


def rectangle(figures: FloatArray) -> FloatArray:
    """Corners (4, 2) of a tube's profile: x, y, turn, radius, half the length."""
    x, y, turn, radius, half = figures
    along, out = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    corners = np.array([[half, radius], [half, -radius], [-half, -radius], [-half, radius]])
    return np.asarray(np.array([x, y]) + corners[:, :1] * along + corners[:, 1:] * out)


def starts(hull_mm: FloatArray, of: str | None = None, turn: float | None = None) -> list[Start]:
    """Fit kites and rectangles to a hull, the best first.

    Parameters
    ----------
    hull_mm : ndarray of shape (M, 2)
        From `Thing`.
    of : {"stone", "tube"}, optional
        Fit only this.
    turn : float, optional
        Direction of the table, if it is known within a few degrees.
    """
    directions = angles()
    seen = support(hull_mm, directions)
    found: list[Start] = []
    turns = np.arange(0.0, 2.0 * np.pi, np.pi / 18) if turn is None else np.array([turn])
    if of in (None, "stone"):
        rough = [_rough_kite(hull_mm, angle) for angle in turns]
        rough.sort(key=lambda figures: _misfit(kite(figures), directions, seen))
        for first in rough[:3]:
            figures, misfit = _refined(kite, first, directions, seen)
            if not _sound_kite(figures):
                continue
            x, y, angle, radius, crown, pavilion, table = (float(v) for v in figures)
            girdle = 0.03 * radius
            found.append(
                Start("stone", (x, y), angle, radius, crown + girdle, pavilion + girdle, table, misfit / radius)
            )
    if of in (None, "tube"):
        flat = [_rough_rectangle(hull_mm, angle) for angle in turns if angle < np.pi]
        flat.sort(key=lambda figures: _misfit(rectangle(figures), directions, seen))
        for first in flat[:2]:
            figures, misfit = _refined(rectangle, first, directions, seen)
            x, y, angle, radius, half = (float(v) for v in figures)
            if radius > 0 and half > 0:
                found.append(Start("tube", (x, y), angle, radius, half, half, radius, misfit / np.sqrt(radius * half)))
    found.sort(key=lambda start: start.misfit)
    kept: list[Start] = []
    for start in found:
        if not any(_same(start, other) for other in kept):
            kept.append(start)
    return kept


def _same(one: Start, other: Start) -> bool:
    turned = abs((one.turn - other.turn + np.pi) % (2 * np.pi) - np.pi)
    return one.of == other.of and turned < 0.15


def _misfit(corners: FloatArray, directions: FloatArray, seen: FloatArray) -> float:
    return float(np.mean(np.abs(support(corners, directions) - seen)))


def _refined(shape: object, first: FloatArray, directions: FloatArray, seen: FloatArray) -> tuple[FloatArray, float]:
    assert callable(shape)
    scale = 0.02 * float(np.mean(seen + np.roll(seen, DIRECTIONS // 2)))
    result = least_squares(
        lambda figures: (support(shape(figures), directions) - seen) / scale, first, loss="soft_l1", max_nfev=60
    )
    return np.asarray(result.x), _misfit(shape(result.x), directions, seen)


def _rough_kite(hull: FloatArray, turn: float) -> FloatArray:
    along = hull @ np.array([np.cos(turn), np.sin(turn)])
    across = hull @ np.array([-np.sin(turn), np.cos(turn)])
    low, high = int(across.argmin()), int(across.argmax())
    middle, radius = (across[low] + across[high]) / 2, (across[high] - across[low]) / 2
    place = (along[low] + along[high]) / 2
    crown, pavilion = max(along.max() - place, 0.05 * radius), max(place - along.min(), 0.1 * radius)
    x = place * np.cos(turn) - middle * np.sin(turn)
    y = place * np.sin(turn) + middle * np.cos(turn)
    return np.array([x, y, turn, radius, crown, pavilion, 0.56 * radius])


def _sound_kite(figures: FloatArray) -> bool:
    """Proportions that stones have: table smaller than girdle, crown flatter than pavilion."""
    _, _, _, radius, crown, pavilion, table = figures
    return bool(
        radius > 0.3
        and 0.2 * radius < table < 0.95 * radius
        and 0.08 * radius < crown < 0.75 * radius
        and 0.35 * radius < pavilion < 1.4 * radius
        and crown < pavilion
    )


def _rough_rectangle(hull: FloatArray, turn: float) -> FloatArray:
    along = hull @ np.array([np.cos(turn), np.sin(turn)])
    across = hull @ np.array([-np.sin(turn), np.cos(turn)])
    place, middle = (along.max() + along.min()) / 2, (across.max() + across.min()) / 2
    x = place * np.cos(turn) - middle * np.sin(turn)
    y = place * np.sin(turn) + middle * np.cos(turn)
    return np.array([x, y, turn, np.ptp(across) / 2, np.ptp(along) / 2])


def choose_thing(things: list[Thing], pick: int | None) -> Thing:
    """Take the one thing, or the one that was picked; they are numbered from left to right.

    Raises
    ------
    SeveralSubjects
        There are several, and none was picked.
    TouchesFrame
        It runs into the frame.
    ValueError
        There is no such number.
    """
    ordered = sorted(things, key=lambda thing: float(thing.hull_mm[:, 0].mean()))
    if pick is not None and pick > len(ordered):
        raise ValueError(f"--pick {pick}: only {len(ordered)} thing(s) stand there")
    if pick is None and len(ordered) > 1:
        subjects = []
        for thing in ordered:
            x, y = (float(v) for v in thing.hull_mm.mean(axis=0))
            candidate = Candidate((x, y), thing.size_mm / 2, 0.0, False, thing.touches is not None)
            subjects.append(Subject(candidate, (x, y), thing.size_mm / 2))
        raise SeveralSubjects(
            tuple(subjects),
            f"{len(ordered)} things stand there",
            "one stone or tube, or the number of the one that is meant",
            "add --pick and its number (--out PICTURE draws the numbers on the photo), or take the others away",
        )
    chosen = ordered[(pick or 1) - 1]
    if chosen.touches is not None:
        raise TouchesFrame(
            f"what stands on the stage reaches the black frame {SIDES[chosen.touches]}",
            "white paper all round the stone or tube; a stone on a block before an upright card can't be read: the "
            "block hides where its table stands, and how far in front of the card it stands isn't seen",
            "move it to the middle of the frame, or use the larger card; instead of on a block stand the stone on its "
            "girdle in a little wax on the flat card, table and culet to the sides, and look from straight above",
        )
    return chosen
