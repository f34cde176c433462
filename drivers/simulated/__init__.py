"""The simulated rig: its physics, drive core, injected faults and process."""

from drivers.simulated.environment import DISTURBANCES, MOST_BY_HAND_N
from drivers.simulated.injected_faults import (
    INJECTED_FAULTS,
    check_injected_faults,
    near_injected_faults,
    with_injected_faults,
)
from drivers.simulated.lateness import Delay, Delays, Lateness
from drivers.simulated.lockstep import LockstepDrive
from drivers.simulated.pacing import advance, real_time
from drivers.simulated.parameters import RigParameters
from drivers.simulated.simulation_control import EnvironmentClient
from drivers.simulated.variation import GROUPS, varied

__all__ = [
    "DISTURBANCES",
    "GROUPS",
    "INJECTED_FAULTS",
    "MOST_BY_HAND_N",
    "Delay",
    "Delays",
    "EnvironmentClient",
    "Lateness",
    "LockstepDrive",
    "RigParameters",
    "advance",
    "check_injected_faults",
    "near_injected_faults",
    "real_time",
    "varied",
    "with_injected_faults",
]
