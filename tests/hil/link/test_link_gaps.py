from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from hil.link.gaps import GapCounter


@given(
    kept=st.sets(st.integers(0, 200), min_size=1), cuts=st.lists(st.integers(1, 200), max_size=8)
)
def test_missing_numbers_are_counted_however_the_stream_is_cut(
    kept: set[int], cuts: list[int]
) -> None:
    cycles = np.array(sorted(kept), float)
    counter = GapCounter()
    counted = sum(counter.take(part) for part in np.split(cycles, sorted(cuts)))
    missing = max(kept) - min(kept) + 1 - len(kept)
    assert counter.lost == counted == missing


def test_another_host_begins_anew_and_loses_nothing() -> None:
    counter = GapCounter()
    counter.take(np.arange(100.0, 120.0))
    counter.restart()
    assert counter.take(np.arange(500.0, 520.0)) == 0
    assert counter.take(np.arange(20.0)) == 0  # a restart seen by falling numbers
    assert counter.take(np.arange(22.0, 30.0)) == 2


def test_no_rows_change_nothing() -> None:
    counter = GapCounter()
    counter.take(np.arange(5.0))
    assert counter.take(np.array([])) == 0
    assert counter.take(np.array([6.0])) == 1
