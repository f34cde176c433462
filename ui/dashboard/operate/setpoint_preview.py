"""Setpoints of a sequence over time: force above, position below, a cursor at the present."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from drivers.motion import FORCE, LENGTH, worded
from hil.profile import Profile
from hil.sequences import Preview
from ui.dashboard.widgets import Sizes, Theme


class SetpointPreview(QWidget):
    """Drawing of a :class:`hil.sequences.Preview`; a gap where nothing is requested."""

    def __init__(self, profile: Profile, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.theme, self.sizes = theme, sizes
        self.plan: Preview | None = None
        self.at_s: float | None = None
        travel = profile.limits.travel
        self._travel_mm = (LENGTH(travel.lower), LENGTH(travel.upper))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumHeight(sizes.px(130))
        self.setAccessibleName("Setpoints over time")

    def sizeHint(self) -> QSize:
        return QSize(self.sizes.px(260), self.sizes.px(170))

    def show_plan(self, plan: Preview | None, at_s: float | None) -> None:
        """Show a plan with the cursor at ``at_s``; None for no cursor."""
        if plan is self.plan and at_s == self.at_s:
            return
        self.plan, self.at_s = plan, at_s
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        painter.setFont(font)
        line = QFontMetricsF(font).height()
        plan = self.plan
        if plan is not None and len(plan.time_s):
            end_s = max(float(plan.begins_s[-1]), 1e-3)
            area = QRectF(self.rect()).adjusted(2, line, -2, -line)
            half = (area.height() - line) / 2
            upper = QRectF(area.left(), area.top(), area.width(), half)
            lower = upper.translated(0, half + line)
            forces = FORCE.factor * plan.force_N
            force = forces[np.isfinite(forces)]
            span = (
                (min(0.0, float(force.min())), max(1.0, float(force.max())))
                if len(force)
                else (0.0, 1.0)
            )
            kind = worded("force", "torque")
            words = (
                f"{kind}, {FORCE.unit} ({span[0]:.0f} to {span[1]:.0f})"
                if len(force)
                else f"no {kind} setpoint"
            )
            self._lane(painter, upper, words, forces, span, end_s, self.theme.force)
            low, high = self._travel_mm
            words = f"{worded('position', 'angle')}, {LENGTH.unit} ({low:.0f} to {high:.0f})"
            self._lane(
                painter,
                lower,
                words,
                LENGTH.factor * plan.position_m,
                (low, high),
                end_s,
                self.theme.setpoint,
            )
            painter.setPen(QColor(self.theme.quiet))
            painter.drawText(
                QRectF(area.left(), lower.bottom(), area.width(), line),
                Qt.AlignmentFlag.AlignRight,
                f"{end_s:.0f} s",
            )
            if self.at_s is not None:
                x = area.left() + area.width() * min(self.at_s / end_s, 1.0)
                painter.setPen(QPen(QColor(self.theme.accent), 2))
                painter.drawLine(QPointF(x, upper.top()), QPointF(x, lower.bottom()))
        painter.end()

    def _lane(
        self,
        painter: QPainter,
        area: QRectF,
        words: str,
        values: NDArray[np.float64],
        span: tuple[float, float],
        end_s: float,
        colour: str,
    ) -> None:
        assert self.plan is not None
        painter.setPen(QColor(self.theme.rule))
        painter.drawRect(area)
        for begin in self.plan.begins_s[1:-1] if len(self.plan.begins_s) < 60 else ():
            x = area.left() + area.width() * float(begin) / end_s
            painter.drawLine(QPointF(x, area.bottom() - 4), QPointF(x, area.bottom()))
        painter.setPen(QColor(self.theme.quiet))
        painter.drawText(QPointF(area.left(), area.top() - 4), words)
        painter.setPen(QPen(QColor(colour), 1.6))
        low, high = span
        room = 0.92 * area.height()
        last: QPointF | None = None
        for time, value in zip(self.plan.time_s.tolist(), values.tolist(), strict=True):
            if value != value:
                last = None
                continue
            share = (value - low) / ((high - low) or 1.0)
            here = QPointF(
                area.left() + area.width() * time / end_s, area.bottom() - 3 - share * room
            )
            if last is not None:
                painter.drawLine(last, here)
            last = here
