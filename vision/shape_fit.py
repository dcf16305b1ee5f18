"""Fitting the outlines of `shape_models`: to a rough closed polygon, and to edges found along the outline's normals."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from rimsight.vision.circle import TUKEY_CUT
from rimsight.vision.shape_models import FAMILIES, Curve, Family, at_shares, curve_of, sensitivity

FloatArray = NDArray[np.float64]

#: Points of an outline while it is fitted to a polygon.
COARSE_POINTS = 90
#: Rounds of the fit to a polygon.
COARSE_ROUNDS = 14
#: Pull towards the present parameters where the points don't fix them, as a share of the mean diagonal.
RIDGE = 1e-4


@dataclass(frozen=True)
class CoarseFit:
    """An outline fitted to a polygon.

    Parameters
    ----------
    family : Family
        The kind of outline.
    parameters : ndarray of shape (P,)
        Its parameters, millimetres and radians.
    misfit_mm : float
        Root mean square distance between both.
    """

    family: Family
    parameters: FloatArray
    misfit_mm: float


def fit_polygon(family: Family, start: FloatArray, polygon_mm: FloatArray) -> CoarseFit:
    """Fit an outline to a closed polygon, robustly.

    Parameters
    ----------
    family : Family
        The kind of outline.
    start : ndarray of shape (P,)
        Parameters to start from.
    polygon_mm : ndarray of shape (M, 2)
        Corners in order round it.
    """
    parameters = family.clipped(np.array(start, dtype=np.float64))
    around = float(np.linalg.norm(polygon_mm - np.roll(polygon_mm, 1, axis=0), axis=1).sum())
    step = around / COARSE_POINTS
    best = CoarseFit(family, parameters, np.inf)
    for _ in range(COARSE_ROUNDS):
        curve = curve_of(family, parameters, step)
        offsets = offsets_along(curve.points_mm, curve.normals, polygon_mm)
        known = np.isfinite(offsets)
        if np.count_nonzero(known) < len(parameters) + 4:
            break
        misfit = float(np.sqrt(np.mean(np.where(known, np.nan_to_num(offsets), 3 * step) ** 2)))
        gained = best.misfit_mm - misfit
        if gained > 0.0:
            best = CoarseFit(family, parameters, misfit)
        if gained < 0.005 * misfit and np.isfinite(gained):
            break
        weights = tukey(np.nan_to_num(offsets), known.astype(np.float64), smallest=0.25 * step)
        parameters = moved(family, parameters, curve, np.nan_to_num(offsets), weights)
    return best


def moved(
    family: Family,
    parameters: FloatArray,
    curve: Curve,
    offsets: FloatArray,
    weights: FloatArray,
    kept: int | None = None,
) -> FloatArray:
    """One Gauss-Newton step: parameters that carry the outline's points by their offsets along the normals.

    Parameters
    ----------
    family, parameters, curve
        The present outline.
    offsets : ndarray of shape (N,)
        Wanted move of each point along its outward normal, millimetres.
    weights : ndarray of shape (N,)
        Weight of each.
    kept : int, optional
        A parameter that stays as it is.
    """
    jacobian = sensitivity(family, parameters, curve)
    if kept is not None:
        jacobian[:, kept] = 0.0
    weighted = jacobian * weights[:, None]
    normal = weighted.T @ jacobian
    normal += RIDGE * np.mean(np.diag(normal)) * np.eye(len(parameters)) * 1e-2
    step = np.linalg.lstsq(normal, weighted.T @ offsets, rcond=None)[0]
    # A step may not carry the outline further than a third of its size.
    reach = float(np.abs(jacobian @ step).max()) if len(step) else 0.0
    limit = curve.length_mm / 20.0
    if reach > limit:
        step = step * (limit / reach)
    return family.clipped(parameters + step)


def tukey(residuals: FloatArray, prior: FloatArray, *, smallest: float) -> FloatArray:
    """Prior weights times Tukey's biweight of the residuals; their spread is taken no smaller than `smallest`."""
    use = prior > 0
    if not use.any():
        return prior
    spread = max(1.4826 * float(np.median(np.abs(residuals[use]))), smallest)
    ratio = residuals / (TUKEY_CUT * spread)
    return np.asarray(prior * np.where(np.abs(ratio) < 1.0, (1.0 - ratio**2) ** 2, 0.0))


