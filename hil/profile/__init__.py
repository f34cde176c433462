"""Profiles: reading, checks, errors with file and line, writing back."""

from hil.profile.actuator_schema import AnyActuator
from hil.profile.axes import Axes, find_axes, is_axes_file, load_axes, shipped_axes
from hil.profile.checks import inconsistencies
from hil.profile.conventions import AS_INSIDE, STATED_AS, Conventions
from hil.profile.devices import (
    drive_options,
    live_cycle_late_s,
    make_drive,
    make_lockstep_drive,
    most_current,
    on_the_same_rig,
    rig_parameters,
    simulated_wires,
    varied_simulation,
    with_simulated_faults,
)
from hil.profile.explain import example_of, explain, shown
from hil.profile.fact_differences import fact_differences
from hil.profile.following import (
    force_following,
    output_energy,
    position_following,
    setpoint_following,
)
from hil.profile.limit_schema import CurrentLimit, ForceLimit, SpeedLimit
from hil.profile.loader import (
    SHIPPED,
    examine_profile,
    find_profile,
    load_profile,
    profile_from_dict,
    profile_to_dict,
    read_with_parts,
    shipped_profiles,
)
from hil.profile.part import Fraction, Part
from hil.profile.problems import Problem, ProfileError
from hil.profile.rotary import arc_tables, motion_of
from hil.profile.schema import (
    Arm,
    Calibration,
    DeflectionSensor,
    HomeSwitch,
    Lever,
    Linear,
    Mark,
    Polynomial,
    Profile,
    Rig,
    TwoSlopes,
)
from hil.profile.single_file import single_file, without_folders
from hil.profile.source import Path_, Source, dotted, read_source
from hil.profile.spring_sets import (
    BrokenSet,
    RigSets,
    SpringSet,
    choose_spring_set,
    rig_sets,
    spring_sets,
)
from hil.profile.statics import arm_ratio, holding_force, motor_force, rig_force, tilt_share
from hil.profile.write_back import Written, write_back, write_part

__all__ = [
    "AS_INSIDE",
    "SHIPPED",
    "STATED_AS",
    "AnyActuator",
    "Arm",
    "Axes",
    "BrokenSet",
    "Calibration",
    "Conventions",
    "CurrentLimit",
    "DeflectionSensor",
    "ForceLimit",
    "Fraction",
    "HomeSwitch",
    "Lever",
    "Linear",
    "Mark",
    "Part",
    "Path_",
    "Polynomial",
    "Problem",
    "Profile",
    "ProfileError",
    "Rig",
    "RigSets",
    "Source",
    "SpeedLimit",
    "SpringSet",
    "TwoSlopes",
    "Written",
    "arc_tables",
    "arm_ratio",
    "choose_spring_set",
    "dotted",
    "drive_options",
    "examine_profile",
    "example_of",
    "explain",
    "fact_differences",
    "find_axes",
    "find_profile",
    "force_following",
    "holding_force",
    "inconsistencies",
    "is_axes_file",
    "live_cycle_late_s",
    "load_axes",
    "load_profile",
    "make_drive",
    "make_lockstep_drive",
    "most_current",
    "motion_of",
    "motor_force",
    "on_the_same_rig",
    "output_energy",
    "position_following",
    "profile_from_dict",
    "profile_to_dict",
    "read_source",
    "read_with_parts",
    "rig_force",
    "rig_parameters",
    "rig_sets",
    "setpoint_following",
    "shipped_axes",
    "shipped_profiles",
    "shown",
    "simulated_wires",
    "single_file",
    "spring_sets",
    "tilt_share",
    "varied_simulation",
    "with_simulated_faults",
    "without_folders",
    "write_back",
    "write_part",
]
