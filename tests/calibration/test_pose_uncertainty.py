"""Whether the stated uncertainty of a length holds the truth in 93 to 98 % of cases, and what a wrong call says.

Cameras, lenses, prints and distances are drawn from the very distributions that the priors state; edge points are
made directly from the drawn view, with noise that neighbours share. No picture is drawn: hundreds of cases in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from rimsight.calibration.band import DIRECTIONS, NORMALS, PROFILES_PER_SIDE, SquareEdges
from rimsight.calibration.camera import View
from rimsight.calibration.pose import (
    EDGE_U_PX,
    PRINCIPAL_POINT_U,
    UNKNOWN_K1_U,
    UNKNOWN_K2_U,
    Prior,
    Solution,
    prior_for,
    solve,
)
from tests.synthetic import look

SIZE = (4032, 3024)
F_PX = 3028.66  # 26 mm equivalent
HALF_MM = 30.0
#: Noise of one profile and how many of 64 profiles count as independent: together the solver's own EDGE_U_PX.
NOISE_PX, INDEPENDENT = 0.04, 16
UNIT = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


@dataclass(frozen=True)
class Case:
    """One kind of knowledge beforehand."""

    prior: Prior
    u_print: float
    tilt_deg: float = 15.0
    distance_known: bool = False


CASES = {
    "EXIF, checked with a rule": Case(prior_for(*SIZE, f_px=F_PX), 0.1 / 150),
    "EXIF, checked with calipers": Case(prior_for(*SIZE, f_px=F_PX), 0.03 / 150),
    "typed distance": Case(prior_for(*SIZE, distance_mm=200.0), 0.1 / 150, distance_known=True),
    "focal length not known": Case(prior_for(*SIZE), 0.1 / 150),
    "focal length not known, from above": Case(prior_for(*SIZE), 0.1 / 150, tilt_deg=3.0),
    "profile": Case(Prior(look(f_px=F_PX, size=SIZE).camera, 0.004, 0.004, 0.01, 0.001), 0.03 / 150),
}


def shared_noise(rng: np.random.Generator) -> np.ndarray:
    """First-order autoregressive noise of one side."""
    ratio = PROFILES_PER_SIDE / INDEPENDENT
    memory = (ratio - 1.0) / (ratio + 1.0)
    fresh = rng.normal(0.0, NOISE_PX, PROFILES_PER_SIDE)
    noise = [fresh[0]]
    for value in fresh[1:]:
        noise.append(memory * noise[-1] + (1.0 - memory**2) ** 0.5 * value)
    return np.array(noise)


def edge_points(view: View, scale: np.ndarray, rng: np.random.Generator) -> SquareEdges:
    """Points on the midline of a card whose print has this scale across and down."""
    side = np.repeat(np.arange(4), PROFILES_PER_SIDE)
    along = np.tile(np.linspace(-0.83 * HALF_MM, 0.83 * HALF_MM, PROFILES_PER_SIDE), 4)
    points = (NORMALS[side] * HALF_MM + DIRECTIONS[side] * along[:, None]) * scale
    seen = view.to_pixels(points)
    outwards = view.to_pixels(points + 0.1 * NORMALS[side]) - seen
    outwards /= np.linalg.norm(outwards, axis=1)[:, None]
    noise = np.concatenate([shared_noise(rng) for _ in range(4)])
    return SquareEdges(
        side=side,
        edge_px=(seen + outwards * noise[:, None])[None],
        edge_place=np.ones(1),
        blur_px=1.0,
        blur_spread_px=0.0,
        white=0.8,
        black=0.05,
        clipped=0.0,
        found=np.ones(4),
        outside=np.zeros(4),
    )


def drawn(case: Case, rng: np.random.Generator) -> tuple[View, Solution, np.ndarray]:
    """Draw a camera and a card, and solve: the true view, the solution, the true print scale."""
    prior = case.prior
    f_px = prior.camera.f_px * float(np.exp(rng.normal(0.0, prior.u_log_f)))
    # The frame fills half to all of the picture's short side; no phone focuses nearer than 70 mm.
    distance = max(f_px / SIZE[1] * 64.0 * rng.uniform(1.05, 2.0), 70.0)
    offset = rng.normal(0.0, prior.u_centre * float(np.hypot(*SIZE)), 2)
    view = look(
        tilt_deg=rng.uniform(0.0, case.tilt_deg),
        azimuth_deg=rng.uniform(0.0, 360.0),
        roll_deg=rng.uniform(0.0, 360.0),
        distance_mm=distance,
        f_px=f_px,
        size=SIZE,
        aim_mm=(rng.uniform(-6.0, 6.0), rng.uniform(-6.0, 6.0)),
        centre_offset_px=(offset[0], offset[1]),
        k1=rng.normal(0.0, prior.u_k1),
        k2=rng.normal(0.0, prior.u_k2),
    )
    if case.distance_known:
        true = float(np.linalg.norm(view.t_mm))
        u = max(3.0, 0.03 * true)
        prior = replace(prior, distance_mm=true + rng.normal(0.0, u), u_distance_mm=u)
    scale = 1.0 + rng.normal(0.0, case.u_print, 2)
    edges = edge_points(view, scale, rng)
    corners = view.to_pixels(UNIT * HALF_MM * scale)
    return view, solve(edges, corners, (HALF_MM, HALF_MM), prior, 2**0.5 * case.u_print), scale


def length_error(
    view: View, solution: Solution, u_print: float, height_mm: float, rng: np.random.Generator
) -> tuple[float, float]:
    """Error of a length of 3 to 12 mm somewhere on the stage, and its stated standard uncertainty."""
    angle, length = rng.uniform(0.0, 2 * np.pi), rng.uniform(3.0, 12.0)
    arm = 0.5 * length * np.array([np.cos(angle), np.sin(angle)])
    seen = view.to_pixels(rng.uniform(-8.0, 8.0, 2) + np.array([-arm, arm]), height_mm)

    def read(through: View) -> float:
        return float(np.linalg.norm(np.diff(through.to_plane(seen, height_mm), axis=0)))

    best = read(solution.view)
    # As `read_square` does: what both directions of the print have in common stretches everything.
    squares = [(best * u_print / 2**0.5) ** 2] + [(read(other) - best) ** 2 for _, other in solution.variants]
    return best - length, float(np.sum(squares) ** 0.5)


@pytest.mark.parametrize("name", CASES)
def test_stated_intervals_hold_the_truth(name: str) -> None:
    case, rng, count = CASES[name], np.random.default_rng(20), 250
    inside = {0.0: 0, 5.0: 0}
    for _ in range(count):
        view, solution, _ = drawn(case, rng)
        for height_mm in inside:
            error, u = length_error(view, solution, case.u_print, height_mm, rng)
            inside[height_mm] += abs(error) <= 1.96 * u
    # 93 to 98 %, widened by what 250 draws scatter: one standard deviation is 1.4 %.
    for height_mm, hits in inside.items():
        assert 0.92 <= hits / count <= 0.99, f"{100 * hits / count:.1f} % at {height_mm:g} mm"


def test_the_noise_is_what_the_solver_assumes() -> None:
    rng = np.random.default_rng(1)
    means = [shared_noise(rng).mean() for _ in range(4000)]
    assert np.std(means) == pytest.approx(EDGE_U_PX / PROFILES_PER_SIDE**0.5, rel=0.05)


def test_the_priors_of_a_camera_without_profile() -> None:
    prior = prior_for(*SIZE, f_px=F_PX)
    assert (prior.u_k1, prior.u_k2, prior.u_centre) == (UNKNOWN_K1_U, UNKNOWN_K2_U, PRINCIPAL_POINT_U)
    assert prior_for(*SIZE).u_log_f > 5 * prior.u_log_f
    covariance = prior.intrinsic_covariance()
    np.testing.assert_allclose(
        np.sqrt(np.diag(covariance)), [0.04, UNKNOWN_K1_U, UNKNOWN_K2_U, 0.004 * 5040, 0.004 * 5040], rtol=1e-3
    )


def test_correlated_knowledge_of_a_lens_counts_as_a_whole() -> None:
    """k1 and k2 of a profile trade against each other: their joint covariance states far less than both apart."""
    camera = look(f_px=F_PX, size=SIZE).camera
    apart = Prior(camera, 0.002, 0.02, 0.1, 0.001)
    covariance = apart.intrinsic_covariance()
    covariance[1, 2] = covariance[2, 1] = -0.99 * 0.02 * 0.1
    together = replace(apart, covariance=tuple(tuple(float(value) for value in row) for row in covariance))
    view = look(f_px=F_PX, size=SIZE, distance_mm=90.0)
    edges = edge_points(view, np.ones(2), np.random.default_rng(2))
    corners = view.to_pixels(UNIT * HALF_MM)

    def u_of_lens(prior: Prior) -> float:
        solution = solve(edges, corners, (HALF_MM, HALF_MM), prior, 1e-5)
        points = view.to_pixels(np.array([[-20.0, 0.0], [20.0, 0.0]]))
        best = np.linalg.norm(np.diff(solution.view.to_plane(points), axis=0))
        others = [np.linalg.norm(np.diff(v.to_plane(points), axis=0)) for name, v in solution.variants]
        return float(np.sqrt(np.sum((np.array(others) - best) ** 2)))

    assert u_of_lens(together) < u_of_lens(apart)


def test_both_poses_of_a_nearly_flat_view_are_tried() -> None:
    """From far away a square tilted one way looks like one tilted the other way: the wrong start must not stick."""
    rng = np.random.default_rng(4)
    for azimuth in (0.0, 90.0, 200.0):
        view = look(tilt_deg=9.0, azimuth_deg=azimuth, f_px=4000.0, distance_mm=320.0, size=SIZE)
        prior = Prior(view.camera, 0.04)
        solution = solve(edge_points(view, np.ones(2), rng), view.to_pixels(UNIT * 30.0), (30.0, 30.0), prior, 1e-4)
        turn = solution.view.rotation.T @ view.rotation
        assert np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))) < 1.0


def test_points_that_disagree_are_left_out() -> None:
    view = look(f_px=F_PX, size=SIZE)
    edges = edge_points(view, np.ones(2), np.random.default_rng(6))
    disturbed = edges.edge_px.copy()
    disturbed[0, 10:25] += 6.0  # a shadow's edge taken for the band's on a quarter of one side
    prior = Prior(view.camera, 0.001, 0.001, 0.001, 0.0001)
    solution = solve(replace(edges, edge_px=disturbed), view.to_pixels(UNIT * 30.0), (30.0, 30.0), prior, 1e-5)
    assert not solution.kept[10:25].any()
    assert solution.kept.sum() == len(edges.side) - 15
    ends = np.array([[-20.0, 0.0], [20.0, 0.0]])
    read = np.linalg.norm(np.diff(solution.view.to_plane(view.to_pixels(ends)), axis=0))
    assert read == pytest.approx(40.0, abs=0.002)
