"""Wire gauges and published tubes."""

from __future__ import annotations

import math

import pytest

from rimsight.fit.gauge import awg_mm, jaw_error_mm
from rimsight.fit.model import Tube
from rimsight.fit.numbers import nominal


@pytest.mark.parametrize(
    ("number", "mm"),
    # ASTM B258, d = 0.127 * 92^((36 - n)/39) mm
    [(10, 2.5882), (12, 2.0525), (14, 1.6277), (16, 1.2908), (18, 1.0237), (20, 0.8118), (22, 0.6438), (24, 0.5106),
     (26, 0.4049), (28, 0.3211), (30, 0.2546), (36, 0.1270)],
)
def test_astm_b258(number: int, mm: float) -> None:
    assert awg_mm(number) == pytest.approx(mm, rel=0, abs=5e-5)


@pytest.mark.parametrize("number", [-1, 41, 999])
def test_gauges_out_of_range(number: int) -> None:
    with pytest.raises(ValueError, match="0 to 40"):
        awg_mm(number)


#: Hypodermic tube, regular wall: gauge, outside, bore, wall in mm.
#: Source: needle gauge comparison chart, http://en.wikipedia.org/wiki/Needle_gauge_comparison_chart
NEEDLES = [
    ("7G", 4.572, 3.810, 0.381), ("10G", 3.404, 2.692, 0.356), ("12G", 2.769, 2.159, 0.305),
    ("14G", 2.108, 1.600, 0.254), ("15G", 1.829, 1.372, 0.229), ("16G", 1.651, 1.194, 0.229),
    ("18G", 1.270, 0.838, 0.216), ("19G", 1.067, 0.686, 0.191), ("20G", 0.9081, 0.603, 0.1524),
    ("22G", 0.7176, 0.413, 0.1524), ("25G", 0.5144, 0.260, 0.1270),
]


@pytest.mark.parametrize(("gauge", "outside", "bore", "wall"), NEEDLES)
def test_wall_of_published_tubes(gauge: str, outside: float, bore: float, wall: float) -> None:
    """(OD - ID)/2 is the tabulated wall within the table's own rounding."""
    assert nominal(Tube(outside, bore).wall_mm) == pytest.approx(wall, rel=0, abs=1e-3)
    assert nominal(Tube.from_wall(outside, wall).bore_mm) == pytest.approx(bore, rel=0, abs=2e-3)


def test_flat_jaws_in_a_small_bore() -> None:
    """The corners of two flats of width w lie on the bore: D = sqrt(b^2 + w^2)."""
    assert jaw_error_mm(math.sqrt(2.0**2 - 0.3**2)) == pytest.approx(2.0 - math.sqrt(4 - 0.09), rel=1e-12)
    assert jaw_error_mm(2.0) == pytest.approx(0.0224, abs=1e-4)
    assert jaw_error_mm(10.0) < 0.005
    with pytest.raises(ValueError, match="above 0"):
        jaw_error_mm(0)
