"""A rotary profile's values between the units in which it is written and the arc inside."""

from __future__ import annotations

import types
import typing
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from drivers.motion import ARC_RADIUS_M, LENGTH, ROTARY_UNITS, Motion
from drivers.quantities import Along
from hil.profile.schema import Calibration, Polynomial, Profile

_DEGREES_PER_MM = 1e-3 * LENGTH.rotary.factor


def motion_of(data: object) -> Motion:
    """Return the kind of motion of a profile's mapping: an actuator with a gear is rotary."""
    actuator = data.get("actuator") if isinstance(data, dict) else None
    return "rotary" if isinstance(actuator, dict) and "gear" in actuator else "linear"


def with_arc_tables(profile: Profile) -> Profile:
    """Return a profile with the unitless numbers of its calibration converted to the arc.

    A rotary polynomial gives N·m from degrees, and its tables use both.
    """
    if profile.motion == "linear":
        return profile
    return profile.model_copy(update={"calibration": arc_tables(profile.calibration, inside=True)})


def arc_tables(calibration: Calibration, inside: bool) -> Calibration:
    """Return a rotary calibration with its unitless numbers ``inside``, or as written."""
    torque = ARC_RADIUS_M if not inside else 1.0 / ARC_RADIUS_M
    angle = _DEGREES_PER_MM if not inside else 1.0 / _DEGREES_PER_MM
    law = calibration.spring_law
    if isinstance(law, Polynomial):
        scaled = tuple(torque * c / angle**i for i, c in enumerate(law.coefficients))
        law = law.model_copy(update={"coefficients": scaled})
    return calibration.model_copy(
        update={
            "spring_law": law,
            "uncertainty_table": tuple(
                (torque * row[0], torque * row[1]) for row in calibration.uncertainty_table
            ),
            "sensor_table": tuple((row[0], angle * row[1]) for row in calibration.sensor_table),
        }
    )


def rotary_values(profile: Profile) -> dict[str, Any]:
    """Return plain values of a rotary profile in SI: angles in rad, torques in N·m."""
    written = profile.model_copy(
        update={"calibration": arc_tables(profile.calibration, inside=False)}
    )
    values = written.model_dump(mode="json")
    _scale(written, values)
    return values


def _scale(part: BaseModel, values: dict[str, Any]) -> None:
    for name, field in type(part).model_fields.items():
        value = getattr(part, name)
        if isinstance(value, BaseModel):
            _scale(value, values[name])
        elif isinstance(value, float) and (along := _along(field)) is not None:
            values[name] = value * ROTARY_UNITS[along.unit][1]


def _along(field: FieldInfo) -> Along | None:
    stack: list[Any] = [field.annotation, *field.metadata]
    while stack:
        item = stack.pop()
        if isinstance(item, Along):
            return item
        stack.extend(getattr(item, "__metadata__", ()))
        if not isinstance(item, types.GenericAlias):
            stack.extend(typing.get_args(item))
    return None
