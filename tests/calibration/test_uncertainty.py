"""Uncertainty tools against the worked examples of the GUM and its supplement, and the rounding at its extremes.

Sources, named again beside each test: GUM = JCGM 100:2008; JCGM 101:2008 (Monte Carlo); JCGM 106:2012 (conformity).
The numbers of GUM H.1 and H.2 were compared with two public re-calculations (the GTC and suncal projects); those of
GUM 4.3 and 4.4.3 are remembered and come out of the formulas to all printed digits.
"""

from __future__ import annotations

import json
import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat, umath

from rimsight.calibration import uncertainty as unc
from rimsight.calibration.uncertainty import Quantity, format_quantity, from_ufloat

# --- GUM H.1: calibration of an end gauge -----------------------------------------------------------------------


def end_gauge() -> Quantity:
    """Length in nm of the gauge of GUM H.1, built like a measurement here: tagged variables, then a formula."""
    standard = ufloat(50_000_623, 25, "standard")
    difference = (
        215 + ufloat(0, 5.8, "repeat reading") + ufloat(0, 3.9, "comparator random")
        + ufloat(0, 6.7, "comparator systematic")
    )
    expansion = ufloat(11.5e-6, unc.from_half_width(2e-6), "expansion coefficient")
    expansion_difference = ufloat(0, unc.from_half_width(1e-6), "expansion difference")
    mean_temperature = ufloat(-0.1, 0.2, "mean temperature")
    swing = ufloat(0, unc.from_half_width(0.5, "arcsine"), "temperature swing")
    temperature_difference = ufloat(0, unc.from_half_width(0.05), "temperature difference")
    temperature = mean_temperature + swing
    length = standard + difference - standard * (
        expansion_difference * temperature + expansion * temperature_difference
    )
    dof = {
        "standard": 18, "repeat reading": 24, "comparator random": 5, "comparator systematic": 8,
        "expansion difference": 50, "temperature difference": 2,
    }
    return from_ufloat(length, dof=dof)


def test_gum_h1_budget() -> None:
    gauge = end_gauge()
    assert gauge.value == pytest.approx(50_000_838, abs=0.5)
    # nm; GUM table H.1 prints 25, 5.8, 3.9, 6.7, 2.9, 16.6 and zeros
    expected = {
        "standard": 25.0, "temperature difference": 16.599, "comparator systematic": 6.7, "repeat reading": 5.8,
        "comparator random": 3.9, "expansion difference": 2.88679, "expansion coefficient": 0.0,
        "mean temperature": 0.0, "temperature swing": 0.0,
    }
    for name, component in expected.items():
        assert gauge.budget.get(name, 0.0) == pytest.approx(component, rel=0, abs=1e-3), name
    assert gauge.u == pytest.approx(31.664, rel=0, abs=1e-3)


def test_gum_h1_effective_degrees_of_freedom_and_expanded_uncertainty() -> None:
    gauge = end_gauge()
    assert gauge.dof == pytest.approx(16.75, rel=0, abs=0.05)  # GUM H.1.6: 16.7, truncated to 16
    assert unc.coverage_factor(gauge.dof, 0.99) == pytest.approx(2.9208, rel=0, abs=1e-4)  # GUM: t99(16) = 2.92
    # GUM H.1.6: U99 = 2.92 x 32 nm = 93 nm; without rounding u first it is 92.5
    assert unc.coverage_factor(gauge.dof, 0.99) * gauge.u == pytest.approx(92.48, rel=0, abs=0.01)
    assert round(2.92 * round(gauge.u)) == 93
    assert gauge.u95 == pytest.approx(2.1199 * 31.664, rel=1e-4)  # t95(16) = 2.12, GUM table G.2


def test_gum_h1_difference_of_three_parts() -> None:
    budget = {"d0": 5.8, "d1": 3.9, "d2": 6.7}
    assert unc.combined(budget) == pytest.approx(9.7, rel=0, abs=0.05)
    # GUM prints 25.6, from u(d) rounded to 9.7 nm first; unrounded it is 25.45
    assert unc.effective_dof(budget, {"d0": 24, "d1": 5, "d2": 8}) == pytest.approx(25.447, rel=0, abs=1e-3)
    assert 9.7**4 / unc.combined(budget) ** 4 * 25.447 == pytest.approx(25.6, rel=0, abs=0.05)


