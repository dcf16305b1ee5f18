"""Mixed euro coins photographed by others: ratios of diameters after one scale and one tilt for each photograph.

Source: github kaa/coins-dataset, MIT licence; iPhone 6s, 4032 x 3024 px, 29 mm equivalent. Truth: diameters and rim
heights of Regulation (EU) 729/2014, by denomination. Nothing is known of the camera's distance, so never the size,
only the ratios. A plain ellipse fit reached 0.5 to 0.9 % root mean square, on the outermost edge of lightness.

A coin is a hard outline with a side wall, like a tube's end without a bore: it is read with the tube's edges, at the
height of its rim. The rough outline from which the reading starts is the ellipse kept with the photographs; its own
error is 0.5 to 1.3 %.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize

from rimsight.calibration.camera import Camera, View
from rimsight.vision.circle import fit_circle
from rimsight.vision.outline import RoundEdge, level, to_millimetres
from rimsight.vision.photo import camera_hint, load_photo
from rimsight.vision.tube_edges import face_edges
from tests.real_photos import photo_folder

FloatArray = NDArray[np.float64]
BLUR_PX = 1.2
#: A coin's edge lies within this share of the rough outline's radius: further in are the rings of its relief.
FROM_SHARE, TO_SHARE = 0.94, 1.03
SMALLEST_COVERAGE_DEG = 240.0


class Table:
    """A photograph of coins on a table; the view has three unknowns: two turns and the logarithm of the distance."""

    def __init__(self, key: str) -> None:
        folder = photo_folder("coins")
        truth: dict[str, Any] = json.loads((folder / "truth.json").read_text())[key]
        photo = load_photo(folder / truth["image"])
        self.light = photo.light
        focal = camera_hint(photo).f_px
        assert focal is not None
        self.camera = Camera(focal, (self.light.width_px - 1) / 2, (self.light.height_px - 1) / 2)
        self.distance_mm = focal / truth["stats"]["light"]["px_per_mm"]
        coins = truth["coins"]
        self.places_px = np.array([[coin["x_px"], coin["y_px"]] for coin in coins], dtype=np.float64)
        self.rough_px = np.array([coin["d_px_light"] / 2 for coin in coins], dtype=np.float64)
        self.radius_mm = np.array([coin["published_diameter_mm"] / 2 for coin in coins], dtype=np.float64)
        self.height_mm = np.array([coin["published_thickness_mm"] for coin in coins], dtype=np.float64)

    def view(self, unknowns: FloatArray) -> View:
        turn_x, turn_y, log = (float(value) for value in unknowns)
        return View(self.camera, (turn_x, turn_y, 0.0), (0.0, 0.0, self.distance_mm * float(np.exp(log))))

    def rough_mm(self, view: View) -> tuple[FloatArray, FloatArray]:
        """Centres and radii of the rough outlines."""
        centres = view.to_plane(self.places_px, self.height_mm)
        scales = [view.px_per_mm((x, y), h) for (x, y), h in zip(centres, self.height_mm, strict=True)]
        return centres, self.rough_px / np.array(scales)

    def first_view(self) -> View:
        """Distance and tilt by which the rough outlines agree best."""

        def misfit(unknowns: FloatArray) -> FloatArray:
            return np.asarray(np.log(self.rough_mm(self.view(unknowns))[1] / self.radius_mm))

        start = np.array([0.01, 0.01, 0.0])
        return self.view(optimize.least_squares(misfit, start, loss="soft_l1", f_scale=0.005).x)

    def edges(self) -> list[RoundEdge | None]:
        view = self.first_view()
        found: list[RoundEdge | None] = []
        for centre, radius, height in zip(*self.rough_mm(view), self.height_mm, strict=True):
            near = [
                item
                for item in face_edges(self.light, view, centre, float(radius), float(height), BLUR_PX)
                if FROM_SHARE < item.edge.circle.radius / radius < TO_SHARE
                and item.edge.coverage_deg >= SMALLEST_COVERAGE_DEG
            ]
            found.append(max(near, key=lambda item: item.merit).edge if near else None)
        return found

    def ratio_errors(self, edges: list[RoundEdge | None]) -> FloatArray:
        """Errors of the diameters after one scale and one tilt, as shares."""

        def misfit(unknowns: FloatArray) -> FloatArray:
            view = self.view(unknowns)
            errors = []
            for edge, radius, height in zip(edges, self.radius_mm, self.height_mm, strict=True):
                if edge is None:
                    continue
                middle = view.to_plane(edge.points_px, float(height)).mean(axis=0)
                points = to_millimetres(view, edge.points_px, level(float(height)), middle)
                errors.append(np.log(fit_circle(points, edge.circle.weights).radius / radius))
            return np.array(errors)

        return np.asarray(optimize.least_squares(misfit, np.array([0.01, 0.01, 0.0]), diff_step=1e-3).fun)


@pytest.mark.slow
@pytest.mark.parametrize(
    "key",
    [
        "test_10",
        pytest.param(
            "train_16",
            marks=pytest.mark.xfail(strict=True, reason="1.2 % rms: on one coin of 14 a shadow's edge, +3 %, is read"),
        ),
        pytest.param("test_7", marks=pytest.mark.xfail(strict=True, reason="1.4 % rms, 2.5 % on one coin of 28")),
    ],
)
def test_ratios_of_diameters_after_one_scale_and_tilt(key: str) -> None:
    table = Table(key)
    edges = table.edges()
    assert sum(edge is not None for edge in edges) >= len(edges) - 1
    errors = table.ratio_errors(edges)
    assert float(np.sqrt(np.mean(errors**2))) <= 0.01
