"""Whether several photos tell heights well enough, and what would: worked out for the very scene."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from rimsight.calibration.errors import PhotoError
from rimsight.cli.measure_inputs import Inputs

if TYPE_CHECKING:
    from rimsight.calibration.pose import Prior
    from rimsight.calibration.square import Calibration
    from rimsight.vision.candidates import Candidate
    from rimsight.vision.several_edges import Known
    from rimsight.vision.several_figures import SeveralReading

#: More photos than this add nothing but work.
MOST_PHOTOS = 6
#: A height known no better than this (95 %) is not worth the second photo, which is taken to know it to 0.1 mm; what
#: the advice aims at, and what it is content with where that can't be had, millimetres.
LARGEST_HEIGHT_U95_MM, WANTED_HEIGHT_U95_MM, ENOUGH_HEIGHT_U95_MM = 0.2, 0.1, 0.15
#: How much worse a girdle's height above a tube may be known for rim and diameters to be told all the same, without it
#: (95 %): 0.4 mm of height move a diameter of 6 mm, seen from 200 mm, by 0.012 mm, which its interval holds.
LARGEST_UNTOLD_U95_MM = 0.4
#: Edges are what is wrong where clear ones would leave less than this share of the uncertainty.
POOR_SHARE = 0.5
#: How well an edge's centre is located before it has been looked for, pixels (judgement).
ROUGH_CENTRE_U_PX = 0.15


class BaselineTooShort(PhotoError):
    """The photos were taken from too nearly the same place to tell a height."""

    kind = "baseline_too_short"


class HeightUnclear(PhotoError):
    """The edges are located too poorly to tell a height, though the photos were taken far enough apart."""

    kind = "height_unclear"


def _roughly(calibration: Calibration, candidate: Candidate) -> Any:
    from rimsight.calibration.baseline import Planned

    u_mm = ROUGH_CENTRE_U_PX / calibration.px_per_mm
    return Planned(*candidate.centre_mm, candidate.radius_mm, 1.0, u_mm, u_mm)


def _typed(inputs: Inputs) -> bool:
    return inputs.height_mm is not None if inputs.kind == "stone" else inputs.length_mm is not None


def refuse_short(
    inputs: Inputs, calibrations: list[Calibration], priors: list[Prior], candidate: Candidate
) -> None:
    """Refuse photos from so nearly the same place that no height can come of them, before anything is looked for."""
    from rimsight.calibration.baseline import from_views
    from rimsight.calibration.uncertainty import coverage_factor

    if _typed(inputs):
        return
    circle = _roughly(calibrations[0], candidate)
    u, _ = from_views(calibrations[0], priors[0], circle, tuple(one.view for one in calibrations))
    if coverage_factor() * u > LARGEST_HEIGHT_U95_MM:
        raise _too_short(calibrations, priors, circle, coverage_factor() * u)


def _without(read: SeveralReading, names: Collection[str], note: str) -> SeveralReading:
    """The same without heights of these names, and with a note on why they are not told."""
    reading: Any = read.reading
    return replace(
        read,
        heights={name: height for name, height in read.heights.items() if name not in names},
        reading=replace(reading, notes=(*reading.notes, note)),
    )


def _without_vague_difference(read: SeveralReading) -> SeveralReading:
    """The same without the girdle's height above the tube where that is vaguer than a height may be."""
    from rimsight.calibration.uncertainty import coverage_factor

    above = read.heights.get("girdle_above_tube")
    u95 = 0.0 if above is None else coverage_factor() * above.std_dev
    if u95 <= LARGEST_HEIGHT_U95_MM:
        return read
    note = (
        "the girdle's height above the tube is not told: by both heights together it is known to "
        f"\u00b1\u00a0{u95:.2g} mm only; photos from further apart tell it better"
    )
    return _without(read, ["girdle_above_tube"], note)


def told(
    inputs: Inputs, known: Known, calibrations: list[Calibration], priors: list[Prior], read: SeveralReading
) -> SeveralReading:
    """What may be told of a reading whose heights are uncertain; a rim without its girdle's height if need be.

    Parameters
    ----------
    inputs, known
        What was typed.
    calibrations, priors
        The photos' solved geometry, and what was known of their cameras beforehand.
    read : SeveralReading
        The figures.

    Raises
    ------
    HeightUnclear, BaselineTooShort
        A height is too uncertain: with what would tell it, computed for this very scene.
    """
    from rimsight.calibration.uncertainty import coverage_factor

    if _typed(inputs):
        return read
    u95 = {
        name: coverage_factor() * height.std_dev for name, height in read.heights.items() if name != "girdle_above_tube"
    }
    if max(u95.values(), default=0.0) <= LARGEST_HEIGHT_U95_MM:
        return _without_vague_difference(read)
    wrong = _vague(inputs, known, calibrations, priors, read, max(u95.values()) / coverage_factor())
    top_told = inputs.kind == "rim" and u95["tube_top"] <= LARGEST_HEIGHT_U95_MM
    if not (top_told and u95["girdle"] <= LARGEST_UNTOLD_U95_MM and isinstance(wrong, HeightUnclear)):
        raise wrong
    note = f"the girdle's height is not told: {wrong.found}; to have it, {wrong.advice}"
    return _without(read, ["girdle", "girdle_above_tube"], note)


