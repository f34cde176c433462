"""The Operate page by hand, drawn in memory; effects on a rig are in test_live_dashboard."""

import re

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QColor, QFontInfo
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractButton, QLabel, QLineEdit, QWidget

from hil.core.limits import Limit
from hil.core.samples import State
from hil.profile.loader import load_profile, profile_to_dict
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.bench.operate_model import OperateModel
from ui.dashboard.operate import OperatePage
from ui.dashboard.operate.notices import Notices
from ui.dashboard.runs import RunsPage
from ui.dashboard.widgets.theme import DARK, LIGHT, SMALLEST_PT, sizes_for, style_sheet
from ui.dashboard.window import Window

pytestmark = [pytest.mark.real_time, pytest.mark.pages("Operate", "Runs")]


@pytest.fixture
def window(model, qtbot):
    model.feed([make_rows(4000, state=State.STANDBY, spring_force_N=50.0)], 1.0)
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.show()
    qtbot.waitExposed(window)
    return window


def press(widget, key):
    QTest.keyClick(widget.window().focusWidget() or widget, key)


def test_digits_choose_and_typed_digits_do_not(window):
    for key, number in ((Qt.Key.Key_4, 4), (Qt.Key.Key_2, 2)):
        press(window, key)
        assert window.model.chosen == number
        assert page_as(window, OperatePage).deck.buttons[number - 1].isChecked()
    entry = page_as(window, OperatePage).deck.rows[0].entry
    entry.setFocus()
    entry.selectAll()
    QTest.keyClicks(entry, "145")
    assert window.model.chosen == 2
    assert window.model.form.entry("force").value == 145.0


@pytest.mark.pages()
def test_everything_that_acts_is_reached_by_tab(window):
    reached = set()
    for _ in range(80):
        QTest.keyClick(window.focusWidget(), Qt.Key.Key_Tab)
        reached.add(window.focusWidget())
    wanted = [
        widget
        for widget in window.centralWidget().findChildren(QWidget)
        if isinstance(widget, QAbstractButton | QLineEdit)
        and widget.isVisible()
        and widget.isEnabled()
        # In a group of exclusive buttons Tab reaches the checked one, arrow keys the others.
        and not (isinstance(widget, QAbstractButton) and widget.group() and not widget.isChecked())
    ]
    missed = [
        widget.accessibleName() or widget.text() for widget in wanted if widget not in reached
    ]
    assert len(wanted) >= 12 and missed == []
    assert page_as(window, OperatePage).chart_page.charts in reached


def test_focus_is_seen(window):
    for widget in (
        window.strip.stop_button,
        window.strip.power,
        page_as(window, OperatePage).chart_page.charts,
        page_as(window, OperatePage).deck.buttons[0],
        page_as(window, OperatePage).deck.rows[0].slider,
        page_as(window, OperatePage).deck.rows[0].entry,
    ):
        page_as(window, OperatePage).chart_page.freeze.setFocus()
        plain = widget.grab().toImage()
        widget.setFocus()
        assert widget.grab().toImage() != plain, widget.accessibleName()


def test_f8_freezes_and_the_picture_says_so(window):
    charts = page_as(window, OperatePage).chart_page.charts
    live = charts.grab().toImage()
    press(window, Qt.Key.Key_C)
    charts.view.cursors = []
    assert charts.view.frozen
    press(window, Qt.Key.Key_F8)
    assert not charts.view.frozen
    press(window, Qt.Key.Key_F8)
    assert charts.view.frozen and page_as(window, OperatePage).chart_page.freeze.isChecked()
    assert charts.grab().toImage() != live
    window.model.feed([make_rows(1000, 4.0, State.STANDBY)], 2.0)
    assert charts.view.end_s == pytest.approx(3.999)
    assert charts.view.frozen_text == "frozen, 1.0 s ago · F8: live"


