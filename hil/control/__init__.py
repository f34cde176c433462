"""Calibration law, estimation, behaviours, shaping and force control."""

from hil.control.behaviours import ActiveBehaviour, carry_on, check_behaviour, start_behaviour
from hil.control.calibration import ForceCalibration, LiveCalibration, passive_bounds
from hil.control.changed_calibration import changed_calibration, slide_s
from hil.control.commissioning import HoldToRun, OpenLoop, SpeedRun, TorqueRun
from hil.control.controlled_stop import ControlledStop
from hil.control.coupled import NO_OTHERS, Coupled, coupled_now, coupling_of
from hil.control.dry_friction import bandwidth_Hz, left_over_N, rubbed, sine_N
from hil.control.estimation import SLIP_SPEED_M_S, Estimator
from hil.control.external import ExternalForce
from hil.control.force_controller import MOST_LATE_S, ForceController
from hil.control.force_design import ForceGains, design, highest
from hil.control.force_model import LawGains, Loop
from hil.control.kept_designs import keeping_designs
from hil.control.load_motion import expected_motion
from hil.control.loop_slide import LoopSlide
from hil.control.observer_gains import ObserverGains, observer_gains
from hil.control.position_target import PositionTarget
from hil.control.power_removal import ALLOWED_S, PowerRemoval, Removal
from hil.control.power_sequence import LONGEST_S, PowerSequence, Progress
from hil.control.reference_seek import ReferenceSeek
from hil.control.restricted import plant_refused, restricted_profile, with_plant
from hil.control.rig_model import MODULATION, driven_current_A, moved_mass, rig_mass
from hil.control.seek_figures import repeatability, seek_figures
from hil.control.session_cap import (
    NO_CAP,
    Slide,
    Tiers,
    cap_data,
    cap_from,
    cap_text,
    capped_gains,
    capped_profile,
    merged_cap,
    own_values,
    tiers_of,
    widened,
)
from hil.control.shaping import Shaper
from hil.control.source import (
    Controller,
    Gains,
    design_over_torque,
    design_slower,
    design_source,
    make_controller,
    make_position_target,
    make_torque_feedforward,
    within_passivity,
)
from hil.control.unverified import (
    limits_reduced,
    profile_in_force,
    reduced_profile,
    reduced_text,
    uncapped_profile,
)
from hil.control.velocity_controller import VelocityController
from hil.control.velocity_design import VelocityGains, design_velocity
from hil.control.velocity_model import VelocityLaw, VelocityLoop
from hil.control.verification import (
    Standing,
    safety_facts,
    safety_fingerprint,
    standing,
    verified_directory,
    verify,
    withdraw,
)

__all__ = [
    "ALLOWED_S",
    "LONGEST_S",
    "MODULATION",
    "MOST_LATE_S",
    "NO_CAP",
    "NO_OTHERS",
    "SLIP_SPEED_M_S",
    "ActiveBehaviour",
    "ControlledStop",
    "Controller",
    "Coupled",
    "Estimator",
    "ExternalForce",
    "ForceCalibration",
    "ForceController",
    "ForceGains",
    "Gains",
    "HoldToRun",
    "LawGains",
    "LiveCalibration",
    "Loop",
    "LoopSlide",
    "ObserverGains",
    "OpenLoop",
    "PositionTarget",
    "PowerRemoval",
    "PowerSequence",
    "Progress",
    "ReferenceSeek",
    "Removal",
    "Shaper",
    "Slide",
    "SpeedRun",
    "Standing",
    "Tiers",
    "TorqueRun",
    "VelocityController",
    "VelocityGains",
    "VelocityLaw",
    "VelocityLoop",
    "bandwidth_Hz",
    "cap_data",
    "cap_from",
    "cap_text",
    "capped_gains",
    "capped_profile",
    "carry_on",
    "changed_calibration",
    "check_behaviour",
    "coupled_now",
    "coupling_of",
    "design",
    "design_over_torque",
    "design_slower",
    "design_source",
    "design_velocity",
    "driven_current_A",
    "expected_motion",
    "highest",
    "keeping_designs",
    "left_over_N",
    "limits_reduced",
    "make_controller",
    "make_position_target",
    "make_torque_feedforward",
    "merged_cap",
    "moved_mass",
    "observer_gains",
    "own_values",
    "passive_bounds",
    "plant_refused",
    "profile_in_force",
    "reduced_profile",
    "reduced_text",
    "repeatability",
    "restricted_profile",
    "rig_mass",
    "rubbed",
    "safety_facts",
    "safety_fingerprint",
    "seek_figures",
    "sine_N",
    "slide_s",
    "standing",
    "start_behaviour",
    "tiers_of",
    "uncapped_profile",
    "verified_directory",
    "verify",
    "widened",
    "with_plant",
    "withdraw",
    "within_passivity",
]
