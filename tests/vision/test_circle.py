"""Circle fits against published point sets, an independent optimiser, and the theory of their scatter."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize
from skimage.measure import CircleModel

from rimsight.vision.circle import Circle, algebraic_circle, coverage_deg, fit_circle, fit_circle_robust

FloatArray = NDArray[np.float64]

#: Gander, Golub & Strebel, "Least-squares fitting of circles and ellipses", BIT 34 (1994) 558-578: six points and the
#: geometric fit printed there (centre 4.7398, 2.9835, radius 4.7142); points from memory, every digit reproduced.
GANDER = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], dtype=np.float64)
#: SciPy cookbook "Least squares circle", https://scipy.github.io/old-wiki/pages/Cookbook/Least_Squares_Circle .
COOKBOOK = np.array([[36, 14], [36, 10], [19, 28], [18, 31], [33, 18], [26, 26]], dtype=np.float64)
#: Boyd & Vandenberghe, "Introduction to Applied Linear Algebra", exercise on fitting an ellipse: points only.
BOYD = np.array(
    [[0.5, 1.5], [-0.3, 0.6], [1.0, 1.8], [-0.4, 0.2], [0.2, 1.3], [0.7, 0.1], [2.3, 0.8], [1.4, 0.5], [0.0, 0.2],
     [2.4, 1.7]]
)  # fmt: skip


def sum_of_squares(circle: Circle) -> float:
    return float(np.sum(circle.residuals**2))


def points(
    angles_deg: FloatArray, radius: float = 3.0, centre: tuple[float, float] = (1.0, -2.0)
) -> FloatArray:
    angle = np.radians(angles_deg)
    return np.asarray(np.column_stack([np.cos(angle), np.sin(angle)]) * radius + centre)


def round_about(count: int = 360, arc_deg: float = 360.0) -> FloatArray:
    return np.arange(count, dtype=np.float64) * (arc_deg / count)


def independent(xy: FloatArray) -> tuple[FloatArray, float]:
    """The geometric fit by SciPy's Levenberg-Marquardt, from several starts."""

    def residual(p: FloatArray) -> FloatArray:
        return np.asarray(np.hypot(xy[:, 0] - p[0], xy[:, 1] - p[1]) - p[2])

    starts = [(*xy.mean(axis=0), float(np.ptp(xy))), algebraic_circle(xy)]
    found = [optimize.least_squares(residual, s, method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14) for s in starts]
    best = min(found, key=lambda one: float(one.cost))
    return np.asarray(best.x), 2.0 * float(best.cost)


def test_the_geometric_fit_published_by_gander_golub_and_strebel() -> None:
    circle = fit_circle(GANDER)
    assert (circle.x, circle.y, circle.radius) == pytest.approx((4.7398, 2.9835, 4.7142), abs=5e-5)
    # More digits, and the residual, recomputed with scipy.optimize; the valley is flat to 1e-6.
    assert (circle.x, circle.y, circle.radius) == pytest.approx((4.7397823, 2.9835333, 4.7142259), abs=1e-6)
    assert sum_of_squares(circle) == pytest.approx(1.2275991, abs=1e-7)


def test_the_linear_fit_of_the_same_points_is_another_circle() -> None:
    """On a short noisy arc Kasa's fit is far from the geometric one: the set tells the two apart."""
    assert algebraic_circle(GANDER) == pytest.approx((4.7423313, 3.8351227, 4.1087615), abs=1e-7)


def test_the_sum_of_squares_published_for_the_cookbook_points() -> None:
    """Both are in scikit-image's tracker, number 5186: 4.0425 for the geometric fit, 5.1977 for the linear one."""
    circle = fit_circle(COOKBOOK)
    assert sum_of_squares(circle) == pytest.approx(4.042521898322268, rel=1e-9)
    assert (circle.x, circle.y, circle.radius) == pytest.approx((9.8875658, 3.6874966, 27.3504441), abs=1e-6)
    x, y, radius = algebraic_circle(COOKBOOK)
    linear = np.hypot(COOKBOOK[:, 0] - x, COOKBOOK[:, 1] - y) - radius
    assert float(np.sum(linear**2)) == pytest.approx(5.1976653458467945, rel=1e-9)


