"""Hints in empty fields are not cut in the smallest supported window."""

import pytest
from PySide6.QtWidgets import QLineEdit, QStyle, QStyleOptionFrame

from hil.core.samples import State
from hil.recorder import RunWriter
from tests.ui.made_rows import make_rows
from tests.ui.person_at_window import page_as
from ui.dashboard.calibrate import CalibratePage
from ui.dashboard.runs import RunsPage
from ui.dashboard.window import Window

pytestmark = pytest.mark.pages("Operate", "Calibrate", "Runs")


def cut_hints(window):
    for field in window.findChildren(QLineEdit):
        if not field.isVisible() or field.text() or not field.placeholderText():
            continue
        option = QStyleOptionFrame()
        field.initStyleOption(option)
        inside = field.style().subElementRect(QStyle.SubElement.SE_LineEditContents, option, field)
        if field.fontMetrics().horizontalAdvance(field.placeholderText()) > inside.width() - 4:
            yield f"{field.placeholderText()}: {inside.width()}"


def test_hints_in_empty_fields_are_whole(model, qtbot, tmp_path):
    with RunWriter(tmp_path, "constant-force", {}) as writer:
        writer.rows(make_rows(300).rows)
    model.feed([make_rows(200, state=State.STANDBY)], 1.0)
    window = Window(model, runs_directory=tmp_path)
    qtbot.addWidget(window)
    window.resize(1280, 720)
    window.fit()
    window.show()
    assert page_as(window, CalibratePage) is not None
    runs = page_as(window, RunsPage)
    found = []
    for title in ("Operate", "Calibrate", "Runs"):
        window.show_page(title)
        if title == "Runs":
            window.view_of("Runs").wait()
            window.refresh()
            window.view_of("Runs").open(window.view_of("Runs").runs[0])
            window.view_of("Runs").wait()
            window.refresh()
            runs.panel.begin_export()
        qtbot.wait(1)
        found += cut_hints(window)
    window.view_of("Runs").close()
    assert found == []
