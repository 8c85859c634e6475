"""Pairs of builds that share a key."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import key_pairs
from pipeline.figure_blocks import pack
from pipeline.key_pairs import MOST_ALIKE, Order, distinct, halves, sizes_of, telling_pairs

HIGHEST = (1 << 40) - 1
KEYS = st.lists(st.tuples(st.sampled_from([0, 1, 5, HIGHEST - 1, HIGHEST]), st.integers(0, 15)), max_size=60)


def packed_of(keys):
    key, number = (np.array(part, dtype=np.uint64) for part in zip(*keys, strict=True))
    return distinct(pack(key << np.uint64(24), number.astype(np.int64)))


@pytest.mark.parametrize("together", [1, 7, 500_000])
@given(keys=KEYS.filter(len))
def test_pairs_are_those_of_keys_that_few_share_however_many_are_looked_at_together(keys, together):
    order = Order(np.arange(16)[::-1].copy(), np.arange(16) % 3)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(key_pairs, "KEYS_TOGETHER", together)
        found = telling_pairs(packed_of(keys), order)
    groups = {}
    for key, number in set(keys):
        groups.setdefault(key, []).append(number)
    expected = {
        tuple(sorted((15 - one, 15 - other), reverse=True))
        for numbers in groups.values() if len(numbers) <= MOST_ALIKE
        for one, other in combinations(numbers, 2) if one % 3 != other % 3
    }  # fmt: skip
    assert set(zip(*(half.tolist() for half in halves(found)), strict=True)) == expected


@given(keys=KEYS.filter(len))
def test_each_key_has_its_builds_counted(keys):
    asked = sorted({key for key, _ in keys})
    sizes = sizes_of(np.array(asked, dtype=np.uint64), packed_of(keys))
    assert sizes.tolist() == [len({number for other, number in keys if other == key}) for key in asked]
