"""Cores of the simulated drive with injected faults."""

from __future__ import annotations

import math

from drivers.base import PowerRequest, PowerStage
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.injected_faults import with_injected_faults
from drivers.simulated.parameters import RigParameters

# A horizontal slide in the middle of its stroke: nothing acts on it by itself.
SLIDE = RigParameters(
    rig="linear",
    linear_vertical=False,
    carriage_mass_kg=5.0,
    stroke_m=1.0,
    initial_output_m=0.5,
    sensor_noise_counts=0.0,
    spring_damping_N_s_m=500.0,
)
TURN = 2 * math.pi


def made(*codes: str, **values) -> SimulatedDriveCore:
    return SimulatedDriveCore(with_injected_faults(SLIDE.but(values), codes), 1)


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
