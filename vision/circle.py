"""Geometric circle fits: least squares of orthogonal distances, robust against stray points, partial arcs included.

The algebraic fits of common libraries (Kasa, `skimage.measure.CircleModel`) pull short or noisy arcs to smaller
circles; here the sum of squared distances itself is minimised (Gander, Golub & Strebel, BIT 34 (1994) 558-578).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Tukey's biweight with this cut, in robust standard deviations, has 95 % efficiency on normal noise.
TUKEY_CUT = 4.685
#: Rounds of Gauss-Newton; it converges quadratically from the algebraic start, 3 to 8 are used.
LARGEST_ROUNDS = 100
#: A bin of this many degrees counts as seen when at least one kept point lies in it.
COVERAGE_BIN_DEG = 3.0


@dataclass(frozen=True)
class Circle:
    """A fitted circle.

    Parameters
    ----------
    x, y, radius : float
        Centre and radius, in the unit of the points.
    covariance : ndarray of shape (3, 3)
        Covariance of (x, y, radius) from the scatter of the points.
    residuals : ndarray of shape (N,)
        Distance of each point from the circle, positive outside.
    weights : ndarray of shape (N,)
        Final weight of each point, 0 for rejected ones.
    """

    x: float
    y: float
    radius: float
    covariance: FloatArray
    residuals: FloatArray
    weights: FloatArray

    @property
    def centre(self) -> FloatArray:
        """Centre, (2,)."""
        return np.array([self.x, self.y])

    @property
    def scatter(self) -> float:
        """Weighted root mean square of the residuals."""
        total = float(self.weights.sum())
        return float(np.sqrt(np.sum(self.weights * self.residuals**2) / total)) if total > 0 else float("nan")


def algebraic_circle(xy: FloatArray, weights: FloatArray | None = None) -> tuple[float, float, float]:
    """Kasa's linear fit: the start of the geometric one.

    Raises
    ------
    ValueError
        Fewer than three points, or all on a line.
    """
    xy = np.asarray(xy, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2 or len(xy) < 3:
        raise ValueError(f"points must have shape (N, 2) with N >= 3, not {xy.shape}")
    # Shifted and scaled first: the condition number grows with (position / radius) squared.
    centre = xy.mean(axis=0)
    size = float(np.abs(xy - centre).max())
    if not size > 0.0:
        raise ValueError("all points are the same")
    u = (xy - centre) / size
    w = np.ones(len(u)) if weights is None else np.sqrt(np.asarray(weights, dtype=np.float64))
    matrix = np.column_stack([2.0 * u, np.ones(len(u))]) * w[:, None]
    solution, _, rank, _ = np.linalg.lstsq(matrix, np.sum(u * u, axis=1) * w, rcond=1e-10)
    if rank < 3:
        raise ValueError("the points lie on a line")
    radius = float(np.sqrt(solution[2] + solution[0] ** 2 + solution[1] ** 2))
    return float(solution[0] * size + centre[0]), float(solution[1] * size + centre[1]), radius * size


def fit_circle(
    xy: FloatArray,
    weights: FloatArray | None = None,
    *,
    start: tuple[float, float, float] | None = None,
) -> Circle:
    """Circle with the least sum of squared orthogonal distances.

    Parameters
    ----------
    xy : ndarray of shape (N, 2)
        Points, x then y, N >= 3.
    weights : ndarray of shape (N,), optional
        Weight of each point's squared distance.
    start : tuple of 3 floats, optional
        Centre and radius to start from; default Kasa's fit.

    Returns
    -------
    Circle

    Raises
    ------
    ValueError
        Fewer than three points, or all on a line.
    """
    xy = np.asarray(xy, dtype=np.float64)
    w = np.ones(len(xy)) if weights is None else np.asarray(weights, dtype=np.float64)
    first = start if start is not None else algebraic_circle(xy, w)
    origin = np.array(first[:2])
    size = first[2]
    u = (xy - origin) / size
    p = np.array([0.0, 0.0, 1.0])

    def cost(q: FloatArray) -> float:
        return float(np.sum(w * (np.hypot(u[:, 0] - q[0], u[:, 1] - q[1]) - q[2]) ** 2))

    damping = 0.0
    now = cost(p)
    for _ in range(LARGEST_ROUNDS):
        jacobian, residual = _linearised(u, p)
        normal = jacobian.T @ (jacobian * w[:, None])
        gradient = jacobian.T @ (w * residual)
        step = -_solved(normal + damping * np.diag(np.diag(normal)), gradient)
        after = cost(p + step)
        if after <= now * (1 + 1e-15):
            p, damping = p + step, damping / 10.0 if damping > 1e-12 else 0.0
            done = float(np.abs(step).max()) < 1e-13 or now - after <= 1e-16 * now
            now = after
            if done:
                break
        else:
            damping = max(damping * 10.0, 1e-4)
            if damping > 1e8:
                break
    p[2] = abs(p[2])
    jacobian, residual = _linearised(u, p)
    count = float(w.sum())
    degrees = max(count - 3.0, 1e-9)
    normal = jacobian.T @ (jacobian * w[:, None])
    covariance = np.linalg.pinv(normal) * (np.sum(w * residual**2) / degrees if count > 3 else 0.0)
    return Circle(
        x=float(p[0] * size + origin[0]),
        y=float(p[1] * size + origin[1]),
        radius=float(p[2] * size),
        covariance=np.asarray(covariance * size**2, dtype=np.float64),
        residuals=residual * size,
        weights=w,
    )


def _solved(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solution of a small symmetric system; by least squares where it is singular."""
    try:
        return np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=None)[0])


