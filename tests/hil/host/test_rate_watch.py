"""A rate that the computer does not hold is reported once, and a pause is not taken for it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from hil.host.rate_watch import RateWatch


def seconds(watch: RateWatch, shares: list[float], each: int = 4400) -> list[str]:
    texts = [watch.look(0.0, 0, 0)]
    late = 0
    for second, share in enumerate(shares, 1):
        late += round(share * each)
        assert watch.look(second - 0.5, each * second - each // 2, late) == ""  # too early
        texts.append(watch.look(float(second), each * second, late))
    return texts


def test_a_rate_that_is_not_held_is_reported_with_what_was_reached() -> None:
    texts = seconds(RateWatch(5000.0), [0.1, 0.98, 1.0, 0.2, 0.7])
    assert [bool(text) for text in texts] == [False, False, True, False, False, True]
    assert "does not hold 5000 Hz: 4400 cycles" in texts[2] and "98 % of them late" in texts[2]
    assert "3520 Hz or less" in texts[2]


@given(st.lists(st.floats(0.0, 0.5), max_size=6))
def test_pauses_are_not_taken_for_it(shares: list[float]) -> None:
    assert not any(seconds(RateWatch(1000.0), shares, each=900))


def test_a_second_without_a_cycle_is_no_error() -> None:
    watch = RateWatch(1000.0)
    assert watch.look(0.0, 5, 5) == watch.look(2.0, 5, 5) == ""
