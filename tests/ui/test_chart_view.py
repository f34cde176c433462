"""Freeze, scroll, cursors and value ranges, without a widget."""

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from PySide6.QtGui import QImage

from tests.ui.made_rows import make_rows
from ui.dashboard.bench.trace_buffer import TraceBuffer
from ui.dashboard.charts.chart_view import ChartView, Span, nice_step, round_ticks
from ui.dashboard.charts.strip_charts import StripCharts
from ui.dashboard.widgets import THEMES, sizes_for


@pytest.fixture
def view():
    buffer = TraceBuffer(1, 40_000)
    buffer.append(np.arange(30_000) / 1000.0, np.zeros((30_000, 1)))
    return ChartView(buffer)


def test_the_window_follows_until_it_is_frozen(view):
    assert (view.start_s, view.end_s) == (pytest.approx(19.999), pytest.approx(29.999))
    view.freeze(True)
    view.buffer.append(np.array([30.0, 30.5]), np.zeros((2, 1)))
    assert view.end_s == pytest.approx(29.999)
    view.freeze(False)
    assert view.end_s == pytest.approx(30.5)


def test_looking_back_stays_on_what_is_held(view):
    view.scroll(-5.0)
    assert view.frozen and view.end_s == pytest.approx(24.999)
    view.scroll(-1e9)
    assert view.start_s == pytest.approx(0.0)
    view.scroll(1e9)
    assert view.end_s == pytest.approx(29.999)


def test_another_length_keeps_the_middle_of_a_frozen_window(view):
    view.scroll(-12.0)
    middle = view.end_s - view.window_s / 2
    view.choose_window(4.0)
    assert view.end_s - 2.0 == pytest.approx(middle)
    view.choose_window(10.0)
    view.next_window()
    assert view.window_s == 60.0


def test_cursors_come_one_two_none(view):
    for count in (1, 2, 0):
        view.step_cursors()
        assert len(view.cursors) == count
    view.place_cursor(1, 3.0)  # a second cursor without a first becomes the first
    assert view.cursors == [3.0]
    view.place_cursor(1, 1e9)
    assert view.cursors[1] == pytest.approx(29.999)


@given(st.floats(-1e4, 1e4), st.floats(0, 1e4), st.floats(0.01, 100))
def test_a_range_always_holds_what_is_shown(low, spread, least):
    span = Span(least)
    span.settle(low, low + spread, 0.0)
    assert span.low <= low and low + spread <= span.high
    ticks, decimals = span.ticks(5)
    assert 1 <= len(ticks) <= 7
    texts = {f"{tick:.{decimals}f}" for tick in ticks}
    assert len(texts) == len(ticks)


def test_a_range_grows_at_once_and_shrinks_late():
    span = Span(1.0)
    span.settle(0.0, 100.0, 0.0)
    high = span.high
    span.settle(0.0, 10.0, 1.0)
    assert span.high == high
    span.settle(0.0, 10.0, 2.0)
    assert span.high == high
    span.settle(0.0, 10.0, 3.5)
    assert span.high < high / 4
    span.settle(0.0, 400.0, 3.6)
    assert span.high >= 400.0


def test_a_range_without_data_is_still_a_range():
    span = Span(2.0)
    span.settle(math.nan, math.nan, 0.0)
    assert span.high - span.low == 2.0


@given(st.floats(1e-6, 1e6))
def test_steps_are_round(rough):
    step = nice_step(rough)
    assert rough * 0.99 <= step <= 10.01 * rough
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-6


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(1, 9))
@example(1.5625, 0.875, 1)
def test_a_scale_has_two_numbers_at_least(low, spread, most):
    ticks, decimals = round_ticks(low, low + spread, most, least=2)
    # Where steps of 0.5 give fewer than two values, steps of 0.2 give up to five.
    assert 2 <= len(ticks) <= max(most + 1, 5)
    assert len({f"{value:.{decimals}f}" for value in ticks}) == len(ticks)


