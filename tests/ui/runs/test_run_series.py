"""Data of a recorded run for its plots: extremes, statistics, gaps, limit stretches, panels, window."""

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hil.core.samples import COLUMNS, INDEX
from hil.recorder import RunWriter
from tests.ui.made_rows import make_rows
from tests.ui.runs.runs_window import RATE_HZ
from ui.dashboard.runs.picture_view import PictureView, plan_panels, time_ticks
from ui.dashboard.runs.series import ColumnInfo, ColumnPyramid, RunSeries, limit_stretches


@given(
    st.integers(0, 5000),
    st.lists(st.tuples(st.integers(0, 4999), st.floats(-1e3, 1e3) | st.just(np.nan)), max_size=8),
    st.lists(st.integers(0, 5000), min_size=2, max_size=12),
)
@example(597, [], [0, 584, 584])  # the view ends beyond the last sample
def test_no_extreme_is_lost_whatever_the_zoom(count, peaks, places) -> None:
    values = np.random.default_rng(count).normal(size=count)
    for place, value in peaks:
        if place < count:
            values[place] = value
    bounds = np.minimum(np.sort(places), count)
    low, high = ColumnPyramid(values).extremes(bounds)
    for i, (first, last) in enumerate(itertools.pairwise(bounds)):
        part = values[first:last]
        if not len(part):
            assert np.isnan(low[i])
            continue
        # A block across a bound may include neighbouring values, at most a quarter of a part.
        wide = max(1, int(bounds[-1] - bounds[0]) // (len(bounds) - 1) // 4)
        near = values[max(0, first - wide) : last + wide]
        if np.isfinite(part).any():
            assert np.nanmin(near) <= low[i] and high[i] <= np.nanmax(near)
    if bounds[-1] > bounds[0] and np.isfinite(values[bounds[0] : bounds[-1]]).any():
        whole = values[bounds[0] : bounds[-1]]
        assert np.nanmin(low) <= np.nanmin(whole) and np.nanmax(high) >= np.nanmax(whole)


@given(st.integers(1, 20_000), st.integers(0, 20_000), st.integers(0, 20_000))
def test_statistics_are_those_of_the_samples(count, one, other) -> None:
    values = np.random.default_rng(count).normal(3.0, 2.0, size=count).astype(np.float32)
    values[:: max(1, count // 7)] = np.nan
    first, last = sorted((min(one, count), min(other, count)))
    found = ColumnPyramid(values).statistics(first, last)
    part = values[first:last].astype(float)
    part = part[np.isfinite(part)]
    assert found.count == len(part)
    if len(part):
        assert found.mean == pytest.approx(part.mean(), rel=1e-6, abs=1e-9)
        assert found.rms == pytest.approx(np.sqrt(np.mean(part**2)), rel=1e-6)
        assert found.deviation == pytest.approx(part.std(), rel=1e-4, abs=1e-6)


def test_a_gap_in_time_stays_a_gap(tmp_path: Path) -> None:
    rows = make_rows(20_000).rows
    rows[10_000:, INDEX["time_s"]] += 20.0
    with RunWriter(tmp_path, "gap", {}) as writer:
        writer.rows(rows)
    assert writer.path is not None
    series = RunSeries(writer.path)
    series.load(["supply_V"])
    seen = series.window("supply_V", 0.0, 40.0, 400)
    gap = (seen.times > 10.1) & (seen.times < 29.9)
    assert np.isnan(seen.low[gap]).all() and np.isfinite(seen.low[seen.times < 9.9]).all()


def test_limits_that_flicker_are_one_stretch() -> None:
    times = np.arange(4000) / RATE_HZ
    masks = np.zeros(4000)
    masks[1000:2000:2] = 1
    masks[3000:3100] = 1
    assert [(round(s.start_s, 2), round(s.end_s, 2)) for s in limit_stretches(times, masks)] == [
        (1.0, 2.0),
        (3.0, 3.1),
    ]
    assert limit_stretches(times[:0], masks[:0]) == []


def test_a_lone_time_on_the_axis_keeps_its_decimals() -> None:
    ticks, decimals, unit_s, unit = time_ticks(4.0011, 4.0029, 1)
    assert (unit_s, unit) == (1.0, "s") and ticks == pytest.approx([4.002])
    assert decimals == 3  # "4" would name another time


def test_every_column_finds_a_panel() -> None:
    there = [ColumnInfo(column.name, column.unit, "") for column in COLUMNS]
    plans = plan_panels([column.name for column in COLUMNS], there)
    shown = [name for plan in plans for name in plan.columns]
    assert sorted(shown) == sorted(column.name for column in COLUMNS)


@given(st.lists(st.tuples(st.sampled_from("zsw"), st.floats(0.01, 100.0)), max_size=30))
def test_the_window_stays_on_what_there_is(acts) -> None:
    view = PictureView((2.0, 3602.0))
    for act, amount in acts:
        if act == "z":
            view.zoom(amount)
        elif act == "s":
            view.scroll((amount - 50.0) * 100)
        else:
            view.next_length()
        assert view.whole[0] <= view.start_s < view.end_s <= view.whole[1] + 1e-9
