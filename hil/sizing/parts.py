"""Parts to choose from, as a YAML file lists them: motors, screws, springs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from drivers.quantities import (
    AngularSpeed,
    Current,
    Duration,
    Force,
    Inductance,
    Inertia,
    Length,
    Mass,
    Resistance,
    Stress,
    Torque,
    TorqueConstant,
    ViscousTorque,
)
from hil.profile import Fraction, Part, Path_, ProfileError, read_source
from hil.sizing.requirements import found_file, validated
from hil.sizing.spring import Coil, OpposedSets

MOST_PARTS = 100


def _one_word(name: str) -> str:
    if not 0 < len(name) <= 40 or "/" in name or name.split() != [name]:
        raise ValueError("a name must be one word without '/'; write for instance M2")
    return name


Name = Annotated[str, AfterValidator(_one_word)]


class MotorPart(Part):
    name: Name
    torque_constant: Annotated[TorqueConstant, Field(gt=0)]
    winding_resistance: Annotated[Resistance, Field(gt=0)]  # cold
    winding_inductance: Annotated[Inductance, Field(gt=0)]
    rotor_inertia: Annotated[Inertia, Field(gt=0)]
    pole_pairs: Annotated[int, Field(ge=1, le=50)]
    continuous_current: Annotated[Current, Field(gt=0)]
    peak_current: Annotated[Current, Field(gt=0)]
    most_speed: Annotated[AngularSpeed, Field(gt=0)]
    thermal_time_constant: Annotated[Duration, Field(gt=0)] = 60.0
    housing_time_constant: Annotated[Duration, Field(gt=0)] = 900.0
    housing_share: Annotated[float, Field(ge=0, le=0.9)] = 0.4
    standstill_factor: Annotated[float, Field(ge=1, le=2)] = 2.0
    rated_rise_K: Annotated[float, Field(gt=0, le=200)] = 80.0  # at continuous current
    coulomb: Annotated[Torque, Field(ge=0)] = 0.0
    viscous: Annotated[ViscousTorque, Field(ge=0)] = 0.0


class ScrewPart(Part):
    name: Name
    lead: Annotated[Length, Field(gt=0)]
    hand: Literal["right", "left"] = "right"
    root_diameter: Annotated[Length, Field(gt=0)]
    length: Annotated[Length, Field(gt=0)]  # of the shaft: its inertia
    free_length: Annotated[Length, Field(gt=0)]  # without bearing: critical speed, buckling
    ends: Literal["fixed_free", "supported_supported", "fixed_supported", "fixed_fixed"]
    travel: Annotated[Length, Field(gt=0)]  # of the nut
    efficiency_forward: Fraction
    efficiency_backward: Fraction
    dynamic_rating: Annotated[Force, Field(gt=0)]
    static_rating: Annotated[Force, Field(gt=0)]
    most_speed: Annotated[AngularSpeed, Field(gt=0)]  # of its balls
    nut_mass: Annotated[Mass, Field(ge=0)]
    coulomb: Annotated[Torque, Field(ge=0)] = 0.0
    breakaway: Annotated[Torque, Field(ge=0)] = 0.0


class SpringPart(Part):
    """One of the opposed sets: ``count`` equal springs side by side, preloaded together."""

    name: Name
    wire_diameter: Annotated[Length, Field(gt=0)]
    coil_diameter: Annotated[Length, Field(gt=0)]  # mean
    active_coils: Annotated[float, Field(ge=1, le=100)]
    free_length: Annotated[Length, Field(gt=0)]
    ground: bool = True
    tensile_strength: Annotated[Stress, Field(gt=0)]
    stress_range: Annotated[Stress, Field(gt=0)]  # corrected, permitted for the required life
    shear_modulus: Annotated[Stress, Field(gt=0)] = 81.5e9
    count: Annotated[int, Field(ge=1, le=50)] = 1
    preload: Annotated[Length, Field(ge=0)]

    @property
    def sets(self) -> OpposedSets:
        coil = Coil(
            self.wire_diameter,
            self.coil_diameter,
            self.active_coils,
            self.free_length,
            self.ground,
            self.shear_modulus,
        )
        return OpposedSets(coil, self.count, self.preload)


class Parts(Part):
    """Parts to choose from."""

    motors: Annotated[tuple[MotorPart, ...], Field(min_length=1, max_length=MOST_PARTS)]
    screws: Annotated[tuple[ScrewPart, ...], Field(min_length=1, max_length=MOST_PARTS)]
    springs: Annotated[tuple[SpringPart, ...], Field(min_length=1, max_length=MOST_PARTS)]


def load_parts(path: str | Path = "parts") -> Parts:
    """Return the parts that the file at ``path`` lists, or the shipped, invented ones.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    source = read_source(found_file(path, "parts"), str(path))
    parts = validated(Parts, source)
    problems = [source.problem(*finding) for finding in _unfit(parts)]
    if problems:
        raise ProfileError(problems)
    return parts


def _unfit(parts: Parts) -> Iterator[tuple[Path_, str, str]]:
    for kind in ("motors", "screws", "springs"):
        seen: dict[str, int] = {}
        for i, part in enumerate(getattr(parts, kind)):
            if part.name in seen:
                yield (
                    (kind, i, "name"),
                    f"'{part.name}' is the name of {kind}[{seen[part.name]}] too",
                    "give each its own name",
                )
            seen.setdefault(part.name, i)
    for i, motor in enumerate(parts.motors):
        if motor.continuous_current > motor.peak_current:
            yield (
                ("motors", i, "continuous_current"),
                f"above the peak current of {motor.peak_current:.4g} A",
                "swap or correct the two",
            )
    for i, screw in enumerate(parts.screws):
        if screw.travel > screw.length:
            yield (
                ("screws", i, "travel"),
                f"above the length of {1e3 * screw.length:.4g} mm",
                "correct one of the two",
            )
        if screw.root_diameter > screw.free_length:
            yield (
                ("screws", i, "root_diameter"),
                f"above the free length of {1e3 * screw.free_length:.4g} mm",
                "correct one of the two; is the unit right?",
            )
    for i, spring in enumerate(parts.springs):
        coil = spring.sets.coil
        # Cold coiled springs have an index of 4 to 20, EN 13906-1.
        if not 3 <= coil.index <= 25:
            yield (
                ("springs", i, "coil_diameter"),
                f"{coil.index:.3g} times the wire: cannot be coiled",
                "write 4 to 20 times the wire's diameter; is the unit right?",
            )
        elif coil.most_travel_m <= spring.preload:
            yield (
                ("springs", i, "preload"),
                f"{1e3 * spring.preload:.4g} mm leaves nothing of the "
                f"{1e3 * coil.most_travel_m:.4g} mm that the spring may be compressed",
                "preload it less, or write a longer spring",
            )