def test_all_charts_of_a_frame_show_the_same_time(model, qapp, monkeypatch):
    """Samples that arrive between two slices belong to the next frame."""
    charts = StripCharts(model, THEMES["light"], sizes_for(1280, 720))
    charts.resize(500, 400)
    charts.show()
    qapp.processEvents()
    model.feed([make_rows(3000)], 0.0)
    drawn, times = [], []

    def painted(self, painter, index, plot, window, ratio, since=0, most=None):
        drawn.append(index)
        times.append((float(window.times[-1]), self.view.end_s))

    monkeypatch.setattr(StripCharts, "_paint_traces", painted)
    for number, act in enumerate(charts.slices()):
        act()
        model.feed([make_rows(20, start_s=3.0 + 0.02 * number)], 0.0)
    assert drawn == [0, 0, 1, 2, 3] and len(set(times)) == 1  # the first chart in two halves
    charts.view.freeze(True)
    assert charts.view.end_s == model.buffer.end_s > times[0][1]
    charts.close()


def test_a_frame_of_a_view_that_has_changed_is_left(model, qapp, monkeypatch):
    charts = StripCharts(model, THEMES["light"], sizes_for(1280, 720))
    charts.resize(500, 400)
    charts.show()
    qapp.processEvents()
    model.feed([make_rows(3000)], 0.0)
    begin, ground, *parts, first, _, _, _ = charts.slices()
    begin()
    ground()
    charts.view.next_window()
    model.feed([make_rows(20, start_s=3.0)], 0.0)
    ends = []
    monkeypatch.setattr(
        StripCharts, "_paint_traces", lambda self, *_, **__: ends.append(self.view.end_s)
    )
    for act in parts:
        act()
    assert not ends
    first()
    assert ends == [model.buffer.end_s]
    charts.close()


def test_a_ground_is_painted_again_only_if_its_chart_has_changed(model, qapp, monkeypatch):
    """Painting numbers and titles takes half of a frame, and key presses wait meanwhile."""
    charts = StripCharts(model, THEMES["light"], sizes_for(1280, 720))
    charts.resize(500, 400)
    charts.show()
    qapp.processEvents()
    model.feed([make_rows(3000)], 0.0)
    painted = []
    whole = StripCharts._paint_ground
    monkeypatch.setattr(
        StripCharts, "_paint_ground", lambda self, *a: (painted.append(a[1]), whole(self, *a))
    )

    def frame():
        painted.clear()
        for act in charts.slices():
            act()
        return list(painted)

    assert frame() == [0, 1, 2, 3]
    assert frame() == []
    charts.view.fix_scale(2, (0.0, 50.0))
    assert frame() == [2]
    charts.view.hidden.add("motor_force_N")  # its name leaves the legend
    assert frame() == [0]
    charts.resize(500, 420)
    qapp.processEvents()
    assert frame() == [0, 1, 2, 3]
    charts.close()


def pixels(widget):
    image = widget.grab().toImage().convertToFormat(QImage.Format.Format_RGBA8888)
    return np.frombuffer(image.constBits(), np.uint8).astype(int)


@pytest.mark.parametrize("window_s", [2.0, 10.0])
def test_a_chart_painted_in_parts_is_the_one_painted_at_once(model, qapp, window_s):
    charts = StripCharts(model, THEMES["light"], sizes_for(1280, 720))
    charts.resize(500, 400)
    charts.view.window_s = window_s
    wave = 100.0 * np.sin(np.arange(3000) / 100.0)
    forces = {"spring_force_N": wave, "setpoint_force_N": -wave, "motor_force_N": 0.5 * wave}
    model.feed([make_rows(3000, force_u95_N=20.0, **forces)], 0.0)
    charts.show()
    qapp.processEvents()
    at_once = pixels(charts)
    begin, *parts, _, _, _, _ = charts.slices()
    for act in (begin, *parts):
        act()
    assert charts._making is not None and charts._begun is not None
    _, _, charts.view.frame_s, charts._frame = charts._begun
    # Half-transparent parts are blended in another order: the last bit may differ.
    assert np.abs(pixels(charts) - at_once).max() <= 2
    charts.close()
