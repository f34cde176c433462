"""Load that the rod carries: the force that balances it, the weight that hangs on it, its mass."""

from __future__ import annotations

import math
from typing import Final

from hil.control import moved_mass
from hil.profile import Profile

BALANCE_FILTER_S: Final = 0.03
# Filter of the calm speed. 7.5 kg multiply speed noise by 15 kN·s/m, which shook the nut; a lighter
# load needs the quick speed to stay off its ends.
CALM_S: Final = 0.01
# A load is assumed to be a weight, which also has mass; a hand that pushes as hard has less.
LOAD_SHARE: Final = 0.7
LOAD_LEARNING_S: Final = 0.1
# A weight laid on is accepted at once, down to this share of its pull while it falls: at half of
# the force limit, too late means 50 mm/s at the end. From sudden loads in lockstep, no source.
LOAD_RISING_S: Final = 0.005
LEAST_SEEN: Final = 0.3
# An added load that pulls by this share of the force limit more than the known one is seen through a
# quicker filter, and for a while accepted up to this acceleration of the known mass: a hand that pushes
# as a weight falls would otherwise be thrown back by it. From sudden loads and hands in lockstep.
SUDDEN_SHARE: Final = 0.2
SUDDEN_SEEN: Final = 0.15
SUDDEN_FILTER_S: Final = 0.012
SUDDEN_S: Final = 0.1
THROWN_M_S2: Final = 3.0
# An acceleration bounds the mass present: this share of the force limit moves no more. A weight lifted
# by a hand counts as present for ``HELD_S``; a bound relaxes by a factor e in ``BOUND_S``.
# From hands and weights in lockstep, no source.
BOUND_SHARE: Final = 0.3
RISING_SHARE: Final = 0.75
BOUND_S: Final = 0.1
HELD_S: Final = 0.5
STEADY_S: Final = 0.2
WEIGHING_S: Final = 0.4
PRIOR_SQUARE: Final = 0.01  # (m/s²)²: changes of acceleration that outweigh the mass of the weight


