"""Light across an expected outline: strips along its normals, and the edges in them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rimsight.calibration.camera import View
from rimsight.calibration.pixels import LightImage, sample
from rimsight.vision.fields import CHANNELS, CHROMA_BLUR_PX, edge_field
from rimsight.vision.polar import PolarMap
from rimsight.vision.side_model import from_ideal

FloatArray = NDArray[np.float64]

#: Distance of the strips along the outline and of the samples along a strip, pixels.
ALONG_PX, STEP_PX = 1.5, 0.25
#: Standard deviation of the smoothing along the outline, pixels.
SMOOTHING_PX = 2.0
#: Scan lines a pixel of a drawn outline.
ROWS = 8
#: A step is a seam when one of the other direction, so many times as high, lies this near (in blurs).
HALO_BLURS, HALO_TIMES = 6.0, 2.5
#: Mosaic and JPEG make false colours along a step of light, up to this share of it.
COLOUR_NOISE = 0.4
#: A step counts fully from this share of the highest one on its strip on: light thrown on the paper has faint edges.
CLEAR_SHARE = 0.35
#: Share of a step at which its outer end is read, how many blurs that lies outside of the middle of a plain step
#: (the normal distribution's quantile), and how far from the steepest place it may be.
OUTER_SHARE, OUTER_SIGMAS, OUTER_REACH_PX = 0.25, 0.6745, 2.5
#: Crests further out weaken the ones inside of them.
ATTENUATION = 0.6


@dataclass(frozen=True)
class Track:
    """Places round an outline.

    Parameters
    ----------
    points : ndarray of shape (N, 2)
        On the outline, ideal pixels, in order.
    normals : ndarray of shape (N, 2)
        Unit vectors outwards.
    single : int
        So many at the end stand by themselves; the others are neighbours and smoothed along the outline.
    """

    points: FloatArray
    normals: FloatArray
    single: int = 0

    def smoothed(self, light: FloatArray) -> FloatArray:
        """Strips (N, M, ...) smoothed along the outline."""
        count = len(light) - self.single
        light[:count] = ndimage.gaussian_filter1d(light[:count], SMOOTHING_PX / ALONG_PX, axis=0, mode="wrap")
        return light


@dataclass(frozen=True)
class Crests:
    """Edges on strips.

    Parameters
    ----------
    offsets : ndarray of shape (M,)
        Places along a strip, pixels, outwards.
    strength : ndarray of shape (C, N, M)
        Strength (0 to 1) of the local maxima in each channel (luminance, two colour differences), 0 elsewhere.
    place : ndarray of shape (C, N, M)
        Sub-pixel place of those maxima, pixels.
    step, light : ndarray of shape (C, N, M)
        Step (outside minus inside) and light of each channel, linear.
    """

    offsets: FloatArray
    strength: FloatArray
    place: FloatArray
    step: FloatArray
    light: FloatArray


def track(outline: FloatArray, spacing_px: float = ALONG_PX) -> Track:
    """Places at even distances along a convex outline (M, 2) in order, clockwise as seen."""
    ahead = np.roll(outline, -1, axis=0) - outline
    length = np.linalg.norm(ahead, axis=1)
    begins = np.concatenate([[0.0], np.cumsum(length)])
    count = max(24, int(begins[-1] / spacing_px))
    at = (np.arange(count) + 0.5) * begins[-1] / count
    edge = np.clip(np.searchsorted(begins, at, side="right") - 1, 0, len(outline) - 1)
    along = ahead[edge] / np.maximum(length[edge], 1e-12)[:, None]
    points = outline[edge] + along * (at - begins[edge])[:, None]
    return Track(points, np.column_stack([along[:, 1], -along[:, 0]]))


def crests(
    image: LightImage,
    view: View,
    places: Track,
    inner_px: float,
    outer_px: float,
    blur_px: float,
    *,
    quick: bool = False,
) -> Crests:
    """Find the edges on strips across a track.

    Parameters
    ----------
    image, view
        The photograph and its geometry.
    places : Track
        Where the strips are.
    inner_px, outer_px : float
        How far they reach inwards and outwards.
    blur_px : float
        Blur of the photograph.
    quick : bool
        Sample coarsely, without splines.
    """
    offsets = np.arange(-inner_px, outer_px + STEP_PX / 2, STEP_PX * (2.0 if quick else 1.0))
    points = places.points[:, None, :] + offsets[None, :, None] * places.normals[:, None, :]
    pixels = from_ideal(view, points.reshape(-1, 2)).reshape(points.shape)
    light = image.sample_rgb(pixels, order=1 if quick else 3)
    light = places.smoothed(np.nan_to_num(light))
    polar = _as_map(light, offsets)
    strength, place, steps, lights = [], [], [], []
    highest = np.zeros((len(light), 1))
    for name, weights in CHANNELS.items():
        wider = blur_px if name == "luminance" else float(np.hypot(blur_px, CHROMA_BLUR_PX))
        field = edge_field(polar, wider, weights=weights)
        size = np.abs(field.step)
        highest = np.maximum(size.max(axis=1, keepdims=True), COLOUR_NOISE * highest)
        clear = np.clip(size / (CLEAR_SHARE * highest + 1e-9), 0.0, 1.0)
        strength.append(np.where(_halo(field.step, HALO_BLURS * blur_px / polar.step_px), 0.0, field.crests * clear))
        place.append(offsets[None, :] + _finer(np.abs(field.step)) * polar.step_px)
        steps.append(field.step)
        lights.append(polar.channel(weights))
        if name == "luminance":
            highest = size.max(axis=1, keepdims=True)
    return Crests(offsets, np.array(strength), np.array(place), np.array(steps), np.array(lights))


def outer_edge(found: Crests, channel: NDArray[np.intp], at: NDArray[np.intp], blur_px: float) -> FloatArray:
    """Where the light has left the ground's by a quarter of the step, moved in by what blur makes of that, (N,).

    A facet seen at a grazing angle mirrors the ground and hides as a seam of one or two pixels between the ground and
    the stone: the steepest place is then the seam's inner edge, this one lies nearer to the outer. In colour the
    steepest place counts: colour is kept at half the pixels and coded in coarse steps, which carry a stone's colour out
    into the paper, and read like that its edges lay 0.3 and 0.65 px further out than those of light (odd and even
    numbers of 49 stones; read at the steepest place 0.1 px further in and 0.1 px further out).

    Parameters
    ----------
    found : Crests
        The strips.
    channel, at : ndarray of shape (N,)
        The edge on each strip: its channel and sample.
    blur_px : float
        Blur of the photograph.
    """
    rows = np.arange(len(at))
    place = found.place[channel, rows, at]
    light, step = found.light[channel, rows], found.step[channel, rows, at]
    blur = np.where(channel > 0, np.hypot(blur_px, CHROMA_BLUR_PX), blur_px)
    from_edge = found.offsets[None, :] - place[:, None]
    outside = (from_edge > 1.0 + 2.0 * blur[:, None]) & (from_edge < 4.5 + 2.0 * blur[:, None])
    count = outside.sum(axis=1)
    ground = np.sum(light * outside, axis=1) / np.maximum(count, 1)
    away = (ground[:, None] - light) / np.where(np.abs(step) > 1e-6, step, 1.0)[:, None]
    beyond = (away >= OUTER_SHARE) & (from_edge > -1.5 * blur[:, None]) & (from_edge < 1.0 + 2.0 * blur[:, None])
    last = away.shape[1] - 1 - np.argmax(beyond[:, ::-1], axis=1)
    last = np.clip(last, 0, away.shape[1] - 2)
    here, there = away[rows, last], away[rows, last + 1]
    drop = np.where(np.abs(here - there) > 1e-9, here - there, 1.0)
    share = np.clip((here - OUTER_SHARE) / drop, 0.0, 1.0)
    spacing = float(found.offsets[1] - found.offsets[0])
    crossing = found.offsets[last] + share * spacing - OUTER_SIGMAS * blur
    seen = beyond.any(axis=1) & (count > 4) & (channel == 0)
    return np.where(seen, np.clip(crossing, place - 0.5, place + OUTER_REACH_PX), place)


def drawn(outline: FloatArray, places: Track, reach_px: float, blur_px: float) -> FloatArray:
    """Where the step filter finds the edge of a plain dark body of that outline, (N,) pixels from the track.

    Blur and the smoothing along the outline draw an edge inwards at corners; this is how much, by drawing the outline
    and looking at it as at a photograph.
    """
    low = np.floor(outline.min(axis=0)) - 6.0 - 5.0 * blur_px
    size = np.ceil(outline.max(axis=0) - low + 6.0 + 5.0 * blur_px).astype(int)
    mask = _mask(outline - low, size, blur_px)
    offsets = np.arange(-reach_px, reach_px + STEP_PX / 2, STEP_PX)
    points = places.points[:, None, :] + offsets[None, :, None] * places.normals[:, None, :] - low
    light = sample(mask, points, order=3)
    light = places.smoothed(np.nan_to_num(light))
    field = edge_field(_as_map(-light[:, :, None], offsets), blur_px, noise=1e-3)
    size_of = np.abs(field.step)
    at = np.clip(np.argmax(size_of, axis=1), 1, len(offsets) - 2)
    rows = np.arange(len(at))
    return np.asarray(offsets[at] + _finer(size_of)[rows, at] * STEP_PX)


def _mask(outline: FloatArray, size: NDArray[np.intp], blur_px: float) -> NDArray[np.float32]:
    """The blurred body, pixels: each of `ROWS` scan lines a pixel covers what lies between its two crossings."""
    top, bottom = int(outline[:, 1].argmin()), int(outline[:, 1].argmax())
    down = np.roll(outline, -top, axis=0)
    turn = (bottom - top) % len(outline)
    one, other = down[: turn + 1], np.vstack([down[turn:], down[:1]])[::-1]
    y = (np.arange(int(size[1]) * ROWS) + 0.5) / ROWS - 0.5
    ends = np.array([np.interp(y, chain[:, 1], chain[:, 0]) for chain in (one, other)])
    left, right = ends.min(axis=0)[:, None], ends.max(axis=0)[:, None]
    column = np.arange(int(size[0]))[None, :]
    share = np.clip(np.minimum(right, column + 0.5) - np.maximum(left, column - 0.5), 0.0, 1.0)
    share[(y < outline[top, 1]) | (y > outline[bottom, 1])] = 0.0
    cover = share.reshape(int(size[1]), ROWS, -1).mean(axis=1).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(cover, (0, 0), blur_px), dtype=np.float32)


def _as_map(light: FloatArray, offsets: FloatArray) -> PolarMap:
    """Strips as a map of the step filter's: one row for each strip, one pixel a millimetre."""
    return PolarMap(np.zeros(2), 0.0, np.zeros(len(light)), offsets, light, 1.0)


def _halo(step: FloatArray, reach: float) -> NDArray[np.bool_]:
    """Where a much stronger step of the other direction lies near: sharpening draws such seams along edges."""
    width = 2 * round(reach) + 1
    rise, fall = (ndimage.maximum_filter1d(sign * step, width, axis=1) for sign in (1.0, -1.0))
    return np.asarray(np.where(step > 0, fall, rise) > HALO_TIMES * np.abs(step))


def _finer(size: FloatArray) -> FloatArray:
    """Place of the vertex of the parabola through each sample and its neighbours, samples."""
    left, right = np.roll(size, 1, axis=1), np.roll(size, -1, axis=1)
    bend = left - 2.0 * size + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    return np.asarray(np.clip(shift, -0.5, 0.5))
