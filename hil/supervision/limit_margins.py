"""Used share of each limit, for screens and reports: a pure function of one sample."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.motion import LENGTH, STIFFNESS, restated, unit_name, worded
from hil.control import ForceCalibration, driven_current_A, passive_bounds
from hil.core import Limit, Sample
from hil.profile import (
    Profile,
    force_following,
    output_energy,
    position_following,
    setpoint_following,
)

UNKNOWN = "no value"


class LimitMargin(NamedTuple):
    """Use of one limit.

    ``used`` is 0 with nothing used and 1 where the limit begins to act (more is possible, NaN
    if unknown); ``text`` is for people, such as ``'343 of 650 N'``; ``acting`` is True if the
    limit acts in this sample.
    """

    label: str
    used: float
    text: str
    limit: Limit
    acting: bool


def limit_margins(
    profile: Profile, row: Sequence[float] | NDArray[np.float64]
) -> list[LimitMargin]:
    """Return one entry per limit that has a margin, always in the same order.

    Args:
        row: a sample as ``hil.core.samples.COLUMNS`` lays it out; averages of several are fine,
            but ``limited`` must still be a mask (a fraction counts as none).

    Drive temperature and position following have an entry only if the drive reports a
    temperature or a velocity, respectively.
    """
    limits = profile.limits
    motor = profile.actuator.motor
    sample = Sample._make(row)
    mask = sample.limited
    bits = int(mask) if math.isfinite(mask) and mask == int(mask) and mask > 0 else 0

    def entry(label: str, used: float, text: str, limit: Limit) -> LimitMargin:
        known = math.isfinite(used)
        return LimitMargin(
            label,
            max(used, 0.0) if known else math.nan,
            text if known else UNKNOWN,
            limit,
            bool(bits >> limit & 1),
        )

    def of(
        label: str, value: float, most: float, unit: str, limit: Limit, digits: int
    ) -> LimitMargin:
        """Return the entry of a value in a linear actuator's unit."""
        size = abs(value)
        shown = f"{restated(size, unit):.{digits}f} of {_plain(restated(most, unit))}"
        return entry(label, size / most, f"{shown} {unit_name(unit)}", limit)

    # The limit is on the true force; the column has the tare subtracted.
    deflection = sample.deflection_m
    force = ForceCalibration(profile.calibration, profile.sensors.deflection).force(deflection)
    most_deflection = min(limits.deflection.limited, profile.actuator.springs.solid_deflection)
    torque = sample.measured_torque_N_m
    current = torque / motor.torque_constant
    most_current = min(limits.current.limited, motor.peak_current)
    driven = driven_current_A(
        profile, sample.supply_V, math.copysign(1.0, torque) * sample.nut_velocity_m_s
    )
    if 0.0 < driven < most_current:
        most_current = driven
    entries = [
        of(worded("Force", "Torque"), force, limits.force.limited, "N", Limit.FORCE, 0),
        of("Deflection", 1e3 * deflection, 1e3 * most_deflection, "mm", Limit.DEFLECTION, 1),
        entry("Travel", *_travel(profile, sample.output_position_m), Limit.TRAVEL),
        of(
            "Speed",
            1e3 * sample.nut_velocity_m_s,
            1e3 * limits.speed.limited,
            "mm/s",
            Limit.SPEED,
            0,
        ),
        of("Motor current", current, most_current, "A", Limit.CURRENT, 1),
        of(
            "Motor heat",
            100 * sample.motor_heat,
            100 * limits.motor_heat.limited,
            "%",
            Limit.MOTOR_HEAT,
            0,
        ),
    ]
    used, text, limit = _supply(profile, sample.supply_V)
    entries.append(entry("Supply", used, text, limit))
    for name, column, limited, unit, limit in (
        (
            worded("Force following", "Torque following"),
            "force_following_N",
            force_following(profile).limited,
            "N",
            Limit.FORCE_FOLLOWING,
        ),
        (
            "Setpoint following",
            "setpoint_following_N",
            setpoint_following(profile).limited,
            "N",
            Limit.SETPOINT_FOLLOWING,
        ),
        (
            "Output energy",
            "output_energy_J",
            output_energy(profile).limited,
            "J",
            Limit.OUTPUT_ENERGY,
        ),
    ):
        entries.append(
            of(name, getattr(sample, column), limited, unit, limit, 2 if unit == "J" else 0)
        )
    if math.isfinite(sample.position_following_m):
        entries.append(
            of(
                "Position following",
                1e3 * sample.position_following_m,
                1e3 * position_following(profile).acts_from,
                "mm",
                Limit.POSITION_FOLLOWING,
                2,
            )
        )
    stiffest = passive_bounds(profile)[0]
    stiffness = sample.virtual_stiffness_N_m
    if math.isfinite(stiffness):
        entries.append(
            of(
                "Virtual stiffness",
                1e-3 * stiffness,
                1e-3 * stiffest,
                "N/mm",
                Limit.VIRTUAL_STIFFNESS,
                0,
            )
        )
    else:
        entries.append(
            entry(
                "Virtual stiffness",
                0.0,
                f"none of {_plain(STIFFNESS(stiffest))}{STIFFNESS}",
                Limit.VIRTUAL_STIFFNESS,
            )
        )
    temperature = sample.drive_temperature_degC
    if math.isfinite(temperature):
        entries.append(
            of(
                "Drive temperature",
                max(temperature, 0.0),
                limits.drive_temperature.limited,
                "degC",
                Limit.DRIVE_TEMPERATURE,
                0,
            )
        )
    return entries


def _travel(profile: Profile, position: float) -> tuple[float, str]:
    """Return use and text: 0 midway between the soft ends, 1 at either."""
    travel = profile.limits.travel
    middle, half = (travel.upper + travel.lower) / 2, (travel.upper - travel.lower) / 2
    end = "upper" if position > middle else "lower"
    left = half - abs(position - middle)
    if left >= 0.0:
        text = f"{LENGTH(left):.1f}{LENGTH} to {end} end"
    else:
        text = f"{LENGTH(-left):.1f}{LENGTH} past {end} end"
    return abs(position - middle) / half, text


def _supply(profile: Profile, volts: float) -> tuple[float, str, Limit]:
    supply = profile.limits.supply
    middle, half = (supply.high + supply.low) / 2, (supply.high - supply.low) / 2
    limit = Limit.SUPPLY_HIGH if volts > middle else Limit.SUPPLY_LOW
    text = f"{volts:.1f} in {_plain(supply.low)} to {_plain(supply.high)} V"
    return abs(volts - middle) / half, text, limit


def _plain(value: float) -> str:
    """Return a limit's number without needless digits."""
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"
