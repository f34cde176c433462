"""Screen of this computer, and the dashboard on it."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ui.commands.answers import CommandError

END_S = 5.0
OPENED_MS = 300  # until the window has taken control


def has_display() -> bool:
    """Return whether a window can be opened where a person sees it."""
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def has_platform() -> bool:
    """Return whether a platform for windows was chosen, such as offscreen."""
    return bool(os.environ.get("QT_QPA_PLATFORM"))


@dataclass(frozen=True)
class Opening:
    """Acts once the dashboard has opened.

    Attributes:
        record_as: name of a run to record from the start, if not empty.
        hint: shown to the operator.
        offer: shipped sequence to select, if not empty.
        open_house: letters that unlock it; the window locks for visitors once power is on.
        attract: open house moves a little while no visitor comes.
    """

    record_as: str = ""
    hint: str = ""
    offer: str = ""
    open_house: str = ""
    attract: bool = False


OPENS_PLAIN = Opening()


def operate(
    where: str | Path,
    *,
    keys: Any = None,
    watch: bool = False,
    runs: Path | None = None,
    opening: Opening = OPENS_PLAIN,
    profile_file: Path | None = None,
    springs: Any = None,
) -> int:
    """Show the dashboard until it is closed; return its exit code.

    Args:
        where: link directory or ``tcp://HOST:PORT``.
        keys: ``ClientKeys`` for ``tcp://``.
        watch: never take control.
        runs: folder shown on the Runs page.
        opening: acts once the window has opened.
        profile_file: the rig's profile, if its file is on this computer.
        springs: ``ui.dashboard.bench.SpringChoice`` of the rig's sets; None offers none.

    Raises:
        CommandError: the screen libraries do not load.
        hil.link.client.LinkError: the rig host cannot be reached.
    """
    with _libraries():
        from ui.dashboard.app import run_dashboard

    def show() -> int:
        return run_dashboard(
            where,
            keys=keys,
            watch_only=watch,
            runs_directory=runs,
            profile_file=profile_file,
            springs=springs,
        )

    return _operate(show, watch, opening)


def operate_axes(
    name: str,
    links: Mapping[str, str | Path],
    *,
    keys: Any = None,
    watch: bool = False,
    runs: Path | None = None,
    opening: Opening = OPENS_PLAIN,
    files: Mapping[str, Path] | None = None,
) -> int:
    """Show the dashboard of several axes until it is closed; return its exit code.

    Args:
        name: name of the axes file.
        links: link directory or network address of each axis.
        keys, watch, runs, opening: as :func:`operate`.
        files: profile of each axis, if it is on this computer.

    Raises:
        CommandError, hil.link.client.LinkError: as :func:`operate`.
    """
    with _libraries():
        from ui.dashboard.axes_app import run_axes_dashboard

    def show() -> int:
        return run_axes_dashboard(
            name, links, keys=keys, watch_only=watch, runs_directory=runs, profile_files=files or {}
        )

    return _operate(show, watch, opening)


@contextlib.contextmanager
def _libraries() -> Iterator[None]:
    try:
        yield
    except ImportError as error:
        raise CommandError(
            f"the dashboard does not load ({error}): install the system packages that README.md "
            "names, or use 'hookeline perform SEQUENCE --headless'"
        ) from None


def _operate(show: Callable[[], int], watch: bool, opening: Opening) -> int:
    """Call ``show``, and do what the opening asks for once its windows are there."""
    with _libraries():
        from PySide6.QtCore import QTimer
        from PySide6.QtWidgets import QApplication

        from ui.dashboard.app import application
        from ui.dashboard.window import Window
    from hil.core import StartRun

    application()

    def windows() -> list[Window]:
        return [w for w in QApplication.allWidgets() if isinstance(w, Window)]

    def opened() -> None:
        for window in windows():
            if window.session is not None:
                if opening.record_as and not watch:
                    window.session.ask(StartRun(name=opening.record_as))
                if opening.hint:
                    window.model.say(opening.hint)
                if opening.offer and not watch:
                    window.offer(opening.offer)
                if opening.open_house and not watch:
                    window.open_house.arm(opening.open_house, opening.attract)

    def close_all() -> None:
        for top in {window.window() for window in windows()}:
            top.close()

    QTimer.singleShot(OPENED_MS, opened)
    # An exception out of a signal handler would be lost in Qt's loop: close in order instead.
    before = signal.signal(signal.SIGTERM, lambda *_: QTimer.singleShot(0, close_all))
    try:
        return show()
    finally:
        signal.signal(signal.SIGTERM, before)


@contextlib.contextmanager
def watching_dashboard(where: Path, runs: Path) -> Iterator[None]:
    """Run a watching dashboard in its own process, closed at the end."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "ui.cli",
            "bench",
            "--watch",
            "--link",
            str(where),
            "--runs",
            str(runs),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        yield
    finally:
        process.terminate()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
