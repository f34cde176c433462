"""Parts between motor and springs: screws and gears, described alike.

Whatever the part, its output moves by ``lead_m`` for a turn of the motor: a nut along the screw, a
gear along the arc of its joint (:mod:`drivers.motion`). Forces and lengths of properties are those
of that output, in N and m.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Iterator
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, Field

from drivers.motion import ARC_RADIUS_M
from drivers.quantities import AngularSpeed, Duration, Force, Inertia, Length, Mass, Torque
from hil.profile import Fraction, Part
from hil.sizing.life import ROLLER_EXPONENT, LifeRating
from hil.sizing.screw import (
    BUCKLING_SHARE,
    CRITICAL_SPEED_SHARE,
    ENDS,
    buckling_N,
    critical_rad_s,
    shaft_inertia_kg_m2,
)


def _one_word(name: str) -> str:
    if not 0 < len(name) <= 40 or "/" in name or name.split() != [name]:
        raise ValueError("a name must be one word without '/'; write for instance M2")
    return name


Name = Annotated[str, AfterValidator(_one_word)]


class TransmissionPart(Part):
    """A part that turns the motor's motion into that of the output."""

    # Word for the part; key of a profile's actuator.
    KIND: ClassVar[str]
    # Least ratio of :attr:`static_N` to the largest force.
    STATIC_SAFETY: ClassVar[float] = 1.0
    # Properties whose influence on the figures is shown.
    PROPERTIES: ClassVar[tuple[str, ...]]

    name: Name
    efficiency_forward: Fraction
    efficiency_backward: Fraction
    most_speed: Annotated[AngularSpeed, Field(gt=0)]  # of the motor's shaft, for this part
    coulomb: Annotated[Torque, Field(ge=0)] = 0.0  # at the motor's shaft
    breakaway: Annotated[Torque, Field(ge=0)] = 0.0

    @property
    @abstractmethod
    def lead_m(self) -> float:
        """Way of the output in m for a turn of the motor."""

    @property
    @abstractmethod
    def shaft_inertia_kg_m2(self) -> float:
        """Inertia that turns with the motor."""

    @property
    @abstractmethod
    def output_mass_kg(self) -> float:
        """Mass that moves with the output, before the springs."""

    @property
    @abstractmethod
    def speed_bounds(self) -> dict[str, float]:
        """Bounds of the shaft's speed in rad/s by what limits it."""

    @property
    def most_force_N(self) -> float:
        """Largest force that the part withstands without yielding, whatever its rating."""
        return math.inf

    @property
    @abstractmethod
    def rating(self) -> LifeRating:
        """Rating of its life."""

    @property
    def repeated_N(self) -> float:
        """Largest force that may repeat with the duty."""
        return math.inf

    @property
    @abstractmethod
    def static_N(self) -> float:
        """Largest force that the part bears rarely, without safety."""

    @property
    def travel_m(self) -> float:
        """Way that its output can go."""
        return math.inf

    @property
    @abstractmethod
    def written(self) -> dict[str, Any]:
        """Values of the actuator's key in a profile, in SI."""

    @abstractmethod
    def unfit(self) -> Iterator[tuple[str, str, str]]:
        """Yield (key, what, fix) of values that contradict each other."""


