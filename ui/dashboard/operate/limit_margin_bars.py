"""One bar per limit: the share used before it acts."""

from __future__ import annotations

import math
from functools import partial

from PySide6.QtCore import QPointF, QRectF, QSize
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from hil.supervision import LimitMargin, limit_margins
from ui.dashboard.bench import OperateModel
from ui.dashboard.widgets import PreparedPicture, Sizes, SketchPainter, Slice, Theme

NEAR = 0.85  # from here a bar is hatched and its text bold: near the limit


PARTS = 4
MOST_IN_A_COLUMN = 10  # more would leave the drawing of the rig too little room


class LimitMarginBars(QWidget):
    """Bars in one column, or in two if one does not fit the height."""

    def __init__(self, model: OperateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.model = model
        self.theme = theme
        self.sizes = sizes
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Margin to limits")
        self.entries: list[LimitMargin] = limit_margins(model.profile, model.figures)
        self._prepared = PreparedPicture(self)

    def slices(self) -> list[Slice]:
        """Return the refresh in short parts."""
        return [self._take, *self._prepared.slices([partial(self._part, n) for n in range(PARTS)])]

    def refresh(self) -> None:
        """Refresh all at once."""
        self._take()
        self.update()

    def _take(self) -> None:
        """Take the present margins; not painted here, or all of them would be painted at once."""
        before = len(self.entries)
        self.entries = limit_margins(self.model.profile, self.model.figures)
        if len(self.entries) != before:
            self.updateGeometry()  # not every drive reports what every limit needs

    def _line(self) -> float:
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        return QFontMetricsF(font).height()

    @property
    def compact(self) -> bool:
        """True for two columns with shares in place of values: low window, or many bars."""
        return self.sizes.low or len(self.entries) > MOST_IN_A_COLUMN

    def sizeHint(self) -> QSize:
        head = self._line() * 1.45 + self.sizes.px(8)
        rows = len(self.entries)
        if self.compact:
            rows = -(-rows // 2)
        foot = 0 if self.compact else self.sizes.px(8)
        return QSize(self.sizes.px(300), round(head + rows * self._pitch() + foot))

    minimumSizeHint = sizeHint

    def _pitch(self) -> float:
        return self._line() * (1.04 if self.compact else 1.06)  # seven rows fit 1280 by 720

    def _text(self, entry: LimitMargin) -> str:
        if self.compact:
            return f"{100 * entry.used:.0f} %" if math.isfinite(entry.used) else "–"
        return entry.text.replace("degC", "°C")

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        if not self._prepared.show(painter):
            for number in range(PARTS):
                self._part(number, painter)
        painter.end()

    def _part(self, number: int, painter: QPainter) -> None:
        """Paint a quarter of the bars, in one column or two; the first has the title."""
        draw = SketchPainter(painter, self.theme, self.sizes, self.font())
        u = draw.u
        if number == 0:
            draw.text(14 * u, 8 * u + draw.line_height / 2, "Margin to limits, % used", bold=True)
        top = 8 * u + draw.line_height * 1.7
        entries = self.entries
        half = -(-len(entries) // 2)
        which, later = divmod(number, 2)
        first = which * half
        past = half if which == 0 else len(entries)
        middle = first + (past - first + 1) // 2
        mine = entries[middle:past] if later else entries[first:middle]
        skipped = (middle - first) * self._pitch() if later else 0.0
        if not self.compact:
            y = top + first * self._pitch() + skipped
            self._column(draw, mine, entries, 14 * u, self.width() - 14 * u, y)
            return
        centre = self.width() / 2
        left, right = (14 * u, centre - 10 * u) if which == 0 else (centre + 8 * u, 0.0)
        right = right or self.width() - 10 * u
        self._column(draw, mine, entries[first:past], left, right, top + skipped)

    def _column(
        self,
        draw: SketchPainter,
        mine: list[LimitMargin],
        entries: list[LimitMargin],
        left: float,
        right: float,
        y: float,
    ) -> None:
        """Paint ``mine``, aligned with all ``entries`` of the column."""
        u = draw.u
        bold = QFont(draw.font)
        bold.setBold(True)
        wide = QFontMetricsF(bold)
        labels = max((draw.metrics.horizontalAdvance(e.label) for e in entries), default=0.0)
        texts = max((wide.horizontalAdvance(self._text(e)) for e in entries), default=0.0)
        start = left + labels + 12 * u
        end = max(start + 30 * u, right - texts - 12 * u)
        for entry in mine:
            self._bar(draw, entry, left, start, end, y)
            y += self._pitch()

    def _bar(
        self,
        draw: SketchPainter,
        entry: LimitMargin,
        left: float,
        start: float,
        end: float,
        y: float,
    ) -> None:
        u, theme, painter = draw.u, self.theme, draw.painter
        used = entry.used if math.isfinite(entry.used) else 0.0
        near = bool(used >= NEAR)
        draw.text(left, y, entry.label)
        half = 4 * u
        painter.fillRect(QRectF(start, y - half, end - start, 2 * half), QColor(theme.grid))
        length = (end - start) * min(max(used, 0.0), 1.0)
        bar = QRectF(start, y - half, length, 2 * half)
        painter.fillRect(bar, QColor(theme.nut if near else theme.measured))
        if near:
            draw.hatch(bar, theme.ground, 5.0)
        painter.setPen(draw.wide())
        painter.drawLine(QPointF(end, y - half - 3 * u), QPointF(end, y + half + 3 * u))
        draw.text(end + 10 * u, y, self._text(entry), theme.ink if near else theme.quiet, bold=near)
