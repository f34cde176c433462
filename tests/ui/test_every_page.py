"""Every page in light and dark and several sizes: nothing cut, nothing outside, all by keyboard.

The tests check structure, not pixels of a stored picture; the background of a text is taken from
the drawn window. A widget that paints itself vouches for its contents by its minimum size.
"""

import itertools

import numpy as np
import pytest
from PySide6.QtCore import SIGNAL, QPoint, QRect, Qt
from PySide6.QtGui import QFontInfo, QImage
from PySide6.QtTest import QTest
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QAbstractScrollArea,
    QAbstractSlider,
    QAbstractSpinBox,
    QApplication,
    QCheckBox,
    QComboBox,
    QHeaderView,
    QLabel,
    QLineEdit,
    QScrollBar,
    QTableView,
    QWidget,
)

from hil.core.samples import State
from hil.profile.loader import load_profile, profile_to_dict
from hil.recorder import RunWriter
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.bench import OperateModel
from ui.dashboard.charts.time_canvas import TimeCanvas
from ui.dashboard.operate import OperatePage
from ui.dashboard.operate.field_slider import FieldSlider
from ui.dashboard.page_entries import PAGES
from ui.dashboard.runs import RunsPage
from ui.dashboard.widgets import ElidedLabel, HoldButton, KeyButton
from ui.dashboard.widgets.theme import SMALLEST_PT
from ui.dashboard.window import Window

SIZES = ((1280, 720), (3840, 2160))
TITLES = tuple(entry.title for entry in PAGES)
TEXT_CONTRAST = 4.5  # WCAG 2.2, success criterion 1.4.3
CONTROLS = (
    QAbstractButton,
    QAbstractItemView,
    QAbstractSlider,
    QAbstractSpinBox,
    QComboBox,
    QLineEdit,
    FieldSlider,
    TimeCanvas,
)


@pytest.fixture(scope="module")
def window(qapp, tmp_path_factory):
    """One window for all tests: building it takes longer than checking it."""
    folder = tmp_path_factory.mktemp("runs")
    with RunWriter(folder, "constant-force", {}, note="spring 3, cold, as delivered") as writer:
        writer.rows(make_rows(3000).rows)
    profile = profile_to_dict(load_profile("footplate_trainer"))
    model = OperateModel({"profile": profile, "simulated": True}, history_s=10.0)
    model.in_control = True
    model.feed([make_rows(2000, state=State.STANDBY, spring_force_N=50.0)], 1.0)
    window = Window(model, runs_directory=folder)
    window.show()
    yield window
    window.view_of("Runs").close()
    window.close()
    window.deleteLater()


def laid(window, size, theme="light"):
    window.model.in_control = False  # a window of a powered rig is not rebuilt
    window.resize(*size)
    window.fit()
    if window.theme.name != theme:
        window.swap_theme()
    window.model.in_control = True
    QApplication.processEvents()


def bring_up(window, title):
    """Show a page with contents."""
    window.show_page(title)
    runs = window.view_of("Runs")
    if title == "Runs":
        runs.wait()
        window.refresh()
        if runs.opened is None:
            runs.open(runs.runs[0])
            runs.wait()
            window.refresh()
    for _ in range(2):  # the heights of wrapped texts are known after the first pass
        QApplication.processEvents()
        window.refresh()


def seen(window, kinds=QWidget):
    found = window.findChildren(QWidget)
    return [each for each in found if each.isVisible() and isinstance(each, kinds)]


def scrolled(widget):
    """Return whether the widget can be scrolled into view."""
    while (widget := widget.parentWidget()) is not None:
        if isinstance(widget, QAbstractScrollArea):
            return True
    return False


def called(widget):
    text = getattr(widget, "text", str)
    return (
        f"{type(widget).__name__} {widget.accessibleName()} '{text() if callable(text) else text}'"
    )