def offsets_along(points: FloatArray, normals: FloatArray, polygon: FloatArray) -> FloatArray:
    """Signed way (N,) from each point along its normal to the nearest crossing of a closed polygon; NaN for none."""
    start = polygon
    edge = np.roll(polygon, -1, axis=0) - polygon
    # point + s * normal = start + t * edge
    across = normals[:, None, 0] * edge[None, :, 1] - normals[:, None, 1] * edge[None, :, 0]
    to_start = start[None, :, :] - points[:, None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (to_start[..., 0] * edge[None, :, 1] - to_start[..., 1] * edge[None, :, 0]) / across
        t = (to_start[..., 0] * normals[:, None, 1] - to_start[..., 1] * normals[:, None, 0]) / across
    s = np.where((t >= 0.0) & (t < 1.0) & np.isfinite(s), s, np.inf)
    nearest = np.argmin(np.abs(s), axis=1)
    found = s[np.arange(len(points)), nearest]
    return np.where(np.isfinite(found), found, np.nan)


def starts(polygon_mm: FloatArray) -> dict[str, list[FloatArray]]:
    """Parameters to start from for every family, from a rough convex polygon.

    Parameters
    ----------
    polygon_mm : ndarray of shape (M, 2)
        Corners of the hull.
    """
    points = np.asarray(polygon_mm, dtype=np.float32)
    (cx, cy), (w, h), turn_deg = cv2.minAreaRect(points)
    turn = np.radians(turn_deg)
    if w < h:
        w, h, turn = h, w, turn + np.pi / 2
    a, b = max(w, 0.2) / 2, max(h, 0.2) / 2
    axis = _long_axis(polygon_mm)
    extent = _extent(polygon_mm, axis)
    (lx, ly), la, lb = extent
    found: dict[str, list[FloatArray]] = {
        "round": [np.array([cx, cy, np.sqrt(a * b)])],
        "superellipse": [
            np.array([cx, cy, turn, a, b, 2.4]),
            np.array([lx, ly, axis, la, lb, 2.4]),
            np.array([cx, cy, turn + np.pi / 4, 0.9 * a, 0.9 * b, 2.4]),
        ],
        "marquise": [np.array([lx, ly, axis, la, lb])],
        "pear": [
            np.array([lx - d * (la - lb) * np.cos(axis), ly - d * (la - lb) * np.sin(axis),
                      axis + (0.0 if d > 0 else np.pi), lb, lb, max(2 * la - lb, 1.05 * lb)])
            for d in (1.0, -1.0)
        ],
        "rectangle": [
            np.array([cx, cy, turn, a, b, 0.05 * b]),
            np.array([cx, cy, turn, a, b, 0.4 * b]),
            np.array([cx, cy, turn + np.pi / 4, a, b, 0.4 * b]),
        ],
        "triangle": [],
    }  # fmt: skip
    area, tips = cv2.minEnclosingTriangle(points.reshape(-1, 1, 2))
    if area > 0 and tips is not None:
        corners = np.asarray(tips, dtype=np.float64).reshape(3, 2)
        first, second = corners[1] - corners[0], corners[2] - corners[0]
        if first[0] * second[1] - first[1] * second[0] < 0:
            corners = corners[::-1]
        # Round sides that bulge the smallest triangle stands well outside: from there alone the fit ends on cut tips.
        inner = corners.mean(axis=0) + 0.85 * (corners - corners.mean(axis=0))
        found["triangle"] = [np.array([*corners.ravel(), 0.03, 0.05]), np.array([*inner.ravel(), 0.1, 0.05])]
    return found


def _long_axis(polygon: FloatArray) -> float:
    """Direction of the longest extent of a polygon's area, radians."""
    m = cv2.moments(np.asarray(polygon, dtype=np.float32).reshape(-1, 1, 2))
    return float(0.5 * np.arctan2(2.0 * m["mu11"], m["mu20"] - m["mu02"]))


def _extent(polygon: FloatArray, axis: float) -> tuple[tuple[float, float], float, float]:
    """Middle, half length and half width of the box along an axis."""
    along, across = np.array([np.cos(axis), np.sin(axis)]), np.array([-np.sin(axis), np.cos(axis)])
    u, v = polygon @ along, polygon @ across
    middle = (u.max() + u.min()) / 2 * along + (v.max() + v.min()) / 2 * across
    return (float(middle[0]), float(middle[1])), float(np.ptp(u)) / 2, float(np.ptp(v)) / 2


def coarse_fits(polygon_mm: FloatArray, families: tuple[str, ...] | None = None) -> list[CoarseFit]:
    """Fit every family, or those named, to a rough polygon, the best first; one fit for each family."""
    found = []
    for name, guesses in starts(polygon_mm).items():
        if families is not None and name not in families:
            continue
        fits = [fit_polygon(FAMILIES[name], guess, polygon_mm) for guess in guesses]
        if fits:
            found.append(min(fits, key=lambda fit: fit.misfit_mm))
    return sorted(found, key=lambda fit: fit.misfit_mm)


__all__ = ["CoarseFit", "at_shares", "coarse_fits", "fit_polygon", "moved", "offsets_along", "starts", "tukey"]