def _vague(
    inputs: Inputs,
    known: Known,
    calibrations: list[Calibration],
    priors: list[Prior],
    read: SeveralReading,
    worst: float,
) -> PhotoError:
    """Why a height's standard uncertainty is so large, and what would help."""
    from rimsight.calibration.baseline import Planned, baseline_mm
    from rimsight.calibration.uncertainty import coverage_factor
    from rimsight.vision.several_edges import LEVEL
    from rimsight.vision.several_next import next_photo, with_clear_edges, worst_level

    k = coverage_factor()
    common = read.common
    solved = common.solved
    level = worst_level(solved)
    # Edges that agree less than they should are in doubt by more than the equations know.
    more = max(worst / solved.u(level), 1.0)
    words = "the stone's edge" if level == LEVEL["stone"] else "the tube's edge"
    clear = more * with_clear_edges(inputs.kind, common, known, ROUGH_CENTRE_U_PX).u(level)
    wanted = [u95 / k / more for u95 in (WANTED_HEIGHT_U95_MM, ENOUGH_HEIGHT_U95_MM)]
    step = next_photo(inputs.kind, common, known, wanted) if len(common.shots) < MOST_PHOTOS else None
    needed = f"a height known to ± {LARGEST_HEIGHT_U95_MM:g} mm"
    poor = clear < POOR_SHARE * worst
    found = (
        f"{words} shows so poorly that its height is known to ± {k * worst:.2g} mm only; at these places a clear one "
        f"would give ± {k * clear:.2g} mm"
        if poor
        else f"the photos were taken {baseline_mm(solved.views):.0f} mm from each other, which tells the height of "
        f"{words} to ± {k * worst:.2g} mm only"
    )
    kind = HeightUnclear if poor else BaselineTooShort
    if step is not None:
        count = len(common.shots)
        return kind(
            found,
            f"{needed}; one more photo would give ± {k * more * step.u_mm:.2g} mm",
            f"take one more photo, {step.move_mm / 10:.0f} cm beyond the place of {common.shots[step.beyond].name}, "
            f"away from the other{'s' if count > 2 else ''}, turned to the same spot, and name all {count + 1}",
        )
    if poor:
        option = "--height" if inputs.kind == "stone" else "--length"
        advice = f"turn the light so that {words} stands out all round, come closer, or type the height ({option})"
        return HeightUnclear(found, needed, advice)
    name = "stone" if level == LEVEL["stone"] else "outer"
    x, y, radius = (float(value) for value in solved.circles[name])
    own = max(edges[name].u_centre_mm for edges in common.edges if name in edges)
    circle = Planned(x, y, radius, solved.heights[level], own, own)
    return _too_short(calibrations, priors, circle, k * worst)


def _too_short(calibrations: list[Calibration], priors: list[Prior], circle: Any, u95_mm: float) -> BaselineTooShort:
    from rimsight.calibration.baseline import baseline_mm, furthest_move_mm, needed_move_mm
    from rimsight.calibration.uncertainty import coverage_factor

    k = coverage_factor()
    apart = baseline_mm(tuple(one.view for one in calibrations))
    needed = needed_move_mm(calibrations[0], priors[0], circle, WANTED_HEIGHT_U95_MM / k)
    found = f"the photos were taken {apart:.0f} mm from each other, which tells the height to ± {u95_mm:.2g} mm only"
    if needed is None:
        return BaselineTooShort(
            found,
            f"a height known to ± {LARGEST_HEIGHT_U95_MM:g} mm",
            f"come closer, and move the camera {furthest_move_mm(calibrations[0]) / 10:.0f} cm to the side",
        )
    move, u = needed
    return BaselineTooShort(
        found,
        f"a height known to ± {LARGEST_HEIGHT_U95_MM:g} mm; {move / 10:.0f} cm apart would give ± {k * u:.2g} mm",
        f"photograph again from {move / 10:.0f} cm to the side, the camera turned to the same spot",
    )
