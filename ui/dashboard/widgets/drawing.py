"""Strokes of an engineering drawing: line weights, hatching, arrows, dimensions.

Line widths are in the ratio 2 : 1 and dimension arrows are filled and slim, as in ISO 128 and
ISO 129.
"""

from __future__ import annotations

import math

from PySide6.QtCore import QLineF, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen, QPolygonF

from ui.dashboard.widgets.theme import Sizes, Theme


class SketchPainter:
    """A painter with the pens, the fonts and the sizes of the sheet.

    Lengths given to its methods are logical pixels; ``u`` is one pixel of the 1440 × 900 sheet.
    """

    def __init__(self, painter: QPainter, theme: Theme, sizes: Sizes, font: QFont) -> None:
        self.painter = painter
        self.theme = theme
        self.sizes = sizes
        self.u = sizes.scale
        self.font = QFont(font)
        self.font.setPointSizeF(sizes.text_pt)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setFont(self.font)
        self.metrics = QFontMetricsF(self.font)
        self.line_height = self.metrics.height()

    # -------------------------------------------------------------- pens

    def pen(self, colour: str, width: float, style: Qt.PenStyle = Qt.PenStyle.SolidLine) -> QPen:
        pen = QPen(QColor(colour), max(1.0, width * self.u), style)
        pen.setJoinStyle(Qt.PenJoinStyle.MiterJoin)
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
        return pen

    def wide(self, colour: str = "") -> QPen:
        return self.pen(colour or self.theme.ink, 1.8)

    def narrow(self, colour: str = "") -> QPen:
        return self.pen(colour or self.theme.ink, 0.9)

    def chain(self, colour: str = "") -> QPen:
        """Return the long-dash dot pen of centre lines."""
        pen = self.pen(colour or self.theme.quiet, 0.9)
        pen.setDashPattern([10.0, 3.0, 2.0, 3.0])
        return pen

    # -------------------------------------------------------------- shapes

    def box(
        self, x: float, y: float, w: float, h: float, fill: str = "", pen: QPen | None = None
    ) -> None:
        self.painter.setPen(pen or self.wide())
        self.painter.setBrush(QColor(fill) if fill else Qt.BrushStyle.NoBrush)
        self.painter.drawRect(QRectF(x, y, w, h))

    def line(self, x1: float, y1: float, x2: float, y2: float, pen: QPen) -> None:
        self.painter.setPen(pen)
        self.painter.drawLine(QLineF(x1, y1, x2, y2))

    def hatch(self, rect: QRectF, colour: str = "", pitch: float = 7.0) -> None:
        """Fill ``rect`` with narrow lines at 45°."""
        painter = self.painter
        painter.save()
        painter.setClipRect(rect, Qt.ClipOperation.IntersectClip)
        painter.setPen(self.narrow(colour or self.theme.quiet))
        step = pitch * self.u
        reach = rect.height()
        x = math.floor((rect.left() - reach) / step) * step
        while x < rect.right():
            painter.drawLine(QLineF(x, rect.bottom(), x + reach, rect.top()))
            x += step
        painter.restore()

    def arrow_head(self, tip: QPointF, angle: float, length: float, colour: str) -> None:
        """Draw a slim filled head whose tip points to ``angle`` (rad, 0 = right, screen sense)."""
        half = 0.17 * length
        cosine, sine = math.cos(angle), math.sin(angle)
        back = QPointF(tip.x() - length * cosine, tip.y() - length * sine)
        self.painter.setPen(Qt.PenStyle.NoPen)
        self.painter.setBrush(QColor(colour))
        self.painter.drawPolygon(
            QPolygonF(
                [
                    tip,
                    QPointF(back.x() - half * sine, back.y() + half * cosine),
                    QPointF(back.x() + half * sine, back.y() - half * cosine),
                ]
            )
        )

    def force_arrow(
        self, start: QPointF, angle: float, length: float, colour: str, weight: float = 5.0
    ) -> QPointF:
        """Draw a thick arrow from ``start``, if long enough to show; return its tip."""
        tip = QPointF(start.x() + length * math.cos(angle), start.y() + length * math.sin(angle))
        if length < 2.0 * self.u:
            return tip
        half = weight * self.u / 2
        head = min(2.3 * weight * self.u, length)
        cosine, sine = math.cos(angle), math.sin(angle)
        neck = length - head
        outline = [
            (0, -half),
            (neck, -half),
            (neck, -2.1 * half),
            (length, 0),
            (neck, 2.1 * half),
            (neck, half),
            (0, half),
        ]
        self.painter.setPen(Qt.PenStyle.NoPen)
        self.painter.setBrush(QColor(colour))
        self.painter.drawPolygon(
            QPolygonF(
                [
                    QPointF(
                        start.x() + along * cosine - across * sine,
                        start.y() + along * sine + across * cosine,
                    )
                    for along, across in outline
                ]
            )
        )
        return tip

    def dimension(self, x1: float, x2: float, y: float, text: str, room: float) -> None:
        """Draw a horizontal dimension between two abscissae, its text at the right end.

        Arrows are outside if the distance is too short to hold them.
        """
        ink = self.theme.ink
        left, right = min(x1, x2), max(x1, x2)
        head = 10.0 * self.u
        if right - left >= 2.2 * head:
            self.line(left + head / 2, y, right - head / 2, y, self.narrow())
            self.arrow_head(QPointF(left, y), math.pi, head, ink)
            self.arrow_head(QPointF(right, y), 0.0, head, ink)
            end = right
        else:
            self.line(left - 2 * head, y, right + 2 * head, y, self.narrow())
            self.arrow_head(QPointF(left, y), 0.0, head, ink)
            self.arrow_head(QPointF(right, y), math.pi, head, ink)
            end = right + 2 * head
        self.text(min(end + 5 * self.u, room), y, text, bold=True)

    # -------------------------------------------------------------- text

    def text(
        self,
        x: float,
        y: float,
        text: str,
        colour: str = "",
        bold: bool = False,
        anchor: str = "left",
        points: float = 0.0,
    ) -> float:
        """Draw text vertically centred at ``y``; return its width.

        ``anchor``: ``left``, ``middle`` or ``right`` of the text is at ``x``.
        """
        font = QFont(self.font)
        font.setBold(bold)
        if points:
            font.setPointSizeF(points)
        metrics = QFontMetricsF(font)
        width = metrics.horizontalAdvance(text)
        left = x - {"left": 0.0, "middle": width / 2, "right": width}[anchor]
        self.painter.setFont(font)
        self.painter.setPen(QColor(colour or self.theme.ink))
        # Capitals and figures look centred about half their own height, not the font's.
        self.painter.drawText(QPointF(left, y + metrics.capHeight() / 2), text)
        return width
