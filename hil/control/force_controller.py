"""The force law: motor torque that makes the spring force follow a desired force.

With δ_d the deflection that the calibration gives for the desired force, and every state as
predicted for the moment at which the command will act:

    F_m = F(δ) + K_p·(δ_d − δ) − K_d·δ' − K_c·(i − F) − disturbance + friction + viscous

``disturbance`` comes from a momentum observer (De Luca, Albu-Schäffer, Haddadin, Hirzinger,
"Collision detection and safe reaction with the DLR-III lightweight manipulator arm", IROS
2006): the part of the nut's momentum beyond the commanded force. It is the law's integral
action. It is fed with the limited command, so it does not wind up.
"""

from __future__ import annotations

import math
from typing import Final

from hil.control.calibration import ForceCalibration, LiveCalibration
from hil.control.estimation import Estimator
from hil.control.force_design import ForceGains, dead_zone_m
from hil.control.force_model import LawGains
from hil.profile import Profile

SLIP_FROM_M_S: Final = (
    0.0015  # desired nut speed from which friction is compensated: above the noise
)
SLIP_SPEED_M_S: Final = 0.005  # beyond that, until it is compensated in full
RESTING_M_S: Final = 0.004  # nut speed below which the dead zone acts, growing towards standstill
# Of a sample's delay beyond the usual: as far as one acceleration describes the springs, a third of
# a radian of their oscillation on the shipped rigs.
MOST_LATE_S: Final = 0.005
MOST_SHARE: Final = 0.9  # of a gap; a command that acts for less than the rest is neglected
INTEGRAL_SHARE: Final = 0.4  # of the force limit: friction and the screw's loss, nothing larger


