"""Judge a figure: does the run show what the figure claims?

A figure counts only if the bench ran freely while it was taken, on samples that arrived in time,
and if it lies inside its tolerance by more than chance. Everything else is named.
"""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.motion import restated, unit_name
from hil.core import Limit, State, label
from hil.recorder import Recorded

Array = NDArray[np.float64]

LIMITED_SHARE = 0.01  # of the samples: a limit that acts longer spoils a figure; no source
# Of the time. 5 % of the cycles up to 5 ms late and 20 ms of pause a second are 13 %, and move no
# figure of the shipped rigs by 0.2 % (tests/campaigns/late.py).
LATE_SHARE = 0.15
LATE_SHARE_OUTSIDE = 0.01  # enough to be named with a figure outside its tolerance; no source
LATE_PERIODS = 1.5  # from one sample to the next, and beyond the usual age of one
RELATIVE_TOLERANCE = 0.05  # of a force or stiffness, if a step declares none; no source
SAG_TOLERANCE_mm = 1.0  # common practice, no source
STOP_TOLERANCE_ms = 20.0  # a hand takes ten times as long to withdraw; common practice, no source
# Limited damping changes neither the mean force nor a stiffness fitted together with velocity.
HARMLESS = 1 << Limit.DAMPING


class Code(enum.StrEnum):
    """Verdicts on a figure, the gravest first."""

    STOPPED = "disturbed by a stop"
    LIMITED = "disturbed by a limit"
    LATE = "disturbed by late samples"
    TOO_LITTLE = "too little data"
    OUTSIDE = "outside its tolerance"
    GOOD = "good"


DISTURBED = frozenset((Code.STOPPED, Code.LIMITED, Code.LATE, Code.TOO_LITTLE))
_UNITS = {"constant_force": "N", "virtual_spring": "N/mm", "hold": "mm", "stop": "ms"}


@dataclass(frozen=True)
class Verdict:
    """Verdict on a figure.

    Attributes:
        code: the gravest reason, or ``Code.GOOD``.
        text: all reasons; empty if good.
        tolerance: largest error that is good, in ``unit``.
        unit: unit of tolerance and uncertainty.
        u95: expanded uncertainty of the figure (k = 2) in ``unit``, NaN if none is stated.
    """

    code: Code
    text: str
    tolerance: float
    unit: str
    u95: float = math.nan

    @property
    def good(self) -> bool:
        return self.code is Code.GOOD

    @property
    def disturbed(self) -> bool:
        """True if the reading does not represent the figure's quantity."""
        return self.code in DISTURBED

    def as_data(self) -> dict[str, Any]:
        return {
            "verdict": self.code.value,
            "verdict_text": self.text,
            "good": self.good,
            "tolerance": round(self.tolerance, 6),
            "tolerance_unit": self.unit,
        }


def judge(
    run: Recorded,
    kind: str,
    values: dict[str, Any],
    rows: tuple[int, int, int],
    declared: float | None,
    statistical: float,
) -> Verdict:
    """Return the verdict on one figure.

    Args:
        run: source of the figure.
        kind, values: kind and values of the figure.
        rows: its begin, steady and end.
        declared: tolerance of the step in the figure's unit, or None for the default.
        statistical: expanded uncertainty by the scatter of the samples alone, NaN if none.
    """
    tolerance = declared if declared is not None else default_tolerance(kind, values)
    reasons: list[tuple[Code, str]] = []
    error, swing, u95 = _errors(kind, values)
    unit = _UNITS[kind]
    name, shown = unit_name(unit), partial(restated, unit=unit)
    outside = _outside(kind, values, error, swing, tolerance)
    if kind == "stop":
        if values["to_wire_ms"] is None:
            reasons.append((Code.TOO_LITTLE, "the time to the wire was not recorded"))
    else:
        begin, steady, end = rows
        stopped = _stopped(run, begin, steady, end)
        if stopped:
            reasons.append((Code.STOPPED, stopped))
        limits = _limits(run, steady, end)
        if limits:
            reasons.append((Code.LIMITED, limits))
        late = late_share(run, steady, end)
        if late > (LATE_SHARE_OUTSIDE if outside else LATE_SHARE):
            reasons.append((Code.LATE, f"{100 * late:.0f} % of the samples were late or lost"))
        most = max((u for u in (statistical, u95) if math.isfinite(u)), default=0.0)
        surely_outside = swing > tolerance or abs(error) > tolerance + most
        if most > tolerance and not surely_outside:
            reasons.append(
                (
                    Code.TOO_LITTLE,
                    f"its uncertainty of {shown(most):.3g} {name} exceeds the tolerance of "
                    f"{shown(tolerance):.3g} {name}: measure longer or with more motion, or allow more",
                )
            )
    if outside:
        reasons.append((Code.OUTSIDE, outside))
    code = reasons[0][0] if reasons else Code.GOOD
    text = "; ".join(f"{reason.value}: {words}" for reason, words in reasons)
    return Verdict(code, text, tolerance, unit, u95)


