"""Supervision: the tripped tier of every limit, and the limited tier's caps each cycle.

While energised, every limit is watched; while de-energised, only conditions that must prevent
power on: lost or faulty drive, stale or implausible sensors, supply, temperature. The bench
stops on those only once it is powering on; until then they are reported as the reason for a
refusal.
"""

from __future__ import annotations

from typing import Final

from drivers.base import PowerStage, Telemetry
from drivers.motion import FORCE, in_words
from hil.control import Estimator, Tiers
from hil.core import Cause, Limit, fix
from hil.profile import Profile
from hil.supervision import limit_sentences, telemetry_age
from hil.supervision.bounds import Bounds
from hil.supervision.followed import (
    Disagreement,
    ForceRate,
    MeanNutSpeed,
    SupplyFilter,
    TravelLines,
)
from hil.supervision.following import Following
from hil.supervision.idle_travel import IdleTravel
from hil.supervision.motor_heat import MotorHeat
from hil.supervision.motor_sensor_watch import MotorSensorWatch
from hil.supervision.outside_stroke import outside_stroke
from hil.supervision.position_following import PositionFollowing
from hil.supervision.readiness import unready, untrusted
from hil.supervision.sensor_watch import SensorWatch
from hil.supervision.spring_law_watch import SpringLawWatch

# Looked up once: by its class, a member costs several look-ups in each cycle.
_POWER_ON: Final = PowerStage.ON
_FAULT: Final = PowerStage.FAULT

NAN: Final = float("nan")
# Causes whose sentence explains why positions are invalid, if they are.
REFERENCE: Final = (Limit.SPEED, Limit.POSITION_FOLLOWING, Limit.DISAGREEMENT)


