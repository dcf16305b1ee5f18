"""One untouched scene seen from several places: heights, centres and diameters of its level circles, all at once.

Each photograph's own square gives its pose; a circle's edge in all of them then gives its height as well, for only at
its true height do the views agree on where it is. One least-squares problem holds everything: the squares' edge points
and the circles' edge points of all photographs, and as further equations what is known beforehand (focal length and
lens from EXIF or a profile, how well an edge can be located, typed heights), each weighted by its standard uncertainty.
Photographs by one camera share its focal length and lens, so that these are solved too where nothing is known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import FloatArray
from rimsight.calibration.sighting import LevelCircle, SeenCircle, Sighting, Solved
from rimsight.calibration.solver import minimise

#: Phones focus by moving the lens: photographs of one scene from much the same distance differ by this in focal length
#: (thin lens: f / Z = 0.025 times 10 % of the distance; standard uncertainty, relative).
REFOCUS_U = 0.0025
#: Heights of which nothing is known, standard uncertainty: wide enough to weigh nothing, narrow enough to keep
#: views from one and the same place solvable.
ANY_HEIGHT_U_MM = 100.0
#: Points where an edge faces the camera count as one that scatters by half a pixel where its place there is known to so
#: many pixels (judgement; 0 to 3 did about as well).
NEAR_SCATTER = 2.0
#: Steps of the numeric derivatives: log f, cx, cy (px), k1, k2, then rotation (rad) and translation (mm).
STEPS = np.array([1e-5, 1e-2, 1e-2, 1e-4, 1e-4, 1e-6, 1e-6, 1e-6, 1e-3, 1e-3, 1e-3])
#: `Prior.intrinsic_covariance` counts log f, k1, k2, cx, cy; here the order is that of `bundle.SHARED`.
PRIOR_ORDER = [0, 3, 4, 1, 2]
#: What each cause is called in a budget.
FOCAL, LENS, SQUARE, PRINT, EDGE, FIT, HEIGHT = (
    "focal length", "lens", "square", "print scale", "edge", "fit", "height",
)  # fmt: skip


def solve_scene(
    sightings: Sequence[Sighting],
    circles: Sequence[LevelCircle],
    *,
    heights_mm: Mapping[str, float],
    u_proportion: float,
    known_mm: Mapping[str, tuple[float, float]] | None = None,
    apart_mm: Mapping[tuple[str, str], tuple[float, float]] | None = None,
) -> Solved:
    """Solve heights, circles, poses and cameras of one scene.

    Parameters
    ----------
    sightings : sequence of Sighting
        The photographs. One is enough where every height is known beforehand.
    circles : sequence of LevelCircle
        The circles; each must be seen in one photograph at least.
    heights_mm : mapping of str to float
        Heights to start from, for every level.
    u_proportion : float
        Standard uncertainty of the logarithm of the print's (scale across / scale down).
    known_mm : mapping of str to (float, float), optional
        Levels whose height is known beforehand: value and standard uncertainty.
    apart_mm : mapping of (str, str) to (float, float), optional
        Pairs of levels, lower and upper, whose distance is known beforehand: value and standard uncertainty.

    Returns
    -------
    Solved

    Raises
    ------
    ValueError
        No photograph, a circle that none shows, or a level without a start.
    """
    problem = _Problem(tuple(sightings), tuple(circles), dict(known_mm or {}), dict(apart_mm or {}), u_proportion)
    p, rows = minimise(problem.rows, problem.start(heights_mm))
    return problem.solved(p, rows)


def covariance_at(
    sightings: Sequence[Sighting],
    circles: Sequence[LevelCircle],
    *,
    heights_mm: Mapping[str, float],
    u_proportion: float,
    known_mm: Mapping[str, tuple[float, float]] | None = None,
    apart_mm: Mapping[tuple[str, str], tuple[float, float]] | None = None,
) -> Solved:
    """What `solve_scene` would say of its uncertainty if the starts were the solution: for planning, without data."""
    problem = _Problem(tuple(sightings), tuple(circles), dict(known_mm or {}), dict(apart_mm or {}), u_proportion)
    p = problem.start(heights_mm)
    return problem.solved(p, problem.rows(p))


@dataclass(frozen=True)
class _Rows:
    values: FloatArray
    jacobian: FloatArray
    parts: tuple[tuple[str, slice], ...]


class _Layout:
    """Where each parameter stands in the vector."""

    def __init__(self, problem: _Problem) -> None:
        self.cameras = max(s.camera for s in problem.sightings) + 1
        self.proportion = 5 * self.cameras
        self.first_view = self.proportion + 1
        self.first_height = self.first_view + 7 * len(problem.sightings)
        self.first_circle = self.first_height + len(problem.levels)
        self.first_shift = self.first_circle + 5 * len(problem.circles)
        self.shift = {}
        at = self.first_shift
        for k, sighting in enumerate(problem.sightings):
            for seen in sighting.circles:
                self.shift[(k, seen.name)] = slice(at, at + 6)
                at += 6
        self.size = at

    def camera(self, number: int) -> slice:
        return slice(5 * number, 5 * number + 5)

    def view(self, k: int) -> slice:
        """Pose, then how far the focal length of this photograph lies from the camera's."""
        return slice(self.first_view + 7 * k, self.first_view + 7 * k + 7)

    def circle(self, k: int) -> slice:
        """Centre x, y, radius, then how far thickness and level lie from the expected ones."""
        return slice(self.first_circle + 5 * k, self.first_circle + 5 * k + 5)


