"""Tolerances of figures as a sequence declares them: ``5 %`` of a setpoint, or with a unit."""

from __future__ import annotations

import math
import re
from typing import Any

from pydantic_core import PydanticCustomError

from drivers.quantities import dimension
from hil.profile import example_of

_PERCENT = re.compile(r"\s*([0-9]+\.?[0-9]*|\.[0-9]+)\s*%\s*")
# Kind of figure: SI unit, its size in the figure's own unit, and an example.
_UNITS = {
    "constant_force": ("N", 1.0, "5 N"),
    "virtual_spring": ("N/m", 1e-3, "2 N/mm"),
    "hold": ("m", 1e3, "1 mm"),
    "stop": ("s", 1e3, "20 ms"),
}


def read_tolerance(text: str, kind: str, setpoint: float | None) -> float:
    """Return a tolerance in the unit of the figure (N, N/mm, mm or ms).

    Args:
        text: as written, such as ``5 %`` or ``2 N/mm``.
        kind: kind of the figure.
        setpoint: setpoint in the figure's unit, None if a share of it is meaningless.

    Raises:
        ValueError: "what; fix".
    """
    unit, scale, example = _UNITS[kind]
    example = example_of(unit, example)
    match = _PERCENT.fullmatch(text)
    if match is not None:
        if setpoint is None:
            raise ValueError(f"a percentage needs a setpoint; write for instance '{example}'")
        value = float(match[1]) / 100.0 * abs(setpoint)
    else:
        try:
            value = scale * dimension(unit).parse(text)
        except PydanticCustomError as error:
            percent = "" if setpoint is None else "'5 %' or "
            raise ValueError(
                f"{error.message()}; write for instance {percent}'{example}'"
            ) from None
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"'{text}' is not above 0; write for instance '{example}'")
    return value


def declared_tolerance(step: Any, kind: str) -> float | None:
    """Return the tolerance that a checked step declares, in the figure's unit; None for the default."""
    if step.tolerance is None:
        return None
    return read_tolerance(step.tolerance, kind, figure_setpoint(step))


def figure_setpoint(step: Any) -> float | None:
    """Return the setpoint that a percentage refers to, in N or N/mm; None if there is none."""
    if step.do == "constant_force":
        return float(step.force) or None
    return float(step.stiffness) / 1e3 if step.do == "virtual_spring" else None
