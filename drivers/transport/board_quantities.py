"""Quantities that a described board gives and takes, in SI, and their scaling."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator

GIVEN_UNITS: dict[str, str] = {
    "position": "rad",
    "velocity": "rad/s",
    "torque": "N·m",
    "current": "A",
    "supply": "V",
    "supply_current": "A",  # from the supply, - back into it
    "temperature": "degC",
    "deflection": "counts",
    "status": "",
    "fault": "",
    "inputs": "",  # digital inputs, bit mask
}
TAKEN_UNITS: dict[str, str] = {
    "torque": "N·m",
    "current": "A",
    "velocity": "rad/s",
    "position": "rad",
    "torque_offset": "N·m",  # added to the torque of the board's velocity or position loop
}
InputMap = Literal[
    "position",
    "velocity",
    "torque",
    "current",
    "supply",
    "supply_current",
    "temperature",
    "deflection",
    "status",
    "fault",
    "inputs",
]
OutputMap = Literal["torque", "current", "velocity", "position", "torque_offset"]


class Part(BaseModel):
    """Part of a description: unknown keys are refused, numbers are finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Scaling(Part):
    """SI value = sign·(number·scale + offset), ``number`` being the board's own."""

    scale: float = 1.0
    offset: float = 0.0
    sign: Annotated[int, Field(ge=-1, le=1)] = 1

    @field_validator("scale", "sign")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if value == 0:
            raise ValueError("it must not be 0: every value would read the same; write a number")
        return value

    def to_si(self, number: float) -> float:
        return self.sign * (number * self.scale + self.offset)

    def from_si(self, value: float) -> float:
        return (self.sign * value - self.offset) / self.scale
