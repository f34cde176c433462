"""Bounds outside which a value must be a mistake of unit or decimal point."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from typing import Any

from drivers.motion import (
    ACCELERATION,
    FORCE,
    FORCE_RATE,
    LENGTH,
    METRES,
    NEWTONS_PER_M,
    SPEED,
    Quantity,
)
from hil.profile.findings import Finding
from hil.profile.schema import Control, Profile

# Key: lowest and highest in SI, and both as text. Wide on purpose: from a finger joint to a press
# (common practice, no source).
BOUNDS: dict[str, tuple[float, float, str]] = {
    "actuator.screw.lead": (0.2e-3, 0.2, "0.2 mm to 200 mm"),
    "actuator.gear.ratio": (0.1, 5000, "0.1 to 5000"),
    "actuator.gear.inertia": (0, 100, "0 to 100 kg*m^2"),
    "actuator.motor.torque_constant": (1e-4, 20, "0.0001 N*m/A to 20 N*m/A"),
    "actuator.motor.winding_resistance": (1e-3, 200, "0.001 ohm to 200 ohm"),
    "actuator.motor.winding_inductance": (1e-6, 1, "1 uH to 1 H"),
    "actuator.motor.rotor_inertia": (1e-8, 1, "1e-8 kg*m^2 to 1 kg*m^2"),
    "actuator.motor.continuous_current": (0.05, 1000, "0.05 A to 1000 A"),
    "actuator.motor.peak_current": (0.05, 3000, "0.05 A to 3000 A"),
    "actuator.motor.thermal_time_constant": (0.5, 36000, "0.5 s to 10 h"),
    "actuator.motor.housing_time_constant": (5, 360000, "5 s to 100 h"),
    "actuator.motor.winding_rise": (10, 200, "10 K to 200 K"),
    "actuator.motor.ambient_temperature": (-40, 100, "-40 degC to 100 degC"),
    "actuator.friction.coulomb": (0, 100, "0 to 100 N*m"),
    "actuator.friction.stribeck_speed": (1e-6, 0.1, "0.001 mm/s to 100 mm/s"),
    "actuator.friction.viscous": (0, 1, "0 to 1 N*m*s/rad"),
    "actuator.springs.rate_per_set": (100, 1e8, "0.1 N/mm to 100 kN/mm"),
    "actuator.springs.preload": (0, 0.1, "0 to 100 mm"),
    "actuator.springs.solid_deflection": (1e-4, 0.2, "0.1 mm to 200 mm"),
    "actuator.stroke": (1e-3, 3, "1 mm to 3 m"),
    "actuator.nut_mass": (0, 1000, "0 to 1000 kg"),
    "rig.rod_arm": (2e-3, 3, "2 mm to 3 m"),
    "rig.load_arm": (2e-3, 10, "2 mm to 10 m"),
    "rig.lever_mass": (0, 1000, "0 to 1000 kg"),
    "rig.lever_centre": (0, 10, "0 to 10 m"),
    "rig.pan_mass": (0, 200, "0 to 200 kg"),
    "rig.carriage_mass": (1e-3, 2000, "1 g to 2000 kg"),
    "sensors.deflection.span": (1e-4, 0.5, "0.1 mm to 500 mm"),
    "limits.force.tripped": (1, 1e6, "1 N to 1 MN"),
    "limits.force_rate.limited": (10, 1e8, "10 N/s to 100 MN/s"),
    "limits.travel.braking": (0.01, 200, "0.01 m/s^2 to 200 m/s^2"),
    "limits.speed.tripped": (1e-3, 10, "1 mm/s to 10 m/s"),
    "limits.supply.low": (5, 900, "5 V to 900 V"),
    "limits.supply.high": (5, 1000, "5 V to 1000 V"),
    "limits.supply.filter": (0, 1, "0 to 1 s"),
    "limits.drive_temperature.limited": (30, 150, "30 degC to 150 degC"),
    "limits.drive_temperature.tripped": (30, 150, "30 degC to 150 degC"),
    "limits.motor_heat.tripped": (0.05, 1.5, "0.05 to 1.5"),
    "limits.telemetry_age": (1e-4, 0.1, "0.1 ms to 100 ms"),
    "limits.cycle_late": (1e-4, 0.1, "0.1 ms to 100 ms"),
    "limits.sensor_rail": (0, 0.1, "0 to 100 ms"),
    "limits.sensor_frozen.lasting": (1e-3, 5, "1 ms to 5 s"),
    "limits.disagreement.lasting": (1e-3, 5, "1 ms to 5 s"),
    "stop.deceleration": (0.01, 200, "0.01 m/s^2 to 200 m/s^2"),
    "simulation.supply_resistance": (0, 10, "0 to 10 ohm"),
}

# Of these, quantities along the motion of the output: a rotary profile has them in its own unit.
ALONG: dict[str, Quantity] = {
    "actuator.friction.stribeck_speed": SPEED,
    "actuator.springs.rate_per_set": NEWTONS_PER_M,
    "actuator.springs.preload": LENGTH,
    "actuator.springs.solid_deflection": LENGTH,
    "actuator.stroke": LENGTH,
    "sensors.deflection.span": LENGTH,
    "limits.force.tripped": FORCE,
    "limits.force_rate.limited": FORCE_RATE,
    "limits.travel.braking": ACCELERATION,
    "limits.speed.tripped": SPEED,
    "stop.deceleration": ACCELERATION,
}

# Watch times under the names that all protocols' options share. With a watch of 0 the drive would
# continue without a host.
WATCH_BOUNDS: dict[str, tuple[float, float, str]] = {
    "host_heartbeat": (1e-3, 0.5, "1 ms to 500 ms"),
    "host_loss": (5e-3, 1.0, "5 ms to 1 s"),
    "drive_heartbeat": (1e-3, 1.0, "1 ms to 1 s"),
    "drive_loss": (5e-3, 2.0, "5 ms to 2 s"),
    "sdo_timeout": (5e-3, 10.0, "5 ms to 10 s"),
}


def implausible_watch(options: Any) -> Iterator[Finding]:
    """Yield an error for each watch time of a drive's ``options`` outside its bounds."""
    for name, (low, high, words) in WATCH_BOUNDS.items():
        value = getattr(options, name, None)
        if value is not None and not low <= value <= high:
            yield Finding(
                ("drive", name),
                f"{value * 1e3:.4g} ms is impossible here",
                f"write a time from {words}",
            )


