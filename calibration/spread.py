"""The edge spread of a photograph: how a sharp step of light looks in it, measured on the printed square itself.

Phones sharpen: a step is followed by an overshoot of up to 10 % on either side. A model of close edges that doesn't
know the overshoot takes it for another edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from rimsight.calibration.band import LINEAR_INTERPOLATION_VARIANCE, SquareEdges
from rimsight.calibration.pixels import FloatArray, LightImage

#: Additional blur of the copy that sharpening subtracts (unsharp mask), standard deviation in pixels. 26 photographs
#: sharpened with 0.9 to 1.6 px all fit within 1 % of the step with this one and a free strength.
SHARPENING_PX = 1.2
#: How far from the edge its spread is looked at, pixels, and the distance of the samples.
REACH_PX, STEP_PX = 5.0, 0.25
#: Overshoots that are tried: strength of the unsharp mask.
OVERSHOOTS = np.arange(0.0, 1.45, 0.1)
#: Blurs that are tried, as shares of the blur that the slope at the edge gives.
BLUR_SHARES = np.arange(0.8, 1.66, 0.05)


@dataclass(frozen=True)
class EdgeSpread:
    """A step's shape: (1 + overshoot) Phi(x / sigma) - overshoot Phi(x / hypot(sigma, 1.2 px)).

    Parameters
    ----------
    sigma_px : float
        Standard deviation of the blur before sharpening, pixels.
    overshoot : float
        Strength of the sharpening, 0 for none.
    """

    sigma_px: float
    overshoot: float

    @property
    def overshoot_share(self) -> float:
        """How far the light overshoots beyond a step, share of the step."""
        return float(np.max(self(np.arange(0.0, REACH_PX, STEP_PX)))) - 1.0

    def __call__(self, distance_px: FloatArray) -> FloatArray:
        """Light, 0 to 1, at a distance (any shape) from the edge, positive on the bright side."""
        rise = special.ndtr(distance_px / self.sigma_px)
        if self.overshoot == 0.0:
            return np.asarray(rise)
        wide = special.ndtr(distance_px / float(np.hypot(self.sigma_px, SHARPENING_PX)))
        return np.asarray((1.0 + self.overshoot) * rise - self.overshoot * wide)


def measure_spread(light: LightImage, edges: SquareEdges) -> EdgeSpread:
    """Measure the edge spread on the sides of the reference square.

    Parameters
    ----------
    light : LightImage
        The photograph.
    edges : SquareEdges
        Located edges of its square.

    Returns
    -------
    EdgeSpread
    """
    place = np.arange(-REACH_PX, REACH_PX + 0.5 * STEP_PX, STEP_PX)
    profiles = []
    middle = edges.edge_px.reshape(-1, 2).mean(axis=0)
    for k, points in enumerate(edges.edge_px):
        for side in range(4):
            own = points[edges.side == side]
            if len(own) < 10:
                continue
            centre = own.mean(axis=0)
            along = np.linalg.svd(own - centre, full_matrices=False)[2][0]
            normal = np.array([-along[1], along[0]])
            # From black to white: outwards at the outer edge, inwards at the band's inner one.
            outwards = np.sign(normal @ (centre - middle)) * (1.0 if k == 0 else -1.0)
            t = (own - centre) @ along
            across = (own - centre) @ normal
            # The located points jitter, the printed line doesn't; a lens bends it by a parabola within a side.
            smooth = centre + t[:, None] * along + np.polyval(np.polyfit(t, across, 2), t)[:, None] * normal
            values = light.sample_luminance(smooth[:, None, :] + place[:, None] * (normal * outwards), order=1)
            values = values[np.isfinite(values).all(axis=1)]
            if len(values) >= 10:
                profiles.append(values)
    if not profiles:
        return EdgeSpread(max(edges.blur_px, 0.5), 0.0)
    every = np.concatenate(profiles)
    away = np.abs(every - np.median(every, axis=0)).max(axis=1)
    # The mean, not the median: linear interpolation's blur is known for the mean over all places between pixels.
    return _fit(place, every[away <= 2.0 * np.median(away)].mean(axis=0), edges.blur_px)


def _fit(place: FloatArray, profile: FloatArray, blur_px: float) -> EdgeSpread:
    """Blur and overshoot that fit a mean profile best; its level, height and place are free."""
    best = (np.inf, EdgeSpread(max(blur_px, 0.5), 0.0))
    for share in BLUR_SHARES:
        seen = float(np.hypot(max(share * blur_px, 0.4), LINEAR_INTERPOLATION_VARIANCE**0.5))
        for overshoot in OVERSHOOTS:
            step = EdgeSpread(seen, float(overshoot))(place)
            columns = np.stack([np.ones_like(place), step, np.gradient(step)], axis=1)
            left = profile - columns @ np.linalg.lstsq(columns, profile, rcond=None)[0]
            cost = float(left @ left)
            if cost < best[0]:
                best = (cost, EdgeSpread(float(max(share * blur_px, 0.4)), float(overshoot)))
    return best[1]
