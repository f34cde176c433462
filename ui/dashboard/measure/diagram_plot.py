"""One diagram of a test, as the data sheet draws it."""

from __future__ import annotations

import numpy as np
from PySide6.QtGui import QPen

from hil.bringup import Plot, Trace
from hil.measure import Diagram
from ui.dashboard.guided import EvidencePlot
from ui.dashboard.widgets import log_ticks

POINT_PX = 5


def as_plot(diagram: Diagram) -> Plot:
    """Return a diagram for ``EvidencePlot``; a logarithmic abscissa as its logarithm."""
    traces = []
    for line in diagram.lines:
        x = np.asarray(line.x, dtype=float)
        y = np.asarray(line.y, dtype=float)
        if diagram.log_x:
            with np.errstate(divide="ignore", invalid="ignore"):
                x = np.where(x > 0, np.log10(x), np.nan)
        traces.append(Trace(line.label, x, y))
    return Plot(diagram.title, diagram.x_label, diagram.y_label, tuple(traces))


class DiagramPlot(EvidencePlot):
    """Plot of a diagram, whose abscissa may be logarithmic."""

    _scattered: frozenset[str] = frozenset()  # labels of lines whose points are not joined

    def show_diagram(self, diagram: Diagram | None) -> None:
        """Draw a diagram; nothing for None."""
        lines = () if diagram is None else diagram.lines
        self._scattered = frozenset(line.label for line in lines if not line.joined)
        plot = None if diagram is None else as_plot(diagram)
        ticks = None
        if plot is not None and diagram is not None and diagram.log_x:
            x = np.concatenate([trace.x for trace in plot.traces])
            x = x[np.isfinite(x)]
            ticks = [log_ticks(float(x.min()), float(x.max()))] if len(x) else None
        self.getAxis("bottom").setTicks(ticks)
        super().draw(plot)

    def _line(self, trace: Trace, pen: QPen) -> None:
        if trace.label not in self._scattered:
            super()._line(trace, pen)
            return
        self.plot(
            trace.x,
            trace.y,
            pen=None,
            symbol="o",
            symbolSize=POINT_PX,
            symbolPen=None,
            symbolBrush=pen.color(),
            name=self._names.get(trace.label, trace.label),
        )

    def draw(self, plot: Plot | None) -> None:
        """Draw a plot on a linear abscissa."""
        self._scattered = frozenset()
        self.getAxis("bottom").setTicks(None)
        super().draw(plot)