class CarriedLoad:
    """Load learned from force and motion of the output; ``follow`` every cycle.

    Attributes:
        balance_N: force on the rod that balances the present load.
        quick_balance_N: the same through the quick filter.
        lightness: 1 of an output with its own mass, 0 from twice that on.
        hung_load_N: known weight that hangs on the rod, as force on the rod.
        effective_mass_kg: mass by which changes of force accelerate the output.
        held_kg: mass that may have to be braked: of the heaviest recently hung weight, as far as the
            output's acceleration allows.
        heavy_N: force on the rod that balances the present load if it has that mass.
        heaviest_kg: mass with the heaviest weight that the force limit can hold.
        own_load_N: force on the rod due to the mechanism's own weight.
        flutter_m_s: part of the output's speed that the calm speed leaves out.
        bound_kg: largest mass that the force limit has recently accelerated so.
        own_mass_kg, mass_per_load: mass of the mechanism; kg for each newton hung.
        quick_force_N, quick_acceleration_m_s2: force on the output and its
            acceleration, through the same quick filter.
    """

    def __init__(self, profile: Profile) -> None:
        self.own_mass_kg, self.own_load_N, self.mass_per_load = moved_mass(profile)
        self.heaviest_kg = self.own_mass_kg + self.mass_per_load * profile.limits.force.limited
        self.reset()

    def reset(self) -> None:
        """Forget the load."""
        self._smooth_force = math.nan
        self._smooth_velocity = self._calm_velocity = self.flutter_m_s = 0.0
        self.quick_force_N = self.quick_acceleration_m_s2 = 0.0
        self._quick_velocity = self._sudden_s = self._sudden_most_N = 0.0
        self._long_kg = self.own_mass_kg
        self.balance_N = self.quick_balance_N = self.heavy_N = 0.0
        self.lightness = 1.0
        self.hung_load_N = 0.0
        self.effective_mass_kg = self.held_kg = self._held_kg = self.own_mass_kg
        self.bound_kg = self.heaviest_kg
        self._steady_force = self._steady_acceleration = 0.0
        self._squares = self._products = 0.0

    @property
    def mass_kg(self) -> float:
        """Mass of mechanism and hung weight."""
        return self.own_mass_kg + self.mass_per_load * self.hung_load_N

    def follow(self, velocity: float, spring_force: float, most: float, step: float) -> None:
        """Take one cycle.

        Args:
            velocity: velocity of the output, m/s. spring_force: spring force, N.
            most: largest hung weight, N.
            step: time since the last sample was taken, s; 0 if no new one arrived.
        """
        smooth = self._smooth_force
        if not -1e9 < smooth < 1e9:
            smooth = self._steady_force = spring_force
            self._smooth_velocity = self._calm_velocity = self._quick_velocity = velocity
            self.quick_force_N = spring_force
        self._smooth_force = smooth
        if step > 0.0:
            blend = step / (BALANCE_FILTER_S + step)
            self._smooth_force = smooth + blend * (spring_force - smooth)
            self._smooth_velocity += blend * (velocity - self._smooth_velocity)
            calm = self._calm_velocity
            calm = calm + step / (CALM_S + step) * (velocity - calm)
            self._calm_velocity = calm = calm if -1e3 < calm < 1e3 else velocity
            self.flutter_m_s = velocity - calm
            quick = step / (SUDDEN_FILTER_S + step)
            self.quick_force_N += quick * (spring_force - self.quick_force_N)
            self._quick_velocity += quick * (velocity - self._quick_velocity)
            sudden = (velocity - self._quick_velocity) / SUDDEN_FILTER_S
            self.quick_acceleration_m_s2 = sudden
            self._see_sudden(sudden, most, step)
            self._learn((velocity - self._smooth_velocity) / BALANCE_FILTER_S, most, step)
            self.quick_balance_N = self.quick_force_N - self.effective_mass_kg * sudden
            light = 2.0 - self.effective_mass_kg / self.own_mass_kg
            self.lightness = light if light > 0.0 else 0.0

    def _learn(self, acceleration: float, most: float, dt: float) -> None:
        """Learn balance and hung weight from low-passed force and acceleration.

        A weight that pulls the rod with L makes force − own load − own mass·a = L·(1 + κ·a),
        κ being ``moved_mass``'s mass per load. L is learned by normalised least mean squares
        (Widrow and Hoff 1960, from memory), which keeps its estimate while the weight falls
        freely, when 1 + κ·a is near zero and nothing can be learned.
        """
        seen = 1.0 + self.mass_per_load * acceleration
        force = self._smooth_force
        hung = self.hung_load_N
        bound = self._renew_bound(acceleration, most, dt)
        more = force - self.own_load_N - self.own_mass_kg * acceleration - seen * hung
        allowed = RISING_SHARE / BOUND_SHARE * bound
        if more > 0.0 and seen > LEAST_SEEN and self.mass_kg < allowed:
            hung += dt / LOAD_RISING_S * more / seen
        else:
            hung += dt / LOAD_LEARNING_S * seen * more
        self.hung_load_N = hung if 0.0 < hung < most else most if hung >= most else 0.0
        self._weigh(acceleration, force, dt)
        self.balance_N = force - self.effective_mass_kg * acceleration
        mass = self.mass_kg
        held = self._held_kg * HELD_S / (HELD_S + dt)
        self._held_kg = held = held if held > mass else mass
        self.held_kg = held = held if held < bound else bound
        self.heavy_N = force - held * acceleration

    def _see_sudden(self, acceleration: float, most: float, dt: float) -> None:
        """Accept a weight just laid on before the slower filter shows it."""
        seen = 1.0 + self.mass_per_load * acceleration
        more = self.quick_force_N - self.own_load_N - self.own_mass_kg * acceleration
        more -= seen * self.hung_load_N
        self._long_kg += dt / (WEIGHING_S + dt) * (self.effective_mass_kg - self._long_kg)
        falls = self._sudden_s > 0.0
        if falls:
            # Its fall moves the output without a change of force, which would read as little mass.
            self._sudden_s -= dt
            self._squares = self._products = 0.0
        if seen < SUDDEN_SEEN or not more > (0.0 if falls else SUDDEN_SHARE * most * seen):
            return
        if not falls:
            room = THROWN_M_S2 * min(self._long_kg, self.effective_mass_kg)
            if room < SUDDEN_SHARE * most:
                return
            self._sudden_s = SUDDEN_S
            believed = self.hung_load_N + room
            self._sudden_most_N = believed if believed < most else most
        if self.mass_kg < RISING_SHARE / BOUND_SHARE * self.bound_kg:
            hung = self.hung_load_N + dt / LOAD_RISING_S * more / seen
            most_hung = self._sudden_most_N
            if self.hung_load_N < most_hung:
                self.hung_load_N = hung if hung < most_hung else most_hung

    def _renew_bound(self, acceleration: float, most: float, dt: float) -> float:
        """Return the largest mass in kg that the force limit ``most`` can accelerate so."""
        bound = self.bound_kg * (1.0 + dt / BOUND_S)
        size = acceleration if acceleration >= 0.0 else -acceleration
        if bound * size > BOUND_SHARE * most:
            bound = BOUND_SHARE * most / size
        self.bound_kg = bound = bound if bound < self.heaviest_kg else self.heaviest_kg
        return bound

    def _weigh(self, acceleration: float, force: float, dt: float) -> None:
        """Estimate the effective mass from the hung weight, corrected by its response to force changes.

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
        whole = self.own_mass_kg + self.mass_per_load * self.hung_load_N
        prior = self.own_mass_kg + LOAD_SHARE * (whole - self.own_mass_kg)
        effective_mass = (products + PRIOR_SQUARE * prior) / (squares + PRIOR_SQUARE)
        self.effective_mass_kg = (
            self.own_mass_kg
            if effective_mass < self.own_mass_kg
            else whole
            if effective_mass > whole
            else effective_mass
        )