# --- GUM H.2: simultaneous resistance and reactance, correlated inputs -------------------------------------------


def test_gum_h2_correlated_inputs() -> None:
    readings = np.array([
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ])
    means = readings.mean(axis=1)
    covariance = np.cov(readings) / 5
    voltage, current, phase = correlated_values(means, covariance)
    for quantity, value, u in (
        (voltage / current * umath.cos(phase), 127.732, 0.071),
        (voltage / current * umath.sin(phase), 219.847, 0.295),
        (voltage / current, 254.260, 0.236),
    ):
        result = from_ufloat(quantity)
        assert result.value == pytest.approx(value, rel=0, abs=5e-4)
        # GUM table H.4 prints 0.295 for the reactance, where unrounded arithmetic gives 0.2956
        assert result.u == pytest.approx(u, rel=0, abs=6e-4)


def test_a_common_scale_cancels_in_a_difference() -> None:
    scale = ufloat(1.0, 0.01, "scale")
    outer, stone = 6.5 * scale, 6.12 * scale
    rim = from_ufloat((outer - stone) / 2)
    assert from_ufloat(outer).u == pytest.approx(0.065)
    assert rim.u == pytest.approx(0.0019, rel=1e-9)  # 1 % of the 0.19 mm rim, not of the diameters


# --- GUM 4.2 to 4.4: single components --------------------------------------------------------------------------


def test_gum_4_4_3_twenty_temperatures() -> None:
    readings = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68,
                100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]
    mean, u, dof = unc.type_a(readings)
    assert mean == pytest.approx(100.145, abs=1e-9)
    assert u == pytest.approx(0.333, abs=5e-4)
    assert u * math.sqrt(20) == pytest.approx(1.489, abs=5e-4)
    assert dof == 19


def test_mean_of_readings_that_cancel() -> None:
    """NIST StRD SiRstv, first group: 196.x readings, where the short-cut variance formula loses its digits."""
    readings = [196.3052, 196.1240, 196.1890, 196.2569, 196.3403]
    _, u, _ = unc.type_a(readings)
    exact = [Decimal(str(reading)) for reading in readings]
    mean = sum(exact, Decimal(0)) / 5
    variance = sum(((reading - mean) ** 2 for reading in exact), Decimal(0)) / 4 / 5
    assert u == pytest.approx(float(variance.sqrt()), rel=1e-12)
    with pytest.raises(ValueError, match="two readings"):
        unc.type_a([6.1])


def test_gum_4_3_statements_of_certificates() -> None:
    # GUM 4.3.4, resistor: +-129 microohm at 99 % -> 50 microohm
    assert unc.from_interval(129, 0.99) == pytest.approx(50, abs=0.1)
    # GUM 4.3.5, machined part: 10.11 mm +- 0.04 mm with a fifty-fifty chance -> 1.48 x 0.04 mm = 0.06 mm
    assert unc.from_interval(0.04, 0.5) == pytest.approx(1.48 * 0.04, abs=2e-4)
    # GUM 4.3.6: two chances out of three -> u = a, rounded
    assert unc.from_interval(1.0, 2 / 3) == pytest.approx(1.0, abs=0.04)


def test_gum_4_3_7_and_4_3_9_bounds() -> None:
    # copper: 16.52e-6 +- 0.40e-6 per degree -> 0.23e-6
    assert unc.from_half_width(0.40e-6) == pytest.approx(0.23e-6, abs=0.005e-6)
    assert unc.from_half_width(1, "triangular") == pytest.approx(1 / math.sqrt(6))
    assert unc.from_half_width(1, "arcsine") == pytest.approx(1 / math.sqrt(2))
    with pytest.raises(ValueError, match="uniform, triangular, arcsine"):
        unc.from_half_width(1, "gaussian")


def test_gum_f_2_2_1_display_step() -> None:
    assert unc.from_display_step(1) == pytest.approx(0.29, abs=0.002)


# --- coverage ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dof", "k"),
    [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (100, 1.984), (math.inf, 1.960)],
)
def test_gum_table_g2_95_percent(dof: float, k: float) -> None:
    assert unc.coverage_factor(dof) == pytest.approx(k, abs=5e-3 if dof < 100 else 5e-4)


