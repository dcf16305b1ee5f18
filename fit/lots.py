"""Sorting a lot of stones: groups of one size, and pairs that match."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from rimsight.fit.numbers import Number, nominal, standard


@dataclass(frozen=True)
class Group:
    """Stones that differ by no more than the tolerance.

    Parameters
    ----------
    members : tuple of int
        Their numbers, smallest stone first.
    smallest_mm, largest_mm, mean_mm : float
        Sizes in the group.
    """

    members: tuple[int, ...]
    smallest_mm: float
    largest_mm: float
    mean_mm: float


@dataclass(frozen=True)
class Pair:
    """Two stones that match.

    Parameters
    ----------
    members : tuple of 2 ints
        Their numbers.
    difference_mm : float
        How much they differ.
    u_mm : float
        Its standard uncertainty; what both sizes have in common is left out of it.
    """

    members: tuple[int, int]
    difference_mm: float
    u_mm: float


def size_groups(sizes_mm: Mapping[int, Number], tolerance_mm: float) -> list[Group]:
    """Sort stones into groups, from the smallest size on; a group's sizes span the tolerance at most.

    Parameters
    ----------
    sizes_mm : mapping of int to Number
        Diameter by the stone's number.
    tolerance_mm : float
        Largest difference within a group.

    Raises
    ------
    ValueError
        The tolerance is not above zero.
    """
    if not tolerance_mm > 0:
        raise ValueError(f"the tolerance of a group must be above zero, not {tolerance_mm}")
    ordered = sorted(sizes_mm, key=lambda number: nominal(sizes_mm[number]))
    found: list[list[int]] = []
    for number in ordered:
        # A micrometre of slack: sizes typed in hundredths are not exact in binary.
        if found and nominal(sizes_mm[number]) - nominal(sizes_mm[found[-1][0]]) <= tolerance_mm + 1e-6:
            found[-1].append(number)
        else:
            found.append([number])
    groups = []
    for members in found:
        values = [nominal(sizes_mm[number]) for number in members]
        groups.append(Group(tuple(members), values[0], values[-1], sum(values) / len(values)))
    return groups


def matched_pairs(sizes_mm: Mapping[int, Number], tolerance_mm: float) -> list[Pair]:
    """Pair stones that differ by no more than the tolerance, the closest first; each stone is in one pair at most.

    Parameters
    ----------
    sizes_mm : mapping of int to Number
        Diameter by the stone's number.
    tolerance_mm : float
        Largest difference within a pair.
    """
    ordered = sorted(sizes_mm, key=lambda number: nominal(sizes_mm[number]))
    neighbours = sorted(
        pairwise(ordered),
        key=lambda pair: nominal(sizes_mm[pair[1]]) - nominal(sizes_mm[pair[0]]),
    )
    used: set[int] = set()
    pairs = []
    for one, other in neighbours:
        difference = sizes_mm[other] - sizes_mm[one]
        if one in used or other in used or nominal(difference) > tolerance_mm + 1e-6:
            continue
        used |= {one, other}
        pairs.append(Pair((one, other), nominal(difference), standard(difference)))
    return pairs
