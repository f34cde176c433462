"""Runs that are looked at together: their series, how they lie over each other, what is shown."""

from __future__ import annotations

from collections.abc import Sequence

from hil.analysis import figure_line, measure, short_name
from hil.recorder import RunError
from ui.dashboard.runs.picture import Curve
from ui.dashboard.runs.picture_view import (
    COLOURS,
    FIRST_COLUMNS,
    OVERLAID_COLUMNS,
    STYLES,
    PanelPlan,
    PictureView,
    plan_panels,
)
from ui.dashboard.runs.series import ColumnInfo, RunSeries, Series

MOST_OVERLAID = 6


class Opened:
    """One to six series over one time axis.

    Attributes:
        shifts: added to the times of each series.
        chosen: columns over time, in the order of choice.
        view: the stretch in view.
        figures: lines of text; empty until they are measured.
    """

    def __init__(self, series: Sequence[Series]) -> None:
        self.series = list(series)
        self.shifts = [0.0] * len(self.series)
        single = len(self.series) == 1
        self.chosen: list[str] = list(FIRST_COLUMNS if single else OVERLAID_COLUMNS)
        there = {column.name for column in self.columns}
        if not there.intersection(self.chosen):
            self.chosen = [column.name for column in self.columns[:1]]
        self.view = PictureView(self._whole())
        self.figures: list[str] = []

    @property
    def columns(self) -> list[ColumnInfo]:
        """Columns that every series has, by the first."""
        names = [{column.name for column in series.columns} for series in self.series]
        common = set.intersection(*names)
        return [column for column in self.series[0].columns if column.name in common]

    @property
    def name(self) -> str:
        return "  ·  ".join(series.name for series in self.series)

    @property
    def note(self) -> str:
        first = self.series[0]
        return first.run.note if len(self.series) == 1 and isinstance(first, RunSeries) else ""

    def shift(self, shifts: Sequence[float]) -> None:
        """Lay the series over each other anew."""
        self.shifts = list(shifts)
        self.view.grow(self._whole())

    def follow(self) -> None:
        """Take the present extent of series that grow."""
        self.view.grow(self._whole())

    def _whole(self) -> tuple[float, float]:
        spans = [
            (series.span_s[0] + shift, series.span_s[1] + shift)
            for series, shift in zip(self.series, self.shifts, strict=True)
        ]
        return min(start for start, _ in spans), max(end for _, end in spans)

    def panels(self) -> list[tuple[PanelPlan, list[Curve]]]:
        """Panels of the chosen columns; of several runs each has a colour, each column a dash."""
        found = []
        for plan in plan_panels(self.chosen, self.columns):
            curves = []
            for i, name in enumerate(plan.columns):
                for k, series in enumerate(self.series):
                    if len(self.series) == 1:
                        colour, dashed = STYLES.get(name, (COLOURS[i % len(COLOURS)], i >= 6))
                        label = short_name(name)
                    else:
                        colour, dashed = COLOURS[k % len(COLOURS)], i % 2 == 1
                        label = series.name
                        if len(plan.columns) > 1:
                            label += f" {short_name(name)}"
                    curves.append(Curve(series, self.shifts[k], name, label, colour, dashed))
            found.append((plan, curves))
        return found

    def load(self, names: Sequence[str]) -> None:
        """Read columns of every run, in a thread of the caller's.

        Raises:
            RunError: one cannot be read.
        """
        for series in self.series:
            if isinstance(series, RunSeries):
                series.load(names)

    def measure(self) -> None:
        """Figures of the first run, in words."""
        first = self.series[0]
        if not isinstance(first, RunSeries):
            return
        try:
            measured = measure(first.run)
            lines = [figure_line(figure) for figure in measured.figures]
            lines += [f"not measured: {missing}" for missing in measured.missing]
        except RunError as error:  # a run of an older form lacks columns, and is shown all the same
            lines = [f"no figures: {error}"]
        self.figures = lines or ["no figures: the run has no markers of a sequence"]
