"""Cores of the simulated drive with injected faults."""

from __future__ import annotations

from drivers.base import PowerRequest, PowerStage
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.injected_faults import with_injected_faults
from tests.drivers.simulated.drive_cores import MIDDLE


def made(*codes: str, **values) -> SimulatedDriveCore:
    return SimulatedDriveCore(with_injected_faults(MIDDLE.but(values), codes), 1)


def run(core: SimulatedDriveCore, seconds: float) -> list[int]:
    readings = []
    for _ in range(round(seconds / 1e-3)):
        core.advance(1e-3)
        readings.append(core.deflection_counts)
    return readings


def energised(core: SimulatedDriveCore) -> SimulatedDriveCore:
    core.request_power(PowerRequest.ON)
    run(core, 0.02)
    assert core.power is PowerStage.ON
    return core
