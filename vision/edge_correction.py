"""A check-up's word on where edges are read, put in place of the default in a reading's figures."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
from uncertainties import ufloat
from uncertainties.core import AffineScalarFunc

from rimsight.calibration.edge_bias import EdgeBias
from rimsight.vision.influences import Influences
from rimsight.vision.reading import METAL_EDGE_U_PX

#: Name of the corrected edge's place in the budget; what the piece itself adds (chamfers, a second edge) stays `edge`.
TAG = "edge bias"
#: Keys of a photograph's variables: both causes come first among its variants (`Calibration.variants`).
PRINT_SCALE, FOCAL = ("view 0", "print scale"), ("view 1", "focal length")

Reading = TypeVar("Reading")


@dataclass(frozen=True)
class Correction:
    """What a check-up did to a reading; millimetres of diameter.

    Parameters
    ----------
    edge : str
        "outer" or "bore".
    change_mm : float
        Added to the diameter.
    u_mm : float
        Standard uncertainty in the budget now.
    default_u_mm : float
        The default that it replaces.
    source : str
        The check-up, in words.
    """

    edge: str
    change_mm: float
    u_mm: float
    default_u_mm: float
    source: str


def corrected(reading: Reading, bias: EdgeBias, px_per_mm: float, u_rel_f: float) -> tuple[Reading, Correction | None]:
    """Correct all figures of a reading for the bias of one of its edges.

    Parameters
    ----------
    reading : TubeReading or RimReading
        The reading; its variables are changed, so that it must not be used any more.
    bias : EdgeBias
        What the check-up says.
    px_per_mm : float
        Pixels per millimetre at the edge.
    u_rel_f : float
        Relative standard uncertainty of the photo's focal length.

    Returns
    -------
    reading : as given
        With corrected figures.
    correction : Correction or None
        None where the reading has no such edge.

    Notes
    -----
    Every figure F depends on the edge's diameter D through the edge's own variable: dF/dD is the ratio of both
    derivatives. The default part of that variable's uncertainty is taken out, and dF/dD times (minus the bias) is
    added, with the bias's dependence on print scale and focal length as the photo's own variables.
    """
    held: Any = reading
    influences: Influences = held.influences
    edge = influences.known(f"{bias.edge} edge")
    diameter = getattr(reading, bias.edge, None)
    own = 0.0 if edge is None or diameter is None else diameter.derivatives.get(edge, 0.0)
    if edge is None or own == 0.0:
        return reading, None
    mm = 2.0 / px_per_mm
    default = min(METAL_EDGE_U_PX * mm, abs(own) * edge.std_dev)
    change = -bias.value_px * mm + bias.u_px * mm * ufloat(0.0, 1.0, tag=TAG)
    # A later photo's focal length is off by the same share as the check-up's: its variable counts in its own unit.
    ratio = u_rel_f / bias.u_rel_f if bias.u_rel_f > 0 else 0.0
    for (key, tag), each in ((PRINT_SCALE, bias.print_scale_px), (FOCAL, bias.focal_px * ratio)):
        change = change - each * mm * influences.variable(key, tag)
    figures = {
        field.name: figure + figure.derivatives.get(edge, 0.0) / own * change
        for field in fields(held)
        if isinstance(figure := getattr(held, field.name), AffineScalarFunc) and edge in figure.derivatives
    }
    widths = getattr(held, "widths_mm", None)
    if widths is not None and bias.edge == "outer":
        figures["widths_mm"] = widths + change.nominal_value / 2
    edge.std_dev = float(np.sqrt(max((own * edge.std_dev) ** 2 - default**2, 0.0))) / abs(own)
    told = Correction(bias.edge, change.nominal_value, bias.u_px * mm, default, bias.source)
    return replace(held, **figures), told
