"""Validity of a calibration, judged by its age, the zero and the motor's torque.

Each warning has a sentence and a fix. ``DriftWatch`` checks blocks of samples as they arrive;
:func:`run_warnings` checks a recorded run.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from drivers.motion import FORCE
from hil.control import SLIP_SPEED_M_S, ForceCalibration
from hil.core import INDEX, State
from hil.profile import Calibration, Profile
from hil.recorder import Recorded

DAYS_A_MONTH = 365.25 / 12
NO_LOAD = "no load"  # text of the marker after which nothing acts on the rod
NO_LOAD_S = 0.5
ZERO_STILL_COUNTS = 0.5  # a mean that still moves by more between its halves is not at rest
TORQUE_SHARE = 0.1  # torque constant and screw loss are known to this; common practice, no source
BUCKET_S = 1.0
WINDOW_S = 60.0
LEAST_S = 20.0  # of powered time, before the motor's torque is judged
MOST_SHARE = 0.6  # of it in which friction cannot explain the difference
LEAST_MOVING_S = 2.0  # each way, before the mean of both is taken
Rows = NDArray[np.float64]
Array = NDArray[np.float64]

STATE, TIME = INDEX["state"], INDEX["time_s"]
COUNTS, SPRING, MOTOR = (
    INDEX[name] for name in ("deflection_counts", "spring_force_N", "motor_force_N")
)
U95, SPEED = INDEX["force_u95_N"], INDEX["nut_velocity_m_s"]


@dataclass(frozen=True)
class DriftWarning:
    """``code``: old, undated, zero_moved or motor_disagrees."""

    code: str
    sentence: str
    fix: str


def age_warning(
    calibration: Calibration, today: datetime.date | None = None
) -> DriftWarning | None:
    """Return a warning for a calibration older than its stated validity, or without a date."""
    fix = "calibrate again: hookeline calibrate --profile P"
    try:
        dated = datetime.date.fromisoformat(calibration.dated)
    except ValueError:
        return DriftWarning("undated", "the calibration has no date, so its age is not known", fix)
    days = ((today or datetime.date.today()) - dated).days
    if days <= calibration.valid_months * DAYS_A_MONTH:
        return None
    return DriftWarning(
        "old",
        f"the calibration of {calibration.dated} is {days / DAYS_A_MONTH:.0f} months old, but "
        f"valid for {calibration.valid_months:g}",
        fix,
    )


def zero_warning(profile: Profile, counts: Array) -> DriftWarning | None:
    """Compare readings at rest with no load with the zero of the calibration.

    Args:
        profile: profile with the calibration in force.
        counts: shape (n,), readings with nothing on the rod.
    """
    counts = counts[np.isfinite(counts)]
    if counts.size < 2:
        return None
    first, second = np.array_split(counts, 2)
    wander = abs(float(second.mean() - first.mean()))
    scatter = float(counts.std()) / math.sqrt(counts.size)
    if wander > ZERO_STILL_COUNTS + 6 * scatter:
        return None  # it moves: not at rest
    law = ForceCalibration(profile.calibration, profile.sensors.deflection)
    moved = float(counts.mean()) - law.zero_counts
    force = law.force(law.deflection(float(counts.mean())))
    per_count = abs(law.stiffness(0.0) * law.per_count)
    known = math.hypot(law.u95(0.0), 2 * per_count * math.hypot(scatter, wander / 2))
    if abs(force) <= known:
        return None
    return DriftWarning(
        "zero_moved",
        f"with no load the sensor reads {moved:+.1f} counts from the zero of the calibration, "
        f"{FORCE(force):+.1f}{FORCE}, and the zero is known to ±{FORCE(known):.1f}{FORCE}",
        "check for something that still presses on the rod and for a sensor that has shifted; then "
        "calibrate again",
    )


class MotorBand:
    """Difference of motor-derived and spring force that friction alone explains.

    The estimator's own band (``Estimator.motor_force_band_N``), for arrays.
    """

    def __init__(self, profile: Profile) -> None:
        friction, per_m = profile.actuator.friction, profile.actuator.radians_per_metre
        self._breakaway_N = max(friction.breakaway, friction.coulomb) * per_m
        self._loss = 1 - profile.actuator.transmission.efficiency_backward

    def __call__(self, motor_force_N: Array, nut_velocity_m_s: Array) -> Array:
        rest = 1.0 - 0.5 * np.minimum(np.abs(nut_velocity_m_s) / SLIP_SPEED_M_S, 1.0)
        band: Array = rest * (self._breakaway_N + self._loss * np.abs(motor_force_N))
        return band


class DriftWatch:
    """Watch on samples as they arrive. Cheap: a few sums for each block.

    Args:
        profile: profile with the calibration in force.
        today: date of the check, for tests.

    Attributes:
        warnings: those in force at present, by code.
    """

    def __init__(self, profile: Profile, today: datetime.date | None = None) -> None:
        self._today = today
        self.use(profile)

    def use(self, profile: Profile) -> None:
        """Start again with another calibration in force."""
        self.profile = profile
        self._band = MotorBand(profile)
        self._buckets: list[Array] = []  # sums over a stretch of powered time, see _take_motor
        self._last_s = math.nan
        self._no_load: list[Array] | None = None
        self._no_load_until_s = 0.0
        self.warnings: dict[str, DriftWarning] = {}
        found = age_warning(profile.calibration, self._today)
        if found is not None:
            self.warnings[found.code] = found

    def rows(self, rows: Rows) -> list[DriftWarning]:
        """Take a block, shape (n, len(COLUMNS)); return the new warnings."""
        before = set(self.warnings)
        if len(rows):
            self._take_no_load(rows)
            self._take_motor(rows)
        return [found for code, found in self.warnings.items() if code not in before]

    def no_load(self, time_s: float) -> None:
        """Check the zero for a moment: nothing acts on the rod from ``time_s`` on."""
        self._no_load = []
        self._no_load_until_s = time_s + NO_LOAD_S

    def event(self, event: Mapping[str, Any]) -> None:
        """Take an event of the rig host: another calibration, or a marker ``no load``."""
        kind = event.get("kind")
        if kind == "marker" and event.get("text") == NO_LOAD:
            self.no_load(float(event.get("time_s") or 0.0))
        elif kind == "calibration":
            try:
                changed = Calibration.model_validate(event["calibration"], context={"si": True})
            except (KeyError, ValidationError):
                return
            self.use(self.profile.model_copy(update={"calibration": changed}))

    def _set(self, code: str, found: DriftWarning | None) -> None:
        if found is None:
            self.warnings.pop(code, None)
        else:
            self.warnings[code] = found

    def _take_no_load(self, rows: Rows) -> None:
        if self._no_load is None:
            return
        times = rows[:, TIME]
        begin_s = self._no_load_until_s - NO_LOAD_S
        self._no_load.append(rows[(times >= begin_s) & (times <= self._no_load_until_s), COUNTS])
        if times[-1] >= self._no_load_until_s:
            counts, self._no_load = np.concatenate(self._no_load), None
            self._set("zero_moved", zero_warning(self.profile, counts))

    def _take_motor(self, rows: Rows) -> None:
        times = rows[:, TIME]
        before = self._last_s if self._last_s < times[0] else times[0]
        steps = np.diff(times, prepend=before)
        self._last_s = float(times[-1])
        # A gap in the samples does not count as observed time.
        steps = np.where(steps < 0.1, steps, 0.0)
        powered = (rows[:, STATE] == State.RUNNING) & np.isfinite(rows[:, MOTOR])
        powered &= np.isfinite(rows[:, SPRING])
        if not powered.any():
            return
        rows, steps = rows[powered], steps[powered]
        gap = rows[:, MOTOR] - rows[:, SPRING]
        allowed = (
            self._band(rows[:, MOTOR], rows[:, SPEED])
            + TORQUE_SHARE * np.abs(rows[:, SPRING])
            + rows[:, U95]
        )
        unexplained = np.abs(gap) > allowed
        if not self._buckets or self._buckets[-1][0] >= BUCKET_S:
            self._buckets.append(np.zeros(11))
            del self._buckets[: -int(WINDOW_S / BUCKET_S)]
        sums = [steps.sum(), steps[unexplained].sum(), (gap * steps)[unexplained].sum()]
        for moving in (rows[:, SPEED] >= SLIP_SPEED_M_S, rows[:, SPEED] <= -SLIP_SPEED_M_S):
            weights = steps[moving]
            sums += [
                weights.sum(),
                *(
                    float((values[moving] * weights).sum())
                    for values in (gap, np.abs(rows[:, SPRING]), rows[:, U95])
                ),
            ]
        self._buckets[-1] += sums
        self._set("motor_disagrees", self._motor_warning())

    def _motor_warning(self) -> DriftWarning | None:
        sums = np.sum(self._buckets, axis=0)
        seconds, bad, area = (float(value) for value in sums[:3])
        fix = (
            "hang a known weight and see which of the two is right: calibrate again, or correct "
            "torque constant, screw efficiency or lever arms in the profile"
        )
        if seconds >= LEAST_S and bad >= MOST_SHARE * seconds:
            return DriftWarning(
                "motor_disagrees",
                f"for {bad:.0f} of the last {seconds:.0f} s under power the force from the motor's "
                f"torque differed from the springs' by {FORCE(area / bad):+.0f}{FORCE} on average, "
                "more than friction explains",
                fix,
            )
        out, back = sums[3:7], sums[7:]
        if min(out[0], back[0]) < LEAST_MOVING_S:
            return None
        # Friction acts against motion: it cancels in the mean of both directions.
        gap, level, u95 = (float(v) for v in (out[1:] / out[0] + back[1:] / back[0]) / 2)
        if abs(gap) <= TORQUE_SHARE * level + u95:
            return None
        return DriftWarning(
            "motor_disagrees",
            f"in the mean of {out[0]:.0f} s of motion one way and {back[0]:.0f} s the other, where "
            f"friction cancels, the force from the motor's torque differs by "
            f"{FORCE(gap):+.0f}{FORCE} from the springs' {FORCE(level):.0f}{FORCE}",
            fix,
        )


def run_warnings(
    run: Recorded, profile: Profile, on: datetime.date | None = None
) -> list[DriftWarning]:
    """Judge the calibration that a run was recorded with.

    Args:
        profile: as recorded with the run.
        on: the day of the run; today if not given.
    """
    names = (
        "time_s",
        "state",
        "deflection_counts",
        "spring_force_N",
        "motor_force_N",
        "force_u95_N",
        "nut_velocity_m_s",
    )
    columns = {name: np.asarray(run.column(name), dtype=float) for name in names}
    count = len(columns["time_s"])
    watch = DriftWatch(profile, on)
    found = dict(watch.warnings)
    times = columns["time_s"]
    events: Sequence[dict[str, Any]] = sorted(
        (e for e in run.events if e.get("kind") in ("marker", "calibration")),
        key=lambda e: float(e.get("time_s") or 0.0),
    )
    cuts = np.searchsorted(times, [float(e.get("time_s") or 0.0) for e in events]).tolist()
    block = np.full((4096, len(INDEX)), np.nan)
    begin = 0
    for cut, event in [*zip(cuts, events, strict=True), (count, None)]:
        while begin < cut:
            # Time is counted per bucket, so no block is longer than one.
            end = min(cut, begin + 500)
            for name, values in columns.items():
                block[: end - begin, INDEX[name]] = values[begin:end]
            watch.rows(block[: end - begin])
            found |= watch.warnings
            begin = end
        if event is not None:
            watch.event(event)
            found |= watch.warnings
    return list(found.values())
