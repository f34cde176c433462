"""Open the dashboard on a rig host."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import cast

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QApplication, QMainWindow

from hil.core import begin_log
from hil.link import Client, ClientKeys
from ui.dashboard.bench import Session, SpringChoice
from ui.dashboard.collecting import CollectorInTurn
from ui.dashboard.header import default_size
from ui.dashboard.priority import favour
from ui.dashboard.window import Window


def application() -> QApplication:
    """Return the one application object, with a font of tabular figures."""
    running = QApplication.instance()
    if running is not None:
        return cast(QApplication, running)
    # Otherwise other threads fill large areas, and the loop that takes the keys waits for them.
    os.environ.setdefault("QT_NO_GUI_THREADPOOL", "1")
    QApplication.setHighDpiScaleFactorRoundingPolicy(
        Qt.HighDpiScaleFactorRoundingPolicy.PassThrough
    )
    app = QApplication([sys.argv[0] or "hookeline"])
    app.setApplicationName("Hookeline")
    app.setStyle("Fusion")
    font = QFont(app.font())
    font.setFeature(QFont.Tag("tnum"), 1)
    app.setFont(font)
    return app


def run_dashboard(
    endpoint: str | Path,
    *,
    keys: ClientKeys | None = None,
    theme: str = "light",
    watch_only: bool = False,
    runs_directory: Path | None = None,
    name: str = "dashboard",
    profile_file: Path | None = None,
    springs: SpringChoice | None = None,
) -> int:
    """Show the dashboard until it is closed; return an exit code.

    Args:
        endpoint: link directory or ``tcp://HOST:PORT`` of a rig host.
        keys: needed for ``tcp://``.
        theme: ``light`` or ``dark``.
        watch_only: never take control; stop still works.
        runs_directory: folder shown on the Runs page.
        name: shown to others as the holder of control.
        profile_file: the rig's profile, if its file is on this computer: measured values may be
            written into it.
        springs: sets that the window offers in place of the one in use.

    Raises:
        hil.link.client.LinkError: the rig host cannot be reached.
    """
    client = Client.connect(endpoint, name=name, keys=keys)
    if isinstance(endpoint, Path):
        begin_log(endpoint, "dashboard").info("shows the bench as '%s'", name)
    app = application()
    session = Session(client, watch_only, profile_file)
    session.model.springs = springs
    window = Window(session.model, session, theme, runs_directory)
    window.resize(*default_size())
    return show_until_closed(app, window)


def show_until_closed(app: QApplication, window: QMainWindow) -> int:
    """Show a window until it is closed; return an exit code."""
    window.show()
    favour()
    collector = CollectorInTurn(app)
    # A Ctrl-C in the terminal closes the window in order; Python sees it at the next heartbeat.
    before = signal.signal(signal.SIGINT, lambda *_: QTimer.singleShot(0, window.close))
    try:
        return app.exec()
    finally:
        signal.signal(signal.SIGINT, before)
        window.close()
        collector.end()
