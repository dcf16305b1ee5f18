"""Spread of repeated readings within and between groups: one-way random effects, and part by operator by repeat.

The one-way model is that of ISO 5725-2:2019, 7.4: reading = mean + group + repeat, with s_r the standard deviation of
repeats, s_L that of the groups and s_R the two together. Sums of squares are taken about means, never by the short-cut
formula, which loses all digits on readings such as 196.3052.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class OneWay:
    """Analysis of variance of readings in groups, unit of the readings.

    Parameters
    ----------
    mean : float
        Mean of all readings.
    readings, groups : int
        How many.
    ss_between, ss_within : float
        Sums of squares.
    even : float
        Readings of a group, as ISO 5725-2 averages their numbers.
    weight : float
        Sum over the groups of (readings of the group / all readings) squared: 1 / groups where they are equal.
    """

    mean: float
    readings: int
    groups: int
    ss_between: float
    ss_within: float
    even: float
    weight: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / (self.groups - 1)

    @property
    def ms_within(self) -> float:
        """Mean square within groups: the variance of repeats."""
        return self.ss_within / (self.readings - self.groups)

    @property
    def f(self) -> float:
        """Between over within; infinite where repeats are all alike."""
        return self.ms_between / self.ms_within if self.ms_within > 0 else math.inf

    @property
    def r_squared(self) -> float:
        """Share of the sum of squares that lies between groups; 0 where all readings are alike."""
        total = self.ss_between + self.ss_within
        return self.ss_between / total if total > 0 else 0.0

    @property
    def s_r(self) -> float:
        """Standard deviation of repeats (repeatability)."""
        return math.sqrt(self.ms_within)

    @property
    def s_l(self) -> float:
        """Standard deviation of the groups' true means, 0 where the groups differ less than repeats explain."""
        return math.sqrt(max(self.ms_between - self.ms_within, 0.0) / self.even)

    @property
    def s_R(self) -> float:
        """Standard deviation of single readings of different groups (reproducibility); the standard's own symbol."""
        return math.hypot(self.s_r, self.s_l)

    @property
    def u_mean(self) -> float:
        """Standard uncertainty of the mean: that of the groups' means, or of all readings where groups don't differ."""
        return math.sqrt(self.s_l**2 * self.weight + self.ms_within / self.readings)

    @property
    def dof_mean(self) -> float:
        """Degrees of freedom of `u_mean`: those of the groups (the cautious choice) where these differ."""
        return float(self.groups - 1 if self.s_l > 0 else self.readings - self.groups)


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Analyse readings in groups.

    Parameters
    ----------
    groups : sequence of sequences of float
        Readings of each group; the groups may differ in size.

    Raises
    ------
    ValueError
        Fewer than two groups, an empty one, no group with a repeat, or a reading that is not finite.
    """
    if len(groups) < 2:
        raise ValueError(f"a spread between groups needs two groups at least, found {len(groups)}")
    sizes = [len(group) for group in groups]
    if min(sizes) == 0:
        raise ValueError("a group without a reading")
    n = sum(sizes)
    if n == len(groups):
        raise ValueError("a spread of repeats needs a group with two readings at least")
    if not all(math.isfinite(reading) for group in groups for reading in group):
        raise ValueError("a reading that is not finite")
    mean = math.fsum(reading for group in groups for reading in group) / n
    means = [math.fsum(group) / len(group) for group in groups]
    between = math.fsum(size * (own - mean) ** 2 for size, own in zip(sizes, means, strict=True))
    within = math.fsum((r - own) ** 2 for group, own in zip(groups, means, strict=True) for r in group)
    squares = sum(size**2 for size in sizes)
    return OneWay(mean, n, len(groups), between, within, (n - squares / n) / (len(groups) - 1), squares / n**2)


@dataclass(frozen=True)
class Study:
    """A gauge study: parts read by operators, each several times; variances in the unit of the readings squared.

    Parameters
    ----------
    parts, operators, repeats : int
        How many.
    ms_part, ms_operator, ms_interaction, ms_repeat : float
        Mean squares.
    """

    parts: int
    operators: int
    repeats: int
    ms_part: float
    ms_operator: float
    ms_interaction: float
    ms_repeat: float

    @property
    def repeat(self) -> float:
        """Variance of repeats."""
        return self.ms_repeat

    @property
    def interaction(self) -> float:
        """Variance of what an operator does to one part and not to another."""
        return max(self.ms_interaction - self.ms_repeat, 0.0) / self.repeats

    @property
    def operator(self) -> float:
        """Variance between operators."""
        return max(self.ms_operator - self.ms_interaction, 0.0) / (self.parts * self.repeats)

    @property
    def part(self) -> float:
        """Variance between parts."""
        return max(self.ms_part - self.ms_interaction, 0.0) / (self.operators * self.repeats)

    @property
    def gauge(self) -> float:
        """Variance of the measuring: repeats, operators and their interaction with parts."""
        return self.repeat + self.operator + self.interaction

    @property
    def share(self) -> float:
        """Standard deviation of the measuring over that of all readings, 0 to 1."""
        total = self.gauge + self.part
        return math.sqrt(self.gauge / total) if total > 0 else 0.0

    @property
    def categories(self) -> float:
        """How many classes of parts the measuring tells apart: 1.41 times part over gauge, not rounded (AIAG)."""
        return 1.41 * math.sqrt(self.part / self.gauge) if self.gauge > 0 else math.inf


def crossed(table: Sequence[Sequence[Sequence[float]]]) -> Study:
    """Analyse a crossed gauge study by two-way random effects with interaction.

    Parameters
    ----------
    table : sequence, parts x operators x repeats
        Readings; every operator reads every part equally often.

    Raises
    ------
    ValueError
        Fewer than two parts, operators or repeats, a gap, or a reading that is not finite.
    """
    parts, operators = len(table), len(table[0]) if table else 0
    repeats = len(table[0][0]) if operators else 0
    if min(parts, operators, repeats) < 2:
        raise ValueError("a gauge study needs two parts, two operators and two repeats at least")
    if any(len(row) != operators or any(len(cell) != repeats for cell in row) for row in table):
        raise ValueError("every operator must read every part equally often")
    if not all(math.isfinite(value) for row in table for cell in row for value in cell):
        raise ValueError("a reading that is not finite")
    cells = [[math.fsum(cell) / repeats for cell in row] for row in table]
    part_means = [math.fsum(row) / operators for row in cells]
    operator_means = [math.fsum(row[k] for row in cells) / parts for k in range(operators)]
    mean = math.fsum(part_means) / parts
    part = operators * repeats * math.fsum((own - mean) ** 2 for own in part_means)
    operator = parts * repeats * math.fsum((own - mean) ** 2 for own in operator_means)
    interaction = repeats * math.fsum(
        (cells[i][j] - part_means[i] - operator_means[j] + mean) ** 2 for i in range(parts) for j in range(operators)
    )
    repeat = math.fsum(
        (value - cells[i][j]) ** 2 for i in range(parts) for j in range(operators) for value in table[i][j]
    )
    return Study(
        parts,
        operators,
        repeats,
        part / (parts - 1),
        operator / (operators - 1),
        interaction / ((parts - 1) * (operators - 1)),
        repeat / (parts * operators * (repeats - 1)),
    )


def e_n(value: float, u95: float, reference: float, u95_reference: float) -> float:
    """Difference over the root sum of squares of both expanded uncertainties.

    ISO 13528:2022, 9.7 and ISO/IEC 17043: up to 1 in magnitude, value and reference agree within what both claim.

    Raises
    ------
    ValueError
        Both uncertainties are zero, or one is negative.
    """
    if u95 < 0 or u95_reference < 0 or u95 + u95_reference == 0:
        raise ValueError("E_n needs expanded uncertainties that are not negative and not both zero")
    return (value - reference) / math.hypot(u95, u95_reference)


def chance_of_so_few(held: int, of: int, probability: float = 0.95) -> float:
    """Probability that `held` or fewer of so many independent intervals hold the truth, each with `probability`."""
    return math.fsum(
        math.comb(of, k) * probability**k * (1 - probability) ** (of - k) for k in range(min(held, of) + 1)
    )
