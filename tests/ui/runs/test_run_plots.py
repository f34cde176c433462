"""An opened run: plots of one column over another, comparison of two runs, export."""

from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication

from tests.ui.runs.runs_window import Host, opened, press, record
from ui.dashboard.runs.series import RunSeries


@pytest.mark.parametrize("size", [(1280, 560), (1920, 900)])
def test_the_name_of_a_file_to_write_is_seen(window: Host, size) -> None:
    opened(window)
    window.resize(*size)
    press(window, Qt.Key.Key_S, modifier=Qt.KeyboardModifier.ControlModifier)
    field = window.page.panel.export.fields[0]
    QApplication.processEvents()
    assert field.fontMetrics().horizontalAdvance("0002-constant-force.parquet") < field.width()


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
    assert "does not record the lead" in panel.pane.text.text()
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
    assert "already exists" in write(str(target))
    assert "ends in none of" in write(str(tmp_path / "part.xyz"))
    assert "samples in" in write(str(tmp_path / "part.svg"))
    assert picture.hasFocus()
