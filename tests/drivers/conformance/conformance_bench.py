"""Drive and its simulated board on a real wire, observed and disturbed from both ends.

The board runs in a thread of this process: a test can read what the board requested of its core,
and no test has to wait for a process.
"""

from __future__ import annotations

import math
import os
import threading
import time
from collections.abc import Callable
from typing import Any

from conformance_wires import Wires

from drivers.base import Command, Drive, Mode, PowerRequest, PowerStage, Telemetry, WireProtocol
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters

PERIOD_S = 0.002
ANSWER_S = 0.005  # a cycle continues as soon as its answer has arrived
PATIENCE_S = 6.0
# The longest time that every description allows. A board does not miss its host within the patience
# of a test: power goes away by the test's own action, not by the board's watch.
NEVER_MISSED = "10 s"
ENERGISED = (PowerStage.CHANGING, PowerStage.ON, PowerStage.QUICK_STOP)
SOON_MISSED_S = 0.1
SLOWEST_S = 0.02  # longest interval of messages that a board sends less often
LONG_ENOUGH = 25  # cycles within which any drive that is going to power on has done so
TARGETS = {
    Mode.TORQUE: "torque_N_m",
    Mode.VELOCITY: "velocity_rad_s",
    Mode.POSITION: "position_rad",
}
OFF = Command()


class WatchedCore:
    """Core of the simulated rig that records the requests of its board.

    Attributes:
        asked: every request to the power stage. targets: every target, by mode, SI.
        energisings: how often power came on.
    """

    def __init__(self, parameters: RigParameters) -> None:
        self._core = SimulatedDriveCore(parameters, 1)
        self._lock = threading.RLock()
        self.asked: list[PowerRequest] = []
        self.targets: list[tuple[Mode, float]] = []
        self.energisings = 0
        self._still = False

    def __getattr__(self, name: str) -> Any:
        return getattr(self._core, name)

    @property
    def off(self) -> bool:
        """True if the power stage is off."""
        return self._core.power not in ENERGISED

    def advance(self, dt_s: float) -> None:
        with self._lock:
            self._core.advance(0.0 if self._still else dt_s)

    def request_power(self, request: PowerRequest) -> None:
        with self._lock:
            before = self.off
            self.asked.append(request)
            self._core.request_power(request)
            self.energisings += before and not self.off

    def set_target(self, mode: Mode, value: float) -> None:
        with self._lock:
            self.targets.append((mode, value))
            self._core.set_target(mode, value)

    def host_lost(self) -> None:
        with self._lock:
            self._core.host_lost()

    # Actions of a test on the board.

    def stand_still(self, still: bool = True) -> None:
        """Freeze the rig; its sensors can still be read."""
        self._still = still

    def come_to_rest(self) -> None:
        """Hold the screw until nothing moves."""
        with self._lock:
            self._core.environment.hold_screw(True)
            for _ in range(1000):
                self._core.advance(0.001)

    def begin_anew(self, then_on: bool = False) -> None:
        """Restart the board, as after a loss of its supply; on request, obey an ON right after."""
        with self._lock:
            self._core.restart()
            if then_on:
                self._core.request_power(PowerRequest.ON)

    def fault(self, code: int) -> None:
        with self._lock:
            self._core.fault(code)

    def clear(self) -> None:
        """Clear the fault without a request from the host."""
        with self._lock:
            self._core.request_power(PowerRequest.CLEAR_FAULT)

    def power_by_itself(self, on: bool) -> None:
        """Switch power without a request from the host."""
        with self._lock:
            self._core.request_power(PowerRequest.OFF)
            if on:
                self._core.request_power(PowerRequest.ON)
                self._core.advance(2 * self._core.parameters.drive_switch_on_s)


class Board:
    """The device's end in a thread; it is its own simulation control."""

    def __init__(self, protocol: Any, options: Any, core: Any) -> None:
        self.ending = False
        self._ready = threading.Event()
        self._errors: list[Exception] = []

        def run() -> None:
            try:
                protocol.simulate(options, core, self)
            except Exception as error:
                self._errors.append(error)
            self._ready.set()

        self._thread = threading.Thread(target=run, daemon=True)
        self._thread.start()
        assert self._ready.wait(PATIENCE_S), "the simulated board never got ready"
        self._raise()

    def ready(self) -> None:
        self._ready.set()

    def poll(self) -> None:
        pass

    def end(self) -> None:
        self.ending = True
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive(), "the simulated board does not end when told to"
        self._raise()

    def _raise(self) -> None:
        if self._errors:
            raise self._errors.pop()


