"""Profiles: read, checked, explained with file and line, written back."""

from hil.profile.checks import inconsistencies
from hil.profile.conventions import AS_INSIDE, STATED_AS, Conventions
from hil.profile.devices import (
    drive_options,
    make_drive,
    make_lockstep_drive,
    most_current,
    rig_parameters,
    simulated_wires,
    varied_simulation,
    with_simulated_faults,
)
from hil.profile.explain import explain, shown
from hil.profile.following import (
    force_following,
    output_energy,
    position_following,
    setpoint_following,
)
from hil.profile.loader import (
    SHIPPED,
    examine_profile,
    find_profile,
    load_profile,
    profile_from_dict,
    profile_to_dict,
    shipped_profiles,
)
from hil.profile.problems import Problem, ProfileError
from hil.profile.schema import (
    Calibration,
    CurrentLimit,
    DeflectionSensor,
    ForceLimit,
    Fraction,
    Lever,
    Linear,
    Part,
    Polynomial,
    Profile,
    Rig,
    SpeedLimit,
    TwoSlopes,
)
from hil.profile.source import Path_, Source, dotted, read_source
from hil.profile.statics import holding_force, motor_force, rig_force
from hil.profile.write_back import Written, write_back, write_part

__all__ = [
    "AS_INSIDE",
    "SHIPPED",
    "STATED_AS",
    "Calibration",
    "Conventions",
    "CurrentLimit",
    "DeflectionSensor",
    "ForceLimit",
    "Fraction",
    "Lever",
    "Linear",
    "Part",
    "Path_",
    "Polynomial",
    "Problem",
    "Profile",
    "ProfileError",
    "Rig",
    "Source",
    "SpeedLimit",
    "TwoSlopes",
    "Written",
    "dotted",
    "drive_options",
    "examine_profile",
    "explain",
    "find_profile",
    "force_following",
    "holding_force",
    "inconsistencies",
    "load_profile",
    "make_drive",
    "make_lockstep_drive",
    "most_current",
    "motor_force",
    "output_energy",
    "position_following",
    "profile_from_dict",
    "profile_to_dict",
    "read_source",
    "rig_force",
    "rig_parameters",
    "setpoint_following",
    "shipped_profiles",
    "shown",
    "simulated_wires",
    "varied_simulation",
    "with_simulated_faults",
    "write_back",
    "write_part",
]