class ForceController:
    """Force law with its disturbance observer and the commands in flight; all else is passed in.

    ``calibration`` is the bench's own, so that both change together.
    """

    def __init__(
        self,
        profile: Profile,
        gains: ForceGains,
        period_s: float,
        calibration: LiveCalibration | None = None,
    ) -> None:
        actuator = profile.actuator
        screw = actuator.transmission
        plant, law = gains.plant, gains.law
        self._calibration = calibration or LiveCalibration(
            ForceCalibration(profile.calibration, profile.sensors.deflection)
        )
        self._mass = plant.mass
        self._viscous = plant.viscous
        self._kp, self._kd, self._kc = law.position, law.rate, law.current
        self._integral_rad_s = law.disturbance_rad_s
        self._shaping = law.shaping
        self._natural = gains.natural_rad_s
        self._twice_damping = 2 * gains.damping_ratio * gains.natural_rad_s
        self._gear = 1 / actuator.radians_per_metre
        share = profile.control.friction_compensation
        self._coulomb = share * actuator.friction.coulomb * actuator.radians_per_metre
        self._loss_forward = share * (1 / screw.efficiency_forward - 1)
        self._loss_backward = share * (1 - screw.efficiency_backward)
        self._most = INTEGRAL_SHARE * profile.limits.force.limited
        self._dead = dead_zone_m(profile)

        self._ahead = law.ahead_s
        self._half_square = 0.5 * law.ahead_s**2
        (_, self._x_v, self._x_i), (_, self._v_v, self._v_i), (_, _, self._i_i) = law.phi
        self._in_flight = law.in_flight if law.ahead_s > 0.0 else ()
        self._delay = plant.delay_s
        self._long = 1.5 * period_s
        # Lag of the motor force: decay and mean over the parts of a period before and after
        # the moment at which a command takes effect.
        self._whole, part = plant.whole, plant.fraction
        self._part = part
        self._decay_1, self._mean_1 = _lag(plant.lag_s, part * period_s)
        self._decay_2, self._mean_2 = _lag(plant.lag_s, (1 - part) * period_s)
        self._sent = [0.0] * (plant.in_flight + 1)
        self.saturated = False
        self.reset()

    def retune(self, law: LawGains, natural_rad_s: float) -> None:
        """Continue with other gains for the same plant and delay; nothing is forgotten."""
        self._twice_damping *= natural_rad_s / self._natural
        self._natural = natural_rad_s
        self._kp, self._kd, self._kc = law.position, law.rate, law.current
        self._shaping = law.shaping
        # The observer's momentum represents its known disturbance, which stays.
        known = self._disturbance
        self._momentum += known / self._integral_rad_s - known / law.disturbance_rad_s
        self._integral_rad_s = law.disturbance_rad_s

    def reset(self, torque_N_m: float = 0.0) -> None:
        """Forget the past; ``torque_N_m`` is what the motor carries at this moment."""
        force = torque_N_m / self._gear
        for j in range(len(self._sent)):
            self._sent[j] = force
        self._current = self._mean = force
        self._momentum = self._disturbance = 0.0
        self._last_force = self._shaped = 0.0
        self._reference_m = self._reference_m_s = 0.0
        self._rested = False
        self._waited_s, self._before = 0.0, force
        self._fresh = True
        self.saturated = False

    def torque(
        self,
        desired_force_N: float,
        estimator: Estimator,
        torque_limit_N_m: float,
        torque_low_N_m: float = -math.inf,
        torque_high_N_m: float = math.inf,
        late_s: float = 0.0,
    ) -> float:
        """Return the motor torque in N·m, profile sign, within ±``torque_limit_N_m``; never NaN.

        It is also within ``torque_low_N_m`` and ``torque_high_N_m``, such as what the supply can
        drive at this speed: unavailable torque is not treated as friction (anti-windup).
        ``late_s``: age of the sample beyond the usual; the state is predicted for that as well.
        """
        law = self._calibration
        deflection = estimator.deflection_m
        output_velocity = estimator.output_velocity_m_s
        force = law.force(deflection)
        step = estimator.step_s
        if self._fresh:
            self._fresh = False
            self._momentum = self._mass * estimator.nut_velocity_m_s
            self._last_force = force
            self._shaped = desired_force_N
            self._reference_m = law.deflection_for(desired_force_N)
        elif step > 0.0 and (self._waited_s > 0.0 or step > self._long):
            self._catch_up(step)

        self._shaped += self._shaping * (desired_force_N - self._shaped)
        target = law.deflection_for(self._shaped)
        momentum = self._mass * estimator.nut_velocity_m_s
        disturbance = self._observe(estimator, momentum, force)
        then, then_rate, then_current = self._predict(estimator, force, disturbance, late_s)
        error = self._beyond_dead_zone(target - then, estimator.nut_velocity_m_s)
        if error == 0.0 and self._rested:
            # The effect of the last command itself still shows in this estimate.
            disturbance = self._disturbance
        self._rested = error == 0.0
        most = self._most
        disturbance = disturbance if disturbance < most else most
        disturbance = disturbance if disturbance > -most else -most
        self._disturbance = disturbance
        self._momentum = momentum - disturbance / self._integral_rad_s
        self._waited_s = late_s

        spring = force + law.stiffness(deflection) * (then - deflection)
        net = (
            spring
            + self._kp * error
            - self._kd * then_rate
            - self._kc * (then_current - spring)
            - disturbance
            + self._viscous * output_velocity
        )
        friction = self._friction(target, force, output_velocity, step)
        torque = (net + friction) * self._gear
        high = torque_high_N_m if torque_high_N_m < torque_limit_N_m else torque_limit_N_m
        low = torque_low_N_m if torque_low_N_m > -torque_limit_N_m else -torque_limit_N_m
        if low <= torque <= high:
            self.saturated = False
            self._advance(net)
            return torque
        self.saturated = True
        if torque > high:
            torque = high if high > -torque_limit_N_m else -torque_limit_N_m
        elif torque < low:
            torque = low if low < torque_limit_N_m else torque_limit_N_m
        else:
            self.reset()
            return 0.0
        self._advance(torque / self._gear - friction)
        return torque

    def _observe(self, estimator: Estimator, momentum: float, force: float) -> float:
        """Return the disturbance in N: momentum beyond what commands and spring explain.

        Over the time between samples; without a new one the known value stays.
        """
        step = estimator.step_s
        if not step > 0.0:
            return self._disturbance
        gain = self._integral_rad_s * step
        expected = (
            self._mean
            - 0.5 * (force + self._last_force)
            - self._viscous * estimator.nut_velocity_m_s
        )
        explained = (self._momentum + step * expected + gain * momentum) / (1.0 + gain)
        self._last_force = force
        return self._integral_rad_s * (momentum - explained)

    def _predict(
        self, estimator: Estimator, force: float, disturbance: float, late_s: float
    ) -> tuple[float, float, float]:
        """Return deflection in m, its rate in m/s and motor force in N when the command will act."""
        deflection = estimator.deflection_m
        rate = estimator.deflection_rate_m_s
        current = self._current
        if not self._ahead > 0.0:
            return deflection, rate, current
        mass = self._mass
        sent = self._sent
        then = deflection
        acting = force
        if late_s > 0.0:
            # While the sample waited, the drive continued with the last command.
            held = late_s if late_s < MOST_LATE_S else MOST_LATE_S
            current = sent[0]
            for j in range(1, len(sent)):
                sent[j] = current
            stiffness = self._calibration.stiffness(deflection)
            middle = force + 0.5 * held * stiffness * rate
            push = current + disturbance - middle - self._viscous * estimator.nut_velocity_m_s
            then += held * (rate + 0.5 * held * push / mass)
            rate += held * push / mass
            acting = force + stiffness * (then - deflection)
        steady = (disturbance - acting - self._viscous * estimator.output_velocity_m_s) / mass
        then += self._x_v * rate + self._x_i * current + self._half_square * steady
        then_rate = self._v_v * rate + self._v_i * current + self._ahead * steady
        then_current = self._i_i * current
        for j, (x, v, i) in enumerate(self._in_flight):
            then += x * sent[j]
            then_rate += v * sent[j]
            then_current += i * sent[j]
        return then, then_rate, then_current

    def _beyond_dead_zone(self, error: float, nut_velocity: float) -> float:
        """Return the deflection error in m to act on: near rest, small ones are ignored."""
        speed = nut_velocity if nut_velocity >= 0.0 else -nut_velocity
        if speed < RESTING_M_S:
            dead = self._dead * (1.0 - speed / RESTING_M_S)
            if error > dead:
                return error - dead
            if error < -dead:
                return error + dead
            return 0.0
        return error

    def _catch_up(self, step: float) -> None:
        """Follow the motor force over a gap in the samples."""
        sent = self._sent
        # The drive continued with the last command that reached it: the one before, if the last
        # answered a reused sample.
        old = self._before if self._waited_s > 0.0 else sent[0]
        share = (self._waited_s + self._delay) / step
        self._mean = self._current = old
        if share < MOST_SHARE:
            self._mean = share * old + (1.0 - share) * sent[0]
            self._current = sent[0]
        for j in range(1, len(sent)):
            sent[j] = old

    def _friction(self, target: float, force: float, output_velocity: float, step: float) -> float:
        """Return the share of the dry friction that the desired motion of the nut will meet, in N.

        From the desired motion, not the measured: a feed-forward cannot make the loop unstable.
        The desired motion advances by ``step``, the time from sample to sample, as the rig does.
        """
        natural = self._natural
        gap = target - self._reference_m
        square, drag = natural * natural, self._twice_damping
        if step > self._long:
            # Across a gap the explicit step would diverge: the implicit one is stable.
            shrink = 1.0 + step * (drag + step * square)
            self._reference_m_s = (self._reference_m_s + step * square * gap) / shrink
        else:
            self._reference_m_s += step * (square * gap - drag * self._reference_m_s)
        self._reference_m += step * self._reference_m_s
        velocity = self._reference_m_s + output_velocity
        if -SLIP_FROM_M_S <= velocity <= SLIP_FROM_M_S:
            return 0.0
        slip = (velocity - math.copysign(SLIP_FROM_M_S, velocity)) / SLIP_SPEED_M_S
        slip = slip if -1.0 < slip < 1.0 else math.copysign(1.0, slip)
        driving = (force > 0.0) == (slip > 0.0)
        loss = self._loss_forward if driving else self._loss_backward
        return slip * (self._coulomb + loss * (force if force > 0.0 else -force))

    def _advance(self, net: float) -> None:
        """Record what was sent, and its effect on the motor force over the coming period."""
        sent = self._sent
        self._before = sent[0]
        for j in range(len(sent) - 1, 0, -1):
            sent[j] = sent[j - 1]
        sent[0] = net
        current = self._current
        part = self._part
        mean = 0.0
        if part > 0.0:
            old = sent[self._whole + 1]
            mean = part * (old + (current - old) * self._mean_1)
            current = old + (current - old) * self._decay_1
        new = sent[self._whole]
        self._mean = mean + (1.0 - part) * (new + (current - new) * self._mean_2)
        self._current = new + (current - new) * self._decay_2


def _lag(lag_s: float, seconds: float) -> tuple[float, float]:
    """Return (decay at the end, mean) of a first-order lag's error over ``seconds``."""
    if seconds <= 0.0:
        return 1.0, 1.0
    decay = math.exp(-seconds / lag_s)
    return decay, lag_s / seconds * (1.0 - decay)
