"""Interface of every drive: one read and one write a cycle, in SI units.

Sign convention at this boundary: as the wire has it. Signs, gear and calibration that
belong to the rig are applied above, in ``hil``; a driver only turns wire units into SI.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, runtime_checkable


class DriverError(Exception):
    """A drive or bus cannot do what was asked; the text names the place and the fix."""


ANSWERS = 500  # over the last one to two times as many the shortest answer is looked for
# What the way of an answer varies by on an idle computer: an assumption, no source. At 0.1 m/s it
# is worth 25 um.
USUAL_JITTER_S = 0.00025


MISSED_INTERVALS = 4  # of a quantity until it counts as silent; common practice, no source
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

    Times are those of ``time.monotonic()`` (or simulated time in lockstep). ``time_s`` is when
    the youngest motor sample was *taken*, as well as the driver knows: at the SYNC that latched
    it, by the device's own clock, or at its reception less a known latency. It is the only time
    that estimators know: a sample that is used late says where the motor was, not where it is.
    ``deflection_time_s`` is the same of the deflection, ``received_s`` when the motor sample
    came. Ages count from when the sample was taken.

    ``time_error_s`` is by how much ``time_s`` may be off: what came much later after the
    question than is usual may have been taken at any moment in between.

    ``silent_name`` is a quantity that has been silent for longer than its own limit while others
    may come ('' for none), with its age and limit (see ``QuantityAges``).
    """

    time_s: float = 0.0
    deflection_time_s: float = 0.0
    received_s: float = 0.0
    time_error_s: float = 0.0
    age_s: float = 1e9
    deflection_age_s: float = 1e9
    position_rad: float = 0.0
    velocity_rad_s: float = 0.0  # NaN where the drive has none
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
    lost: str = ""  # not empty: the device is gone, and why
    frames: int = 0  # frames received since open, any kind
    digital_inputs: int = -1  # bit by bit; -1 where the drive reports none
    spare_counts: float = float("nan")  # a second analogue input, where the drive sends one
    silent_name: str = ""
    silent_age_s: float = 0.0
    silent_limit_s: float = 0.0

    def forget(self) -> None:
        """As before anything was received: a drive that is opened anew believes nothing old."""
        fresh = Telemetry()
        for name in Telemetry.__slots__:
            setattr(self, name, getattr(fresh, name))


class QuantityAges:
    """Age of each quantity that has an interval of its own; allocates nothing in the cycle.

    A quantity is silent once it is older than its limit, ``MISSED_INTERVALS`` intervals and
    ``LEAST_AGE_LIMIT_S`` at least, and the host has looked for it as often as that takes: a
    host that was held up has not looked.

    Args:
        intervals_s: time between two values by name, s; infinite for one that is not watched.
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
        """Forget all values: none has come yet."""
        for i in range(len(self._names)):
            self._taken_s[i] = -NEVER_CAME_S
            self._looks[i] = 0

    def came(self, name: str, taken_s: float) -> None:
        """Note that a value came which was taken at ``taken_s``."""
        at = self._at.get(name)
        if at is not None and taken_s != self._taken_s[at]:
            self._taken_s[at] = taken_s
            self._looks[at] = 0

    def judge(self, telemetry: Telemetry, now_s: float) -> None:
        """Write the quantity that is furthest beyond its limit into ``telemetry``; once a cycle."""
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

    Samples are taken soon after the question. An answer that comes much later than the shortest
    of late was held up, and nobody knows where: before the sample was taken or after.
    """

    def __init__(self) -> None:
        self._shortest_s = self._before_s = math.inf
        self._left = ANSWERS

    def error_s(self, waited_s: float) -> float:
        """Error in s of a sample that came ``waited_s`` after the question for it."""
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
    """One cycle's command; the default asks for no motion and no power."""

    power: PowerRequest = PowerRequest.OFF
    mode: Mode = Mode.TORQUE
    torque_N_m: float = 0.0
    velocity_rad_s: float = 0.0
    position_rad: float = 0.0
    # False: nothing goes out that keeps the drive's watch over its host content, so that it
    # can be seen to act. Telemetry goes on as far as the protocol allows.
    heartbeat: bool = True


