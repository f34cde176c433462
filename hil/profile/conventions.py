"""Conventions in which a profile may state currents and the winding, and the one used inside.

Inside, a motor is its equivalent direct-current machine: a current is the amplitude of the sine in a
phase, torque is k·I, copper loss R·I², back-EMF k·ω. For a star, or the star equivalent to a delta,
three phases with a loss of R·I²/2 each give R = 3/2 of the phase resistance and 3/4 of that between
two terminals (textbook of permanent-magnet machines, from memory); likewise for the inductance. An
rms value is the amplitude over √2.

The reader converts once and marks the profile as being in the conventions used inside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from hil.profile.actuator_schema import CurrentConvention, Motor, WindingConvention
from hil.profile.schema import Profile

AMPLITUDE = {"peak": 1.0, "rms": math.sqrt(2.0)}
EQUIVALENT = {"equivalent": 1.0, "phase": 1.5, "line_to_line": 0.75}
_MOTOR = "actuator.motor."
_CURRENTS = (
    f"{_MOTOR}continuous_current",
    f"{_MOTOR}peak_current",
    "limits.current.limited",
    "limits.current.tripped",
)
_WINDING = (f"{_MOTOR}winding_resistance", f"{_MOTOR}winding_inductance")
CONVERTED = frozenset((*_CURRENTS, *_WINDING, f"{_MOTOR}torque_constant"))
STATED_AS = {
    "peak": "amplitudes",
    "rms": "effective values (rms)",
    "equivalent": "equivalent DC machine",
    "phase": "phase of a star",
    "line_to_line": "between two terminals",
}


def factors(current: CurrentConvention, winding: WindingConvention) -> dict[str, float]:
    """Return, for each key with a convention, the value inside over the value in the file."""
    amplitude, equivalent = AMPLITUDE[current], EQUIVALENT[winding]
    found = dict.fromkeys(_CURRENTS, amplitude) | dict.fromkeys(_WINDING, equivalent)
    return found | {f"{_MOTOR}torque_constant": 1.0 / amplitude}


def converted(profile: Profile) -> Profile:
    """Return a profile read from a file with its values converted to those used inside."""
    motor, limits = profile.actuator.motor, profile.limits
    by = factors(motor.current_convention, motor.winding_convention)
    if all(factor == 1.0 for factor in by.values()):
        return profile
    own = {"current_convention": "peak", "winding_convention": "equivalent"}
    new_motor = motor.model_copy(update=_scaled(motor, _MOTOR, by) | own)
    new_current = limits.current.model_copy(update=_scaled(limits.current, "limits.current.", by))
    return profile.model_copy(
        update={
            "actuator": profile.actuator.model_copy(update={"motor": new_motor}),
            "limits": limits.model_copy(update={"current": new_current}),
        }
    )


@dataclass(frozen=True)
class Conventions:
    """Conventions of a profile file."""

    current: CurrentConvention = "peak"
    winding: WindingConvention = "equivalent"

    @classmethod
    def of(cls, motor: Motor) -> Conventions:
        """Return the conventions of a motor that was not converted yet."""
        return cls(motor.current_convention, motor.winding_convention)

    def stated_over_inside(self, key: str) -> float:
        """Return the factor from a value used inside to the value in the file under ``key``."""
        return 1.0 / factors(self.current, self.winding).get(key, 1.0)

    def notes(self, profile: Profile) -> dict[str, str]:
        """Return the converted values of ``current`` and ``winding`` as text."""
        motor = profile.actuator.motor
        current = f"inside: continuous {motor.continuous_current:.4g} A, amplitude"
        winding = f"inside: {motor.winding_resistance:.4g} ohm, loss R·I² with the amplitude I"
        return {
            "current": "as inside" if self.current == "peak" else current,
            "winding": "as inside" if self.winding == "equivalent" else winding,
        }


AS_INSIDE = Conventions()


def _scaled(part: Any, prefix: str, by: dict[str, float]) -> dict[str, Any]:
    values = {key.removeprefix(prefix): factor for key, factor in by.items()}
    return {
        name: getattr(part, name) * factor
        for name, factor in values.items()
        if getattr(part, name, None) is not None
    }
