"""What a polar map says about edges: steps of light, their sharp crests, and where something new begins.

Three fields are made from a polar map, all of shape (angles, radii):

- *steps*: the best-fitting blurred step of light at each sample;
- *crests*: where a step is locally the strongest along its radius, as a strength from 0 to 1 that saturates, so that a
  glint is not a better edge than a plain step well above the noise;
- *novelty*: whether the light departs from the straight line that the light just outside of it follows. Paper, soft
  shadows and their slopes go on as they were; a stone does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from rimsight.calibration.pixels import LUMINANCE_WEIGHTS
from rimsight.vision.polar import PolarMap

FloatArray = NDArray[np.float64]

#: Half the length of the step filter, in standard deviations of the blur.
FILTER_REACH = 2.2
#: A crest counts from 3 times the noise on, fully from 8 times.
CREST_FROM, CREST_FULL = 3.0, 8.0
#: A crest counts when the step explains 0.3 of the light's variance in the filter, fully from 0.7.
FIT_FROM, FIT_FULL = 0.3, 0.7
#: Channels in which crests are looked for, as weights of R, G, B.
CHANNELS: dict[str, tuple[float, float, float]] = {
    "luminance": LUMINANCE_WEIGHTS,
    "red-green": (1.0, -1.0, 0.0),
    "blue-yellow": (-0.5, -0.5, 1.0),
}
#: Additional blur of colour differences by the mosaic and by JPEG's 4:2:0, standard deviation in pixels.
CHROMA_BLUR_PX = 0.9
#: A weighting of the channels tells both sides apart when their difference is this many times its own variation.
TELLING_RATIO = 2.2
#: Differences of light below this are noise, linear.
DISCRIMINANT_FLOOR = 0.004
#: How far outside the line is fitted that novelty is judged against, pixels.
NOVELTY_WINDOW_PX = 6.0
#: Departures beyond this many standard uncertainties of the extrapolated line are new.
NOVELTY_LIMIT = 4.0


@dataclass(frozen=True)
class EdgeField:
    """Edges in a polar map.

    Parameters
    ----------
    polar : PolarMap
        The map.
    blur_px : float
        Blur that the step filter assumed.
    step : ndarray of shape (A, R)
        Signed height of the step centred there (outside minus inside), linear light.
    fit : ndarray of shape (A, R)
        Share of the variance within the filter that the step explains.
    noise : float
        Typical height of a step on plain ground.
    crests : ndarray of shape (A, R)
        Strength of the local maxima, 0 elsewhere.
    colour : float
        0 for luminance, 1 for a pure colour difference.
    """

    polar: PolarMap
    blur_px: float
    step: FloatArray
    fit: FloatArray
    noise: float
    crests: FloatArray
    colour: float = 0.0


def edge_field(
    polar: PolarMap,
    blur_px: float,
    *,
    noise: float | None = None,
    weights: FloatArray | tuple[float, float, float] = LUMINANCE_WEIGHTS,
    colour: float = 0.0,
) -> EdgeField:
    """Fit a blurred step at every sample and find the crests.

    At each position the values within +-2.2 sigma are fitted by mean + height * (Phi(r / sigma) - 1/2): as the step
    is odd and the mean even, both follow from two correlations.

    Parameters
    ----------
    polar : PolarMap
        The map.
    blur_px : float
        Standard deviation of the photograph's blur, pixels.
    noise : float, optional
        Height of a step that noise and paper make; default the robust spread in the outermost fifth of the map.
    weights : sequence of 3 floats
        Weights of R, G, B; default the luminance.
    colour : float
        0 for a luminance, 1 for a pure colour difference; passed on.

    Returns
    -------
    EdgeField
    """
    blur = max(blur_px, 0.5)
    sigma = blur / polar.step_px
    values = np.nan_to_num(polar.channel(weights), nan=0.0)
    reach = max(3, int(np.ceil(FILTER_REACH * sigma)))
    offsets = np.arange(-reach, reach + 1)
    template = 0.5 * special.erf(offsets / (sigma * 2**0.5))
    energy = float(np.sum(template**2))
    count = len(offsets)
    step = ndimage.correlate1d(values, template, axis=1, mode="nearest") / energy
    mean = ndimage.uniform_filter1d(values, count, axis=1, mode="nearest")
    square = ndimage.uniform_filter1d(values**2, count, axis=1, mode="nearest")
    variance = np.maximum(square - mean**2, 0.0)
    fit = np.clip(step**2 * (energy / count) / np.maximum(variance, 1e-12), 0.0, 1.0)
    size = np.abs(step)
    if noise is None:
        noise = max(1.4826 * float(np.median(size[:, -max(4, size.shape[1] // 5) :])), 1e-4)
    crest = np.zeros(size.shape, dtype=bool)
    crest[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:])
    strength = np.clip((size / noise - CREST_FROM) / (CREST_FULL - CREST_FROM), 0.0, 1.0)
    strength *= np.clip((fit - FIT_FROM) / (FIT_FULL - FIT_FROM), 0.0, 1.0)
    return EdgeField(polar, blur, step, fit, noise, np.where(crest, strength, 0.0), colour)


def colour_crests(polar: PolarMap, blur_px: float, *, noise: dict[str, float] | None = None) -> FloatArray:
    """Crests of luminance and of two colour differences, whichever is stronger, (A, R).

    A blue stone on grey metal or a gold tube on white paper may show no step of luminance at all. JPEG keeps colour at
    half resolution, hence the wider filter.

    Parameters
    ----------
    polar : PolarMap
        The map.
    blur_px : float
        Blur of the luminance, pixels.
    noise : dict, optional
        Noise of each channel by name ("luminance", "red-green", "blue-yellow"); filled in where it is missing.
    """
    known = {} if noise is None else noise
    total: FloatArray | None = None
    for name, weights in CHANNELS.items():
        wider = blur_px if name == "luminance" else float(np.hypot(blur_px, CHROMA_BLUR_PX))
        field = edge_field(polar, wider, noise=known.get(name), weights=weights)
        known.setdefault(name, field.noise)
        total = field.crests if total is None else np.maximum(total, field.crests)
    assert total is not None
    return total


def telling_weights(inside: FloatArray, outside: FloatArray) -> FloatArray | None:
    """Weights of R, G, B in which inside and outside differ most consistently round the edge.

    Fisher's linear discriminant of the differences over the angles: a coloured stone's facets flash, but its colour
    stays. None when no weighting separates both sides by more than `TELLING_RATIO` standard deviations.

    Parameters
    ----------
    inside, outside : ndarray of shape (A, 3)
        Mean light just inside and just outside of the edge, for every angle.
    """
    difference = outside - inside
    use = np.isfinite(difference).all(axis=1)
    if np.count_nonzero(use) < 30:
        return None
    mean = difference[use].mean(axis=0)
    covariance = np.cov(difference[use].T) + np.eye(3) * DISCRIMINANT_FLOOR**2
    weights = np.linalg.solve(covariance, mean)
    ratio = float(np.sqrt(max(mean @ weights, 0.0)))
    if ratio < TELLING_RATIO:
        return None
    return np.asarray(weights / np.abs(weights).sum())


def novelty(polar: PolarMap, blur_px: float, *, window_px: float = NOVELTY_WINDOW_PX) -> NDArray[np.bool_]:
    """Where the light departs from the line that it follows just outside.

    Parameters
    ----------
    polar : PolarMap
        The map.
    blur_px : float
        Blur, pixels.
    window_px : float
        Length of the line, pixels.

    Returns
    -------
    ndarray of shape (A, R), bool
        True where it departs by more than `NOVELTY_LIMIT` standard uncertainties of the extrapolation.
    """
    light = np.nan_to_num(polar.channel(), nan=0.0)
    per_px = 1.0 / polar.step_px
    near = round((0.6 + 1.3 * max(blur_px, 0.5)) * per_px)
    far = near + int(window_px * per_px)
    samples = far - near + 1
    place = np.arange(light.shape[1], dtype=np.float64)
    mean = shifted_mean(light, near, far)
    spread = (samples * samples - 1) / 12.0
    centre = place + (near + far) / 2.0
    covariance = shifted_mean(light * place, near, far) - mean * centre
    slope = covariance / spread
    variance = np.maximum(shifted_mean(light**2, near, far) - mean**2 - slope * covariance, 0.0)
    scatter = np.sqrt(variance)
    inner = scatter[:, scatter.shape[1] // 2 : -far - 1]
    floor = float(np.median(inner if inner.size else scatter))
    # Neighbouring samples share pixels: about one independent value a pixel.
    independent = max(3.0, samples / per_px)
    lever = ((near + far) / 2.0) ** 2 / (spread * independent)
    sigma = np.maximum(scatter, max(floor, 1e-5)) * np.sqrt(1.0 + 1.0 / independent + lever)
    return np.asarray(np.abs(light - (mean + slope * (place - centre))) > NOVELTY_LIMIT * sigma)


def boundary_field(polar: PolarMap, new: NDArray[np.bool_], blur_px: float, width_px: float) -> FloatArray:
    """How much more novelty lies just inside than just outside, (A, R), -1 to 1; 0 near the map's ends."""
    per_px = 1.0 / polar.step_px
    values = new.astype(np.float64)
    inside = shifted_mean(values, -int((width_px + 0.5) * per_px), -int(0.5 * per_px))
    outside = shifted_mean(values, int(per_px), int((width_px + 1.0) * per_px))
    field = inside - outside
    end = int((width_px + 3.0 + NOVELTY_WINDOW_PX + 2.0 * blur_px) * per_px)
    field[:, max(field.shape[1] - end, 0) :] = 0.0
    field[:, : int((width_px + 1.0) * per_px)] = 0.0
    return field


