"""Which camera profile fits a photograph, and what it says about it.

A profile belongs to one lens at one zoom of one camera. It is applied to photographs of the whole frame, at any
resolution of the same shape; a crop, another zoom or another lens of the same phone gets none, and is told why.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

import numpy as np

from rimsight.calibration.errors import PhotoError
from rimsight.calibration.orientation import (
    quarter_turns,
    scaled_camera,
    turned_camera,
    turned_covariance,
    turned_size,
)
from rimsight.calibration.pose import Prior
from rimsight.calibration.profile import LensSolution
from rimsight.calibration.profile_store import CameraProfile, default_path, load_profiles

#: Relative differences that still are the same focal length: EXIF rounds to 0.01 mm, the 35 mm equivalent to 1 mm.
SAME_FOCAL, SAME_F35 = 0.005, 0.02
#: Relative difference of width over height that is still the same shape: a scaled picture rounds to whole pixels.
SAME_SHAPE = 0.003


class CameraFacts(Protocol):
    """What a photograph says about the camera that took it; None where it does not say."""

    @property
    def make(self) -> str | None: ...
    @property
    def model(self) -> str | None: ...
    @property
    def lens(self) -> str | None: ...
    @property
    def focal_mm(self) -> float | None: ...
    @property
    def f35_mm(self) -> float | None: ...
    @property
    def digital_zoom(self) -> float | None: ...
    @property
    def pixel_width(self) -> int | None: ...
    @property
    def pixel_height(self) -> int | None: ...
    @property
    def orientation(self) -> int | None: ...


class MixedCameras(PhotoError):
    """The photographs of one profile come from more than one lens or zoom."""

    kind = "mixed_cameras"


class ProfileMatch(NamedTuple):
    """Outcome of looking for a profile.

    Attributes
    ----------
    prior : Prior or None
        What the profile says about the photograph's camera; None if none fits.
    profile : CameraProfile or None
        The profile, or the nearest one that does not fit.
    reason : str
        Why it is applied or not, in words.
    """

    prior: Prior | None
    profile: CameraProfile | None
    reason: str


def match_profile(
    facts: CameraFacts,
    width_px: int,
    height_px: int,
    *,
    name: str | None = None,
    path: Path | None = None,
) -> ProfileMatch:
    """Find the profile for a photograph.

    Parameters
    ----------
    facts : CameraFacts
        What the photograph says about its camera; the stated size is turned like the picture.
    width_px, height_px : int
        Size of the upright picture.
    name : str, optional
        The profile to apply, whatever camera the photograph names; its shape must still fit.
    path : Path, optional
        File of profiles, default `default_path()`.

    Returns
    -------
    ProfileMatch

    Raises
    ------
    ValueError
        There is no profile of that name, or the file is broken.
    """
    profiles = load_profiles(default_path() if path is None else path)
    if name is not None and name not in profiles:
        known = ", ".join(repr(one) for one in profiles) or "none yet"
        raise ValueError(f"no camera named {name!r} is on record; known: {known}")
    candidates = [profiles[name]] if name is not None else [p for p in profiles.values() if _same_camera(p, facts)]
    if not candidates:
        camera = " ".join(part for part in (facts.make, facts.model) if part)
        whose = f"for {camera}" if camera else "because the photo does not name its camera"
        return ProfileMatch(None, None, f"no camera profile {whose}")
    nearest = ProfileMatch(None, None, "")
    for profile in reversed(candidates):  # the newest first
        obstacle = "" if name is not None else _other_zoom(profile, facts)
        obstacle = obstacle or _not_whole(profile, facts, width_px, height_px)
        if not obstacle:
            prior = _prior(profile, facts, width_px, height_px)
            return ProfileMatch(prior, profile, prior.source)
        if nearest.profile is None:
            nearest = ProfileMatch(None, profile, f"camera profile {profile.name!r} is not applied: {obstacle}")
    return nearest


def _same_camera(profile: CameraProfile, facts: CameraFacts) -> bool:
    return facts.model is not None and (_plain(profile.make), _plain(profile.model)) == (
        _plain(facts.make),
        _plain(facts.model),
    )


def _plain(text: str | None) -> str:
    return " ".join((text or "").split()).casefold()


def _other_zoom(profile: CameraProfile, facts: CameraFacts) -> str:
    """Why the photograph was taken through another lens or at another zoom, or nothing."""
    if profile.lens and facts.lens and _plain(profile.lens) != _plain(facts.lens):
        return f"it is for the lens {profile.lens!r}, the photo was taken with {facts.lens!r}"
    for what, own, other, same in (
        ("focal length", profile.focal_mm, facts.focal_mm, SAME_FOCAL),
        ("35 mm equivalent", profile.f35_mm, facts.f35_mm, SAME_F35),
    ):
        if (own is None) != (other is None):
            return f"only one of profile and photo states the {what}"
        if own is not None and other is not None and abs(math.log(other / own)) > same:
            return f"another lens or zoom: {what} {other:g} mm, the profile is for {own:g} mm"
    own_zoom, zoom = profile.digital_zoom or 1.0, facts.digital_zoom or 1.0
    if abs(zoom - own_zoom) > 0.005:
        return f"another digital zoom: {zoom:g}, the profile is for {own_zoom:g}"
    return ""


def _not_whole(profile: CameraProfile, facts: CameraFacts, width_px: int, height_px: int) -> str:
    """Why the photograph is not the whole frame of the profile's camera, or nothing."""
    turns = quarter_turns(facts.orientation)
    if turns is None:
        return "the picture is stored as a mirror image"
    width, height = turned_size((width_px, height_px), -turns)
    if facts.pixel_width and facts.pixel_height:
        stated = facts.pixel_width / facts.pixel_height
        if abs(math.log(width_px / height_px / stated)) > SAME_SHAPE:
            return (
                f"the picture was cropped to {width_px} x {height_px} px from the "
                f"{facts.pixel_width} x {facts.pixel_height} px that the camera took"
            )
    if abs(math.log(width / height * profile.height_px / profile.width_px)) > SAME_SHAPE:
        return (
            f"the picture of {width} x {height} px is no whole frame of the camera's "
            f"{profile.width_px} x {profile.height_px} px (another shape, a crop, or turned without a note of it)"
        )
    return ""


