"""Which ring of a drawn tube's end is its outside and which its bore."""

from __future__ import annotations

import numpy as np
import pytest

from rimsight.vision.tube_edges import bore_edges, face_edges, find_outer, pick_outer
from tests.synthetic import Disc, Scene, look, photograph

VIEW = look(f_px=3200.0, size=(1600, 1200))
#: In the card's plane, so that the drawing needs no side wall.
CENTRE, HEIGHT_MM, BLUR_PX = np.array([2.5, -1.2]), 0.0, 0.8
PX_PER_MM = VIEW.px_per_mm((2.5, -1.2), 0.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_edge_as_small_as_the_noise_is_found_along_the_arc(seed: int) -> None:
    """A step of two standard deviations of a pixel's noise: found within 0.3 px, and not at all without."""
    scene = Scene(things=(Disc(2.5, -1.2, 4.8, light=0.72),), noise=0.016, seed=seed)
    image = photograph(VIEW, scene)
    rough = CENTRE + 0.1
    assert pick_outer(face_edges(image, VIEW, rough, 4.6, HEIGHT_MM, BLUR_PX), VIEW, HEIGHT_MM) is None
    _, picked = find_outer(image, VIEW, rough, 4.6, HEIGHT_MM, BLUR_PX)
    assert picked is not None
    assert picked.edge.circle.radius == pytest.approx(4.8, abs=0.3 / PX_PER_MM)
    assert np.hypot(*(picked.edge.circle.centre - CENTRE)) < 0.4 / PX_PER_MM


@pytest.mark.parametrize(
    ("inside", "radius"),
    [
        (Disc(2.5, -1.2, 2.2, light=0.1), 2.2),
        (Disc(2.5, -1.2, 0.4, light=0.1), None),
        (Disc(3.3, -1.2, 1.5, light=0.1), None),
    ],
    ids=["bore", "speck", "beside the middle"],
)
def test_a_bore_lies_in_the_middle_and_is_no_speck(inside: Disc, radius: float | None) -> None:
    image = photograph(VIEW, Scene(things=(Disc(2.5, -1.2, 3.1, light=0.4), inside)))
    edges, picked = find_outer(image, VIEW, CENTRE, 3.0, HEIGHT_MM, BLUR_PX)
    assert picked is not None
    found = bore_edges(image, VIEW, picked.edge, edges, HEIGHT_MM, BLUR_PX)
    clear = [item.edge.circle.radius for item in found if item.merit >= 0.3]
    if radius is None:
        assert clear == []
    else:
        assert clear[0] == pytest.approx(radius, abs=0.1 / PX_PER_MM)
