"""Draw the Measure page into a file, with the results of a measurement."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hil.profile import Profile
from ui.dashboard.picture import RowsHeld, lay_window, save_window, still_model

if TYPE_CHECKING:
    from ui.dashboard.measure import MeasureModel

TITLE = "Measure"


def save_measure_picture(
    profile: Profile,
    rows: NDArray[np.float64],
    path: str | Path,
    state: Callable[[MeasureModel], object],
    *,
    size: tuple[int, int] = (1440, 900),
    theme: str = "light",
    scale: float = 1.0,
) -> None:
    """Draw the page in a state that ``state`` puts its view model into, as a PNG file.

    Args:
        profile: profile of the rig.
        rows: samples, shape (n, len(COLUMNS)): what the window knows of the bench.
        path: path of the file.
        state: called once with the page's view model.
        size: size of the window in logical pixels; the picture has ``scale`` times as many.
        theme: ``light`` or ``dark``.
        scale: pixels of the picture to one of the window.

    Raises:
        OSError: the file cannot be written.
    """
    from ui.dashboard.app import application
    from ui.dashboard.window import Window

    simulated = profile.simulation is not None
    model = still_model(profile, [RowsHeld(rows)], simulated=simulated)
    app = application()
    window = Window(model, theme=theme)
    state(window.view_of(TITLE))
    lay_window(window, size)
    window.show_page(TITLE)
    for _ in range(3):  # lays out with the fonts that are drawn; axes find their width
        window.grab()
        app.processEvents()
        window.refresh()
    save_window(window, path, size, scale)
