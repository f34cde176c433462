"""The line above a strip: its title and unit on the left, its legend on the right."""

from __future__ import annotations

from PySide6.QtCore import QPointF
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPen

from ui.dashboard.charts.chart_view import Panel
from ui.dashboard.widgets import Theme

# In the sheet's pixels: place of a title; gap before a name of the legend; its stroke, and the
# distance of entries, where there is room and where there is little.
TITLE_AT_U, UNIT_GAP_U, LEGEND_GAP_U = 12.0, 6.0, 6.0
LEGEND_U, TIGHT_LEGEND_U = (20.0, 9.0), (12.0, 5.0)


def _bold(font: QFont) -> QFont:
    bold = QFont(font)
    bold.setWeight(QFont.Weight.DemiBold)
    return bold


def title_end(panel: Panel, font: QFont, u: float) -> float:
    """Return where a panel's title with its unit ends, logical pixels."""
    title = QFontMetricsF(_bold(font)).horizontalAdvance(panel.title)
    unit = QFontMetricsF(font).horizontalAdvance(panel.unit)
    return (TITLE_AT_U + UNIT_GAP_U) * u + title + unit


def legend_entries(
    panel: Panel, font: QFont, u: float, left: float, right: float
) -> list[tuple[float, float, float]]:
    """Return where the stroke, the name and the end of each trace's entry are, logical pixels.

    They end at ``right``; if they would not fit after ``left``, they are set closer.
    """
    metrics = QFontMetricsF(font)
    names = [metrics.horizontalAdvance(trace.label) for trace in panel.traces]
    stroke, apart = LEGEND_U
    if sum(names) + len(names) * (stroke + LEGEND_GAP_U + apart) * u > right - left:
        stroke, apart = TIGHT_LEGEND_U
    entries = []
    for name in reversed(names):
        entries.append((right - name - (stroke + LEGEND_GAP_U) * u, right - name, right))
        right = entries[-1][0] - apart * u
    return entries[::-1]


def paint_title(
    painter: QPainter, panel: Panel, top: float, right: float, theme: Theme, u: float
) -> None:
    """Write title, unit and legend with the painter's font.

    Args:
        top: upper edge of the strip. right: right edge of the plotting area. Logical pixels.
        u: logical pixels to a pixel of the sheet.
    """
    font = painter.font()
    metrics = QFontMetricsF(font)
    base = top + 3 * u + metrics.ascent()
    painter.setFont(_bold(font))
    painter.setPen(QColor(theme.ink))
    painter.drawText(QPointF(TITLE_AT_U * u, base), panel.title)
    painter.setFont(font)
    painter.setPen(QColor(theme.quiet))
    end = title_end(panel, font, u)
    painter.drawText(QPointF(end - metrics.horizontalAdvance(panel.unit), base), panel.unit)
    middle = base - metrics.xHeight() / 2
    entries = legend_entries(panel, font, u, end, right)
    for trace, (x, name_x, _) in zip(panel.traces, entries, strict=True):
        painter.setPen(QColor(theme.quiet))
        painter.drawText(QPointF(name_x, base), trace.label)
        pen = QPen(QColor(getattr(theme, trace.colour)), (1.6 if trace.thin else 2.6) * u)
        if trace.dashed:
            pen.setDashPattern([2.2, 1.4])
        painter.setPen(pen)
        painter.drawLine(QPointF(x, middle), QPointF(name_x - LEGEND_GAP_U * u, middle))
