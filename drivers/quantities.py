"""Field types that accept a value with its unit and keep it in SI.

A profile contains ``lead: 10 mm``; the model holds ``0.010`` (m). A bare number is refused where a
    dimension is needed, because a wrongly assumed unit can break fingers.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Annotated, Any, cast

from pydantic import GetCoreSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from drivers.motion import ROTARY_UNITS, is_rotary

if TYPE_CHECKING:
    import pint


@cache
def units() -> pint.UnitRegistry[Any]:
    """Return the registry of units that texts may use.

    Loaded at the first text: a process that only receives SI values starts a third of a second
        sooner.
    """
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    registry.define("count = []")
    return registry


# One number, then units with small powers, and no arithmetic: "1 m**9**9**9" must not be evaluated.
_UNIT = r"°?[^\W\d_]+(?:_[^\W\d_]+)*(?:[²³]|(?:\*\*|\^)-?[1-9])?"
_DEGREE = re.compile(r"°(?![^\W\d_])")  # an angle, where °C is a temperature
_QUANTITY = re.compile(
    r"\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?)"
    rf"\s*((?:{_UNIT}(?:\s*[*/]\s*{_UNIT}){{0,5}})?)\s*"
)


# Units common in profiles, requirements and parts, besides the SI ones: most processes read no others.
# Loading the registry of all units takes 0.2 to 0.4 s of processor time.
USUAL_FACTORS = {
    ("mm", "m"): 1e-3,
    ("mm/s", "m/s"): 1e-3,
    ("um/count", "m/count"): 1e-6,
    ("ms", "s"): 1e-3,
    ("us", "s"): 1e-6,
    ("min", "s"): 60.0,
    ("h", "s"): 3600.0,
    ("W*h", "J"): 3600.0,
    ("kN", "N"): 1e3,
    ("MPa", "Pa"): 1e6,
    ("rpm", "rad/s"): math.pi / 30.0,
    ("mH", "H"): 1e-3,
    ("mohm", "ohm"): 1e-3,
    ("kHz", "Hz"): 1e3,
    ("N/mm", "N/m"): 1e3,
    ("N*s/mm", "N*s/m"): 1e3,
    ("deg", "rad"): math.pi / 180.0,
    ("deg/s", "rad/s"): math.pi / 180.0,
    ("deg/count", "rad/count"): math.pi / 180.0,
}


# By SI unit, as a message names them.
KINDS = {
    "m": "a length",
    "m/s": "a speed",
    "m/s^2": "an acceleration",
    "N": "a force",
    "N/s": "a rate of force",
    "N/m": "a stiffness",
    "N*s/m": "a damping",
    "kg": "a mass",
    "kg*m^2": "a moment of inertia",
    "N*m": "a torque",
    "N*m/s": "a rate of torque",
    "N*m/rad": "a stiffness in torsion",
    "N*m/A": "a torque constant",
    "N*m*s/rad": "a damping in torsion",
    "rad": "an angle",
    "rad/s": "an angular speed",
    "rad/s^2": "an angular acceleration",
    "A": "a current",
    "V": "a voltage",
    "ohm": "a resistance",
    "H": "an inductance",
    "F": "a capacitance",
    "s": "a time",
    "Hz": "a frequency",
    "degC": "a temperature",
    "kelvin": "a difference of temperatures",
    "Pa": "a stress",
    "J": "an energy",
    "m/count": "a length for each count",
    "rad/count": "an angle for each count",
}


def _pure(quantity: Any) -> dict[str, float]:
    """Return the powers of dimensionless units: they distinguish rpm from Hz, um from um/count."""
    roots = dict(units().get_base_units(quantity.units)[1]._units)
    return {
        name: float(cast(float, power))
        for name, power in roots.items()
        if name in ("radian", "count")
    }


@dataclass(frozen=True)
class Dimension:
    """Pydantic annotation: parse text such as ``"60 N/mm"`` to a float in ``unit``.

    Bare numbers pass only with validation ``context={"si": True}``: values dumped from a model and
    not written by a person.

    Raises (through pydantic) ``quantity_unit`` for a missing or wrong unit and
    ``quantity_text`` for text that is not a quantity.
    """

    unit: str

    def unit_of(self, rotary: bool) -> str:
        """Return the unit of the values that a person may write."""
        return self.unit

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.with_info_before_validator_function(
            self._validate, core_schema.float_schema(allow_inf_nan=False)
        )

    def _validate(self, value: object, info: ValidationInfo) -> object:
        si = isinstance(info.context, dict) and info.context.get("si") is True
        if si and isinstance(value, int | float) and not isinstance(value, bool):
            return value
        return self.parse(value)

    def parse(self, value: object) -> float:
        return self._parsed(value, self.unit)

    def _parsed(self, value: object, unit: str) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise PydanticCustomError(
                "quantity_text", "write a number with its unit, such as '1 {unit}'", {"unit": unit}
            )
        if not isinstance(value, str):
            raise PydanticCustomError(
                "quantity_unit",
                "the unit is missing: write '{value} {unit}' or another unit of the same kind",
                {"value": value, "unit": unit},
            )
        return _read(value, unit)


@dataclass(frozen=True)
class Along(Dimension):
    """A quantity along the motion of the output: of a rotary actuator an angle, a torque.

    ``unit`` is that of the value inside, see :mod:`drivers.motion`. The actuator is rotary if
    ``context={"motion": "rotary"}`` or, without a context, the current motion says so. Bare
    numbers are in the SI unit of the motion that ``context`` names, otherwise in ``unit``.
    """

    def unit_of(self, rotary: bool) -> str:
        return ROTARY_UNITS[self.unit][0] if rotary else self.unit

    def parse(self, value: object) -> float:
        return self._along(value, is_rotary())

    def _along(self, value: object, rotary: bool) -> float:
        if not rotary:
            return self._parsed(value, self.unit)
        unit, factor = ROTARY_UNITS[self.unit]
        return self._parsed(value, unit) / factor

    def _validate(self, value: object, info: ValidationInfo) -> object:
        context = info.context if isinstance(info.context, dict) else {}
        motion = context.get("motion")
        si = context.get("si") is True
        if si and isinstance(value, int | float) and not isinstance(value, bool):
            return value / ROTARY_UNITS[self.unit][1] if motion == "rotary" else value
        return self._along(value, is_rotary() if motion is None else motion == "rotary")


@lru_cache(maxsize=1024)  # a profile is validated several times
def _read(value: str, unit: str) -> float:
    """Return the text ``value`` in ``unit``; raises as :meth:`Dimension.parse`."""
    match = _QUANTITY.fullmatch(_DEGREE.sub("deg", value.replace("·", "*")))
    if match is not None:
        factor = 1.0 if match[2] == unit else USUAL_FACTORS.get((match[2], unit))
        if factor is not None:
            return float(match[1]) * factor
    from pint import DimensionalityError

    try:
        if match is None:
            raise ValueError(value)
        parsed: Any = units().Quantity(float(match[1]), match[2])
        if not match[2]:
            raise PydanticCustomError(
                "quantity_unit",
                "the unit is missing: write '{value} {unit}' or another unit of the same kind",
                {"value": value, "unit": unit},
            )
        if _pure(parsed) != _pure(units().Quantity(1, unit)):
            raise DimensionalityError(match[2], unit)
        return float(parsed.to(unit).magnitude)
    except PydanticCustomError:
        raise
    except DimensionalityError:
        raise PydanticCustomError(
            "quantity_unit",
            "'{value}' is not {kind}",
            {"value": value, "kind": kind_in_words(unit), "unit": unit},
        ) from None
    except Exception:
        raise PydanticCustomError(
            "quantity_text",
            "'{value}' cannot be read as a quantity; write for instance '1 {unit}'",
            {"value": value, "unit": unit},
        ) from None


def kind_in_words(unit: str) -> str:
    """Return what a quantity with this SI unit is, with its article."""
    return KINDS.get(unit, f"a quantity in {unit}")


def kind_of(unit: str, along: bool) -> Dimension:
    """Return the kind of a value by its SI unit, along the output's motion or of anything else."""
    return Along(unit) if along else Dimension(unit)


