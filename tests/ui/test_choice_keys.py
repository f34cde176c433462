"""A box of choices with the focus does not take the page's keys."""

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from hil.core.samples import State
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.operate import OperatePage
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate")


def test_the_page_has_its_keys_while_the_trigger_has_the_focus(model, qtbot):
    model.feed([make_rows(200, state=State.STANDBY)], 1.0)
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.fit()
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    page = page_as(window, OperatePage)
    choices = page.chart_page.choices

    def press(*keys):
        for key in keys:
            QTest.keyClick(window.focusWidget(), key)

    press(Qt.Key.Key_D)
    assert choices.isVisible() and window.focusWidget() is choices.column
    press(Qt.Key.Key_4)
    assert model.chosen == 4
    choices.column.setFocus()
    press(Qt.Key.Key_D)
    assert choices.isHidden() and choices.column.currentIndex() == 0
    press(Qt.Key.Key_D, Qt.Key.Key_Down)  # the box keeps its own keys
    assert choices.column.currentIndex() == 1


def test_letters_pass_a_count_by_and_digits_go_into_it(qapp, qtbot):
    from PySide6.QtWidgets import QWidget

    from ui.dashboard.widgets import THEMES, CountBox, sizes_for

    class Page(QWidget):
        heard = ""

        def keyPressEvent(self, event):
            self.heard += event.text()

    page = Page()
    qtbot.addWidget(page)
    count = CountBox(THEMES["light"], sizes_for(1280, 720))
    count.setParent(page)
    count.setRange(1, 999)
    page.show()
    count.setFocus()
    QTest.keyClicks(count, "g")
    count.selectAll()
    QTest.keyClicks(count, "12")
    assert page.heard == "g" and count.value() == 12
    QTest.keyClick(count, Qt.Key.Key_Up)
    assert count.value() == 13
    QTest.mouseClick(count, Qt.MouseButton.LeftButton, pos=count.rect().topRight() + QPoint(-8, 6))
    assert count.value() == 14  # the upper arrow
