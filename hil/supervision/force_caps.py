"""Caps on the force: each gives an interval in N, and the limit that it comes from.

The force and deflection limits give constant caps. The travel range and the speed limit cap it by
a one-sided speed control: the cap is the load that the rod balances now, plus a margin that grows
with the distance to the allowed speed and turns against the motion beyond it. So a cap brakes
motion towards an end, holds a hung weight there, and leaves motion away from the end free; it
never removes the force that carries a weight.

Stopping distance d at deceleration a allows the speed √(2·a·d); near the end the law changes
to speed = d·k, whose slope stays finite.
"""

from __future__ import annotations

import math
from typing import Final

from hil.control import Estimator, ForceCalibration
from hil.core import Limit
from hil.profile import Profile
from hil.supervision.carried_load import CarriedLoad
from hil.supervision.leaving import Leaving

APPROACH_1_S: Final = 10.0  # slope of allowed speed over distance at an end
RETURN_SPEED_M_S: Final = 0.01  # back to a soft end that was overrun
# A hand whose force grows pushes a light output out faster than the balance follows. Past an end, by this
# distance and more, the caps of such an output use the quick balance while it moves, from the first to the
# second of these calm speeds on, and brake towards so many times the return speed while it moves out. At
# rest they must not: a cap that follows the force of a contact raises it without end. From hands in
# lockstep, no source.
PAST_M: Final = 0.0003
MOVES_FROM_M_S: Final = 0.002
MOVES_M_S: Final = 0.006
OUTWARD_RETURNS: Final = 4.0
EASE_M_S: Final = 0.02  # speed margin from which a cap opens quickly
# Speed beyond the allowed one that doubles the damping, up to that of the heaviest weight: one that has
# just been laid on is not known yet. From sudden loads in lockstep, no source.
OVER_M_S: Final = 0.02
# The same up to the known mass, towards the upper and the lower end: a known weight is braked
# before the force limit leaves too little. From sudden loads in lockstep as well.
KNOWN_UP_M_S: Final = 0.02
KNOWN_DOWN_M_S: Final = 0.004
# Both count a predicted speed up to this multiple of the measured one: a light output that still moves
# away while its springs pull it back is not a falling weight. From weights taken off in lockstep, no source.
FORESEEN_TIMES: Final = 2.0
LEAST_BRAKING_M_S2: Final = 0.03
BRAKING_SHARE: Final = 0.6  # of what the force limit leaves above the load
REACTION_S: Final = 0.06  # until a cap acts as force: estimator, cycle and force loop
LEAD_S: Final = 0.02  # of that, by acceleration: more would feed force back on itself


class FlatCap:
    """Force limit, and deflection limit by the spring law, whichever is narrower.

    Attributes:
        low_N, high_N: interval. low_limit, high_limit: the ``Limit`` each comes from.
    """

    def __init__(self, profile: Profile) -> None:
        self.use_calibration(profile)

    def use_calibration(self, profile: Profile) -> None:
        """Update the interval: the spring law has changed."""
        limits = profile.limits
        law = ForceCalibration(profile.calibration, profile.sensors.deflection)
        most = min(limits.deflection.limited, profile.actuator.springs.solid_deflection)
        self._law_high_N, self._law_low_N = law.force(most), law.force(-most)
        self.narrow(limits.force.limited)

    def narrow(self, force: float) -> None:
        """Limit the force to this value in N from now on."""
        high, low = self._law_high_N, self._law_low_N
        self.high_N = force if force < high else high
        self.low_N = -force if -force > low else low
        self.high_limit = Limit.FORCE if force <= high else Limit.DEFLECTION
        self.low_limit = Limit.FORCE if -force >= low else Limit.DEFLECTION


