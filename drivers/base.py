"""Interface of every drive: one read and one write a cycle, in SI units.

Sign convention at this boundary: as on the wire. Signs, gear and calibration of the rig are applied
    above, in ``hil``; a driver only converts wire units to SI.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

from drivers.exchange import (
    LEAST_AGE_LIMIT_S,
    MISSED_INTERVALS,
    USUAL_JITTER_S,
    AnswerJudge,
    Command,
    Mode,
    PowerRequest,
    PowerStage,
    QuantityAges,
    Telemetry,
)

__all__ = [
    "LEAST_AGE_LIMIT_S",
    "MISSED_INTERVALS",
    "USUAL_JITTER_S",
    "AnswerJudge",
    "Capabilities",
    "Command",
    "Drive",
    "DriverError",
    "Examining",
    "Mode",
    "PowerRequest",
    "PowerStage",
    "QuantityAges",
    "Redirecting",
    "ResumesCyclic",
    "SharesSync",
    "Shortcoming",
    "Telemetry",
    "WireProtocol",
]


class DriverError(Exception):
    """Error of a drive or bus that cannot carry out a request; the text names place and fix."""


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
