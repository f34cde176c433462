"""Caps on the motor torque: each gives an interval in N·m, and the limit that it comes from.

The current limit; the torque that the supply can still drive through the winding against the back-EMF,
kt·(±V − kt·ω)/R, so that the force controller knows in advance what it will not get (below that
the drive's own current loop compensates for the back-EMF: it is commanded in torque); and a speed
control of the nut, which acts within a cycle when a load comes off suddenly and the springs throw
output and nut apart. If cycles come late, a torque may be held so long that the nut strains the
springs beyond their force limit: then the room left to that limits it as well.
"""

from __future__ import annotations

import math
from typing import Final

from hil.control import MODULATION, Estimator, ForceCalibration
from hil.core import Limit
from hil.profile import Profile

HEAT_EASE: Final = 0.15  # below the limit, over which current is reduced
NUT_BRAKING_S: Final = 0.008  # in which the nut is brought back to its speed limit
# A torque is held until the next cycle, which may come this many times as late as one did within that time,
# but no later than the profile tolerates. Assumptions.
LATE_TIMES: Final = 2.0
LATE_AGAIN_S: Final = 0.5
LATE_PERIODS: Final = 1.5  # a step beyond this is a late cycle
ACTING: Final = 0.97  # of a limited current: from here the limit counts as acting


class CurrentCap:
    """Current limit, reduced by motor heat and by the drive's temperature.

    Attributes:
        torque_N_m: largest motor torque, in either direction (``Limit.CURRENT``).
        limited: bit of the limit that reduces the current, while the current is at it.
    """

    def __init__(self, profile: Profile) -> None:
        limits = profile.limits
        motor = profile.actuator.motor
        self._kt = motor.torque_constant
        self._most_current = min(limits.current.limited, motor.peak_current)
        heat = limits.motor_heat
        self._heat_bound = heat.limited
        # Current at which heat settles at its limit: just below continuous, never at a trip.
        self._settled_square = heat.limited * motor.continuous_current**2
        self._warm_current = min(motor.continuous_current, self._most_current)
        self._cool = limits.drive_temperature.limited
        self._hot = limits.drive_temperature.tripped
        self.reset()

    def reset(self) -> None:
        """Return to the current limit itself."""
        self.torque_N_m = self._most_current * self._kt
        self.limited = 0

    def renew(self, heat: float, temperature: float, current: float, loss_factor: float) -> None:
        """Update the cap.

        Args:
            heat: share of the motor's thermal capacity used.
            temperature: temperature of the drive, °C; NaN if it reports none.
            current: current of the motor, A, without sign.
            loss_factor: loss of the hottest phase over the mean loss, as of :class:`MotorHeat`.
        """
        most = limit = self._most_current
        mask = 0
        left = (self._heat_bound - heat) / HEAT_EASE
        if left < 1.0:
            settled = self._settled_square / loss_factor
            square = settled + max(left, 0.0) * max(most * most - settled, 0.0)
            led_back = math.sqrt(square)
            if led_back < limit:
                limit = led_back
                mask = 1 << Limit.MOTOR_HEAT
        if temperature > self._cool:
            share = (temperature - self._cool) / (self._hot - self._cool)
            led_back = most - min(share, 1.0) * (most - self._warm_current)
            if led_back < limit:
                limit = led_back
                mask = 1 << Limit.DRIVE_TEMPERATURE
        self.torque_N_m = limit * self._kt
        self.limited = mask if current >= ACTING * limit else 0


class SupplyCap:
    """Torque that the supply can drive at a speed (``Limit.SUPPLY_LOW``).

    Attributes:
        low_N_m, high_N_m: interval; NaN while the supply is unknown: it limits nothing.
    """

    def __init__(self, profile: Profile) -> None:
        motor = profile.actuator.motor
        self._per_volt = motor.torque_constant / motor.winding_resistance
        self._emf_per_m_s = motor.torque_constant * profile.actuator.radians_per_metre
        self.low_N_m = self.high_N_m = math.nan

    def renew(self, nut_velocity: float, supply: float) -> None:
        """Update the interval; ``supply`` in V is measured by the drive, under load."""
        emf = self._emf_per_m_s * nut_velocity
        self.high_N_m = self._per_volt * (MODULATION * supply - emf)
        self.low_N_m = self._per_volt * (-MODULATION * supply - emf)