def _prior(profile: CameraProfile, facts: CameraFacts, width_px: int, height_px: int) -> Prior:
    turns = quarter_turns(facts.orientation) or 0
    size = turned_size((width_px, height_px), -turns)
    factor = size[0] / profile.width_px
    pixels = np.array([1.0, 1.0, 1.0, factor, factor])
    covariance = turned_covariance(np.array(profile.covariance) * np.outer(pixels, pixels), turns)
    diagonal = float(np.hypot(*size))
    return Prior(
        turned_camera(scaled_camera(profile.camera, factor), size, turns),
        u_log_f=float(covariance[0, 0] ** 0.5),
        u_k1=float(covariance[1, 1] ** 0.5),
        u_k2=float(covariance[2, 2] ** 0.5),
        u_centre=float(covariance[[3, 4], [3, 4]].max() ** 0.5) / diagonal,
        source=f"camera profile {profile.name!r}",
        covariance=tuple(tuple(float(value) for value in row) for row in covariance),
    )


def make_profile(name: str, solution: LensSolution, facts: Sequence[CameraFacts]) -> CameraProfile:
    """Tie a solved lens to the camera that the photographs name.

    Parameters
    ----------
    name : str
        What the user calls it.
    solution : LensSolution
        The solved lens.
    facts : sequence of CameraFacts
        What the photographs say about their camera; see `refuse_mixed`.
    """
    first, used = facts[0], [view for view in solution.views if view.used]
    camera = solution.camera
    return CameraProfile(
        name=name,
        make=first.make,
        model=first.model,
        lens=first.lens,
        focal_mm=first.focal_mm,
        f35_mm=first.f35_mm,
        digital_zoom=first.digital_zoom,
        width_px=solution.size[0],
        height_px=solution.size[1],
        f_px=camera.f_px,
        cx_px=camera.cx_px,
        cy_px=camera.cy_px,
        k1=camera.k1,
        k2=camera.k2,
        p1=camera.p1,
        p2=camera.p2,
        covariance=tuple(tuple(float(value) for value in row) for row in solution.working_covariance()),
        photos=len(used),
        rms_px=solution.rms_px,
        nearest_mm=min(view.distance_mm for view in used),
        furthest_mm=max(view.distance_mm for view in used),
    )


def refuse_mixed(names: Sequence[str], facts: Sequence[CameraFacts], sizes: Sequence[tuple[int, int]]) -> None:
    """Refuse photographs that were not all taken with one lens at one zoom and stored whole.

    Parameters
    ----------
    names : sequence of str
        The photographs.
    facts : sequence of CameraFacts
        What each says about its camera.
    sizes : sequence of (int, int)
        Width and height of each upright picture.

    Raises
    ------
    MixedCameras
    """

    def identity(one: CameraFacts, size: tuple[int, int]) -> dict[str, object]:
        turns = quarter_turns(one.orientation)
        return {
            "camera": " ".join(part for part in (one.make, one.model) if part) or None,
            "lens": one.lens,
            "focal length": one.focal_mm,
            "35 mm equivalent": one.f35_mm,
            "digital zoom": one.digital_zoom or 1.0,
            "picture size": None if turns is None else turned_size(size, -turns),
        }

    first = identity(facts[0], sizes[0])
    for name, one, size in zip(names, facts, sizes, strict=True):
        for what, value in identity(one, size).items():
            if value != first[what]:
                raise MixedCameras(
                    f"the photos differ in {what}: {_said(first[what])} in {names[0]}, {_said(value)} in {name}",
                    "photos from one lens at one zoom, all whole pictures of the same size",
                    "use the main camera at 1x for all of them, in the same mode, and don't crop",
                )
        width, height = one.pixel_width, one.pixel_height
        if width and height and abs(math.log(size[0] / size[1] * height / width)) > SAME_SHAPE:
            raise MixedCameras(
                f"{name} was cropped to {size[0]} x {size[1]} px from {width} x {height} px",
                "whole pictures, as the camera stores them",
                "use the photos as they come from the camera",
            )


def _said(value: object) -> str:
    if value is None:
        return "not stated"
    return f"{value[0]} x {value[1]} px" if isinstance(value, tuple) else f"{value}"
