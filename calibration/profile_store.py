"""Camera profiles on file: what was solved, and which lens of which camera it belongs to."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from rimsight.calibration.camera import Camera
from rimsight.calibration.files import home_folder, read_records, write_records

FILE_VERSION = 1


@dataclass(frozen=True)
class CameraProfile:
    """A solved lens with what it belongs to.

    Parameters
    ----------
    name : str
        What the user calls it.
    make, model, lens : str or None
        As the camera writes them.
    focal_mm, f35_mm, digital_zoom : float or None
        Focal length, its 35 mm equivalent and digital zoom of the photographs.
    width_px, height_px : int
        Size of the sensor's frame.
    f_px, cx_px, cy_px, k1, k2, p1, p2 : float
        The lens, sensor's frame.
    covariance : tuple of 5 tuples of 5 floats
        Of log f, k1, k2, cx, cy for other photographs of this camera.
    photos : int
        How many photographs it rests on.
    rms_px : float
        Root mean square residual.
    nearest_mm, furthest_mm : float
        Distances of the photographs.
    date : str
        When it was made, ISO 8601 in UTC.
    """

    name: str
    make: str | None
    model: str | None
    lens: str | None
    focal_mm: float | None
    f35_mm: float | None
    digital_zoom: float | None
    width_px: int
    height_px: int
    f_px: float
    cx_px: float
    cy_px: float
    k1: float
    k2: float
    p1: float
    p2: float
    covariance: tuple[tuple[float, ...], ...]
    photos: int
    rms_px: float
    nearest_mm: float
    furthest_mm: float
    date: str = ""

    def __post_init__(self) -> None:
        """Refuse what can be no profile."""
        if not self.name.strip() or len(self.name) > 100 or not self.name.isprintable():
            raise ValueError(f"the name of a camera must be 1 to 100 printable characters, not {self.name[:100]!r}")
        matrix = np.array(self.covariance, dtype=np.float64)
        if matrix.shape != (5, 5) or not np.isfinite(matrix).all() or np.linalg.eigvalsh(matrix).min() <= 0:
            raise ValueError("the covariance of a camera profile must be 5 x 5 and positive definite")
        figures = (self.f_px, self.cx_px, self.cy_px, self.k1, self.k2, self.p1, self.p2, self.rms_px)
        if not all(math.isfinite(value) for value in figures) or not self.f_px > 0:
            raise ValueError("the figures of a camera profile must be finite, the focal length above zero")
        if self.width_px < 1 or self.height_px < 1:
            raise ValueError(f"a camera's frame can't be {self.width_px} x {self.height_px} px")

    @property
    def camera(self) -> Camera:
        """The lens in the sensor's frame."""
        return Camera(self.f_px, self.cx_px, self.cy_px, self.k1, self.k2, self.p1, self.p2)

    @property
    def u_log_f(self) -> float:
        """Relative standard uncertainty of the focal length for another photograph."""
        return float(self.covariance[0][0] ** 0.5)


def default_path() -> Path:
    """Return the file of profiles: `cameras.json` in the user's folder."""
    return home_folder() / "cameras.json"


def load_profiles(path: Path) -> dict[str, CameraProfile]:
    """Read all profiles, by name, the oldest first; none if there is no file.

    Raises
    ------
    ValueError
        The file is broken, is no file of profiles, or was written by a newer version. A profile is never passed over
        in silence: without it the photographs would measure differently.
    OSError
        The file can't be read.
    """
    cameras = read_records(
        path, "cameras", FILE_VERSION, what="camera profiles", again="rimsight camera profile"
    )
    return {name: _profile_of(name, record, path) for name, record in cameras.items()}


def _profile_of(name: str, record: Any, path: Path) -> CameraProfile:
    try:
        if not isinstance(record, Mapping):
            raise TypeError("it is no object")
        known = {key: record[key] for key in CameraProfile.__dataclass_fields__ if key != "name"}
        known["covariance"] = tuple(tuple(float(value) for value in row) for row in known["covariance"])
        for key in ("make", "model", "lens"):
            if known[key] is not None and not isinstance(known[key], str):
                raise TypeError(f"{key} is no text")
        for key in ("f_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "rms_px", "nearest_mm", "furthest_mm"):
            known[key] = float(known[key])
        for key in ("focal_mm", "f35_mm", "digital_zoom"):
            known[key] = None if known[key] is None else float(known[key])
        for key in ("width_px", "height_px", "photos"):
            known[key] = int(known[key])
        return CameraProfile(name=name, **known)
    except (KeyError, TypeError, ValueError, OverflowError) as failure:
        reason = f"{failure.args[0]} is missing" if isinstance(failure, KeyError) else failure
        raise ValueError(
            f"the camera profile {name!r} in {path} is broken ({reason}); take it out of the file and make it again"
        ) from failure


def save_profile(path: Path, profile: CameraProfile) -> CameraProfile:
    """Add a profile to the file, in place of one with the same name.

    Returns
    -------
    CameraProfile
        As stored: with the time, if it had none.

    Raises
    ------
    ValueError
        The file that is there is broken; it is left as it is.
    OSError
        The file can't be written.
    """
    if not profile.date:
        profile = replace(profile, date=datetime.now(UTC).isoformat(timespec="seconds"))
    profiles = load_profiles(path)
    profiles.pop(profile.name, None)
    profiles[profile.name] = profile
    _write(path, profiles)
    return profile


def remove_profile(path: Path, name: str) -> CameraProfile:
    """Take a profile off the file and return it.

    Raises
    ------
    ValueError
        There is none of that name, or the file is broken.
    """
    profiles = load_profiles(path)
    if name not in profiles:
        known = ", ".join(repr(one) for one in profiles) or "none yet"
        raise ValueError(f"no camera named {name!r} is on record; known: {known}")
    removed = profiles.pop(name)
    _write(path, profiles)
    return removed


def _write(path: Path, profiles: Mapping[str, CameraProfile]) -> None:
    cameras = {name: {k: v for k, v in asdict(one).items() if k != "name"} for name, one in profiles.items()}
    write_records(path, "cameras", FILE_VERSION, cameras)
