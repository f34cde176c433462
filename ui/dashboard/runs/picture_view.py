"""Columns in panels, and the part of time that a picture shows. No Qt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from hil.analysis import short_name, shown_unit
from ui.dashboard.charts import TimeView, round_ticks
from ui.dashboard.runs.series import ColumnInfo

SHORTEST_S = 1e-5  # a hundredth of a cycle at 1 kHz: what lies between two samples is not known
WINDOWS_S = (600.0, 60.0, 10.0, 1.0)
# Columns of one quantity that are read together, so that their scales agree.
GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "Force",
        ("shaped_force_N", "motor_force_N", "setpoint_force_N", "spring_force_N", "force_u95_N"),
    ),
    ("Deflection", ("deflection_m",)),
    ("Position", ("rest_position_m", "nut_position_m", "output_position_m")),
    ("Velocity", ("nut_velocity_m_s", "output_velocity_m_s", "deflection_rate_m_s")),
    ("Motor torque", ("commanded_torque_N_m", "measured_torque_N_m")),
)
FIRST_COLUMNS = (
    "setpoint_force_N",
    "spring_force_N",
    "deflection_m",
    "nut_position_m",
    "output_position_m",
    "measured_torque_N_m",
)
OVERLAID_COLUMNS = ("spring_force_N", "deflection_m", "output_position_m", "measured_torque_N_m")
# Colour names of the theme and whether dashed: as on the Operate page if it shows the column.
STYLES = {
    "shaped_force_N": ("shaped", False),
    "motor_force_N": ("motor", False),
    "setpoint_force_N": ("setpoint", True),
    "spring_force_N": ("measured", False),
    "force_u95_N": ("quiet", True),
    "deflection_m": ("deflection", False),
    "rest_position_m": ("setpoint", True),
    "nut_position_m": ("nut", False),
    "output_position_m": ("measured", False),
    "commanded_torque_N_m": ("setpoint", True),
    "measured_torque_N_m": ("ink", False),
}
COLOURS = ("measured", "nut", "deflection", "marker", "setpoint", "motor")


@dataclass(frozen=True)
class PanelPlan:
    """One chart over time: columns of one quantity. ``factor`` converts SI to ``unit``."""

    title: str
    unit: str
    factor: float
    columns: tuple[str, ...]


def plan_panels(chosen: Iterable[str], there: Sequence[ColumnInfo]) -> list[PanelPlan]:
    """Return panels for the chosen columns; those of no known group are grouped by unit."""
    described = {column.name: column for column in there}
    left = [name for name in dict.fromkeys(chosen) if name in described]
    plans = []
    for title, names in GROUPS:
        here = tuple(name for name in names if name in left)
        if here:
            unit, factor = shown_unit(described[here[0]].unit)
            plans.append(PanelPlan(title, unit, factor, here))
            left = [name for name in left if name not in here]
    while left:
        unit = described[left[0]].unit
        here = tuple(name for name in left if described[name].unit == unit)
        if unit == "1":
            here = here[:1]  # codes and counts have only that in common
        title = short_name(here[0]) if len(here) == 1 else "Further"
        plans.append(PanelPlan(title.capitalize(), *shown_unit(unit), here))
        left = [name for name in left if name not in here]
    return plans


class PictureView(TimeView):
    """The stretch of time in view, and two cursors. Times in s on the picture's axis.

    Attributes:
        whole: the whole extent.
        cursors: times, at most two.
    """

    def __init__(self, whole: tuple[float, float]) -> None:
        super().__init__()
        self.whole = whole
        self.start_s, self.end_s = whole
        self.show_all()

    @property
    def window_s(self) -> float:
        return self.end_s - self.start_s

    @property
    def held(self) -> tuple[float, float]:
        return self.whole

    @property
    def seen(self) -> tuple[float, float]:
        return self.start_s, self.end_s

    @property
    def selection(self) -> tuple[float, float]:
        """Between the cursors if there are two, else what is in view."""
        if len(self.cursors) == 2:
            return min(self.cursors), max(self.cursors)
        return self.start_s, self.end_s

    @property
    def shows_all(self) -> bool:
        return self.start_s <= self.whole[0] and self.end_s >= self.whole[1]

    def show_all(self) -> None:
        self.start_s, self.end_s = self.whole
        if self.window_s < SHORTEST_S:
            self.end_s = self.start_s + SHORTEST_S

    def grow(self, whole: tuple[float, float]) -> None:
        """Take another extent, as of a live bench or of a further run; what is in view stays."""
        all_ = self.shows_all
        self.whole = whole
        if all_:
            self.show_all()

    def zoom(self, factor: float, at_s: float | None = None) -> None:
        """Make the window ``factor`` times as long; ``at_s`` stays where it is in the picture."""
        longest = max(self.whole[1] - self.whole[0], SHORTEST_S)
        length = min(max(self.window_s * factor, SHORTEST_S), longest)
        if at_s is None:
            at_s = self.cursors[0] if self._sees_cursor() else (self.start_s + self.end_s) / 2
        share = (at_s - self.start_s) / self.window_s
        self._show(at_s - share * length, length)

    def scroll(self, seconds: float) -> None:
        """Scroll later, or earlier (negative), within the extent."""
        self._show(self.start_s + seconds, self.window_s)

    def show(self, start_s: float, end_s: float) -> None:
        """Show a stretch, within the extent."""
        self._show(start_s, max(end_s - start_s, SHORTEST_S))

    def choose_length(self, length_s: float) -> None:
        """Set the window's length; its middle, or the cursor in view, stays."""
        self.zoom(length_s / self.window_s)

    def next_length(self) -> None:
        """Step the length: all, ten minutes, one, ten seconds, one second, and all again."""
        shorter = [length for length in WINDOWS_S if length < 0.99 * self.window_s]
        if shorter:
            self.choose_length(shorter[0])
        else:
            self.show_all()

    def _sees_cursor(self) -> bool:
        return bool(self.cursors) and self.start_s <= self.cursors[0] <= self.end_s

    def _show(self, start_s: float, length_s: float) -> None:
        low, high = self.whole
        length_s = min(length_s, max(high - low, SHORTEST_S))
        self.start_s = min(max(start_s, low), max(high - length_s, low))
        self.end_s = self.start_s + length_s


def time_ticks(start_s: float, end_s: float, most: int) -> tuple[list[float], int, float, str]:
    """Return round times in view, the decimals that they need, and their unit (length in s, name).

    The unit is the minute if the window is long.
    """
    unit_s, unit = (60.0, "min") if end_s - start_s > 300 else (1.0, "s")
    ticks, decimals = round_ticks(start_s / unit_s, end_s / unit_s, most)
    return ticks, decimals, unit_s, unit
