"""Environment of the simulated rig: weights, hands, and disturbances."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from drivers.simulated.physics import RigPhysics
from drivers.suggest import did_you_mean

MOST_DROP_M = 1.0
MOST_BY_HAND_N = 150.0  # at the nut, by a hand at the screw

# Each with its normal value, which removes it. Flags are 0 or 1.
DISTURBANCES: dict[str, float] = {
    "deflection_frozen": 0.0,  # flag: the reading does not change
    "deflection_rail": 0.0,  # -1 lowest count, +1 highest: a broken or shorted wire
    "deflection_jump_counts": 0.0,  # added to every reading
    "deflection_noise_counts": 0.0,  # standard deviation, added to the sensor's own
    "deflection_dropout": 0.0,  # share of readings that are 0: a loose contact
    "deflection_factor": 1.0,  # on the reading's change with deflection; -1 reverses it
    "encoder_frozen": 0.0,  # flag
    # Share of counts lost, 0 to 1: the drive's velocity is that of the true rotor and does not show
    # it.
    "encoder_slipping": 0.0,
    "encoder_reversed": 0.0,  # flag: counts run against the torque
    "spring_factor": 1.0,  # on both spring rates
    "friction_factor": 1.0,  # on dry friction of the screw
    "jam": 0.0,  # flag: the nut is held fast
    "block": 0.0,  # flag: the output is held fast
    "home_switch_inverted": 0.0,  # flag: wired the wrong way round
    "home_switch_dead": 0.0,  # flag: it never acts
    "supply_V": math.nan,  # NaN: the supply's own voltage
    "temperature_degC": math.nan,  # of the drive; NaN: from its own heating
    "drive_fault": 0.0,  # error code; acts once
    "restart": 0.0,  # flag; acts once: the drive loses its logic supply for a moment
    "power_stays_on": 0.0,  # 1: OFF is ignored; 2: its watch over the host fails as well
    "comes_on_by_itself": 0.0,  # flag: power comes on without a request, and stays on
    "silent": 0.0,  # flag: the drive's node sends nothing, but receives
    # flag: messages without position, velocity, torque or deflection stop coming
    "slow_values_silent": 0.0,
    "samples_lost": 0.0,  # share of the samples of motion and deflection that never arrive
}


class Environment:
    """Weights, hand and disturbances of one simulated rig.

    Args:
        physics: the rig.
        fault: called with an error code that the drive shall report.
        restart: called to restart the drive's logic.
        powered: returns whether the power stage is on.

    Attributes:
        disturbances: present values. stop_pressed: the hard-wired emergency stop.
    """

    def __init__(
        self,
        physics: RigPhysics,
        fault: Callable[[int], None],
        restart: Callable[[], None],
        powered: Callable[[], bool] = lambda: False,
    ) -> None:
        self._physics = physics
        self._fault = fault
        self._restart = restart
        self._powered = powered
        self._wiggled_until_s = -math.inf
        self._luck = random.Random("lost samples")
        self.stop_pressed = False
        self.disturbances = dict(DISTURBANCES)

    def hang(self, mass_kg: float) -> None:
        """Hang this mass at the load point instead of the present one; 0 removes it.

        Raises:
            ValueError: not a mass between 0 and 1000 kg.
        """
        self._physics.hang(_mass_kg(mass_kg))

    def drop(self, mass_kg: float, height_m: float) -> None:
        """Let this mass fall freely from so high above the load point, land there and stay.

        It lands at once: the time of its fall is left out. Where no weight acts on the output
        (a horizontal rig) its fall does not either.

        Raises:
            ValueError: as ``hang``, or a height that is not between 0 and 1 m.
        """
        height = _number("height_m", height_m)
        if not 0.0 <= height <= MOST_DROP_M:
            raise ValueError(f"height_m = {height_m}: must be between 0 and {MOST_DROP_M:g} m")
        self._physics.drop(
            _mass_kg(mass_kg), math.sqrt(2 * self._physics.parameters.gravity_m_s2 * height)
        )

    def push(self, force_N: float, frequency_Hz: float = 0.0, duration_s: float = 0.0) -> None:
        """Push by hand at the load point, perpendicular to the lever, + in rod extension.

        Args:
            force_N: constant force, or the amplitude of a sine if ``frequency_Hz`` > 0.
            duration_s: 0 lasts until changed; ``push(0)`` removes the hand.

        Raises:
            ValueError: not finite, or a negative frequency or duration.
        """
        force = _number("force_N", force_N)
        frequency = _number("frequency_Hz", frequency_Hz)
        duration = _number("duration_s", duration_s)
        if frequency < 0 or duration < 0:
            raise ValueError("frequency_Hz and duration_s must not be below 0")
        self._physics.push(force, frequency, duration)

    def move_nut(self, speed_m_s: float, distance_m: float, most_N: float = MOST_BY_HAND_N) -> None:
        """Turn the screw by hand to move the nut by a distance, + in rod extension.

        The hand's force at the nut is at most ``most_N``, so it may be slower than requested; it
        releases early at an end, at an obstacle, and at power on. ``state()["turning"]`` is 1 until
        then. A distance of 0 releases at once.

        Raises:
            ValueError: not finite, not above 0 (``speed_m_s``, ``most_N``), or the power
                stage is on.
        """
        speed = _number("speed_m_s", speed_m_s)
        distance = _number("distance_m", distance_m)
        most = _number("most_N", most_N)
        if speed <= 0 or most <= 0:
            raise ValueError("speed_m_s and most_N must be above 0; distance_m has the sign")
        if self._powered():
            raise ValueError("the power stage is on: the screw must not be turned by hand")
        self._physics.turn(distance, speed, most)

    def turn_screw(
        self, turns: float, turns_per_s: float = 1.0, most_N: float = MOST_BY_HAND_N
    ) -> None:
        """Turn the screw by this many turns, + in the sense of positive shaft angle.

        Like a person with a mark on the shaft; otherwise as ``move_nut``.

        Raises:
            ValueError: as ``move_nut``.
        """
        per_turn = 2 * math.pi * self._physics.metres_per_radian
        speed = abs(_number("turns_per_s", turns_per_s) * per_turn)
        self.move_nut(speed, _number("turns", turns) * per_turn, most_N)

    def hold_screw(self, held: bool) -> None:
        """Hold the screw, so that the nut cannot move, or release it."""
        self.disturb("jam", bool(held))

    def hold_output(self, held: bool) -> None:
        """Hold the output (a clamp at the lever), or release it."""
        self.disturb("block", bool(held))

    def support_load(self, supported: bool) -> None:
        """Put a stand under lever and weights, so that their weight does not act, or remove it.

        When removed, the load is lowered by hand: for 1.5 s at no more than 10 mm/s.
        """
        self._physics.support(bool(supported))

    def wiggle_cable(self, duration_s: float) -> None:
        """Move the sensor's cable for this time.

        Raises:
            ValueError: not finite, or below 0.
        """
        duration = _number("duration_s", duration_s)
        if duration < 0:
            raise ValueError(f"duration_s = {duration_s}: must not be below 0")
        self._wiggled_until_s = self._physics.time_s + duration

    @property
    def wiggled(self) -> bool:
        """True if the sensor's cable is being moved."""
        return self._physics.time_s < self._wiggled_until_s

    def emergency_stop(self, pressed: bool) -> None:
        """Press or release the hard-wired stop, which disconnects the supply from the power stage.

        While pressed, the DC link discharges within a tenth of a second, an energised drive faults
        at once (DC link voltage too low) and the drive's logic stays on. When released, the link
        charges again; nothing else happens.
        """
        parted = bool(pressed) and self._physics.parameters.stop_wired
        self.stop_pressed = self._physics.disconnected = parted
        self._set_supply()
        self._physics.rebuild()

    def reset_peaks(self) -> None:
        """Forget the largest force and speeds so far."""
        self._physics.reset_peaks()

    def disturb(self, name: str, value: float | bool | None) -> None:
        """Set a disturbance; ``None`` removes it.

        ``name`` is one of ``DISTURBANCES``; a flag takes 1 (or True) and 0 (or False).

        Raises:
            ValueError: unknown name, or a value that is not a number.
        """
        if name not in DISTURBANCES:
            hint = did_you_mean(name, DISTURBANCES, "; ")
            raise ValueError(
                f"the simulated rig has no disturbance '{name}'{hint} "
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
        if name in ("encoder_slipping", "samples_lost") and not 0.0 <= number <= 1.0:
            raise ValueError(f"{name} = {value}: must be between 0 and 1")
        self.disturbances[name] = number
        if name == "supply_V":
            self._set_supply()
        elif name in ("jam", "block", "spring_factor", "friction_factor"):
            physics.jammed = physics.parameters.nut_jammed or bool(self.disturbances["jam"])
            physics.blocked = bool(self.disturbances["block"])
            physics.spring_factor = self.disturbances["spring_factor"]
            physics.friction_factor = self.disturbances["friction_factor"]
            physics.rebuild()

    def _set_supply(self) -> None:
        held = self.disturbances["supply_V"]
        if self.stop_pressed:
            self._physics.source_V = 0.0
        else:
            own = self._physics.parameters.supply_V
            self._physics.source_V = own if math.isnan(held) else max(held, 0.0)

    @property
    def silent(self) -> bool:
        """True if the drive's node must send nothing."""
        return bool(self.disturbances["silent"])

    @property
    def slow_values_silent(self) -> bool:
        """True if values not sent with motion or deflection must not be sent."""
        return bool(self.disturbances["slow_values_silent"])

    def loses_sample(self) -> bool:
        """Draw whether a sample just taken is lost in transit."""
        share = self.disturbances["samples_lost"]
        return share > 0.0 and self._luck.random() < share

    def state(self) -> dict[str, float]:
        """Return true values, before any sensor: hands, forces, positions, supply, peaks."""
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
            "winding_ohm": physics.winding_ohm,
            "shaft_turns": physics.shaft_angle_rad / (2 * math.pi),
            "turning": float(physics.turning),
            "held": float(physics.blocked),
            "supported": float(physics.supported),
            "stop_pressed": float(self.stop_pressed),
            "peak_spring_force_N": physics.peak_spring_force_N,
            "peak_driven_force_N": physics.peak_driven_force_N,
            "peak_speed_m_s": physics.peak_speed_m_s,
            "peak_end_speed_m_s": physics.peak_end_speed_m_s,
        }


def _mass_kg(mass_kg: float) -> float:
    mass = _number("mass_kg", mass_kg)
    if not 0.0 <= mass <= 1000.0:
        raise ValueError(f"mass_kg = {mass_kg}: must be between 0 and 1000 kg")
    return mass


def _number(name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{name} = {value!r}: must be a finite number")
    return float(value)
