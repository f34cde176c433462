"""Open the dashboard on a rig host."""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import sys
from pathlib import Path
from typing import cast

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QApplication

from hil.link import Client, ClientKeys
from ui.dashboard.bench import Session
from ui.dashboard.header import default_size
from ui.dashboard.window import Window

NICE = -5  # of -20 to 19
SWITCH_INTERVAL_S = 0.0005


def application() -> QApplication:
    """The one application object, with a font whose figures stand in columns."""
    running = QApplication.instance()
    if running is not None:
        return cast(QApplication, running)
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


def favour() -> None:
    """Ask the system to let this process go before those that merely compute.

    The rig stops when this window's heartbeat is late, so a busy computer would stop it. The
    rig host still goes before. Not every user may; then nothing changes.
    """
    with contextlib.suppress(OSError, AttributeError):
        for thread in os.listdir("/proc/self/task"):  # the link's own among them
            os.setpriority(os.PRIO_PROCESS, int(thread), NICE)
    # Other threads write records and calibrations: the heartbeat must not wait long for its turn.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    # What lives as long as the window is never garbage: do not look through it again and again.
    gc.collect()
    gc.freeze()


def run_dashboard(
    endpoint: str | Path,
    *,
    keys: ClientKeys | None = None,
    theme: str = "light",
    watch_only: bool = False,
    runs_directory: Path | None = None,
    name: str = "dashboard",
    profile_file: Path | None = None,
) -> int:
    """Show the dashboard until it is closed; returns an exit code.

    Args:
        endpoint: link directory or ``tcp://HOST:PORT`` of a rig host.
        keys: needed for ``tcp://``.
        theme: ``light`` or ``dark``.
        watch_only: never take control; stop works all the same.
        runs_directory: folder shown on the Runs page.
        name: shown to others as the holder of control.
        profile_file: the rig's profile, if its file is on this computer: measured values may be
            written into it.

    Raises:
        hil.link.client.LinkError: the rig host cannot be reached.
    """
    client = Client.connect(endpoint, name=name, keys=keys)
    app = application()
    session = Session(client, watch_only, profile_file)
    window = Window(session.model, session, theme, runs_directory)
    window.resize(*default_size())
    window.show()
    favour()
    # A Ctrl-C in the terminal closes the window in order; Python sees it at the next heartbeat.
    before = signal.signal(signal.SIGINT, lambda *_: QTimer.singleShot(0, window.close))
    try:
        return app.exec()
    finally:
        signal.signal(signal.SIGINT, before)
        window.close()