def test_degrees_of_freedom_are_truncated_and_large_ones_are_normal() -> None:
    assert unc.coverage_factor(16.75) == unc.coverage_factor(16)
    assert unc.coverage_factor(0.5) == unc.coverage_factor(1)
    assert unc.coverage_factor(1e7) == pytest.approx(1.959964, abs=1e-6)


def test_guard_band_is_the_one_sided_95_percent_of_jcgm_106() -> None:
    """JCGM 106:2012 8.3.2: w = r U with k = 2; r is 0.82 for 95 %, 0.42 for 80 %, 1.16 for 99 % (from memory)."""
    assert unc.guard_band(1.0) == pytest.approx(1.645, abs=5e-4)
    for level, r in ((0.80, 0.42), (0.90, 0.64), (0.95, 0.82), (0.99, 1.16), (0.999, 1.55)):
        assert unc.guard_band(1.0, level=level) / 2 == pytest.approx(r, abs=5e-3)


@pytest.mark.parametrize(
    ("draw", "half_width"),
    # JCGM 101:2008, 9.2.2 and 9.2.3: sums of four quantities of standard uncertainty 1
    [("normal", 3.92), ("uniform", 3.88)],
)
def test_jcgm_101_sums_of_four(draw: str, half_width: float) -> None:
    """Own Monte Carlo: the linear u is exact; its 95 % interval is right for normals and 1 % wide for uniforms."""
    generator = np.random.default_rng(20240101)
    shape = (4, 400_000)
    samples = (
        generator.normal(size=shape) if draw == "normal"
        else generator.uniform(-math.sqrt(3), math.sqrt(3), size=shape)
    ).sum(axis=0)
    linear = from_ufloat(sum(ufloat(0, 1, f"x{i}") for i in range(4)))
    assert linear.u == pytest.approx(2.0, rel=1e-12)
    assert samples.std() == pytest.approx(linear.u, abs=0.01)
    low, high = np.quantile(samples, [0.025, 0.975])
    assert (high - low) / 2 == pytest.approx(half_width, abs=0.02)
    assert linear.u95 == pytest.approx(3.92, abs=0.005)
    assert half_width <= linear.u95 + 0.01


def test_monte_carlo_agrees_with_a_rim_from_one_photo() -> None:
    """(OD - D)/2 with a common scale: the propagated interval holds 95 % of simulated rims."""
    scale = ufloat(1, 0.003, "scale")
    outer = 6.5 * scale * ufloat(1, 0.001, "outer edge")
    stone = 6.12 * scale * ufloat(1, 0.0015, "stone edge")
    rim = from_ufloat((outer - stone) / 2)
    generator = np.random.default_rng(7)
    n = 200_000
    s = generator.normal(1, 0.003, n)
    simulated = (
        6.5 * s * generator.normal(1, 0.001, n) - 6.12 * s * generator.normal(1, 0.0015, n)
    ) / 2
    assert simulated.std() == pytest.approx(rim.u, rel=0.01)
    inside = np.mean(abs(simulated - rim.value) <= rim.u95)
    assert inside == pytest.approx(0.95, abs=0.003)


# --- Quantity ---------------------------------------------------------------------------------------------------


def test_tags_group_and_untagged_are_other() -> None:
    x = ufloat(1, 0.3, "edge") + ufloat(1, 0.4, "edge") + ufloat(1, 1.2)
    quantity = from_ufloat(x)
    assert dict(quantity.budget) == {"edge": pytest.approx(0.5), "other": pytest.approx(1.2)}
    assert quantity.u == pytest.approx(1.3)


def test_a_plain_number_has_no_uncertainty() -> None:
    assert from_ufloat(6.1).to_json() == {"value": 6.1, "u95": 0.0, "budget": {}}


