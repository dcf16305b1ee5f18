"""Whether what lies between a stone's edge and its tube's is metal: by its colour beside the paper's.

A stone that hides its tube shows two rings as well, its girdle and its facets': a violet one was read 0.34 mm small,
the rim of 0.03 mm as 0.18 mm wide, and called adequate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.face_edge import Mask
from rimsight.vision.outline import RoundEdge
from rimsight.vision.polar import unroll

FloatArray = NDArray[np.float64]

#: Metals' colours as logarithms of red over green and of blue over green, less those of the paper: grey to copper, grey
#: to gold. Of 88 rims on rendered photographs, of silver, white and yellow gold, brass and copper, all but two lay
#: within; beside green stones thin rims lay up to 0.47 outside, the facets of stones 0.7 to 1.4.
RED_OVER_GREEN, BLUE_OVER_GREEN = (-0.15, 0.65), (-1.15, 0.2)
#: What lies so far outside is no metal.
LARGEST_AWAY = 0.55
#: Samples of the rim that must be seen, and the paper that it is compared with, pixels beyond the tube's edge.
SMALLEST_COUNT = 40
PAPER_PX = (5.0, 12.0)
#: Room that is left beside both edges, pixels beyond one blur.
ROOM_PX = 0.5
#: Directions and distance of the samples, pixels.
RADII, STEP_PX = 180, 0.5
#: Light darker than this has no colour.
DARKEST = 1e-3


def away_from_metal(
    image: LightImage, view: View, tube: RoundEdge, top_mm: float, clear_of_stone: Mask, blur_px: float
) -> float:
    """How far the rim's colour lies outside of what metals have.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    tube : RoundEdge
        The tube's edge.
    top_mm : float
        Height of the tube's face above the card.
    clear_of_stone : callable
        Which samples of a map lie outside of the stone.
    blur_px : float
        Blur of the photograph.

    Returns
    -------
    float
        Distance in logarithms of red over green and blue over green; 0 for a metal's colour, in a photograph without
        colour, and where too little is seen.
    """
    if image.codes.ndim != 3:
        return 0.0
    px, radius = 1.0 / tube.px_per_mm, tube.circle.radius
    polar = unroll(
        image, view, tube.circle.centre, top_mm, 0.5 * radius, radius + PAPER_PX[1] * px, angles=RADII,
        step_px=STEP_PX, arc_px=1.0, colour=True,
    )  # fmt: skip
    seen = np.isfinite(polar.rgb).all(axis=2)
    radii = polar.radii_mm[None, :]
    rim = seen & clear_of_stone(polar) & (radii < radius - (ROOM_PX + blur_px) * px)
    paper = seen & (radii > radius + PAPER_PX[0] * px)
    if min(np.count_nonzero(rim), np.count_nonzero(paper)) < SMALLEST_COUNT:
        return 0.0
    hue = _hue(polar.rgb[rim]) - _hue(polar.rgb[paper])
    beyond = [
        max(low - value, value - high, 0.0)
        for value, (low, high) in zip(hue, (RED_OVER_GREEN, BLUE_OVER_GREEN), strict=True)
    ]
    return float(np.hypot(*beyond))


def _hue(rgb: FloatArray) -> FloatArray:
    """Median logarithms (2,) of red over green and blue over green of light (N, 3)."""
    logs = np.log(np.maximum(rgb, DARKEST))
    return np.asarray(np.median(logs[:, [0, 2]] - logs[:, [1]], axis=0))
