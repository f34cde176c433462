"""Actuator of a profile: transmission, motor, friction and springs.

A transmission is a screw or a gear: output travel per turn of the motor, and its efficiencies,
    driving and driven.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag

from drivers.motion import ARC_RADIUS_M, Motion
from drivers.quantities import (
    Current,
    Duration,
    Inertia,
    Length,
    Mass,
    OutputStiffness,
    Resistance,
    Temperature,
    TemperatureRise,
    Torque,
    TorqueConstant,
    Travel,
    TravelSpeed,
    ViscousTorque,
)
from drivers.quantities import Inductance as InductanceQuantity
from hil.profile.part import Fraction, Part

CurrentConvention = Literal["peak", "rms"]
WindingConvention = Literal["equivalent", "phase", "line_to_line"]


class Screw(Part):
    lead: Annotated[Length, Field(gt=0)]
    hand: Literal["right", "left"] = "right"
    efficiency_forward: Fraction = 0.9
    efficiency_backward: Fraction = 0.8


class Gear(Part):
    """A gear between motor and springs, instead of a screw."""

    ratio: Annotated[float, Field(gt=0)]  # turns of the motor for one of the output
    sense: Literal["same", "opposite"] = "same"  # of the output against the motor's
    efficiency_forward: Fraction = 0.9  # torque that reaches the output
    efficiency_backward: Fraction = 0.8  # torque that reaches the motor
    inertia: Annotated[Inertia, Field(ge=0)] = 0.0  # of its output side; the rest is the rotor's

    @property
    def lead(self) -> float:
        """Arc in m for one turn of the motor, 2π·R/ratio."""
        return 6.283185307179586 * ARC_RADIUS_M / self.ratio

    @property
    def hand(self) -> Literal["right", "left"]:
        """Sense in which the output follows the motor, as for a screw."""
        return "right" if self.sense == "same" else "left"


class Motor(Part):
    # Conventions in this file of currents (including limits) and torque per ampere, and of
    # resistance and inductance; the reader converts to ``peak`` and ``equivalent``.
    current_convention: CurrentConvention = "peak"
    winding_convention: WindingConvention = "equivalent"
    torque_constant: Annotated[TorqueConstant, Field(gt=0)]
    winding_resistance: Annotated[Resistance, Field(gt=0)]
    winding_inductance: Annotated[InductanceQuantity, Field(gt=0)]
    rotor_inertia: Annotated[Inertia, Field(gt=0)]  # rotor and screw together
    pole_pairs: Annotated[int, Field(ge=1, le=50)]
    continuous_current: Annotated[Current, Field(gt=0)]
    peak_current: Annotated[Current, Field(gt=0)]
    thermal_time_constant: Annotated[Duration, Field(gt=0)] = 60.0  # winding over housing
    # Housing over its surroundings, and its share of the winding's rise at continuous current.
    # A quarter of an hour and 0.4: common practice for small motors, no source.
    housing_time_constant: Annotated[Duration, Field(gt=0)] = 900.0
    housing_share: Annotated[float, Field(ge=0.0, le=0.9)] = 0.4
    # Of the hottest phase over its surroundings at continuous current, settled: 80 K of thermal
    # class B (IEC 60034-1, from memory), the mildest of the usual classes.
    winding_rise: Annotated[TemperatureRise, Field(gt=0)] = 80.0
    ambient_temperature: Temperature = 25.0  # of a workshop; common practice, no source
    # Loss of one phase over the mean at standstill: 2 for sine currents rated while turning,
    # 1 if the continuous current is stated for standstill.
    standstill_factor: Annotated[float, Field(ge=1.0, le=2.0)] = 2.0


class Friction(Part):
    """Friction at the motor shaft (Coulomb, Stribeck, viscous)."""

    coulomb: Annotated[Torque, Field(ge=0)] = 0.0
    breakaway: Annotated[Torque, Field(ge=0)] = 0.0  # at rest; not below coulomb
    stribeck_speed: Annotated[TravelSpeed, Field(gt=0)] = 0.002  # at the nut
    viscous: Annotated[ViscousTorque, Field(ge=0)] = 0.0


class Springs(Part):
    """Two opposed sets, each ``rate_per_set``, each preloaded by ``preload``."""

    rate_per_set: Annotated[OutputStiffness, Field(gt=0)]
    preload: Annotated[Travel, Field(ge=0)]
    solid_deflection: Annotated[Travel, Field(gt=0)]


class Actuator(Part):
    name: str
    screw: Screw
    motor: Motor
    friction: Friction = Friction()
    springs: Springs
    stroke: Annotated[Travel, Field(gt=0)]  # output travel between the mechanical ends
    nut_mass: Annotated[Mass, Field(ge=0)] = 0.0

    @classmethod
    def model_for(cls, data: object) -> type[Part]:
        """Return the model for an actuator's mapping: a gear makes it rotary."""
        return RotaryActuator if isinstance(data, dict) and "gear" in data else cls

    @property
    def transmission(self) -> Screw:
        """Nut travel per turn of the motor, with its losses."""
        return self.screw

    @property
    def radians_per_metre(self) -> float:
        """Motor angle per metre of nut travel, 2π/lead (magnitude)."""
        return 6.283185307179586 / self.screw.lead

    @property
    def reflected_mass(self) -> float:
        """Rotor and screw inertia seen at the nut, J·(2π/lead)² + nut mass, in kg."""
        return self.motor.rotor_inertia * self.radians_per_metre**2 + self.nut_mass


class RotaryActuator(Part):
    """An actuator with a gear and torsion springs, its output along the arc of its joint.

    Lengths and forces of its parts are those at ``drivers.motion.ARC_RADIUS_M``.
    """

    name: str
    gear: Gear
    motor: Motor
    friction: Friction = Friction()
    springs: Springs
    stroke: Annotated[Travel, Field(gt=0)]  # range of motion between the mechanical ends

    @property
    def transmission(self) -> Gear:
        """Way of the gear's output for a turn of the motor, with its losses."""
        return self.gear

    @property
    def nut_mass(self) -> float:
        """Inertia of the gear's output as a mass in kg on the arc."""
        return self.gear.inertia / ARC_RADIUS_M**2

    @property
    def radians_per_metre(self) -> float:
        """Motor angle per metre of the arc (magnitude)."""
        return 6.283185307179586 / self.gear.lead

    @property
    def reflected_mass(self) -> float:
        """Inertia of rotor and gear as a mass in kg on the arc."""
        return self.motor.rotor_inertia * self.radians_per_metre**2 + self.nut_mass


def motion_of_actuator(value: object) -> Motion:
    """Return the kind of motion of an actuator, or of the mapping that it is written as."""
    rotary = "gear" in value if isinstance(value, dict) else isinstance(value, RotaryActuator)
    return "rotary" if rotary else "linear"


AnyActuator = Annotated[
    Annotated[Actuator, Tag("linear")] | Annotated[RotaryActuator, Tag("rotary")],
    Discriminator(motion_of_actuator),
]