class Bench:
    """One board and the drives opened on it."""

    def __init__(self, protocol: WireProtocol, options: Any, parameters: RigParameters) -> None:
        self.protocol = protocol
        self.options = options
        self.core = WatchedCore(parameters)
        self.wires = Wires()
        self._board: Board | None = None
        self._drives: list[Drive] = []

    def start_board(self) -> None:
        self._board = Board(self.protocol, self.options, self.core)

    def end_board(self) -> None:
        board, self._board = self._board, None
        if board is not None:
            board.end()

    def make(self) -> Drive:
        """Return a drive that is not open yet; the fixture closes it at the end."""
        drive = self.protocol.make(self.options, PERIOD_S)
        self._drives.append(drive)
        return drive

    def opened(self) -> Drive:
        drive = self.make()
        drive.open()
        return drive

    def end(self) -> None:
        for drive in self._drives:
            drive.close()
        self.end_board()


def once(drive: Drive, command: Command) -> Telemetry:
    """Run one cycle: read, then write."""
    telemetry = drive.read(time.monotonic() + ANSWER_S)
    drive.write(command)
    return telemetry


def cycles(drive: Drive, command: Command, count: int) -> None:
    for _ in range(count):
        once(drive, command)


def cycle_until(
    drive: Drive, command: Command, until: Callable[[Telemetry], bool], what: str
) -> int:
    """Cycle until the condition holds; return the number of cycles."""
    give_up = time.monotonic() + PATIENCE_S
    count = 1
    while not until(once(drive, command)):
        assert time.monotonic() < give_up, f"{what} never came: {drive.telemetry}"
        count += 1
    return count


def keep_company(drive: Drive, command: Command, seconds: float) -> float:
    """Cycle for a time; return the longest interval without a command to the board, in s."""
    wrote_s = time.monotonic()
    end_s, longest_s = wrote_s + seconds, 0.0
    while wrote_s < end_s:
        once(drive, command)
        before_s, wrote_s = wrote_s, time.monotonic()
        longest_s = max(longest_s, wrote_s - before_s)
    return longest_s


def wait_until(met: Callable[[], bool], what: str) -> None:
    """Wait until the condition holds, without a call to the drive."""
    give_up = time.monotonic() + PATIENCE_S
    while not met():
        assert time.monotonic() < give_up, f"{what} never came"
        time.sleep(0.0005)


def energise(drive: Drive, core: WatchedCore, **targets: Any) -> Command:
    """Power on; return the command that did it."""
    command = Command(power=PowerRequest.ON, **targets)
    cycle_until(drive, command, lambda t: t.power is PowerStage.ON, "power")
    assert core.power is PowerStage.ON, f"power is told of, and {core.power!r} {core.fault_code:#x}"
    return command


def through_the_delay(drive: Drive) -> None:
    """Run the cycles after which a command acts, by the drive's capabilities."""
    for _ in range(math.ceil(drive.capabilities.command_delay_cycles)):
        drive.read(time.monotonic() + PATIENCE_S)


def moved(drive: Drive, core: WatchedCore) -> Command:
    """Power on and move some way from the first position; return the command."""
    command = energise(drive, core)
    command.torque_N_m = 0.2 * drive.capabilities.rated_torque_N_m
    start = core.position_counts
    cycle_until(drive, command, lambda _: abs(core.position_counts - start) > 2000, "motion")
    return command


def all_told(drive: Drive, command: Command) -> None:
    """Cycle until values that the drive reports less often have arrived as well."""
    end, frames = time.monotonic() + 2 * SLOWEST_S, drive.telemetry.frames
    cycle_until(
        drive, command, lambda t: t.frames > frames + 100 and time.monotonic() > end, "all values"
    )


def handles() -> tuple[int, frozenset[int]]:
    """Return the open files and threads, to find leaks."""
    threads = frozenset(thread.ident or 0 for thread in threading.enumerate())
    return len(os.listdir("/proc/self/fd")), threads
