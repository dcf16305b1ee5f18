"""Gauges of the bench: wire gauge numbers by which walls are sold, and what a caliper does in a small bore."""

from __future__ import annotations

import math

THINNEST, THICKEST = 40, 0


def awg_mm(number: int) -> float:
    """Diameter or wall of an American wire gauge (Brown & Sharpe) number, mm.

    d = 0.127 * 92^((36 - n)/39) mm: ASTM B258. Not the Birmingham (Stubs) gauge of hypodermic and steel tube.

    Parameters
    ----------
    number : int
        0 to 40; 22 is 0.6438 mm.

    Raises
    ------
    ValueError
        Outside that range.
    """
    if not THICKEST <= number <= THINNEST:
        raise ValueError(f"wire gauges from {THICKEST} to {THINNEST} are known, found {number}")
    return float(0.127 * 92 ** ((36 - number) / 39))


def jaw_error_mm(bore_mm: float, jaw_mm: float = 0.3) -> float:
    """By how much a caliper reads a bore too small because its jaws are flat and the wall is round.

    Two flats of width w touch a bore D with their corners: reading b = sqrt(D^2 - w^2). Plane geometry; 0.3 mm is a
    usual width of the knife edges (common practice, no source).

    Parameters
    ----------
    bore_mm : float
        The caliper's reading b, above 0.
    jaw_mm : float
        w.

    Returns
    -------
    float
        D - b, mm: 0.022 for a reading of 2 mm.
    """
    if not bore_mm > 0:
        raise ValueError(f"a bore must be above 0 mm, found {bore_mm}")
    return math.hypot(bore_mm, jaw_mm) - bore_mm
