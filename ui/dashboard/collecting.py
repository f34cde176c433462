"""Garbage of the window's process, collected only in Qt's thread."""

from __future__ import annotations

import gc

from PySide6.QtCore import QObject, QTimer

from hil.core.collector_hold import hold_collector, release_collector

LOOK_MS = 250


class CollectorInTurn(QObject):
    """Python's collector, called by a timer of Qt's loop in place of whatever thread allocates.

    A widget that is garbage is destroyed where it is collected. Outside Qt's thread that crashes
    the process, and pages compute, read and write in other threads.
    """

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        hold_collector()
        self._timer = QTimer(self)
        self._timer.timeout.connect(self.look)
        self._timer.start(LOOK_MS)

    def look(self) -> None:
        """Collect the oldest generation that is due, as Python itself would."""
        for generation in (2, 1, 0):
            if gc.get_count()[generation] > gc.get_threshold()[generation]:
                gc.collect(generation)
                return

    def end(self) -> None:
        """Leave collection to Python again."""
        self._timer.stop()
        release_collector()
