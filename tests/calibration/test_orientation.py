"""Quarter turns and scales of lenses: projecting through the turned lens is turning the projected points."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageOps

from rimsight.calibration.camera import Camera
from rimsight.calibration.orientation import (
    quarter_turns,
    scaled_camera,
    turned_camera,
    turned_covariance,
    turned_points,
    turned_size,
)

SIZE = (400, 300)
CAMERA = Camera(420.0, 190.0, 160.0, k1=-0.1, k2=0.03, p1=0.004, p2=-0.002)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_turns_agree_with_pillows_reading_of_the_tag(orientation: int) -> None:
    """Independent reference: `ImageOps.exif_transpose` on a picture with one marked pixel."""
    codes = np.zeros((SIZE[1], SIZE[0]), np.uint8)
    codes[40, 310] = 255
    picture = Image.fromarray(codes)
    picture.getexif()[274] = orientation
    upright = np.asarray(ImageOps.exif_transpose(picture))
    row, column = np.argwhere(upright == 255)[0]
    turns = quarter_turns(orientation)
    assert turns is not None
    assert turned_size(SIZE, turns) == upright.shape[::-1]
    np.testing.assert_array_equal(turned_points(np.array([[310.0, 40.0]]), SIZE, turns), [[column, row]])
    np.testing.assert_array_equal(
        turned_points(np.array([[column, row]]), turned_size(SIZE, turns), -turns), [[310.0, 40.0]]
    )


def test_tags_of_mirror_images_and_none() -> None:
    assert [quarter_turns(tag) for tag in (2, 4, 5, 7)] == [None] * 4
    assert quarter_turns(None) == 0


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_turned_lens_projects_to_the_turned_points(turns: int) -> None:
    rays = np.random.default_rng(1).uniform(-0.4, 0.4, (50, 2))
    turned_rays = rays.copy()
    for _ in range(turns):
        turned_rays = np.column_stack([-turned_rays[:, 1], turned_rays[:, 0]])
    expected = turned_points(CAMERA.pixels(rays), SIZE, turns)
    np.testing.assert_allclose(turned_camera(CAMERA, SIZE, turns).pixels(turned_rays), expected, rtol=0, atol=1e-9)


def test_four_quarters_are_none() -> None:
    once = turned_camera(CAMERA, SIZE, 1)
    thrice = turned_camera(once, turned_size(SIZE, 1), 3)
    assert thrice == CAMERA


def test_the_covariance_turns_with_the_centre() -> None:
    rng = np.random.default_rng(2)
    root = rng.normal(size=(5, 5))
    covariance = root @ root.T
    draws = rng.multivariate_normal(np.zeros(5), covariance, 200_000)
    turned = draws.copy()
    turned[:, 3], turned[:, 4] = -draws[:, 4], draws[:, 3]
    np.testing.assert_allclose(turned_covariance(covariance, 1), np.cov(turned.T), rtol=0.03, atol=0.05)
    np.testing.assert_allclose(turned_covariance(turned_covariance(covariance, 3), 1), covariance, atol=1e-12)


def test_a_scaled_lens_sees_the_pictures_edges_where_they_are() -> None:
    # Edges lie half a pixel outside of the outermost pixels' centres, at any resolution.
    half = scaled_camera(CAMERA, 0.5)
    left = CAMERA.normalized(np.array([[-0.5, -0.5], [399.5, 299.5]]))
    np.testing.assert_allclose(half.pixels(left), [[-0.5, -0.5], [199.5, 149.5]], rtol=0, atol=1e-9)