@pytest.mark.parametrize(
    ("kwargs", "message"),
    [
        ({"value": math.nan, "u": 0.1}, "finite value"),
        ({"value": 1, "u": -0.1}, "not negative"),
        ({"value": 1, "u": math.inf}, "finite"),
        ({"value": 1, "u": 0.1, "dof": 0}, "degrees of freedom"),
        ({"value": 1, "u": 0.1, "budget": {"edge": 0.2}}, "adds up to 0.2"),
        ({"value": 1, "u": 0.1, "budget": {"edge": -0.1}}, "'edge'"),
    ],
)
def test_impossible_quantities_are_refused(kwargs: dict[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Quantity(**kwargs)  # type: ignore[arg-type]


def test_budget_can_not_be_changed_behind_its_back() -> None:
    budget = {"edge": 0.1}
    quantity = Quantity.from_budget(1, budget)
    budget["edge"] = 5.0
    assert quantity.budget["edge"] == 0.1
    with pytest.raises(TypeError):
        quantity.budget["edge"] = 5.0  # type: ignore[index]


def test_json_keeps_what_the_uncertainty_allows() -> None:
    quantity = Quantity.from_budget(6.123456789, {"scale": 0.00123456, "edge": 0.0056789})
    record = quantity.to_json()
    assert record["value"] == 6.1235
    assert record["u95"] == 0.0114
    assert list(record["budget"].items()) == [("edge", 0.00568), ("scale", 0.00123)]
    fine = Quantity.from_budget(6.123456789, {"edge": 1.1e-6}).to_json()
    assert fine["value"] == 6.1234568  # two digits of an u95 of 2.2e-6
    assert fine["u95"] == 2.2e-6
    assert str(Quantity(-1e-9, 0.01).to_json()["value"]) == "0.0"
    json.dumps(quantity.to_json(), allow_nan=False)


def test_few_readings_widen_the_interval() -> None:
    quantity = Quantity.from_budget(1.0, {"reading": 0.01}, dof={"reading": 2})
    assert quantity.u95 == pytest.approx(0.0430, abs=5e-5)  # t95(2) = 4.303, GUM table G.2
    assert str(quantity) == "1.000 ± 0.043"


# --- rounding ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "u95", "expected"),
    [
        # GUM 7.2.2, the 100 g standard: 100.021 47 g with 0.35 mg, here in g
        (100.02147, 0.00035, "100.02147 ± 0.00035"),
        # GUM 7.2.6: y = 10.057 62 ohm, u = 27 milliohm -> 10.058 ohm
        (10.05762, 0.027, "10.058 ± 0.027"),
        # two digits of the uncertainty
        (6.12345, 0.01234, "6.123 ± 0.012"),
        (6.12345, 0.2, "6.12 ± 0.20"),
        (6.0, 12.0, "6 ± 12"),
        (1234.0, 123.0, "1230 ± 120"),
        # rounding up changes the place
        (6.12345, 0.0996, "6.12 ± 0.10"),
        (6.12345, 0.0994, "6.123 ± 0.099"),
        (6.0, 9.96, "6 ± 10"),
        # halves go to even, on the decimal figures, not on the binary ones (2.675 is stored below)
        (2.675, 0.12, "2.68 ± 0.12"),
        (2.665, 0.12, "2.66 ± 0.12"),
        # zero and negative
        (0.0, 0.01, "0.000 ± 0.010"),
        (-0.00001, 0.01, "0.000 ± 0.010"),
        (-0.19, 0.013, "-0.190 ± 0.013"),
        # no uncertainty: the value alone
        (6.1, 0.0, "6.1"),
        # extremes
        (1e308, 1e306, "(1.000 ± 0.010)e+308"),
        (5e-324, 5e-324, "(5.0 ± 5.0)e-324"),
        (1.23e-15, 1.2e-17, "(1.230 ± 0.012)e-15"),
        (1e9, 1e3, "(1.0000000 ± 0.0000010)e+09"),
        (999999999.0, 1e-3, "999999999.0000 ± 0.0010"),
    ],
)
def test_rounding_by_the_uncertainty(value: float, u95: float, expected: str) -> None:
    assert format_quantity(value, u95) == expected


def test_unit_and_refusals() -> None:
    assert format_quantity(6.1, 0.02, "mm") == "6.100 ± 0.020 mm"
    assert format_quantity(6.1, 0, "mm") == "6.1 mm"
    for value, u95 in ((math.nan, 0.1), (1, math.inf), (1, -0.1)):
        with pytest.raises(ValueError, match="finite"):
            format_quantity(value, u95)


@given(
    st.floats(min_value=-1e6, max_value=1e6),
    st.floats(min_value=1e-6, max_value=1e4),
)
def test_what_is_written_is_right_to_the_last_place(value: float, u95: float) -> None:
    written_value, written_u = format_quantity(value, u95).split(" ± ")
    assert abs(float(written_u) - u95) <= 0.0501 * u95  # two digits: at most 5 %
    assert abs(float(written_value) - value) <= 0.0501 * u95 + 1e-9
