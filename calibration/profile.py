"""A camera's profile from photographs of the card at different tilts: one lens for all of them, and how well known.

A profile replaces the guess about focal length and lens. It belongs to one lens at one zoom of one camera, is kept in
the sensor's frame and carries the covariance of what was solved, widened by what a phone changes between photographs
(focus, stabiliser).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rimsight.calibration.bundle import SHARED, Bundle, solve_bundle
from rimsight.calibration.camera import Camera, View
from rimsight.calibration.errors import PhotoError
from rimsight.calibration.pixels import FloatArray
from rimsight.calibration.sight import Sight

#: Fewer views leave focal length and principal point to chance; more than a dozen add nothing but work.
LEAST_VIEWS = 4
#: A view fits badly if its residual is this many times the median view's, and this many pixels.
POOR_RATIO, POOR_PX = 2.5, 0.25
#: Standard uncertainties that a profile must reach: of log f, and of the principal point as a share of the diagonal.
LARGEST_U_LOG_F, LARGEST_U_CENTRE = 0.01, 0.01
#: Phones focus by moving the lens: between 120 and 250 mm a lens of 5 mm changes its image distance by 2 %, whole
#: range, so 0.6 % standard uncertainty (thin lens, f / (1 - f / Z)); and a stabiliser shifts it sideways (judgement).
REFOCUS_U = 0.006
SHIFT_U = 0.0015

#: Least tilt of a view that tells the focal length, and how near to straight a view from above must be.
TILTED_DEG, STRAIGHT_DEG = 10.0, 7.0
#: A set's largest distance over its smallest, and how far out from the picture's middle the frame should reach once, as
#: a share of the diagonal: the lens shows most there.
DISTANCE_RATIO, LEAST_REACH = 1.2, 0.3
#: Words for the direction in which the card comes nearer to the camera, by quarter turns from the picture's right.
NEARER = ("right", "bottom", "left", "top")


class ViewsTooAlike(PhotoError):
    """The photographs don't differ enough to tell the lens from the pose."""

    kind = "views_too_alike"


class TooFewViews(PhotoError):
    """Not enough usable photographs of the card."""

    kind = "too_few_views"


class MixedCards(PhotoError):
    """The photographs show more than one card; each print has its own proportions."""

    kind = "mixed_cards"


@dataclass(frozen=True)
class ViewReport:
    """One photograph in a profile.

    Parameters
    ----------
    photo : str
        Its name.
    used : bool
        It is part of the solution.
    problem : str
        Why it is not, or empty.
    tilt_deg, distance_mm : float
        Tilt of the card and distance of the camera; NaN where the card was not read.
    nearer : str
        Which side of the picture is nearer to the card, for a tilted view; else "straight".
    rms_px : float
        Root mean square residual; NaN where not used.
    """

    photo: str
    used: bool
    problem: str
    tilt_deg: float = float("nan")
    distance_mm: float = float("nan")
    nearer: str = ""
    rms_px: float = float("nan")


@dataclass(frozen=True)
class LensSolution:
    """What a set of photographs says about a lens.

    Parameters
    ----------
    camera : Camera
        Intrinsic parameters, sensor frame.
    size : (int, int)
        Width and height of the sensor's frame.
    covariance : ndarray of shape (5, 5)
        Of log f, k1, k2, principal point x, y, as solved (p1 and p2 held).
    views : tuple of ViewReport
        One of each photograph, the refused ones too.
    rms_px : float
        Root mean square residual of all used views.
    missing : tuple of str
        Photographs that would make it better, in words.
    """

    camera: Camera
    size: tuple[int, int]
    covariance: FloatArray
    views: tuple[ViewReport, ...]
    rms_px: float
    missing: tuple[str, ...]

    @property
    def u_log_f(self) -> float:
        """Relative standard uncertainty of the focal length, as solved."""
        return float(self.covariance[0, 0] ** 0.5)

    def working_covariance(self) -> FloatArray:
        """The covariance for other photographs: with refocusing and the stabiliser."""
        shift = SHIFT_U * float(np.hypot(*self.size))
        return np.asarray(self.covariance + np.diag([REFOCUS_U, 0.0, 0.0, shift, shift]) ** 2)


