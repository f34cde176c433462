"""Source of motion: what the drive is commanded, and the force loop that goes with it."""

from __future__ import annotations

from hil.control.calibration import LiveCalibration
from hil.control.force_controller import ForceController
from hil.control.force_design import ForceGains, design
from hil.control.velocity_controller import VelocityController
from hil.control.velocity_design import VelocityGains, design_velocity
from hil.profile import Profile

BY_TORQUE = (
    "restricted operation commands torque, and this profile commands velocity. Fix: bring the rig "
    "up with control.source: torque, if its drive takes that"
)
Gains = ForceGains | VelocityGains
Controller = ForceController | VelocityController


def design_source(profile: Profile, period_s: float, delay_s: float) -> Gains:
    """Return the gains of the force loop over the profile's source; arguments as of ``design``."""
    if profile.control.source == "velocity":
        return design_velocity(profile, period_s, delay_s)
    return design(profile, period_s, delay_s)


def make_controller(
    profile: Profile, gains: Gains, period_s: float, calibration: LiveCalibration
) -> Controller:
    """Return the force law for these gains."""
    if isinstance(gains, VelocityGains):
        return VelocityController(profile, gains, calibration)
    return ForceController(profile, gains, period_s, calibration)


def within_passivity(profile: Profile, period_s: float, delay_s: float) -> Profile:
    """Return the profile with ``control.passive_fraction`` cut to what its source can render."""
    if profile.control.source == "torque":
        return profile
    share = design_velocity(profile, period_s, delay_s, bounds=False).passive_share
    fraction = min(profile.control.passive_fraction, share)
    control = profile.control.model_copy(update={"passive_fraction": fraction})
    return profile.model_copy(update={"control": control})
