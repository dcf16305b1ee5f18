"""The picture maker itself: what it draws must lie where the geometry says, or every test on it is worth nothing."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.measure import find_contours

from rimsight.calibration.card import layout
from tests.synthetic import Disc, PrintedCard, Scene, look, photograph


def test_a_disc_comes_back_with_its_size() -> None:
    # Independent reference: scikit-image's contour at the middle level of the linear light. What is left is the
    # blur's curvature term sigma^2 / (2 R) = 0.85^2 / (2 * 50 px) = 0.007 px.
    view = look(tilt_deg=7.0, k1=-0.05)
    height = 4.0
    light = photograph(view, Scene(things=(Disc(3.0, -2.0, 5.0, height, 0.1),), noise=0.0))
    contour = max(find_contours(light.luminance(0, 0, 1600, 1200), 0.5 * (0.75 + 0.1)), key=_roundness)
    points_mm = view.to_plane(contour[:, ::-1], height)
    radius_px = np.hypot(*(points_mm - (3.0, -2.0)).T).mean() * view.px_per_mm(height_mm=height)
    assert radius_px == pytest.approx(5.0 * view.px_per_mm(height_mm=height), abs=0.02)


def _roundness(contour: np.ndarray) -> float:
    x, y = contour.T
    closed = bool(np.allclose(contour[0], contour[-1]))
    compact = float(np.ptp(x) / max(np.ptp(y), 1e-9))
    corners = np.hypot(x - x.mean(), y - y.mean())
    is_round = closed and len(contour) > 100 and abs(compact - 1) < 0.1
    return float(1.0 - corners.std() / corners.mean()) if is_round else 0.0


@pytest.mark.parametrize("side_mm", [60.0, 30.0])
@pytest.mark.parametrize("ink_mm", [0.0, 0.15])
def test_the_frame_is_drawn_true_to_scale(side_mm: float, ink_mm: float) -> None:
    # Without a lens, seen square on: light integrated across a band gives its width exactly.
    card = layout(side_mm)
    view = look(tilt_deg=0.0, roll_deg=0.0, aim_mm=(0.0, 0.0), distance_mm=2.6 * side_mm)
    scene = Scene(cards=(PrintedCard(side_mm, ink_spread_mm=ink_mm),), noise=0.0, white=1.0, black=0.0, blur_px=0.0)
    codes = photograph(view, scene).luminance(0, 0, 1600, 1200).astype(float)
    row = codes[600]  # through the middle: left and right band
    px_per_mm = view.px_per_mm()
    dark = 1.0 - row
    left, right = dark[:800], dark[800:]
    # 8-bit sRGB codes of the two mixed pixels at each edge: 0.01 px.
    assert left.sum() / px_per_mm == pytest.approx(card.band_mm + 2 * ink_mm, abs=0.01)
    middle_left = (left * np.arange(800)).sum() / left.sum()
    middle_right = 800 + (right * np.arange(800)).sum() / right.sum()
    assert (middle_right - middle_left) / px_per_mm == pytest.approx(side_mm, abs=0.003)
    assert 0.5 * (middle_left + middle_right) == pytest.approx(799.5, abs=0.01)