def later_than_the_drive(options: Any, cycle_late_s: float) -> Iterator[Finding]:
    """Yield an error if the drive removes power before a late cycle would stop the rig."""
    loss = getattr(options, "host_loss", None)
    if loss is not None and cycle_late_s >= loss:
        yield Finding(
            ("limits", "cycle_late"),
            f"the drive's own watch acts after {loss * 1e3:.4g} ms: this would never act first",
            f"write less than {loss * 1e3:.4g} ms",
        )


def too_narrow(options: Any, profile: Profile) -> Iterator[Finding]:
    """Yield an error if a described velocity or position cannot hold what the force law may ask for."""
    source = profile.control.source
    range_of = getattr(options, "command_range", None)
    found = range_of(source) if callable(range_of) and source != "torque" else None
    if found is None:
        return
    path, signal, low, high = found
    per_metre = profile.actuator.radians_per_metre
    speed = profile.limits.speed.limited * per_metre
    if source == "velocity":
        least, most, unit, limit = -speed, speed, "rad/s", "limits.speed.limited"
    else:
        # Counts begin anywhere on the stroke, unless the sensor is absolute. What is asked for
        # lies ahead of the motor.
        stroke, motor = profile.actuator.stroke, profile.sensors.motor
        begins, ends = -stroke, stroke
        if motor.reference == "absolute":
            begins, ends = -motor.absolute_offset, stroke - motor.absolute_offset
        ahead = speed / (2 * math.pi * profile.control.position_loop.bandwidth)
        sign = motor.sign * (1 if profile.actuator.transmission.hand == "right" else -1)
        asked = sorted((sign * begins * per_metre, sign * ends * per_metre))
        least, most, unit, limit = asked[0] - ahead, asked[1] + ahead, "rad", "the stroke"
    if low > least or high < most:
        yield Finding(
            ("drive", *path),
            f"'{signal}' ranges from {low:.4g} to {high:.4g} {unit}, but commands range from "
            f"{least:.4g} to {most:.4g} {unit} by {limit}",
            "correct scale, offset or width of the signal, or narrow that limit",
        )


