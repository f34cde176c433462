"""F1 opens the manual at the page's topic; search and links by keyboard and mouse."""

from __future__ import annotations

from typing import Any

import pytest
from PySide6.QtCore import Qt, QUrl
from PySide6.QtTest import QTest

from ui.dashboard.bench import OperateModel
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate", "Calibrate")


@pytest.fixture
def window(model: OperateModel, qtbot: Any) -> Window:
    made = Window(model)
    qtbot.addWidget(made)
    made.show()
    return made


def test_f1_opens_the_topic_of_the_page_that_is_shown(window: Window) -> None:
    for page, topic in (("Operate", "operate"), ("Calibrate", "calibrate")):
        window.show_page(page)
        QTest.keyClick(window, Qt.Key.Key_F1)
        assert window.help is not None and window.help.isVisible()
        assert window.help.topic == topic
        assert len(window.help.page.toPlainText()) > 500


def test_search_lists_topics_and_a_link_is_followed(window: Window) -> None:
    window.show_help()
    assert window.help is not None
    QTest.keyClicks(window.help.entry, "back-drives")
    titles = [window.help.list.item(i).text() for i in range(window.help.list.count())]
    assert any(title.startswith("Cautions") for title in titles)
    window.help.list.setCurrentRow(0)
    assert "back-drives" in window.help.page.toPlainText()
    window.help.page.anchorClicked.emit(QUrl("bring_up.md"))
    assert window.help.topic == "bring_up"


def test_esc_in_the_manual_stops_the_rig(window: Window, monkeypatch: Any) -> None:
    stops = []
    monkeypatch.setattr(window, "stop", lambda: stops.append(1))
    window.show_help()
    assert window.help is not None
    QTest.keyClick(window.help, Qt.Key.Key_Escape)
    assert stops == [1]


def test_the_manual_closes_with_the_window(window: Window) -> None:
    window.show_help()
    assert window.help is not None
    window.close()
    assert not window.help.isVisible()
