"""The Size page in a window without a bench, by keys."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pyqtgraph
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from drivers.motion import speaking
from hil.profile import load_profile
from hil.sizing.requirements import FOLDER
from tests.ui.person_at_window import page_as
from ui.dashboard.size import SizePage
from ui.dashboard.size.model import SizeModel
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate", "Size")


@pytest.fixture
def window(qtbot, model, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    window = Window(model)
    qtbot.addWidget(window)
    window.resize(1440, 900)
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow)
    QTest.keyClick(window.focusWidget() or window, Qt.Key.Key_F7)
    assert window.page is page_as(window, SizePage)
    return window


def settled(qtbot, window, condition):
    def look():
        window.page.refresh()
        assert condition()

    qtbot.waitUntil(look, timeout=30_000)


def texts(table, column):
    return [table.item(row, column).text() for row in range(table.rowCount())]


def test_keys_size_choose_and_write(qtbot, window):
    page = window.page
    assert not page.write.isEnabled()
    QTest.keyClick(page.table, Qt.Key.Key_G)
    settled(qtbot, window, lambda: page.name.text())
    assert page.table.rowCount() == 27
    assert "meets all requirements" in page.name.text() and "invented" in page.text.text()
    assert texts(page.table, 1)[0] == "all met"
    assert "Force bandwidth, small" in texts(page.figures, 0)

    # Points are numbered, and no two numbers overlap.
    names = [legend.text() for legend in page.legends]
    assert (
        "<b>3–7</b>&nbsp;duty 1, 2, 3, 4, 6" in names[0] and "<b>2</b>&nbsp;400&nbsp;N" in names[1]
    )
    labels = [i for i in page.speed.getPlotItem().items if isinstance(i, pyqtgraph.TextItem)]
    boxes = [label.mapRectToScene(label.boundingRect()) for label in labels]
    assert len(boxes) > 3
    assert not any(a.intersects(b) for a, b in combinations(boxes, 2))

    # Another combination: its loop is designed when it is chosen.
    last = page.table.item(26, 0).text()
    QTest.keyClick(page.table, Qt.Key.Key_End, Qt.KeyboardModifier.ControlModifier)
    settled(qtbot, window, lambda: page.name.text().startswith(last))
    assert "misses" in page.name.text()
    assert texts(page.figures, 3)[0] == "▲ missed"  # missed figures come first
    QTest.keyClick(page.table, Qt.Key.Key_Home, Qt.KeyboardModifier.ControlModifier)
    settled(qtbot, window, lambda: "meets all" in page.name.text())

    QTest.keyClick(page.table, Qt.Key.Key_V)
    assert page.moves.isVisible() and not page.figures.isVisible()
    assert "screw: dynamic rating" in texts(page.moves, 0)

    QTest.keyClick(page.table, Qt.Key.Key_U)
    assert "hookeline demo --profile sized.yaml" in page.text.text()
    assert Path("sized.demo.yaml").exists()
    assert load_profile("sized.yaml").actuator.name == page.name.text().split(" ")[0]
    QTest.keyClick(page.table, Qt.Key.Key_U)
    assert "already exists" in page.text.text()

    # A new theme rebuilds the widgets; the results stay.
    QTest.keyClick(page.table, Qt.Key.Key_F9)
    page = window.page
    assert page.table.rowCount() == 27 and "meets all" in page.name.text()
    assert page.moves.isVisibleTo(page)


def test_a_mistake_in_a_file_is_reported_with_its_place(qtbot, window):
    page = window.page
    text = (FOLDER / "footplate.yaml").read_text()
    Path("w.yaml").write_text(text.replace("stroke: 55 mm", "stroke: 55 kg"))
    page.required.setText("w.yaml")
    QTest.keyClick(page.required, Qt.Key.Key_Return)
    settled(qtbot, window, lambda: not page.model.busy)
    assert page.text.text().startswith("w.yaml:7: stroke")
    assert page.go.isEnabled() and page.table.rowCount() == 0


def test_a_joint_is_sized_in_its_own_units(qtbot, window):
    page = window.page
    page.required.setText("joint")
    QTest.keyClick(page.required, Qt.Key.Key_Return)
    settled(qtbot, window, lambda: page.name.text())
    assert page.table.rowCount() == 27 and "meets all" in page.name.text()
    assert page.axes[0].text() == "Torque (N·m) over speed (°/s), pushing"
    shown = texts(page.figures, 0) + texts(page.figures, 1)
    assert "Gear life L10 on the duty" in shown
    assert not any(text.endswith((" N", " mm/s", " N/mm")) for text in shown)
    QTest.keyClick(page.table, Qt.Key.Key_U)
    assert Path("sized.yaml").exists() and "hookeline demo" in page.text.text()


def test_a_rotary_rig_begins_with_requirements_for_a_joint():
    assert SizeModel().required == "footplate"
    with speaking("rotary"):
        assert SizeModel().required == "joint"
