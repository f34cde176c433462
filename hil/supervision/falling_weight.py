"""Brake for a weight that has just been laid on and falls.

In a free fall nothing shows a weight's size: its output accelerates by gravity over the ratio of
the arms, whatever it weighs, and a light output that a hand pushes may do the same. Braked once it
is known, the heaviest weight meets the end: the force limit leaves next to nothing above it.
So the force rises as soon as the output accelerates as under a weight, and each newton shown to be
without effect permits several more: a light output answers the first ones and is left alone.
"""

from __future__ import annotations

import math
from typing import Final

from hil.supervision.carried_load import CarriedLoad

# Least weight that is braked, as share of the force limit; lighter ones can be braked once they are known.
LEAST_SHARE: Final = 0.35
# Pull without a known cause from which the output may be falling, as share of the force limit.
UNEXPLAINED_SHARE: Final = 0.02
# Of the slowest acceleration of a braked weight, while filters still follow; of the free fall's, with noise.
STARTS_AT: Final = 0.8
FREE_FALL: Final = 1.15
FILTER_S: Final = 0.008
# A weight that lands on a moving output takes momentum: that jump must not hide the fall that follows.
# Most of it that the filter sees, in free-fall accelerations.
JUMP_SHARE: Final = 0.1
# An output that was accelerated more than the least braked weight can be is light; share of that mass.
LIGHT_SHARE: Final = 0.6
SEEN_S: Final = (
    0.008  # so long before the brake acts: a blow passes through these accelerations sooner
)
FALLING_M_S: Final = 0.01
# First force as acceleration of the output without the weight; newtons permitted by each without effect.
# From weights and hands in lockstep, no source.
FIRST_M_S2: Final = 2.7
TIMES: Final = 5.0
RELEASED_S: Final = 0.05  # of a weight that is known or at rest
EASED_SHARE: Final = 0.05  # of the free fall's acceleration: the force has taken hold
LET_GO_S: Final = 0.005  # of an output that turned out to be light
KNOWN_SHARE: Final = 0.9  # of the weight, known to the caps of the travel


class FallingWeight:
    """Lower bound of the force while a weight falls; ``follow`` every cycle.

    Attributes:
        low_N: least force; -inf if nothing falls.
    """

    def __init__(self, load: CarriedLoad) -> None:
        self._load = load
        self.reset()

    def reset(self) -> None:
        """Start with nothing falling."""
        self.low_N = -math.inf
        self._fell_s = self._begin_N = self._added_N = self._known_N = self._known_kg = 0.0
        self._force_N = self._velocity_m_s = math.nan

    def follow(self, velocity: float, spring_force: float, most: float, step: float) -> None:
        """Take one cycle.

        Args:
            velocity: velocity of the output, m/s. spring_force: spring force, N. most: its limit, N.
            step: time since the last sample was taken, s; 0 if no new one arrived.
        """
        load = self._load
        if not (step > 0.0 and load.mass_per_load > 0.0):
            return
        least_N = LEAST_SHARE * most
        free = -FREE_FALL / load.mass_per_load
        acceleration = self._accelerate(velocity, spring_force, free, step)
        if self._added_N > 0.0:
            self._brake(velocity, free, least_N, most, step)
            return
        force = self._force_N
        self._known_N, self._known_kg = load.own_load_N + load.hung_load_N, load.mass_kg
        slowest = self._slowest(force, least_N)
        falls = velocity < -FALLING_M_S and free < acceleration < STARTS_AT * slowest
        light = load.bound_kg < LIGHT_SHARE * (self._known_kg + load.mass_per_load * least_N)
        self._fell_s = self._fell_s + step if falls and not light else 0.0
        pull = force - self._known_N - self._known_kg * acceleration
        if self._fell_s >= SEEN_S and pull > UNEXPLAINED_SHARE * most:
            self._begin_N = load.quick_force_N
            self._added_N = FIRST_M_S2 * load.effective_mass_kg
            self._raise(most)

    def _raise(self, most: float) -> None:
        low = self._begin_N + self._added_N
        self.low_N = low if low < most else most

    def _accelerate(self, velocity: float, force: float, free: float, step: float) -> float:
        """Return the output's acceleration through the filter; follow the force through the same."""
        if not -1e9 < self._force_N + self._velocity_m_s < 1e9:
            self._force_N, self._velocity_m_s = force, velocity
        part = step / (FILTER_S + step)
        self._force_N += part * (force - self._force_N)
        change = velocity - self._velocity_m_s
        jump = -JUMP_SHARE * free * (FILTER_S + step)
        if change > jump:
            self._velocity_m_s = velocity - jump
            change = jump
        self._velocity_m_s += part * change
        return (velocity - self._velocity_m_s) / FILTER_S

    def _slowest(self, force: float, least_N: float) -> float:
        """Return the acceleration in m/s² under the least braked weight; a heavier one falls faster."""
        heavier_kg = self._load.mass_per_load * least_N
        return (force - self._known_N - least_N) / (self._known_kg + heavier_kg)

    def _brake(
        self, velocity: float, free: float, least_N: float, most: float, step: float
    ) -> None:
        load = self._load
        force, acceleration = load.quick_force_N, load.quick_acceleration_m_s2
        weight = (force - load.own_load_N - load.own_mass_kg * acceleration) / max(
            1.0 + load.mass_per_load * acceleration, 0.05
        )
        eased = acceleration > EASED_SHARE * free
        known = eased and load.hung_load_N > KNOWN_SHARE * weight
        light = acceleration > self._slowest(force, least_N)
        if light or known or velocity > -FALLING_M_S:
            after = LET_GO_S if light else RELEASED_S
            self._added_N *= after / (after + step)
            if self._added_N < 1.0:
                self.reset()
                return
        else:
            first = FIRST_M_S2 * load.effective_mass_kg
            added = first + TIMES * (force - self._begin_N)
            self._added_N = max(self._added_N, min(added, most))
        self._raise(most)
