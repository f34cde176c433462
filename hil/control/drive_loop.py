"""Torque and speed by a drive's own velocity loop, for open-loop motion in restricted operation.

The loop inside the drive gives K_v·(1 + ω_i/s)·(v_c − v) of torque (see ``hil.control.velocity_model``).
The drive reports the torque that acts, so that a nut which is held, pressed or stuck can be given
a torque through it: with the lag ω_i/(s + ω_i) before the loop, the host sees an integrator.
"""

from __future__ import annotations

import math
from typing import Final

from hil.control.estimation import Estimator
from hil.profile import Profile

# Crossover of the torque: at 9 ms from command to reading, late cycles included, 30° of 60 remain.
TORQUE_RAD_S: Final = 60.0
SPEED_RAD_S: Final = 2 * math.pi * 5  # bandwidth of a speed, as by torque
FOLLOWED: Final = 0.9  # of the nut's own speed; all of it would leave the springs no damping
ACCELERATING: Final = 0.3  # of the permitted torque; the rest is for friction
FREE_SHARE: Final = 0.8  # of the permitted torque: below it a nut that was held is free again


def braked(velocity_m_s: float, deceleration_m_s2: float, dt_s: float) -> float:
    """Return the velocity after ``dt_s`` of braking towards standstill."""
    left = abs(velocity_m_s) - deceleration_m_s2 * dt_s
    return math.copysign(left, velocity_m_s) if left > 0.0 else 0.0


class LoopTorque:
    """Nut velocity that makes a drive's own velocity loop give a torque.

    A held nut gets it with ``TORQUE_RAD_S``. One that gives way is followed: it moves as if its
    mass were ω_v/TORQUE_RAD_S times as large, damped by what ``FOLLOWED`` leaves to 1.
    """

    def __init__(self, profile: Profile) -> None:
        loop, actuator = profile.control.velocity_loop, profile.actuator
        crossover = 2 * math.pi * loop.bandwidth
        per_metre = actuator.radians_per_metre
        self._corner = loop.integral_share * crossover
        self._rate = TORQUE_RAD_S * per_metre / (actuator.reflected_mass * crossover)
        self._velocity_m_s = 0.0

    def restart(self, velocity_m_s: float) -> None:
        """Restart at this speed, with the torque that acts."""
        self._velocity_m_s = velocity_m_s

    def velocity(
        self, asked_N_m: float, measured_N_m: float, estimator: Estimator, most_m_s: float
    ) -> float:
        """Return the nut velocity in m/s within ±``most_m_s``; torques of the motor, profile sign."""
        away = self._velocity_m_s - FOLLOWED * estimator.nut_velocity_m_s
        rate = self._rate * (asked_N_m - measured_N_m) - self._corner * away
        velocity = self._velocity_m_s + estimator.step_s * rate
        self._velocity_m_s = max(-most_m_s, min(most_m_s, velocity))
        return self._velocity_m_s


class SpeedByLoop:
    """Speed of the nut by a drive's own loop, with a limited torque.

    An obstacle that takes more than the permitted torque is pressed with that torque, slowly, until it
    gives way.

    Attributes:
        held: it takes all the permitted torque.
    """

    def __init__(self, profile: Profile) -> None:
        actuator = profile.actuator
        self._mass_N_m = actuator.reflected_mass / actuator.radians_per_metre
        self._pressing = LoopTorque(profile)
        self.held = False
        self._sense = 1.0
        self._velocity_m_s = 0.0

    def velocity(
        self, speed_m_s: float, most_N_m: float, measured_N_m: float, estimator: Estimator
    ) -> float:
        """Return the nut velocity in m/s towards ``speed_m_s``."""
        step = estimator.step_s
        if not self.held:
            self._sense = math.copysign(1.0, self._velocity_m_s or speed_m_s)
        sense = self._sense
        along = sense * measured_N_m
        if self.held:
            if along < FREE_SHARE * most_N_m or speed_m_s * sense <= 0.0:
                self.held = False
                self._velocity_m_s = estimator.nut_velocity_m_s
        elif along > most_N_m:
            self.held = True
            self._pressing.restart(self._velocity_m_s)
        if self.held:
            self._velocity_m_s = self._pressing.velocity(
                sense * most_N_m, measured_N_m, estimator, abs(speed_m_s)
            )
            return self._velocity_m_s
        change = SPEED_RAD_S * (speed_m_s - self._velocity_m_s)
        most = ACCELERATING * most_N_m / self._mass_N_m
        self._velocity_m_s += step * max(-most, min(most, change))
        return self._velocity_m_s