@pytest.mark.parametrize("xy", [GANDER, COOKBOOK, BOYD])
def test_the_start_is_what_scikit_image_calls_a_circle_fit(xy: FloatArray) -> None:
    model = CircleModel.from_estimate(xy) if hasattr(CircleModel, "from_estimate") else CircleModel()
    if not hasattr(CircleModel, "from_estimate"):
        assert model.estimate(xy)
    expected = (*model.center, model.radius) if hasattr(model, "radius") else tuple(model.params)
    assert algebraic_circle(xy) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("xy", [GANDER, COOKBOOK, BOYD])
def test_no_circle_found_by_scipy_is_nearer_to_the_points(xy: FloatArray) -> None:
    circle = fit_circle(xy)
    best, squares = independent(xy)
    assert sum_of_squares(circle) == pytest.approx(squares, rel=1e-9)
    assert (circle.x, circle.y, circle.radius) == pytest.approx(tuple(best), rel=1e-5)


@pytest.mark.parametrize("seed", range(8))
def test_random_arcs_agree_with_scipy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    arc = rng.uniform(70.0, 360.0)
    xy = points(rng.uniform(0.0, arc, 60), rng.uniform(0.5, 8.0)) + rng.normal(0.0, 0.02, (60, 2))
    circle = fit_circle(xy)
    best, squares = independent(xy)
    assert sum_of_squares(circle) == pytest.approx(squares, rel=1e-8)
    assert (circle.x, circle.y, circle.radius) == pytest.approx(tuple(best), rel=1e-5, abs=1e-6)


@pytest.mark.parametrize("shift", [0.0, 1e3, 1e6])
@pytest.mark.parametrize("scale", [1e-90, 1e-6, 1.0, 1e6])
def test_far_shifts_and_odd_scales(shift: float, scale: float) -> None:
    """Scikit-image keeps tests of 1e-90 in scale and 1e6 in shift for its own fit; the idea is theirs."""
    xy = (points(round_about(90, 200.0)) + shift) * scale
    circle = fit_circle(xy)
    expected = (np.array([1.0, -2.0]) + shift) * scale
    # What a double can hold: its spacing at that distance, times the lever of a 200 degree arc.
    digits = 20.0 * np.finfo(float).eps * (shift + 10.0) * scale
    assert np.abs(circle.centre - expected).max() <= digits
    assert circle.radius == pytest.approx(3.0 * scale, rel=1e-9)


def test_whole_numbers_far_from_the_origin() -> None:
    xy = np.rint(points(round_about(), 200.0, (520.0, 480.0))).astype(np.int32)
    circle = fit_circle(xy.astype(np.float64))
    assert (circle.x, circle.y, circle.radius) == pytest.approx((520.0, 480.0, 200.0), abs=0.1)


def test_weights_count_like_repeated_points() -> None:
    weights = np.array([1.0, 3.0, 2.0, 1.0, 2.0, 1.0])
    weighted = fit_circle(GANDER, weights)
    repeated = fit_circle(np.repeat(GANDER, weights.astype(int), axis=0))
    assert (weighted.x, weighted.y, weighted.radius) == pytest.approx(
        (repeated.x, repeated.y, repeated.radius), rel=1e-9
    )


@pytest.mark.parametrize("bad", [np.zeros((2, 2)), np.zeros((5, 3)), np.zeros(6), np.full((4, 2), 7.0)])
def test_points_that_make_no_circle_are_refused(bad: FloatArray) -> None:
    with pytest.raises(ValueError, match="points"):
        fit_circle(bad)


def test_points_on_a_line_are_refused() -> None:
    along = np.linspace(0.0, 9.0, 20)
    with pytest.raises(ValueError, match="line"):
        fit_circle(np.column_stack([along, 2.0 * along + 1.0]))


