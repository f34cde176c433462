"""Draw the Operate page into a file, as it was at a moment of a recorded run."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hil.core import COLUMNS, INDEX
from hil.profile import Profile, profile_to_dict
from hil.recorder import Run

if TYPE_CHECKING:
    from ui.dashboard.bench import OperateModel
    from ui.dashboard.window import Window

WINDOW_S = 60.0  # of the charts


@dataclass(frozen=True)
class RowsHeld:
    """Samples as a view model takes them.

    Attributes:
        rows: shape (n, len(COLUMNS)), SI.
    """

    rows: NDArray[np.float64]


def save_picture(
    profile: Profile, run: Run, path: str | Path, *, at_s: float | None = None
) -> None:
    """Draw the page from a recorded run into a PNG file; see ``save_rows_picture``.

    Raises:
        hil.recorder.runs.RunError: the run cannot be read.
        OSError: the file cannot be written.
    """
    rows = np.full((run.table.num_rows, len(COLUMNS)), np.nan)
    names = run.names
    for i, column in enumerate(COLUMNS):
        if column.name in names:
            rows[:, i] = run.column(column.name)
    save_rows_picture(profile, rows, run.events, path, at_s=at_s)


def save_rows_picture(
    profile: Profile,
    rows: ArrayLike,
    events: Iterable[Mapping[str, Any]],
    path: str | Path,
    *,
    at_s: float | None = None,
    size: tuple[int, int] = (1440, 900),
    theme: str = "light",
    scale: float = 1.0,
) -> None:
    """Draw the page as it was at ``at_s`` of the rows (the end if None) into a PNG file.

    Args:
        rows: samples, shape (n, len(COLUMNS)), SI.
        events: mappings as on the link; those after ``at_s`` are left out.
        size: size of the window in logical pixels; the picture has ``scale`` times as many.

    Raises:
        OSError: the file cannot be written.
    """
    table = np.asarray(rows, dtype=float).reshape(-1, len(COLUMNS))
    times = table[:, INDEX["time_s"]]
    end_s = float(times[-1]) if at_s is None and len(times) else float(at_s or 0.0)
    table = table[times <= end_s]
    before = [event for event in events if float(event.get("time_s", 0.0)) <= end_s]
    recent = table[table[:, INDEX["time_s"]] > end_s - WINDOW_S - 1.0]
    model = still_model(profile, [*before, RowsHeld(recent)], history_s=WINDOW_S + 10.0)
    if model.active_behaviour:
        model.choose(int(model.active_behaviour))
        model.form.show(model.applied)  # the active behaviour, not the next request
    from ui.dashboard.operate import OperatePage
    from ui.dashboard.window import Window

    window = Window(model, theme=theme)
    lay_window(window, size)
    window.grab()  # lays out with the fonts that are drawn; before it rows are too low
    page = window.page
    assert isinstance(page, OperatePage)
    page.chart_page.choose_window(WINDOW_S)
    save_window(window, path, size, scale)


def still_model(
    profile: Profile, items: Iterable[Any], *, history_s: float = 10.0, simulated: bool = False
) -> OperateModel:
    """Return the view model of a bench that has sent ``items`` and sends no more.

    Starts Qt, without a screen if there is none.

    Args:
        items: rows and events, as ``OperateModel.feed`` takes them.
    """
    no_screen_needed()
    from ui.dashboard.app import application
    from ui.dashboard.bench import OperateModel

    application()
    description = {"profile": profile_to_dict(profile), "simulated": simulated}
    model = OperateModel(description, history_s=history_s)
    model.in_control = True
    model.feed(list(items), now_s=0.0)
    return model


def lay_window(window: Window, size: tuple[int, int]) -> None:
    """Lay out the widgets of a window that is not shown, and so receives no size."""
    window.resize(*size)
    window.ensurePolished()
    window.fit()


def save_window(window: Window, path: str | Path, size: tuple[int, int], scale: float) -> None:
    """Draw a window that is not shown into a PNG file, and delete it.

    Raises:
        OSError: the file cannot be written.
    """
    from PySide6.QtCore import QPoint
    from PySide6.QtGui import QImage, QPainter

    image = QImage(
        round(size[0] * scale), round(size[1] * scale), QImage.Format.Format_ARGB32_Premultiplied
    )
    image.setDevicePixelRatio(scale)
    image.fill(window.theme.ground)
    painter = QPainter(image)
    window.render(painter, QPoint())
    painter.end()
    window.deleteLater()
    if not image.save(str(path)):
        raise OSError(f"picture '{path}' cannot be written; does its folder exist?")


def no_screen_needed() -> None:
    """Draw in memory if there is no screen; a Qt that already runs keeps its screen."""
    if "DISPLAY" not in os.environ and "WAYLAND_DISPLAY" not in os.environ:
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