class NutSpeedCap:
    """Torque that balances springs and drag and ends at the nut's speed limit (``Limit.SPEED``).

    Attributes:
        low_N_m, high_N_m: interval.
        stands_s: time for which a torque may be held if cycles came late; 0 if they did not.
    """

    def __init__(self, profile: Profile) -> None:
        self._late_from_s = LATE_PERIODS / profile.control.rate
        self.stands_s = 0.0
        self._per_metre = profile.actuator.radians_per_metre
        self._viscous = profile.actuator.friction.viscous * self._per_metre**2
        self._mass = profile.actuator.reflected_mass
        self._speed = profile.limits.speed.limited
        self._most_late_s = profile.limits.most_cycle_late
        self._longest_s = 0.0
        self.low_N_m, self.high_N_m = -math.inf, math.inf

    def narrow(self, speed: float) -> None:
        """Limit the nut to this speed in m/s from now on."""
        self._speed = speed

    def renew(self, nut_velocity: float, spring_force: float, step_s: float) -> None:
        """Update the interval from velocity in m/s, force in N, and the time since the last sample in s."""
        longest = self._longest_s * LATE_AGAIN_S / (LATE_AGAIN_S + step_s)
        self._longest_s = longest = step_s if step_s > longest else longest
        stands_s = min(LATE_TIMES * longest, self._most_late_s)
        self.stands_s = stands_s if longest > self._late_from_s else 0.0
        gain = self._mass / (stands_s if stands_s > NUT_BRAKING_S else NUT_BRAKING_S)
        balanced = spring_force + self._viscous * nut_velocity
        self.high_N_m = (balanced + gain * (self._speed - nut_velocity)) / self._per_metre
        self.low_N_m = (balanced - gain * (self._speed + nut_velocity)) / self._per_metre


class SpringRoomCap:
    """Torque after which the nut can still be stopped within the force that trips (``Limit.FORCE``).

    Only if cycles come late. With the room r to that force, the speed v at which the nut strains the
    springs and the time T for which a torque may be held, the speed u reached then needs u²/2b to brake:
    T·(v + u)/2 + u²/2b = r. The output is assumed to move on as now, the springs to push back as now.

    Attributes:
        low_N_m, high_N_m: interval.
    """

    def __init__(self, profile: Profile) -> None:
        actuator, limits = profile.actuator, profile.limits
        self._per_metre = actuator.radians_per_metre
        self._viscous = actuator.friction.viscous * self._per_metre**2
        self._mass = actuator.reflected_mass
        motor = actuator.motor
        most_N_m = min(limits.current.limited, motor.peak_current) * motor.torque_constant
        self._braking = most_N_m * self._per_metre / self._mass
        self._tripped_share = limits.force.tripped / limits.force.limited
        self._force = limits.force.limited
        self.low_N_m, self.high_N_m = -math.inf, math.inf
        self.use_calibration(profile)

    def use_calibration(self, profile: Profile) -> None:
        """Update the room: the spring law has changed."""
        self._law = ForceCalibration(profile.calibration, profile.sensors.deflection)
        self.narrow(self._force)

    def narrow(self, force: float) -> None:
        """Scale the tripped force with this force limit in N from now on."""
        self._force = force
        most = self._tripped_share * force
        self._high_m, self._low_m = self._law.deflection_for(most), self._law.deflection_for(-most)

    def renew(self, estimator: Estimator, spring_force: float, stands_s: float) -> None:
        """Update the interval; ``stands_s`` as in :class:`NutSpeedCap`, 0 for no cap."""
        if not stands_s > 0.0:
            self.low_N_m, self.high_N_m = -math.inf, math.inf
            return
        rate, deflection = estimator.deflection_rate_m_s, estimator.deflection_m
        balanced = spring_force + self._viscous * estimator.nut_velocity_m_s
        up = self._reached(self._high_m - deflection, rate, stands_s) - rate
        down = self._reached(deflection - self._low_m, -rate, stands_s) + rate
        self.high_N_m = (balanced + self._mass * up / stands_s) / self._per_metre
        self.low_N_m = (balanced - self._mass * down / stands_s) / self._per_metre

    def _reached(self, room: float, rate: float, stands_s: float) -> float:
        """Return the largest speed in m/s at the end, straining the springs; negative if none is left."""
        left = room - 0.5 * stands_s * rate
        if not left > 0.0:
            return 2.0 * left / stands_s
        half = 0.5 * stands_s
        return self._braking * (math.sqrt(half * half + 2.0 * left / self._braking) - half)