def default_tolerance(kind: str, values: dict[str, Any]) -> float:
    """Return the tolerance of a figure whose step declares none, in the figure's unit.

    5 % of a force, but at least its stated uncertainty; 5 % of a stiffness; 1 mm of sag;
    20 ms to the wire.
    """
    if kind == "constant_force":
        known = values["u95_N"] if math.isfinite(values["u95_N"]) else 0.0
        return float(max(RELATIVE_TOLERANCE * abs(values["setpoint_N"]), known))
    if kind == "virtual_spring":
        return float(RELATIVE_TOLERANCE * values["setpoint_N_per_mm"])
    return SAG_TOLERANCE_mm if kind == "hold" else STOP_TOLERANCE_ms


def _errors(kind: str, values: dict[str, Any]) -> tuple[float, float, float]:
    """Return error, rms deviation about the setpoint, and stated uncertainty."""
    if kind == "constant_force":
        return values["mean_N"] - values["setpoint_N"], values["follow_rms_N"], values["u95_N"]
    if kind == "virtual_spring":
        error = values["measured_N_per_mm"] - values["setpoint_N_per_mm"]
        return error, 0.0, values["u95_N_per_mm"]
    if kind == "hold":
        return values["sag_mm"], values["swing_rms_mm"], values["u95_mm"]
    lag = values["to_wire_ms"]
    return 0.0 if lag is None else lag, 0.0, math.nan


def _outside(
    kind: str, values: dict[str, Any], error: float, swing: float, tolerance: float
) -> str:
    name, shown = unit_name(_UNITS[kind]), partial(restated, unit=_UNITS[kind])
    allowed = f"{shown(tolerance):.3g} {name} allowed"
    words = []
    if not abs(error) <= tolerance:
        words.append(f"{shown(error):+.3g} {name} off, {allowed}")
    if swing > tolerance:
        words.append(f"it swings by {shown(swing):.3g} {name} rms, {allowed}")
    if kind == "stop":
        words = [f"{error:.3g} ms to the wire, {tolerance:.3g} ms allowed"] if words else []
    return " and ".join(words)


def _stopped(run: Recorded, begin: int, steady: int, end: int) -> str:
    cycles = np.asarray(run.column("cycle"))
    first, last = cycles[min(begin, len(cycles) - 1)], cycles[end - 1]
    for event in run.events:
        if event["kind"] == "stop" and first <= event["cycle"] < last:
            return str(event.get("cause") or event.get("detail") or "stop").lower()
    state = np.asarray(run.column("state"))[steady:end]
    idle = float(np.mean(state != State.RUNNING)) if len(state) else 1.0
    return f"no behaviour was active for {100 * idle:.0f} % of it" if idle > 0 else ""


def _limits(run: Recorded, steady: int, end: int) -> str:
    masks = np.asarray(run.column("limited")).astype(np.int64)[steady:end] & ~HARMLESS
    shares = [(float(np.mean(masks >> limit & 1 != 0)), limit) for limit in Limit]
    acting = sorted(((s, i) for s, i in shares if s > LIMITED_SHARE), reverse=True)
    return ", ".join(f"{label(limit).lower()} {100 * share:.0f} %" for share, limit in acting)


def late_share(run: Recorded, steady: int, end: int) -> float:
    """Return the share of samples of a window that were late, old or lost, 0 to 1.

    A sample is late if it followed the one before after more than 1.5 periods: it counts for all
    the periods that passed. It is old if it was more than a period older at its use than usual
    in this run.
    """
    time_s = np.asarray(run.column("time_s"), dtype=float)
    if end - steady < 2 or len(time_s) < 2:
        return 0.0
    cycle = np.asarray(run.column("cycle"), dtype=float)[steady:end]
    age = np.asarray(run.column("telemetry_age_s"), dtype=float)
    steps = np.diff(time_s) / np.maximum(np.diff(np.asarray(run.column("cycle"), float)), 1.0)
    period = float(np.median(steps))
    usual = float(np.nanmedian(age)) if np.isfinite(age).any() else 0.0
    per_cycle = np.diff(time_s[steady:end]) / np.maximum(np.diff(cycle), 1.0)
    late = per_cycle > LATE_PERIODS * period
    old = age[steady + 1 : end] > usual + period
    lost = float(np.sum(np.diff(cycle) - 1.0))
    # A pause of 20 periods is one row, and 20 periods in which nothing was seen.
    passed = np.maximum(np.round(per_cycle[late] / period), 1.0) if period > 0.0 else np.ones(0)
    lost += float(np.sum(np.maximum(passed - 2.0, 0.0)))
    return float((np.count_nonzero(late | old) + lost) / (end - steady + lost))
