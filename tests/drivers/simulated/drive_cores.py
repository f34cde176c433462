"""Cores of the simulated drive, advanced in time."""

from __future__ import annotations

import math

from drivers.base import PowerRequest, PowerStage
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters

# A horizontal slide in the middle of its stroke: no force acts on it.
MIDDLE = RigParameters(
    rig="linear",
    linear_vertical=False,
    carriage_mass_kg=5.0,
    stroke_m=1.0,
    initial_output_m=0.5,
    sensor_noise_counts=0.0,
    spring_damping_N_s_m=500.0,
)
TURN = 2 * math.pi


def run(core: SimulatedDriveCore, seconds: float) -> None:
    for _ in range(round(seconds / 1e-3)):
        core.advance(1e-3)


def energised(parameters: RigParameters = MIDDLE, seed: int = 1) -> SimulatedDriveCore:
    core = SimulatedDriveCore(parameters, seed)
    core.request_power(PowerRequest.ON)
    run(core, 0.02)
    assert core.power is PowerStage.ON
    return core
