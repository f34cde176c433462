"""What happens around the simulated rig: weights, a hand, and things that go wrong."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable

from drivers.simulated.physics import RigPhysics

# Each with its normal value, which undoes it. Flags are 0 or 1.
DISTURBANCES: dict[str, float] = {
    "deflection_frozen": 0.0,  # flag: the reading stays where it is
    "deflection_rail": 0.0,  # -1 lowest count, +1 highest: a broken or shorted wire
    "deflection_jump_counts": 0.0,  # added to every reading
    "deflection_noise_counts": 0.0,  # standard deviation, added to the sensor's own
    "deflection_dropout": 0.0,  # share of readings that come as 0: a loose contact
    "deflection_factor": 1.0,  # on the reading's change with deflection; -1 reverses it
    "encoder_frozen": 0.0,  # flag
    "encoder_reversed": 0.0,  # flag: counts run against the torque
    "spring_factor": 1.0,  # on both spring rates
    "friction_factor": 1.0,  # on dry friction of the screw
    "jam": 0.0,  # flag: the nut is held fast
    "block": 0.0,  # flag: the output is held fast
    "supply_V": math.nan,  # NaN: the supply's own voltage
    "temperature_degC": math.nan,  # of the drive; NaN: as it heats by itself
    "drive_fault": 0.0,  # error code; acts once
    "restart": 0.0,  # flag; acts once: the drive loses its logic supply for a moment
    "silent": 0.0,  # flag: the drive's node sends nothing, and hears
}


class Surroundings:
    """Weights, hand and disturbances of one simulated rig.

    Args:
        physics: the rig.
        fault: called with an error code that the drive shall report.
        restart: called to restart the drive's logic.
    """

    def __init__(
        self, physics: RigPhysics, fault: Callable[[int], None], restart: Callable[[], None]
    ) -> None:
        self._physics = physics
        self._fault = fault
        self._restart = restart
        self.disturbances = dict(DISTURBANCES)

    def hang(self, mass_kg: float) -> None:
        """Let this mass hang at the load point in place of what hung there; 0 takes it off.

        Raises:
            ValueError: not a mass between 0 and 1000 kg.
        """
        mass = _number("mass_kg", mass_kg)
        if not 0.0 <= mass <= 1000.0:
            raise ValueError(f"mass_kg = {mass_kg}: must be between 0 and 1000 kg")
        self._physics.hang(mass)

    def push(self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0) -> None:
        """A hand at the load point, square to the lever, + in the sense of rod extension.

        Args:
            force_N: constant force, or the amplitude of a sine if ``frequency_Hz`` > 0.
            duration_s: 0 lasts until changed; ``push(0)`` takes the hand away.

        Raises:
            ValueError: not finite, or a negative frequency or duration.
        """
        force = _number("force_N", force_N)
        frequency = _number("frequency_Hz", frequency_Hz)
        duration = _number("duration_s", duration_s)
        if frequency < 0 or duration < 0:
            raise ValueError("frequency_Hz and duration_s must not be below 0")
        self._physics.push(force, frequency, duration)

    def disturb(self, name: str, value: float | bool | None) -> None:
        """Make something wrong; ``None`` makes it right again.

        ``name`` is one of ``DISTURBANCES``; a flag takes 1 (or True) and 0 (or False).

        Raises:
            ValueError: unknown name, or a value that is no number.
        """
        if name not in DISTURBANCES:
            near = difflib.get_close_matches(str(name), DISTURBANCES, 1)
            hint = f"; did you mean '{near[0]}'?" if near else ""
            raise ValueError(
                f"the simulated rig knows no disturbance '{name}'{hint} "
                f"(known: {', '.join(DISTURBANCES)})"
            )
        number = DISTURBANCES[name] if value is None else _number(name, float(value))
        physics = self._physics
        if name == "drive_fault":
            if number:
                self._fault(int(number))
            return
        if name == "restart":
            if number:
                self._restart()
            return
        if name in ("spring_factor", "friction_factor") and number < 0:
            raise ValueError(f"{name} = {value}: must not be below 0")
        self.disturbances[name] = number
        if name == "supply_V":
            own = physics.parameters.supply_V
            physics.source_V = own if math.isnan(number) else max(number, 0.0)
        elif name in ("jam", "block", "spring_factor", "friction_factor"):
            physics.jammed = bool(self.disturbances["jam"])
            physics.blocked = bool(self.disturbances["block"])
            physics.spring_factor = self.disturbances["spring_factor"]
            physics.friction_factor = self.disturbances["friction_factor"]
            physics.rebuild()

    @property
    def silent(self) -> bool:
        """The drive's node shall send nothing."""
        return bool(self.disturbances["silent"])

    def state(self) -> dict[str, float]:
        """True values, before any sensor: time, mass hung, hand, force, positions, supply."""
        physics = self._physics
        return {
            "time_s": physics.time_s,
            "mass_kg": physics.hung_mass_kg,
            "hand_force_N": physics.hand_force_N,
            "spring_force_N": physics.spring_force_N,
            "load_N": physics.load_N(physics.output_position_m),
            "deflection_m": physics.deflection_m,
            "output_position_m": physics.output_position_m,
            "output_velocity_m_s": physics.output_velocity_m_s,
            "nut_position_m": physics.nut_position_m,
            "nut_velocity_m_s": physics.nut_velocity_m_s,
            "current_A": physics.current_A,
            "supply_V": physics.link_V,
        }


def _number(name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{name} = {value!r}: must be a finite number")
    return float(value)
