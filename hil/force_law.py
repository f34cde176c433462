"""The force law: motor torque that makes the spring force follow a desired force.

F_m = F(δ) + m·ω²·(δ_d − δ) − (2ζωm − b)·δ' + integral + friction feed-forward, with δ_d the
deflection that the calibration gives for the desired force. Torque is F_m·lead/(2π·η), with
the screw's efficiency of the direction in which power flows.
"""

from __future__ import annotations

import math

from hil.calibration import ForceCalibration
from hil.estimation import Estimator
from hil.force_design import CURRENT_LAG_S, ForceGains
from hil.profile.schema import Profile

SLIP_SPEED_M_S = 0.005
INTEGRAL_SHARE = 0.25  # of the force limit: friction and efficiency, nothing larger
DEAD_COUNTS = 2.0  # error at the sensor's noise is not integrated: no hunting in stiction


class ForceLaw:
    """Holds the integrator and the command in flight; everything else is passed in."""

    def __init__(self, profile: Profile, gains: ForceGains, period_s: float) -> None:
        actuator = profile.actuator
        screw = actuator.screw
        self._calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
        self._mass = gains.mass
        self._kx = gains.mass * gains.natural_rad_s**2
        self._kd = 2 * gains.damping_ratio * gains.natural_rad_s * gains.mass - gains.viscous
        self._ki = self._kx * gains.integral_rad_s
        self._ahead = gains.delay_s + CURRENT_LAG_S if gains.predictor else 0.0
        per_force = screw.lead / (2 * math.pi)
        drive, driven = 1 / screw.efficiency_forward, screw.efficiency_backward
        self._gear_mean = per_force * (drive + driven) / 2
        self._gear_half = per_force * (drive - driven) / 2
        self._observer_gear = per_force / ((1 / drive + 1 / driven) / 2)
        self._coulomb = (
            profile.control.friction_compensation
            * actuator.friction.coulomb
            * actuator.radians_per_metre
        )
        self._viscous = gains.viscous
        self._most_integral = INTEGRAL_SHARE * profile.limits.force.bounded
        self._dead = DEAD_COUNTS * abs(profile.calibration.deflection_per_count)
        self.saturated = False
        self.reset()

    def reset(self, torque_N_m: float = 0.0) -> None:
        """Forget the past; ``torque_N_m`` is what the motor carries at this moment."""
        self._integral = 0.0
        self._last_force = torque_N_m / self._observer_gear
        self.saturated = False

    def torque(
        self, desired_force_N: float, estimator: Estimator, dt: float, torque_limit_N_m: float
    ) -> float:
        """Motor torque in N·m, profile sign, within ±``torque_limit_N_m``."""
        law = self._calibration
        deflection = estimator.deflection_m
        rate = estimator.deflection_rate_m_s
        nut_velocity = estimator.nut_velocity_m_s
        force = law.force(deflection)
        error = law.deflection_for(desired_force_N) - deflection

        ahead = self._ahead
        if ahead > 0.0:
            # The command in flight acts before this one does: judge by where it leads.
            acceleration = (
                self._last_force - force + estimator.disturbance_N
            ) / self._mass
            error -= rate * ahead + 0.5 * acceleration * ahead * ahead
            force += law.stiffness(deflection) * rate * ahead
            rate += acceleration * ahead

        slip = nut_velocity / SLIP_SPEED_M_S
        slip = slip if -1.0 < slip < 1.0 else math.copysign(1.0, slip)
        motor = (
            force
            + self._kx * error
            - self._kd * rate
            + self._integral
            + self._coulomb * slip
            + self._viscous * nut_velocity
        )
        along = slip if motor > 0 else -slip
        gear = self._gear_mean + self._gear_half * along
        torque = motor * gear
        limited = max(-torque_limit_N_m, min(torque_limit_N_m, torque))
        self.saturated = limited != torque
        if not self.saturated:
            excess = error - self._dead if error > self._dead else error + self._dead
            if abs(error) > self._dead:
                integral = self._integral + self._ki * excess * dt
                most = self._most_integral
                self._integral = max(-most, min(most, integral))
        self._last_force = limited / self._observer_gear
        return limited
