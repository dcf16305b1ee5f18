"""The camera model against OpenCV's own projection, and the mappings against each other."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from rimsight.calibration import lines
from rimsight.calibration.camera import Camera, View, focal_from_35mm
from tests.synthetic import look

LENSES = {
    "pinhole": (0.0, 0.0, 0.0, 0.0, 0.0),
    "barrel": (-0.15, 0.03, 0.0, 0.0, 0.0),
    "pincushion": (0.1, -0.02, 0.0, 0.0, 0.0),
    "all five": (-0.2664, -0.0386, 0.0018, -0.0003, 0.2384),
}


def lens_view(lens: str, **pose: float) -> View:
    view = look(tilt_deg=12.0, **pose)  # type: ignore[arg-type]
    return view.with_camera(**dict(zip(("k1", "k2", "p1", "p2", "k3"), LENSES[lens], strict=True)))


@pytest.fixture(name="points_mm")
def make_points() -> np.ndarray:
    return np.random.default_rng(7).uniform(-40.0, 40.0, (300, 2))


@pytest.mark.parametrize("lens", LENSES)
@pytest.mark.parametrize("height_mm", [0.0, 7.5])
def test_projection_is_opencvs(lens: str, height_mm: float, points_mm: np.ndarray) -> None:
    view = lens_view(lens)
    expected = cv2.projectPoints(
        np.column_stack([points_mm, np.full(len(points_mm), -height_mm)]),
        np.array(view.rvec),
        np.array(view.t_mm),
        view.camera.matrix,
        view.camera.distortion,
    )[0].reshape(-1, 2)
    np.testing.assert_allclose(view.to_pixels(points_mm, height_mm), expected, rtol=0, atol=1e-9)


@pytest.mark.parametrize("lens", LENSES)
def test_back_to_the_plane_and_out_again(lens: str, points_mm: np.ndarray) -> None:
    view = lens_view(lens)
    heights = np.random.default_rng(8).uniform(0.0, 12.0, len(points_mm))
    seen = view.to_pixels(points_mm, heights)
    np.testing.assert_allclose(view.to_plane(seen, heights), points_mm, rtol=0, atol=1e-9)


def test_rays_agree_with_opencvs_undistortion(points_mm: np.ndarray) -> None:
    # OpenCV 5 stops its iteration at about 1e-8 unless told otherwise; the default is enough to compare to 1e-6.
    view = lens_view("all five")
    seen = view.to_pixels(points_mm)
    expected = cv2.undistortPoints(seen.reshape(-1, 1, 2), view.camera.matrix, view.camera.distortion).reshape(-1, 2)
    np.testing.assert_allclose(view.camera.normalized(seen), expected, rtol=0, atol=1e-6)


def test_a_pixel_that_the_lens_can_not_see_has_no_ray() -> None:
    # k1 = -0.5 folds over at r = (1 / 1.5)^0.5 = 0.816, where the distorted radius is 0.544: 544 px at f = 1000.
    camera = Camera(1000.0, 0.0, 0.0, k1=-0.5)
    rays = camera.normalized(np.array([[500.0, 0.0], [560.0, 0.0]]))
    np.testing.assert_allclose(camera.pixels(rays[:1]), [[500.0, 0.0]], rtol=0, atol=1e-9)
    assert np.isnan(rays[1]).all()


def test_a_ray_above_the_horizon_meets_no_plane() -> None:
    view = look(tilt_deg=30.0, azimuth_deg=90.0, roll_deg=0.0)
    assert np.isnan(view.to_plane(np.array([[800.0, -9000.0]]))).all()


def test_height_enlarges_by_similar_triangles() -> None:
    # Z / (Z - h): 1 mm at 150 mm is 0.67 %.
    view = look(tilt_deg=0.0, distance_mm=150.0)
    disc = np.array([[-3.0, 0.0], [3.0, 0.0]])
    seen = view.to_pixels(disc, 1.0)
    assert np.diff(view.to_plane(seen)[:, 0])[0] == pytest.approx(6.0 * 150.0 / 149.0, abs=1e-9)


def test_slant_is_the_shift_per_height(points_mm: np.ndarray) -> None:
    view = look(tilt_deg=15.0)
    step = 1e-4
    lower = view.to_plane(view.to_pixels(points_mm, 2.0), 2.0)
    higher = view.to_plane(view.to_pixels(points_mm, 2.0), 2.0 + step)
    np.testing.assert_allclose((higher - lower) / step, view.slant(points_mm, 2.0), rtol=0, atol=1e-5)


def test_scale_and_pose_figures() -> None:
    view = look(tilt_deg=9.0, distance_mm=160.0, f_px=1600.0, aim_mm=(0.0, 0.0))
    assert view.tilt_deg == pytest.approx(9.0, abs=1e-9)
    assert view.distance_mm == pytest.approx(160.0 * np.cos(np.radians(9.0)), abs=1e-9)
    # At the aim: f / Z in one direction, f cos(tilt) / Z in the other.
    assert view.px_per_mm() == pytest.approx(10.0 * np.cos(np.radians(9.0)) ** 0.5, rel=1e-5)


@pytest.mark.parametrize(
    ("f35_mm", "size", "expected_px"),
    [(26.0, (4032, 3024), 3028.66), (27.0, (4000, 3000), 3120.19), (50.0, (6000, 4000), 8333.33)],
)
def test_focal_length_from_the_35_mm_equivalent(f35_mm: float, size: tuple[int, int], expected_px: float) -> None:
    # CIPA DCG-001 (from memory): equivalence by the diagonal, 43.27 mm. The figures were worked out by hand.
    assert focal_from_35mm(f35_mm, *size) == pytest.approx(expected_px, abs=0.02)


def test_derivatives_of_the_distance_from_a_line() -> None:
    rng = np.random.default_rng(3)
    view = lens_view("all five")
    normals = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])[rng.integers(0, 4, 40)]
    offsets = rng.uniform(20.0, 30.0, 40)
    along = rng.uniform(-20.0, 20.0, 40)
    feet = normals * offsets[:, None] + np.column_stack([-normals[:, 1], normals[:, 0]]) * along[:, None]
    points = view.to_pixels(feet) + rng.normal(0.0, 1e-4, (40, 2))

    def at(changed: View, offset_change: float = 0.0) -> np.ndarray:
        return lines.distances(changed, points, normals, offsets + offset_change, along).residual_px

    fit = lines.distances(view, points, normals, offsets, along)
    for k in range(3):
        for name, by in (("rvec", fit.by_rvec), ("t_mm", fit.by_t)):
            step = 1e-6 if name == "rvec" else 1e-4
            moved = []
            for sign in (1, -1):
                changed = list(getattr(view, name))
                changed[k] += sign * step
                moved.append(at(View(view.camera, **{"rvec": view.rvec, "t_mm": view.t_mm, name: tuple(changed)})))
            np.testing.assert_allclose((moved[0] - moved[1]) / (2 * step), by[:, k], rtol=1e-4, atol=1e-3)
    for k, name in enumerate(lines.CAMERA_COLUMNS):
        step = 1e-3 if name.endswith("px") else 1e-6
        value = float(getattr(view.camera, name))
        moved = [at(view.with_camera(**{name: value + sign * step})) for sign in (1, -1)]
        np.testing.assert_allclose((moved[0] - moved[1]) / (2 * step), fit.by_camera[:, k], rtol=1e-4, atol=1e-3)
    moved = [at(view, sign * 1e-4) for sign in (1, -1)]
    np.testing.assert_allclose((moved[0] - moved[1]) / 2e-4, fit.by_offset, rtol=1e-4, atol=1e-3)


def test_distance_from_a_line_is_positive_outwards() -> None:
    view = look()
    normals = np.array([[1.0, 0.0], [0.0, -1.0]])
    outside = view.to_pixels(np.array([[30.1, 4.0], [4.0, -30.1]]))
    fit = lines.distances(view, outside, normals, np.array([30.0, 30.0]), np.array([4.0, 4.0]))
    np.testing.assert_allclose(fit.residual_px, 0.1 * view.px_per_mm(), rtol=0.1, atol=0.0)