class SpeedCap:
    """Speed limit of the nut as a one-sided speed control (``Limit.SPEED``).

    Attributes:
        low_N, high_N: interval.
    """

    def __init__(self, profile: Profile) -> None:
        self._speed = profile.limits.speed.limited
        self.low_N, self.high_N = -math.inf, math.inf

    def narrow(self, speed: float) -> None:
        """Limit the nut to this speed in m/s from now on."""
        self._speed = speed

    def renew(self, nut_velocity: float, balance: float, damping: float) -> None:
        """Update the interval.

        Args:
            nut_velocity: m/s. balance: force in N that balances the load.
            damping: N·s/m.
        """
        margin = self._speed - nut_velocity
        self.high_N = balance + damping * margin * (
            1.0 + (margin / EASE_M_S if margin > 0.0 else 0.0)
        )
        margin = self._speed + nut_velocity
        self.low_N = balance - damping * margin * (
            1.0 + (margin / EASE_M_S if margin > 0.0 else 0.0)
        )


class TravelCap:
    """Soft ends of the travel as a one-sided speed control (``Limit.TRAVEL``).

    Attributes:
        low_N, high_N: interval.
        lower_m, upper_m: soft ends of the profile. low_end_m, high_end_m: ends in force.
        leaving_up, leaving_down: give of the caps where they block motion away.
        blocked_up, blocked_down: the shaped force is at a cap in this cycle.
    """

    def __init__(self, profile: Profile) -> None:
        travel = profile.limits.travel
        self.lower_m, self.upper_m = travel.lower, travel.upper
        self._braking = travel.braking
        self.reset()

    def reset(self) -> None:
        """Find the ends from the next position."""
        self.low_N, self.high_N = -math.inf, math.inf
        self.low_end_m = self.lower_m
        self.high_end_m = self.upper_m
        self.leaving_up, self.leaving_down = Leaving(), Leaving()
        self.blocked_up = self.blocked_down = False

    def follow(self, estimator: Estimator, span_N: float, energised: bool) -> None:
        """Follow the range of the output; ``span_N`` is the force between the flat caps.

        If the output is outside a soft end at power on, that position is the end until the
        output has moved in; it is not driven in automatically.
        """
        position = estimator.output_position_m
        velocity = estimator.output_velocity_m_s
        step = estimator.step_s
        if energised:
            low, high = self.low_end_m, self.high_end_m
            if position > low:
                low = position
            if position < high:
                high = position
            self.low_end_m = low if low < self.lower_m else self.lower_m
            self.high_end_m = high if high > self.upper_m else self.upper_m
        else:
            self.low_end_m = position if position < self.lower_m else self.lower_m
            self.high_end_m = position if position > self.upper_m else self.upper_m
        room = self.high_end_m - position
        self.leaving_up.follow(self.blocked_up, room, velocity, span_N, step)
        room = position - self.low_end_m
        self.leaving_down.follow(self.blocked_down, room, -velocity, span_N, step)
        self.blocked_up = self.blocked_down = False

    def renew(
        self,
        estimator: Estimator,
        load: CarriedLoad,
        flat: FlatCap,
        balance: float,
        spring_force: float,
        damping: float,
    ) -> None:
        """Update the interval.

        Args:
            balance: force in N that balances the load, within the flat caps.
            spring_force: N. damping: N·s/m.
        """
        position, velocity = estimator.output_position_m, estimator.output_velocity_m_s
        mass, calm = load.effective_mass_kg, velocity - load.flutter_m_s
        quick = load.quick_balance_N
        quick = quick if quick > flat.low_N else flat.low_N
        quicker = (quick if quick < flat.high_N else flat.high_N) - balance
        # The load that must be braked is the larger of what the rod balances and what is known
        # to hang on it.
        known, heavy = load.own_load_N + load.hung_load_N, load.heavy_N
        braked = load.mass_kg
        room = self.high_end_m - position
        pushed = _pushed(room, calm, load.lightness)
        high = balance + pushed * quicker
        self.high_N = high + self._room(
            room,
            velocity,
            pushed,
            (spring_force - high) / mass,
            (min(min(known, high), heavy) - flat.low_N) / braked,
            load,
            False,
            damping,
        )
        room = position - self.low_end_m
        pushed = _pushed(room, -calm, load.lightness)
        low = balance + pushed * quicker
        self.low_N = low - self._room(
            room,
            -velocity,
            pushed,
            (low - spring_force) / mass,
            (flat.high_N - max(max(known, low), heavy)) / braked,
            load,
            True,
            damping,
        )

    def _room(
        self,
        distance: float,
        speed: float,
        pushed: float,
        closing_acceleration: float,
        available: float,
        load: CarriedLoad,
        down: bool,
        damping: float,
    ) -> float:
        """Return the force in N towards an end that may act beyond the balanced load; negative brakes.

        Args:
            distance: m left to the end.
            speed, closing_acceleration: towards the end, m/s and m/s².
            pushed: 0 to 1, as returned by ``_pushed``.
            available: deceleration in m/s² that the force limit leaves.
            load: the carried one. down: the end is the one towards which weights pull.
            damping: N·s/m.
        """
        most = self._braking
        braking = BRAKING_SHARE * available
        braking = most if braking > most else braking
        braking = braking if braking > LEAST_BRAKING_M_S2 else LEAST_BRAKING_M_S2
        scarce = 1.0 - braking / most
        # A load that can hardly be braked hardly changes its speed either.
        flutter = -load.flutter_m_s if down else load.flutter_m_s
        speed -= scarce * scarce * scarce * scarce * flutter
        follow = 0.0
        if speed > 0.0:
            distance -= REACTION_S * speed
        allowed = allowed_speed(distance, braking)
        if speed > 0.0:
            if allowed < 0.0:
                allowed *= 1.0 + pushed * (OUTWARD_RETURNS - 1.0)
            # Past the end too: a cap that opened there would be looser nearer the end.
            follow = APPROACH_1_S * speed
            follow = follow if follow < braking else braking
            if speed < allowed:
                follow *= speed / allowed
        measured = speed
        if closing_acceleration > 0.0:
            speed += (LEAD_S + scarce * (REACTION_S - LEAD_S)) * closing_acceleration
        margin = allowed - speed
        if margin > 0.0:
            # A load that can hardly be braked must not gain speed: its cap opens slowly.
            damping *= 1.0 + margin / EASE_M_S * (1.0 - scarce)
        else:
            over = speed - allowed if allowed > 0.0 else speed
            falling = FORESEEN_TIMES * measured
            over = over if over < falling else falling
            if over > 0.0:
                damping *= _more_damping(over, load, down)
        return damping * margin - load.effective_mass_kg * follow


