"""An opened run: drawn, zoomed, read by cursors, by keyboard and mouse."""

import numpy as np
import pytest
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QFontMetricsF, QImage, QPainter
from PySide6.QtTest import QTest

from tests.ui.made_rows import make_rows
from tests.ui.runs.runs_window import Host, opened, press
from ui.dashboard.bench import Mark, number


def test_an_opened_run_is_drawn_zoomed_and_scrolled_by_keys(window: Host) -> None:
    picture = opened(window)
    assert picture.hasFocus()
    assert [chart.plan.title for chart in picture.charts] == [
        "Force",
        "Deflection",
        "Position",
        "Motor torque",
    ]
    picture.grab()
    assert picture.charts[0].high >= 400.0  # the one-sample peak
    assert picture.view.window_s == pytest.approx(11.999)
    press(window, Qt.Key.Key_W)
    assert picture.view.window_s == pytest.approx(10.0)
    press(window, Qt.Key.Key_Home)
    assert picture.view.start_s == 0.0
    press(window, *[Qt.Key.Key_Up] * 80)
    assert picture.view.window_s < 1e-4
    picture.grab()
    press(window, *[Qt.Key.Key_Down] * 90)
    assert picture.view.shows_all


def test_cursors_read_values_differences_mean_and_rms(window: Host) -> None:
    picture = opened(window)
    picture.view.cursors = [0.25, 2.25 - 1e-4]
    curve = next(c for c in picture.charts[0].curves if c.column == "spring_force_N")
    first, second, change, mean, rms, deviation = picture.readings.texts(curve, 1.0)
    assert (first, second) == ("70.00", "70.00") and abs(float(change.replace("−", "-"))) < 0.02
    assert float(mean) == pytest.approx(50.0, abs=0.01)
    assert float(rms) == pytest.approx(np.sqrt(50.0**2 + 20.0**2 / 2), abs=0.01)
    assert float(deviation) == pytest.approx(20.0 / np.sqrt(2), abs=0.01)
    picture.changed()
    assert "B − A 1.9999 s" in window.page.panel.cursors.text()
    press(window, Qt.Key.Key_C)
    assert picture.view.cursors == [] and window.page.panel.cursors.text() == ""


def test_a_click_sets_a_cursor_where_it_points_and_the_wheel_zooms_there(window: Host) -> None:
    picture = opened(window)
    picture.grab()
    inner = picture.charts[0].inner
    at = QPointF(inner.left() + 0.25 * inner.width(), inner.center().y()).toPoint()
    QTest.mouseClick(picture, Qt.MouseButton.LeftButton, pos=at)
    [time_s] = picture.view.cursors
    assert time_s == pytest.approx(0.25 * 11.999, abs=0.03)
    picture.view.zoom(0.5, time_s)
    assert picture.time_at(at.x()) == pytest.approx(time_s, abs=0.03)


def test_columns_are_chosen_by_keyboard(window: Host) -> None:
    picture = opened(window)
    press(window, Qt.Key.Key_D)
    columns = window.page.panel.columns
    assert window.focusWidget() is columns
    row = columns._names.index("supply_V")
    columns.setCurrentRow(row)
    press(window, Qt.Key.Key_Space)
    assert picture.charts[-1].plan.title == "Supply"
    picture.grab()
    assert (picture.charts[-1].low, picture.charts[-1].high) == pytest.approx((36, 36), abs=0.01)
    press(window, Qt.Key.Key_D)
    assert picture.hasFocus()


def test_readings_and_numbers_leave_the_plot_room(window: Host) -> None:
    """Cursor readings beside the list of columns once left the plot only a few pixels."""
    picture = opened(window)
    picture.view.cursors = [1.0, 2.0]
    press(window, Qt.Key.Key_D)
    picture.resize(picture.minimumSize())
    picture.grab()
    assert picture.charts[0].inner.width() >= 70
    metrics = QFontMetricsF(picture.text_font())
    for chart in picture.charts:
        ticks, decimals = chart.ticks(metrics)
        assert len(ticks) >= 2
        widest = max(metrics.horizontalAdvance(number(value, decimals)) for value in ticks)
        assert widest <= chart.inner.left() - 4, chart.plan.title
        assert chart.inner.left() < 0.35 * picture.width()  # a constant is not labelled 30.0000004


def test_of_two_marks_at_one_time_the_named_one_is_named(window: Host, monkeypatch) -> None:
    picture = opened(window)
    picture.grab()
    series = picture.charts[0].curves[0].series
    early, late = (picture.view.start_s + share * picture.view.window_s for share in (0.1, 0.7))
    marks = [Mark(early, ""), Mark(early, "soft"), Mark(late, "stiff")]
    monkeypatch.setattr(series, "marks", marks)
    image = QImage(picture.size(), QImage.Format.Format_ARGB32)
    painter = QPainter(image)
    written: list[str] = []
    monkeypatch.setattr(QPainter, "drawText", lambda _self, _at, text: written.append(text))
    picture._paint_marks(painter)
    painter.end()
    assert written == ["soft", "stiff"]


def test_the_present_is_looked_at_while_it_goes_on(window: Host, model) -> None:
    model.feed([make_rows(2000, start_s=5.0, spring_force_N=33.0)], 0.0)
    press(window, Qt.Key.Key_E)
    picture = window.page.panel.picture
    assert picture.view.whole == pytest.approx((-1.999, 0.0))
    model.feed([make_rows(1000, start_s=7.0, spring_force_N=80.0)], 0.0)
    window.page.frame()
    picture.grab()
    assert picture.view.whole == pytest.approx((-2.999, 0.0)) and picture.view.shows_all
    assert picture.charts[0].high >= 80.0
    assert model.buffer.count == 3000
