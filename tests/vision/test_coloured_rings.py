"""Rings that only colour tells apart, drawn: the edge of a gold tube's bore, a coloured stone's facets and girdle."""

from __future__ import annotations

import numpy as np
import pytest

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LUMINANCE_WEIGHTS, LightImage
from rimsight.vision.outline import level, measure_edge
from tests.synthetic import Disc
from tests.vision.rounds import near_look, photo_of

#: Linear light R, G, B; the bore's inside is as light as the wall's end, and redder.
PAPER, FACE = np.array([0.60, 0.62, 0.60]), np.array([0.24, 0.22, 0.13])
INSIDE = np.array([0.36, 0.0, 0.10])
INSIDE[1] = (float((FACE - INSIDE) @ LUMINANCE_WEIGHTS)) / LUMINANCE_WEIGHTS[1]
BORE_MM, BLUR_PX, NOISE = 2.9, 0.9, 0.006


def tube_end(view: View, wall_mm: float) -> LightImage:
    """A tube's end whose bore differs from its wall in colour only, on paper."""
    channels = [
        photo_of(
            view, Disc(0.0, 0.0, BORE_MM + wall_mm, light=FACE[k]), Disc(0.0, 0.0, BORE_MM, light=INSIDE[k]),
            white=PAPER[k], blur_px=BLUR_PX, noise=NOISE, seed=k,
        )
        for k in range(3)
    ]  # fmt: skip
    return LightImage(np.ascontiguousarray(np.stack([image.codes[:, :, 0] for image in channels], axis=2)))


@pytest.mark.parametrize("wall_mm", [0.6, 0.75, 1.5])
def test_a_thin_walls_outer_edge_is_no_noise_of_the_bores_colour(wall_mm: float) -> None:
    """The noise was told from light that held the outer edge, so that colour showed nothing: read 0.5 mm small."""
    view = near_look(2.0)
    image = tube_end(view, wall_mm)
    edge = measure_edge(image, view, np.array([0.02, -0.01]), BORE_MM + 0.02, level(0.0), 0.0, BLUR_PX)
    assert edge.colour > 0.3
    assert edge.merit > 0.9
    assert edge.circle.radius == pytest.approx(BORE_MM, abs=0.1 / edge.px_per_mm)
