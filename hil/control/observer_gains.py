"""Gains of the nut's observer and of the output's tracker, for one profile and period."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from hil.control.kept_designs import kept
from hil.profile import Profile

# Time constant of a drive's current loop; common practice, no source.
CURRENT_LAG_S: Final = 0.00025
OUTPUT_BANDWIDTH_RAD_S: Final = 2 * math.pi * 60  # lag of output velocity costs passivity
WANDER_S: Final = 0.03  # friction may reverse within this time

Covariance = tuple[float, float, float, float, float, float]
Weighed = tuple[float, float, float, Covariance]


@dataclass(frozen=True)
class ObserverGains:
    """Constants of the filters for one profile and period.

    Attributes:
        position: 1. velocity: 1/s. disturbance: N/m. Innovation gains of the nut's filter.
        torque_now, torque_before: weights (sum 1) that give the mean motor torque over the
            last period from its values at the end and at the start.
        alpha, beta: gains of the output's tracker, critically damped.
        period_s: period for which they hold; ``after`` gives the gains for another time.
        mass, lag_s, measured_variance, force_variance, wander_per_s: as in ``gains_for``.
        covariance: covariance of the estimate right after a sample: row of position (position,
            velocity, disturbance), then velocity-velocity, velocity-disturbance, disturbance-disturbance.
    """

    position: float
    velocity: float
    disturbance: float
    torque_now: float
    torque_before: float
    alpha: float
    beta: float
    period_s: float
    mass: float
    lag_s: float
    measured_variance: float
    force_variance: float
    wander_per_s: float
    covariance: tuple[float, float, float, float, float, float]

    def after(self, dt: float) -> tuple[float, float, float, float, float, float]:
        """Return the gains for one sample that is taken ``dt`` s after the last.

        In the order position, velocity, disturbance, torque_now, alpha, beta. One step of the
        Kalman filter's covariance from its steady state (Riccati recursion).
        """
        xx, xv, xd, vv, vd, dd = self.covariance
        per_mass = dt / self.mass
        half = 0.5 * dt * per_mass
        to_x = xx + dt * xv + half * xd
        to_v = xv + dt * vv + half * vd
        to_d = xd + dt * vd + half * dd
        force = self.force_variance
        x = to_x + dt * to_v + half * to_d + half * half * force
        v = to_v + per_mass * to_d + half * per_mass * force
        share = 1.0 / (x + self.measured_variance)
        decay = math.exp(-dt / self.lag_s)
        pole = math.exp(-OUTPUT_BANDWIDTH_RAD_S * dt)
        return (
            x * share,
            v * share,
            to_d * share,
            (1.0 - self.lag_s / dt * (1.0 - decay)) / (1.0 - decay),
            1.0 - pole * pole,
            (1.0 - pole) ** 2 / dt,
        )

    def weigh(self, covariance: Covariance, dt: float, error_m: float) -> Weighed:
        """Return gains (position, velocity, disturbance) and covariance of one uncertain sample.

        One whole step of the Kalman filter, for a sample taken ``dt`` s after the last whose
        position may be off by ``error_m`` (standard deviation) in addition to its resolution.
        """
        xx, xv, xd, vv, vd, dd = covariance
        per_mass = dt / self.mass
        half = 0.5 * dt * per_mass
        to_v = xv + dt * vv + half * vd
        to_d = xd + dt * vd + half * dd
        force = self.force_variance
        x = xx + dt * xv + half * xd + dt * to_v + half * to_d + half * half * force
        v = to_v + per_mass * to_d + half * per_mass * force
        v_v = vv + per_mass * (2.0 * vd + per_mass * (dd + force))
        v_d = vd + per_mass * dd
        d_d = dd + self.wander_per_s * dt
        share = 1.0 / (x + self.measured_variance + error_m * error_m)
        gain_x, gain_v, gain_d = x * share, v * share, to_d * share
        after = (
            x - gain_x * x,
            v - gain_x * v,
            to_d - gain_x * to_d,
            v_v - gain_v * v,
            v_d - gain_v * to_d,
            d_d - gain_d * to_d,
        )
        return gain_x, gain_v, gain_d, after


def observer_gains(profile: Profile, period_s: float) -> ObserverGains:
    """Return steady-state gains from the profile's friction and resolution (Riccati equation)."""
    actuator = profile.actuator
    friction = actuator.friction
    resolution = actuator.transmission.lead / profile.sensors.motor.counts_per_revolution
    dry = max(friction.coulomb, friction.breakaway) * actuator.radians_per_metre
    force = profile.limits.force.limited
    screw = actuator.transmission
    loss = 1 / screw.efficiency_forward - 1 + 1 - screw.efficiency_backward
    return gains_for(
        actuator.reflected_mass,
        period_s,
        measured_variance=resolution**2 / 12,
        force_noise=0.02 * force,
        wander=(2 * dry + 0.3 * loss * force + 0.01 * force) ** 2 * period_s / WANDER_S,
        lag_s=profile.control.current_loop_lag,
    )


@functools.lru_cache(maxsize=16)  # the solver is slow, and rigs are rebuilt often
def gains_for(
    mass: float,
    period_s: float,
    measured_variance: float,
    force_noise: float,
    wander: float,
    lag_s: float = CURRENT_LAG_S,
) -> ObserverGains:
    """Return the gains for a nut of ``mass`` kg.

    Args:
        measured_variance: variance of the measured nut position, m².
        force_noise: standard deviation of the unknown force within one period, N.
        wander: variance that the lasting disturbance gains per period, N².
        lag_s: time constant of the drive's current loop.
    """
    arguments = (mass, period_s, measured_variance, force_noise, wander, lag_s)
    return kept("observer", repr(arguments), ObserverGains, lambda: _solved_gains(*arguments))


def _solved_gains(
    mass: float,
    period_s: float,
    measured_variance: float,
    force_noise: float,
    wander: float,
    lag_s: float,
) -> ObserverGains:
    """Return the gains; arguments as of ``gains_for``."""
    t, m = period_s, mass
    a = np.array([[1, t, t * t / 2 / m], [0, 1, t / m], [0, 0, 1]])
    g = np.array([[t * t / 2 / m], [t / m], [0]])
    # Scaled to units in which the Riccati solver sees numbers of similar size.
    scale = math.sqrt(measured_variance)
    s = np.diag([scale, scale / t, scale * m / t**2])
    back = np.linalg.inv(s)
    process = back @ (g @ g.T * force_noise**2 + np.diag([0, 0, wander])) @ back.T
    scaled = back @ a @ s
    from scipy.linalg import solve_discrete_are  # slow to load

    p = solve_discrete_are(scaled.T, np.array([[1.0], [0], [0]]), process, np.eye(1))
    gain = s @ (p[:, 0] / (p[0, 0] + 1.0)) / scale
    after = s @ (p - np.outer(p[:, 0], p[0]) / (p[0, 0] + 1.0)) @ s
    xx, xv, xd, vv, vd, dd = (float(value) for value in after[np.triu_indices(3)])
    decay = math.exp(-t / lag_s)
    mean = lag_s / t * (1 - decay)
    pole = math.exp(-OUTPUT_BANDWIDTH_RAD_S * t)
    return ObserverGains(
        float(gain[0]),
        float(gain[1]),
        float(gain[2]),
        (1 - mean) / (1 - decay),
        mean - (1 - mean) * decay / (1 - decay),
        1 - pole * pole,
        (1 - pole) ** 2,
        t,
        m,
        lag_s,
        measured_variance,
        force_noise**2,
        wander / t,
        (xx, xv, xd, vv, vd, dd),
    )
