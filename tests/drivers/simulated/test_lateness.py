"""Late wake-ups, samples and answers, drawn from stated distributions or a recorded run."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.lateness import Delay, Delays, Lateness

PERIOD = 0.001


def drawn(lateness: Lateness, count: int, seed: int = 1) -> list[Delay]:
    delays = Delays(lateness, PERIOD, seed)
    return [delays.at(k * PERIOD) for k in range(count)]


def test_one_seed_gives_one_course() -> None:
    lateness = Lateness(share=0.1, up_to_s=0.004, pause_s=0.02, pause_every_s=1.0)
    assert drawn(lateness, 3000, 7) == drawn(lateness, 3000, 7) != drawn(lateness, 3000, 8)


@settings(deadline=None, max_examples=30)
@given(st.floats(0, 1), st.floats(1e-4, 0.01), st.floats(0, 1), st.floats(0, 1), st.integers(0, 99))
def test_shares_and_most_are_as_declared(share, up_to, stale, device, seed) -> None:
    stale, device = stale / 2, device / 2
    lateness = Lateness(share=share, up_to_s=up_to, stale_share=stale, device_share=device)
    found = drawn(lateness, 2000, seed)
    assert all(0.0 <= sum(delay[:3]) <= up_to for delay in found)
    late = [delay for delay in found if sum(delay[:3]) > 0.0]
    assert len(late) / len(found) == pytest.approx(share, abs=0.06)
    for place, expected in (("answer_s", stale), ("device_s", device)):
        there = sum(getattr(delay, place) > 0.0 for delay in late)
        assert there == pytest.approx(expected * len(late), abs=0.1 * len(late) + 12)


def test_pauses_come_regularly() -> None:
    found = drawn(Lateness(pause_s=0.02, pause_every_s=0.5), 5000)
    at = [k for k, delay in enumerate(found) if sum(delay[:3]) > 0.0]
    assert len(at) == 10
    assert all(b - a in (499, 500, 501) for a, b in itertools.pairwise(at))


def test_a_recorded_run_comes_again() -> None:
    lateness = Lateness.from_columns(
        [0.0, 2e-3, 1e-5], [1e-4, 2e-4, 5e-3], [1e-4, 2e-4 + 1e-3, 5e-3]
    )
    assert drawn(lateness, 4) == [
        Delay(0.0, 0.0, 1e-4),
        Delay(2e-3, 0.0, 2e-4, missed=True),
        Delay(1e-5, 0.0, 5e-3),
        Delay(0.0, 0.0, 1e-4),
    ]


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"share": 1.5}, "share = 1.5: must be between 0 and 1"),
        ({"up_to_s": -1.0}, "up_to_s = -1.0"),
        ({"pause_s": float("nan")}, "pause_s = nan"),
        ({"pause_s": 0.02}, "pause_every_s = 0.0: must be longer"),
        ({"stale_share": 0.7, "device_share": 0.7}, "must be 1 at most"),
    ],
)
def test_what_cannot_be_is_refused(wrong, named) -> None:
    with pytest.raises(ValueError, match=named.replace(".", r"\.")):
        Lateness(**wrong)


def test_columns_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="same number"):
        Lateness.from_columns([0.0], [0.0, 0.0], [0.0])
    with pytest.raises(ValueError, match="not finite"):
        Lateness.from_columns([0.0], [float("nan")], [0.0])
