"""Rigs whose force loops are compared: without dry friction, and the published plant."""

from __future__ import annotations

from typing import Any

from drivers.simulated.parameters import RigParameters
from hil.control.force_design import ForceGains, design
from hil.profile.devices import rig_parameters
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

MARGIN_DEG = 30.0
RATIOS = (0.5, 0.6, 0.7, 0.8, 1.0)  # damping ratios tried for the attainable bandwidth


def with_control(profile: Profile, **values: Any) -> Profile:
    return profile.model_copy(update={"control": profile.control.model_copy(update=values)})


def frictionless(profile: Profile) -> tuple[Profile, RigParameters]:
    """Return the rig without dry friction and screw loss, in the simulation and in the profile."""
    actuator = profile.actuator
    plain = profile.model_copy(
        update={
            "actuator": actuator.model_copy(
                update={
                    "friction": actuator.friction.model_copy(
                        update={"coulomb": 0.0, "breakaway": 0.0}
                    ),
                    "screw": actuator.transmission.model_copy(
                        update={"efficiency_forward": 1.0, "efficiency_backward": 1.0}
                    ),
                }
            )
        }
    )
    parameters = rig_parameters(plain).but(
        {"friction_coulomb_N_m": 0.0, "friction_breakaway_N_m": 0.0, "spring_hysteresis": 0.0}
    )
    return plain, parameters


def published(rate: float = 1000.0) -> tuple[Profile, RigParameters]:
    """Return the published plant as a rig: no dry friction, ample motor and supply."""
    base, _ = frictionless(load_profile("footplate_trainer"))
    actuator = base.actuator
    per_m = actuator.radians_per_metre
    profile = with_control(base, rate=rate, phase_margin=MARGIN_DEG, friction_compensation=0.01)
    profile = profile.model_copy(
        update={
            "actuator": actuator.model_copy(
                update={
                    "motor": actuator.motor.model_copy(
                        update={
                            "rotor_inertia": (360.0 - actuator.nut_mass) / per_m**2,
                            "torque_constant": 1.0,
                            "continuous_current": 60.0,
                            "peak_current": 120.0,
                            "winding_resistance": 0.05,
                        }
                    ),
                    "friction": actuator.friction.model_copy(update={"viscous": 2200.0 / per_m**2}),
                    "springs": actuator.springs.model_copy(update={"rate_per_set": 175e3}),
                }
            ),
            "calibration": base.calibration.model_copy(
                update={
                    "deflection_per_count": 15e-3 / 2**16,
                    "zero": 2.0**15,
                    "spring_law": base.calibration.spring_law.model_copy(
                        update={"inner_rate": 350e3, "outer_rate": 175e3}
                    ),
                }
            ),
            "sensors": base.sensors.model_copy(
                update={"deflection": base.sensors.deflection.model_copy(update={"bits": 16})}
            ),
        }
    )
    parameters = rig_parameters(profile).but(
        {
            "friction_coulomb_N_m": 0.0,
            "friction_breakaway_N_m": 0.0,
            "spring_hysteresis": 0.0,
            "supply_V": 800.0,
            "supply_resistance_ohm": 0.0,
            "drive_overvoltage_V": 2000.0,
            "drive_overspeed_rad_s": 1e4,
            "drive_overcurrent_A": 1e4,
            "spring_damping_N_s_m": 0.0,
            "sensor_noise_counts": 1.0,
        }
    )
    return profile, parameters


def attainable(
    profile: Profile, delay_s: float, predictor: bool, most_Hz: float = 400.0
) -> ForceGains:
    """Return the design of greatest bandwidth at the margin, over the damping ratios tried."""
    period = 1 / profile.control.rate
    return max(
        (
            design(
                with_control(
                    profile, force_bandwidth=most_Hz, damping_ratio=ratio, predictor=predictor
                ),
                period,
                delay_s,
            )
            for ratio in RATIOS
        ),
        key=lambda gains: (
            gains.predicted.bandwidth_Hz
            if gains.predicted.phase_margin_deg >= MARGIN_DEG - 0.1
            else 0.0
        ),
    )
