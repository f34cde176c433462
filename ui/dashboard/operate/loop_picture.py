"""Force over deflection of the last seconds: the springs' law, and the motor's loop around it."""

from __future__ import annotations

from collections import deque

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from drivers.motion import FORCE, LENGTH, restated, worded
from ui.dashboard.bench import OperateModel
from ui.dashboard.widgets import Sizes, Theme

LAST_S = 20.0
EVERY_S = 0.02
LEAST_MM, LEAST_N = 0.2, 20.0  # least range to either side


class LoopPicture(QWidget):
    """Spring force and force from the motor over deflection, with a dot at the present.

    Springs alone give one line; friction opens the motor's into a loop.
    """

    def __init__(self, model: OperateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.model, self.theme, self.sizes = model, theme, sizes
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setAccessibleName("Force over deflection")
        self.setToolTip("friction opens the motor's line into a loop")
        # time in s, deflection in mm, force of the springs and from the motor in N
        self.points: deque[tuple[float, float, float, float]] = deque(maxlen=1500)

    def take(self) -> None:
        """Take the latest sample, whether the picture is shown or not."""
        model, points = self.model, self.points
        time_s = model.time_s
        if points and time_s < points[-1][0]:
            points.clear()  # another rig host
        if points and time_s - points[-1][0] < EVERY_S:
            return
        names = ("deflection_m", "spring_force_N", "motor_force_N")
        deflection, spring, motor = (model.value(name) for name in names)
        if deflection == deflection and spring == spring and motor == motor:
            points.append((time_s, 1e3 * deflection, spring, motor))
        while points and points[0][0] < time_s - LAST_S:
            points.popleft()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        line = painter.fontMetrics().height()
        area = QRectF(self.rect()).adjusted(8, line + 4, -10, -line - 4)
        points = list(self.points)
        wide = max([LEAST_MM, *(abs(p[1]) for p in points)]) * 1.1
        high = max([LEAST_N, *(max(abs(p[2]), abs(p[3])) for p in points)]) * 1.1
        centre = area.center()
        painter.setPen(QColor(self.theme.rule))
        painter.drawRect(area)
        painter.drawLine(QPointF(area.left(), centre.y()), QPointF(area.right(), centre.y()))
        painter.drawLine(QPointF(centre.x(), area.top()), QPointF(centre.x(), area.bottom()))
        painter.setPen(QColor(self.theme.ink))
        words = worded("Force over deflection", "Torque over deflection")
        painter.drawText(QPointF(area.left(), area.top() - 4), words)
        painter.setPen(QColor(self.theme.quiet))
        above = QRectF(area.left(), area.top() - line - 4, area.width(), line)
        painter.drawText(above, Qt.AlignmentFlag.AlignRight, f"± {FORCE(high):.3g}{FORCE}")
        below = QRectF(area.left(), area.bottom() + 2, area.width(), line)
        painter.drawText(
            below, Qt.AlignmentFlag.AlignRight, f"± {restated(wide, 'mm'):.2g}{LENGTH}"
        )
        words = f"springs, motor (thin), last {LAST_S:.0f} s"
        painter.drawText(below, Qt.AlignmentFlag.AlignLeft, words)

        def at(x_mm: float, y_N: float) -> QPointF:
            return QPointF(
                centre.x() + x_mm / wide * area.width() / 2,
                centre.y() - y_N / high * area.height() / 2,
            )

        for which, colour, thick in ((3, self.theme.motor, 1.2), (2, self.theme.measured, 2.2)):
            painter.setPen(QPen(QColor(colour), thick))
            painter.drawPolyline(QPolygonF([at(point[1], point[which]) for point in points]))
        if points:
            painter.setBrush(QColor(self.theme.ink))
            painter.drawEllipse(at(points[-1][1], points[-1][3]), 3, 3)
        painter.end()
