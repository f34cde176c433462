"""Exchange with a drive in each cycle: telemetry and command, and their time and age."""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final

ANSWERS: Final = 500  # the shortest answer is taken over the last one to two times as many
# Variation of the answer time on an idle computer: an assumption, no source. At 0.1 m/s it means 25
# um.
USUAL_JITTER_S: Final = 0.00025


MISSED_INTERVALS: Final = (
    4  # of a quantity until it is treated as silent; common practice, no source
)
LEAST_AGE_LIMIT_S: Final = (
    0.02  # a shorter one would trip on a busy computer; common practice, no source
)
NEVER_CAME_S: Final = 1e9


class PowerStage(enum.IntEnum):
    """State of the power stage, the common part of every drive's own state machine."""

    UNKNOWN = 0
    OFF = 1
    CHANGING = 2
    ON = 3
    QUICK_STOP = 4
    FAULT = 5


class PowerRequest(enum.IntEnum):
    """Request to the power stage. OFF is the default everywhere."""

    OFF = 0
    ON = 1
    QUICK_STOP = 2
    CLEAR_FAULT = 3


class Mode(enum.IntEnum):
    """Target that the drive follows (values of CiA 402 object 0x6060)."""

    POSITION = 8
    VELOCITY = 9
    TORQUE = 10


@dataclass(slots=True)
class Telemetry:
    """Latest values from the hardware; one object, refilled in place each cycle.

    Times are from ``time.monotonic()`` (or simulated time in lockstep). ``time_s`` is when the
    newest motor sample was *taken*, as far as the driver knows: at the SYNC that latched it, by the
    device's own clock, or at its reception less a known latency. Estimators use only this time: a
    sample used late gives the motor's earlier position, not its present one. ``deflection_time_s``
    is the same for the deflection, ``received_s`` the reception of the motor sample. Ages count
    from when the sample was taken.

    ``time_error_s`` is the possible error of ``time_s``: a sample received unusually late after its
    request may have been taken at any moment in between.

    ``silent_name`` is a quantity that has been silent for longer than its own limit while others
    may still arrive ('' for none), with its age and limit (see ``QuantityAges``).
    """

    time_s: float = 0.0
    deflection_time_s: float = 0.0
    received_s: float = 0.0
    time_error_s: float = 0.0
    age_s: float = 1e9
    deflection_age_s: float = 1e9
    position_rad: float = 0.0
    velocity_rad_s: float = 0.0  # NaN if the drive has none
    torque_N_m: float = 0.0
    deflection_counts: float = 0.0
    supply_V: float = 0.0
    supply_A: float = float("nan")  # from the supply, - back into it; NaN where not reported
    temperature_degC: float = float("nan")
    power: PowerStage = PowerStage.UNKNOWN
    mode: int = 0
    fault_code: int = 0
    fault_text: str = ""
    status_word: int = 0
    lost: str = ""  # not empty: the device is lost; the reason
    frames: int = 0  # frames received since open, any kind
    digital_inputs: int = -1  # bit mask; -1 if the drive reports none
    spare_counts: float = float("nan")  # a second analogue input, if the drive sends one
    silent_name: str = ""
    silent_age_s: float = 0.0
    silent_limit_s: float = 0.0

    def forget(self) -> None:
        """Reset to the state before any reception: a reopened drive uses no old values."""
        fresh = Telemetry()
        for value in fields(Telemetry):
            setattr(self, value.name, getattr(fresh, value.name))


class QuantityAges:
    """Age of each quantity with its own interval; allocates nothing in the cycle.

    A quantity is silent once it is older than its limit, ``MISSED_INTERVALS`` intervals and at
    least ``LEAST_AGE_LIMIT_S``, and the host has polled for it that long: a delayed host has not
    polled.

    Args:
        intervals_s: time between two values by name, s; infinite if not watched.
        period_s: cycle period, s.
    """

    def __init__(self, intervals_s: Mapping[str, float], period_s: float) -> None:
        watched = {name: s for name, s in intervals_s.items() if s < math.inf}
        self._names = list(watched)
        self._limits_s = [max(MISSED_INTERVALS * s, LEAST_AGE_LIMIT_S) for s in watched.values()]
        self._fewest = [math.ceil(limit / period_s) + 1 for limit in self._limits_s]
        self._taken_s = [-NEVER_CAME_S] * len(watched)
        self._looks = [0] * len(watched)
        self._at = {name: i for i, name in enumerate(self._names)}

    def forget(self) -> None:
        """Forget all values."""
        for i in range(len(self._names)):
            self._taken_s[i] = -NEVER_CAME_S
            self._looks[i] = 0

    def came(self, name: str, taken_s: float) -> None:
        """Note a received value that was taken at ``taken_s``."""
        at = self._at.get(name)
        if at is not None and taken_s != self._taken_s[at]:
            self._taken_s[at] = taken_s
            self._looks[at] = 0

    def judge(self, telemetry: Telemetry, now_s: float) -> None:
        """Write the quantity furthest beyond its limit into ``telemetry``; once a cycle."""
        telemetry.silent_name = ""
        worst = 1.0
        for i, limit_s in enumerate(self._limits_s):
            self._looks[i] += 1
            age_s = now_s - self._taken_s[i]
            if age_s > worst * limit_s and self._looks[i] > self._fewest[i]:
                worst = age_s / limit_s
                telemetry.silent_name = self._names[i]
                telemetry.silent_age_s = min(age_s, NEVER_CAME_S)
                telemetry.silent_limit_s = limit_s


class AnswerJudge:
    """Judge of a sample's time, from its delay after the request.

    Samples are taken soon after the request. An answer much later than the shortest recent one was
    delayed, and it is unknown where: before the sample was taken or after.
    """

    def __init__(self) -> None:
        self._shortest_s = self._before_s = math.inf
        self._left = ANSWERS

    def error_s(self, waited_s: float) -> float:
        """Return the time error in s of a sample received ``waited_s`` after its request."""
        self._left -= 1
        if self._left <= 0:
            self._left = ANSWERS
            self._before_s, self._shortest_s = self._shortest_s, math.inf
        if waited_s < self._shortest_s:
            self._shortest_s = waited_s
        late = waited_s - min(self._shortest_s, self._before_s)
        return late if late > USUAL_JITTER_S else 0.0


@dataclass(slots=True)
class Command:
    """One cycle's command; the default requests no motion and no power."""

    power: PowerRequest = PowerRequest.OFF
    mode: Mode = Mode.TORQUE
    torque_N_m: float = 0.0
    velocity_rad_s: float = 0.0
    position_rad: float = 0.0
    torque_offset_N_m: float = 0.0  # added to the torque of the drive's velocity or position loop
    # False: send nothing that satisfies the drive's watch over its host, so that it can be tested.
    # Telemetry continues as far as the protocol allows.
    heartbeat: bool = True
