"""A check-up from its photos to its outcome: which photos belong together, what each of them reads, what follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rimsight.calibration.errors import PhotoError
from rimsight.cli.arrivals import is_picture
from rimsight.cli.measure_inputs import Inputs, read_inputs

if TYPE_CHECKING:
    from rimsight.calibration.checkup_store import CheckUp
    from rimsight.calibration.edge_bias import Outcome, Trial
    from rimsight.cli.measuring import Measurement

#: Uncertainty (95 %) of a figure typed without one: the limit of error of a micrometer to 25 mm (DIN 863), 4 um.
MICROMETER_MM = 0.004
#: More photos than this take longer than anybody waits.
MOST_PHOTOS = 100


class TooFewReadings(PhotoError):
    """Too few of the photos could be read to tell a spread."""

    kind = "too_few_readings"


class MixedSetUps(PhotoError):
    """The photos were not all taken by one camera of one card."""

    kind = "mixed_set_ups"


class BoreNotRead(PhotoError):
    """The bore's edge was not found."""

    kind = "bore_not_read"


@dataclass(frozen=True)
class Plan:
    """What is to be done.

    Parameters
    ----------
    photos : tuple of (str, Path)
        Placing and file.
    inputs : Inputs
        For measuring each of them, as a tube.
    diameter_mm, u95_mm : float
        The part's figure.
    edge : str
        "outer" or "bore".
    name : str or None
        What to call it.
    """

    photos: tuple[tuple[str, Path], ...]
    inputs: Inputs
    diameter_mm: float
    u95_mm: float
    edge: str
    name: str | None


@dataclass(frozen=True)
class Done:
    """What came of it.

    Parameters
    ----------
    outcome : Outcome
        The statistics.
    record : CheckUp
        What is kept.
    refused : tuple of (str, str)
        Photos that could not be read, and why.
    """

    outcome: Outcome
    record: CheckUp
    refused: tuple[tuple[str, str], ...]


def planned(paths: Sequence[Path], typed: Mapping[str, Any], shared: Mapping[str, Any]) -> Plan:
    """Read the call before any photo is opened.

    Parameters
    ----------
    paths : sequence of Path
        Folders, one for each placing, or photos in order.
    typed : mapping
        The command's own inputs: diameter, u95, edge, length, per_placing, name.
    shared : mapping
        The measuring options that were typed.

    Raises
    ------
    ValueError
        Something is missing or contradicts itself.
    OSError
        A folder or file is not there.
    """
    from rimsight.calibration.checkup_store import EDGES
    from rimsight.cli.values import length_mm

    if typed["diameter"] is None:
        raise ValueError("type the part's diameter: --diameter 6.000")
    if typed["edge"] not in EDGES:
        raise ValueError(f"--edge: there are {' and '.join(EDGES)}, not {typed['edge']!r}")
    if "square_side" in shared:
        raise ValueError("a check-up needs the printed card: a plain square's edges are read with a bias of their own")
    diameter = length_mm(typed["diameter"], "--diameter")
    u95 = MICROMETER_MM if typed["u95"] is None else length_mm(typed["u95"], "--u95")
    if u95 > diameter / 10:
        raise ValueError(f"--u95: a part known to {u95:g} mm of {diameter:g} mm proves nothing")
    inputs = read_inputs("tube", {**shared, "length": typed["length"]})
    photos = placed(paths, typed["per_placing"])
    placings = [placing for placing, _ in photos]
    if len(set(placings)) < 2 or len(placings) == len(set(placings)):
        raise ValueError(
            f"{len(photos)} photos of {len(set(placings))} placings tell no spread: two placings are needed at least, "
            "and one with two photos; three placings of three photos are a good number"
        )
    if len(photos) > MOST_PHOTOS:
        raise ValueError(f"{len(photos)} photos are too many: {MOST_PHOTOS} at most")
    return Plan(tuple(photos), inputs, diameter, u95, typed["edge"], typed["name"])


