"""The waveform that is set, over its time, before it is applied."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from drivers.motion import FORCE, LENGTH
from hil.core import Behaviour, Waveform
from hil.profile import Profile
from hil.sequences import wave_setpoints
from ui.dashboard.widgets import Sizes, Theme

SAMPLES = 500


class WavePreview(QWidget):
    """Drawing of a waveform with its range and length."""

    def __init__(self, profile: Profile, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.profile, self.theme, self.sizes = profile, theme, sizes
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Waveform over time")
        self.words = ""
        self._shown: Behaviour | None = None
        self._values: NDArray[np.float64] = np.empty(0)

    def sizeHint(self) -> QSize:
        return QSize(self.sizes.px(220), self.sizes.px(86))

    minimumSizeHint = sizeHint

    def show_behaviour(self, behaviour: Behaviour | None) -> None:
        """Show a waveform; nothing for None or another behaviour."""
        if behaviour == self._shown:
            return
        self._shown, self.words, self._values = behaviour, "", np.empty(0)
        if isinstance(behaviour, Waveform):
            time, values = wave_setpoints(behaviour, self.profile, SAMPLES)
            of = FORCE if behaviour.of == "force" else LENGTH
            self._values = of.factor * values
            low, high = float(self._values.min()), float(self._values.max())
            self.words = f"{low:.3g} to {high:.3g}{of}, {time[-1]:.3g} s".replace("-", "−")
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        line = painter.fontMetrics().height()
        area = QRectF(self.rect()).adjusted(1, 1, -1, -line - 1)
        painter.setPen(QColor(self.theme.rule))
        painter.drawRect(area)
        painter.setPen(QColor(self.theme.quiet))
        below = QRectF(area.left(), area.bottom(), area.width(), line)
        painter.drawText(below, Qt.AlignmentFlag.AlignLeft, self.words)
        if len(self._values):
            low, room = float(self._values.min()), float(np.ptp(self._values)) or 1.0
            x = np.linspace(area.left() + 2, area.right() - 2, len(self._values))
            y = area.bottom() - 4 - (self._values - low) / room * (area.height() - 8)
            painter.setPen(QPen(QColor(self.theme.setpoint), 1.6))
            points = [QPointF(a, b) for a, b in zip(x.tolist(), y.tolist(), strict=True)]
            painter.drawPolyline(QPolygonF(points))
        painter.end()