class _Problem:
    """The equations of the whole scene."""

    def __init__(
        self,
        sightings: tuple[Sighting, ...],
        circles: tuple[LevelCircle, ...],
        known_mm: dict[str, tuple[float, float]],
        apart_mm: dict[tuple[str, str], tuple[float, float]],
        u_proportion: float,
    ) -> None:
        if not sightings:
            raise ValueError("no photograph of the scene")
        seen = {circle.name for sighting in sightings for circle in sighting.circles}
        missing = [circle.name for circle in circles if circle.name not in seen]
        if missing or len(seen) != len(circles):
            raise ValueError(f"circles {sorted(seen)} are seen, {[circle.name for circle in circles]} are asked for")
        self.sightings, self.circles = sightings, circles
        self.known_mm, self.apart_mm = known_mm, apart_mm
        self.u_proportion = max(u_proportion, 1e-6)
        self.levels = list(dict.fromkeys(circle.level for circle in circles))
        self.at = _Layout(self)
        self.number = {circle.name: k for k, circle in enumerate(circles)}
        self.known_camera = {s.camera: s.prior.camera for s in reversed(sightings)}
        priors = {s.camera: s.prior for s in reversed(sightings)}
        self.whitening = {
            number: np.linalg.inv(np.linalg.cholesky(prior.intrinsic_covariance()[np.ix_(PRIOR_ORDER, PRIOR_ORDER)]))
            for number, prior in priors.items()
        }

    def start(self, heights_mm: Mapping[str, float]) -> FloatArray:
        p = np.zeros(self.at.size)
        for number, known in self.known_camera.items():
            own = [s.start.camera for s in self.sightings if s.camera == number]
            p[self.at.camera(number)] = [
                np.mean([np.log(c.f_px / known.f_px) for c in own]),
                *(
                    np.mean([getattr(c, name) - getattr(known, name) for c in own])
                    for name in ("cx_px", "cy_px", "k1", "k2")
                ),
            ]
        for k, sighting in enumerate(self.sightings):
            view = sighting.start
            depth = view.t_mm[2] * self.known_camera[sighting.camera].f_px / view.camera.f_px
            p[self.at.view(k)] = [*view.rvec, view.t_mm[0], view.t_mm[1], depth, 0.0]
        for k, level in enumerate(self.levels):
            if level not in heights_mm:
                raise ValueError(f"no height to start from for {level!r}")
            p[self.at.first_height + k] = heights_mm[level]
        for k, circle in enumerate(self.circles):
            found = [
                _rough_circle(self.view(p, v), seen.points_px, seen.weights, heights_mm[circle.level] + circle.above_mm)
                for v, sighting in enumerate(self.sightings)
                for seen in sighting.circles
                if seen.name == circle.name
            ]
            p[self.at.circle(k)] = [*np.mean(found, axis=0), 0.0, 0.0]
        return p

    def view(self, p: FloatArray, k: int) -> View:
        number = self.sightings[k].camera
        known = self.known_camera[number]
        q = [float(value) for value in p[self.at.camera(number)]]
        r1, r2, r3, x, y, z, own = (float(value) for value in p[self.at.view(k)])
        stretch = float(np.exp(np.clip(q[0] + own, -3.0, 3.0)))
        camera = replace(
            known,
            f_px=known.f_px * stretch,
            cx_px=known.cx_px + q[1],
            cy_px=known.cy_px + q[2],
            k1=known.k1 + q[3],
            k2=known.k2 + q[4],
        )
        # Distance follows the focal length: the picture's scale then hardly depends on f.
        return View(camera, (r1, r2, r3), (x, y, z * stretch))

    def rows(self, p: FloatArray) -> _Rows:
        blocks: list[tuple[str, FloatArray, FloatArray]] = []
        for k, sighting in enumerate(self.sightings):
            view = self.view(p, k)
            blocks.append((SQUARE, *self._square(p, k, view)))
            blocks += [(FIT, *self._circle(p, k, view, seen)) for seen in sighting.circles]
        blocks += self._knowledge(p)
        parts, first = [], 0
        for name, values, _ in blocks:
            parts.append((name, slice(first, first + len(values))))
            first += len(values)
        return _Rows(
            np.concatenate([values for _, values, _ in blocks]),
            np.vstack([jacobian for _, _, jacobian in blocks]),
            tuple(parts),
        )

    def _square(self, p: FloatArray, k: int, view: View) -> tuple[FloatArray, FloatArray]:
        seen = self.sightings[k].square
        fit = seen.at(view, float(p[self.at.proportion]))
        jacobian = np.zeros((len(fit.residual_px), self.at.size))
        by_log_f = fit.by_camera[:, 0] * view.camera.f_px + fit.by_t[:, 2] * view.t_mm[2]
        own, camera = self.at.view(k), self.at.camera(self.sightings[k].camera)
        stretch = view.camera.f_px / self.known_camera[self.sightings[k].camera].f_px
        jacobian[:, camera] = np.column_stack([by_log_f, fit.by_camera[:, 1:5]])
        jacobian[:, own] = np.column_stack([fit.by_rvec, fit.by_t * (1.0, 1.0, stretch), by_log_f])
        jacobian[:, self.at.proportion] = fit.by_proportion
        return fit.residual_px / seen.u_px, jacobian / seen.u_px[:, None]

    def _circle(self, p: FloatArray, k: int, view: View, seen: SeenCircle) -> tuple[FloatArray, FloatArray]:
        number = self.number[seen.name]
        circle = self.circles[number]
        own, shift = self.at.circle(number), self.at.shift[(k, seen.name)]
        level = self.at.first_height + self.levels.index(circle.level)
        x, y, radius, thicker, off = p[own]
        centre = np.array([x, y]) + p[shift][:2]
        thickness = circle.thickness_mm + thicker
        middle = float(p[level] + circle.above_mm + off)
        side = np.zeros(1)
        if circle.thickness_mm > 0.0:
            side = _side_of_wall(view, seen.points_px, centre, middle)
            side = np.where(side < 0.0, circle.near_share, circle.far_share) * side
        heights = middle + 0.5 * side * thickness

        def distance(of: View) -> FloatArray:
            return np.asarray(np.hypot(*(of.to_plane(seen.points_px, heights) - centre).T))

        points = view.to_plane(seen.points_px, heights)
        away = points - centre
        here = np.hypot(*away.T)
        outward = away / np.maximum(here, 1e-9)[:, None]
        slant = view.slant(points, heights)
        by_height = np.sum(slant * outward, axis=1)
        jacobian = np.zeros((len(here), self.at.size))
        numeric = np.column_stack([(distance(moved) - here) / step for moved, step in self._moved(p, k)])
        jacobian[:, self.at.camera(self.sightings[k].camera)] = numeric[:, :5]
        jacobian[:, self.at.view(k)] = np.column_stack([numeric[:, 5:], numeric[:, 0]])
        jacobian[:, level] = by_height
        jacobian[:, own] = np.column_stack([-outward, np.full(len(here), -1.0), 0.5 * side * by_height, by_height])
        near = _near_side(slant, outward) if seen.u_near_mm > 0.0 else np.zeros(len(here))
        form = np.column_stack([outward[:, 0] ** 2 - outward[:, 1] ** 2, 2.0 * outward[:, 0] * outward[:, 1], near])
        jacobian[:, shift] = np.column_stack([-outward, np.full(len(here), -1.0), -form])
        values = here - (radius - seen.outside_mm + p[shift][2] + form @ p[shift][3:])
        px = view.px_per_mm((float(x), float(y)), middle)
        # What isn't known there differs from point to point as well.
        weight = np.sqrt(np.maximum(seen.weights, 0.0) / (1.0 + (NEAR_SCATTER * px * seen.u_near_mm * near) ** 2))
        weight *= px / seen.u_point_px
        usable = np.isfinite(values)
        weight = np.where(usable, weight, 0.0)
        return np.where(usable, values, 0.0) * weight, np.nan_to_num(jacobian) * weight[:, None]

    def _moved(self, p: FloatArray, k: int) -> list[tuple[View, float]]:
        """Views with one parameter of camera or pose moved by a small step."""
        at = [*range(*self.at.camera(self.sightings[k].camera).indices(self.at.size))]
        at += range(self.at.view(k).start, self.at.view(k).start + 6)
        moved = []
        for place, step in zip(at, STEPS, strict=True):
            q = p.copy()
            q[place] += step
            moved.append((self.view(q, k), float(step)))
        return moved

    def _knowledge(self, p: FloatArray) -> list[tuple[str, FloatArray, FloatArray]]:
        """What is known beforehand, as equations that should be zero with standard uncertainty 1."""
        blocks: list[tuple[str, FloatArray, FloatArray]] = []

        def add(name: str, places: Sequence[int], u: Sequence[float], expected: float = 0.0) -> None:
            used = [(place, one) for place, one in zip(places, u, strict=True)]
            jacobian = np.zeros((len(used), self.at.size))
            for row, (place, one) in enumerate(used):
                jacobian[row, place] = 1.0 / max(one, 1e-9)
            blocks.append((name, np.array([(p[place] - expected) / max(one, 1e-9) for place, one in used]), jacobian))

        for number, whitening in self.whitening.items():
            own = self.at.camera(number)
            jacobian = np.zeros((5, self.at.size))
            jacobian[:, own] = whitening
            values = whitening @ p[own]
            # The first row of a lower triangle holds the focal length alone.
            blocks += [(FOCAL, values[:1], jacobian[:1]), (LENS, values[1:], jacobian[1:])]
        add(PRINT, [self.at.proportion], [self.u_proportion])
        for k, sighting in enumerate(self.sightings):
            add(FOCAL, [self.at.view(k).start + 6], [REFOCUS_U])
            for seen in sighting.circles:
                shift = self.at.shift[(k, seen.name)].start
                add(EDGE, range(shift, shift + 3), [seen.u_centre_mm, seen.u_centre_mm, seen.u_radius_mm])
                add(FIT, range(shift + 3, shift + 6), [seen.u_oval_mm, seen.u_oval_mm, seen.u_near_mm])
        for k, circle in enumerate(self.circles):
            first = self.at.circle(k).start + 3
            add(HEIGHT, [first, first + 1], [circle.u_thickness_mm, circle.u_level_mm])
        for k, level in enumerate(self.levels):
            value, u = self.known_mm.get(level, (0.0, ANY_HEIGHT_U_MM))
            add(HEIGHT, [self.at.first_height + k], [u], value)
        for (lower, upper), (value, u) in self.apart_mm.items():
            low, high = (self.at.first_height + self.levels.index(level) for level in (lower, upper))
            jacobian = np.zeros((1, self.at.size))
            jacobian[0, [low, high]] = -1.0 / u, 1.0 / u
            blocks.append((HEIGHT, np.array([(p[high] - p[low] - value) / u]), jacobian))
        return blocks

    def solved(self, p: FloatArray, rows: _Rows) -> Solved:
        covariance = np.linalg.inv(rows.jacobian.T @ rows.jacobian)
        places = list(range(self.at.first_height, self.at.first_circle))
        names = list(self.levels)
        for k, circle in enumerate(self.circles):
            first = self.at.circle(k).start
            places += [first, first + 1, first + 2]
            names += [f"{circle.name} x", f"{circle.name} y", f"{circle.name} radius"]
        wanted = covariance[places]
        sources: dict[str, FloatArray] = {}
        for name, part in rows.parts:
            # Estimate = covariance . J^T . observations: what each independent group of observations contributes.
            share = wanted @ rows.jacobian[part].T
            sources[name] = sources.get(name, 0.0) + share @ share.T
        holding = sum(float(rows.values[part] @ rows.values[part]) for name, part in rows.parts if name == EDGE)
        free = 3 * len(self.at.shift) - 3 * len(self.circles) - sum(level not in self.known_mm for level in self.levels)
        return Solved(
            views=tuple(self.view(p, k) for k in range(len(self.sightings))),
            heights={level: float(p[self.at.first_height + k]) for k, level in enumerate(self.levels)},
            circles={circle.name: p[self.at.circle(k)][:3].copy() for k, circle in enumerate(self.circles)},
            names=tuple(names),
            sources=sources,
            shifts={key: p[place][:3].copy() for key, place in self.at.shift.items()},
            strain=holding / free if free > 0 else 0.0,
            u_rel_f=tuple(float(covariance[5 * s.camera, 5 * s.camera] ** 0.5) for s in self.sightings),
        )


