"""Interface of every drive: one read and one write a cycle, in SI units.

Sign convention at this boundary: as on the wire. Signs, gear and calibration of the rig are applied
    above, in ``hil``; a driver only converts wire units to SI.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, runtime_checkable


class DriverError(Exception):
    """Error of a drive or bus that cannot carry out a request; the text names place and fix."""


ANSWERS = 500  # the shortest answer is taken over the last one to two times as many
# Variation of the answer time on an idle computer: an assumption, no source. At 0.1 m/s it means 25
# um.
USUAL_JITTER_S = 0.00025


MISSED_INTERVALS = 4  # of a quantity until it is treated as silent; common practice, no source
LEAST_AGE_LIMIT_S = 0.02  # a shorter one would trip on a busy computer; common practice, no source
NEVER_CAME_S = 1e9


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
        for name in Telemetry.__slots__:
            setattr(self, name, getattr(fresh, name))


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


@dataclass(frozen=True)
class Capabilities:
    """Capabilities of a drive, read before the first cycle.

    ``own_limits``: limits set in the drive itself, as far as readable, SI: any of
    ``torque_N_m``, ``current_A``, ``speed_rad_s``, ``supply_high_V``, ``supply_low_V``,
    ``temperature_degC``. ``adds_torque``: it obeys ``Command.torque_offset_N_m``.
    """

    modes: frozenset[Mode]
    rated_torque_N_m: float
    peak_torque_N_m: float
    torque_resolution_N_m: float
    host_loss_s: float  # the drive stops on its own this long after the host falls silent
    command_delay_cycles: float  # whole cycles from write to the drive acting on it
    identity: str = ""
    details: dict[str, str] = field(default_factory=dict)
    own_limits: dict[str, float] = field(default_factory=dict)
    shows_power: bool = True  # False: ``Telemetry.power`` is the requested state
    status_interval_s: float = 0.0  # between two values of the power stage; 0: with each cycle
    adds_torque: bool = False


class Drive(Protocol):
    """One drive with its sensors. Every method but ``open``/``close`` is for the cycle.

    ``read`` and ``write`` never block longer than a fraction of a period and raise only
    ``DriverError``. A lost device is reported by ``Telemetry.lost``, not by exception; from then on
    only OFF is sent until the drive is reopened. All duties and their tests: DEVELOPERS.md, "Add a
    drive protocol".
    """

    capabilities: Capabilities
    telemetry: Telemetry

    def open(self) -> None:
        """Connect to the device, remove its power, configure it and verify it by reading back.

        When it returns every quantity has been received, and no value of an earlier connection is
        used.

        Raises:
            DriverError: already open; or naming the object or message, the answer, and the fix.
        """

    def read(self, deadline_s: float) -> Telemetry:
        """Trigger and collect one cycle's telemetry, waiting at most until ``deadline_s``."""

    def write(self, command: Command) -> None:
        """Send one command; torque and torque offset are clamped to ``peak_torque_N_m``.

        A drive without ``adds_torque`` ignores the offset; none acts in mode torque or without power.

        After power was lost, a continuing ON is not a new request: OFF must come first.

        Raises:
            DriverError: not open, a target that is not a finite number, or power requested in a
                mode that is not in ``capabilities``.
        """

    def de_energise(self) -> None:
        """Remove power now, from any state, whatever was requested before. Never raises."""

    def close(self) -> None:
        """De-energise and release the bus. Never raises; may be called twice."""


@runtime_checkable
class ResumesCyclic(Protocol):
    """A drive that leaves the cyclic exchange when it misses its host, and can resume it."""

    def resume_cyclic(self) -> None:
        """Resume the cyclic exchange with the drive, without power.

        Only after a provoked silence (``Command.heartbeat``): after any other loss find the cause
        and reopen the drive. ``Telemetry.lost`` is empty afterwards; a fault stays until
        CLEAR_FAULT.

        Raises:
            DriverError: the drive is not open.
        """


@runtime_checkable
class SharesSync(Protocol):
    """A drive whose bus has one SYNC for all its nodes: only one drive of a process may send it."""

    def lead(self, others: Sequence[Any]) -> None:
        """Send the SYNC of ``others`` as well from the next ``read`` on; none: each sends its own.

        ``others`` are open drives of the same class on the same bus. Until released, each must be
        read once after every ``read`` of this one.
        """


@runtime_checkable
class Redirecting(Protocol):
    """A protocol (``WireProtocol``) whose wire is not just a python-can ``bus``.

    Without it, a simulated rig gets ``bus: {interface: local_socket}`` in its link directory.
    """

    def redirected(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        """Return the profile's ``drive`` mapping with its wires in ``directory``.

        Simulated devices are found there; ``data`` is not changed.
        """


@dataclass(frozen=True)
class Shortcoming:
    """Ability missing in a drive according to its data sheet.

    Attributes:
        path: keys under ``drive`` in the profile.
        what, fix: as text.
    """

    path: tuple[str, ...]
    what: str
    fix: str


@runtime_checkable
class Examining(Protocol):
    """A protocol (``WireProtocol``) that finds missing abilities of a drive without the drive."""

    def shortcomings(self, options: Any) -> list[Shortcoming]:
        """Return all requested abilities that the drive lacks; never raises."""


class WireProtocol(Protocol):
    """Protocol module as registered under the entry point group ``hookeline.protocols``.

    ``options`` is a pydantic model class for the profile's ``drive`` mapping (unknown keys
    forbidden, a ``protocol`` literal field included).
    """

    name: str
    options: type[Any]

    def make(self, options: Any, period_s: float) -> Drive:
        """Build, not open, a drive for validated options and a cycle period in seconds."""

    def simulate(self, options: Any, core: Any, control: Any) -> None:
        """Run a simulated device behind this protocol until ``control.ending`` (own process).

        ``core`` is a ``drivers.simulated.drive_core.SimulatedDriveCore``, ``control`` a
        ``drivers.simulated.simulation_control.SimulationControl``: call ``control.ready()`` once on
        the bus, then ``core.advance(elapsed_s)`` and ``control.poll()`` in every turn.

        Raises:
            DriverError: the bus cannot be opened or was lost.
        """
