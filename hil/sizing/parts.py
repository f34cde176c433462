"""Parts to choose from, as a YAML file lists them: motors, transmissions, springs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

from pydantic import Field

from drivers.motion import Motion, speaking
from drivers.quantities import (
    AngularSpeed,
    Current,
    Duration,
    Inductance,
    Inertia,
    Resistance,
    Torque,
    TorqueConstant,
    ViscousTorque,
)
from hil.profile import Part, Path_, ProfileError, read_source
from hil.sizing.requirements import found_file, validated
from hil.sizing.spring_parts import SetPart, SpringPart, TorsionSpringPart
from hil.sizing.transmission_parts import GearPart, Name, ScrewPart, TransmissionPart

MOST_PARTS = 100


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


class Parts(Part):
    """Parts to choose from: motors with screws and springs, with gears and torsion springs."""

    motors: Annotated[tuple[MotorPart, ...], Field(min_length=1, max_length=MOST_PARTS)]
    screws: Annotated[tuple[ScrewPart, ...], Field(max_length=MOST_PARTS)] = ()
    springs: Annotated[tuple[SpringPart, ...], Field(max_length=MOST_PARTS)] = ()
    gears: Annotated[tuple[GearPart, ...], Field(max_length=MOST_PARTS)] = ()
    torsion_springs: Annotated[tuple[TorsionSpringPart, ...], Field(max_length=MOST_PARTS)] = ()

    def transmissions(self, motion: Motion) -> tuple[TransmissionPart, ...]:
        """Return the parts that move an output of this kind."""
        return self.gears if motion == "rotary" else self.screws

    def sets(self, motion: Motion) -> tuple[SetPart, ...]:
        """Return the springs for an output of this kind."""
        return self.torsion_springs if motion == "rotary" else self.springs


def load_parts(path: str | Path = "parts") -> Parts:
    """Return the parts that the file at ``path`` lists, or the shipped, invented ones.

    Raises:
        ProfileError: with every problem found, each with file, line, key and fix.
    """
    source = read_source(found_file(path, "parts"), str(path))
    # Texts of each part are in its own units; those along a motion are in no part's file.
    with speaking("linear"):
        parts = validated(Parts, source)
    problems = [source.problem(*finding) for finding in _unfit(parts)]
    if problems:
        raise ProfileError(problems)
    return parts


def _unfit(parts: Parts) -> Iterator[tuple[Path_, str, str]]:
    for kind in Parts.model_fields:
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
    for kind in ("screws", "gears", "springs", "torsion_springs"):
        for i, part in enumerate(getattr(parts, kind)):
            yield from (((kind, i, key), what, fix) for key, what, fix in part.unfit())
