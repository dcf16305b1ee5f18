"""Analysis of variance against certified and published results, and against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from rimsight.calibration.repeatability import chance_of_so_few, crossed, e_n, one_way

#: NIST Statistical Reference Datasets, analysis of variance, SiRstv: resistivity of silicon wafers, five instruments.
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
#: Houf and Berman (1988), Statistical analysis of power module thermal test equipment performance, as given with the
#: VARCOMP and VARCEX examples of the SAS/STAT documentation: ten modules, three operators, three readings each.
MODULES = [
    [[37, 38, 37], [41, 41, 40], [41, 42, 41]],
    [[42, 41, 43], [42, 42, 42], [43, 42, 43]],
    [[30, 31, 31], [31, 31, 31], [29, 30, 28]],
    [[42, 43, 42], [43, 43, 43], [42, 42, 42]],
    [[28, 30, 29], [29, 30, 29], [31, 29, 29]],
    [[42, 42, 43], [45, 45, 45], [44, 46, 45]],
    [[25, 26, 27], [28, 28, 30], [29, 27, 27]],
    [[40, 40, 40], [43, 42, 42], [43, 43, 41]],
    [[25, 25, 25], [27, 29, 28], [26, 26, 26]],
    [[35, 34, 34], [35, 35, 34], [35, 34, 35]],
]


def test_certified_values() -> None:
    """NIST StRD SiRstv, certified to 15 digits; readings carry seven, so 1e-9 is what double precision can be asked."""
    found = one_way(SIRSTV)
    assert found.ss_between == pytest.approx(5.11462616000000e-02, rel=1e-9)
    assert found.ss_within == pytest.approx(2.16636560000000e-01, rel=1e-9)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert found.r_squared == pytest.approx(1.90999039051129e-01, rel=1e-9)
    assert found.s_r == pytest.approx(1.04076068334656e-01, rel=1e-9)


def test_the_same_readings_a_million_further_up_lose_no_spread() -> None:
    """The short-cut formula would lose all of it."""
    found = one_way([[1e6 + reading for reading in group] for group in SIRSTV])
    assert found.ss_within == pytest.approx(2.1663656e-01, rel=1e-6)


def test_published_gauge_study() -> None:
    """Mean squares and variance components of the SAS example (type 1 estimates), to its four decimals."""
    found = crossed(MODULES)
    assert found.ms_part == pytest.approx(437.3284, abs=5e-5)
    assert found.ms_operator == pytest.approx(19.6333, abs=5e-5)
    assert found.ms_interaction == pytest.approx(2.6951, abs=5e-5)
    assert found.ms_repeat == pytest.approx(0.5111, abs=5e-5)
    assert found.part == pytest.approx(48.2926, abs=5e-5)
    assert found.operator == pytest.approx(0.5646, abs=5e-5)
    assert found.interaction == pytest.approx(0.7280, abs=5e-5)
    assert found.gauge == pytest.approx(0.5111 + 0.5646 + 0.7280, abs=2e-4)
    assert found.share == pytest.approx(math.sqrt(1.8037 / (1.8037 + 48.2926)), abs=1e-4)
    assert found.categories == pytest.approx(1.41 * math.sqrt(48.2926 / 1.8037), abs=1e-3)


def test_one_way_agrees_with_the_gauge_study() -> None:
    """Its thirty cells are groups: the repeats are the same, and the rest adds up to what lies between groups."""
    cells = one_way([cell for row in MODULES for cell in row])
    found = crossed(MODULES)
    assert cells.ms_within == pytest.approx(found.ms_repeat)
    assert cells.ss_between == pytest.approx(9 * found.ms_part + 2 * found.ms_operator + 18 * found.ms_interaction)


@pytest.mark.parametrize("sizes", [(4, 4, 4), (2, 5, 3), (1, 1, 6)])
def test_f_is_that_of_scipy(sizes: tuple[int, ...]) -> None:
    rng = np.random.default_rng(4)
    groups = [list(6.0 + rng.normal(0, 0.01) + rng.normal(0, 0.004, size)) for size in sizes]
    assert one_way(groups).f == pytest.approx(float(stats.f_oneway(*groups).statistic))


def test_components_come_back_from_simulation() -> None:
    """Unequal groups too; 4000 simulated check-ups give the means of s_r^2 and MS to a few per cent."""
    rng = np.random.default_rng(5)
    s_r, s_l = 0.004, 0.010
    sizes = (4, 3, 5, 2)
    within, between, spread = [], [], []
    for _ in range(4000):
        found = one_way([list(rng.normal(0, s_l) + rng.normal(0, s_r, size)) for size in sizes])
        within.append(found.ms_within)
        between.append((found.ms_between - found.ms_within) / found.even)
        spread.append(found.mean)
    assert np.mean(within) == pytest.approx(s_r**2, rel=0.03)
    assert np.mean(between) == pytest.approx(s_l**2, rel=0.06)
    expected = math.sqrt(s_l**2 * sum(n**2 for n in sizes) / sum(sizes) ** 2 + s_r**2 / sum(sizes))
    assert np.std(spread) == pytest.approx(expected, rel=0.04)


def test_the_mean_lies_within_its_stated_interval_in_95_of_100() -> None:
    """Student's t with the groups' degrees of freedom, three placings of four: 95 %, and not much more."""
    rng = np.random.default_rng(6)
    inside = 0
    for _ in range(4000):
        found = one_way([list(rng.normal(0, 0.01) + rng.normal(0, 0.004, 4)) for _ in range(3)])
        inside += abs(found.mean) <= float(stats.t.ppf(0.975, found.dof_mean)) * found.u_mean
    assert 0.93 <= inside / 4000 <= 0.985


def test_groups_that_differ_less_than_repeats_have_no_spread_of_their_own() -> None:
    found = one_way([[1.0, 2.0, 3.0], [1.0, 2.0, 3.0]])
    assert (found.s_l, found.s_R, found.dof_mean) == (0.0, found.s_r, 4.0)
    assert found.u_mean == pytest.approx(1.0 / math.sqrt(6))


@pytest.mark.parametrize(
    "groups",
    [[], [[1.0, 2.0]], [[1.0], [2.0]], [[1.0, 2.0], []], [[1.0, math.nan], [1.0, 2.0]], [[1.0, 2.0], [math.inf]]],
)
def test_what_has_no_spread_is_refused(groups: list[list[float]]) -> None:
    with pytest.raises(ValueError, match=r"group|finite"):
        one_way(groups)


@pytest.mark.parametrize(
    "table", [[], [[[1, 2], [1, 2]]], [[[1, 2]], [[1, 2]]], [[[1], [2]], [[1], [2]]], [[[1, 2], [1]], [[1, 2], [1, 2]]]]
)
def test_a_study_with_gaps_is_refused(table: list[list[list[float]]]) -> None:
    with pytest.raises(ValueError, match=r"needs two|equally often"):
        crossed(table)


def test_e_n() -> None:
    """ISO 13528: 6.012 +- 0.012 against 6.000 +- 0.005 differ by 12 over 13."""
    assert e_n(6.012, 0.012, 6.000, 0.005) == pytest.approx(12 / 13)
    assert e_n(5.988, 0.012, 6.000, 0.005) == pytest.approx(-12 / 13)
    with pytest.raises(ValueError, match="not both zero"):
        e_n(1.0, 0.0, 1.0, 0.0)


def test_chance_is_the_binomial_one() -> None:
    for held in range(13):
        assert chance_of_so_few(held, 12) == pytest.approx(float(stats.binom.cdf(held, 12, 0.95)))