def solve_lens(
    sights: Sequence[Sight], *, refused: Sequence[ViewReport] = (), start: Camera | None = None
) -> LensSolution:
    """Solve the lens from the card as seen in several photographs.

    Parameters
    ----------
    sights : sequence of Sight
        Photographs in which the card was read.
    refused : sequence of ViewReport
        Photographs in which it was not, for the report.
    start : Camera, optional
        Where to start; default the median of what the photographs say by themselves.

    Raises
    ------
    TooFewViews, ViewsTooAlike
        With what is missing.
    MixedCards
        They don't all show the same card.
    ValueError
        The photographs differ in size.
    """
    references = {sight.calibration.reference for sight in sights}
    if len(references) > 1:
        raise MixedCards(
            "the photos show different cards: " + " and ".join(sorted(one.name for one in references)),
            "one and the same card in all photos",
            "leave the photos of the other card out",
        )
    if len({sight.size for sight in sights}) > 1:
        sizes = ", ".join(sorted({f"{s.size[0]} x {s.size[1]}" for s in sights}))
        raise ValueError(f"all photos of a profile must have the same size, found {sizes}")
    used = list(sights)
    reports = list(refused)
    while True:
        if len(used) < LEAST_VIEWS:
            raise _too_few(used, reports)
        size = used[0].size
        camera = start or _typical(used)
        bundle = solve_bundle(
            [sight.seen for sight in used],
            [sight.start(camera) for sight in used],
            size_px=size,
            # Both lines of the print were measured alike; their ratio is what the views have to agree on.
            u_proportion=2**0.5 * used[0].calibration.reference.u_scale,
        )
        worst = _worst(bundle)
        if worst is None:
            break
        reports.append(_report(used.pop(worst), bundle.views[worst], problem=_misfit(bundle, worst)))
    covariance = _held_tangential(bundle.covariance)
    views = [_report(s, v, rms_px=r) for s, v, r in zip(used, bundle.views, bundle.rms_px, strict=True)]
    missing = tuple(missing_views(used, bundle.views))
    u_log_f, u_centre = covariance[0, 0] ** 0.5, covariance[[3, 4], [3, 4]].max() ** 0.5 / np.hypot(*size)
    if u_log_f > LARGEST_U_LOG_F or u_centre > LARGEST_U_CENTRE:
        tilts = ", ".join(f"{view.tilt_deg:.0f}" for view in bundle.views)
        raise ViewsTooAlike(
            f"the photos are too much alike (tilts {tilts} degrees): the focal length is only known to "
            f"{100 * u_log_f:.1f} %, the lens's centre to {100 * u_centre:.1f} % of the picture",
            f"{100 * LARGEST_U_LOG_F:.0f} % each (standard uncertainty)",
            "; ".join(missing) if missing else "tilt the phone more, 20 to 30 degrees, to each of its four sides",
        )
    return LensSolution(
        camera=bundle.camera,
        size=size,
        covariance=covariance,
        views=tuple(sorted([*views, *reports], key=lambda view: view.photo)),
        rms_px=float(np.sqrt(np.mean(np.square(bundle.rms_px)))),
        missing=missing,
    )


def _typical(sights: Sequence[Sight]) -> Camera:
    """A start: the picture's centre, no distortion, the median focal length of the readings one by one."""
    width, height = sights[0].size
    f_px = float(np.median([sight.calibration.view.camera.f_px for sight in sights]))
    return Camera(f_px, (width - 1) / 2.0, (height - 1) / 2.0)


def _held_tangential(covariance: FloatArray) -> FloatArray:
    """Covariance of (log f, k1, k2, cx, cy) with p1 and p2 held at their solution.

    A shift of the principal point and tangential distortion make nearly the same picture; what the one is uncertain
    by, the other makes good. Photographs are read with p1 and p2 as solved, so only the rest may vary.
    """
    order = [SHARED.index(name) for name in ("log f", "k1", "k2", "cx", "cy", "p1", "p2")]
    information = np.linalg.inv(covariance[np.ix_(order, order)])
    return np.asarray(np.linalg.inv(information[:5, :5]))