def dimension(unit: str) -> Dimension:
    """Return the kind of a value along the output's motion, or of any other, by its SI unit."""
    return Along(unit) if unit in ROTARY_UNITS and unit != "kg" else Dimension(unit)


Length = Annotated[float, Dimension("m")]
Speed = Annotated[float, Dimension("m/s")]
Acceleration = Annotated[float, Dimension("m/s^2")]
Force = Annotated[float, Dimension("N")]
Energy = Annotated[float, Dimension("J")]
ForceRate = Annotated[float, Dimension("N/s")]
Stiffness = Annotated[float, Dimension("N/m")]
Damping = Annotated[float, Dimension("N*s/m")]
Mass = Annotated[float, Dimension("kg")]
Inertia = Annotated[float, Dimension("kg*m^2")]
Torque = Annotated[float, Dimension("N*m")]
TorqueConstant = Annotated[float, Dimension("N*m/A")]
ViscousTorque = Annotated[float, Dimension("N*m*s/rad")]
Angle = Annotated[float, Dimension("rad")]
AngularSpeed = Annotated[float, Dimension("rad/s")]
Current = Annotated[float, Dimension("A")]
Voltage = Annotated[float, Dimension("V")]
Resistance = Annotated[float, Dimension("ohm")]
Inductance = Annotated[float, Dimension("H")]
Capacitance = Annotated[float, Dimension("F")]
Duration = Annotated[float, Dimension("s")]
Frequency = Annotated[float, Dimension("Hz")]
Temperature = Annotated[float, Dimension("degC")]
Stress = Annotated[float, Dimension("Pa")]
TemperatureRise = Annotated[float, Dimension("kelvin")]
LengthPerCount = Annotated[float, Dimension("m/count")]

# Along the motion of the output, in the units of a rotary actuator if it is one.
Travel = Annotated[float, Along("m")]
TravelSpeed = Annotated[float, Along("m/s")]
TravelAcceleration = Annotated[float, Along("m/s^2")]
OutputForce = Annotated[float, Along("N")]
OutputForceRate = Annotated[float, Along("N/s")]
OutputStiffness = Annotated[float, Along("N/m")]
OutputDamping = Annotated[float, Along("N*s/m")]
OutputMass = Annotated[float, Along("kg")]
TravelPerCount = Annotated[float, Along("m/count")]
