"""One simulated rig behind several devices, each with its own wire and loop."""

from __future__ import annotations

import sys
import threading
import time
from typing import Any

from drivers.base import DriverError, Mode, PowerRequest
from drivers.declared.combined.options import CombinedOptions
from drivers.registry import find_protocol
from drivers.simulated import real_time

SHORTEST_STEP_S = 100e-6  # of physics: two devices that wake together need one
LONGEST_STEP_S = 0.02
SWITCH_S = 0.0005  # a computing thread yields to the others after this


class SharedCore:
    """A simulated drive core used by several loops: time advances once for all of them.

    Other attributes are those of the core.
    """

    def __init__(self, core: Any) -> None:
        self._core = core
        self._lock = threading.Lock()
        self._last_s = time.monotonic()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._core, name)

    def advance(self, _elapsed_s: float) -> None:
        """Bring the physics up to date, from any thread."""
        with self._lock:
            now = time.monotonic()
            elapsed = now - self._last_s
            if elapsed >= SHORTEST_STEP_S:
                self._last_s = now
                self._core.advance(min(elapsed, LONGEST_STEP_S))

    def request_power(self, request: PowerRequest) -> None:
        """See ``SimulatedDriveCore``."""
        with self._lock:
            self._core.request_power(request)

    def set_target(self, mode: Mode, value: float) -> None:
        """See ``SimulatedDriveCore``."""
        with self._lock:
            self._core.set_target(mode, value)

    def add_torque(self, offset_N_m: float) -> None:
        """See ``SimulatedDriveCore``."""
        with self._lock:
            self._core.add_torque(offset_N_m)

    def host_lost(self) -> None:
        """See ``SimulatedDriveCore``."""
        with self._lock:
            self._core.host_lost()


class _MemberControl:
    """One member's view of the simulation control, of which the rig has only one."""

    def __init__(self, ending: threading.Event) -> None:
        self._ending = ending
        self.is_ready = threading.Event()

    @property
    def ending(self) -> bool:
        return self._ending.is_set()

    def ready(self) -> None:
        self.is_ready.set()

    def poll(self) -> None:
        pass


def simulate_devices(options: CombinedOptions, core: Any, control: Any) -> None:
    """Run every member's own simulation, each in a thread, until ``control.ending``.

    Raises:
        DriverError: a member's wire does not open or was lost, naming the member.
    """
    shared = SharedCore(core)
    ending = threading.Event()
    errors: list[str] = []

    def run(name: str, member: Any, own: _MemberControl) -> None:
        try:
            find_protocol(member.protocol).simulate(member, shared, own)
        except Exception as error:
            errors.append(f"{name}: {error}")
        finally:
            ending.set()
            own.is_ready.set()

    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    doors = {name: _MemberControl(ending) for name in options.members}
    threads = [
        threading.Thread(target=run, args=(name, member, doors[name]), name=name, daemon=True)
        for name, member in options.members.items()
    ]
    try:
        for thread in threads:
            thread.start()
        for own in doors.values():
            own.is_ready.wait()
        # This thread also takes the interpreter lock: without priority it could be preempted while
        # holding it, and block the devices.
        real_time()
        if not errors:
            control.ready()
        while not control.ending and not ending.wait(0.01):
            with shared._lock:
                control.poll()
    finally:
        ending.set()
        for thread in threads:
            if thread.ident is not None:
                thread.join(2.0)
        sys.setswitchinterval(before)
    if errors:
        raise DriverError("; ".join(errors))
