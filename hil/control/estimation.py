"""Velocities and motor-derived force from positions, deflection and motor torque.

The nut is followed by a steady-state Kalman filter whose model knows motor and spring force
(states: position, velocity, disturbance force), so its velocity lags little; the output by
an alpha-beta tracker, since its load is unknown.
"""

from __future__ import annotations

import math
from typing import Final

from hil.control.observer_gains import observer_gains
from hil.profile import Profile

SLIP_SPEED_M_S: Final = 0.004
GAP_FILTER_S: Final = 0.008  # filter of the encoder's steps in the motor-derived force
LONG_S: Final = 0.02  # beyond it the ends of a gap say more than the model: springs swing in it
AS_USUAL_PERIODS: Final = 0.05  # off the period, up to which the usual gains are as good
ROUNDING_S: Final = 1e-9  # of times that are differences of large ones
OUTPUT_NOISE_M: Final = 5e-6  # of an output position taken in time: an assumption, no source
# After a sample taken at an unknown moment, until the usual gains are as good.
SETTLED_SAMPLES: Final = 8
LONG_GAP_PERIODS: Final = 0.5  # beyond the period: a torque's change within it counts for less
SETTLED_SHARE: Final = 0.05  # of a change of torque still ahead: it may have begun at any time
# A reading further from a command than so many times what punctual ones are, is still changing.
UNLIKE_S: Final = 0.1
UNLIKE_TIMES: Final = 3.0
# Deflection further apart from the motor than this is not extrapolated more.
MOST_SKEW_S: Final = 0.005


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
