"""Restricted operation for an unverified rig: open-loop motion inside an envelope.

Two behaviours drive the motor without the force loop, for as long as signs and scales are
unverified. Each ends by itself, and for good, at the first of several conditions, followed
by zero torque, or standstill of a drive that is commanded in velocity or position (see
``hil.control.drive_loop``). :class:`HoldToRun` is the hold-to-run control: a device that permits motion
only while it is held (hold-to-run control, IEC 60204-1).
"""

from __future__ import annotations

import math
from typing import Final

from hil.control.drive_loop import LoopTorque, SpeedByLoop, braked
from hil.control.estimation import Estimator
from hil.core import BehaviourCode, MotorSpeed, MotorTorque
from hil.profile import Profile

NAN: Final = float("nan")
HOLD_LASTS_S: Final = 0.15  # after the last sign that the control is held
SPEED_BANDWIDTH_RAD_S: Final = 2 * math.pi * 5
LOOP_SPEED_SHARE: Final = (
    0.9  # of the speed that ends a run: largest setpoint of a drive's own loop
)
BLOCKED_SHARE: Final = 0.1  # of the speed setpoint
BLOCKED_S: Final = 0.25
STARTING_S: Final = 0.4  # in which standstill does not count as blocked yet


class OpenLoop:
    """Conditions that end both open-loop behaviours.

    Attributes:
        ended: why it has ended: ``time``, ``travel``, ``speed``, ``force``, ``blocked``; empty
            while it runs.
    """

    code: BehaviourCode
    rest_m = NAN
    stiffness_N_m = NAN
    limited = 0
    asked_N_m = 0.0  # torque that a run requests of a drive's own loop
    path_m = 0.0  # integral of the velocity setpoint
    _velocity_m_s = 0.0  # latest setpoint of the drive's own loop

    def __init__(
        self, asked: MotorTorque | MotorSpeed, estimator: Estimator, profile: Profile
    ) -> None:
        self.ended = ""
        self._asked = asked
        self._time = 0.0
        self._from = estimator.nut_position_m
        self._mass_N_m = profile.actuator.reflected_mass / profile.actuator.radians_per_metre

    @property
    def finished(self) -> bool:
        return bool(self.ended)

    def torque(self, estimator: Estimator, spring_force_N: float, dt: float, most: float) -> float:
        """Return the motor torque in N·m, profile sign, within ±``most``; 0 once ``ended``."""
        if not self.ended:
            self._time += dt
            self.ended = self._end(estimator, spring_force_N)
        if self.ended:
            return 0.0
        torque = self._torque(estimator)
        return max(-most, min(most, torque))

    def velocity(
        self,
        estimator: Estimator,
        spring_force_N: float,
        dt: float,
        most_N_m: float,
        measured_N_m: float,
    ) -> float:
        """Return the nut velocity in m/s that realises the run by a drive's own loop.

        ``measured_N_m`` is the torque that the drive reports. Once ``ended`` the nut is braked to
        standstill with ``most_N_m`` at most.
        """
        self.path_m += self._velocity_m_s * dt
        if not self.ended:
            self._time += dt
            self.ended = self._end(estimator, spring_force_N)
            if not math.isfinite(measured_N_m):
                self.ended = "torque"
        if self.ended:
            self.asked_N_m = 0.0
            self._velocity_m_s = braked(self._velocity_m_s, most_N_m / self._mass_N_m, dt)
        else:
            self._velocity_m_s = self._velocity(estimator, most_N_m, measured_N_m)
        return self._velocity_m_s

    def _end(self, estimator: Estimator, force: float) -> str:
        # Each is written so that NaN ends the motion.
        asked = self._asked
        if not abs(force) <= asked.force_N:
            return "force"
        if not abs(estimator.nut_position_m - self._from) <= asked.travel_m:
            return "travel"
        if not abs(estimator.nut_velocity_m_s) <= self._most_speed():
            return "speed"
        return "time" if self._time > asked.duration_s else ""

    def _most_speed(self) -> float:
        raise NotImplementedError

    def _torque(self, estimator: Estimator) -> float:
        raise NotImplementedError

    def _velocity(self, estimator: Estimator, most_N_m: float, measured_N_m: float) -> float:
        raise NotImplementedError