@dataclass(frozen=True)
class Capabilities:
    """Capabilities of a drive, read before the first cycle.

    ``own_limits``: what is set in the drive itself, as far as it can be read, SI: any of
    ``torque_N_m``, ``current_A``, ``speed_rad_s``, ``supply_high_V``, ``supply_low_V``,
    ``temperature_degC``.
    """

    modes: frozenset[Mode]
    rated_torque_N_m: float
    peak_torque_N_m: float
    torque_resolution_N_m: float
    host_loss_s: float  # the drive stops by itself this long after the host falls silent
    command_delay_cycles: float  # whole cycles between write and the drive acting on it
    identity: str = ""
    details: dict[str, str] = field(default_factory=dict)
    own_limits: dict[str, float] = field(default_factory=dict)
    shows_power: bool = True  # False: ``Telemetry.power`` is what was asked, not what is
    status_interval_s: float = 0.0  # between two values of the power stage; 0: with each cycle


class Drive(Protocol):
    """One drive with its sensors. Every method but ``open``/``close`` is for the cycle.

    ``read`` and ``write`` never block longer than a fraction of a period and raise only
    ``DriverError``. A lost device is reported by ``Telemetry.lost``, not by exception; from then
    on nothing but OFF is sent until the drive is opened anew. Every duty, with the test that
    holds it: DEVELOPERS.md, "Add a drive protocol".
    """

    capabilities: Capabilities
    telemetry: Telemetry

    def open(self) -> None:
        """Reach the device, take its power away, configure it, verify that by reading it back.

        Every quantity has been received once it returns, and nothing of an earlier connection
        is believed.

        Raises:
            DriverError: open already; or naming the object or message, what came back, and the
                fix.
        """

    def read(self, deadline_s: float) -> Telemetry:
        """Trigger and collect one cycle's telemetry, waiting at most until ``deadline_s``."""

    def write(self, command: Command) -> None:
        """Send one command; a torque is held to ``peak_torque_N_m``.

        Once power went away, an ON that still stands is not a new request: OFF comes first.

        Raises:
            DriverError: not open, a target that is not a finite number, or power asked for in a
                mode that is none of the ``capabilities``.
        """

    def de_energise(self) -> None:
        """Remove power now, from any state, whatever was asked before. Never raises."""

    def close(self) -> None:
        """De-energise and let go of the bus. Never raises; may be called twice."""


@runtime_checkable
class ResumesCyclic(Protocol):
    """A drive that leaves the cyclic exchange when it misses its host, and can be taken back."""

    def resume_cyclic(self) -> None:
        """Take the drive back into the cyclic exchange, without power.

        After a silence that was provoked (``Command.heartbeat``), and no other: of any other loss
        find the cause and open the drive anew. ``Telemetry.lost`` is empty afterwards; a fault
        stays until CLEAR_FAULT.

        Raises:
            DriverError: the drive is not open.
        """


@runtime_checkable
class Redirecting(Protocol):
    """A protocol (``WireProtocol``) whose wire is no ``bus`` of python-can's alone.

    Without it, a simulated rig gets ``bus: {interface: local_socket}`` in its link directory.
    """

    def redirected(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        """Return the profile's ``drive`` mapping with its wires in ``directory``.

        Simulated devices are found there; ``data`` stays as it is.
        """


@dataclass(frozen=True)
class Shortcoming:
    """Ability that a drive lacks by its data sheet.

    Attributes:
        path: keys under ``drive`` in the profile.
        what, fix: in words.
    """

    path: tuple[str, ...]
    what: str
    fix: str


@runtime_checkable
class Examining(Protocol):
    """A protocol (``WireProtocol``) that can tell without the drive what the drive cannot do."""

    def shortcomings(self, options: Any) -> list[Shortcoming]:
        """Return all that is asked for and that the drive lacks; never raises."""


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
            DriverError: the bus cannot be opened or went away.
        """
