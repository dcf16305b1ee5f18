"""Edges beside a growing shadow, on drawn discs whose radius is known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.vision.outline import level, measure_edge
from rimsight.vision.shadow_ramp import without_ramp
from tests.vision.rounds import drawn, near_look

FloatArray = NDArray[np.float64]

RADIUS, HEIGHT, BLUR_PX = 3.0, 0.6, 1.0


@pytest.mark.parametrize("rise", [0.0, 0.15, 0.3])
def test_a_shadow_that_grows_away_from_the_edge_does_not_widen_it(rise: float) -> None:
    view = near_look(4.0)

    def light(x: FloatArray, y: FloatArray) -> FloatArray:
        away = np.hypot(x, y) - RADIUS
        # The shadow is deepest at the edge and gone 0.5 mm (10 px) further out.
        paper = 0.6 - rise * np.clip(1.0 - away / 0.5, 0.0, 1.0)
        return np.where(away < 0.0, 0.1, paper)

    image = drawn(light, view, HEIGHT, blur_px=BLUR_PX)
    edge = measure_edge(image, view, np.zeros(2), RADIUS, level(HEIGHT), HEIGHT, BLUR_PX)
    mended = without_ramp(image, view, edge, HEIGHT, BLUR_PX)
    before, after = ((one.circle.radius - RADIUS) * edge.px_per_mm for one in (edge, mended))
    # A shadow of half the paper's light broadens the steepest place itself, which the formula leaves out.
    assert abs(after) < max(0.05, 0.5 * before)
    # The formula by hand, sigma^2 being blur^2 + 0.5: rise / 10 px * 1.5 px^2 / (what the edge steps by).
    assert before - after == pytest.approx(rise / 10.0 * 1.5 / (0.5 - rise), abs=0.03)


def test_points_keep_their_place_where_the_paper_is_even() -> None:
    view = near_look(4.0)
    image = drawn(lambda x, y: np.where(np.hypot(x, y) < RADIUS, 0.1, 0.6), view, HEIGHT, blur_px=BLUR_PX)
    edge = measure_edge(image, view, np.zeros(2), RADIUS, level(HEIGHT), HEIGHT, BLUR_PX)
    mended = without_ramp(image, view, edge, HEIGHT, BLUR_PX)
    assert np.abs(mended.points_px - edge.points_px).max() < 0.02


def test_points_keep_their_place_where_a_tubes_edge_is_too_near() -> None:
    view = near_look(4.0)

    def light(x: FloatArray, y: FloatArray) -> FloatArray:
        away = np.hypot(x, y) - RADIUS
        return np.where(away < 0.0, 0.1, 0.6 - 0.2 * np.clip(1.0 - away / 0.5, 0.0, 1.0))

    image = drawn(light, view, HEIGHT, blur_px=BLUR_PX)
    edge = measure_edge(image, view, np.zeros(2), RADIUS, level(HEIGHT), HEIGHT, BLUR_PX)
    room = np.where(np.arange(len(edge.points_px)) % 2 == 0, 4.0, 9.0)
    mended = without_ramp(image, view, edge, HEIGHT, BLUR_PX, room_px=room)
    moved = np.hypot(*(mended.points_px - edge.points_px).T)
    assert moved[::2].max() < 0.01
    assert np.median(moved[1::2]) > 0.05
