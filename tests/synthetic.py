"""Photographs of the card with exact truth, made by casting one ray a pixel through the program's own camera model.

The card is drawn from its signed distance field, so that edges are anti-aliased exactly and ink spread is a number;
lens, blur, glare, noise, tone curve and sharpening follow in the order in which a phone applies them. One picture
of 2 MP takes about half a second.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from rimsight.calibration.camera import Camera, View
from rimsight.calibration.card import frame_boxes, layout, marker_boxes
from rimsight.calibration.pixels import LightImage, encode_srgb

FloatArray = NDArray[np.float64]

#: Resolution of the distance field; every edge of both cards lies on a multiple of 0.05 mm, where it is exact.
FIELD_PX_PER_MM = 20
FIELD_HALF_MM = 56.0
#: Spacing of the exactly computed rays; between them a bicubic spline is good to 1e-6 px.
RAY_GRID_PX = 16


@dataclass(frozen=True)
class Disc:
    """A matte disc or ring, parallel to the card."""

    x_mm: float
    y_mm: float
    radius_mm: float
    height_mm: float = 0.0
    light: float = 0.2
    bore_radius_mm: float = 0.0


@dataclass(frozen=True)
class Box:
    """A matte rectangle, parallel to the card, edges along the card's axes unless turned."""

    x_mm: float
    y_mm: float
    width_mm: float
    depth_mm: float
    height_mm: float = 0.0
    light: float = 0.2
    turn_deg: float = 0.0


@dataclass(frozen=True)
class PrintedCard:
    """A printed card lying in the plane."""

    side_mm: float = 60.0
    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0
    scale_across: float = 1.0
    scale_down: float = 1.0
    ink_spread_mm: float = 0.0
    markers: bool = True


@dataclass(frozen=True)
class Scene:
    """What lies in front of the camera, and how the camera treats it.

    Lights are linear, 0 to 1. `paper_mm` is the half width and half depth of the sheet; round it lies the table.
    `light_map` maps card millimetres (N, 2) to a factor on the light. `tone` maps linear light to linear light
    before sRGB coding. `sharpen` is the strength of an unsharp mask (radius 1.2 px) on the coded values.
    """

    cards: tuple[PrintedCard, ...] = (PrintedCard(),)
    things: tuple[Disc | Box, ...] = ()
    white: float = 0.75
    black: float = 0.04
    paper_mm: tuple[float, float] | None = None
    table: float = 0.08
    light_map: Callable[[FloatArray], FloatArray] | None = None
    exposure: float = 1.0
    blur_px: float = 0.8
    glare: float = 0.0
    noise: float = 0.004
    tone: Callable[[FloatArray], FloatArray] | None = None
    sharpen: float = 0.0
    mirrored: bool = False
    crop: tuple[int, int, int, int] | None = None
    jpeg_quality: int | None = None
    seed: int = 1

    def but(self, **changes: object) -> Scene:
        """Return the same scene with something changed."""
        return replace(self, **changes)  # type: ignore[arg-type]


def look(
    *,
    tilt_deg: float = 6.0,
    azimuth_deg: float = 40.0,
    roll_deg: float = 10.0,
    distance_mm: float = 160.0,
    f_px: float = 1600.0,
    size: tuple[int, int] = (1600, 1200),
    aim_mm: tuple[float, float] = (2.0, -1.0),
    centre_offset_px: tuple[float, float] = (0.0, 0.0),
    k1: float = 0.0,
    k2: float = 0.0,
) -> View:
    """Make a view whose optical axis meets the card at `aim_mm` under `tilt_deg`, seen from the side `azimuth_deg`."""
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    towards = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)])
    z_axis = -towards
    x_axis = np.array([np.cos(roll), np.sin(roll), 0.0])
    x_axis -= z_axis * (x_axis @ z_axis)
    x_axis /= np.linalg.norm(x_axis)
    rotation = np.stack([x_axis, np.cross(z_axis, x_axis), z_axis])
    position = np.array([*aim_mm, 0.0]) + towards * distance_mm
    rvec = cv2.Rodrigues(rotation)[0].reshape(3)
    t = -rotation @ position
    camera = Camera(
        f_px, (size[0] - 1) / 2 + centre_offset_px[0], (size[1] - 1) / 2 + centre_offset_px[1], k1=k1, k2=k2
    )
    return View(camera, tuple(map(float, rvec)), tuple(map(float, t)))  # type: ignore[arg-type]


def photograph(view: View, scene: Scene | None = None, *, size: tuple[int, int] = (1600, 1200)) -> LightImage:
    """Make the photograph of a scene; see `render` for the bare array."""
    return LightImage(render(view, Scene() if scene is None else scene, size=size))


