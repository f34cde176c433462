"""Velocities and motor-derived force from positions, deflection and motor torque.

The nut is followed by a steady-state Kalman filter whose model knows motor and spring force
(states: position, velocity, disturbance force), so its velocity lags little; the output by
an alpha-beta tracker, since its load is unknown.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from hil.control.kept_designs import kept
from hil.profile import Profile

CURRENT_LAG_S: Final = (
    0.00025  # time constant of a drive's current loop; common practice, no source
)
OUTPUT_BANDWIDTH_RAD_S: Final = 2 * math.pi * 60  # lag of output velocity costs passivity
SLIP_SPEED_M_S: Final = 0.004
WANDER_S: Final = 0.03  # friction may reverse within this time
GAP_FILTER_S: Final = 0.008  # filter of the encoder's steps in the motor-derived force
LONG_S: Final = 0.02  # beyond it the ends of a gap say more than the model: springs swing in it
AS_USUAL_PERIODS: Final = 0.05  # off the period, up to which the usual gains are as good
ROUNDING_S: Final = 1e-9  # of times that are differences of large ones
OUTPUT_NOISE_M: Final = 5e-6  # of an output position taken in time: an assumption, no source
SETTLED_SAMPLES: Final = (
    8  # after one taken at an unknown moment, until the usual gains are as good
)
LONG_GAP_PERIODS: Final = 0.5  # beyond the period: a torque's change within it counts for less
SETTLED_SHARE: Final = 0.05  # of a change of torque still ahead: it may have begun at any time
# A reading further from a command than so many times what punctual ones are, is still changing.
UNLIKE_S: Final = 0.1
UNLIKE_TIMES: Final = 3.0
MOST_SKEW_S: Final = (
    0.005  # deflection further apart from the motor than this is not extrapolated more
)

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


class Estimator:
    """Present estimates as attributes, SI; see ``hil.core.samples`` for their meaning.

    ``motor_force_N`` is the spring force derived from motor torque (less inertia and moving
    friction); ``motor_force_band_N`` is the difference that friction alone can cause.
    ``disturbance_N`` is the force on the nut that neither torque nor springs explain, mainly
    friction.

    All hold for the moment at which the latest sample was taken; ``step_s`` is the time from
    the previous sample to that one, 0 while no new one has arrived.
    """

    def __init__(self, profile: Profile, period_s: float) -> None:
        self._period = period_s
        self._as_usual = AS_USUAL_PERIODS * period_s
        self._long_gap = LONG_GAP_PERIODS * period_s
        self.use(profile)
        self.reset(0.0, 0.0)

    def use(self, profile: Profile) -> None:
        """Estimate for this profile's actuator from now on; at rest, without power."""
        period_s = self._period
        actuator = profile.actuator
        screw = actuator.transmission
        self.mass = actuator.reflected_mass
        self._per_torque = actuator.radians_per_metre
        self._loss_forward = 1 / screw.efficiency_forward - 1
        self._loss_backward = 1 - screw.efficiency_backward
        self._coulomb_N = actuator.friction.coulomb * self._per_torque
        self._breakaway_N = max(actuator.friction.breakaway * self._per_torque, self._coulomb_N)
        self._viscous = actuator.friction.viscous * self._per_torque**2
        self._gains = gains = observer_gains(profile, period_s)
        self._gain_x = gains.position
        self._gain_v = gains.velocity
        self._gain_d = gains.disturbance
        self._torque_now = gains.torque_now
        self._torque_before = gains.torque_before
        self._alpha = gains.alpha
        self._beta = gains.beta / period_s
        self._left = math.exp(-period_s / gains.lag_s)
        self._covariance = gains.covariance
        self._unsettled = 0  # samples for which the covariance must still be followed

    def reset(self, nut_position_m: float, deflection_m: float) -> None:
        """Start at rest at the given positions."""
        self.nut_position_m = nut_position_m
        self.deflection_m = deflection_m
        self.output_position_m = nut_position_m - deflection_m
        self.nut_velocity_m_s = 0.0
        self.output_velocity_m_s = 0.0
        self.deflection_rate_m_s = 0.0
        self.disturbance_N = 0.0
        self.motor_force_N = 0.0
        self.motor_force_band_N = self._breakaway_N
        self._x = nut_position_m
        self._xo = self.output_position_m
        self._torque = 0.0
        self._sent = self._sent_before = 0.0
        self._unlike_last = self._unlike_before = 0.0
        self._missed = 0  # samples since the latest: their commands acted meanwhile
        self._force = 0.0
        self._gap = 0.0
        self._covariance = self._gains.covariance
        self._unsettled = 0  # samples for which the covariance must still be followed
        self.step_s = 0.0

    def command(self, torque_N_m: float) -> None:
        """Take this cycle's torque command, profile sign; NaN for a drive that takes none."""
        self._sent_before = self._sent
        self._sent = torque_N_m

    def miss(self) -> None:
        """Keep the estimates: no new sample arrived in this cycle."""
        self.step_s = 0.0
        self._missed += 1

    def update(
        self,
        nut_position_m: float,
        deflection_m: float,
        spring_force_N: float,
        motor_torque_N_m: float,
        dt: float,
        error_s: float = 0.0,
        skew_s: float = 0.0,
    ) -> None:
        """Take one sample; ``motor_torque_N_m`` in the profile's sign.

        Args:
            dt: time from the last sample to this one, as taken.
            error_s: standard deviation of that time: at speed the sample is less certain, and
                weighs less against the model.
            skew_s: age of the deflection beyond that of the motor's position; the deflection is
                brought to its time with the rate known so far, for the output's position.
        """
        m = self.mass
        v = self.nut_velocity_m_s
        output = nut_position_m - deflection_m
        if skew_s != 0.0:
            skew_s = max(-MOST_SKEW_S, min(MOST_SKEW_S, skew_s))
            output -= skew_s * self.deflection_rate_m_s
        off = dt - self._period
        if -ROUNDING_S < off < ROUNDING_S:
            dt = self._period
        self.step_s = dt
        if dt < LONG_S:
            gain_x, gain_v, gain_d = self._gain_x, self._gain_v, self._gain_d
            now, before, alpha, beta = (
                self._torque_now,
                self._torque_before,
                self._alpha,
                self._beta,
            )
            if not -self._as_usual < off < self._as_usual:
                gain_x, gain_v, gain_d, now, alpha, beta = self._gains.after(dt)
                before = 1.0 - now
            mean_torque = now * motor_torque_N_m + before * self._torque
            if off > self._long_gap and self._missed == 0:
                mean_torque += self._not_yet_N_m(motor_torque_N_m, mean_torque, dt)
            elif -self._as_usual < off < self._as_usual and not (error_s > 0.0 or self._unsettled):
                self._compare_torque(motor_torque_N_m, dt)
            acceleration = (
                mean_torque * self._per_torque
                - 0.5 * (spring_force_N + self._force)
                + self.disturbance_N
                - self._viscous * v
            ) / m
            x = self._x + (v + 0.5 * acceleration * dt) * dt
            error = nut_position_m - x
            if error_s > 0.0 or self._unsettled:
                if error_s > 0.0:
                    if not self._unsettled:
                        self._covariance = self._gains.covariance
                    self._unsettled = SETTLED_SAMPLES
                else:
                    self._unsettled -= 1
                speed = math.sqrt(v * v + self._covariance[3])
                gain_x, gain_v, gain_d, self._covariance = self._gains.weigh(
                    self._covariance, dt, error_s * speed
                )
            self._x = x + gain_x * error
            v_next = v + acceleration * dt + gain_v * error
            self.disturbance_N += gain_d * error
            v = self.output_velocity_m_s
            x = self._xo + v * dt
            error = output - x
            if error_s > 0.0:
                share = 1.0 / (1.0 + (error_s * v / OUTPUT_NOISE_M) ** 2)
                alpha, beta = alpha * share, beta * share
            self._xo = x + alpha * error
            self.output_velocity_m_s = v + beta * error
        else:
            v_next = (nut_position_m - self.nut_position_m) / dt
            self.output_velocity_m_s = (output - self.output_position_m) / dt
            self._x = nut_position_m
            self._xo = output
            self._unsettled = 0
        self._missed = 0
        self._torque = motor_torque_N_m
        self._force = spring_force_N
        self.nut_velocity_m_s = v_next
        self.nut_position_m = nut_position_m
        self.deflection_m = deflection_m
        self.output_position_m = output
        self.deflection_rate_m_s = v_next - self.output_velocity_m_s

        # Torque less inertia is what the observer already holds: measured force less the
        # disturbance. With a wrong sensor the disturbance takes up the difference, and this
        # stays right. The screw's loss depends on the direction of power flow; at rest it may act
        # in either direction.
        slip = v_next / SLIP_SPEED_M_S
        slip = slip if -1.0 < slip < 1.0 else math.copysign(1.0, slip)
        net = spring_force_N - self.disturbance_N - self._coulomb_N * slip
        along = slip if net > 0.0 else -slip
        loss = self._loss_forward if along > 0.0 else self._loss_backward
        derived = net / (1.0 + along * loss)
        gap = self._gap
        self._gap = gap = gap + dt / (GAP_FILTER_S + dt) * (derived - spring_force_N - gap)
        self.motor_force_N = spring_force_N + gap
        rest = 1.0 - 0.5 * (slip if slip > 0.0 else -slip)
        self.motor_force_band_N = rest * (
            self._breakaway_N + self._loss_backward * (net if net > 0.0 else -net)
        )

    def _compare_torque(self, torque: float, dt: float) -> None:
        """Learn which command a punctual reading shows, and how closely: one on its way, or the last."""
        left, part = self._left, dt / (UNLIKE_S + dt)
        of_last = abs(torque - self._sent - left * (self._torque - self._sent))
        of_before = abs(torque - self._sent_before - left * (self._torque - self._sent_before))
        if of_last + of_before >= 0.0:
            self._unlike_last += part * (of_last - self._unlike_last)
            self._unlike_before += part * (of_before - self._unlike_before)

    def _not_yet_N_m(self, torque: float, usual: float, dt: float) -> float:
        """Return the correction of the mean torque over a gap, if the command changed at its very end.

        A reading between that before the gap and the command is a change in progress: by the current
        loop's lag it began just before the sample, and until then the torque before the gap acted.
        """
        target, unlike = self._sent_before, self._unlike_before
        if self._unlike_last < unlike:
            target, unlike = self._sent, self._unlike_last
        before = self._torque
        whole, off = before - target, torque - target
        if whole < 0.0:
            whole, off = -whole, -off
        if not SETTLED_SHARE * whole < off < whole or not off > UNLIKE_TIMES * unlike:
            return 0.0
        ahead, lag = off / whole, self._gains.lag_s
        began_s = -lag * math.log(ahead)
        return before + (target - before) * (began_s - lag * (1.0 - ahead)) / dt - usual
