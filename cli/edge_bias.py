"""Check-ups on record, found for a photo by its camera and card and applied to what was read in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from rimsight.calibration.edge_bias import EdgeBias
    from rimsight.calibration.square import Calibration
    from rimsight.vision.edge_correction import Correction
    from rimsight.vision.photo import Photo

#: The edge of each kind, as the readings call it.
_EDGES = {"outer": ("outer_edge", "tube_edge"), "bore": ("bore_edge",)}

Reading = TypeVar("Reading")


def biases_for(photo: Photo, calibration: Calibration) -> tuple[EdgeBias, ...]:
    """What the newest check-ups with this photo's camera and card say, one for each kind of edge at most.

    Raises
    ------
    ValueError
        The file of check-ups is broken.
    """
    from rimsight.calibration.checkup_store import default_path, load_checkups, that_fit

    known = load_checkups(default_path())
    reference = calibration.reference
    if not known or reference.plain or not reference.checked:
        return ()
    scales = (reference.scale_across, reference.scale_down)
    found = that_fit(known.values(), photo.exif, reference.name, reference.side_mm, scales)
    return tuple(one.bias for one in found.values() if one.bias is not None)


def corrected(reading: Reading, photo: Photo, calibration: Calibration) -> tuple[Reading, tuple[Correction, ...]]:
    """Put what check-ups say in place of the default edge bias in a reading.

    Returns
    -------
    reading : as given
        Corrected; the one that was given must not be used any more.
    corrections : tuple of Correction
        What was done.
    """
    biases = biases_for(photo, calibration)
    if not biases:
        return reading, ()
    from rimsight.vision.edge_correction import corrected as correct

    done = []
    for bias in biases:
        edges = (getattr(reading, name, None) for name in _EDGES[bias.edge])
        edge: Any = next((found for found in edges if found is not None), None)
        if edge is None:
            continue
        reading, told = correct(reading, bias, edge.px_per_mm, calibration.u_rel_f)
        if told is not None:
            done.append(told)
    return reading, tuple(done)


def words(correction: Correction) -> str:
    """Say in a sentence what a check-up did to a reading."""
    from rimsight.calibration.uncertainty import coverage_factor

    k = coverage_factor()
    where = {"outer": "outside", "bore": "bore"}[correction.edge]
    return (
        f"from {correction.source}: {where} {correction.change_mm:+.4f} mm, "
        f"\N{PLUS-MINUS SIGN} {k * correction.u_mm:.4f} mm in place of "
        f"\N{PLUS-MINUS SIGN} {k * correction.default_u_mm:.4f} mm"
    )
