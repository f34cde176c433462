"""View of the charts: the visible part of the history, and its range of values. No Qt."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from drivers.motion import FORCE, LENGTH, MOTOR_TORQUE, Quantity, is_rotary, worded
from ui.dashboard.bench import TraceBuffer
from ui.dashboard.charts.time_view import TimeView
from ui.dashboard.charts.trigger import LONGEST_WINDOW_S, Trigger
from ui.manual.key_table import BY_NAME

WINDOWS_S = (10.0, 60.0, 600.0)
SHORT_S = (0.2, 1.0)  # with a trigger, if one is set
SHRINK_AFTER_S = 2.0


@dataclass(frozen=True)
class Trace:
    """One line: column of the trace buffer, label, colour name of the theme, style."""

    column: str
    words: str | tuple[str, str]  # label, or that of a linear and of a rotary actuator
    colour: str
    dashed: bool = False
    thin: bool = False
    band: str = ""  # column of the half width of a band around it
    scales: bool = True  # whether the value range makes room for its spikes

    @property
    def label(self) -> str:
        return self.words if isinstance(self.words, str) else worded(*self.words)


@dataclass(frozen=True)
class Panel:
    """One chart. ``leasts``: smallest span shown, of a linear and of a rotary actuator."""

    titles: tuple[str, str]
    quantity: Quantity
    leasts: tuple[float, float]
    decimals: int
    share: float
    traces: tuple[Trace, ...]

    @property
    def title(self) -> str:
        return worded(*self.titles)

    @property
    def unit(self) -> str:
        return self.quantity.unit

    @property
    def factor(self) -> float:
        """Number in ``unit`` over the value inside."""
        return self.quantity.factor

    @property
    def least(self) -> float:
        return self.leasts[is_rotary()]


PANELS = (
    Panel(
        ("Force", "Torque"),
        FORCE,
        (20.0, 1.0),
        1,
        1.9,
        (
            Trace("shaped_force_N", "shaped", "shaped", thin=True),
            Trace("motor_force_N", "from motor", "motor", thin=True, scales=False),
            Trace("setpoint_force_N", "setpoint", "setpoint", dashed=True),
            Trace("spring_force_N", "spring", "measured", band="force_u95_N"),
        ),
    ),
    Panel(
        ("Deflection", "Deflection"),
        LENGTH,
        (0.2, 0.2),
        3,
        1.0,
        (Trace("deflection_m", ("nut to output", "gear to output"), "deflection"),),
    ),
    Panel(
        ("Position", "Angle"),
        LENGTH,
        (2.0, 2.0),
        2,
        1.15,
        (
            Trace("rest_position_m", "rest", "setpoint", dashed=True),
            Trace("nut_position_m", ("nut", "gear"), "nut", thin=True),
            Trace("output_position_m", "output", "measured"),
        ),
    ),
    Panel(
        ("Motor torque", "Motor torque"),
        MOTOR_TORQUE,
        (0.2, 0.2),
        3,
        0.95,
        (
            Trace("commanded_torque_N_m", "commanded", "setpoint", dashed=True),
            Trace("measured_torque_N_m", "measured", "ink", thin=True),
        ),
    ),
)


@dataclass
class Span:
    """Value range of a panel: grows at once, shrinks only after being too wide for a while."""

    least: float
    low: float = math.nan
    high: float = math.nan
    _wide_since: float | None = field(default=None, repr=False)

    def settle(self, low: float, high: float, now_s: float) -> None:
        """Fit the range to the extremes of what is shown (NaN: nothing)."""
        if not (math.isfinite(low) and math.isfinite(high)):
            if not math.isfinite(self.low):
                self.low, self.high = -self.least / 2, self.least / 2
            return
        spread = max(high - low, self.least)
        middle = (low + high) / 2
        margin = 0.08 * spread
        wanted_low, wanted_high = middle - spread / 2 - margin, middle + spread / 2 + margin
        step = nice_step((wanted_high - wanted_low) / 8)
        wanted_low = math.floor(wanted_low / step) * step
        wanted_high = math.ceil(wanted_high / step) * step
        if not math.isfinite(self.low) or low < self.low or high > self.high:
            # In a range in use, only the exceeded side moves.
            kept_low = min(self.low, wanted_low) if math.isfinite(self.low) else wanted_low
            kept_high = max(self.high, wanted_high) if math.isfinite(self.high) else wanted_high
            self.low, self.high = kept_low, kept_high
            self._wide_since = None
        elif wanted_high - wanted_low < 0.7 * (self.high - self.low):
            if self._wide_since is None:
                self._wide_since = now_s
            elif abs(now_s - self._wide_since) > SHRINK_AFTER_S:
                self.low, self.high = wanted_low, wanted_high
                self._wide_since = None
        else:
            self._wide_since = None

    def ticks(self, most: int) -> tuple[list[float], int]:
        """Return at most ``most`` round values inside the range, and the decimals they need."""
        return round_ticks(self.low, self.high, most, least=2)


class ChartView(TimeView):
    """Time window, freeze, scroll and cursors over one trace buffer."""

    def __init__(self, buffer: TraceBuffer) -> None:
        super().__init__()
        self.buffer = buffer
        self.window_s = WINDOWS_S[0]
        self.recorded = False  # no more data will arrive: neither live nor frozen
        self.frozen_s: float | None = None  # right edge while frozen
        self.frame_s: float | None = None  # right edge of the frame that is being drawn
        self.spans = [Span(panel.least) for panel in PANELS]
        self.hidden: set[str] = set()  # columns of traces that are not drawn
        self.fixed: dict[int, tuple[float, float]] = {}  # panel to its range, in its unit
        self.trigger: Trigger | None = None
        self.triggered_s: float | None = None  # right edge that the trigger has found

    @property
    def end_s(self) -> float:
        if self.frozen_s is not None:
            return self.frozen_s
        return self._live_s if self.frame_s is None else self.frame_s

    @property
    def _live_s(self) -> float:
        return self.buffer.end_s if self.triggered_s is None else self.triggered_s

    def find_trigger(self) -> None:
        """Look for the latest window that the trigger begins; once a frame."""
        wanted = self.trigger is not None and self.window_s <= LONGEST_WINDOW_S
        self.triggered_s = None
        if wanted and self.trigger is not None and not self.frozen:
            self.triggered_s = self.trigger.end_s(self.buffer, self.window_s)

    def shown(self, panel: Panel) -> Panel:
        """Return the panel with the traces that are drawn."""
        if not self.hidden:
            return panel
        left = tuple(trace for trace in panel.traces if trace.column not in self.hidden)
        return replace(panel, traces=left)

    def fix_scale(self, index: int, ends: tuple[float, float] | None) -> None:
        """Give a panel a fixed range, in its unit; None lets it fit again."""
        if ends is None:
            self.fixed.pop(index, None)
            self.spans[index] = Span(PANELS[index].least)
        else:
            self.fixed[index] = ends

    def settle(self, index: int, low: float, high: float) -> None:
        """Fit a panel's range to the extremes of what is shown, unless it is fixed."""
        span = self.spans[index]
        if index in self.fixed:
            span.low, span.high = self.fixed[index]
        else:
            span.settle(low, high, self.buffer.end_s)

    @property
    def start_s(self) -> float:
        return self.end_s - self.window_s

    @property
    def held(self) -> tuple[float, float]:
        return self.buffer.start_s, self.buffer.end_s

    @property
    def seen(self) -> tuple[float, float]:
        return self.start_s, self.end_s

    @property
    def frozen(self) -> bool:
        return self.frozen_s is not None

    @property
    def frozen_text(self) -> str:
        """Age of a frozen picture, and the key that returns to live."""
        behind_s = self.buffer.end_s - self.end_s
        return f"frozen, {behind_s:.1f} s ago · {BY_NAME['freeze'].key}: live"

    def freeze(self, on: bool) -> None:
        self.frozen_s = self._live_s if on else None

    def scroll(self, seconds: float) -> None:
        """Scroll earlier (negative) or later, within the history, and freeze."""
        latest = self.buffer.end_s
        earliest = min(self.buffer.start_s + self.window_s, latest)
        self.frozen_s = min(max(self.end_s + seconds, earliest), latest)

    def choose_window(self, seconds: float) -> None:
        """Change the window's length; if frozen, keep its middle."""
        if self.frozen_s is not None:
            middle = self.frozen_s - self.window_s / 2
            self.frozen_s = min(middle + seconds / 2, self.buffer.end_s)
        self.window_s = seconds
        self.spans = [Span(panel.least) for panel in PANELS]

    def show_all(self) -> None:
        """Show the whole history, for a recorded run."""
        self.recorded = True
        self.choose_window(max(self.buffer.end_s - self.buffer.start_s, 0.1))
        self.freeze(True)

    def next_window(self) -> None:
        windows = (*WINDOWS_S, *SHORT_S)
        place = windows.index(self.window_s) if self.window_s in windows else -1
        self.choose_window(windows[(place + 1) % len(windows)])

    def step_cursors(self) -> None:
        """Step: none → one in the middle → a second at three quarters → none; the first freezes."""
        if len(self.cursors) < 2 and not self.frozen:
            self.freeze(True)
        super().step_cursors()


def nice_step(rough: float) -> float:
    """Return the smallest of 1, 2, 5 × a power of ten that is not below ``rough``."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * 0.999)


def round_ticks(low: float, high: float, most: int, least: int = 0) -> tuple[list[float], int]:
    """Return at most ``most`` steps of round values from ``low`` to ``high``, and their decimals.

    More steps if these hold fewer than ``least`` values: one alone does not show the scale.
    """
    first, last = 0, -2
    while last - first + 1 < least:
        step = nice_step((high - low) / max(most, 1))
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        most += 1
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [i * step for i in range(first, last + 1)], decimals
