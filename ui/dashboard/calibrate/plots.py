"""Plots of the Calibrate page: points, residuals, the band, the sensor, two compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pyqtgraph
from numpy.typing import ArrayLike, NDArray
from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor

from drivers.motion import FORCE, LENGTH, worded
from hil.calibration import Budget, CalibrationPoint, Comparison, Fit, SensorLaw
from ui.dashboard.widgets import ChangeGuard, Sizes, Theme, ThemedPlot, cosmetic_pen

Array = NDArray[np.float64]
# Direction of the load and side of approach differ in shape, not in colour alone.
RISING, FALLING, ASIDE = "t1", "t", "x"


class CalibrationPlot(ThemedPlot):
    """One plot, redrawn by each ``show_`` call.

    Args:
        legend: ``left`` or ``right``, or '' for none.
    """

    def __init__(self, theme: Theme, sizes: Sizes, legend: str = "right") -> None:
        super().__init__(theme, sizes)
        self.widen_left_axis("−0000.00")
        self._mark = sizes.px(9)
        self._legend = self.add_legend((8 if legend == "left" else -8, 4)) if legend else None
        self._shown = ChangeGuard()

    def show_points(self, points: Sequence[CalibrationPoint], fit: Fit | None) -> None:
        """Draw readings over loads, and the law through them."""
        if self._begin(f"Reading (counts) over load ({FORCE.unit})", len(points), fit):
            return
        if fit is not None:
            low, high = fit.load_range
            loads = np.linspace(low, high, 121)
            self._line(
                FORCE.factor * loads, [fit.reading(x) for x in loads], "law", self.theme.ink, 1
            )
        self._symbols(points, np.array([p.reading_counts for p in points]))

    def show_residuals(
        self, points: Sequence[CalibrationPoint], residuals_N: Array, fit: Fit | None
    ) -> None:
        """Draw the law's force of each reading less its load."""
        if self._begin(f"Residual ({FORCE.unit}) over load ({FORCE.unit})", len(points), fit):
            return
        self.addItem(pyqtgraph.InfiniteLine(0.0, angle=0, pen=cosmetic_pen(self.theme.ink, 1)))
        self._symbols(points, FORCE.factor * residuals_N)

    def show_band(self, budget: Budget) -> None:
        """Draw the expanded uncertainty over force, and its largest components."""
        if self._begin(
            f"± Uncertainty ({FORCE.unit}) over {worded('force', 'torque')} ({FORCE.unit})", budget
        ):
            return
        force, twice = FORCE.factor * budget.force_N, 2 * FORCE.factor
        self._line(force, twice * budget.u_N, "U, k = 2", self.theme.ink, 3)
        names = sorted(budget.components, key=lambda n: -float(np.max(budget.components[n])))
        colours = (
            self.theme.measured,
            self.theme.force,
            self.theme.deflection,
            self.theme.setpoint,
        )
        styles = (
            Qt.PenStyle.DashLine,
            Qt.PenStyle.DotLine,
            Qt.PenStyle.DashDotLine,
            Qt.PenStyle.DashDotDotLine,
        )
        for name, colour, style in zip(names, colours, styles, strict=False):
            u = twice * budget.components[name]
            self._line(force, u, name.replace("_", " "), colour, 2, style)
        self.setYRange(0.0, 1.05 * twice * float(budget.u_N.max()))

    def show_sensor(self, sensor: SensorLaw) -> None:
        """Draw the sensor's residuals over the nut's travel."""
        if self._begin(
            f"Sensor residual (counts) over {worded('nut', 'gear')} ({LENGTH.unit})", sensor
        ):
            return
        self.addItem(pyqtgraph.InfiniteLine(0.0, angle=0, pen=cosmetic_pen(self.theme.ink, 1)))
        self._line(
            LENGTH.factor * sensor.deflection_m,
            sensor.residual_counts,
            "",
            self.theme.deflection,
            2,
        )

    def show_compared(self, found: Comparison) -> None:
        """Draw the second law's difference from the first, with the uncertainty of both."""
        if self._begin(
            f"B less A, dashed ±U ({FORCE.unit}) over {worded('force', 'torque')} ({FORCE.unit})",
            found,
        ):
            return
        band = 2 * FORCE.factor * found.u_N
        force, difference = FORCE.factor * found.force_N, FORCE.factor * found.difference_N
        dashed = Qt.PenStyle.DashLine
        self._line(force, difference, "", self.theme.force, 3)
        self._line(force, band, "", self.theme.measured, 2, dashed)
        self._line(force, -band, "", self.theme.measured, 2, dashed)
        self.addItem(pyqtgraph.InfiniteLine(0.0, angle=0, pen=cosmetic_pen(self.theme.ink, 1)))

    def show_nothing(self) -> None:
        self._begin("")

    def _begin(self, title: str, *what: object) -> bool:
        """Return True if this is already drawn; if not, clear and title the plot."""
        if self._shown.already(title, *what):
            return True
        item = self.getPlotItem()
        item.clear()
        if self._legend is not None:
            self._legend.clear()
        item.setTitle(title, color=self.theme.ink, size=self.text_size)
        item.enableAutoRange()
        return False

    def _line(
        self,
        x: ArrayLike,
        y: ArrayLike,
        name: str,
        colour: str,
        width: float,
        style: Qt.PenStyle = Qt.PenStyle.SolidLine,
    ) -> None:
        self.plot(
            np.asarray(x, float),
            np.asarray(y, float),
            name=name or None,
            pen=cosmetic_pen(colour, width, style),
        )

    def _symbols(self, points: Sequence[CalibrationPoint], heights: Array) -> None:
        theme = self.theme
        groups: tuple[tuple[str, str, str, Callable[[Any], bool]], ...] = (
            ("loads rising", RISING, theme.measured, lambda p: p.direction > 0 and not p.outlier),
            ("loads falling", FALLING, theme.force, lambda p: p.direction < 0 and not p.outlier),
            ("set aside", ASIDE, theme.marker, lambda p: p.outlier),
        )
        for name, symbol, colour, belongs in groups:
            mine = [i for i, p in enumerate(points) if belongs(p) and np.isfinite(heights[i])]
            if mine:
                # Open if approached from above, filled if from below.
                brushes = [
                    QBrush(QColor(colour if points[i].approach > 0 else theme.ground)) for i in mine
                ]
                self.plot(
                    np.array([points[i].load_N for i in mine]),
                    heights[mine],
                    name=name,
                    pen=None,
                    symbol=symbol,
                    symbolSize=self._mark,
                    symbolBrush=brushes,
                    symbolPen=cosmetic_pen(colour, 1.5),
                )
