"""What a step of the bring-up measured: its plots, and figures, findings and mends in words."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

import numpy as np
import pyqtgraph
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QFont, QPen

from hil.bringup.step import Measured, Plot, Result, Trace
from ui.dashboard.theme import Sizes, Theme

PATTERNS = (Qt.PenStyle.SolidLine, Qt.PenStyle.DashLine, Qt.PenStyle.DotLine)


class EvidencePlot(pyqtgraph.PlotWidget):
    """One plot of a step; lines differ in colour and dash, levels are dotted and named."""

    def __init__(self, theme: Theme, sizes: Sizes) -> None:
        super().__init__(background=theme.ground)
        self._theme = theme
        self._colours = (theme.measured, theme.force, theme.deflection, theme.asked, theme.marker)
        self.setFrameShape(pyqtgraph.QtWidgets.QFrame.Shape.NoFrame)
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setMouseEnabled(False, False)
        self.setMenuEnabled(False)
        self.hideButtons()
        self.showGrid(x=True, y=True, alpha=0.18)
        self._font = QFont(self.font())
        self._font.setPointSizeF(sizes.text_pt)
        for side in ("left", "bottom"):
            axis = self.getAxis(side)
            axis.setPen(QColor(theme.quiet))
            axis.setTextPen(QColor(theme.ink))
            axis.setStyle(tickFont=self._font)
            axis.enableAutoSIPrefix(False)
        self._size = f"{sizes.text_pt}pt"
        clear = QColor(theme.raised)
        clear.setAlpha(120)  # the line below it must be seen
        self._legend = self.addLegend(
            offset=(-8, 4), labelTextColor=theme.ink, labelTextSize=self._size,
            brush=clear,
        )  # fmt: skip
        self._drawn: object = None

    def draw(self, plot: Plot | None) -> None:
        """Draw it, unless it is drawn already; nothing for None."""
        if plot is self._drawn:
            return
        self._drawn = plot
        item = self.getPlotItem()
        item.clear()
        self._legend.clear()
        self._legend.setVisible(plot is not None and len(plot.traces) > 1)
        if plot is None:
            return
        item.setLabel("bottom", plot.x_label, color=self._theme.ink, **{"font-size": self._size})
        # Beside a low plot there is no room for what its axis shows.
        title = plot.title if plot.y_label in plot.title else f"{plot.title}: {plot.y_label}"
        item.setTitle(title, color=self._theme.ink, size=self._size)
        for number, trace in enumerate(plot.traces):
            pen = QPen(QColor(self._colours[number % len(self._colours)]), 2)
            pen.setCosmetic(True)
            pen.setStyle(PATTERNS[number // len(self._colours) % len(PATTERNS)])
            self._line(trace, pen)
        for name, height in plot.levels:
            if math.isfinite(height):
                pen = QPen(QColor(self._theme.ink), 1, Qt.PenStyle.DotLine)
                pen.setCosmetic(True)
                line = pyqtgraph.InfiniteLine(
                    height, angle=0, pen=pen, label=name,
                    labelOpts={"color": self._theme.ink, "position": 0.9},
                )  # fmt: skip
                line.label.setFont(self._font)
                item.addItem(line)
        item.enableAutoRange()

    def _line(self, trace: Trace, pen: QPen) -> None:
        line = self.plot(
            np.asarray(trace.x, dtype=float), np.asarray(trace.y, dtype=float),
            pen=pen, name=trace.label, connect="finite",
        )  # fmt: skip
        # A line may have more points than pixels.
        line.setDownsampling(auto=True, method="peak")
        line.setClipToView(True)


def live_plot(rows: Sequence[tuple[float, float, float]], force: bool) -> Plot | None:
    """Nut position, or spring force, of the last seconds while a step runs."""
    if len(rows) < 2:
        return None
    table = np.array(rows)
    ago = table[:, 0] - table[-1, 0]
    if force:
        trace = Trace("spring force", ago, table[:, 2])
        return Plot("As it runs: spring force (N)", "time (s)", "spring force (N)", (trace,))
    trace = Trace("nut", ago, 1e3 * table[:, 1])
    return Plot("As it runs: nut position (mm)", "time (s)", "nut position (mm)", (trace,))


def evidence_html(result: Result, theme: Theme, sizes: Sizes) -> str:
    """Findings with their mend first, then every figure with what was expected."""
    parts = []
    for found in result.findings:
        parts.append(
            f'<p style="margin:0 0 {sizes.px(6)}px 0"><b>Found: {_said(found.sentence)}</b><br>'
            f'<b style="color:{theme.warning}">Mend:</b> {_said(found.mend)}</p>'
        )
    if result.text and all(result.text not in found.sentence for found in result.findings):
        parts.append(f'<p style="margin:0 0 {sizes.px(6)}px 0">{_said(result.text)}</p>')
    if result.measured:
        ordered = sorted(result.measured, key=lambda measured: measured.good)
        rows = "".join(_row(measured, theme) for measured in ordered)
        parts.append(
            f'<table cellpadding="{sizes.px(3)}" width="100%"><tr style="color:{theme.quiet}">'
            f"<td></td><td>measured</td><td>value</td><td>expected</td></tr>{rows}</table>"
        )
    if result.changes:
        changes = "".join(f"<br>{_said(k)}: {_said(v)}" for k, v in result.changes.items())
        parts.append(f"<p>Proposed for the profile:{changes}</p>")
    return "".join(parts)


def _row(measured: Measured, theme: Theme) -> str:
    value = measured.value
    if not isinstance(value, str):
        value = f"{value:.4g}" if math.isfinite(value) else "not measured"
    shown = _said(f"{value} {measured.unit}".strip())
    mark = "✓" if measured.good else "✗"
    why = _said(measured.why)
    row = (
        f"<tr><td>{mark}</td><td>{_said(measured.name)}</td><td>{shown}</td>"
        f"<td>{_said(measured.expected)}</td></tr>"
    )
    if not measured.good:
        row = row.replace("<td>", "<td><b>").replace("</td>", "</b></td>")
    if why:
        row += f'<tr><td></td><td colspan="3" style="color:{theme.quiet}">{why}</td></tr>'
    return row


def _said(text: str) -> str:
    return html.escape(text)