def _linearised(u: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    delta = u - p[:2]
    distance = np.maximum(np.hypot(delta[:, 0], delta[:, 1]), 1e-300)
    return np.column_stack([-delta / distance[:, None], -np.ones(len(u))]), distance - p[2]


def fit_circle_robust(
    xy: FloatArray,
    weights: FloatArray | None = None,
    *,
    start: tuple[float, float, float] | None = None,
    smallest_scale: float = 0.0,
) -> Circle:
    """Geometric circle fit by iteratively reweighted least squares (Tukey's biweight).

    Parameters
    ----------
    xy : ndarray of shape (N, 2)
        Points.
    weights : ndarray of shape (N,), optional
        Prior weights.
    start : tuple of 3 floats, optional
        Centre and radius to start from. Without one, Kasa's fit of all points: then fewer than about a quarter of
        the points may be astray.
    smallest_scale : float
        The robust standard deviation is not taken to be smaller than this (the noise that is known to be there).

    Returns
    -------
    Circle
        Its weights are the prior weights times Tukey's.
    """
    prior = np.ones(len(xy)) if weights is None else np.asarray(weights, dtype=np.float64)
    first = start if start is not None else algebraic_circle(xy, prior)
    circle = None
    w = prior
    for _ in range(30):
        x, y, radius = first
        residual = np.hypot(xy[:, 0] - x, xy[:, 1] - y) - radius
        use = prior > 0
        scale = max(1.4826 * float(np.median(np.abs(residual[use]))), smallest_scale, 1e-12 * radius)
        ratio = residual / (TUKEY_CUT * scale)
        w = prior * np.where(np.abs(ratio) < 1.0, (1.0 - ratio**2) ** 2, 0.0)
        if np.count_nonzero(w) < 3:
            break
        circle = fit_circle(xy, w, start=first)
        change = max(abs(circle.x - x), abs(circle.y - y), abs(circle.radius - radius))
        first = (circle.x, circle.y, circle.radius)
        if change < 1e-7 * circle.radius:
            break
    if circle is None:
        raise ValueError("too few points agree on a circle")
    return circle


def fit_ring_robust(
    radii: FloatArray, model: FloatArray, weights: FloatArray, *, smallest_scale: float
) -> FloatArray:
    """Robust linear fit of r(a) = R + x cos a + y sin a: a circle whose centre is near, for locating an edge.

    Parameters
    ----------
    radii : ndarray of shape (N,)
        Radius found at each angle.
    model : ndarray of shape (N, 3)
        Columns 1, cos a, sin a.
    weights : ndarray of shape (N,)
        Prior weights.
    smallest_scale : float
        The robust standard deviation is not taken to be smaller than this.

    Returns
    -------
    ndarray of shape (3,)
        R, x, y.

    Raises
    ------
    ValueError
        Fewer than three points have weight.
    """
    use = weights > 0
    if np.count_nonzero(use) < 3:
        raise ValueError("too few points agree on a circle")
    w = weights
    solution = np.zeros(3)
    for _ in range(12):
        scaled = model * w[:, None]
        before = solution
        solution = _solved(scaled.T @ model, scaled.T @ radii)
        residual = radii - model @ solution
        if np.abs(solution - before).max() < 0.02 * smallest_scale:
            break
        scale = max(1.4826 * float(np.median(np.abs(residual[use]))), smallest_scale)
        ratio = residual / (TUKEY_CUT * scale)
        w = weights * np.where(np.abs(ratio) < 1.0, (1.0 - ratio**2) ** 2, 0.0)
        if np.count_nonzero(w) < 3:
            break
    return solution


def coverage_deg(xy: FloatArray, centre: FloatArray, weights: FloatArray | None = None) -> float:
    """Degrees of the round that the points cover, in bins of 3 degrees.

    Parameters
    ----------
    xy : ndarray of shape (N, 2)
        Points on the circle.
    centre : ndarray of shape (2,)
        The circle's centre.
    weights : ndarray of shape (N,), optional
        Points with weight 0 are left out.
    """
    use = np.ones(len(xy), dtype=bool) if weights is None else np.asarray(weights) > 0
    angle = np.degrees(np.arctan2(xy[use, 1] - centre[1], xy[use, 0] - centre[0])) % 360.0
    return float(len(np.unique((angle / COVERAGE_BIN_DEG).astype(int))) * COVERAGE_BIN_DEG)