class ScrewPart(TransmissionPart):
    KIND: ClassVar[str] = "screw"
    STATIC_SAFETY: ClassVar[float] = 2.0  # common practice, no source
    PROPERTIES: ClassVar[tuple[str, ...]] = (
        "lead",
        "efficiency_forward",
        "root_diameter",
        "free_length",
        "dynamic_rating",
    )

    lead: Annotated[Length, Field(gt=0)]
    hand: Literal["right", "left"] = "right"
    root_diameter: Annotated[Length, Field(gt=0)]
    length: Annotated[Length, Field(gt=0)]  # of the shaft: its inertia
    free_length: Annotated[Length, Field(gt=0)]  # without bearing: critical speed, buckling
    ends: Literal["fixed_free", "supported_supported", "fixed_supported", "fixed_fixed"]
    travel: Annotated[Length, Field(gt=0)]  # of the nut
    dynamic_rating: Annotated[Force, Field(gt=0)]
    static_rating: Annotated[Force, Field(gt=0)]
    nut_mass: Annotated[Mass, Field(ge=0)]

    @property
    def lead_m(self) -> float:
        return self.lead

    @property
    def shaft_inertia_kg_m2(self) -> float:
        return shaft_inertia_kg_m2(self.root_diameter, self.length)

    @property
    def output_mass_kg(self) -> float:
        return self.nut_mass

    @property
    def speed_bounds(self) -> dict[str, float]:
        critical = critical_rad_s(self.root_diameter, self.free_length, ENDS[self.ends])
        return {
            "screw's ball speed": self.most_speed,
            "critical speed": CRITICAL_SPEED_SHARE * critical,
        }

    @property
    def most_force_N(self) -> float:
        ends = ENDS[self.ends]
        return BUCKLING_SHARE * buckling_N(self.root_diameter, self.free_length, ends)

    @property
    def rating(self) -> LifeRating:
        return LifeRating(self.dynamic_rating)

    @property
    def static_N(self) -> float:
        return self.static_rating

    @property
    def travel_m(self) -> float:
        return self.travel

    @property
    def written(self) -> dict[str, Any]:
        return {
            "lead": self.lead,
            "hand": self.hand,
            "efficiency_forward": self.efficiency_forward,
            "efficiency_backward": self.efficiency_backward,
        }

    def unfit(self) -> Iterator[tuple[str, str, str]]:
        if self.travel > self.length:
            yield (
                "travel",
                f"above the length of {1e3 * self.length:.4g} mm",
                "correct one of the two",
            )
        if self.root_diameter > self.free_length:
            yield (
                "root_diameter",
                f"above the free length of {1e3 * self.free_length:.4g} mm",
                "correct one of the two; is the unit right?",
            )


class GearPart(TransmissionPart):
    """A gear. Torques are those of its output; ``rated_life`` is L10 at both rated values."""

    KIND: ClassVar[str] = "gear"
    PROPERTIES: ClassVar[tuple[str, ...]] = (
        "ratio",
        "efficiency_forward",
        "input_inertia",
        "rated_torque",
        "momentary_torque",
    )

    ratio: Annotated[float, Field(gt=0)]  # turns of the motor for one of the output
    sense: Literal["same", "opposite"] = "same"
    input_inertia: Annotated[Inertia, Field(ge=0)]  # turns with the motor
    output_inertia: Annotated[Inertia, Field(ge=0)] = 0.0  # turns with the output
    rated_torque: Annotated[Torque, Field(gt=0)]
    rated_speed: Annotated[AngularSpeed, Field(gt=0)]  # of the motor
    rated_life: Annotated[Duration, Field(gt=0)]
    life_exponent: Annotated[float, Field(ge=2, le=20)] = ROLLER_EXPONENT
    repeated_torque: Annotated[Torque, Field(gt=0)]  # at each start and stop of the duty
    momentary_torque: Annotated[Torque, Field(gt=0)]  # rarely: a trip, a blow

    @property
    def lead_m(self) -> float:
        """Arc in m for a turn of the motor, 2π·R/ratio."""
        return 2 * math.pi * ARC_RADIUS_M / self.ratio

    @property
    def shaft_inertia_kg_m2(self) -> float:
        return self.input_inertia

    @property
    def output_mass_kg(self) -> float:
        return self.output_inertia / ARC_RADIUS_M**2

    @property
    def speed_bounds(self) -> dict[str, float]:
        return {"gear's input speed": self.most_speed}

    @property
    def rating(self) -> LifeRating:
        """Rated torque at the rated speed for the rated life, as turns of the motor."""
        turns = self.rated_speed * self.rated_life / (2 * math.pi)
        source = f"(T rated/T)^{self.life_exponent:.3g}, as ISO 281"
        return LifeRating(self.rated_torque / ARC_RADIUS_M, turns, self.life_exponent, source)

    @property
    def repeated_N(self) -> float:
        return self.repeated_torque / ARC_RADIUS_M

    @property
    def static_N(self) -> float:
        return self.momentary_torque / ARC_RADIUS_M

    @property
    def written(self) -> dict[str, Any]:
        return {
            "ratio": self.ratio,
            "sense": self.sense,
            "efficiency_forward": self.efficiency_forward,
            "efficiency_backward": self.efficiency_backward,
            "inertia": self.output_inertia,
        }

    def unfit(self) -> Iterator[tuple[str, str, str]]:
        for key, least in (
            ("repeated_torque", "rated_torque"),
            ("momentary_torque", "repeated_torque"),
        ):
            if getattr(self, key) < getattr(self, least):
                yield (
                    key,
                    f"below the {least.replace('_', ' ')} of {getattr(self, least):.4g} N·m",
                    "swap or correct the two",
                )
        if self.rated_speed > self.most_speed:
            rpm = self.most_speed * 30 / math.pi
            yield "rated_speed", f"above most_speed of {rpm:.4g} rpm", "correct one of the two"
