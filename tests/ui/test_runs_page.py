"""The Runs page: list, search, labels, bin; a run opened, zoomed, read by cursors; by keyboard."""

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QFontMetricsF, QImage, QPainter
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication, QMainWindow

from hil.core.samples import COLUMNS, INDEX
from hil.recorder import RunWriter, read_labels
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import Mark, PageContext, number
from ui.dashboard.runs import RunsModel, RunsPage
from ui.dashboard.runs.picture import RunPicture
from ui.dashboard.runs.picture_view import PictureView, plan_panels, time_ticks
from ui.dashboard.runs.series import ColumnInfo, ColumnPyramid, RunSeries, limit_stretches
from ui.dashboard.widgets import THEMES, sizes_for
from ui.dashboard.window import Window

RATE_HZ = 1000.0


def record(runs: Path, name: str, seconds: float = 12.0, shift_s: float = 0.0) -> Path:
    """A run whose force is a known wave with one peak of one sample."""
    count = round(seconds * RATE_HZ)
    rows = make_rows(count, start_s=100.0).rows
    t = np.arange(count) / RATE_HZ - shift_s
    rows[:, INDEX["spring_force_N"]] = 50.0 + 20.0 * np.sin(2 * np.pi * t)
    rows[count // 3, INDEX["spring_force_N"]] = 400.0
    rows[:, INDEX["deflection_m"]] = 1e-3 * np.sin(2 * np.pi * t)
    rows[3000:4000, INDEX["limited"]] = 1
    with RunWriter(runs, name, {}, note="made for a test", started="2000-01-01T08:00") as writer:
        writer.rows(rows)
        writer.event({"kind": "marker", "time_s": 105.0, "cycle": 105_000, "text": "push"})
    assert writer.path is not None
    return writer.path


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    for name in ("float", "push", "wave"):
        record(tmp_path, name)
    return tmp_path


class Host(QMainWindow):
    """The page alone, with the window's way of handing keys on: the other pages take a while."""

    def __init__(self, model, runs: Path) -> None:
        super().__init__()
        self.view = RunsModel(runs, model)
        sizes = sizes_for(1280, 720)
        context = PageContext(model, None, self.view, THEMES["light"], sizes, runs, print)
        self.page = RunsPage(context)
        self.setCentralWidget(self.page)

    def view_of(self, _title: str) -> RunsModel:
        return self.view

    def keyPressEvent(self, event) -> None:
        self.page.keys().get(event.key(), lambda: None)()


@pytest.fixture
def window(qapp, qtbot, model, runs: Path):
    host = Host(model, runs)
    qtbot.addWidget(host)
    host.resize(1280, 560)
    host.show()
    host.activateWindow()
    host.page.shown()
    host.page.first_focus().setFocus()
    settle(host)
    yield host
    host.view.close()


@pytest.fixture
def whole_window(qapp, qtbot, model, runs: Path):
    window = Window(model, runs_directory=runs)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.show()
    window.fit()
    window.activateWindow()
    window.show_page("Runs")
    settle(window)
    yield window
    window.view_of("Runs").close()


def settle(window: Host | Window) -> None:
    """Let the background finish, and the page take it."""
    window.view_of("Runs").wait()
    window.page.refresh()


def press(window: Host | Window, *keys: Qt.Key, modifier=Qt.KeyboardModifier.NoModifier) -> None:
    for key in keys:
        QTest.keyClick(window.focusWidget() or window, key, modifier)
    settle(window)


def names(window: Host) -> list[str]:
    rows = window.page.table.rows
    return [rows.text(row, 1) for row in range(rows.rowCount())]


def runs_page(window: Host | Window) -> RunsPage:
    return window.page if isinstance(window, Host) else page_as(window, RunsPage)


def opened(window: Host | Window) -> RunPicture:
    press(window, Qt.Key.Key_Return)
    return runs_page(window).panel.picture


# ------------------------------------------------------------------ list


def test_the_list_is_searched_by_keyboard_alone(window: Host) -> None:
    assert names(window) == ["0003-wave", "0002-push", "0001-float"]
    press(window, Qt.Key.Key_F, modifier=Qt.KeyboardModifier.ControlModifier)
    QTest.keyClicks(window.focusWidget(), "push")
    assert names(window) == ["0002-push"]
    assert window.page.count.text() == "1 of 3"
    press(window, Qt.Key.Key_Return)  # to the table
    assert window.focusWidget() is window.page.table
    press(window, Qt.Key.Key_Return)
    assert window.page.panel.name.text() == "0002-push"


def test_labels_are_typed_and_what_is_wrong_is_said(window: Host, runs: Path) -> None:
    press(window, Qt.Key.Key_Down, Qt.Key.Key_M)
    QTest.keyClicks(window.focusWidget(), "hard push")
    press(window, Qt.Key.Key_Tab)
    QTest.keyClicks(window.focusWidget(), "#stiff, new")
    press(window, Qt.Key.Key_Return)
    labels = read_labels(runs / "0002-push")
    assert (labels.name, labels.tags, labels.note) == ("hard push", ("stiff", "new"), None)
    assert names(window)[1] == "0002 hard push"
    assert "#stiff #new" in window.page.table.rows.text(1, 4)
    press(window, Qt.Key.Key_M)
    window.page.form.fields[0].setText("n" * 81)
    press(window, Qt.Key.Key_Return)
    assert "81 characters" in window.page.form.wrong.text() and window.page.form.isVisible()


def test_pin_bin_and_put_back(window: Host, runs: Path) -> None:
    press(window, Qt.Key.Key_End, Qt.Key.Key_Insert)
    assert names(window)[0] == "0001-float" and window.page.chosen.name == "float"
    press(window, Qt.Key.Key_Delete)
    assert "is pinned" in window.page.text.text() and len(names(window)) == 3
    press(window, Qt.Key.Key_Down, Qt.Key.Key_Delete)
    assert names(window) == ["0001-float", "0002-push"]
    assert "Ctrl+Z" in window.page.text.text()
    press(window, Qt.Key.Key_Z, modifier=Qt.KeyboardModifier.ControlModifier)
    assert names(window) == ["0001-float", "0003-wave", "0002-push"]
    assert window.page.chosen.name == "wave"


# ------------------------------------------------------------------ picture


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
    assert picture.charts[0].high >= 400.0  # the peak of one sample
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
    """Readings of two cursors, beside the list of columns: the plot was a few pixels wide."""
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
        assert chart.inner.left() < 0.35 * picture.width()  # a constant is not 30.0000004


@pytest.mark.parametrize("size", [(1280, 560), (1920, 900)])
def test_the_name_of_a_file_to_write_is_seen(window: Host, size) -> None:
    opened(window)
    window.resize(*size)
    press(window, Qt.Key.Key_S, modifier=Qt.KeyboardModifier.ControlModifier)
    field = window.page.panel.export.fields[0]
    QApplication.processEvents()
    assert field.fontMetrics().horizontalAdvance("0002-constant-force.parquet") < field.width()


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


def test_the_list_gives_the_picture_its_place(whole_window: Window) -> None:
    window = whole_window
    picture = opened(window)
    before = picture.width()
    press(window, Qt.Key.Key_F10)
    QTest.qWait(1)
    assert runs_page(window).left.isHidden() and picture.width() > 1.5 * before
    press(window, Qt.Key.Key_F9)  # built anew in the other theme: what was shown stays
    page = runs_page(window)
    assert page.left.isHidden() and page.panel.name.text() == "0003-wave"


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


def test_a_run_that_cannot_be_read_is_said_in_one_line(window: Host, runs: Path) -> None:
    (runs / "0003-wave" / "samples.parquet").write_bytes(b"PAR1 and no more")
    press(window, Qt.Key.Key_Return)
    assert "samples.parquet" in window.page.text.text() and "\n" not in window.page.text.text()


# ------------------------------------------------------------------ plots, comparison, export


def test_force_over_deflection_spectrum_and_orders_by_keyboard(window: Host) -> None:
    opened(window)
    panel = window.page.panel
    press(window, Qt.Key.Key_V)
    assert panel.pane.plot.getAxis("bottom").labelText == "deflection (mm)"
    assert panel.pane.text.text() == "0.000 to 11.999 s: 12000 samples"
    press(window, Qt.Key.Key_V)
    assert panel.pane.plot.getAxis("left").labelText == "spring force (N/√Hz)"
    assert "segments" in panel.pane.text.text()
    [curve] = panel.pane.plot.listDataItems()
    x, y = curve.getOriginalDataset()
    assert x[np.argmax(y)] == pytest.approx(1.0, abs=0.5)
    press(window, Qt.Key.Key_D, Qt.Key.Key_Down)
    assert panel.pane.name("y") != "spring_force_N"
    press(window, Qt.Key.Key_V)
    assert "does not tell the lead" in panel.pane.text.text()
    press(window, Qt.Key.Key_V, Qt.Key.Key_V)
    assert panel.buttons["View"].text() == "Over time"


def test_a_selection_between_cursors_is_what_is_plotted(window: Host) -> None:
    picture = opened(window)
    picture.view.cursors = [1.0, 2.0]
    press(window, Qt.Key.Key_V)
    assert window.page.panel.pane.text.text() == "1.000 to 2.000 s: 1001 samples"


def test_two_runs_lie_over_each_other_and_are_aligned(window: Host, runs: Path) -> None:
    record(runs, "late", shift_s=0.25)
    press(window, Qt.Key.Key_U, modifier=Qt.KeyboardModifier.ControlModifier)
    press(window, Qt.Key.Key_Home, Qt.Key.Key_J, Qt.Key.Key_End, Qt.Key.Key_J, Qt.Key.Key_Return)
    panel = window.page.panel
    assert panel.name.text() == "0004-late  ·  0001-float"
    curves = panel.picture.charts[0].curves
    assert [curve.label for curve in curves] == ["0004-late", "0001-float"]
    assert curves[0].colour != curves[1].colour
    press(window, Qt.Key.Key_Comma)
    assert panel.note.whole == "aligned by push" and panel.opened.shifts == [0.0, 0.0]
    press(window, Qt.Key.Key_Comma)
    assert panel.note.whole.startswith("aligned by course of spring force, r = ")
    assert panel.opened.shifts[1] % 1.0 == pytest.approx(0.25, abs=0.01)
    panel.picture.grab()
    press(window, Qt.Key.Key_Comma)
    assert panel.note.whole == "aligned by start"
    press(window, *[Qt.Key.Key_V] * 4)
    assert "0001-float against 0004-late" in panel.figures.text()


def test_a_selection_is_exported_by_keyboard(window: Host, tmp_path: Path) -> None:
    picture = opened(window)
    picture.view.cursors = [1.0, 2.0]
    panel = window.page.panel
    target = tmp_path / "part.npz"

    def write(name: str) -> str:
        press(window, Qt.Key.Key_S, modifier=Qt.KeyboardModifier.ControlModifier)
        panel.export.fields[0].setText(name)
        press(window, Qt.Key.Key_Return)
        said = panel.export.said.text()
        press(window, Qt.Key.Key_S, modifier=Qt.KeyboardModifier.ControlModifier)
        return said

    assert write(str(target)) == f"1001 samples in {target}"
    with np.load(target) as found:
        force = RunSeries(window.view_of("Runs").runs[0].path).run.column("spring_force_N")
        np.testing.assert_array_equal(found["spring_force_N"], force[1000:2001])
    assert "is there already" in write(str(target))
    assert "ends in none of" in write(str(tmp_path / "part.xyz"))
    assert "samples in" in write(str(tmp_path / "part.svg"))
    assert picture.hasFocus()


# ------------------------------------------------------------------ series


@given(
    st.integers(0, 5000),
    st.lists(st.tuples(st.integers(0, 4999), st.floats(-1e3, 1e3) | st.just(np.nan)), max_size=8),
    st.lists(st.integers(0, 5000), min_size=2, max_size=12),
)
@example(597, [], [0, 584, 584])  # the view ends behind the last sample
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
        # A block across a bound may bring in what lies beside it, of a quarter part at most.
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
    assert decimals == 3  # "4" would be another time


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
