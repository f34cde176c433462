"""Velocities and motor-derived force from positions, deflection and motor torque.

The nut is followed by a steady-state Kalman filter whose model knows motor and spring force
(states: position, velocity, disturbance force), so its velocity lags little; the output by
an alpha-beta tracker, since its load is unknown.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.linalg import solve_discrete_are

from hil.profile.schema import Profile

OUTPUT_BANDWIDTH_RAD_S = 2 * math.pi * 30
ACCELERATION_FILTER_S = 0.01
SLIP_SPEED_M_S = 0.004


class Estimator:
    """Attributes hold the present estimates, SI; see ``hil.samples`` for their meaning.

    ``motor_force_N`` is what the motor's torque says of the spring force (inertia and moving
    friction taken off); ``motor_force_band_N`` is how far friction alone can part the two.
    """

    def __init__(self, profile: Profile, period_s: float) -> None:
        actuator = profile.actuator
        screw = actuator.screw
        self.mass = actuator.reflected_mass
        self._per_torque = actuator.radians_per_metre
        # Halfway between driving and being driven; the spread belongs to the band.
        forward, backward = screw.efficiency_forward, 1 / screw.efficiency_backward
        self._efficiency = (forward + backward) / 2
        self._spread = (backward - forward) / 2 / self._efficiency
        self._coulomb_N = actuator.friction.coulomb * self._per_torque
        self._breakaway_N = max(actuator.friction.breakaway * self._per_torque, self._coulomb_N)
        self._viscous = actuator.friction.viscous * self._per_torque**2

        t, m = period_s, self.mass
        a = np.array([[1, t, t * t / 2 / m], [0, 1, t / m], [0, 0, 1]])
        resolution = screw.lead / profile.sensors.motor.counts_per_revolution
        measured = np.array([[resolution**2 / 12]])
        # The disturbance (friction reversal, efficiency) may change by its size in 20 ms.
        swing = 2 * self._breakaway_N + 0.05 * profile.limits.force.bounded
        wander = swing**2 * t / 0.02
        force_noise = 0.02 * profile.limits.force.bounded
        g = np.array([[t * t / 2 / m], [t / m], [0]])
        process = g @ g.T * force_noise**2 + np.diag([0, 0, wander])
        p = solve_discrete_are(a.T, np.array([[1.0], [0], [0]]), process, measured)
        gain = p[:, 0] / (p[0, 0] + measured[0, 0])
        self._gain_x, self._gain_v, self._gain_d = (float(value) for value in gain)

        # Critically damped alpha-beta pair (double pole at exp(-ω·t)).
        pole = math.exp(-OUTPUT_BANDWIDTH_RAD_S * period_s)
        self._alpha = 1 - pole * pole
        self._beta = (1 - pole) ** 2
        self.reset(0.0, 0.0)

    def reset(self, nut_position_m: float, deflection_m: float) -> None:
        """Start at rest at the given positions."""
        self.nut_position_m = nut_position_m
        self.deflection_m = deflection_m
        self.output_position_m = nut_position_m - deflection_m
        self.nut_velocity_m_s = 0.0
        self.output_velocity_m_s = 0.0
        self.deflection_rate_m_s = 0.0
        self.nut_acceleration_m_s2 = 0.0
        self.disturbance_N = 0.0
        self.motor_force_N = 0.0
        self.motor_force_band_N = self._breakaway_N
        self._x = nut_position_m
        self._xo = self.output_position_m

    def update(
        self,
        nut_position_m: float,
        deflection_m: float,
        spring_force_N: float,
        motor_torque_N_m: float,
        dt: float,
    ) -> None:
        """Take one cycle's measurements; ``motor_torque_N_m`` in the profile's sign."""
        m = self.mass
        push = motor_torque_N_m * self._per_torque * self._efficiency
        v = self.nut_velocity_m_s
        acceleration = (push - spring_force_N + self.disturbance_N) / m
        x = self._x + v * dt + 0.5 * acceleration * dt * dt
        v_next = v + acceleration * dt
        error = nut_position_m - x
        self._x = x + self._gain_x * error
        v_next += self._gain_v * error
        self.disturbance_N += self._gain_d * error
        blend = dt / (ACCELERATION_FILTER_S + dt)
        self.nut_acceleration_m_s2 += blend * ((v_next - v) / dt - self.nut_acceleration_m_s2)
        self.nut_velocity_m_s = v_next
        self.nut_position_m = nut_position_m
        self.deflection_m = deflection_m

        output = nut_position_m - deflection_m
        self.output_position_m = output
        predicted = self._xo + self.output_velocity_m_s * dt
        error = output - predicted
        self._xo = predicted + self._alpha * error
        self.output_velocity_m_s += self._beta / dt * error
        self.deflection_rate_m_s = v_next - self.output_velocity_m_s

        slip = v_next / SLIP_SPEED_M_S
        slip = slip if -1.0 < slip < 1.0 else math.copysign(1.0, slip)
        friction = self._coulomb_N * slip + self._viscous * v_next
        self.motor_force_N = push - m * self.nut_acceleration_m_s2 - friction
        stick = self._breakaway_N * (1.0 - 0.5 * abs(slip))
        self.motor_force_band_N = stick + self._spread * abs(push)
