"""Groups and pairs of a lot. Sizes are invented; the counts are checked by hand, and against brute force."""

from __future__ import annotations

from itertools import combinations, pairwise

import pytest
from uncertainties import ufloat

from rimsight.fit.lots import matched_pairs, size_groups

SIZES = {1: 1.50, 2: 1.55, 3: 1.56, 4: 2.00, 5: 2.03, 6: 2.10}


def test_a_group_spans_the_tolerance_at_most() -> None:
    groups = size_groups(SIZES, 0.05)
    assert [group.members for group in groups] == [(1, 2), (3,), (4, 5), (6,)]
    assert groups[0].smallest_mm == 1.50
    assert groups[0].largest_mm == 1.55
    assert groups[0].mean_mm == pytest.approx(1.525)


def test_every_stone_is_in_one_group_and_groups_don_t_overlap() -> None:
    groups = size_groups({k: 1.0 + 0.0173 * ((7 * k) % 23) for k in range(23)}, 0.06)
    assert sorted(number for group in groups for number in group.members) == list(range(23))
    for one, other in pairwise(groups):
        assert one.largest_mm < other.smallest_mm
    assert all(group.largest_mm - group.smallest_mm <= 0.06 + 1e-6 for group in groups)


def test_the_closest_are_paired_and_nobody_twice() -> None:
    pairs = matched_pairs(SIZES, 0.05)
    assert [pair.members for pair in pairs] == [(2, 3), (4, 5)]
    least = min(abs(SIZES[a] - SIZES[b]) for a, b in combinations(SIZES, 2))
    assert pairs[0].difference_mm == pytest.approx(least)


def test_what_two_sizes_share_is_no_doubt_of_their_difference() -> None:
    scale = ufloat(1.0, 0.01)
    pair = matched_pairs({1: 2.00 * scale, 2: 2.02 * scale}, 0.05)[0]
    assert pair.u_mm == pytest.approx(0.02 * 0.01)


def test_no_tolerance_is_no_group() -> None:
    with pytest.raises(ValueError, match="above zero"):
        size_groups(SIZES, 0.0)
