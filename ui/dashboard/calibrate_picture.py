"""Draw the Calibrate page into a file, with the result of a calibration."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hil.calibration import CalibrationResult
from ui.dashboard.picture import RowsHeld, lay_window, save_window, still_model

TITLE = "Calibrate"


def save_calibrate_picture(
    result: CalibrationResult,
    rows: NDArray[np.float64],
    path: str | Path,
    *,
    view: int = 0,
    size: tuple[int, int] = (1440, 900),
    theme: str = "light",
    scale: float = 1.0,
) -> None:
    """Draw the page before the result is accepted into a PNG file.

    Args:
        rows: samples after it, shape (n, len(COLUMNS)): what the window knows of the bench.
        view: 0 points, 1 law and band, 2 earlier calibrations.
        size: size of the window in logical pixels; the picture has ``scale`` times as many.

    Raises:
        OSError: the file cannot be written.
    """
    from ui.dashboard.calibrate import CalibratePage
    from ui.dashboard.window import Window

    window = Window(still_model(result.profile, [RowsHeld(rows)]), theme=theme)
    window.view_of(TITLE).come(result)
    lay_window(window, size)
    window.show_page(TITLE)
    window.grab()  # lays out with the fonts that are drawn; before it rows are too low
    page = window.page
    assert isinstance(page, CalibratePage)
    page.show_view(view)
    for _ in range(2):  # the axes of a plot find their width with the first drawing
        window.grab()
        window.refresh()
    save_window(window, path, size, scale)