class TorqueRun(OpenLoop):
    """A torque that ramps from the present one (``from_N_m``), and stays."""

    code = BehaviourCode.MOTOR_TORQUE

    def __init__(
        self, asked: MotorTorque, estimator: Estimator, profile: Profile, from_N_m: float = 0.0
    ) -> None:
        super().__init__(asked, estimator, profile)
        self._loop = LoopTorque(profile)
        self._from_N_m = from_N_m
        self._torque_N_m, self._ramp, self._speed = asked.torque_N_m, asked.ramp_s, asked.speed_m_s

    def _most_speed(self) -> float:
        return self._speed

    def _torque(self, estimator: Estimator) -> float:
        share = min(1.0, self._time / self._ramp) if self._ramp > 0.0 else 1.0
        return self._from_N_m + share * (self._torque_N_m - self._from_N_m)

    def _velocity(self, estimator: Estimator, most_N_m: float, measured_N_m: float) -> float:
        self.asked_N_m = asked = max(-most_N_m, min(most_N_m, self._torque(estimator)))
        most_m_s = LOOP_SPEED_SHARE * self._speed
        return self._loop.velocity(asked, measured_N_m, estimator, most_m_s)


class SpeedRun(OpenLoop):
    """A steady speed of the nut by proportional-integral speed control with a torque cap.

    The gain gives the rotor a bandwidth of 5 Hz; the integral carries friction and load and
    stays within the cap. Needs a motor sensor that counts in the direction of torque.
    """

    code = BehaviourCode.MOTOR_SPEED

    def __init__(self, asked: MotorSpeed, estimator: Estimator, profile: Profile) -> None:
        super().__init__(asked, estimator, profile)
        self._by_loop = SpeedByLoop(profile)
        per_metre = profile.actuator.radians_per_metre
        inertia = profile.actuator.reflected_mass / per_metre**2
        self._gain = inertia * SPEED_BANDWIDTH_RAD_S * per_metre  # N·m per m/s of the nut
        self._rate = self._gain * SPEED_BANDWIDTH_RAD_S / 4
        self._speed, self._most = asked.speed_m_s, asked.torque_N_m
        self._shake_m_s, self._shake_rad_s = asked.shake_m_s, 2 * math.pi * asked.shake_Hz
        self._integral = 0.0
        self._still = 0.0

    def _most_speed(self) -> float:
        # Twice the setpoint, and room for the noise of a slow one.
        return 2.0 * (abs(self._speed) + self._shake_m_s) + 0.005

    def _end(self, estimator: Estimator, force: float) -> str:
        return super()._end(estimator, force) or ("blocked" if self._still > BLOCKED_S else "")

    def _look_for_block(self, estimator: Estimator) -> None:
        if self._time > STARTING_S:
            moving = estimator.nut_velocity_m_s * math.copysign(1.0, self._speed)
            blocked = moving < BLOCKED_SHARE * abs(self._speed)
            self._still = self._still + estimator.step_s if blocked else 0.0

    def _velocity(self, estimator: Estimator, most_N_m: float, measured_N_m: float) -> float:
        self._look_for_block(estimator)
        most = min(most_N_m, self._most)
        velocity = self._by_loop.velocity(self._speed, most, measured_N_m, estimator)
        if self._shake_m_s and not self._by_loop.held:
            velocity += self._shake_m_s * math.sin(self._shake_rad_s * self._time)
        return velocity

    def _torque(self, estimator: Estimator) -> float:
        self._look_for_block(estimator)
        step = estimator.step_s
        error = self._speed - estimator.nut_velocity_m_s
        most = self._most
        self._integral = max(-most, min(most, self._integral + self._rate * error * step))
        return max(-most, min(most, self._gain * error + self._integral))


class HoldToRun:
    """Hold-to-run: motion is permitted for ``HOLD_LASTS_S`` after each sign of holding."""

    def __init__(self) -> None:
        self.needed = False
        self._since_s = math.inf

    @property
    def held(self) -> bool:
        return self._since_s <= HOLD_LASTS_S

    def hold(self, held: bool) -> None:
        """Take a sign that the control is held, or that it was released."""
        self._since_s = 0.0 if held else math.inf

    def wait(self, dt_s: float) -> None:
        """Advance by one cycle."""
        self._since_s += dt_s
