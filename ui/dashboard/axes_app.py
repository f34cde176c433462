"""The dashboard on the rig host of several axes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from hil.link import Client, ClientKeys
from ui.dashboard.app import application, show_until_closed
from ui.dashboard.axes_window import AxesWindow
from ui.dashboard.bench import Session
from ui.dashboard.header import default_size
from ui.dashboard.window import Window


def run_axes_dashboard(
    name: str,
    links: Mapping[str, str | Path],
    *,
    keys: ClientKeys | None = None,
    watch_only: bool = False,
    runs_directory: Path | None = None,
    profile_files: Mapping[str, Path],
) -> int:
    """Show the dashboard of several axes until it is closed; return an exit code.

    Args:
        name: name of the axes file, for the window's title.
        links: link directory or ``tcp://HOST:PORT`` of each axis.
        keys: needed for ``tcp://``.
        watch_only: never take control; stop still works.
        runs_directory: folder shown on the Runs pages.
        profile_files: profile file of each axis, if it is on this computer.

    Raises:
        hil.link.client.LinkError: the rig host cannot be reached.
    """
    app = application()
    windows = {}
    for axis, link in links.items():
        client = Client.connect(link, name="dashboard", keys=keys)
        session = Session(client, watch_only, profile_files.get(axis))
        windows[axis] = Window(session.model, session, "light", runs_directory)
    window = AxesWindow(name, windows)
    window.resize(*default_size())
    return show_until_closed(app, window)
