"""A described board in a thread, in front of a simulated rig, and helpers that cycle its drive."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drivers.base import Command, Drive, Mode, PowerRequest, PowerStage
from drivers.registry import find_protocol, redirected
from drivers.simulated.drive_core import SimulatedDriveCore
from hil.profile.loader import load_profile

PERIOD_S = 0.002
PATIENCE_S = 20.0
HOST_LOSS_S = 1.0


class Far:
    """The device's end, in a thread; it is its own simulation control."""

    def __init__(self, options: Any, core: Any) -> None:
        self.ending = False
        self.is_ready = threading.Event()
        self.error: Exception | None = None
        protocol = find_protocol(options.protocol)

        def run() -> None:
            try:
                protocol.simulate(options, core, self)
            except Exception as error:
                self.error = error
            self.is_ready.set()

        self._thread = threading.Thread(target=run, daemon=True)
        self._thread.start()
        assert self.is_ready.wait(PATIENCE_S)
        if self.error:
            raise self.error

    def ready(self) -> None:
        self.is_ready.set()

    def poll(self) -> None:
        pass

    def end(self) -> None:
        self.ending = True
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()


def options_of(name: str, directory: Path, **changes: Any) -> Any:
    data = redirected(load_profile(name).drive, directory) | changes
    return find_protocol(data["protocol"]).options.model_validate(data)


def cycle(drive: Drive, command: Command, until: Callable[[], bool]) -> None:
    """Read and write until the condition holds."""
    give_up = time.monotonic() + PATIENCE_S
    while not until():
        assert time.monotonic() < give_up, drive.telemetry
        drive.read(time.monotonic() + PERIOD_S)
        drive.write(command)
        time.sleep(0.0005)


def cycles(drive: Drive, command: Command, seconds: float) -> None:
    end = time.monotonic() + seconds
    cycle(drive, command, lambda: time.monotonic() > end)


def patient(options: Any) -> Any:
    """Return the options with a host-loss time that a thread on a busy computer can keep."""
    return options.model_copy(update={"host_loss": HOST_LOSS_S})


ON = Command(power=PowerRequest.ON, mode=Mode.TORQUE, torque_N_m=0.2)


def through_its_life(drive: Drive, core: SimulatedDriveCore) -> None:
    telemetry = drive.telemetry
    drive.open()
    assert core.power is PowerStage.OFF
    cycle(drive, Command(), lambda: telemetry.frames > 20)
    cycle(drive, ON, lambda: telemetry.power is PowerStage.ON)
    cycle(drive, ON, lambda: abs(telemetry.torque_N_m - 0.2) < 0.01)
    assert telemetry.deflection_counts == pytest.approx(core.deflection_counts, abs=40)
    turn = 2 * math.pi / core.parameters.encoder_counts_per_revolution
    assert telemetry.position_rad == pytest.approx(core.position_counts * turn, abs=1.0)
    assert telemetry.supply_V == pytest.approx(core.supply_V, abs=0.5)
    core.fault(0x2310)
    cycle(drive, Command(), lambda: telemetry.power is PowerStage.FAULT)
    cycle(drive, Command(), lambda: "above what the board carries" in telemetry.fault_text)
    clear = Command(power=PowerRequest.CLEAR_FAULT)
    cycle(drive, clear, lambda: telemetry.power is PowerStage.OFF)
    cycle(drive, Command(), lambda: not telemetry.fault_text)
    cycle(drive, ON, lambda: telemetry.power is PowerStage.ON)
    drive.de_energise()
    cycle(drive, Command(), lambda: core.power is PowerStage.OFF)
    assert not telemetry.lost
