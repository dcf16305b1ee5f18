"""Steps told from ramps, in all colours together: drawn profiles with known places."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr

from rimsight.calibration.pixels import LUMINANCE_WEIGHTS
from rimsight.vision.fields import edge_field
from rimsight.vision.polar import PolarMap
from rimsight.vision.shape_steps import joint_field, step_filter

BLUR_PX = 0.9
RADII = np.arange(-9.0, 12.0, 0.25)


def drawn(inside: tuple[float, float, float], place: float, ramp: float) -> PolarMap:
    """One colour inside of a blurred edge, paper outside whose light rises by `ramp` per pixel over 8 pixels."""
    rise = ndtr((RADII - place) / BLUR_PX)[:, None]
    shade = 1.0 - ramp * np.clip(8.0 - (RADII - place), 0.0, 8.0)[:, None]
    light = np.array(inside) * (1.0 - rise) + shade * rise
    return PolarMap(np.zeros(2), 0.0, np.zeros(3), RADII / 30.0, np.repeat(light[None], 3, axis=0), 30.0)


def crest(of: np.ndarray[Any, Any]) -> float:
    """Place of the highest sample within 2 px, to a fraction, pixels."""
    near = np.flatnonzero(np.abs(RADII) < 2.0)
    k = near[int(np.argmax(of[near]))]
    left, middle, right = of[k - 1 : k + 2]
    return float(RADII[k] + 0.25 * 0.5 * (left - right) / (left - 2.0 * middle + right))


@pytest.mark.parametrize("ramp", [0.0, 0.01, 0.02])
def test_a_shadow_hardly_pulls_the_edge(ramp: float) -> None:
    """A tenth of a pixel is 3 micrometres; the steepest luminance of a green stone is pulled twice as far and more."""
    polar = drawn((0.25, 0.6, 0.3), 0.13, ramp)
    pulled = abs(crest(joint_field(polar, BLUR_PX).step[0]) - 0.13)
    assert pulled < 0.08
    assert pulled < 0.5 * abs(crest(np.abs(edge_field(polar, BLUR_PX).step[0])) - 0.13) + 0.005


def test_colour_alone_is_an_edge() -> None:
    """As light as the paper, but red: luminance shows nothing."""
    weights = np.array(LUMINANCE_WEIGHTS)
    inside = np.array([1.6, 0.8, 0.0])
    inside[2] = (1.0 - inside[:2] @ weights[:2]) / weights[2]
    polar = drawn((float(inside[0]), float(inside[1]), float(inside[2])), 0.0, 0.0)
    assert np.abs(edge_field(polar, BLUR_PX).step[0]).max() < 1e-6
    field = joint_field(polar, BLUR_PX)
    assert crest(field.step[0]) == pytest.approx(0.0, abs=0.02)
    assert field.crests[0].max() > 0.9


def test_the_filter_is_blind_to_levels_and_ramps() -> None:
    found, levels, height = step_filter(3.6, 12)
    at = np.arange(-12, 13) / 3.6
    assert found @ np.ones(25) == pytest.approx(0.0, abs=1e-12)
    assert found @ at == pytest.approx(0.0, abs=1e-12)
    assert found @ ndtr(at) == pytest.approx(height)
    assert levels @ levels.T == pytest.approx(np.eye(3), abs=1e-12)
