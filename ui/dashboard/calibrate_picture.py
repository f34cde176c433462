"""Draw the Calibrate page into a file, with what a calibration has come to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hil.calibration import CalibrationResult
from hil.profile import profile_to_dict
from ui.dashboard.picture import no_screen_needed, save_window

TITLE = "Calibrate"


@dataclass(frozen=True)
class _Rows:
    rows: NDArray[np.float64]


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
        size: of the window in logical pixels; the picture has ``scale`` times as many.

    Raises:
        OSError: the file cannot be written.
    """
    no_screen_needed()
    from ui.dashboard.app import application
    from ui.dashboard.bench import OperateModel
    from ui.dashboard.calibrate import CalibratePage
    from ui.dashboard.window import Window

    application()
    model = OperateModel({"profile": profile_to_dict(result.profile)}, history_s=10.0)
    model.in_control = True
    model.feed([_Rows(rows)], now_s=0.0)
    window = Window(model, theme=theme)
    window.view_of(TITLE).come(result)
    window.resize(*size)
    window.ensurePolished()
    window.fit()  # a window that is not shown is not told its size
    window.show_page(TITLE)
    window.grab()  # lays out with the fonts that are drawn; before it rows are too low
    page = window.page
    assert isinstance(page, CalibratePage)
    page.show_view(view)
    for _ in range(2):  # the axes of a plot find their width with the first drawing
        window.grab()
        window.refresh()
    save_window(window, path, size, scale)
