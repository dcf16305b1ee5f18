"""What lies on the stage: round things and other things, found on a coarse flattened copy.

Detection only: a candidate's centre is good to a fraction of a millimetre and tells where to measure in the original
pixels. Round things are found by their own edges: every edge pixel votes for the centres that lie along its gradient
(either way, since a stone's edge may be brighter or darker than the ground), and a centre counts by how much of the
round its edge pixels cover. Straight facets, shadows and dust spread their votes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.pixels import LightImage
from rimsight.calibration.square import Calibration

FloatArray = NDArray[np.float64]

#: Resolution of the flattened stage, pixels: the stage's side divided by this many.
STAGE_PX = 620
#: Margin inside the frame's inner edge that is not searched, as a share of the stage's half side.
STAGE_MARGIN = 0.03
#: Smallest and largest radius looked for, millimetres.
SMALLEST_RADIUS_MM = 0.5
LARGEST_RADIUS_MM = 16.0
#: Edge pixels that vote at most; more are thinned evenly.
LARGEST_VOTERS = 7000
#: Angular bins for the coverage of a ring.
BINS = 72
#: Share of the round that a ring must show to count as round.
SMALLEST_COVERAGE = 0.4
#: Rings that show on less than this share of the round may be facets of the thing that they lie in: on 150 rendered
#: photographs the rings of a large stone's facets reached 0.65, the outlines of stones and tubes 0.64 and more. So
#: between the two figures they have to be much smaller than the thing, too.
FACET_COVERAGE, SMALL_FACET_COVERAGE, SMALL_SHARE = 0.64, 0.7, 0.7
#: A thing whose area is at least this share of the circle round it is round itself (two touching discs: 0.5).
ROUND_SHARE = 0.8


@dataclass(frozen=True)
class Candidate:
    """Something on the stage.

    Parameters
    ----------
    centre_mm : tuple of 2 floats
        Centre in card millimetres, as seen in the card's plane.
    radius_mm : float
        Radius of the outermost well-covered ring; half the size for something that isn't round.
    coverage : float
        Share of the round on which that ring shows, 0 to 1; for something that isn't round, its area over that of the
        circle round it.
    round : bool
        It has a ring.
    touches_edge : bool
        It reaches the edge of the stage.
    """

    centre_mm: tuple[float, float]
    radius_mm: float
    coverage: float
    round: bool
    touches_edge: bool


@dataclass(frozen=True)
class Stage:
    """The flattened stage.

    Parameters
    ----------
    codes : ndarray of shape (n, n, 3), float32
        sRGB codes 0 to 255.
    px_per_mm : float
        Its resolution.
    half_mm : float
        Half its side; pixel (i, j) lies at ``(index + 0.5) / px_per_mm - half_mm``.
    """

    codes: NDArray[np.float32]
    px_per_mm: float
    half_mm: float

    def to_mm(self, xy_px: FloatArray) -> FloatArray:
        """Stage pixels to card millimetres."""
        return np.asarray((np.asarray(xy_px) + 0.5) / self.px_per_mm - self.half_mm)


def flatten(image: LightImage, calibration: Calibration, *, half_mm: float | None = None) -> Stage:
    """Flatten the stage at reduced resolution.

    Parameters
    ----------
    image : LightImage
        The photograph.
    calibration : Calibration
        Its geometry.
    half_mm : float, optional
        Half the side of the region; default the stage inside the frame.
    """
    half = calibration.stage_mm if half_mm is None else half_mm
    count = STAGE_PX
    resolution = count / (2.0 * half)
    factor = max(1, int(calibration.px_per_mm / resolution))
    axis = (np.arange(count) + 0.5) / resolution - half
    x, y = np.meshgrid(axis, axis)
    pixels = calibration.view.to_pixels(np.column_stack([x.ravel(), y.ravel()]))
    x0, y0, x1, y1 = image.window(pixels, margin_px=factor)
    x1, y1 = x0 + (x1 - x0) // factor * factor, y0 + (y1 - y0) // factor * factor
    stored = image.codes[y0:y1, x0:x1]
    part = np.asarray(stored if stored.dtype == np.uint8 else np.right_shift(stored, 8), dtype=np.uint8)
    if part.ndim == 2:
        part = np.repeat(part[:, :, None], 3, axis=2)
    small = cv2.resize(part, ((x1 - x0) // factor, (y1 - y0) // factor), interpolation=cv2.INTER_AREA)
    local = ((pixels - (x0, y0) + 0.5) / factor - 0.5).astype(np.float32).reshape(count, count, 2)
    codes = cv2.remap(small, local[..., 0], local[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Stage(np.asarray(codes, dtype=np.float32), resolution, half)


def find_candidates(stage: Stage) -> list[Candidate]:
    """Find what lies on the stage, the best-covered round thing first, other things last.

    Parameters
    ----------
    stage : Stage
        From `flatten`.

    Returns
    -------
    list of Candidate
    """
    gx, gy, size = _gradient(stage.codes)
    margin = int(np.ceil(STAGE_MARGIN * stage.half_mm * stage.px_per_mm))
    allowed = np.zeros(size.shape, dtype=bool)
    allowed[margin:-margin, margin:-margin] = True
    noise = float(np.median(size[allowed]))
    edges = (size > max(5.0, 5.0 * noise)) & allowed
    thin = edges & _is_ridge(gx, gy, size)
    things = _things(edges, stage)
    round_things = _whole(_round_things(gx, gy, size, thin, stage), things)
    candidates = list(round_things)
    for thing in things:
        inside = any(
            np.hypot(*(np.array(thing.centre_mm) - ring.centre_mm)) < max(ring.radius_mm, thing.radius_mm) * 1.2
            for ring in round_things
        )
        if not inside:
            candidates.append(thing)
    return candidates


def _whole(rings: list[Candidate], things: list[Candidate]) -> list[Candidate]:
    """Rings of facets replaced by the outline of the thing in which they lie, where that is round."""
    kept = list(rings)
    for thing in things:
        if thing.coverage < ROUND_SHARE or thing.touches_edge:
            continue
        inside = [
            ring for ring in kept
            if np.hypot(ring.centre_mm[0] - thing.centre_mm[0], ring.centre_mm[1] - thing.centre_mm[1])
            < thing.radius_mm
        ]  # fmt: skip
        small = all(ring.radius_mm < SMALL_SHARE * thing.radius_mm for ring in inside)
        limit = SMALL_FACET_COVERAGE if small else FACET_COVERAGE
        if inside and all(ring.coverage < limit for ring in inside):
            seen = max(ring.coverage for ring in inside)
            first = kept.index(inside[0])
            kept = [ring for ring in kept if ring not in inside]
            kept.insert(first, Candidate(thing.centre_mm, thing.radius_mm, seen, True, False))
    return kept


def _gradient(codes: NDArray[np.float32]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gradient (codes per pixel) of the channel in which it is largest."""
    smooth = cv2.GaussianBlur(codes, (0, 0), 1.0)
    gx = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)) / 8.0
    gy = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)) / 8.0
    size = np.hypot(gx, gy)
    channel = np.argmax(size, axis=2)[:, :, None]
    pick = [np.take_along_axis(a, channel, axis=2)[:, :, 0] for a in (gx, gy, size)]
    return pick[0], pick[1], pick[2]


