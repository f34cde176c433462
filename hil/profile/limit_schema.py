"""Limits of a profile, each in two tiers: setpoints are limited, measured values trip."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drivers.quantities import (
    Current,
    Duration,
    Energy,
    OutputDamping,
    OutputForce,
    OutputForceRate,
    Temperature,
    Travel,
    TravelAcceleration,
    TravelSpeed,
    Voltage,
)
from hil.profile.part import Part


class Band(Part):
    """A limit in two tiers; either may be left out."""


class ForceLimit(Band):
    limited: Annotated[OutputForce, Field(gt=0)]
    tripped: Annotated[OutputForce, Field(gt=0)]


class ForceRateLimit(Band):
    limited: Annotated[OutputForceRate, Field(gt=0)]
    tripped: Annotated[OutputForceRate, Field(gt=0)] | None = None


class LengthLimit(Band):
    limited: Annotated[Travel, Field(gt=0)]
    tripped: Annotated[Travel, Field(gt=0)]


class TravelLimit(Band):
    """Soft ends of output travel; the corridor before each limits speed to √(2·a·distance)."""

    lower: Travel
    upper: Travel
    braking: Annotated[TravelAcceleration, Field(gt=0)]
    tripped_beyond: Annotated[Travel, Field(gt=0)]  # past a soft end, while moving outward


class SpeedLimit(Band):
    limited: Annotated[TravelSpeed, Field(gt=0)]  # of the nut
    tripped: Annotated[TravelSpeed, Field(gt=0)]


class CurrentLimit(Band):
    limited: Annotated[Current, Field(gt=0)]
    tripped: Annotated[Current, Field(gt=0)] | None = None


class HeatLimit(Band):
    """Share of the motor's thermal capacity used, from I²t (1 = continuous rating)."""

    limited: Annotated[float, Field(gt=0)] = 0.9  # current is reduced to continuous
    tripped: Annotated[float, Field(gt=0)] = 1.0


class TemperatureLimit(Band):
    limited: Temperature = 70.0
    tripped: Temperature = 85.0


class SupplyLimit(Band):
    low: Annotated[Voltage, Field(gt=0)]
    high: Annotated[Voltage, Field(gt=0)]
    filter: Annotated[Duration, Field(ge=0)] = 0.02


class DisagreementLimit(Band):
    """Spring force against motor-derived force, friction allowed for."""

    tripped: Annotated[OutputForce, Field(gt=0)]
    lasting: Annotated[Duration, Field(gt=0)] = 0.3


class JumpLimit(Band):
    counts: Annotated[float, Field(gt=0)]  # one-cycle change of the deflection sensor


class FrozenLimit(Band):
    """No change of even one count for this long while the motor moves."""

    lasting: Annotated[Duration, Field(gt=0)] = 0.2
    nut_travel: Annotated[Travel, Field(gt=0)] = 0.002


class FollowingLimit(Band):
    """Unexplained difference of two forces."""

    limited: Annotated[OutputForce, Field(gt=0)]
    tripped: Annotated[OutputForce, Field(gt=0)]


class PositionFollowingLimit(Band):
    """Change of the motor's position against the drive's own velocity, as nut travel."""

    limited: Annotated[Travel, Field(gt=0)] | None = None  # half of tripped by default
    tripped: Annotated[Travel, Field(gt=0)]
    window: Annotated[Duration, Field(gt=0)] = 0.5  # over which older differences are forgotten

    @property
    def acts_from(self) -> float:
        """Limited value in m."""
        return 0.5 * self.tripped if self.limited is None else self.limited


class EnergyLimit(Band):
    """Energy put into the output and not explained by setpoints."""

    limited: Annotated[Energy, Field(gt=0)]  # damping is added from here
    tripped: Annotated[Energy, Field(gt=0)]


class Limits(Part):
    force: ForceLimit
    force_rate: ForceRateLimit
    deflection: LengthLimit
    travel: TravelLimit
    speed: SpeedLimit
    current: CurrentLimit
    motor_heat: HeatLimit = HeatLimit()
    drive_temperature: TemperatureLimit = TemperatureLimit()
    supply: SupplyLimit
    damping: Annotated[OutputDamping, Field(gt=0)]  # most virtual damping, limited
    telemetry_age: Annotated[Duration, Field(gt=0)] = 0.005
    # Permitted lateness of a cycle of the rig host: meanwhile the drive follows its last command,
    # as with a missing sample, hence the same default limit.
    cycle_late: Annotated[Duration, Field(gt=0)] | None = None
    sensor_rail: Annotated[Duration, Field(ge=0)] = 0.003  # at rail for this long
    sensor_jump: JumpLimit
    sensor_frozen: FrozenLimit = FrozenLimit()
    disagreement: DisagreementLimit
    # Defaults follow from the force loop's bandwidth, see hil.profile.following.
    force_following: FollowingLimit | None = None  # spring force against shaped force
    setpoint_following: FollowingLimit | None = None  # shaped force against setpoint
    output_energy: EnergyLimit | None = None
    position_following: PositionFollowingLimit | None = None  # from speed and resolution

    @property
    def most_cycle_late(self) -> float:
        return self.telemetry_age if self.cycle_late is None else self.cycle_late
