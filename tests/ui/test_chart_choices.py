"""Charts: short windows started by a trigger, and the choice of traces and scales."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import TRACE_INDEX, TraceBuffer
from ui.dashboard.charts.chart_choices import range_of
from ui.dashboard.charts.trigger import PRE_SHARE, Trigger
from ui.dashboard.operate import OperatePage
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")

SPRING = "spring_force_N"


def buffer_of(values: np.ndarray, rate_Hz: float = 1000.0) -> TraceBuffer:
    buffer = TraceBuffer(len(TRACE_INDEX), 8192)
    rows = np.full((len(values), len(TRACE_INDEX)), np.nan)
    rows[:, TRACE_INDEX[SPRING]] = values
    buffer.append(np.arange(len(values)) / rate_Hz, rows)
    return buffer


def spring_at(buffer: TraceBuffer, time_s: float) -> float:
    found = buffer.sample_at(time_s)
    assert found is not None
    return float(found[1][TRACE_INDEX[SPRING]])


def test_a_window_begins_with_the_latest_crossing_that_is_whole() -> None:
    time_s = np.arange(3000) / 1000.0
    buffer = buffer_of(np.sin(2 * np.pi * 4.0 * time_s + 0.3))
    end_s = Trigger(SPRING, 0.5).end_s(buffer, 0.2)
    assert end_s is not None and end_s <= buffer.end_s
    at_s = end_s - (1 - PRE_SHARE) * 0.2
    before, after = (spring_at(buffer, t) for t in (at_s - 1e-3, at_s))
    assert before < 0.5 <= after
    assert buffer.end_s - end_s < 0.25  # a crossing within the last period
    falling = Trigger(SPRING, 0.5, rising=False).end_s(buffer, 0.2)
    assert falling is not None and falling != end_s


def test_without_a_crossing_the_picture_runs_free() -> None:
    assert Trigger(SPRING, 5.0).end_s(buffer_of(np.zeros(3000)), 0.2) is None
    old = np.zeros(4000)
    old[500:] = 10.0
    assert Trigger(SPRING, 5.0).end_s(buffer_of(old), 0.2) is None
    assert Trigger(SPRING, 5.0).end_s(buffer_of(np.full(50, np.nan)), 0.2) is None


@given(
    st.lists(st.floats(-10, 10) | st.just(float("nan")), min_size=1, max_size=60),
    st.floats(-9, 9),
    st.booleans(),
)
def test_whatever_comes_the_window_lies_in_the_history(
    values: list[float], level: float, rising: bool
) -> None:
    buffer = buffer_of(np.array(values), 100.0)
    end_s = Trigger(SPRING, level, rising).end_s(buffer, 0.2)
    assert end_s is None or end_s <= buffer.end_s


@pytest.mark.parametrize(
    ("text", "ends"), [("", None), ("-20 100", (-20.0, 100.0)), ("−5 to 5", (-5.0, 5.0))]
)
def test_a_scale_is_two_numbers(text: str, ends: Any) -> None:
    assert range_of(text) == ends


@pytest.mark.parametrize("text", ["5", "5 1", "a b", "1 2 3", "nan 1", "0 inf"])
def test_what_is_no_scale_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        range_of(text)


@pytest.fixture
def window(model: Any, qapp: Any, qtbot: Any) -> Any:
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.show()
    time_s = np.arange(3000) / 1000.0
    force = 100.0 * np.sin(2 * np.pi * 4.0 * time_s)
    model.feed([make_rows(3000, spring_force_N=force)], 1.0)
    yield window


def test_chosen_by_key_and_mouse_and_kept_by_another_theme(window: Window) -> None:
    page = page_as(window, OperatePage).chart_page
    view = page.charts.view
    QTest.keyClick(window, Qt.Key.Key_D)
    choices = page.choices
    assert choices.isVisible()
    for _ in range(3):
        QTest.keyClick(page.charts, Qt.Key.Key_W)
    assert view.window_s == 0.2 and choices.windows[0.2].isChecked()
    QTest.mouseClick(choices.windows[1.0], Qt.MouseButton.LeftButton)
    assert view.window_s == 1.0 and not any(b.isChecked() for b in page.lengths.buttons())
    choices.column.setCurrentIndex(choices.column.findData(SPRING))
    choices.level.setText("50")
    choices.level.editingFinished.emit()
    assert view.trigger == Trigger(SPRING, 50.0) and choices.unit.text() == "N"
    page.charts._begin_frame()
    assert view.triggered_s is not None and view.end_s == view.triggered_s
    before_s = view.end_s
    QTest.keyClick(window, Qt.Key.Key_F8)
    assert view.frozen and view.end_s == before_s  # same place as before
    QTest.keyClick(window, Qt.Key.Key_F8)
    choices.shown["shaped_force_N"].click()
    choices.scales[0].setText("-50 50")
    choices.scales[0].editingFinished.emit()
    plots = page.charts._plots()
    assert plots[0].panel.traces[0].column == "motor_force_N"
    page.charts.grab()
    assert (view.spans[0].low, view.spans[0].high) == (-50.0, 50.0)
    choices.scales[0].setText("50 -50")
    choices.scales[0].editingFinished.emit()
    assert choices.scales[0].property("wrong") and view.fixed[0] == (-50.0, 50.0)
    window.model.in_control = False  # a window of a powered rig is not rebuilt
    window.swap_theme()
    page = page_as(window, OperatePage).chart_page
    assert not page.choices.isHidden() and page.charts.view is view
    assert not page.choices.shown["shaped_force_N"].isChecked()
    assert page.choices.scales[0].text() == "-50 50"
    assert view.trigger == Trigger(SPRING, 50.0)
    page.choices.scales[0].setText("")
    page.choices.scales[0].editingFinished.emit()
    page.charts.grab()
    assert view.spans[0].high > 90.0
    page.choices.column.setCurrentIndex(0)
    page.charts._begin_frame()
    assert view.trigger is None and view.end_s == view.buffer.end_s


def test_a_long_window_is_not_held_by_a_trigger(window: Window) -> None:
    view = page_as(window, OperatePage).chart_page.charts.view
    view.trigger = Trigger(SPRING, 50.0)
    view.find_trigger()
    assert view.window_s == 10.0 and view.triggered_s is None
