"""The limited tier: what force and torque may be asked of the actuator in this cycle.

Caps on the force come from three sides. The force and deflection limits cap it flatly. The
travel corridor and the speed limit cap it by a one-sided speed control: the cap is the load
that the rod balances now, plus a margin that grows with the distance to the allowed speed
and turns against the motion beyond it. So a cap brakes what moves towards an end, holds a
hung weight there, and leaves everything that leads away from the end free; it never takes
away the force that carries a weight.

The motor torque has three caps of its own, one-sided as well: the current limit; what the
supply can still drive through the winding against the back-EMF, kt·(±V − kt·ω)/R, so that the
force controller knows beforehand what it will not get (below that the drive's own current loop
makes up for the back-EMF: it is commanded in torque); and a speed control of the nut, which acts
within a cycle when a load comes off at once and the springs throw output and nut apart.

Stopping distance d at deceleration a allows the speed √(2·a·d); near the end the law goes
over into speed = d·k, whose slope stays finite.
"""

from __future__ import annotations

import math

from hil.control import MODULATION, Estimator, ForceCalibration, moved_mass
from hil.core import Limit
from hil.profile import Profile
from hil.supervision.leaving import Leaving

BALANCE_FILTER_S = 0.03
APPROACH_1_S = 10.0  # slope of allowed speed over distance at an end
RETURN_SPEED_M_S = 0.01  # back to a soft end that was overrun
EASE_M_S = 0.02  # speed margin from which a cap opens quickly
LEAST_BRAKING_M_S2 = 0.03
BRAKING_SHARE = 0.6  # of what the force limit leaves above the load
DAMPING_SHARE = 0.25  # of the force loop's bandwidth
# A load is taken for a weight, which also has mass; a hand that pushes as hard has less.
LOAD_SHARE = 0.7
LOAD_LEARNING_S = 0.1
STEADY_S = 0.2
WEIGHING_S = 0.4
PRIOR_SQUARE = 0.01  # (m/s²)²: changes of acceleration that outweigh what the weight says
REACTION_S = 0.06  # until a cap has become force: estimator, cycle and force loop
LEAD_S = 0.02  # of that, by acceleration: more would feed force back upon itself
HEAT_EASE = 0.15  # below the bound, over which current is led back
NUT_BRAKING_S = 0.008  # in which the nut is brought back to its speed limit
ACTING = 0.97  # of a limited current: from here the bound counts as acting


