"""Runs shown together: their series, their alignment, and the columns shown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from drivers.motion import ARC_RADIUS_M, speaking, spoken
from hil.analysis import (
    Measured,
    align_by_correlation,
    common_events,
    compare_figures,
    event_times,
    figure_line,
    measure,
    short_name,
)
from hil.recorder import STORED, Run, RunError
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
from ui.dashboard.runs.series import ColumnInfo, LiveSeries, RunSeries, Series

MOST_OVERLAID = 6
BY_START, BY_COURSE = "start", "course"


class Opened:
    """One to six series over one time axis.

    Attributes:
        shifts: added to the times of each series.
        chosen: columns over time, in the order of choice.
        view: the stretch in view.
        figures: lines of text; empty until they are measured.
        way: their alignment, one of ``alignments``.
    """

    def __init__(self, series: Sequence[Series]) -> None:
        self.series = list(series)
        self.shifts = [0.0] * len(self.series)
        single = len(self.series) == 1
        self.chosen: list[str] = list(FIRST_COLUMNS if single else OVERLAID_COLUMNS)
        there = {column.name for column in self.columns}
        self.chosen = [name if name in there else STORED.get(name, name) for name in self.chosen]
        if not there.intersection(self.chosen):
            self.chosen = [column.name for column in self.columns[:1]]
        self.view = PictureView(self._whole())
        self.figures: list[str] = []
        self.way = BY_START

    @property
    def columns(self) -> list[ColumnInfo]:
        """Columns that every series has, in the order of the first."""
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

    @property
    def lead_m(self) -> float | None:
        """Travel of nut or arc of the gear per motor turn; None if the first run does not record it."""
        first = self.series[0]
        if isinstance(first, LiveSeries):
            return float(first.model.profile.actuator.transmission.lead)
        profile: Any = first.run.meta.get("profile") if isinstance(first, RunSeries) else None
        try:
            actuator = profile["actuator"]
            lead_m = (
                2 * math.pi * ARC_RADIUS_M / float(actuator["gear"]["ratio"])
                if "gear" in actuator
                else float(actuator["screw"]["lead"])
            )
        except (KeyError, TypeError, ValueError, ZeroDivisionError):
            return None
        return lead_m if lead_m > 0.0 else None

    @property
    def runs(self) -> list[Run]:
        """The recorded runs."""
        return [series.run for series in self.series if isinstance(series, RunSeries)]

    @property
    def alignments(self) -> list[str]:
        """Ways to align the runs."""
        return [BY_START, *common_events(self.runs), BY_COURSE]

    def shifts_for(self, way: str) -> tuple[list[float], str]:
        """Return the shifts that align the runs in this way, and a description.

        Columns must be read. Nothing is changed, so any thread may call it.

        Raises:
            RunError: the first column that is shown cannot be aligned by its course.
        """
        first = self.series[0]
        shifts, agreements = [0.0], []
        for series in self.series[1:]:
            if way == BY_START:
                shifts.append(0.0)
            elif way == BY_COURSE:
                name = self.chosen[0]
                whole = [each.samples(name, *each.span_s) for each in (first, series)]
                found = align_by_correlation(*whole[0], *whole[1])
                shifts.append(found.shift_s)
                agreements.append(f"r = {found.correlation:.3f}")
            elif isinstance(first, RunSeries) and isinstance(series, RunSeries):
                one, other = (
                    event_times(each.run)[way] - each.origin_s for each in (first, series)
                )
                shifts.append(one - other)
        what = f"course of {short_name(self.chosen[0])}" if way == BY_COURSE else way
        return shifts, f"aligned by {', '.join([what, *agreements])}"

    def shift(self, shifts: Sequence[float]) -> None:
        """Apply other shifts to the series."""
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
        """Return panels of the chosen columns; several runs have a colour each, columns a dash."""
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
        """Read columns of every run, in the caller's thread.

        Raises:
            RunError: one cannot be read.
        """
        for series in self.series:
            if isinstance(series, RunSeries):
                series.load(names)

    def measure(self) -> None:
        """Measure figures of the first run, and how those of the others differ, as text."""
        with speaking(self.runs[0].motion if self.runs else spoken()):
            self._measure()

    def _measure(self) -> None:
        lines: list[str] = []
        measured: list[Measured] = []
        for run in self.runs:
            try:
                measured.append(measure(run))
            except RunError as error:  # a run of an older form is still shown
                measured.append(Measured([], []))
                lines.append(f"{run.path.name}: no figures: {error}")
        if not measured:
            self.figures = ["no figures: they are taken from recorded runs"]
            return
        lines += [figure_line(figure) for figure in measured[0].figures]
        lines += [f"not measured: {missing}" for missing in measured[0].missing]
        found = compare_figures(measured)
        for k, run in enumerate(self.runs[1:], 1):
            here = [f"    {each.line}" for each in found if each.run == k]
            lines.append(f"{run.path.name} against {self.runs[0].path.name}:")
            lines += here or ["    no figure is in both"]
        self.figures = lines or ["no figures: the run has no markers of a sequence"]
