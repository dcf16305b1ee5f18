"""Heights, centres and diameters from several views, against other ways of solving the same and against Monte Carlo."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares

from rimsight.calibration.band import DIRECTIONS, NORMALS
from rimsight.calibration.baseline import Planned, after_move, baseline_mm, moved_sideways, needed_move_mm
from rimsight.calibration.bundle import SeenLines
from rimsight.calibration.camera import View
from rimsight.calibration.multiview import REFOCUS_U, solve_scene
from rimsight.calibration.pose import Prior, prior_for
from rimsight.calibration.sighting import LevelCircle, SeenCircle, Sighting, Solved
from rimsight.calibration.square import Calibration, Reference
from tests.synthetic import look

FloatArray = NDArray[np.float64]

SIZE = (3024, 4032)
F_PX, HALF_MM = 3000.0, 30.0
CENTRE, RADIUS, HEIGHT = (3.0, 4.0), 2.5, 6.2
#: Points of each side and of each circle; few, so that hundreds of cases take seconds.
SIDE, ROUND = 12, 48
SIDE_U_PX, POINT_U_PX = 0.04, 0.1
EXIF = prior_for(*SIZE, f_px=F_PX)
NONE = replace(prior_for(*SIZE), camera=EXIF.camera)
ONE = (LevelCircle("outer", "top"),)


def views(f_px: float = F_PX, angle_deg: float = 18.0) -> tuple[View, View]:
    """From above and from the side."""
    first = look(tilt_deg=4.0, azimuth_deg=200.0, distance_mm=180.0, f_px=f_px, size=SIZE)
    return first, look(tilt_deg=angle_deg, azimuth_deg=70.0, roll_deg=15.0, distance_mm=190.0, f_px=f_px, size=SIZE)


def square(view: View, rng: np.random.Generator | None, proportion: float = 0.0) -> SeenLines:
    side = np.repeat(np.arange(4), SIDE)
    along = np.tile(np.linspace(-0.83, 0.83, SIDE) * HALF_MM, 4)
    stretch = np.exp(np.array([0.5, -0.5]) * proportion)
    seen = view.to_pixels((NORMALS[side] * HALF_MM + DIRECTIONS[side] * along[:, None]) * stretch)
    if rng is not None:
        seen = seen + rng.normal(0.0, SIDE_U_PX, seen.shape)
    return SeenLines(seen[None], NORMALS[side], np.full((1, len(side)), HALF_MM), np.full(len(side), SIDE_U_PX))


def ring(height_mm: float, radius_mm: float = RADIUS, shift: FloatArray | None = None) -> FloatArray:
    """Points (N, 3) on a level circle, card coordinates."""
    angle = np.arange(ROUND) * 2.0 * np.pi / ROUND
    centre = np.array(CENTRE) + (0.0 if shift is None else shift[:2])
    radius = radius_mm + (0.0 if shift is None else float(shift[2]))
    points = centre + radius * np.column_stack([np.cos(angle), np.sin(angle)])
    return np.column_stack([points, np.full(ROUND, -height_mm)])


def seen_ring(
    view: View, rng: np.random.Generator | None = None, name: str = "outer", radius_mm: float = RADIUS,
    height_mm: float = HEIGHT, u_mm: float = 0.004,
) -> SeenCircle:  # fmt: skip
    shift = None if rng is None else rng.normal(0.0, u_mm, 3)
    points = ring(height_mm, radius_mm, shift)
    seen = view.to_pixels(points[:, :2], -points[:, 2])
    if rng is not None:
        seen = seen + rng.normal(0.0, POINT_U_PX, seen.shape)
    return SeenCircle(name, seen, np.ones(ROUND), 0.0, POINT_U_PX, u_mm, u_mm)


def exact(prior: Prior, f_px: float = F_PX) -> Solved:
    sightings = [Sighting(square(view, None), view, (seen_ring(view),), prior) for view in views(f_px)]
    return solve_scene(sightings, ONE, heights_mm={"top": 2.0}, u_proportion=1e-3)


def test_exact_edges_give_exact_height_and_diameter() -> None:
    solved = exact(EXIF)
    assert solved.heights["top"] == pytest.approx(HEIGHT, abs=1e-4)
    np.testing.assert_allclose(solved.circles["outer"], [*CENTRE, RADIUS], rtol=0, atol=1e-4)
    assert solved.strain < 1e-3


def test_without_exif_the_two_views_give_the_focal_length() -> None:
    true = views(2500.0)
    # Each photograph alone was taken for one of another focal length, its distance to match.
    started = [
        replace(v.with_camera(f_px=f), t_mm=(v.t_mm[0], v.t_mm[1], v.t_mm[2] * f / 2500.0))
        for v, f in zip(true, (3200.0, 2200.0), strict=True)
    ]
    sightings = [
        Sighting(square(view, None), start, (seen_ring(view),), NONE) for view, start in zip(true, started, strict=True)
    ]
    solved = solve_scene(sightings, ONE, heights_mm={"top": 2.0}, u_proportion=1e-3)
    assert solved.views[0].camera.f_px == pytest.approx(2500.0, rel=2e-3)
    assert solved.heights["top"] == pytest.approx(HEIGHT, abs=0.02)


def test_centre_is_where_opencv_triangulates_it() -> None:
    # A circle's centre seen through two known cameras: cv2.triangulatePoints (Hartley and Zisserman, linear).
    rng = np.random.default_rng(4)
    known = replace(EXIF, u_log_f=1e-6, u_k1=1e-6, u_k2=1e-6, u_centre=1e-7)
    pair = views()
    sightings = [Sighting(square(view, None), view, (seen_ring(view, rng),), known) for view in pair]
    solved = solve_scene(sightings, ONE, heights_mm={"top": 5.0}, u_proportion=1e-6)
    x, y, _ = solved.circles["outer"]
    pixels = []
    for k, view in enumerate(solved.views):
        # Where each photograph's own circle, in the solved plane, has its centre.
        points = view.to_plane(sightings[k].circles[0].points_px, solved.heights["top"])
        matrix = np.column_stack([2.0 * points, np.ones(len(points))])
        own = np.linalg.lstsq(matrix, np.sum(points**2, axis=1), rcond=None)[0][:2]
        pixels.append(view.to_pixels(own[None], solved.heights["top"])[0])
    matrices = [v.camera.matrix @ np.column_stack([v.rotation, np.array(v.t_mm)]) for v in solved.views]
    found = np.asarray(cv2.triangulatePoints(matrices[0], matrices[1], pixels[0][:, None], pixels[1][:, None])).ravel()
    np.testing.assert_allclose(found[:3] / found[3], [x, y, -solved.heights["top"]], rtol=0, atol=0.006)


def test_scipy_finds_the_same_from_reprojection() -> None:
    # Another formulation of the same problem: points of the circle projected by OpenCV, poses and camera free, solved
    # by scipy.optimize.least_squares; no code of the solver takes part.
    rng = np.random.default_rng(9)
    pair = views()
    squares = [square(view, rng) for view in pair]
    rings = [seen_ring(view, rng, u_mm=1e-4) for view in pair]
    sightings = [Sighting(s, v, (r,), EXIF) for s, v, r in zip(squares, pair, rings, strict=True)]
    solved = solve_scene(sightings, ONE, heights_mm={"top": 5.0}, u_proportion=1e-6)
    side = np.repeat(np.arange(4), SIDE)

    def residuals(q: FloatArray) -> FloatArray:
        f, k1, k2, cx, cy = F_PX * np.exp(q[0]), q[1], q[2], EXIF.camera.cx_px + q[3], EXIF.camera.cy_px + q[4]
        matrix = np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])
        u_centre = EXIF.u_centre * float(np.hypot(*SIZE))
        rows = [q[0] / EXIF.u_log_f, k1 / EXIF.u_k1, k2 / EXIF.u_k2, q[3] / u_centre, q[4] / u_centre]
        height, x, y, radius = q[5:9]
        for k, (s, r) in enumerate(zip(squares, rings, strict=True)):
            pose = q[9 + 6 * k : 15 + 6 * k]
            rotation = cv2.Rodrigues(pose[:3])[0]
            for points, plane, normal in ((s.edge_px[0], 0.0, NORMALS[side]), (r.points_px, -height, None)):
                undistorted = np.asarray(
                    cv2.undistortPoints(points[:, None], matrix, np.array([k1, k2, 0.0, 0.0]), criteria=(3, 100, 1e-12))
                ).reshape(-1, 2)
                rays = np.column_stack([undistorted, np.ones(len(points))]) @ rotation
                place = -rotation.T @ pose[3:]
                on = place + rays * ((plane - place[2]) / rays[:, 2])[:, None]
                scale = f / abs(place[2] - plane)
                if normal is not None:
                    rows += list((np.sum(on[:, :2] * normal, axis=1) - HALF_MM) * scale / SIDE_U_PX)
                else:
                    rows += list((np.hypot(on[:, 0] - x, on[:, 1] - y) - radius) * scale / POINT_U_PX)
        return np.array(rows)

    start = np.concatenate([np.zeros(5), [5.0, *CENTRE, RADIUS], *([*v.rvec, *v.t_mm] for v in pair)])
    found = least_squares(residuals, start, x_scale="jac", xtol=1e-12, ftol=1e-12).x
    assert solved.heights["top"] == pytest.approx(found[5], abs=0.25 * solved.u("top"))
    # The solver's own freedom of each photograph's focus is not in this formulation: a micrometre.
    np.testing.assert_allclose(solved.circles["outer"], found[6:9], rtol=0, atol=0.001)


@pytest.mark.parametrize("prior", [EXIF, NONE], ids=["EXIF", "focal length not known"])
def test_stated_uncertainty_holds_the_truth(prior: Prior) -> None:
    # JCGM 101: everything that is uncertain is drawn from its distribution, 95 % intervals must hold the truth.
    rng = np.random.default_rng(21)
    held = {"top": 0, "outer radius": 0, "bore radius": 0}
    trials = 60
    u_proportion = 1e-3
    circles = (LevelCircle("outer", "top", u_level_mm=0.02), LevelCircle("bore", "top", u_level_mm=0.02))
    for _ in range(trials):
        # From very short lenses to long ones the log-normal prior holds; its tails would leave the picture.
        f = F_PX * float(np.exp(np.clip(rng.normal(0.0, prior.u_log_f), -0.6, 0.6)))
        k1, k2 = rng.normal(0.0, prior.u_k1), rng.normal(0.0, prior.u_k2)
        off = rng.normal(0.0, prior.u_centre * float(np.hypot(*SIZE)), 2)
        proportion = float(rng.normal(0.0, u_proportion))
        sightings = []
        # An edge's chamfer is the same in all views.
        levels = HEIGHT + rng.normal(0.0, 0.02, 2)
        for view in views(f):
            own = f * float(np.exp(rng.normal(0.0, REFOCUS_U)))
            camera = replace(
                view.camera, f_px=own, k1=k1, k2=k2, cx_px=view.camera.cx_px + off[0], cy_px=view.camera.cy_px + off[1]
            )
            true = replace(view, camera=camera, t_mm=(view.t_mm[0], view.t_mm[1], view.t_mm[2] * own / F_PX))
            seen = (
                seen_ring(true, rng, height_mm=levels[0]),
                seen_ring(true, rng, "bore", 0.7 * RADIUS, height_mm=levels[1]),
            )
            start = replace(true, camera=replace(prior.camera, f_px=own))
            sightings.append(Sighting(square(true, rng, proportion), start, seen, prior))
        solved = solve_scene(sightings, circles, heights_mm={"top": 5.0}, u_proportion=u_proportion)
        for name, true_value, value in (
            ("top", HEIGHT, solved.heights["top"]),
            ("outer radius", RADIUS, solved.circles["outer"][2]),
            ("bore radius", 0.7 * RADIUS, solved.circles["bore"][2]),
        ):
            held[name] += abs(value - true_value) <= 1.96 * solved.u(name)
    # 60 trials at 95 %: 53 or more hold in 99 of 100 sets (binomial); all three figures together, 180, not all.
    assert min(held.values()) >= 53, held
    assert sum(held.values()) < 3 * trials, held


def test_causes_add_up_and_are_named() -> None:
    solved = exact(EXIF)
    assert set(solved.sources) >= {"focal length", "lens", "square", "print scale", "edge", "fit", "height"}
    k = solved.names.index("top")
    assert solved.u("top") ** 2 == pytest.approx(sum(float(part[k, k]) for part in solved.sources.values()))


def test_photographs_by_two_cameras_keep_their_own_focal_lengths() -> None:
    one, other = views(F_PX)[0], views(4500.0)[1]
    far = replace(prior_for(*SIZE, f_px=4500.0 * 1.03))
    sightings = [
        Sighting(square(one, None), one, (seen_ring(one),), EXIF, 0),
        Sighting(square(other, None), other, (seen_ring(other),), far, 1),
    ]
    solved = solve_scene(sightings, ONE, heights_mm={"top": 5.0}, u_proportion=1e-4)
    assert solved.heights["top"] == pytest.approx(HEIGHT, abs=0.1)
    assert solved.views[0].camera.f_px == pytest.approx(F_PX, rel=0.01)
    assert solved.views[1].camera.f_px == pytest.approx(4500.0, rel=0.01)


def test_a_typed_height_is_weighed_with_the_photographs() -> None:
    sightings = [Sighting(square(view, None), view, (seen_ring(view),), EXIF) for view in views()]
    free = solve_scene(sightings, ONE, heights_mm={"top": 5.0}, u_proportion=1e-3)
    u = free.u("top")
    typed = solve_scene(sightings, ONE, heights_mm={"top": 5.0}, u_proportion=1e-3, known_mm={"top": (HEIGHT + u, u)})
    # Two readings of the same weight: their mean, and 1 / sqrt(2) of their uncertainty.
    assert typed.heights["top"] == pytest.approx(HEIGHT + 0.5 * u, abs=0.05 * u)
    assert typed.u("top") == pytest.approx(u / 2**0.5, rel=0.02)


@pytest.mark.parametrize("near", [1.0, 0.35])
def test_a_wall_that_melts_into_its_lower_edge(near: float) -> None:
    # Its outline: the upper edge where it faces away, a place between on the side of the camera.
    thickness = 0.15
    sightings = []
    for view in views():
        points = ring(HEIGHT)[:, :2]
        facing = np.sum(view.slant(points, np.full(ROUND, HEIGHT)) * (points - CENTRE), axis=1) > 0.0
        heights = HEIGHT + 0.5 * thickness * np.where(facing, -near, 1.0)
        seen = SeenCircle("stone", view.to_pixels(points, heights), np.ones(ROUND), 0.0, POINT_U_PX, 0.004, 0.004)
        sightings.append(Sighting(square(view, None), view, (seen,), EXIF))

    def solved(share: float) -> Solved:
        stone = LevelCircle("stone", "girdle", thickness, 1e-4, near_share=share)
        return solve_scene(sightings, (stone,), heights_mm={"girdle": 6.0}, u_proportion=1e-3)

    assert solved(near).heights["girdle"] == pytest.approx(HEIGHT, abs=2e-3)
    assert 2.0 * solved(near).circles["stone"][2] == pytest.approx(2.0 * RADIUS, abs=1e-3)
    if near < 1.0:
        # Taken for the lower edge it lifts the girdle by half of what is missing.
        up_mm = solved(1.0).heights["girdle"] - HEIGHT
        assert up_mm == pytest.approx(0.25 * (1.0 - near) * thickness, rel=0.35)


def test_a_girdle_whose_near_side_is_drawn_out_keeps_its_height() -> None:
    # Metal mirrors the pavilion below a girdle: in the oblique view it looks 1.5 px further out towards the camera.
    known = replace(EXIF, u_log_f=1e-6, u_k1=1e-6, u_k2=1e-6, u_centre=1e-7)
    drawn_mm, thickness = 0.1, 0.15

    def solved(u_near_mm: float) -> Solved:
        sightings = []
        for k, view in enumerate(views()):
            points = ring(HEIGHT)[:, :2]
            away = (points - CENTRE) / RADIUS
            towards = view.slant(points, np.full(ROUND, HEIGHT))
            cosine = np.sum(towards * away, axis=1) / np.hypot(*towards.T)
            heights = HEIGHT + 0.5 * thickness * np.where(cosine > 0.0, -1.0, 1.0)
            points = points + k * drawn_mm * np.maximum(cosine, 0.0)[:, None] * away
            seen = SeenCircle(
                "stone", view.to_pixels(points, heights), np.ones(ROUND), 0.0, POINT_U_PX, 0.01, 0.004,
                u_near_mm=u_near_mm,
            )  # fmt: skip
            sightings.append(Sighting(square(view, None), view, (seen,), known))
        stone = LevelCircle("stone", "girdle", thickness, 1e-4)
        return solve_scene(sightings, (stone,), heights_mm={"girdle": 6.0}, u_proportion=1e-4)

    open_side, taken_as_seen = solved(drawn_mm), solved(0.0)
    assert abs(open_side.heights["girdle"] - HEIGHT) < open_side.u("girdle") < 0.1
    assert abs(open_side.heights["girdle"] - HEIGHT) < 0.3 * abs(taken_as_seen.heights["girdle"] - HEIGHT)
    assert 2.0 * open_side.circles["stone"][2] == pytest.approx(2.0 * RADIUS, abs=0.01)


def test_an_edge_that_light_makes_oval_tells_no_focal_length() -> None:
    # Two cameras of unknown focal length, one straight above: nothing but the circle's shape would tell its own.
    first, second = look(tilt_deg=1.0, azimuth_deg=200.0, distance_mm=180.0, f_px=F_PX, size=SIZE), views()[1]
    oval_mm = 0.005

    def solved(u_oval_mm: float) -> Solved:
        sightings = []
        for k, view in enumerate((first, second)):
            points = ring(HEIGHT)[:, :2]
            away = (points - CENTRE) / RADIUS
            if k == 0:
                points = points + oval_mm * (away[:, :1] ** 2 - away[:, 1:] ** 2) * away
            seen = SeenCircle(
                "outer", view.to_pixels(points, HEIGHT), np.ones(ROUND), 0.0, 0.03, 0.004, 0.004, u_oval_mm
            )
            sightings.append(Sighting(square(view, None), view, (seen,), NONE, k))
        return solve_scene(sightings, ONE, heights_mm={"top": 5.0}, u_proportion=1e-3)

    allowed, ignored = solved(oval_mm), solved(0.0)
    assert abs(allowed.heights["top"] - HEIGHT) < allowed.u("top")
    assert abs(allowed.heights["top"] - HEIGHT) < 0.5 * abs(ignored.heights["top"] - HEIGHT)


def test_wrong_calls_are_refused() -> None:
    view = views()[0]
    with pytest.raises(ValueError, match="no photograph"):
        solve_scene([], ONE, heights_mm={"top": 1.0}, u_proportion=1e-3)
    sighting = Sighting(square(view, None), view, (seen_ring(view),), EXIF)
    with pytest.raises(ValueError, match="asked for"):
        solve_scene([sighting], (*ONE, LevelCircle("bore", "top")), heights_mm={"top": 1.0}, u_proportion=1e-3)
    with pytest.raises(ValueError, match="no height to start from"):
        solve_scene([sighting], ONE, heights_mm={}, u_proportion=1e-3)


def calibration(view: View) -> Calibration:
    reference = Reference("card-60", 60.0, True, 1.0, 1.0, 5e-4, True, False)
    return Calibration(
        view, (), reference, 28.0, 0.8, 0.1, 0.8, 0.05, 0.0, 0.05, 0.0, 0.04, "EXIF", None, None, 5e-4
    )  # fmt: skip


def test_a_sideways_move_is_one() -> None:
    first = views()[0]
    moved = moved_sideways(first, CENTRE, 40.0)
    assert np.linalg.norm(moved.position_mm - first.position_mm) == pytest.approx(40.0)
    assert baseline_mm((first, moved)) == pytest.approx(40.0)
    assert moved.distance_mm == pytest.approx(first.distance_mm, abs=1e-6)
    spot = np.array([CENTRE])
    np.testing.assert_allclose(moved.to_pixels(spot), first.to_pixels(spot), rtol=0, atol=1e-6)


def test_the_move_that_is_asked_for_gives_what_is_promised() -> None:
    rng = np.random.default_rng(3)
    first = views()[0]
    circle = Planned(*CENTRE, RADIUS, HEIGHT, 0.004, 0.004)
    wanted = 0.05
    found = needed_move_mm(calibration(first), EXIF, circle, wanted)
    assert found is not None
    move, promised = found
    assert (
        promised <= wanted < after_move(calibration(first), EXIF, circle, move - 10.0 if move <= 50 else 0.7 * move)[0]
    )
    pair = (first, moved_sideways(first, CENTRE, move))
    sightings = [Sighting(square(view, rng), view, (seen_ring(view, rng),), EXIF) for view in pair]
    solved = solve_scene(sightings, ONE, heights_mm={"top": 5.0}, u_proportion=5e-4)
    assert solved.u("top") == pytest.approx(promised, rel=0.35)


def test_no_move_is_found_for_the_impossible() -> None:
    circle = Planned(*CENTRE, RADIUS, HEIGHT, 0.004, 0.004)
    assert needed_move_mm(calibration(views()[0]), EXIF, circle, 1e-4) is None