class Bounds:
    """``update`` every cycle, ``compute`` in those that command a force.

    Attributes:
        torque_limit_N_m: most motor torque by the current limit, either way.
        torque_low_N_m, torque_high_N_m: caps by that limit, supply and nut speed, low ≤ high.
        low_torque_limit, high_torque_limit: the ``Limit`` each of the two comes from.
        force_low_N, force_high_N: the shaped force must lie between, low ≤ high.
        low_limit, high_limit: the ``Limit`` each of the two comes from.
        limited: bit mask of the limits that act on the current.
    """

    def __init__(self, profile: Profile, period_s: float) -> None:
        limits = profile.limits
        motor = profile.actuator.motor
        self._kt = motor.torque_constant
        self._resistance = motor.winding_resistance
        self._per_metre = profile.actuator.radians_per_metre
        self._viscous = profile.actuator.friction.viscous * self._per_metre**2
        self._nut_gain = profile.actuator.reflected_mass / NUT_BRAKING_S
        self._most_current = min(limits.current.limited, motor.peak_current)
        heat = limits.motor_heat
        self._heat_bound = heat.limited
        # Current at which heat settles at its bound: a hair below continuous, never at a trip.
        self._settled_square = heat.limited * motor.continuous_current**2
        self._warm_current = min(motor.continuous_current, self._most_current)
        self._cool = limits.drive_temperature.limited
        self._hot = limits.drive_temperature.tripped

        self.use_calibration(profile)

        travel = limits.travel
        self._lower, self._upper = travel.lower, travel.upper
        self._braking = travel.braking
        self._speed = limits.speed.limited
        self._mass, self._own_load, self._mass_per_load = moved_mass(profile)
        self._bandwidth = DAMPING_SHARE * 2 * math.pi * profile.control.force_bandwidth
        self._period = period_s
        self.reset()

    def use_calibration(self, profile: Profile) -> None:
        """Renew the flat caps: force limit, and deflection limit by the spring law."""
        limits = profile.limits
        law = ForceCalibration(profile.calibration, profile.sensors.deflection)
        most = min(limits.deflection.limited, profile.actuator.springs.solid_deflection)
        self._law_high_N, self._law_low_N = law.force(most), law.force(-most)
        self._flatten(limits.force.limited)

    def narrow(self, force_N: float, speed_m_s: float) -> None:
        """Hold force and speed to these limits from now on, N and m/s."""
        self._speed = speed_m_s
        self._flatten(force_N)

    def _flatten(self, force: float) -> None:
        high, low = self._law_high_N, self._law_low_N
        self.most_high_N = force if force < high else high
        self.most_low_N = -force if -force > low else low
        self._flat_high = Limit.FORCE if force <= high else Limit.DEFLECTION
        self._flat_low = Limit.FORCE if -force >= low else Limit.DEFLECTION

    def reset(self) -> None:
        """Forget the load; the ends are found anew from the first position seen."""
        self.torque_limit_N_m = self._most_current * self._kt
        self.torque_low_N_m, self.torque_high_N_m = -self.torque_limit_N_m, self.torque_limit_N_m
        self.low_torque_limit = self.high_torque_limit = Limit.CURRENT
        self.force_low_N, self.force_high_N = self.most_low_N, self.most_high_N
        self.low_limit, self.high_limit = self._flat_low, self._flat_high
        self.limited = 0
        self._smooth_force = math.nan
        self._smooth_velocity = 0.0
        self.balance_N = 0.0
        self.hung_load_N = 0.0
        self._effective_mass = self._mass
        self._steady_force = self._steady_acceleration = 0.0
        self._squares = self._products = 0.0
        self.low_end_m = self._lower
        self.high_end_m = self._upper
        self._leaving_up, self._leaving_down = Leaving(), Leaving()
        self._blocked_up = self._blocked_down = False

    def update(self, estimator: Estimator, spring_force_N: float, energised: bool) -> None:
        """Follow the load that the rod balances, and where the output may go.

        Where the output stands outside a soft end when power comes, that place is the end
        until the output has moved in; it is not driven in by itself.
        """
        velocity = estimator.output_velocity_m_s
        position = estimator.output_position_m
        smooth = self._smooth_force
        if not -1e9 < smooth < 1e9:
            smooth = self._steady_force = spring_force_N
            self._smooth_velocity = velocity
        self._smooth_force = smooth
        step = estimator.step_s
        if step > 0.0:
            blend = step / (BALANCE_FILTER_S + step)
            self._smooth_force = smooth + blend * (spring_force_N - smooth)
            self._smooth_velocity += blend * (velocity - self._smooth_velocity)
            self._follow_load((velocity - self._smooth_velocity) / BALANCE_FILTER_S, step)
        if energised:
            low, high = self.low_end_m, self.high_end_m
            if position > low:
                low = position
            if position < high:
                high = position
            self.low_end_m = low if low < self._lower else self._lower
            self.high_end_m = high if high > self._upper else self._upper
        else:
            self.low_end_m = position if position < self._lower else self._lower
            self.high_end_m = position if position > self._upper else self._upper
        span = self.most_high_N - self.most_low_N
        room = self.high_end_m - position
        self._leaving_up.follow(self._blocked_up, room, velocity, span, step)
        room = position - self.low_end_m
        self._leaving_down.follow(self._blocked_down, room, -velocity, span, step)
        self._blocked_up = self._blocked_down = False

    def _follow_load(self, acceleration: float, dt: float) -> None:
        """Balance and hung weight from low-passed force and acceleration.

        A weight that pulls the rod with L makes force − own load − own mass·a = L·(1 + κ·a),
        κ being ``moved_mass``'s mass per load. L is learned by normalised least mean squares
        (Widrow and Hoff 1960, from memory), which keeps what it knows while the weight falls
        freely, when 1 + κ·a is near zero and nothing can be learned.
        """
        seen = 1.0 + self._mass_per_load * acceleration
        force = self._smooth_force
        hung = self.hung_load_N
        hung += (
            dt
            / LOAD_LEARNING_S
            * seen
            * (force - self._own_load - self._mass * acceleration - seen * hung)
        )
        most = self.most_high_N
        self.hung_load_N = hung if 0.0 < hung < most else most if hung >= most else 0.0
        self._weigh(acceleration, force, dt)
        self.balance_N = force - self._effective_mass * acceleration

    def _weigh(self, acceleration: float, force: float, dt: float) -> None:
        """Felt mass: from the hung weight, corrected by how changes of force accelerate it.

        Regression of force on acceleration, both high-passed so that a steady load or hand
        drops out, over the last ``WEIGHING_S``, with the weight's mass as prior.
        """
        blend = dt / STEADY_S
        self._steady_force += blend * (force - self._steady_force)
        self._steady_acceleration += blend * (acceleration - self._steady_acceleration)
        change = acceleration - self._steady_acceleration
        blend = dt / WEIGHING_S
        squares = self._squares
        self._squares = squares = squares + blend * (change * change - squares)
        products = self._products
        self._products = products = products + blend * (
            change * (force - self._steady_force) - products
        )
        whole = self._mass + self._mass_per_load * self.hung_load_N
        prior = self._mass + LOAD_SHARE * (whole - self._mass)
        effective_mass = (products + PRIOR_SQUARE * prior) / (squares + PRIOR_SQUARE)
        self._effective_mass = (
            self._mass
            if effective_mass < self._mass
            else whole
            if effective_mass > whole
            else effective_mass
        )

    def compute(
        self,
        estimator: Estimator,
        spring_force_N: float,
        motor_heat: float,
        temperature_degC: float,
        current_A: float,
        supply_V: float = math.nan,
        loss_factor: float = 1.0,
    ) -> None:
        """Caps for this cycle, from the latest ``update``.

        ``supply_V`` is what the drive measures, under load; NaN if it reports none.
        """
        self._current(motor_heat, temperature_degC, current_A, loss_factor)
        velocity = estimator.output_velocity_m_s
        nut_velocity = estimator.nut_velocity_m_s
        self._torques(nut_velocity, spring_force_N, supply_V)
        position = estimator.output_position_m
        most_low, most_high = self.most_low_N, self.most_high_N
        balance = self.balance_N
        if not most_low < balance < most_high:
            # NaN falls through to no load at all.
            balance = most_high if balance > 0 else most_low if balance < 0 else 0.0
        load_mass = self._mass_per_load * self.hung_load_N
        mass = self._mass + load_mass
        effective_mass = self._effective_mass
        damping = self._bandwidth * effective_mass
        high, low = most_high, most_low
        high_limit, low_limit = self._flat_high, self._flat_low

        margin = self._speed - nut_velocity
        cap = balance + damping * margin * (1.0 + (margin / EASE_M_S if margin > 0.0 else 0.0))
        if cap < high:
            high = cap
            high_limit = Limit.SPEED
        margin = self._speed + nut_velocity
        cap = balance - damping * margin * (1.0 + (margin / EASE_M_S if margin > 0.0 else 0.0))
        if cap > low:
            low = cap
            low_limit = Limit.SPEED

        # A travel cap outranks a speed cap where the two collide. The load that must be braked
        # is the larger of what the rod balances and what is known to hang on it.
        load = self._own_load + self.hung_load_N
        closing_acceleration = (spring_force_N - balance) / effective_mass
        room = self._room(
            self.high_end_m - position,
            velocity,
            closing_acceleration,
            ((load if load < balance else balance) - most_low) / mass,
        )
        if balance + room < high:
            high = balance + room
            high_limit = Limit.TRAVEL
            if low > high:
                low = high
        room = self._room(
            position - self.low_end_m,
            -velocity,
            -closing_acceleration,
            (most_high - (load if load > balance else balance)) / mass,
        )
        if balance - room > low:
            low = balance - room
            low_limit = Limit.TRAVEL
            if high < low:
                high = low
        high += self._leaving_up.opened_N
        low -= self._leaving_down.opened_N

        if high < most_low:
            high = most_low
        elif not high <= most_high:
            high = most_high
        if low > most_high:
            low = most_high
        elif not low >= most_low:
            low = most_low
        if low > high:
            low = high = max(most_low, min(most_high, balance))
        self.force_low_N, self.force_high_N = low, high
        self.low_limit, self.high_limit = low_limit, high_limit

    def _room(
        self, distance: float, speed: float, closing_acceleration: float, available: float
    ) -> float:
        """Force in N towards an end that may act beyond the balanced load; negative brakes.

        Args:
            distance: m left to the end.
            speed, closing_acceleration: towards the end, m/s and m/s².
            available: deceleration in m/s² that the force limit leaves.
        """
        most = self._braking
        braking = BRAKING_SHARE * available
        braking = most if braking > most else braking
        braking = braking if braking > LEAST_BRAKING_M_S2 else LEAST_BRAKING_M_S2
        scarce = 1.0 - braking / most
        effective_mass = self._effective_mass
        follow = 0.0
        if speed > 0.0:
            distance -= REACTION_S * speed
        allowed = allowed_speed(distance, braking)
        if speed > 0.0:
            # Past the end too: a cap that let go there would be looser nearer the end.
            follow = APPROACH_1_S * speed
            follow = follow if follow < braking else braking
            if speed < allowed:
                follow *= speed / allowed
        if closing_acceleration > 0.0:
            speed += (LEAD_S + scarce * (REACTION_S - LEAD_S)) * closing_acceleration
        margin = allowed - speed
        damping = self._bandwidth * effective_mass
        if margin > 0.0:
            # What can hardly be braked may hardly gain speed: its cap opens slowly.
            damping *= 1.0 + margin / EASE_M_S * (1.0 - scarce)
        return damping * margin - effective_mass * follow

    def _current(self, heat: float, temperature: float, current: float, loss_factor: float) -> None:
        most = limit = self._most_current
        mask = 0
        left = (self._heat_bound - heat) / HEAT_EASE
        if left < 1.0:
            settled = self._settled_square / loss_factor
            square = settled + max(left, 0.0) * max(most * most - settled, 0.0)
            led_back = math.sqrt(square)
            if led_back < limit:
                limit = led_back
                mask = 1 << Limit.MOTOR_HEAT
        if temperature > self._cool:
            share = (temperature - self._cool) / (self._hot - self._cool)
            led_back = most - min(share, 1.0) * (most - self._warm_current)
            if led_back < limit:
                limit = led_back
                mask = 1 << Limit.DRIVE_TEMPERATURE
        self.torque_limit_N_m = limit * self._kt
        self.limited = mask if current >= ACTING * limit else 0

    def _torques(self, nut_velocity: float, spring_force: float, supply: float) -> None:
        high = self.torque_limit_N_m
        low = -high
        high_limit = low_limit = Limit.CURRENT
        emf = self._kt * self._per_metre * nut_velocity
        per_volt = self._kt / self._resistance
        # A supply that is not known, or no number, bounds nothing.
        most = per_volt * (MODULATION * supply - emf)
        if low <= most < high:
            high = most
            high_limit = Limit.SUPPLY_LOW
        most = per_volt * (-MODULATION * supply - emf)
        if high >= most > low:
            low = most
            low_limit = Limit.SUPPLY_LOW
        # What balances springs and drag, and an acceleration that ends at the speed limit.
        balanced = spring_force + self._viscous * nut_velocity
        most = (balanced + self._nut_gain * (self._speed - nut_velocity)) / self._per_metre
        if most < high:
            high = most if most > low else low
            high_limit = Limit.SPEED
        most = (balanced - self._nut_gain * (self._speed + nut_velocity)) / self._per_metre
        if most > low:
            low = most if most < high else high
            low_limit = Limit.SPEED
        self.torque_low_N_m, self.torque_high_N_m = low, high
        self.low_torque_limit, self.high_torque_limit = low_limit, high_limit

    def note_torque(self, torque_N_m: float) -> None:
        """Add to ``limited`` the limit whose cap a saturated torque stands at."""
        if torque_N_m >= self.torque_high_N_m:
            self.limited |= 1 << self.high_torque_limit
        elif torque_N_m <= self.torque_low_N_m:
            self.limited |= 1 << self.low_torque_limit
        else:  # cut by what the drive itself can give
            self.limited |= 1 << Limit.CURRENT

    def note_shaped(self, force_N: float) -> None:
        """Add to ``limited`` the limits whose caps the shaped force stands at."""
        self._blocked_up = force_N >= self.force_high_N
        self._blocked_down = force_N <= self.force_low_N
        if force_N >= self.force_high_N:
            self.limited |= 1 << self.high_limit
        if force_N <= self.force_low_N:
            self.limited |= 1 << self.low_limit


def allowed_speed(distance_m: float, braking_m_s2: float) -> float:
    """Most speed towards an end in m/s; negative, a slow return, beyond it."""
    if distance_m <= 0.0:
        speed = APPROACH_1_S * distance_m
        return speed if speed > -RETURN_SPEED_M_S else -RETURN_SPEED_M_S
    joint = braking_m_s2 / APPROACH_1_S**2
    if distance_m < joint:
        return APPROACH_1_S * distance_m
    return math.sqrt(2.0 * braking_m_s2 * (distance_m - 0.5 * joint))
