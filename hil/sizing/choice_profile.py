"""The profile of a choice: its parts as they are listed, limits that follow from the requirements.

The order in which limits act on a growing load is that of the shipped profiles: force is limited,
deflection is limited, force trips, deflection trips, the sensor ends, the springs are solid.
Shares without a source are those of the shipped profiles, common practice.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from typing import Any

from drivers.motion import ROTARY_UNITS, is_rotary, speaking
from drivers.quantities import Dimension
from hil.profile import Part, Profile, profile_from_dict
from hil.sizing.combination import Combination

# Of the required force, in the order in which they act; shares as in the shipped profiles.
DEFLECTION_LIMITED, FORCE_TRIPPED, DEFLECTION_TRIPPED = 1.03, 1.06, 1.075
SPEED_LIMITED, SPEED_TRIPPED = 1.2, 1.25  # of the required speed; of the limited one
CURRENT_LIMITED, CURRENT_TRIPPED = 1.15, 1.35  # of what the force needs; of the limited one
RATE_LAG = 0.085  # of the force: lag of a ramp at the force rate limit
SUPPLY_LOW, SUPPLY_HIGH = 0.86, 1.17  # of the open voltage
DISAGREEMENT = 0.3  # of the force
END_MARGIN_M, END_SHARE = 0.002, 0.04  # of soft ends to mechanical ones; of the stroke at most
BRAKING_M_S2 = 2.0
# Spring force repeats to 0.4 % after a calibration by weights; common practice, no source.
RELATIVE_UNCERTAINTY = 0.004
CYCLE_LATE_S = 0.013  # below the time that the simulated drive waits for its host
DRIVE = "drives/bench_cia402.yaml"  # invented, ships with the program
# As people write them, and the number in it over that in SI.
UNITS = {
    "m": ("mm", 1e3),
    "m/s": ("mm/s", 1e3),
    "N/m": ("N/mm", 1e-3),
    "N*s/m": ("N*s/mm", 1e-3),
    "rad": ("deg", 180 / math.pi),
    "rad/s": ("deg/s", 180 / math.pi),
    "rad/count": ("deg/count", 180 / math.pi),
}


def choice_profile(choice: Combination) -> Profile:
    """Return the profile of a combination; it may still contradict itself.

    Raises:
        ProfileError: a value is impossible.
    """
    with speaking(choice.required.motion):
        return profile_from_dict(profile_values(choice), inside=True)


def profile_values(choice: Combination) -> dict[str, Any]:
    """Return the profile's values in SI, by key; along the output as they are inside."""
    required, motor, sets = choice.required, choice.motor, choice.sets
    part = choice.transmission
    force, sine = required.force, required.finest
    sensor = required.deflection_sensor
    per_count = sensor.span / 2**sensor.bits
    speed = SPEED_LIMITED * max(required.speed, *(abs(phase.speed) for phase in required.duty))
    current = choice.pushing_torque_N_m(force) / motor.torque_constant
    limited_A = min(CURRENT_LIMITED * current, choice.most_current_A)
    end = min(END_MARGIN_M, END_SHARE * required.stroke)
    count_N = sets.inner_N_m * per_count
    jump = SPEED_TRIPPED * speed / required.rate / per_count + 6 * sensor.noise
    return {
        "name": f"{required.name}, {choice.name}",
        "description": "Written by 'hookeline size' from a choice of parts; nothing is measured",
        "actuator": {
            "name": choice.name,
            part.KIND: part.written,
            "motor": {
                "torque_constant": motor.torque_constant,
                "winding_resistance": motor.winding_resistance,
                "winding_inductance": motor.winding_inductance,
                "rotor_inertia": choice.inertia_kg_m2,
                "pole_pairs": motor.pole_pairs,
                "continuous_current": motor.continuous_current,
                "peak_current": choice.most_current_A,
                "thermal_time_constant": motor.thermal_time_constant,
                "housing_time_constant": motor.housing_time_constant,
                "housing_share": motor.housing_share,
                "standstill_factor": motor.standstill_factor,
            },
            "friction": {
                "coulomb": choice.coulomb_N_m,
                "breakaway": motor.coulomb + max(part.breakaway, part.coulomb),
                "viscous": motor.viscous,
            },
            "springs": {
                "rate_per_set": sets.rate_N_m,
                "preload": sets.preload_m,
                "solid_deflection": sets.solid_deflection_m,
            },
            "stroke": required.stroke,
            **({} if "inertia" in part.written else {"nut_mass": part.output_mass_kg}),
        },
        "rig": required.rig.model_dump(exclude_unset=True),
        "drive": {"protocol": "cia402"},
        "sensors": {
            "deflection": sensor.model_dump(),
            "motor": {"counts_per_revolution": required.encoder_counts},
        },
        "calibration": {
            "zero": 2.0 ** (sensor.bits - 1),
            "deflection_per_count": per_count,
            "spring_law": {
                "kind": "two_slopes",
                "inner_rate": sets.inner_N_m,
                "outer_rate": sets.rate_N_m,
                "knee": sets.preload_m,
            },
            "absolute_uncertainty": max(0.0025 * force, count_N / math.sqrt(12) * 1.2),
            "relative_uncertainty": RELATIVE_UNCERTAINTY,
            "dated": datetime.date.today().isoformat(),
        },
        "control": {
            "rate": required.rate,
            "force_bandwidth": sine.frequency,
            "bandwidth_amplitude": sine.amplitude,
            "over_stiff": "bound",
        },
        "limits": {
            "force": {"limited": force, "tripped": FORCE_TRIPPED * force},
            "force_rate": {"limited": RATE_LAG * force * 2 * math.pi * sine.frequency},
            "deflection": {
                "limited": sets.deflection_m(DEFLECTION_LIMITED * force),
                "tripped": sets.deflection_m(DEFLECTION_TRIPPED * force),
            },
            "travel": {
                "lower": end,
                "upper": required.stroke - end,
                "braking": max(BRAKING_M_S2, speed**2 / (required.stroke / 2 - end)),
                "tripped_beyond": 0.75 * end,
            },
            "speed": {"limited": speed, "tripped": SPEED_TRIPPED * speed},
            "current": {
                "limited": limited_A,
                "tripped": min(CURRENT_TRIPPED * limited_A, choice.most_current_A),
            },
            "supply": {
                "low": SUPPLY_LOW * required.supply.voltage,
                "high": SUPPLY_HIGH * required.supply.voltage,
            },
            # The whole force at twice the permitted speed.
            "damping": force / (2 * speed),
            # The simulated drive shares the computer with everything else.
            "telemetry_age": 0.020,
            "cycle_late": CYCLE_LATE_S,
            "sensor_jump": {"counts": float(math.ceil(2 * jump))},
            "disagreement": {"tripped": DISAGREEMENT * force},
        },
        "stop": {
            "category": 0,
            "load": "With power removed the load may sink onto its lower end. Support it, or take "
            "the weights off, before power on.",
        },
        "simulation": {
            "supply": required.supply.voltage,
            "supply_resistance": required.supply.resistance,
            "actual": {"off_state": "shorted"},
        },
    }