def render(view: View, scene: Scene, *, size: tuple[int, int] = (1600, 1200)) -> NDArray[np.uint8]:
    """Make the photograph of a scene.

    Parameters
    ----------
    view : View
        Camera and pose.
    scene : Scene
        What is seen.
    size : (int, int)
        Width and height, pixels, before cropping.

    Returns
    -------
    (H, W, 3) uint8
        sRGB codes, grey.
    """
    plane, scale = plane_map(view, size)
    light = np.full(plane.shape[:2], scene.white)
    for card in scene.cards:
        covered = _card_coverage(card, plane, scale)
        light += covered * (scene.black - light)
    foot, height = view.position_mm[:2], view.distance_mm
    for thing in scene.things:
        nearer = (height - thing.height_mm) / height
        light += _coverage(thing, foot + (plane - foot) * nearer, scale * nearer) * (thing.light - light)
    if scene.paper_mm is not None:
        on_paper = _coverage(Box(0, 0, 2 * scene.paper_mm[0], 2 * scene.paper_mm[1]), plane, scale)
        light = scene.table + on_paper * (light - scene.table)
    if scene.light_map is not None:
        light = light * scene.light_map(plane.reshape(-1, 2)).reshape(light.shape)
    return _camera_output(light * scene.exposure, scene)


def write_photo(path: Path, view: View, scene: Scene) -> Path:
    """Write the photograph of a scene, without EXIF."""
    cv2.imwrite(str(path), render(view, scene)[..., ::-1])
    return path


def write_two(folder: Path, scene: Scene) -> list[Path]:
    """Write two photographs of a scene from places 25 mm apart, without EXIF."""
    places = {"one": (3.0, 200.0), "two": (7.0, 60.0)}
    return [
        write_photo(
            folder / f"{name}.png",
            look(tilt_deg=tilt, azimuth_deg=azimuth, distance_mm=160.0, f_px=2300.0),
            scene,
        )
        for name, (tilt, azimuth) in places.items()
    ]