def lacks_source(options: Any, source: str) -> Iterator[Finding]:
    """Yield an error if the drive does not accept the quantity that the force loop commands."""
    modes = getattr(options, "modes", ()) or ("torque",)
    if source not in modes:
        yield Finding(
            ("control", "source"),
            f"the drive is commanded in {' and '.join(modes)} only, not in {source}",
            f"write {source} among drive.modes, or control.source: {modes[0]}"
            if "modes" in type(options).model_fields
            else f"write control.source: {modes[0]}, or declare the {source} that it accepts",
        )


def adds_no_torque(options: Any, control: Control) -> Iterator[Finding]:
    """Yield an error if torque is to be fed forward where it cannot act."""
    if control.torque_feedforward <= 0.0:
        return
    if control.source == "torque":
        yield Finding(
            ("control", "torque_feedforward"),
            "it is added to a drive's own loop, but control.source is torque",
            "remove it: the force law over torque feeds the force forward itself",
        )
    elif not getattr(options, "torque_offset", False):
        yield Finding(
            ("control", "torque_feedforward"),
            f"the drive takes no torque beside {control.source}",
            "write drive.torque_offset: true, if the drive has object 0x60B2, or remove this key"
            if "torque_offset" in type(options).model_fields
            else "declare takes.torque_offset, if the board adds a torque, or remove this key",
        )


def implausible(profile: Profile) -> Iterator[Finding]:
    """Yield an error for each value outside its bounds."""
    for key, (low, high, words) in BOUNDS.items():
        value: Any = profile
        for part in key.split("."):
            value = getattr(value, part, None)
        if value is not None and not low <= value <= high:
            said, along = f"{value:.4g} in SI units", ALONG.get(key)
            if along is not None and profile.motion == "rotary":
                said = along.written(value, ".4g")
                words = f"{along.written(low, '.3g')} to {along.written(high, '.3g')}"
            yield Finding(
                tuple(key.split(".")),
                f"{said} is impossible here",
                f"write a value from {words}; is the unit right?",
            )
    # Signed, and used as a divisor for deflection.
    if not 1e-9 <= abs(profile.calibration.deflection_per_count) <= 0.1:
        yield Finding(
            ("calibration", "deflection_per_count"),
            f"{METRES(profile.calibration.deflection_per_count):.4g} {METRES.key}/count is impossible",
            "write span / 2^bits, or the measured value; is the unit right?",
        )
    for i, weight in enumerate(profile.rig.weights):
        if not 0 < weight <= 1000:
            yield Finding(
                ("rig", "weights", i),
                f"{weight:.4g} kg is impossible here",
                "write a mass from 1 g to 1000 kg, or remove it",
            )
    for path, text in (
        (("name",), profile.name),
        (("stop", "load"), profile.stop.load),
        (("actuator", "name"), profile.actuator.name),
    ):
        if not text.strip():
            yield Finding(path, "the text is empty", "write a text")
    if profile.calibration.dated:
        try:
            datetime.date.fromisoformat(profile.calibration.dated)
        except ValueError:
            yield Finding(
                ("calibration", "dated"),
                f"'{profile.calibration.dated}' is not a date",
                'write it as in ISO 8601, such as "2026-01-15"',
            )