def roughness(polar: PolarMap) -> FloatArray:
    """How much the light changes along the arc within about 4 px, as a share of the light there, (A, R).

    Facets flash within a few pixels; a metal face, brushed or matt, does not.
    """
    light = np.nan_to_num(polar.channel(), nan=0.0)
    middle = float(polar.radii_mm[len(polar.radii_mm) // 2]) * polar.px_per_mm
    lag = max(1, round(4.0 * len(polar.angles) / (2.0 * np.pi * middle)))
    change = np.abs(light - np.roll(light, lag, axis=0))
    level = ndimage.gaussian_filter1d(light, 3.0 * lag, axis=0, mode="wrap")
    return np.asarray(np.minimum(change / np.maximum(level, 0.02), 1.0))


def outermost(crests: FloatArray, *, attenuation: float = 0.7) -> FloatArray:
    """Crests weakened by what lies outside of them: exp(-attenuation * summed strength further out)."""
    beyond = np.cumsum(crests[:, ::-1], axis=1)[:, ::-1] - crests
    return np.asarray(crests * np.exp(-attenuation * beyond))


def shifted_mean(values: FloatArray, low: int, high: int) -> FloatArray:
    """Mean over the samples i + low .. i + high along each radius, truncated at the ends."""
    count = values.shape[1]
    total = np.cumsum(np.pad(values, ((0, 0), (1, 0))), axis=1)
    place = np.arange(count)
    start = np.clip(place + low, 0, count)
    stop = np.clip(place + high + 1, 0, count)
    return np.asarray((total[:, stop] - total[:, start]) / np.maximum(stop - start, 1))