def plane_map(view: View, size: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Card coordinates (H, W, 2) of every pixel's ray in the card's plane, and millimetres per pixel (H, W)."""
    xs = np.arange(-RAY_GRID_PX, size[0] + 2 * RAY_GRID_PX, RAY_GRID_PX, dtype=np.float64)
    ys = np.arange(-RAY_GRID_PX, size[1] + 2 * RAY_GRID_PX, RAY_GRID_PX, dtype=np.float64)
    gx, gy = np.meshgrid(xs, ys)
    coarse = view.to_plane(np.column_stack([gx.ravel(), gy.ravel()])).reshape(*gx.shape, 2)
    if not np.isfinite(coarse).all():
        raise ValueError("part of the picture does not meet the card's plane; tilt the camera less")
    dy = np.asarray(np.gradient(coarse, RAY_GRID_PX, axis=0))
    dx = np.asarray(np.gradient(coarse, RAY_GRID_PX, axis=1))
    scale = np.sqrt(np.abs(dx[..., 0] * dy[..., 1] - dx[..., 1] * dy[..., 0]))

    def everywhere(values: FloatArray) -> FloatArray:
        return np.asarray(RectBivariateSpline(ys, xs, values, s=0)(np.arange(size[1]), np.arange(size[0])))

    return np.stack([everywhere(coarse[:, :, 0]), everywhere(coarse[:, :, 1])], axis=-1), everywhere(scale)


def _ramp(inside_mm: FloatArray, mm_per_px: FloatArray) -> FloatArray:
    """Share of each pixel that is covered, from the distance to the edge (positive inside), in millimetres."""
    return np.asarray(np.clip(0.5 + inside_mm / mm_per_px, 0.0, 1.0))


def _card_coverage(card: PrintedCard, plane: FloatArray, mm_per_px: FloatArray) -> FloatArray:
    turn = np.radians(card.turn_deg)
    x, y = plane[..., 0] - card.x_mm, plane[..., 1] - card.y_mm
    across = (x * np.cos(turn) + y * np.sin(turn)) / card.scale_across
    down = (-x * np.sin(turn) + y * np.cos(turn)) / card.scale_down
    column = ((across + FIELD_HALF_MM) * FIELD_PX_PER_MM - 0.5).astype(np.float32)
    row = ((down + FIELD_HALF_MM) * FIELD_PX_PER_MM - 0.5).astype(np.float32)
    # Away from the card the field is far below zero: nothing is printed there.
    distance = cv2.remap(
        _field(card.side_mm, card.markers), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT,
        borderValue=-9.0,
    )
    nominal = (card.scale_across * card.scale_down) ** 0.5
    return _ramp(np.asarray(distance, dtype=np.float64) * nominal + card.ink_spread_mm, mm_per_px)


@cache
def _field(side_mm: float, markers: bool) -> NDArray[np.float32]:
    """Signed distance to the print's edge, positive inside the black, millimetres."""
    card = layout(side_mm)
    count = round(2 * FIELD_HALF_MM * FIELD_PX_PER_MM)
    black = np.zeros((count, count), np.uint8)
    for box in frame_boxes(card) + (marker_boxes(card) if markers else []):
        edges = (box.left, box.top, box.right, box.bottom)
        x0, y0, x1, y1 = (round((edge + FIELD_HALF_MM) * FIELD_PX_PER_MM) for edge in edges)
        black[y0:y1, x0:x1] = 1
    inside = cv2.distanceTransform(black, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    outside = cv2.distanceTransform(1 - black, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    # The nearest pixel of the other kind is one pixel from the edge's neighbour, the edge half a pixel.
    distance = np.where(black > 0, inside - 0.5, 0.5 - outside)
    return np.asarray(distance / FIELD_PX_PER_MM, dtype=np.float32)


def _coverage(thing: Disc | Box, plane: FloatArray, mm_per_px: FloatArray) -> FloatArray:
    x, y = plane[..., 0] - thing.x_mm, plane[..., 1] - thing.y_mm
    if isinstance(thing, Disc):
        radius = np.hypot(x, y)
        inside = thing.radius_mm - radius
        if thing.bore_radius_mm > 0:
            inside = np.minimum(inside, radius - thing.bore_radius_mm)
    else:
        turn = np.radians(thing.turn_deg)
        along = np.abs(x * np.cos(turn) + y * np.sin(turn))
        across = np.abs(y * np.cos(turn) - x * np.sin(turn))
        inside = np.minimum(thing.width_mm / 2 - along, thing.depth_mm / 2 - across)
    return _ramp(inside, mm_per_px)


def _camera_output(light: FloatArray, scene: Scene) -> NDArray[np.uint8]:
    rng = np.random.default_rng(scene.seed)
    picture = light.astype(np.float32)
    if scene.glare > 0:
        # A wide halo: what a lens scatters from the white into the black.
        quarter = cv2.GaussianBlur(cv2.resize(picture, None, fx=0.25, fy=0.25), (0, 0), 6.0)
        halo = cv2.resize(quarter, picture.shape[::-1])
        picture = (1 - scene.glare) * picture + scene.glare * halo
    if scene.blur_px > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), scene.blur_px)
    linear = np.asarray(picture, dtype=np.float64)
    if scene.noise > 0:
        # Half read noise, half photon noise, both `noise` at white.
        linear = linear + rng.normal(0.0, scene.noise, linear.shape) * np.sqrt(0.5 + 0.5 * np.clip(linear, 0.0, 1.0))
    linear = np.clip(linear, 0.0, 1.0)
    if scene.tone is not None:
        linear = np.clip(scene.tone(linear), 0.0, 1.0)
    coded = encode_srgb(linear)
    if scene.sharpen > 0:
        soft = cv2.GaussianBlur(coded, (0, 0), 1.2)
        coded = coded + scene.sharpen * (coded - np.asarray(soft))
    codes = (np.clip(coded, 0.0, 1.0) * 255.0 + 0.5).astype(np.uint8)
    if scene.mirrored:
        codes = codes[:, ::-1]
    if scene.crop is not None:
        x0, y0, x1, y1 = scene.crop
        codes = codes[y0:y1, x0:x1]
    if scene.jpeg_quality is not None:
        stored = cv2.imencode(".jpg", codes, [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg_quality])[1]
        codes = np.asarray(cv2.imdecode(stored, cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
    return np.ascontiguousarray(np.repeat(codes[:, :, None], 3, axis=2))


def phone_tone(light: FloatArray) -> FloatArray:
    """Contrast curve like a phone's: shadows down, middle tones up, shoulder at the top (smooth, monotone)."""
    return np.asarray(1.0 - (1.0 - light**1.15) ** 1.6)


def gradient_light(ratio: float, angle_deg: float = 30.0, reach_mm: float = 45.0) -> Callable[[FloatArray], FloatArray]:
    """Light that falls by `ratio` across the card, from 1 on."""
    direction = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])

    def factor(xy_mm: FloatArray) -> FloatArray:
        along = np.clip((xy_mm @ direction) / reach_mm, -1.0, 1.0)
        return np.asarray(ratio ** (-(along + 1.0) / 2.0))

    return factor


def soft_shadow(
    *, depth: float = 0.5, offset_mm: float = 10.0, softness_mm: float = 4.0, angle_deg: float = 25.0
) -> Callable[[FloatArray], FloatArray]:
    """The shadow of a straight edge: light falls by `depth` beyond `offset_mm`, over a penumbra."""
    direction = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])

    def factor(xy_mm: FloatArray) -> FloatArray:
        share = np.clip((xy_mm @ direction - offset_mm) / softness_mm + 0.5, 0.0, 1.0)
        return np.asarray(1.0 - depth * share * share * (3.0 - 2.0 * share))

    return factor


def combined_light(*factors: Callable[[FloatArray], FloatArray]) -> Callable[[FloatArray], FloatArray]:
    """The product of several light maps."""

    def factor(xy_mm: FloatArray) -> FloatArray:
        out = np.ones(len(xy_mm))
        for one in factors:
            out = out * one(xy_mm)
        return out

    return factor


def plain_squares(side_mm: float, places_mm: Sequence[tuple[float, float]], light: float = 0.04) -> tuple[Box, ...]:
    """Black squares of a side at places on the paper."""
    return tuple(Box(x, y, side_mm, side_mm, light=light) for x, y in places_mm)