def _is_ridge(gx: FloatArray, gy: FloatArray, size: FloatArray) -> NDArray[np.bool_]:
    """Pixels whose gradient is the largest along its own direction."""
    safe = np.maximum(size, 1e-6)
    ux, uy = gx / safe, gy / safe
    rows, columns = np.indices(size.shape, dtype=np.float32)
    ahead = cv2.remap(size.astype(np.float32), (columns + ux).astype(np.float32), (rows + uy).astype(np.float32),
                      cv2.INTER_LINEAR)
    behind = cv2.remap(size.astype(np.float32), (columns - ux).astype(np.float32), (rows - uy).astype(np.float32),
                       cv2.INTER_LINEAR)
    return np.asarray((size >= ahead) & (size > behind))


def _things(edges: NDArray[np.bool_], stage: Stage) -> list[Candidate]:
    """Connected things of any shape."""
    radius = max(1, round(0.25 * stage.px_per_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    closed = cv2.morphologyEx(edges.astype(np.uint8), cv2.MORPH_CLOSE, disc)
    filled = ndimage.binary_fill_holes(closed)
    opened = cv2.morphologyEx(filled.astype(np.uint8), cv2.MORPH_OPEN, disc)
    count, _, stats, centres = cv2.connectedComponentsWithStats(opened)
    found = []
    border = int(np.ceil(STAGE_MARGIN * stage.half_mm * stage.px_per_mm)) + 2
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        size_mm = max(w, h) / stage.px_per_mm
        if size_mm < 2.0 * SMALLEST_RADIUS_MM or area < 0.3 * w * h * 0.5:
            continue
        touches = x <= border or y <= border or x + w >= STAGE_PX - border or y + h >= STAGE_PX - border
        centre = stage.to_mm(np.asarray(centres[k]))
        filled_share = area / (0.25 * np.pi * max(w, h) ** 2)
        found.append(Candidate((float(centre[0]), float(centre[1])), size_mm / 2, filled_share, False, touches))
    return found


def _round_things(
    gx: FloatArray, gy: FloatArray, size: FloatArray, thin: NDArray[np.bool_], stage: Stage
) -> list[Candidate]:
    rows, columns = np.nonzero(thin)
    if len(rows) < 30:
        return []
    if len(rows) > LARGEST_VOTERS:
        pick = np.linspace(0, len(rows) - 1, LARGEST_VOTERS).astype(int)
        rows, columns = rows[pick], columns[pick]
    ux = gx[rows, columns] / size[rows, columns]
    uy = gy[rows, columns] / size[rows, columns]
    votes = _centre_votes(rows, columns, ux, uy, stage)
    candidates: list[Candidate] = []
    for _ in range(40):
        peak = int(np.argmax(votes))
        cy, cx = divmod(peak, votes.shape[1])
        if votes[cy, cx] <= 0:
            break
        radius, coverage = _outer_ring(rows, columns, ux, uy, float(cx), float(cy), stage)
        clear = 0.6
        if radius is not None:
            centre = stage.to_mm(np.array([float(cx), float(cy)]))
            touches = bool(np.abs(centre).max() + radius > stage.half_mm * (1.0 - STAGE_MARGIN))
            candidates.append(Candidate((float(centre[0]), float(centre[1])), radius, coverage, True, touches))
            clear = max(clear, radius)
        yy, xx = np.ogrid[: votes.shape[0], : votes.shape[1]]
        votes[(xx - cx) ** 2 + (yy - cy) ** 2 <= (clear * stage.px_per_mm) ** 2] = 0.0
        if radius is None and len(candidates) > 0 and votes.max() < 0.25 * votes[cy, cx]:
            break
    kept: list[Candidate] = []
    for candidate in sorted(candidates, key=lambda c: -c.coverage * min(1.0, c.radius_mm) ** 0.5):
        inside = any(
            np.hypot(candidate.centre_mm[0] - k.centre_mm[0], candidate.centre_mm[1] - k.centre_mm[1])
            < k.radius_mm + 0.5 * candidate.radius_mm
            for k in kept
        )
        if not inside:
            kept.append(candidate)
    return kept


def _centre_votes(
    rows: NDArray[np.intp], columns: NDArray[np.intp], ux: FloatArray, uy: FloatArray, stage: Stage
) -> FloatArray:
    n = stage.codes.shape[0]
    largest = min(LARGEST_RADIUS_MM, 0.95 * stage.half_mm)
    radii = np.arange(SMALLEST_RADIUS_MM * stage.px_per_mm, largest * stage.px_per_mm, 1.0)
    total = np.zeros(n * n)
    for sign in (1.0, -1.0):
        x = np.rint(columns[:, None] + sign * ux[:, None] * radii).astype(np.intp)
        y = np.rint(rows[:, None] + sign * uy[:, None] * radii).astype(np.intp)
        inside = (x >= 0) & (y >= 0) & (x < n) & (y < n)
        weight = np.broadcast_to(1.0 / radii, x.shape)[inside]
        total += np.bincount((y * n + x)[inside], weights=weight, minlength=n * n)
    return np.asarray(ndimage.gaussian_filter(total.reshape(n, n), 2.0))


def _outer_ring(
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    ux: FloatArray,
    uy: FloatArray,
    cx: float,
    cy: float,
    stage: Stage,
) -> tuple[float | None, float]:
    """Radius (mm) of the outermost well-covered ring round a centre, and its coverage."""
    dx, dy = columns - cx, rows - cy
    distance = np.hypot(dx, dy)
    with np.errstate(invalid="ignore", divide="ignore"):
        radial = np.abs(dx * ux + dy * uy) / distance
    # The centre may be off by 1.5 px: on a small ring that turns the normals.
    use = (radial > np.cos(np.radians(20.0))) & (distance > 0.8 * SMALLEST_RADIUS_MM * stage.px_per_mm)
    if use.sum() < 12:
        return None, 0.0
    angle = ((np.arctan2(dy[use], dx[use]) / (2 * np.pi)) % 1.0 * BINS).astype(int) % BINS
    radius = distance[use]
    longest = int(radius.max()) + 3
    seen = np.zeros((BINS, longest + 3), dtype=bool)
    seen[angle, radius.astype(int)] = True
    # 2.5 px of tolerance: perspective and a centre that is a little off bend the ring.
    width = 5
    near = ndimage.maximum_filter1d(seen, width, axis=1)
    coverage = near.mean(axis=0)
    best = float(coverage.max())
    if best < SMALLEST_COVERAGE:
        return None, best
    outer = int(np.flatnonzero(coverage >= max(SMALLEST_COVERAGE, 0.75 * best))[-1]) - width // 2
    return max(outer, 1) / stage.px_per_mm, float(coverage[max(outer - 2, 0) : outer + 3].max())
