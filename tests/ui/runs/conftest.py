"""Fixtures: recorded runs, and windows that show them."""

from pathlib import Path

import pytest

from tests.ui.runs.runs_window import Host, record, settle
from ui.dashboard.window import Window


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    for name in ("float", "push", "wave"):
        record(tmp_path, name)
    return tmp_path


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