def _pushed(room_m: float, calm_m_s: float, lightness: float) -> float:
    """Return 1 for a light output that moves past an end, less and less for one at rest or inside it.

    Args:
        room_m: distance left to the end. calm_m_s: calm speed towards it.
        lightness: of the carried load, 0 to 1.
    """
    if calm_m_s > 0.0:
        room_m -= REACTION_S * calm_m_s
    else:
        calm_m_s = -calm_m_s
    past, moving = -room_m / PAST_M, (calm_m_s - MOVES_FROM_M_S) / (MOVES_M_S - MOVES_FROM_M_S)
    if not (past > 0.0 and moving > 0.0):
        return 0.0
    return lightness * (past if past < 1.0 else 1.0) * (moving if moving < 1.0 else 1.0)


def _more_damping(over_m_s: float, load: CarriedLoad, down: bool) -> float:
    """Return the factor of the damping at ``over_m_s`` beyond the allowed speed; ``down`` as in ``_room``."""
    mass = load.effective_mass_kg
    known = 1.0 + over_m_s / (KNOWN_DOWN_M_S if down else KNOWN_UP_M_S)
    most_known = load.held_kg / mass
    known = known if known < most_known else most_known
    more = 1.0
    if down:
        more += over_m_s / OVER_M_S
        most_times = load.heaviest_kg / mass
        more = more if more < most_times else most_times
    return more if more > known else known if known > 1.0 else 1.0


def allowed_speed(distance_m: float, braking_m_s2: float) -> float:
    """Return the largest speed towards an end in m/s; beyond it negative, a slow return."""
    if distance_m <= 0.0:
        speed = APPROACH_1_S * distance_m
        return speed if speed > -RETURN_SPEED_M_S else -RETURN_SPEED_M_S
    joint = braking_m_s2 / (APPROACH_1_S * APPROACH_1_S)
    if distance_m < joint:
        return APPROACH_1_S * distance_m
    return math.sqrt(2.0 * braking_m_s2 * (distance_m - 0.5 * joint))
