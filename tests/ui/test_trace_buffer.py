"""The pyramid of traces against numpy on the whole record; the cost of a frame in values read."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ui.dashboard.bench.trace_buffer import BLOCK, FOLD, TraceBuffer


def filled(count, channels=2, capacity=200_000, seed=1, pieces=33):
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.0005, 0.0015, count))
    values = rng.normal(size=(count, channels)).astype(np.float32)
    buffer = TraceBuffer(channels, capacity)
    for first in range(0, count, pieces):
        buffer.append(times[first : first + pieces], values[first : first + pieces])
    return buffer, times, values


@settings(deadline=None, max_examples=60)
@given(
    share=st.floats(0.0, 0.9),
    length=st.floats(0.02, 1.0),
    columns=st.integers(3, 200),
    pieces=st.integers(1, 700),
)
def test_extremes_of_columns_are_those_of_the_samples(share, length, columns, pieces):
    buffer, times, values = filled(9000, pieces=pieces)
    start = times[-1] * share
    end = min(start + length * times[-1], times[-1])
    window = buffer.window(start, end, columns)
    inside = (times >= start) & (times <= end)
    if not inside.any():
        return
    assert np.nanmax(window.high[0]) >= values[inside, 0].max()
    assert np.nanmin(window.low[0]) <= values[inside, 0].min()
    if window.reduced:
        assert window.low.shape == (2, columns)
        # An extreme is shown at most one column and one block from its true place.
        peak = times[inside][values[inside, 0].argmax()]
        shown = window.times[np.nanargmax(window.high[0])]
        width = (end - start) / columns
        if np.nanmax(window.high[0]) == values[inside, 0].max():
            assert abs(shown - peak) <= 1.6 * width


def test_a_single_sample_peak_is_seen_in_every_window():
    count = 120_000
    times = np.arange(count) / 1000.0
    values = np.zeros((count, 1), dtype=np.float32)
    values[77_777] = 5.0
    buffer = TraceBuffer(1, count)
    buffer.append(times, values)
    for start, end in ((77.7, 77.9), (70.0, 80.0), (0.0, 119.999)):
        assert np.nanmax(buffer.window(start, end, 300).high) == 5.0
    assert np.nanmax(buffer.window(77.778, 80.0, 300).high) in (0.0, 5.0)
    assert np.nanmax(buffer.window(78.0, 119.9, 300).high) == 0.0


def test_old_samples_give_way_and_the_seam_is_not_seen():
    buffer, times, values = filled(20_000, capacity=2 * BLOCK)
    assert buffer.count == 20_000
    assert buffer.oldest == 20_000 - buffer.capacity
    assert buffer.start_s == times[buffer.oldest]
    for time_s in np.linspace(buffer.start_s, buffer.end_s, 57):
        assert buffer.index_at(time_s) == np.searchsorted(times, time_s)
    window = buffer.window(buffer.start_s, buffer.end_s, 64)
    held = values[buffer.oldest :, 0]
    assert np.nanmax(window.high[0]) == held.max()
    assert np.nanmin(window.low[0]) == held.min()


def test_a_gap_in_time_stays_a_gap():
    buffer = TraceBuffer(1, 10_000)
    for start in (0.0, 8.0):
        times = start + np.arange(2000) / 1000.0
        buffer.append(times, np.ones((2000, 1)))
    window = buffer.window(0.0, 10.0, 100)
    assert window.reduced
    hole = (window.times > 2.2) & (window.times < 7.8)
    assert np.isnan(window.low[0, hole]).all()
    assert np.isfinite(window.low[0, ~hole]).sum() > 35


def test_what_is_not_a_number_hides_no_neighbour():
    times = np.arange(5000) / 1000.0
    values = np.full((5000, 1), np.nan)
    values[::50] = 3.0
    buffer = TraceBuffer(1, 5000)
    buffer.append(times, values)
    window = buffer.window(0.0, 5.0, 40)
    assert (window.high == 3.0).all()


def test_few_samples_are_given_singly():
    buffer, times, values = filled(500)
    window = buffer.window(times[100], times[200], 400)
    assert not window.reduced
    assert window.low is window.high
    assert len(window.times) == pytest.approx(101, abs=2)
    assert window.low[1, 1:-1] == pytest.approx(values[100 : 100 + window.low.shape[1] - 2, 1])


def test_a_frame_touches_as_many_values_whatever_the_window(monkeypatch):
    count = 700_000
    buffer = TraceBuffer(1, count)
    buffer.append(np.arange(count) / 1000.0, np.zeros((count, 1), dtype=np.float32))
    touched = []
    stretch = TraceBuffer._stretch

    def counting(ring, begin, end):
        touched.append(max(0, end - begin))
        return stretch(ring, begin, end)

    monkeypatch.setattr(TraceBuffer, "_stretch", staticmethod(counting))
    for window_s in (10.0, 60.0, 600.0):
        touched.clear()
        buffer.window(buffer.end_s - window_s, buffer.end_s, 500)
        # Times, low and high: at most 2·FOLD blocks for each column, and one unfinished block.
        assert sum(touched) <= 3 * 2 * FOLD * 501 + BLOCK


def test_the_sample_under_a_cursor():
    buffer, times, values = filled(300)
    assert buffer.sample_at(times[0] - 1.0) is None
    time_s, sample = buffer.sample_at((times[10] + times[11]) / 2)
    assert time_s == times[10]
    assert sample == pytest.approx(values[10])
    assert buffer.sample_at(times[-1] + 9.0)[0] == times[-1]


def test_bad_sizes_are_refused():
    with pytest.raises(ValueError, match="at least one channel"):
        TraceBuffer(0, 10)