class Supervisor:
    """Watch over every limit; ``check`` once a cycle, then ``renew_bounds`` if it commands a force.

    Attributes:
        detail: a sentence with numbers for the cause that ``check`` returned last.
        heat: heat of winding and housing. It outlives stops and resets.
        motor_heat: share of the motor's thermal capacity used, the larger of the two.
        bounds: caps of this cycle; they are notified of what reached them.
        limited: bit mask of the limits that act.
        following: following errors and energy, updated in cycles with a closed force loop.
    """

    def __init__(self, profile: Profile, period_s: float) -> None:
        self._profile = profile
        limits = profile.limits
        motor = profile.actuator.motor
        self.bounds = Bounds(profile)
        self._sensors = SensorWatch(profile, period_s)
        self.following = Following(profile, self.bounds)
        self._motor_sensor = MotorSensorWatch(profile)
        self.idle = False  # power is on and no force is commanded
        self._idle_travel = IdleTravel(profile)
        self._runs_idle = False
        self.open_loop = False  # a restricted run of torque or speed, with a travel window
        # A rig whose law is still unknown, or whose limits are narrowed, has shown nothing yet.
        self.restricted = False
        self.law_is_measured = False  # by a calibration: until power off
        self._position = PositionFollowing(profile)
        self._law = SpringLawWatch(profile)
        hand = 1 if profile.actuator.transmission.hand == "right" else -1
        self._torque_sign = hand * profile.sensors.motor.sign
        self._kt = motor.torque_constant
        self._stroke = profile.actuator.stroke
        self._force_tripped = limits.force.tripped
        self._rate_tripped = limits.force_rate.tripped or float("inf")
        self._deflection_tripped = limits.deflection.tripped
        self.travel_lines = TravelLines(profile)
        self.force_rate = ForceRate()
        self.supply = SupplyFilter(profile)
        self.disagreement = Disagreement(profile)
        self._nut_speed = MeanNutSpeed()
        self._speed_tripped = limits.speed.tripped
        self._current_tripped = limits.current.tripped or float("inf")
        self._heat_tripped = limits.motor_heat.tripped
        self._temperature_tripped = limits.drive_temperature.tripped
        self._supply_low_V = limits.supply.low
        self._supply_high_V = limits.supply.high
        self._most_age = limits.telemetry_age
        self.detail = ""
        self.heat = MotorHeat(profile)
        self._known_fault = 0
        self._current_A = 0.0
        self._temperature_degC = float("nan")
        self._has_velocity = False
        self._cause = 0

    @property
    def motor_heat(self) -> float:
        return self.heat.heat

    @property
    def balance_N(self) -> float:
        """Force on the rod that balances the present load, in N."""
        return self.bounds.load.balance_N

    @property
    def position_following_m(self) -> float:
        """Nut travel in m against the drive's own velocity; NaN if it reports none."""
        return self._position.error_m if self._has_velocity else NAN

    @property
    def reference_lost(self) -> str:
        """Reason why positions are invalid; '' while they are valid."""
        return self._sensors.reference_lost

    @property
    def limited(self) -> int:
        return self.bounds.limited | self.following.limited | self._position.limited

    def reset(self) -> None:
        """Forget timers and the last cause; heat, supply and a lost reference stay."""
        self._sensors.reset()
        self.following.reset()
        self._motor_sensor.reset()
        self._position.reset()
        self._law.reset()
        self.force_rate.reset()
        self.disagreement.rest()
        self.detail = ""
        self._cause = 0

    def take_over(self, before: Supervisor) -> None:
        """Continue where another supervisor of the same rig left off: heat, supply, sensors."""
        self.heat.take_over(before.heat)
        self.supply.volts = before.supply.volts
        self._sensors = before._sensors
        self._law.take_over(before._law)
        self._nut_speed = before._nut_speed
        self._known_fault = before._known_fault

    def find_reference(self) -> None:
        """Treat positions as known again."""
        self._sensors.reference_lost = ""

    def shift_positions(self, shift_m: float) -> None:
        """Follow a shift of zero, so that it does not read as motion."""
        self._sensors.shift_positions(shift_m)
        self._nut_speed.shift(shift_m)

    def use_calibration(self, profile: Profile) -> None:
        """Update what depends on the profile's calibration."""
        self.bounds.use_calibration(profile)
        self._law.use_calibration(profile)

    def use_loop(self, profile: Profile) -> None:
        """Use the bandwidth of the force loop that acts from now on."""
        self.bounds.use_loop(profile)
        self.following.force.use(profile)

    def narrow(self, profile: Profile, tiers: Tiers) -> None:
        """Limit force and speed to these tiers from now on; power on is checked against ``profile``."""
        self._profile = profile
        self._force_tripped, self._speed_tripped = tiers.force_tripped_N, tiers.speed_tripped_m_s
        self.bounds.narrow(tiers.force_N, tiers.speed_m_s)

    def check(
        self,
        telemetry: Telemetry,
        estimator: Estimator,
        spring_force_N: float,
        energised: bool,
        dt: float,
    ) -> int:
        """Return 0, or the ``Limit`` or ``Cause`` found; its sentence is in ``detail``.

        Args:
            energised: the bench relies on the power stage being on.
            spring_force_N: true force, without tare.
            dt: time step of the cycle, s, by which the motor cools.
        """
        cause = self._look(telemetry, estimator, spring_force_N, energised, dt)
        if cause != self._cause:
            self._cause = cause
            self.detail = self._sentence(cause, telemetry, estimator, spring_force_N)
        return cause

    def _look(
        self, telemetry: Telemetry, estimator: Estimator, force: float, energised: bool, dt: float
    ) -> int:
        """Return the first cause found, in the order of what each may explain."""
        current = telemetry.torque_N_m / self._kt
        self._current_A = current = current if current >= 0.0 else -current
        sensor = self._go_on(telemetry, estimator, force, energised, dt)
        if cause := self._drive(telemetry, energised):
            return cause
        if sensor:
            return sensor
        if cause := self._surroundings():
            return cause
        if not energised:
            self._rest()
            return 0
        if cause := self._motor_side(telemetry, estimator, force):
            return cause
        return self._energised(estimator, force, current)

    def _go_on(
        self, telemetry: Telemetry, estimator: Estimator, force: float, energised: bool, dt: float
    ) -> int:
        """Update what must be updated whatever is found; return what the sensors show.

        Heat changes with or without samples; all else uses the times at which they were taken.
        """
        step = estimator.step_s
        self._temperature_degC = telemetry.temperature_degC
        self._has_velocity = telemetry.velocity_rad_s == telemetry.velocity_rad_s
        self.heat.update(self._current_A, estimator.nut_position_m, dt)
        sensor = 0
        if telemetry.age_s <= self._most_age:
            self.supply.follow(telemetry.supply_V, step)
            sensor = self._sensors.look(telemetry, estimator)
        self.force_rate.follow(force, step)
        self.bounds.update(estimator, force, energised)
        self.travel_lines.follow(estimator.output_position_m, energised)
        self._nut_speed.follow(estimator.nut_position_m, step)
        return sensor

    def _drive(self, telemetry: Telemetry, energised: bool) -> int:
        """Check the drive: present, without fault, not silent, powered where power is relied on."""
        if telemetry.lost:
            return Cause.DRIVE_LOST
        power = telemetry.power
        if power is _FAULT:
            return Limit.DRIVE_FAULT
        if energised:
            if telemetry.fault_code and telemetry.fault_code != self._known_fault:
                return Limit.DRIVE_FAULT
        else:
            self._known_fault = telemetry.fault_code
        if telemetry_age.stale(telemetry, self._most_age):
            return Limit.TELEMETRY_AGE
        if energised and power is not _POWER_ON:
            return Cause.DRIVE_DISABLED
        return 0

    def _surroundings(self) -> int:
        """Check supply and drive temperature."""
        volts = self.supply.volts
        if volts < self._supply_low_V:
            return Limit.SUPPLY_LOW
        if volts > self._supply_high_V:
            return Limit.SUPPLY_HIGH
        if self._temperature_degC > self._temperature_tripped:
            return Limit.DRIVE_TEMPERATURE
        return 0

    def _rest(self) -> None:
        """Reset what needs power."""
        self.disagreement.rest()
        self._motor_sensor.reset()
        self._position.reset()
        self._law.reset()

    def _motor_side(self, telemetry: Telemetry, estimator: Estimator, force: float) -> int:
        """Check the motor's position; uncounted motion ends the reference."""
        if self.open_loop:
            # A wrong field may hold the rotor; the procedure that requested the run judges it.
            self._motor_sensor.reset()
        torque = telemetry.torque_N_m * self._torque_sign
        law = self._law
        swing = self.bounds.swing_m_s2(estimator, force)
        if frozen := self._motor_sensor.look(
            telemetry, estimator, law.expected_N(force), law.error_N(force), torque, swing
        ):
            self._sensors.reference_lost = self._motor_sensor.text()
            return frozen
        slipped = self._position.look(telemetry)
        if slipped and not self._sensors.reference_lost:
            self._sensors.reference_lost = self._position.text()
            return slipped
        return 0

    def _energised(self, estimator: Estimator, force: float, current: float) -> int:
        if self._sensors.reference_lost:
            return Limit.SPEED
        self._runs_idle = False
        if beyond := self.beyond(estimator, force, current):
            return self._outside(estimator) if beyond == Limit.TRAVEL else beyond
        idle = self.idle and not self.restricted
        if idle and self._idle_travel.look(estimator):
            self._runs_idle = True
            return Limit.TRAVEL
        if self.disagreement.look(estimator, force):
            return Limit.DISAGREEMENT
        if self.open_loop or self.restricted or self.law_is_measured:
            self._law.reset()
        elif changed := self._law.look(estimator, force):
            return self._named(changed)
        return self.following.cause

    def beyond(self, estimator: Estimator, force: float, current: float) -> int:
        """Return the limit whose tripped value is exceeded, or 0; NaN trips."""
        tripped = self._force_tripped
        if not -tripped <= force <= tripped:
            return Limit.FORCE
        tripped = self._deflection_tripped
        if not -tripped <= estimator.deflection_m <= tripped:
            return Limit.DEFLECTION
        lines = self.travel_lines
        if not lines.low_m <= estimator.output_position_m <= lines.high_m:
            return Limit.TRAVEL
        tripped = self._speed_tripped
        if not -tripped <= estimator.nut_velocity_m_s <= tripped:
            return Limit.SPEED
        tripped = self._rate_tripped
        if not -tripped <= self.force_rate.rate_N_s <= tripped:
            return Limit.FORCE_RATE
        if not current <= self._current_tripped:
            return Limit.CURRENT
        if self.heat.heat >= self._heat_tripped:
            return Limit.MOTOR_HEAT
        return 0

    def _outside(self, estimator: Estimator) -> int:
        """Return the cause of a position past a soft end; zero may be a guess while restricted."""
        if self.restricted or self.open_loop:
            return Limit.TRAVEL
        cause, why = outside_stroke(estimator, self._stroke, self._motor_sensor, self._position)
        self._sensors.reference_lost = why
        return cause

    def _named(self, cause: int) -> int:
        """Return the cause of a force difference: a sensor shown to be faulty, else ``cause``."""
        if self._motor_sensor.likely:
            self._sensors.reference_lost = self._motor_sensor.text()
            return Limit.MOTOR_SENSOR_FROZEN
        if self._position.likely:
            self._sensors.reference_lost = self._position.text()
            return Limit.POSITION_FOLLOWING
        return Limit.SENSOR_FROZEN if self._sensors.frozen_likely else cause

    def renew_bounds(self, estimator: Estimator, spring_force_N: float) -> None:
        """Update the caps; ``check`` must have run in this cycle."""
        self.bounds.compute(
            estimator,
            spring_force_N,
            self.heat.heat,
            self._temperature_degC,
            self._current_A,
            self.supply.volts,
            self.heat.loss_factor,
        )

    def refusal(
        self, telemetry: Telemetry, estimator: Estimator, spring_force_N: float
    ) -> str | None:
        """Return why power on is refused now, with the fix; None if it is not."""
        cause = self._cause
        if cause:
            reason = self._sentence(cause, telemetry, estimator, spring_force_N)
            return f"not energised: {reason}. {fix(cause)}"
        if reason := untrusted(self._sensors.reference_lost, self._sensors.displaced):
            return f"not energised: {reason}"
        reason = unready(
            self._profile, estimator, spring_force_N, self._nut_speed.speed_m_s, self.motor_heat
        )
        return f"not energised: {reason}" if reason else None

    def _sentence(
        self, cause: int, telemetry: Telemetry, estimator: Estimator, force: float
    ) -> str:
        """Return one sentence with numbers and units, for the operator."""
        if cause == 0:
            return ""
        if text := limit_sentences.of_drive(cause, telemetry, self._most_age):
            return text
        if cause in (Limit.SENSOR_RAIL, Limit.SENSOR_JUMP, Limit.SENSOR_FROZEN):
            return self._sensors.text(cause, telemetry.deflection_counts)
        if cause == Limit.MOTOR_SENSOR_FROZEN:
            return self._motor_sensor.text()
        if cause in REFERENCE and self._sensors.reference_lost:
            return self._sensors.reference_lost
        return in_words(self._measured_sentence(cause, telemetry, estimator, force))

    def _measured_sentence(
        self, cause: int, telemetry: Telemetry, estimator: Estimator, force: float
    ) -> str:
        if text := self.following.text(cause):
            return text
        if self._runs_idle:
            return self._idle_travel.text()
        if cause in limit_sentences.OF:
            measured = limit_sentences.Measured(
                force_N=force,
                force_rate_N_s=self.force_rate.rate_N_s,
                deflection_m=estimator.deflection_m,
                position_m=estimator.output_position_m,
                below=estimator.output_position_m < self.travel_lines.low_m,
                nut_velocity_m_s=estimator.nut_velocity_m_s,
                current_A=self._current_A,
                motor_heat=self.motor_heat,
                temperature_degC=telemetry.temperature_degC,
                supply_V=self.supply.volts,
            )
            return limit_sentences.sentence(cause, measured, self._profile)
        assert cause == Limit.DISAGREEMENT
        if not self.disagreement.stands:
            return self._law.text()
        return (
            f"spring force {FORCE(force):.0f}{FORCE} and motor-derived force "
            f"{FORCE(estimator.motor_force_N):.0f}{FORCE} differ by more than "
            f"{FORCE(self.disagreement.tripped_N):.0f}{FORCE} in addition to "
            f"{FORCE(estimator.motor_force_band_N):.0f}{FORCE} "
            f"of friction, for {self.disagreement.lasting_s:.2f} s"
        )