def cut_texts(window):
    """Find texts that do not fit, and widgets below their minimum size."""
    for widget in seen(window, (QLabel, QAbstractButton, QLineEdit, QComboBox)):
        if QFontInfo(widget.font()).pointSizeF() < SMALLEST_PT - 0.1:
            yield f"{called(widget)} is small"
    for label in seen(window, QLabel):
        if isinstance(label, ElidedLabel) or label is window.header.health:
            continue  # elides its text, which the tool tip shows in full
        if label.wordWrap():
            fits = label.heightForWidth(label.width()) <= label.height() + 1
        elif label.textFormat() is Qt.TextFormat.RichText:
            fits = label.sizeHint().width() <= label.width() + 2
        else:
            fits = label.fontMetrics().horizontalAdvance(label.text()) <= label.width() + 2
        if not fits:
            yield called(label)
    for button in seen(window, QAbstractButton):
        whole = button.text() and button.text() in button.toolTip()
        if button.width() < button.minimumSizeHint().width() - 1 and not whole:
            yield called(button)
    for table in seen(window, QTableView):
        head = table.horizontalHeader()
        if head.textElideMode() is Qt.TextElideMode.ElideNone:
            yield f"heads of {called(table)}"
    for widget in seen(window):
        if isinstance(widget, QLabel | QHeaderView) or scrolled(widget):
            continue
        if isinstance(widget.parentWidget(), QAbstractSpinBox | QComboBox):
            continue  # part of a control that is checked as a whole
        if widget.height() < widget.minimumSizeHint().height() - 1:
            yield f"{called(widget)} is {widget.height()} high of {widget.minimumSizeHint()}"


def place(window, widget):
    return QRect(widget.mapTo(window, QPoint()), widget.size())


def outside_or_over_another(window):
    inside = window.rect()
    parts = [each for each in seen(window, (*CONTROLS, QLabel)) if not scrolled(each)]
    parts = [each for each in parts if each.width() and each.height()]
    for widget in parts:
        if not inside.contains(place(window, widget)):
            yield f"{called(widget)} outside"
    for one, other in itertools.combinations(parts, 2):
        if one.isAncestorOf(other) or other.isAncestorOf(one):
            continue
        if place(window, one).adjusted(1, 1, -1, -1).intersects(place(window, other)):
            yield f"{called(one)} over {called(other)}"


def luminance(colours):
    """Return the relative luminance (n,) of sRGB colours 0xRRGGBB (n,), after WCAG 2.2."""
    channels = (np.asarray(colours)[..., None] >> np.array([16, 8, 0])) & 0xFF
    share = channels / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


def contrast(one, other):
    first, second = luminance(one), luminance(other)
    return (np.maximum(first, second) + 0.05) / (np.minimum(first, second) + 0.05)


def drawn_pixels(window):
    image = window.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    rows = np.frombuffer(image.constBits(), np.uint32).reshape(image.height(), -1)
    return (rows & 0xFFFFFF).copy()


def mixed(ink, ground):
    """Return the visible colour of a half-transparent ink on the ground."""
    share = ink.alphaF()
    pairs = zip(ink.getRgb()[:3], (ground >> 16, ground >> 8 & 255, ground & 255), strict=True)
    red, green, blue = (round(share * over + (1 - share) * under) for over, under in pairs)
    return red << 16 | green << 8 | blue


def faint_texts(window):
    """Find texts with too little contrast; WCAG exempts disabled ones."""
    drawn = drawn_pixels(window)
    for widget in seen(window, (QLabel, QAbstractButton, QLineEdit, QComboBox)):
        text = widget.currentText() if isinstance(widget, QComboBox) else widget.text()
        if isinstance(widget, QLineEdit):
            text = text or widget.placeholderText()
        region = widget.visibleRegion()
        if not text or not widget.isEnabled() or region.isEmpty():
            continue
        rect = region.boundingRect().translated(widget.mapTo(window, QPoint()))
        if not isinstance(widget, QLabel):
            edge = window.sizes.px(5)
            rect.adjust(edge, edge, -edge, -edge)  # the border may have more contrast than the text
        step = 1 + window.width() // 2000  # large windows have wider strokes
        part = drawn[rect.top() : rect.bottom() + 1 : step, rect.left() : rect.right() + 1 : step]
        colours, counts = np.unique(part, return_counts=True)
        ground = int(colours[counts.argmax()])
        # The middle of a stroke has the ink's colour, its edge a blend with the ground.
        best = float(contrast(colours, ground).max())
        if isinstance(widget, KeyButton):
            best = min(
                best, *(float(contrast(mixed(ink, ground), ground)) for ink in widget.inks())
            )
        if best < TEXT_CONTRAST:
            yield f"{called(widget)} on {ground:06x}: {best:.2f}"


