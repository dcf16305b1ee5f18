"""The colour of what lies between a stone's edge and its tube's: metal, or more of the stone."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from rimsight.calibration.pixels import LightImage
from rimsight.vision.outline import level, measure_edge
from rimsight.vision.polar import PolarMap
from rimsight.vision.rim_metal import LARGEST_AWAY, away_from_metal
from tests.synthetic import Disc
from tests.vision.rounds import near_look, photo_of

STONE_MM, TUBE_MM, BLUR_PX = 2.9, 3.3, 0.9
#: Reflectance at normal incidence, linear R, G, B: N. Hoffman, "Background: Physics and Math of Shading", SIGGRAPH 2013
#: course notes, table of metals (from memory); brass is a mean of copper and gold.
METALS = {
    "gold": (1.0, 0.766, 0.336), "silver": (0.972, 0.96, 0.915), "copper": (0.955, 0.637, 0.538),
    "brass": (0.98, 0.70, 0.44),
}  # fmt: skip
#: What coloured stones let through, invented.
STONES = {"violet": (0.36, 0.14, 0.50), "blue": (0.12, 0.2, 0.5), "green": (0.1, 0.4, 0.15), "red": (0.5, 0.1, 0.12)}


def picture(rim: tuple[float, float, float], grey: bool = False) -> LightImage:
    """A violet stone on something of a colour, on paper in warm light."""
    paper, stone = (0.66, 0.60, 0.52), (0.18, 0.07, 0.25)
    channels = [
        photo_of(
            near_look(2.0), Disc(0.0, 0.0, TUBE_MM, light=0.6 * rim[k] * paper[k]),
            Disc(0.0, 0.0, STONE_MM, light=stone[k]), white=paper[k], blur_px=BLUR_PX, noise=0.006, seed=k,
        ).codes[:, :, 0]
        for k in range(3)
    ]  # fmt: skip
    return LightImage(np.ascontiguousarray(channels[1] if grey else np.stack(channels, axis=2)))


def away(image: LightImage) -> float:
    view = near_look(2.0)
    tube = measure_edge(image, view, np.zeros(2), TUBE_MM, level(0.0), 0.0, BLUR_PX)

    def clear(polar: PolarMap) -> NDArray[np.bool_]:
        return np.broadcast_to(polar.radii_mm > STONE_MM + 3.0 / polar.px_per_mm, polar.rgb.shape[:2])

    return away_from_metal(image, view, tube, 0.0, clear, BLUR_PX)


@pytest.mark.parametrize("metal", METALS)
def test_metals_have_a_metals_colour(metal: str) -> None:
    assert away(picture(METALS[metal])) < 0.1


@pytest.mark.parametrize("stone", STONES)
def test_a_stones_facets_have_not(stone: str) -> None:
    assert away(picture(STONES[stone])) > LARGEST_AWAY


def test_a_photograph_without_colour_says_nothing() -> None:
    assert away(picture(STONES["violet"], grey=True)) == 0.0
