"""The simulated rig: its physics, its drive core, what goes wrong with it, its process."""

from drivers.simulated.lockstep import LockstepDrive
from drivers.simulated.mistakes import MISTAKES, check_mistakes, near_mistakes, with_mistakes
from drivers.simulated.pacing import advance, real_time
from drivers.simulated.parameters import RigParameters
from drivers.simulated.surroundings import MOST_BY_HAND_N
from drivers.simulated.surroundings_door import SurroundingsClient
from drivers.simulated.variation import GROUPS, varied

__all__ = [
    "GROUPS",
    "MISTAKES",
    "MOST_BY_HAND_N",
    "LockstepDrive",
    "RigParameters",
    "SurroundingsClient",
    "advance",
    "check_mistakes",
    "near_mistakes",
    "real_time",
    "varied",
    "with_mistakes",
]