def profile_text(choice: Combination) -> str:
    """Return the profile as YAML with units, ready to be read by every command.

    Raises:
        ProfileError: a value is impossible.
    """
    with speaking(choice.required.motion):
        return _profile_text(choice)


def _profile_text(choice: Combination) -> str:
    profile = choice_profile(choice)
    lines = [
        f"# {choice.required.name}: {choice.name}",
        "# Written by 'hookeline size'. Spring law and friction are computed: bring the rig up and",
        "# calibrate it. The drive is the simulated one: write your own under 'drive'. telemetry_age",
        "# suits a simulated rig on a shared computer: write 10 ms or less for a real one.",
    ]
    values = profile_values(choice) | {"drive": DRIVE}
    for name, field in Profile.model_fields.items():
        if name in values:
            value = getattr(profile, name) if name != "drive" else DRIVE
            lines += _lines(name, value, values[name], field.metadata, field.annotation, 0)
    return "\n".join(lines) + "\n"


def _lines(
    name: str, value: Any, given: Any, metadata: list[Any], annotation: Any, depth: int
) -> Iterator[str]:
    """YAML of one key; of a part only the keys that were given."""
    pad = "  " * depth
    if isinstance(value, Part) and isinstance(given, dict):
        yield f"{pad}{name}:"
        for key, field in type(value).model_fields.items():
            if key in given and getattr(value, key) is not None:
                yield from _lines(
                    key,
                    getattr(value, key),
                    given[key],
                    field.metadata,
                    field.annotation,
                    depth + 1,
                )
    elif isinstance(value, dict):
        inner = ", ".join(f"{key}: {_plain(part)}" for key, part in value.items())
        yield f"{pad}{name}: {{{inner}}}"
    elif isinstance(value, tuple):
        parts = ", ".join(_scalar(part, _dimension(metadata, annotation)) for part in value)
        yield f"{pad}{name}: [{parts}]"
    else:
        yield f"{pad}{name}: {_scalar(value, _dimension(metadata, annotation))}"


def _dimension(metadata: list[Any], annotation: Any) -> Dimension | None:
    stack: list[Any] = [annotation, *metadata]
    while stack:
        item = stack.pop()
        if isinstance(item, Dimension):
            return item
        stack.extend(getattr(item, "__metadata__", ()))
        stack.extend(getattr(item, "__args__", ()))
    return None


def _scalar(value: Any, kind: Dimension | None) -> str:
    if kind is not None and isinstance(value, int | float):
        unit = kind.unit_of(is_rotary())
        if unit != kind.unit:
            value *= ROTARY_UNITS[kind.unit][1]
        shown, factor = UNITS.get(unit, (unit, 1.0))
        if shown == "mm" and abs(value) >= 1:
            shown, factor = unit, 1.0
        return f"{_number(value * factor)} {shown}"
    return _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return _number(value)
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'


def _number(value: float) -> str:
    # Ten digits read back well within what any part is known to.
    return str(value) if isinstance(value, int) else f"{value:.10g}"
