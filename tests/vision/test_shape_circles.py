"""Circles and outlines against closed forms, SciPy's minimisers and OpenCV."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from scipy.optimize import brentq, minimize, minimize_scalar

from fixtures.outlines import outline_mm
from rimsight.vision.shape_circles import enclosing_circle, inner_radius, rim_along_normals


def ellipse(a: float, b: float, count: int = 2000) -> np.ndarray[Any, Any]:
    turn = np.arange(count) * 2 * np.pi / count
    return np.column_stack([a * np.cos(turn), b * np.sin(turn)])


def test_rim_round_an_ellipse_in_a_circle() -> None:
    """Closed form: about the same centre the rim runs from R - a at the ends to R - b at the sides."""
    rim = rim_along_normals(ellipse(2.4, 1.8), np.zeros(2), 3.0)
    assert rim.widths_mm.min() == pytest.approx(0.6, abs=1e-5)
    assert rim.widths_mm.max() == pytest.approx(1.2, abs=1e-5)
    assert abs(rim.inner_mm[rim.smallest][0]) == pytest.approx(2.4, abs=1e-3)
    assert np.hypot(*rim.outer_mm.T) == pytest.approx(np.full(len(rim.outer_mm), 3.0), abs=1e-9)


@pytest.mark.parametrize("shift", [(0.2, 0.1), (-0.35, 0.0), (0.05, -0.6)])
def test_rim_round_an_ellipse_off_the_middle(shift: tuple[float, float]) -> None:
    """Outside check: SciPy's root finder on the ellipse's own normals, its minimiser over them."""
    a, b, radius, centre = 2.4, 1.8, 3.0, -np.array(shift)

    def width(t: float) -> float:
        point = np.array([a * np.cos(t), b * np.sin(t)])
        normal = np.array([b * np.cos(t), a * np.sin(t)])
        normal /= np.linalg.norm(normal)
        return float(brentq(lambda w: float(np.linalg.norm(point + w * normal - centre)) - radius, -2.0, 4.0))

    starts = np.linspace(0.0, 2.0 * np.pi, 25)
    best = min(
        float(minimize_scalar(width, bounds=(t - 0.3, t + 0.3), method="bounded").fun) for t in starts
    )
    rim = rim_along_normals(ellipse(a, b), centre, radius)
    assert rim.widths_mm.min() == pytest.approx(best, abs=2e-5)
    turn = (np.arange(3000) + 0.5) * 2 * np.pi / 3000
    speed = np.hypot(a * np.sin(turn), b * np.cos(turn))
    mean = float(np.sum([width(t) for t in turn[::10]] * speed[::10]) / np.sum(speed[::10]))
    assert rim.mean_mm == pytest.approx(mean, abs=2e-4)


@pytest.mark.parametrize("shape", ["square", "triangle", "pear", "cut-corner", "marquise"])
def test_the_smallest_rim_lies_where_the_outline_is_furthest_from_the_middle(shape: str) -> None:
    """Geometry: there a direction that the outline faces points away from the middle, corner or not."""
    form = {"pear": 1.0, "square": 0.12, "cut-corner": 0.12}.get(shape, 0.05)
    outline = outline_mm(shape, 5.0, 3.6, form) + np.array([0.11, -0.07])
    for radius in (3.4, 2.6):
        rim = rim_along_normals(outline, np.zeros(2), radius)
        # Corners face directions in steps of 3 degrees: 1 - cos(1.5 deg) of the way.
        assert rim.widths_mm.min() == pytest.approx(radius - np.hypot(*outline.T).max(), abs=1e-3)
        again = rim_along_normals(outline[::-1], np.zeros(2), radius)
        assert again.widths_mm.min() == pytest.approx(rim.widths_mm.min(), abs=1e-3)


def test_a_stone_wider_than_its_tube_has_a_negative_rim() -> None:
    rim = rim_along_normals(ellipse(2.5, 1.5), np.zeros(2), 2.2)
    assert rim.widths_mm.min() == pytest.approx(-0.3, abs=1e-4)
    assert rim.widths_mm.max() == pytest.approx(0.7, abs=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_smallest_circle_round_points(seed: int) -> None:
    """Outside checks: SciPy's minimiser of the largest distance, OpenCV's function."""
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(60, 2)) * (3.0, 1.0 + seed / 3) + (4.0, -2.0)
    centre, radius = enclosing_circle(points)
    found = minimize(
        lambda c: float(np.hypot(*(points - c).T).max()), points.mean(axis=0), method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-9, "maxiter": 4000},
    )  # fmt: skip
    assert radius == pytest.approx(float(found.fun), abs=1e-5)
    assert radius == pytest.approx(cv2.minEnclosingCircle(points.astype(np.float32))[1], abs=1e-3)
    assert np.hypot(*(points - centre).T).max() <= radius + 1e-8


def test_smallest_circle_of_simple_shapes() -> None:
    """Closed forms: a rectangle's diagonal, an acute triangle's circumcircle, an obtuse one's longest side."""
    corners = np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (0.0, 3.0)])
    assert enclosing_circle(corners)[1] == pytest.approx(2.5)
    acute = np.array([(0.0, 0.0), (2.0, 0.0), (1.0, 3.0**0.5)])
    assert enclosing_circle(acute)[1] == pytest.approx(2.0 / 3.0**0.5)
    assert enclosing_circle(np.array([(0.0, 0.0), (4.0, 0.0), (1.0, 0.5)]))[1] == pytest.approx(2.0)
    with pytest.raises(ValueError, match="no points"):
        enclosing_circle(np.empty((0, 2)))


def test_room_inside_an_outline() -> None:
    corners = np.array([(-2.0, -1.5), (2.0, -1.5), (2.0, 1.5), (-2.0, 1.5)])
    assert inner_radius(corners, np.zeros(2)) == pytest.approx(1.5)
    assert inner_radius(corners, np.array([1.0, 0.0])) == pytest.approx(1.0)
    assert inner_radius(ellipse(3.0, 2.0), np.zeros(2)) == pytest.approx(2.0, abs=1e-5)