def test_dragging_looks_back_and_a_click_places_cursors(window):
    charts = page_as(window, OperatePage).chart_page.charts
    middle = QPoint(charts.width() * 7 // 10, 60)
    QTest.mousePress(charts, Qt.MouseButton.LeftButton, pos=middle)
    QTest.mouseMove(charts, middle + QPoint(40, 0))
    QTest.mouseMove(charts, middle + QPoint(80, 0))
    QTest.mouseRelease(charts, Qt.MouseButton.LeftButton, pos=middle + QPoint(80, 0))
    assert charts.view.frozen and charts.view.cursors == []
    assert charts.view.end_s == pytest.approx(3.999)  # the history is shorter than the drag
    QTest.mouseClick(charts, Qt.MouseButton.LeftButton, pos=middle)
    QTest.mouseClick(
        charts, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.ShiftModifier, middle + QPoint(60, 0)
    )
    first, second = charts.view.cursors
    assert second - first == pytest.approx(60 / charts._plots()[0].inner.width() * 10.0, rel=0.05)
    press(window, Qt.Key.Key_F2)
    charts.setFocus()
    QTest.keyClick(charts, Qt.Key.Key_Right)
    assert charts.view.cursors[0] > first


def test_the_charts_draw_what_they_are_given(model, qtbot):
    model.feed([make_rows(4000, state=State.STANDBY, spring_force_N=np.linspace(0, 90, 4000))], 1.0)
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(1440, 900)
    window.show()
    charts = page_as(window, OperatePage).chart_page.charts
    image = charts.grab().toImage()
    inner = charts._plots()[0].inner
    span = charts.view.spans[0]
    # On the rising line, at three places, the trace's colour is at its value.
    for share in (0.7, 0.8, 0.95):
        time_s = charts.view.start_s + share * charts.view.window_s
        force = time_s / 4.0 * 90
        x = inner.left() + share * inner.width()
        y = inner.bottom() - (force - span.low) / (span.high - span.low) * inner.height()
        near = [image.pixelColor(round(x), round(y) + dy) for dy in (-2, -1, 0, 1, 2)]
        assert any(c.blue() > 130 and c.red() < 60 for c in near), share


def test_the_picture_moves_with_the_data(window):
    rig, load = page_as(window, OperatePage).rig, page_as(window, OperatePage).load
    seen = []
    for i, (output, deflection) in enumerate(((0.01, 0.0), (0.01, 0.004), (0.045, 0.004))):
        rows = make_rows(
            200,
            4.0 + 0.2 * i,
            State.STANDBY,
            output_position_m=output,
            deflection_m=deflection,
            nut_position_m=output + deflection,
            spring_force_N=120e3 * deflection,
        )
        window.model.feed([rows], 2.0 + i)
        seen.append((rig.grab().toImage(), load.grab().toImage()))
    assert seen[0][0] != seen[1][0] != seen[2][0]
    assert seen[0][1] != seen[1][1] != seen[2][1]


def test_the_question_comes_before_power_and_no_is_the_default(model, window):
    model.feed([make_rows(100, 5.0, State.DE_ENERGISED)], 2.0)
    window.refresh()
    energised = []
    window.strip._power_on = lambda: energised.append(True)
    press(window, Qt.Key.Key_P)
    assert window.strip.asking
    assert model.profile.stop.load in window.strip.load.text()
    assert window.focusWidget() is window.strip.no
    press(window, Qt.Key.Key_Return)
    press(window, Qt.Key.Key_3)
    assert window.strip.asking and energised == [] and model.chosen == 1
    press(window, Qt.Key.Key_N)
    assert not window.strip.asking and energised == []
    press(window, Qt.Key.Key_Y)
    assert energised == []
    press(window, Qt.Key.Key_P)
    press(window, Qt.Key.Key_Y)
    assert energised == [True] and not window.strip.asking


def test_who_only_watches_can_still_stop(model, window):
    model.in_control = False
    model.holder = "notebook"
    window.refresh()
    deck = page_as(window, OperatePage).deck
    assert not deck.apply_button.isEnabled()
    assert deck.message.text() == "notebook holds control; this window watches"
    assert not window.strip.power.isEnabled() and not window.strip.reset.isEnabled()
    assert window.strip.stop_button.isEnabled()


@pytest.mark.pages()
def test_stop_is_on_every_page_and_takes_esc_from_anywhere(window, monkeypatch):
    stops = []
    monkeypatch.setattr(window, "refresh", lambda: stops.append(window.focusWidget()))
    entry = page_as(window, OperatePage).deck.rows[0].entry
    entry.setFocus()
    press(window, Qt.Key.Key_Escape)
    window.show_page("Runs")
    assert window.strip.stop_button.isVisible()
    press(window, Qt.Key.Key_Escape)
    assert stops == [entry, page_as(window, RunsPage).table]
    QTest.mousePress(window.strip.stop_button, Qt.MouseButton.LeftButton)
    assert len(stops) == 3  # at the press, not at the release
    QTest.mouseRelease(window.strip.stop_button, Qt.MouseButton.LeftButton)
    assert len(stops) == 3


def test_letters_reach_the_page_while_its_table_has_the_focus(window, monkeypatch):
    window.show_page("Runs")
    page, joined = page_as(window, RunsPage), []
    monkeypatch.setattr(page, "join", lambda: joined.append(True))
    QTest.keyClick(page.table, Qt.Key.Key_J)
    assert joined == [True]


@pytest.mark.pages()
@pytest.mark.parametrize("size", [(1280, 720), (1440, 900), (1920, 1080), (3840, 2160)])
@pytest.mark.parametrize("profile", ["footplate_trainer", "bench_slide"])
def test_nothing_is_clipped_or_too_small(profile, size, qtbot):
    model = OperateModel({"profile": profile_to_dict(load_profile(profile))}, history_s=5.0)
    model.in_control = True
    mask = 1 << Limit.FORCE
    model.feed([make_rows(900, spring_force_N=-543.0, limited=mask, behaviour=3)], 1.0)
    model.chosen = 3
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(*size)
    window.show()
    qtbot.wait(30)
    assert (window.width(), window.height()) == size
    for label in window.findChildren(QLabel):
        if not label.isVisible():
            continue
        assert QFontInfo(label.font()).pointSizeF() >= SMALLEST_PT - 0.1, label.text()
        if label.wordWrap():
            assert label.heightForWidth(label.width()) <= label.height() + 1, label.text()
        elif label is not window.header.health:
            assert label.fontMetrics().horizontalAdvance(label.text()) <= label.width() + 2
    for button in window.findChildren(QAbstractButton):
        if button.isVisible():
            assert button.width() >= button.minimumSizeHint().width() - 1, button.text()
    page = page_as(window, OperatePage)
    for widget in (page.readouts, page.rig, page.load, page.bars, page.deck, window.strip):
        corner = widget.mapTo(window, QPoint(widget.width(), widget.height()))
        assert corner.x() <= size[0] and corner.y() <= size[1]
    assert page.bars.height() >= page.bars.sizeHint().height()


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of WCAG 2.2 (relative luminance of sRGB)."""

    def luminance(name):
        colour = QColor(name)
        channels = (colour.redF(), colour.greenF(), colour.blueF())
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", [LIGHT, DARK], ids=lambda theme: theme.name)
def test_text_stands_out_from_its_ground(theme):
    """WCAG 2.2: 4.5 : 1 for text, 3 : 1 for large text and graphic parts (AA)."""
    for ink, ground in (
        (theme.ink, theme.ground),
        (theme.quiet, theme.ground),
        (theme.quiet, theme.strip),
        (theme.warning, theme.warning_ground),
        (theme.marker, theme.ground),
        (theme.on_stop, theme.stop),
        (theme.ground, theme.ink),
    ):
        assert contrast(ink, ground) >= 4.5, (ink, ground)
    for ink in (theme.measured, theme.nut, theme.deflection, theme.accent):
        assert contrast(ink, theme.ground) >= 3.0, ink
    assert contrast(theme.on_accent, theme.accent) >= 4.5


def test_no_size_in_the_style_is_below_eleven_points():
    for width, height in ((800, 600), (1280, 720), (3840, 2160)):
        sheet = style_sheet(LIGHT, sizes_for(width, height))
        sizes = [float(s) for s in re.findall(r"font-size: ([\d.]+)pt", sheet)]
        assert sizes and min(sizes) >= SMALLEST_PT


@pytest.mark.pages()
def test_light_and_dark_keep_what_was_set(window):
    press(window, Qt.Key.Key_3)
    window.model.form.entry("stiffness").value = 55e3
    page_as(window, OperatePage).chart_page.choose_window(60.0)
    press(window, Qt.Key.Key_F9)
    assert window.theme is LIGHT  # the rig runs: rebuilding pages could delay a heartbeat
    window.model.in_control = False
    press(window, Qt.Key.Key_F9)
    assert window.theme is DARK
    assert page_as(window, OperatePage).deck.rows[0].entry.text() == "55"
    assert page_as(window, OperatePage).chart_page.charts.view.window_s == 60.0
    assert page_as(window, OperatePage).deck.buttons[2].isChecked()
    # The keyboard focus stays in this window: no other window was shown.
    press(window, Qt.Key.Key_F9)
    assert window.theme is LIGHT


def test_notices_are_whole_and_the_newest_is_never_cut(qtbot):
    label = Notices()
    qtbot.addWidget(label)
    label.resize(400, 40)
    label.show()
    label.say([])
    assert label.text() == "no notices"
    label.say(["12:00:03  tare is 3 N", "12:00:02  reset", "12:00:01  " + "long " * 30])
    assert label.text() == "12:00:03  tare is 3 N     12:00:02  reset"
    assert label.toolTip().count("\n") == 2
    label.say(["12:00:04  " + "very long " * 12, "12:00:03  tare is 3 N"])
    assert label.text().count("very long") == 12 and "tare" not in label.text()
    assert label.heightForWidth(400) > 1.5 * label.fontMetrics().height()
    label.say(["12:00:03  tare is 3 N", "12:00:02  reset"])
    label.resize(150, 40)
    assert label.text() == "12:00:03  tare is 3 N"