def placed(paths: Sequence[Path], per_placing: int | None) -> list[tuple[str, Path]]:
    """Say of each photo which placing it belongs to.

    Parameters
    ----------
    paths : sequence of Path
        Folders with pictures, each a placing (or folders of such), or photos in order.
    per_placing : int or None
        So many photos in a row are one placing, where photos are named.

    Raises
    ------
    ValueError
        It can't be told; a photo is named twice.
    FileNotFoundError
        A folder or file is not there.
    """
    for path in paths:
        if not path.exists():
            raise FileNotFoundError(2, "there is no such file or folder", str(path))
    folders = [path for path in paths if path.is_dir()]
    if folders and len(folders) < len(paths):
        raise ValueError("name folders or photos, not both: a folder is one placing")
    if folders:
        if per_placing is not None:
            raise ValueError("--per-placing is for photos named one by one; a folder is one placing")
        photos = [found for folder in folders for found in _in_folder(folder)]
    elif per_placing is None:
        raise ValueError(
            "say how many photos in a row are one placing (--per-placing 3), or name a folder for each placing"
        )
    elif len(paths) % per_placing:
        raise ValueError(f"{len(paths)} photos can't be parted into placings of {per_placing}")
    else:
        photos = [(str(k // per_placing + 1), path) for k, path in enumerate(paths)]
    if len({path.resolve() for _, path in photos}) < len(photos):
        raise ValueError("the same photo is named twice")
    return photos


def _in_folder(folder: Path) -> list[tuple[str, Path]]:
    """Pictures of a folder, as one placing; of its folders, where it has none itself, each as one."""
    own = sorted(path for path in folder.iterdir() if path.is_file() and is_picture(path))
    if own:
        return [(folder.name or str(folder.resolve().name), path) for path in own]
    inner = sorted(path for path in folder.iterdir() if path.is_dir() and not path.name.startswith("."))
    found = [(one.name, path) for one in inner for _, path in _in_folder(one)]
    if not found:
        raise ValueError(f"there is no picture in {folder}")
    return found


def carried_out(plan: Plan) -> Done:
    """Measure all photos and compare them with the part's figure.

    Raises
    ------
    PhotoError
        Too few photos can be read, or they don't belong together.
    OSError
        A file can't be read.
    """
    from rimsight.calibration.edge_bias import analyse
    from rimsight.cli.measuring import measure

    trials: list[Trial] = []
    refused: list[tuple[str, str]] = []
    first: Measurement | None = None
    for placing, path in plan.photos:
        try:
            measured = measure(plan.inputs, path, check_ups=False)
            trials.append(trial_of(measured, plan.edge, placing))
        except PhotoError as failure:
            refused.append((path.name, failure.found))
            continue
        if first is None:
            first = measured
        refuse_mixed(first, measured)
    placings = {trial.placing for trial in trials}
    if first is None or len(placings) < 2 or len(trials) == len(placings):
        why = "; ".join(f"{name}: {found}" for name, found in refused[:3])
        raise TooFewReadings(
            f"only {len(trials)} of {len(plan.photos)} photos could be read" + (f" ({why})" if why else ""),
            "readings of two placings, one of them with a repeat",
            "look at one of the refused photos with rimsight tube, and photograph again",
        )
    outcome = analyse(trials, plan.diameter_mm, plan.u95_mm)
    return Done(outcome, record_of(plan, outcome, first), tuple(refused))


def trial_of(measured: Measurement, edge: str, placing: str) -> Trial:
    """What one photo adds to a check-up.

    Raises
    ------
    BoreNotRead
        The bore is asked for and was not found.
    """
    from rimsight.calibration.edge_bias import Trial
    from rimsight.calibration.uncertainty import from_ufloat
    from rimsight.cli.result import edges_of
    from rimsight.vision.edge_correction import FOCAL, PRINT_SCALE
    from rimsight.vision.reading import METAL_EDGE_U_PX

    reading: Any = measured.reading
    figure = getattr(reading, edge)
    if figure is None:
        raise BoreNotRead(
            "no inner edge was found", "a ring whose bore's edge stands out", "turn the light so that the bore is dark"
        )
    found = from_ufloat(figure)
    signed = {
        key: figure.derivatives.get(reading.influences.known(key), 0.0)
        for key in (PRINT_SCALE[0], FOCAL[0], f"{edge} edge", f"{edge} fit")
    }
    others = found.u**2 - sum(change**2 for change in signed.values())
    return Trial(
        photo=measured.photo.path.name,
        placing=placing,
        value_mm=found.value,
        u95_mm=found.u95,
        px_per_mm=edges_of(measured)[edge].px_per_mm,
        print_scale_mm=signed[PRINT_SCALE[0]],
        focal_mm=signed[FOCAL[0]],
        other_mm=max(others, 0.0) ** 0.5,
        default_px=METAL_EDGE_U_PX,
        u_rel_f=measured.calibration.u_rel_f,
    )


def refuse_mixed(first: Measurement, other: Measurement) -> None:
    """Refuse photos by different cameras or of different cards.

    Raises
    ------
    MixedSetUps
        With what differs.
    """
    reference = other.calibration.reference
    scales = (reference.scale_across, reference.scale_down)
    own = first.calibration.reference
    camera = ("make", "model", "lens", "focal_mm", "f35_mm", "digital_zoom")
    facts = [tuple(getattr(one.photo.exif, name) for name in camera) for one in (first, other)]
    same_card = (own.name, own.side_mm, own.scale_across, own.scale_down) == (
        reference.name,
        reference.side_mm,
        *scales,
    )
    if facts[0] != facts[1] or not same_card:
        what = "cards" if facts[0] == facts[1] else "cameras or zooms"
        raise MixedSetUps(
            f"{first.photo.path.name} and {other.photo.path.name} differ in their {what}",
            "photos by one camera at one zoom, of one card",
            "make a check-up for each of them",
        )


def record_of(plan: Plan, outcome: Outcome, first: Measurement) -> CheckUp:
    """What is kept of a check-up."""
    from dataclasses import replace
    from datetime import UTC, datetime

    from rimsight.calibration.checkup_store import CheckUp

    exif, reference, spread = first.photo.exif, first.calibration.reference, outcome.spread
    now = datetime.now(UTC).isoformat(timespec="seconds")
    camera = " ".join(part for part in (exif.make, exif.model) if part) or "unnamed camera"
    obstacle = outcome.obstacle
    if not reference.checked:
        obstacle = obstacle or "the card's lines were not measured: type them once with rimsight card check"
    if exif.model is None:
        obstacle = obstacle or "the photos don't name their camera, so no later photo could be told to be by it"
    record = CheckUp(
        name=plan.name or f"{camera[:60]}, {reference.name[:25]}, {plan.edge}",
        edge=plan.edge,
        diameter_mm=outcome.diameter_mm,
        u95_diameter_mm=outcome.u95_diameter_mm,
        make=exif.make,
        model=exif.model,
        lens=exif.lens,
        focal_mm=exif.focal_mm,
        f35_mm=exif.f35_mm,
        digital_zoom=exif.digital_zoom,
        card=reference.name,
        side_mm=reference.side_mm,
        scale_across=reference.scale_across,
        scale_down=reference.scale_down,
        photos=len(outcome.trials),
        placings=spread.groups,
        held=outcome.held,
        bias_mm=outcome.bias_mm,
        u95_bias_mm=outcome.u95_bias_mm,
        s_r_mm=spread.s_r,
        s_l_mm=spread.s_l,
        s_R_mm=spread.s_R,
        largest_e_n=outcome.largest_e_n,
        bias=None,
        obstacle=obstacle,
        date=now,
    )
    if obstacle:
        return record
    source = f"the check-up of {now[:10]} ({outcome.diameter_mm:g} mm, {len(outcome.trials)} photos)"
    return replace(record, bias=outcome.edge_bias(plan.edge, source))
