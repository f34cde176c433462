"""Field types that accept a value with its unit and keep it in SI.

A profile says ``lead: 10 mm``; the model holds ``0.010`` (m). A bare number is
refused where a dimension is needed, because a silent millimetre is a broken finger.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

import pint
from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

units: pint.UnitRegistry[Any] = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
units.define("count = []")


@dataclass(frozen=True)
class Dimension:
    """Pydantic annotation: parse text such as ``"60 N/mm"`` to a float in ``unit``.

    Raises (through pydantic) ``quantity_unit`` for a missing or wrong unit and
    ``quantity_text`` for text that is no quantity.
    """

    unit: str

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_before_validator_function(
            self.parse, core_schema.float_schema(allow_inf_nan=False)
        )

    def parse(self, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise PydanticCustomError(
                "quantity_text", "write a number with its unit, such as '1 {unit}'",
                {"unit": self.unit},
            )
        if not isinstance(value, str):
            raise PydanticCustomError(
                "quantity_unit", "the unit is missing: write '{value} {unit}' or another unit "
                "of the same kind", {"value": value, "unit": self.unit},
            )
        try:
            parsed: Any = units.Quantity(value.replace("·", "*"))
            if parsed.dimensionless and units.Quantity(1, self.unit).dimensionless is False:
                raise PydanticCustomError(
                    "quantity_unit", "the unit is missing: write '{value} {unit}' or another "
                    "unit of the same kind", {"value": value, "unit": self.unit},
                )
            return float(parsed.to(self.unit).magnitude)
        except PydanticCustomError:
            raise
        except pint.DimensionalityError:
            raise PydanticCustomError(
                "quantity_unit", "'{value}' is not of the kind {unit}",
                {"value": value, "unit": self.unit},
            ) from None
        except Exception:
            raise PydanticCustomError(
                "quantity_text", "'{value}' cannot be read as a quantity; write for instance "
                "'1 {unit}'", {"value": value, "unit": self.unit},
            ) from None


Length = Annotated[float, Dimension("m")]
Speed = Annotated[float, Dimension("m/s")]
Acceleration = Annotated[float, Dimension("m/s^2")]
Force = Annotated[float, Dimension("N")]
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
LengthPerCount = Annotated[float, Dimension("m/count")]