def look_at(window, title, what=""):
    """Show a page and assert that nothing is wrong with it."""
    bring_up(window, title)
    wrong = [*cut_texts(window), *outside_or_over_another(window), *faint_texts(window)]
    assert wrong == [], f"{title} {what}"


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_nothing_is_cut_or_outside_or_faint(window, size, theme):
    laid(window, size, theme)
    for title in TITLES:
        look_at(window, title)


def test_nothing_is_cut_in_a_low_window_whatever_is_open(window):
    laid(window, SIZES[0])
    operate, runs = page_as(window, OperatePage), page_as(window, RunsPage)
    operate.choose(3)
    operate.presets.keep()
    for title, act in (
        ("Operate", operate.zero.toggle),
        ("Operate", operate.cap.toggle),
        ("Operate", operate.open_house.toggle),
        ("Operate", operate.toggle_sequences),
        ("Runs", runs.panel.toggle_columns),
        ("Runs", runs.panel.begin_export),
        ("Runs", runs.begin_label),
    ):
        bring_up(window, title)
        act()
        look_at(window, title, act.__name__)
        act()
    bring_up(window, "Operate")
    for act in (operate.zero.toggle, operate.cap.toggle):
        act()
    look_at(window, "Operate", "with two rows")
    operate.zero.toggle()
    operate.cap.cap.text, operate.cap.cap.wrong = "Speed: what is wrong, and why. " * 7, True
    look_at(window, "Operate", "with a row of three lines")
    operate.cap.leave()
    operate.zero.toggle()
    for act in (operate.zero.toggle, operate.cap.toggle):
        act()
    operate.toggle_sequences()
    operate.panel.list.setCurrentRow(0)
    bring_up(window, "Operate")
    operate.toggle_editor()
    look_at(window, "Operate", "with the editor")
    operate.toggle_editor()
    operate.toggle_sequences()


def reached_by_tab(window):
    first = window.focusWidget()
    reached = [first]
    for _ in range(200):
        QTest.keyClick(window.focusWidget(), Qt.Key.Key_Tab)
        if window.focusWidget() is first:
            return reached
        reached.append(window.focusWidget())
    raise AssertionError(f"Tab does not come round: {[called(each) for each in reached[-5:]]}")


@pytest.mark.parametrize("title", TITLES)
def test_every_control_is_reached_by_tab(window, qtbot, title):
    laid(window, SIZES[0])
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    bring_up(window, title)
    reached = set(reached_by_tab(window))
    for control in seen(window, CONTROLS):
        if not control.isEnabled() or isinstance(control, QHeaderView | QScrollBar):
            continue
        if isinstance(control.parentWidget(), QAbstractSpinBox | QComboBox | QAbstractScrollArea):
            continue  # part of a control that Tab reaches
        group = control.group() if isinstance(control, QAbstractButton) else None
        if group is not None and group.exclusive():
            assert reached & set(group.buttons()), called(control)  # arrow keys reach the others
        else:
            assert control in reached, called(control)


def test_every_button_does_something(window):
    signals = [
        SIGNAL(name) for name in ("clicked(bool)", "pressed()", "released()", "toggled(bool)")
    ]
    buttons = window.findChildren(QAbstractButton)
    idle = [
        called(button)
        for button in buttons
        if not any(button.receivers(signal) for signal in signals)
        and not isinstance(button, HoldButton | QCheckBox)  # held, or read by another control
    ]
    assert len(buttons) > 100 and idle == []