def _worst(bundle: Bundle) -> int | None:
    rms = np.array(bundle.rms_px)
    worst = int(rms.argmax())
    others = np.delete(rms, worst)
    return worst if rms[worst] > max(POOR_RATIO * float(np.median(others)), POOR_PX) else None


def _misfit(bundle: Bundle, index: int) -> str:
    others = float(np.median(np.delete(np.array(bundle.rms_px), index)))
    return (
        f"does not fit the others ({bundle.rms_px[index]:.2f} px, the others {others:.2f} px): the card was bent, "
        "the phone moved, or the zoom was another"
    )


def nearer_side(view: View, turns: int = 0) -> str:
    """Which side of the upright picture is nearer to the card, or "straight".

    Parameters
    ----------
    view : View
        In the sensor's frame.
    turns : int
        Quarter turns clockwise from there to the upright picture.
    """
    if view.tilt_deg < STRAIGHT_DEG:
        return "straight"
    # The card's normal in camera coordinates points away from the camera; where it leans to the right, the right
    # side of the card is nearer.
    normal = view.rotation[:, 2]
    return NEARER[(int(np.round(np.degrees(np.arctan2(normal[1], normal[0])) / 90.0)) + turns) % 4]


def missing_views(sights: Sequence[Sight], views: Sequence[View]) -> list[str]:
    """Photographs that would make a set better, in words for the person with the phone.

    Parameters
    ----------
    sights : sequence of Sight
        Photographs so far.
    views : sequence of View
        Their poses, in the sensor's frame.
    """
    # Directions are counted in the sensor's frame and told in the frame that most photographs are stored in.
    turns = max({sight.turns for sight in sights}, key=[sight.turns for sight in sights].count)
    tilted = {nearer_side(view, turns) for view in views if view.tilt_deg >= TILTED_DEG}
    lacking = [side for side in NEARER if side not in tilted]
    wanted = []
    if lacking:
        sides = " and one with the ".join(f"{side} edge" for side in lacking)
        wanted.append(f"a photo with the {sides} of the picture nearer to the card, the phone tilted 20 to 30 degrees")
    if not any(view.tilt_deg < TILTED_DEG for view in views):
        wanted.append("a photo from straight above")
    distances = [float(np.linalg.norm(view.t_mm)) for view in views]
    if max(distances) < DISTANCE_RATIO * min(distances):
        further = 1.4 * float(np.median(distances))
        wanted.append(f"a photo from about {10 * round(further / 10)} mm away, the others are all equally near")
    width, height = sights[0].size
    reach = max(float(np.linalg.norm(sight.corners_px - (width / 2, height / 2), axis=1).max()) for sight in sights)
    if reach < LEAST_REACH * float(np.hypot(width, height)):
        wanted.append("a photo with the card larger, or out towards a corner of the picture")
    return wanted


def _report(sight: Sight, view: View, *, rms_px: float = float("nan"), problem: str = "") -> ViewReport:
    return ViewReport(
        sight.name,
        not problem,
        problem,
        view.tilt_deg,
        float(np.linalg.norm(view.t_mm)),
        nearer_side(view, sight.turns),
        rms_px,
    )


def refused_view(name: str, error: PhotoError) -> ViewReport:
    """Report a photograph in which the card was not read."""
    return ViewReport(name, False, f"{error.found}; {error.advice}")


def _too_few(used: Sequence[Sight], reports: Sequence[ViewReport]) -> TooFewViews:
    poor = [f"{report.photo}: {report.problem}" for report in reports]
    found = f"only {len(used)} of {len(used) + len(reports)} photos can be used (" + "; ".join(poor) + ")"
    if not poor:
        found = f"{len(used)} photos are too few"
    missing = missing_views(used, [sight.start(sight.calibration.view.camera) for sight in used]) if used else []
    return TooFewViews(
        found,
        f"at least {LEAST_VIEWS} sharp photos of the whole card, better 8",
        "; ".join(missing) or "photograph the card from straight above and tilted to each of the phone's four sides",
    )
