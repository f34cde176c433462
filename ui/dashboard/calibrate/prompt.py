"""Prompt to the person at the rig, in large text, and the settling of the reading."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import (
    QBrush,
    QColor,
    QFont,
    QFontMetricsF,
    QPainter,
    QPaintEvent,
    QPen,
    QPolygonF,
)
from PySide6.QtWidgets import QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

from hil.calibration import SCATTER, SLOPE_COUNTS_S, noise_counts
from ui.dashboard.bench import number
from ui.dashboard.calibrate.model import CalibrateModel
from ui.dashboard.calibrate.words import large_words
from ui.dashboard.guided import HandPicture, Question, typed_number
from ui.dashboard.widgets import PromptFrame, Sizes, Theme

LEAST_SPAN_COUNTS = 12.0


class SettlingView(QWidget):
    """The reading of the last seconds, and its settling: slope and scatter with their limits.

    Past its limit a figure is bold and its bar hatched.
    """

    def __init__(self, calibrating: CalibrateModel, theme: Theme, sizes: Sizes) -> None:
        super().__init__()
        self.calibrating, self.theme, self.sizes = calibrating, theme, sizes
        self.limits = (SLOPE_COUNTS_S, SCATTER * noise_counts(calibrating.model.profile))
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)
        self.setMinimumHeight(sizes.px(96))
        self.setAccessibleName("Settling of the reading")

    @property
    def word(self) -> str:
        """State of the reading in one or two words."""
        progress = self.calibrating.run.progress
        if progress is None:
            return ""
        if progress.kind == "settling":
            return "Settled" if self.within else "Settling"
        return {"moving": "Moving", "point": "Taken"}.get(progress.kind, "")

    @property
    def within(self) -> bool:
        now = self.calibrating.run.settling
        return now is not None and abs(now[0]) < self.limits[0] and now[1] < self.limits[1]

    def paintEvent(self, event: QPaintEvent) -> None:
        del event
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = QFont(self.font())
        font.setPointSizeF(self.sizes.text_pt)
        painter.setFont(font)
        line = QFontMetricsF(font).height()
        low = self.height() - 2.3 * line
        self._trace(painter, QRectF(0, 1.5 * line, self.width(), max(8.0, low - 1.9 * line)), line)
        now = self.calibrating.run.settling or (float("nan"), float("nan"))
        names = ("drift", "scatter")
        units = ("counts/s", "counts")
        for row, (name, value, most, unit) in enumerate(
            zip(names, now, self.limits, units, strict=True)
        ):
            self._figure(painter, low + row * 1.15 * line, line, name, value, most, unit)
        painter.end()

    def _trace(self, painter: QPainter, room: QRectF, line: float) -> None:
        theme = self.theme
        live: Sequence[tuple[float, float]] = list(self.calibrating.run.live)
        counts = np.array([c for _, c in live])
        times = np.array([t for t, _ in live])
        good = np.isfinite(counts)
        last = counts[good][-1] if good.any() else float("nan")
        bold = QFont(painter.font())
        bold.setBold(True)
        painter.setPen(QColor(theme.quiet))
        painter.drawText(QPointF(0, 0.85 * line), "Sensor reads")
        wide = QFontMetricsF(painter.font()).horizontalAdvance("Sensor reads ")
        painter.setFont(bold)
        painter.setPen(QColor(theme.ink))
        painter.drawText(QPointF(wide + 4, 0.85 * line), f"{number(float(last), 0)} counts")
        word = self.word
        painter.drawText(
            QPointF(self.width() - QFontMetricsF(bold).horizontalAdvance(word), 0.85 * line), word
        )
        painter.setFont(self._plain(painter.font()))
        painter.setPen(QPen(QColor(theme.rule), 1))
        painter.drawRect(room)
        if good.sum() < 2:
            return
        middle = (counts[good].max() + counts[good].min()) / 2
        half = max(LEAST_SPAN_COUNTS, np.ptp(counts[good])) / 2 * 1.15
        span_s = max(times[-1] - times[0], 1e-3)
        x = room.left() + (times[good] - times[0]) / span_s * room.width()
        y = room.center().y() - (counts[good] - middle) / half * room.height() / 2
        pen = QPen(QColor(theme.measured), 2)
        painter.setPen(pen)
        painter.drawPolyline(QPolygonF([QPointF(a, b) for a, b in zip(x, y, strict=True)]))

    @staticmethod
    def _plain(font: QFont) -> QFont:
        plain = QFont(font)
        plain.setBold(False)
        return plain

    def _figure(
        self,
        painter: QPainter,
        y: float,
        line: float,
        name: str,
        value: float,
        most: float,
        unit: str,
    ) -> None:
        theme = self.theme
        known = np.isfinite(value)
        beyond = bool(known and abs(value) >= most)
        font = self._plain(painter.font())
        metrics = QFontMetricsF(font)
        painter.setPen(QColor(theme.quiet))
        painter.setFont(font)
        base = y + 0.8 * line
        painter.drawText(QPointF(0, base), name)
        text = f"{number(abs(value), 1)} of {most:.1f} {unit}"
        font.setBold(beyond)
        wide = QFontMetricsF(font).horizontalAdvance(text)
        painter.setFont(font)
        painter.setPen(QColor(theme.ink if known else theme.quiet))
        painter.drawText(QPointF(self.width() - wide, base), text)
        left = metrics.horizontalAdvance("scatter  ")
        room = QRectF(left, y + 0.3 * line, self.width() - left - wide - 10, 0.5 * line)
        if room.width() < 20:
            return
        painter.fillRect(room, QColor(theme.grid))
        if known:
            # The limit is at two thirds, to show by how much it is exceeded.
            share = min(1.0, abs(value) / most * 2 / 3)
            bar = QRectF(room.left(), room.top(), room.width() * share, room.height())
            colour = QColor(theme.nut if beyond else theme.measured)
            painter.fillRect(bar, colour)
            if beyond:
                painter.fillRect(bar, _hatched(theme))
        painter.setPen(QPen(QColor(theme.ink), 2))
        x = room.left() + room.width() * 2 / 3
        painter.drawLine(QPointF(x, room.top() - 2), QPointF(x, room.bottom() + 2))


def _hatched(theme: Theme) -> QBrush:
    return QBrush(QColor(theme.ground), Qt.BrushStyle.BDiagPattern)


class _Words(QLabel):
    """Text as tall as there is room: a prompt must not shift the rest.

    A label that wraps requests a new height for each text, whatever its size policy.
    """

    def __init__(self) -> None:
        super().__init__()
        self.setWordWrap(True)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)

    def hasHeightForWidth(self) -> bool:
        return False

    def heightForWidth(self, width: int) -> int:
        del width
        return -1

    def sizeHint(self) -> QSize:
        return QSize(1, 1)

    minimumSizeHint = sizeHint


class CalibratePrompt(PromptFrame):
    """Prompt in which Enter means done, and X that it will not be."""

    def __init__(self, calibrating: CalibrateModel, theme: Theme, sizes: Sizes) -> None:
        points = (
            sizes.large_pt,
            0.8 * sizes.large_pt,
            sizes.state_pt,
            sizes.figure_pt,
            0.8 * sizes.figure_pt,
            sizes.head_pt,
            sizes.text_pt,
        )
        super().__init__(theme, sizes, _Words(), points)
        self.calibrating = calibrating
        px = sizes.px
        self.entry.setFixedWidth(px(130))
        self.wrong.setWordWrap(True)
        row = self._answers()
        row.addStretch(1)
        words = QVBoxLayout()
        words.setSpacing(px(6))
        words.addWidget(self.head)
        words.addWidget(self.text, 1)
        words.addWidget(self.wrong)
        words.addLayout(row)
        self.settling = SettlingView(calibrating, theme, sizes)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(px(16), px(8), px(16), px(10))
        whole.setSpacing(px(18))
        whole.addLayout(words, 66)
        self.picture = HandPicture(calibrating.model.profile.rig, theme, sizes)
        whole.addWidget(self.picture)
        whole.addWidget(self.settling, 34)
        self._asked: Question | None = None
        self._ask(None)
        self.refresh()

    def accept(self) -> None:
        question = self.calibrating.question
        if question is None or question.kind != "read":
            self.calibrating.answer(True)
        elif question is self._asked:  # what is in the field was typed for it
            try:
                self.calibrating.answer(typed_number(question, self.entry.text()))
            except ValueError as error:
                self.mark(str(error))
                self.entry.selectAll()  # what is typed next replaces it

    def refuse(self) -> None:
        question = self.calibrating.question
        reads = question is not None and question.kind == "read"
        self.calibrating.answer(math.nan if reads else False)

    def refresh(self) -> None:
        calibrating = self.calibrating
        question = calibrating.question
        head, text, warn = large_words(calibrating)
        self.head.setText(head)
        if question is not self._asked:
            self._asked = question
            self._ask(question)
        # Nothing settles while hands are at the rig: the picture takes its place.
        self.settling.setVisible(calibrating.running and not self.picture.shown)
        self.say(text, question is not None, warn)

    def _ask(self, question: Question | None) -> None:
        self.picture.show_for(question)
        self.done.setVisible(question is not None)
        self.cannot.setVisible(question is not None)
        reads = question is not None and question.kind == "read"
        for widget in (self.entry, self.unit):
            widget.setVisible(reads)
        self.mark("")
        self.done.setText("Enter it" if reads else "Done")
        self.cannot.setText("Cannot read" if reads else "Cannot do it")
        if question is None:
            return
        if reads:
            self.ask_number(question.suggestion, question.unit)
        if self.isVisible():
            (self.entry if reads else self.done).setFocus()
