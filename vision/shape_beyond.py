"""Whether a coloured stone goes on beyond the circle that was read: then it isn't round, the circle an arc of it."""

from __future__ import annotations

import numpy as np

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage
from rimsight.vision.outline import RoundEdge
from rimsight.vision.shape_likeness import colour_likeness, surroundings
from rimsight.vision.stone import NotRound

#: The surroundings end at this many radii; what lies beyond the first of the others and within the second is looked at.
ROUND, BEYOND = 1.9, (1.12, 1.6)
#: Pixels of at least this likeness are of the stone's own colour: coloured light that it throws on the paper is paler.
OWN = 0.6
#: More than this share of the ring is no fleck of coloured light. Two pears that were read as round had 0.19 and 0.21.
LARGEST_SHARE = 0.08


def refuse_beyond(image: LightImage, view: View, edge: RoundEdge, blur_px: float) -> None:
    """Refuse a circle that a stone goes on beyond.

    Raises
    ------
    NotRound
        The stone's own colour goes on outside of the circle.
    """
    share = own_colour_beyond(image, view, edge, blur_px)
    if share > LARGEST_SHARE:
        raise NotRound(
            f"the stone's colour goes on beyond the circle of {edge.diameter_mm:.2f} mm that fits a part of its edge",
            "a round stone",
            "for a stone that isn't round add --shape auto",
        )


def own_colour_beyond(image: LightImage, view: View, edge: RoundEdge, blur_px: float) -> float:
    """Share of a ring outside of a stone's circle that has the stone's own colour, 0 to 1; 0 for a stone without one.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    edge : RoundEdge
        The girdle as it was read.
    blur_px : float
        Blur, pixels.
    """
    turn = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    normals = np.column_stack([np.cos(turn), np.sin(turn)])
    points = edge.circle.centre + ROUND * edge.circle.radius * normals
    around = surroundings(image, view.to_pixels(points, edge.heights(view, points, normals)), blur_px)
    likeness = colour_likeness(around)
    if likeness is None:
        return 0.0
    ring = around.within(BEYOND[1] / ROUND) & ~around.within(BEYOND[0] / ROUND)
    return float(np.mean(likeness.plane[ring] > OWN)) if ring.any() else 0.0
