"""Opening a photo: its file, what is known of its camera, and the printed square in it.

Every measuring command begins so. Nothing is measured here.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rimsight.calibration.pose import Prior
    from rimsight.calibration.print_check import PrintCheck
    from rimsight.calibration.profile_match import ProfileMatch
    from rimsight.calibration.square import Calibration
    from rimsight.cli.measure_inputs import Inputs
    from rimsight.vision.exif import FocalHint
    from rimsight.vision.photo import Photo


@dataclass(frozen=True)
class Opened:
    """A photo whose square was read.

    Parameters
    ----------
    photo : Photo
        The photograph.
    hint : FocalHint
        What the file says about the focal length.
    match : ProfileMatch
        The camera's profile, or why none is applied.
    prior : Prior
        What was known of the camera beforehand.
    checks : mapping of side to PrintCheck, or PrintCheck
        Measured check lines that could have been used.
    calibration : Calibration
        Its geometry.
    """

    photo: Photo
    hint: FocalHint
    match: ProfileMatch
    prior: Prior
    checks: dict[float, PrintCheck] | PrintCheck
    calibration: Calibration

    @property
    def camera(self) -> dict[str, Any] | None:
        """The camera profile that was applied, as plain JSON."""
        return camera_json(self.match)

    @property
    def check(self) -> PrintCheck | None:
        """The measured check lines that were used."""
        return used_check(self.checks, self.calibration)


def open_photo(inputs: Inputs, path: Path) -> Opened:
    """Load a photo and read its square.

    Parameters
    ----------
    inputs : Inputs
        What was typed.
    path : Path
        The photo's file.

    Raises
    ------
    PhotoError
        It is no photo that can be read, or its square can't be.
    ValueError
        A named card or camera that isn't known, or doesn't fit.
    OSError
        The file can't be read.
    """
    from rimsight.calibration.profile_match import match_profile
    from rimsight.calibration.square import read_square
    from rimsight.vision.photo import camera_hint, load_photo

    checks = checks_of(inputs)
    photo = load_photo(path)
    hint = camera_hint(photo)
    match = match_profile(photo.exif, photo.light.width_px, photo.light.height_px, name=inputs.camera)
    if inputs.camera is not None and match.prior is None:
        raise ValueError(f"--camera {inputs.camera}: {match.reason}")
    prior = prior_of(photo, hint, match, inputs)
    calibration = read_square(photo.light, prior, check=checks, square_side_mm=inputs.square_side_mm)
    return Opened(photo, hint, match, prior, checks, calibration)


def prior_of(photo: Photo, hint: FocalHint, match: ProfileMatch, inputs: Inputs) -> Prior:
    """What is known of the camera: its profile, else what the file says; and the typed distance."""
    from dataclasses import replace

    from rimsight.calibration.pose import prior_for

    prior = prior_for(
        photo.light.width_px,
        photo.light.height_px,
        f_px=hint.f_px,
        u_rel_f=hint.u_rel or 0.0,
        distance_mm=inputs.camera_distance_mm,
        source=hint.source,
    )
    if match.prior is None:
        return prior
    return replace(match.prior, distance_mm=prior.distance_mm, u_distance_mm=prior.u_distance_mm)


def checks_of(inputs: Inputs) -> dict[float, PrintCheck] | PrintCheck:
    """Measured check lines: typed with the call, of the named card, or the newest on record for each size of card."""
    if inputs.check is not None:
        return inputs.check
    if inputs.square_side_mm is not None:
        return {}
    from rimsight.calibration.print_check import default_path, load_checks

    known = load_checks(default_path())
    if inputs.card is None:
        return {check.side_mm: check for check in known.values()}
    if inputs.card not in known:
        names = ", ".join(repr(name) for name in known) or "none yet"
        raise ValueError(f"--card: no printed card named {inputs.card!r} is on record; known: {names}")
    return known[inputs.card]


def camera_json(match: ProfileMatch) -> dict[str, Any] | None:
    """The camera profile that was applied, as plain JSON."""
    from dataclasses import asdict

    return None if match.prior is None or match.profile is None else asdict(match.profile)


def used_check(checks: dict[float, PrintCheck] | PrintCheck, calibration: Calibration) -> PrintCheck | None:
    """The measured check lines that were used of those that could have been."""
    if not calibration.reference.checked or calibration.reference.plain:
        return None
    return checks.get(calibration.reference.side_mm) if isinstance(checks, dict) else checks