def _rough_circle(view: View, points_px: FloatArray, weights: FloatArray, height_mm: float) -> FloatArray:
    """Centre and radius (3,) from points all round, to start from."""
    points = view.to_plane(points_px, height_mm)
    use = np.isfinite(points).all(axis=1) & (np.asarray(weights) > 0.0)
    x, y = points[use].T
    matrix = np.column_stack([2.0 * x, 2.0 * y, np.ones(len(x))])
    solution = np.linalg.lstsq(matrix, x * x + y * y, rcond=None)[0]
    return np.array([solution[0], solution[1], np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 1e-12))])


def _side_of_wall(view: View, points_px: FloatArray, centre: FloatArray, height_mm: float) -> FloatArray:
    """-1 where an upright wall faces the camera, so that its lower edge is the outline; +1 where the upper one is."""
    points = view.to_plane(points_px, height_mm)
    facing = np.sum(view.slant(points, height_mm) * (points - centre), axis=1) > 0.0
    return np.where(facing, -1.0, 1.0)


def _near_side(slant: FloatArray, outward: FloatArray) -> FloatArray:
    """Cosine of the angle between outwards and towards the camera, 0 on the side that faces away from it."""
    towards = slant / np.maximum(np.hypot(*slant.T), 1e-9)[:, None]
    return np.asarray(np.maximum(np.sum(towards * outward, axis=1), 0.0))