@pytest.mark.parametrize(("arc_deg", "factor"), [(360.0, 1.0), (270.0, 1.14), (180.0, 2.28), (120.0, 5.53)])
def test_the_radius_scatters_as_theory_says_and_the_covariance_says_so(arc_deg: float, factor: float) -> None:
    """Full circle: std(R) = sigma / sqrt(N), std(x) = sigma sqrt(2 / N) (Chernov & Lesort, arXiv cs/0301001).

    The factors for arcs follow from the inverse of the normal matrix; they are recomputed below.
    """
    rng = np.random.default_rng(7)
    count, sigma, radius = 180, 0.01, 3.0
    angle = round_about(count, arc_deg)
    unit = points(angle, 1.0, (0.0, 0.0))
    design = np.column_stack([unit, np.ones(count)])
    expected = sigma * np.sqrt(np.linalg.inv(design.T @ design)[2, 2])
    assert expected == pytest.approx(factor * sigma / np.sqrt(count), rel=0.01)
    found, stated, centre = [], [], []
    for _ in range(400):
        radii = radius + rng.normal(0.0, sigma, count)
        circle = fit_circle(unit * radii[:, None])
        found.append(circle.radius)
        centre.append(circle.x)
        stated.append(np.sqrt(circle.covariance[2, 2]))
    # The standard deviation of 400 values is known to 3.5 %.
    assert np.std(found) == pytest.approx(expected, rel=0.12)
    assert np.mean(stated) == pytest.approx(expected, rel=0.03)
    if arc_deg == 360.0:
        assert np.std(centre) == pytest.approx(sigma * np.sqrt(2.0 / count), rel=0.12)


@pytest.mark.parametrize("seed", range(5))
def test_three_tenths_astray_on_one_side_do_not_move_the_robust_fit(seed: int) -> None:
    """A shadow hugs the stone on one side: its edge is a second, larger arc there. The start is right to two sigma."""
    rng = np.random.default_rng(seed)
    sigma, count = 0.01, 300
    xy = points(round_about(count)) + rng.normal(0.0, sigma, (count, 2))
    astray = np.arange(count) < 0.3 * count
    xy[astray] += (xy[astray] - (1.0, -2.0)) * rng.uniform(0.05, 0.3, (astray.sum(), 1))
    plain = fit_circle(xy)
    robust = fit_circle_robust(xy, start=(1.01, -2.01, 3.02))
    assert abs(plain.radius - 3.0) > 10.0 * sigma
    assert abs(robust.radius - 3.0) < 0.4 * sigma
    assert np.hypot(robust.x - 1.0, robust.y + 2.0) < 0.6 * sigma
    assert np.count_nonzero(robust.weights[astray]) < 0.05 * astray.sum()
    assert np.count_nonzero(robust.weights[~astray]) > 0.97 * (~astray).sum()


def test_scattered_nonsense_is_rejected_without_a_start() -> None:
    rng = np.random.default_rng(3)
    xy = points(round_about(200))
    xy[::5] = rng.uniform(-3.0, 5.0, (40, 2))
    robust = fit_circle_robust(xy, smallest_scale=1e-3)
    assert (robust.x, robust.y, robust.radius) == pytest.approx((1.0, -2.0, 3.0), abs=1e-3)


def test_clean_points_are_all_kept_at_the_noise_that_is_known_to_be_there() -> None:
    xy = points(round_about(60))
    circle = fit_circle_robust(xy, smallest_scale=0.01)
    assert circle.weights.min() > 0.99
    assert circle.scatter < 1e-9


def test_an_ellipse_has_the_least_squares_radius_of_its_mean_axis() -> None:
    """a = 10.1, b = 9.9, 360 equal steps of the parameter: LSC radius 10.000250 (recomputed, no source needed)."""
    angle = np.radians(round_about())
    circle = fit_circle(np.column_stack([10.1 * np.cos(angle), 9.9 * np.sin(angle)]))
    assert circle.radius == pytest.approx(10.000250, abs=1e-6)
    assert (circle.x, circle.y) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_coverage_counts_the_round_that_is_seen() -> None:
    xy = points(np.arange(0.5, 360.0, 1.0))
    centre = np.array([1.0, -2.0])
    assert coverage_deg(xy, centre) == 360.0
    seen = (np.arange(360) < 90).astype(np.float64)
    assert coverage_deg(xy, centre, seen) == 90.0
    assert coverage_deg(xy, centre, np.zeros(360)) == 0.0
