"""`rimsight camera`: make a camera's profile from photos of the card, and keep it."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rimsight.cli.failures import SCHEMA

if TYPE_CHECKING:
    from rimsight.calibration.profile import LensSolution, ViewReport
    from rimsight.calibration.profile_store import CameraProfile

GROUP_HELP = """Make the profile of a camera, so that focal length and lens need not be guessed.

Example: rimsight camera profile IMG_*.jpg --name phone
"""

PROFILE_HELP = """Make a profile from 4 to 12 photos of the card alone, and keep it.

One photo from straight above, one with the phone tilted 20 to 30 degrees towards each of its four edges, and two from
further away. Main camera at 1x, no crop. The profile is then applied by itself to photos of the same camera.

Example: rimsight camera profile IMG_0011.jpg IMG_0012.jpg IMG_0013.jpg IMG_0014.jpg IMG_0015.jpg --name phone
"""

LIST_HELP = """Show the cameras that have a profile.

Example: rimsight camera list
"""

SHOW_HELP = """Show one camera's profile.

Example: rimsight camera show phone
"""

REMOVE_HELP = """Remove a camera's profile.

Example: rimsight camera remove phone
"""

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Name = Annotated[str, typer.Argument(help="Name of the camera.")]


def register(app: typer.Typer) -> None:
    """Add the command group `camera`."""
    group = typer.Typer(rich_markup_mode=None, no_args_is_help=True, help=GROUP_HELP)

    @group.command("profile", help=PROFILE_HELP)
    def profile(
        photos: Annotated[list[Path], typer.Argument(help="Photos of the card.")],
        name: Annotated[str, typer.Option(help="Name of the camera.")],
        card: Annotated[
            str | None, typer.Option(help="Name of the print that was used. [default: the one measured last]")
        ] = None,
        dry_run: Annotated[bool, typer.Option("--dry-run", help="Show the outcome, keep nothing.")] = False,
        as_json: Json = False,
    ) -> None:
        _profile(photos, name, card, keep=not dry_run, as_json=as_json)

    @group.command("list", help=LIST_HELP)
    def show_all(as_json: Json = False) -> None:
        from rimsight.calibration.profile_store import default_path, load_profiles

        profiles = load_profiles(default_path())
        if as_json:
            _print({"cameras": [asdict(one) for one in profiles.values()]})
        elif not profiles:
            print("no camera has a profile yet; make one with: rimsight camera profile PHOTOS... --name NAME")
        for one in () if as_json else profiles.values():
            print(f"{one.name}: {_camera_of(one)}, {one.width_px} x {one.height_px} px, {one.date[:10]}")

    @group.command("show", help=SHOW_HELP)
    def show(name: Name, as_json: Json = False) -> None:
        from rimsight.calibration.profile_store import default_path, load_profiles

        profiles = load_profiles(default_path())
        if name not in profiles:
            known = ", ".join(repr(one) for one in profiles) or "none yet"
            raise ValueError(f"no camera named {name!r} is on record; known: {known}")
        if as_json:
            _print({"camera": asdict(profiles[name])})
        else:
            print("\n".join(_lines(profiles[name])))

    @group.command("remove", help=REMOVE_HELP)
    def remove(name: Name, as_json: Json = False) -> None:
        from rimsight.calibration.profile_store import default_path, remove_profile

        removed = remove_profile(default_path(), name)
        if as_json:
            _print({"removed": asdict(removed)})
        else:
            print(f"removed the profile {name!r} ({_camera_of(removed)})")

    app.add_typer(group, name="camera")


def _print(members: dict[str, Any]) -> None:
    print(json.dumps({"schema": SCHEMA, **members}, ensure_ascii=False))


def _profile(paths: list[Path], name: str, card: str | None, *, keep: bool, as_json: bool) -> None:
    from rimsight.calibration.errors import PhotoError
    from rimsight.calibration.orientation import quarter_turns
    from rimsight.calibration.pose import prior_for
    from rimsight.calibration.print_check import default_path as cards_path
    from rimsight.calibration.print_check import load_checks
    from rimsight.calibration.profile import refused_view, solve_lens
    from rimsight.calibration.profile_match import make_profile, refuse_mixed
    from rimsight.calibration.profile_store import default_path, load_profiles, save_profile
    from rimsight.calibration.sight import Sight, look_at_card
    from rimsight.vision.exif import ExifFacts, focal_hint
    from rimsight.vision.photo import load_photo

    if len({path.resolve() for path in paths}) < len(paths):
        raise ValueError("the same photo is named twice")
    load_profiles(default_path())  # a broken file is told before the work, not after it
    checks = load_checks(cards_path())
    if card is not None and card not in checks:
        known = ", ".join(repr(one) for one in checks) or "none yet"
        raise ValueError(f"no printed card named {card!r} is on record; known: {known}")
    used = [checks[card]] if card is not None else list(checks.values())
    by_side = {check.side_mm: check for check in used}

    sights: list[Sight] = []
    refused: list[ViewReport] = []
    names: list[str] = []
    facts: list[ExifFacts] = []
    sizes: list[tuple[int, int]] = []
    for path in paths:
        photo = load_photo(path)
        size = (photo.light.width_px, photo.light.height_px)
        names.append(path.name)
        facts.append(photo.exif)
        sizes.append(size)
        refuse_mixed(names, facts, sizes)
        hint = focal_hint(photo.exif, *size)
        prior = prior_for(*size, f_px=hint.f_px, u_rel_f=hint.u_rel or 0.04)
        try:
            turns = quarter_turns(photo.exif.orientation) or 0
            sights.append(look_at_card(path.name, photo.light, prior, check=by_side, turns=turns))
        except PhotoError as error:
            refused.append(refused_view(path.name, error))
    solution = solve_lens(sights, refused=refused)
    profile = make_profile(name, solution, facts)
    if keep:
        profile = save_profile(default_path(), profile)
    checked = sights[0].calibration.reference.checked
    if as_json:
        views = [{k: (None if v != v else v) for k, v in asdict(view).items()} for view in solution.views]
        _print({"camera": asdict(profile), "kept": keep, "card_checked": checked, "photos": views,
                "missing": list(solution.missing)})
        return
    print("\n".join(_table(solution)))
    print("\n".join(_lines(profile)))
    if solution.missing:
        print("better still with " + "; ".join(solution.missing))
    if profile.make is None and profile.model is None:
        print(f"the photos don't name their camera, so the profile applies only where it is asked for: --camera {name}")
    print(f"kept as {name!r}" if keep else "not kept (--dry-run)")


def _table(solution: LensSolution) -> list[str]:
    width = max(len(view.photo) for view in solution.views)
    lines = []
    for view in solution.views:
        if view.used:
            nearer = "from above" if view.nearer == "straight" else f"{view.nearer} edge nearer"
            lines.append(
                f"{view.photo:{width}}  {view.tilt_deg:4.0f} deg, {nearer:18} {view.distance_mm:5.0f} mm   "
                f"fits to {view.rms_px:.2f} px"
            )
        else:
            lines.append(f"{view.photo:{width}}  not used: {view.problem}")
    return lines


def _camera_of(profile: CameraProfile) -> str:
    camera = " ".join(part for part in (profile.make, profile.model) if part) or "a camera that the photos don't name"
    details = [profile.lens] if profile.lens else []
    if profile.focal_mm is not None:
        details.append(f"{profile.focal_mm:g} mm")
    return ", ".join([camera, *details])


def _lines(profile: CameraProfile) -> list[str]:
    u_f = 1.96 * profile.u_log_f * profile.f_px
    return [
        f"{profile.name}: {_camera_of(profile)}, {profile.width_px} x {profile.height_px} px",
        f"  focal length {profile.f_px:.0f} px +- {u_f:.0f} (95 %, with refocusing)",
        f"  lens centre {profile.cx_px:.1f}, {profile.cy_px:.1f} px; "
        f"distortion k1 {profile.k1:+.4f}, k2 {profile.k2:+.4f}",
        f"  from {profile.photos} photos at {profile.nearest_mm:.0f} to {profile.furthest_mm:.0f} mm, "
        f"fitting to {profile.rms_px:.2f} px",
    ]
