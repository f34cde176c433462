"""Drives of a profile: real, simulated behind a wire protocol, or in lockstep."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, TypeAdapter, ValidationError

from drivers.base import Drive
from drivers.quantities import Duration
from drivers.registry import find_protocol, redirected
from drivers.simulated import GROUPS as VARIED
from drivers.simulated import RigParameters, check_injected_faults, varied, with_injected_faults
from hil.profile.explain import explain
from hil.profile.problems import Problem, ProfileError
from hil.profile.schema import Lever, Profile, Simulation
from hil.profile.source import Source

# Live, the simulated drive's watch exceeds ``simulation.held_up`` by this, so that the host acts
# first.
AFTER_HELD_UP_S = 0.01
_WATCH: TypeAdapter[float] = TypeAdapter(Duration)

if TYPE_CHECKING:
    from drivers.simulated import LockstepDrive


def drive_options(profile: Profile, wires: Path | None = None, live: bool = False) -> Any:
    """Return the profile's ``drive`` mapping as the options model of its protocol.

    ``wires`` is the directory with the wires of a simulated rig, which replace those of the
    profile. ``live``: in real time, see ``simulation.held_up``.

    Raises:
        ProfileError: the mapping does not fit the protocol's options.
        DriverError: no such protocol.
    """
    protocol = find_protocol(str(profile.drive.get("protocol")))
    if wires is not None:
        data = simulated_wires(profile, wires)
    else:
        data = dict(_patient(profile.drive, profile) if live else profile.drive)
    if (
        "counts_per_revolution" in protocol.options.model_fields
        and data.get("counts_per_revolution") is None
    ):
        # Stated once, under sensors: checked against the drive's value, or filled in.
        data["counts_per_revolution"] = profile.sensors.motor.counts_per_revolution
    try:
        options: BaseModel = protocol.options.model_validate(data)
    except ValidationError as error:
        source = Source("drive", {"drive": data})
        raise ProfileError(explain(error, protocol.options, source, ("drive",))) from None
    return options


def simulated_wires(profile: Profile, wires: Path) -> dict[str, Any]:
    """Return the profile's ``drive`` mapping with the wires of a live simulated rig here.

    Raises:
        DriverError: no such protocol.
    """
    return redirected(_patient(profile.drive, profile), wires)


def _patient(drive: dict[str, Any], profile: Profile) -> dict[str, Any]:
    """Return the mapping with a watch over the host that outlasts ``simulation.held_up``."""
    held_up = profile.simulation and profile.simulation.held_up
    if not held_up:
        return drive
    patient = dict(drive)
    if "members" in patient:
        members = patient["members"].items()
        patient["members"] = {name: _patient(member, profile) for name, member in members}
    own = patient.get("host_loss")
    if own is not None and _WATCH.validate_python(own) < held_up + AFTER_HELD_UP_S:
        patient["host_loss"] = f"{1e3 * (held_up + AFTER_HELD_UP_S):g} ms"
    return patient


def live_cycle_late_s(profile: Profile) -> float:
    """Return the permitted lateness of a cycle with this profile, simulated or not, in s."""
    simulation, most = profile.simulation, profile.limits.most_cycle_late
    return max(most, simulation.held_up or 0.0) if simulation is not None else most


def make_drive(profile: Profile, wires: Path | None = None) -> Drive:
    """Build, not open, the drive that the profile names.

    Raises:
        ProfileError, DriverError: as :func:`drive_options`.
    """
    options = drive_options(profile, wires, live=True)
    protocol = find_protocol(str(profile.drive["protocol"]))
    return protocol.make(options, 1.0 / profile.control.rate)


def make_lockstep_drive(profile: Profile, seed: int = 1) -> LockstepDrive:
    """Build, not open, the deterministic simulated drive.

    Raises:
        ProfileError: ``simulation.actual`` is impossible.
    """
    # Only lockstep needs the physics; a host on real hardware need not load it.
    from drivers.simulated import LockstepDrive

    return LockstepDrive(rig_parameters(profile), seed, 1.0 / profile.control.rate)


def with_simulated_faults(profile: Profile, codes: Sequence[str]) -> Profile:
    """Return the profile with these faults injected into its simulated rig as well.

    Raises:
        ProfileError: an unknown fault, or no ``simulation`` part.
    """
    if profile.simulation is None:
        raise ProfileError(
            [
                _problem(
                    "simulation",
                    f"'{profile.name}' describes a real rig, not a simulated one",
                    "name a profile with a 'simulation' part",
                )
            ]
        )
    try:
        check_injected_faults(codes)
    except ValueError as error:
        raise ProfileError([_problem("simulation.injected_faults", str(error), "")]) from None
    together = tuple(dict.fromkeys((*profile.simulation.injected_faults, *codes)))
    simulation = profile.simulation.model_copy(update={"injected_faults": together})
    return profile.model_copy(update={"simulation": simulation})


def varied_simulation(profile: Profile, seed: int) -> Profile:
    """Return the profile with friction, noise and springs of its simulated rig off by up to 20 %.

    Raises:
        ProfileError: as :func:`rig_parameters`, or no ``simulation`` part.
    """
    simulation = with_simulated_faults(profile, ()).simulation
    assert simulation is not None
    made = varied(_sound_parameters(profile, simulation), seed)
    actual = simulation.actual | {name: getattr(made, name) for group in VARIED for name in group}
    simulation = simulation.model_copy(update={"actual": actual, "seed": seed})
    return profile.model_copy(update={"simulation": simulation})


def on_the_same_rig(changed: Profile, built: Profile) -> Profile:
    """Return ``changed`` with the simulated rig of ``built``: profile changes do not alter it.

    Raises:
        ProfileError: as :func:`rig_parameters`.
    """
    if changed.simulation is None or built.simulation is None:
        return changed
    before = _sound_parameters(built, built.simulation)
    after = _sound_parameters(changed, built.simulation)
    actual = built.simulation.actual | {
        field.name: getattr(before, field.name)
        for field in fields(before)
        if getattr(before, field.name) != getattr(after, field.name)
    }
    simulation = built.simulation.model_copy(update={"actual": actual})
    return changed.model_copy(update={"simulation": simulation})


def _sound_parameters(profile: Profile, simulation: Simulation) -> RigParameters:
    """Return the parameters of a simulated rig before faults are injected."""
    sound = simulation.model_copy(update={"injected_faults": ()})
    return rig_parameters(profile.model_copy(update={"simulation": sound}))


def rig_parameters(profile: Profile) -> RigParameters:
    """Return the simulated rig that this profile describes, with ``simulation.actual`` on top.

    The faults of ``simulation.injected_faults`` are then injected.

    Properties missing in the profile (end stops, spring damping, drive firmware) keep the simulated
    rig's defaults. The drive's limits (torque, current, speed) are set to the profile's trip
    values, as the bring-up requires of a real drive; its own protection (voltage, temperature) lies
    outside, so that the bench acts first.

    Raises:
        DriverError: no such protocol.
        ProfileError: an entry of ``simulation.actual`` is unknown or impossible, or the result is
            not a rig.
    """
    try:
        base = RigParameters().but(_described(profile))
    except ValueError as error:
        raise ProfileError([_problem("", str(error), "change the profile")]) from None
    actual = profile.simulation.actual if profile.simulation else {}
    problems = []
    for name, value in actual.items():
        try:
            base.but({name: value})
        except ValueError as error:
            problems.append(
                _problem(
                    f"simulation.actual.{name}",
                    str(error),
                    "write a parameter of the simulated rig by its name, in SI units",
                )
            )
    if problems:
        raise ProfileError(problems)
    try:
        injected = profile.simulation.injected_faults if profile.simulation else ()
        return with_injected_faults(base.but(actual), injected)
    except ValueError as error:
        raise ProfileError(
            [_problem("simulation.actual", str(error), "change one of the two")]
        ) from None


def most_current(profile: Profile) -> float:
    """Return the highest permitted current in A: the bench's trip value, or the motor's peak."""
    tripped, peak = profile.limits.current.tripped, profile.actuator.motor.peak_current
    return peak if tripped is None else min(tripped, peak)


def _problem(key: str, what: str, fix: str) -> Problem:
    return Problem("profile", 0, 0, key, what, fix)


def _described(profile: Profile) -> dict[str, Any]:
    actuator, limits, sensors = profile.actuator, profile.limits, profile.sensors
    motor, screw, friction, springs = (
        actuator.motor,
        actuator.transmission,
        actuator.friction,
        actuator.springs,
    )
    deflection, calibration = sensors.deflection, profile.calibration
    counts = 2**deflection.bits
    absolute = sensors.motor.reference == "absolute"
    switch = profile.reference.home_switch
    values: dict[str, Any] = {
        "screw_lead_m": screw.lead,
        "screw_hand": 1.0 if screw.hand == "right" else -1.0,
        "screw_efficiency_forward": screw.efficiency_forward,
        "screw_efficiency_backward": screw.efficiency_backward,
        "torque_constant_N_m_A": motor.torque_constant,
        "winding_resistance_ohm": motor.winding_resistance,
        "winding_inductance_H": motor.winding_inductance,
        "pole_pairs": motor.pole_pairs,
        "current_loop_time_constant_s": profile.control.current_loop_lag,
        "rotor_inertia_kg_m2": motor.rotor_inertia,
        "nut_mass_kg": actuator.nut_mass,
        "peak_current_A": motor.peak_current,
        "continuous_current_A": motor.continuous_current,
        "motor_thermal_time_constant_s": motor.thermal_time_constant,
        "housing_thermal_time_constant_s": motor.housing_time_constant,
        "housing_share": motor.housing_share,
        "standstill_factor": motor.standstill_factor,
        "motor_rise_K": motor.winding_rise,
        "friction_coulomb_N_m": friction.coulomb,
        "friction_breakaway_N_m": max(friction.breakaway, friction.coulomb),
        "friction_stribeck_m_s": friction.stribeck_speed,
        "friction_viscous_N_m_s": friction.viscous,
        "spring_rate_push_N_m": springs.rate_per_set,
        "spring_rate_pull_N_m": springs.rate_per_set,
        "spring_preload_m": springs.preload,
        "spring_solid_m": springs.solid_deflection,
        "stroke_m": actuator.stroke,
        "rated_torque_N_m": motor.torque_constant * motor.continuous_current,
        "drive_max_torque_N_m": motor.torque_constant * most_current(profile),
        # Above the clamp of the loop, otherwise its overshoot would be a fault.
        "drive_overcurrent_A": 1.3 * motor.peak_current,
        "drive_overspeed_rad_s": limits.speed.tripped * actuator.radians_per_metre,
        "drive_overvoltage_V": 1.2 * limits.supply.high,
        "drive_undervoltage_V": 0.7 * limits.supply.low,
        "drive_overtemperature_degC": limits.drive_temperature.tripped + 10.0,
        "drive_polarity": float(sensors.motor.sign),
        "drive_velocity_loop_Hz": profile.control.velocity_loop.bandwidth,
        "drive_velocity_integral_share": profile.control.velocity_loop.integral_share,
        "drive_target_delay_s": profile.control.velocity_loop.delay,
        "drive_position_loop_Hz": profile.control.position_loop.bandwidth,
        "drive_interpolation_s": 1.0 / profile.control.rate,
        "encoder_counts_per_revolution": sensors.motor.counts_per_revolution,
        "encoder": "absolute" if absolute else "incremental",
        "encoder_zero_m": sensors.motor.absolute_offset if absolute else 0.0,
        "sensor_bits": deflection.bits,
        "sensor_span_m": deflection.span,
        "sensor_zero_counts": calibration.zero,
        "sensor_sign": math.copysign(1.0, calibration.deflection_per_count),
        "sensor_scale": deflection.span / (counts * abs(calibration.deflection_per_count)),
        "sensor_noise_counts": deflection.noise,
    }
    options = drive_options(profile)
    host_loss = getattr(options, "host_loss", None)
    if host_loss is not None:
        values["drive_host_loss_s"] = host_loss
    if _reports_supply_current(options):
        values["supply_current_reported"] = True
    if profile.simulation is not None:
        values["supply_V"] = profile.simulation.supply
        values["supply_resistance_ohm"] = profile.simulation.supply_resistance
    if switch is not None:
        values |= {
            "home_input": switch.input,
            "home_position_m": switch.position,
            "home_upper": switch.side == "upper",
            "home_active_low": switch.active == "low",
        }
    values |= _rig(profile)
    return values


def _reports_supply_current(options: Any) -> bool:
    """Return whether a drive, or one of several members, is said to report its supply current."""
    members = getattr(options, "members", {})
    given = getattr(options, "gives", None) or {}
    return (
        "supply_current" in given
        or getattr(options, "supply_current_object", None) is not None
        or any(_reports_supply_current(member) for member in members.values())
    )


def _rig(profile: Profile) -> dict[str, Any]:
    rig = profile.rig
    if isinstance(rig, Lever):
        return {
            "rig": "lever_sector" if rig.attachment == "sector" else "lever_pin",
            "gravity_m_s2": rig.gravity,
            "rod_arm_m": rig.rod_arm,
            "load_arm_m": rig.load_arm,
            "level_position_m": rig.level_position,
            "lever_mass_kg": rig.lever_mass,
            "lever_centre_m": rig.lever_centre,
            # A slender beam hinged at its end: J about its centre is m·(2·c)²/12.
            "lever_inertia_kg_m2": rig.lever_mass * rig.lever_centre**2 / 3.0,
            "pan_mass_kg": rig.pan_mass,
            "pivot_friction_N_m": rig.pivot_friction,
        }
    return {
        "rig": "linear",
        "gravity_m_s2": rig.gravity,
        "carriage_mass_kg": rig.carriage_mass,
        "linear_vertical": rig.vertical,
        "guide_friction_N": rig.guide_friction,
    }
