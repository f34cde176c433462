"""The law of the actuator as one object: what the bench does in a cycle, without bench and drive.

It is built from the bench's own parts and calls them in the bench's order, so that there is one
definition: ``hil.handover.c_source`` and ``hil.handover.python_source`` write its code from the
very source that the bench runs. Whatever is called from ``step``, ``begin`` and ``rest`` must
stay in the small part of Python that those two read: numbers, no texts, no containers that grow.

The rest stays on the bench: the watches over sensors, spring law, telemetry, supply and drive;
behaviours, tare, power.
"""

from __future__ import annotations

from typing import cast

from hil.control import (
    Estimator,
    ForceCalibration,
    ForceController,
    Gains,
    LiveCalibration,
    Shaper,
    VelocityController,
    VelocityGains,
)
from hil.core import Limit
from hil.profile import Profile
from hil.supervision import Supervisor

NAN = float("nan")
FROM_REST, FROM_FORCE = 1, 2  # ``begin``: the force loop was open; another setpoint comes


class TorqueEffort:
    """Answer of the force loop to a drive that takes torque: motor torque in N·m."""

    def __init__(self, controller: ForceController) -> None:
        self.controller = controller

    def answer(
        self,
        shaped_N: float,
        estimator: Estimator,
        supervisor: Supervisor,
        limit_N_m: float,
        motor_torque_N_m: float,
        stiffness_N_m: float,
        late_s: float,
    ) -> float:
        """Return the torque."""
        torque = self.controller.torque(
            shaped_N,
            estimator,
            limit_N_m,
            supervisor.bounds.torque_low_N_m,
            supervisor.bounds.torque_high_N_m,
            late_s,
        )
        if self.controller.saturated:
            supervisor.bounds.note_torque(torque)
        return torque


class VelocityEffort:
    """Answer of the force loop to a drive that takes velocity or position: nut velocity in m/s."""

    def __init__(self, controller: VelocityController) -> None:
        self.controller = controller

    def answer(
        self,
        shaped_N: float,
        estimator: Estimator,
        supervisor: Supervisor,
        limit_N_m: float,
        motor_torque_N_m: float,
        stiffness_N_m: float,
        late_s: float,
    ) -> float:
        """Return the velocity."""
        velocity = self.controller.velocity(
            shaped_N,
            estimator,
            stiffness_N_m if stiffness_N_m > 0.0 else 0.0,
            limit_N_m,
            motor_torque_N_m,
        )
        supervisor.following.force.drag_N_s_m = self.controller.drag_N_s_m
        if self.controller.at_torque:
            supervisor.bounds.limited |= 1 << Limit.CURRENT
        return velocity


class Law:
    """One cycle of calibration, estimation, heat, limits, shaping and force control.

    Forces are those of the springs on the output, without tare; positions count from the lower
    mechanical end; signs are the profile's.

    Attributes:
        deflection_m, spring_force_N, force_u95_N: values of the latest sample.
        shaped_force_N, torque_N_m: output of the latest cycle; NaN and 0 while the loop is open.
        velocity_m_s: likewise, of the nut, for a drive that takes velocity or position; else 0.
        limited: bit mask of the limits that act, as in ``hil.core.limits``.
        tripped: code of the tripped limit, 0 for none: remove power.
    """

    def __init__(
        self, profile: Profile, gains: Gains, period_s: float, peak_torque_N_m: float
    ) -> None:
        calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
        self.calibration = calibration
        self.estimator = Estimator(profile, period_s)
        self.supervisor = Supervisor(profile, period_s)
        self.shaper = Shaper(profile)
        self.force_controller: ForceController | VelocityController
        self.effort: TorqueEffort | VelocityEffort
        # They use only what both kinds of calibration have.
        live = cast(LiveCalibration, calibration)
        if isinstance(gains, VelocityGains):
            self.force_controller = VelocityController(profile, gains, live)
            self.effort = VelocityEffort(self.force_controller)
        else:
            self.force_controller = ForceController(profile, gains, period_s, live)
            self.effort = TorqueEffort(self.force_controller)
        self.by_velocity = 1 if isinstance(gains, VelocityGains) else 0
        self.gains = gains
        self.torque_constant_N_m_A = profile.actuator.motor.torque_constant
        self.most_damping_N_s_m = profile.limits.damping
        self.peak_torque_N_m = peak_torque_N_m
        self.deflection_m = self.spring_force_N = self.force_u95_N = 0.0
        self.shaped_force_N = NAN
        self.motor_torque_N_m = 0.0
        self.torque_N_m = self.velocity_m_s = 0.0
        self.limited = 0
        self.tripped = 0

    def reference(self, nut_position_m: float, deflection_counts: float) -> None:
        """Begin at rest at a nut position in m and a reading of the deflection sensor."""
        self.estimator.reset(nut_position_m, self.calibration.deflection(deflection_counts))

    def begin(self, way: int) -> None:
        """Close the force loop (``FROM_REST``) or change to another setpoint (``FROM_FORCE``)."""
        if way == FROM_REST:
            self.force_controller.reset(0.0)
            self.shaper.start(self.spring_force_N)
        else:
            self.shaper.start(self.shaped_force_N)
        self.supervisor.following.change()

    def sense(
        self,
        nut_position_m: float,
        deflection_counts: float,
        motor_torque_N_m: float,
        sample_dt_s: float,
        sample_error_s: float,
        skew_s: float,
        supply_V: float,
        powered: int,
        dt_s: float,
    ) -> None:
        """Take the measurements.

        Args:
            nut_position_m: nut position from the motor sensor. deflection_counts: raw reading.
            motor_torque_N_m: measured by the drive.
            sample_dt_s: since the last sample was taken; 0 if no new one arrived.
            sample_error_s: uncertainty of that. skew_s: deflection older by this.
            supply_V: NaN if the drive reports none. powered: 1 while the power stage is on.
            dt_s: time step of this cycle.
        """
        supervisor, estimator = self.supervisor, self.estimator
        deflection = self.calibration.deflection(deflection_counts)
        force = self.calibration.force(deflection)
        self.deflection_m = deflection
        self.spring_force_N = force
        self.force_u95_N = self.calibration.u95(force)
        if sample_dt_s > 0.0:
            estimator.update(
                nut_position_m,
                deflection,
                force,
                motor_torque_N_m,
                sample_dt_s,
                sample_error_s,
                skew_s,
            )
        else:
            estimator.miss()
        self.motor_torque_N_m = motor_torque_N_m
        current = abs(motor_torque_N_m / self.torque_constant_N_m_A)
        supervisor._current_A = current
        supervisor.heat.update(current, estimator.nut_position_m, dt_s)
        supervisor.supply.follow(supply_V, estimator.step_s)
        supervisor.force_rate.follow(force, estimator.step_s)
        supervisor.bounds.update(estimator, force, powered == 1)
        supervisor.travel_lines.follow(estimator.output_position_m, powered == 1)
        self.tripped = 0
        if powered == 0:
            supervisor.disagreement.rest()
            return
        self.tripped = supervisor.beyond(estimator, force, current)
        if self.tripped == 0:
            if supervisor.disagreement.look(estimator, force):
                self.tripped = Limit.DISAGREEMENT
            else:
                self.tripped = supervisor.following.cause

    def rest(self) -> None:
        """Output no torque: the force loop is open."""
        self.supervisor.following.reset()
        self.shaped_force_N = NAN
        self.torque_N_m = 0.0
        self.velocity_m_s = 0.0
        self.limited = 0
        self.estimator.command(NAN if self.by_velocity == 1 else 0.0)

    def act(
        self,
        setpoint_N: float,
        potential_N: float,
        stiffness_N_m: float,
        damping_N_s_m: float,
        drive_temperature_degC: float,
        dt_s: float,
        late_s: float,
    ) -> None:
        """Compute the torque for a setpoint, after ``sense``.

        Args:
            setpoint_N: force on the output, spring and damping of a behaviour included.
            potential_N: the same without damping and lead.
            stiffness_N_m, damping_N_s_m: virtual ones within it; NaN for no stiffness.
            drive_temperature_degC: NaN if the drive reports none.
            dt_s: time step of this cycle. late_s: time by which the sample is older than usual, or 0.
        """
        supervisor, estimator = self.supervisor, self.estimator
        force = self.spring_force_N
        supervisor._temperature_degC = drive_temperature_degC
        supervisor.renew_bounds(estimator, force)
        limit = min(supervisor.bounds.torque_limit_N_m, self.peak_torque_N_m)
        following = supervisor.following
        damped_N = setpoint_N
        if following.energy.damping_share > 0.0:
            most = self.gains.most_damping(stiffness_N_m if stiffness_N_m > 0.0 else 0.0)
            spare = min(most, self.most_damping_N_s_m) - damping_N_s_m
            spare = spare if spare > 0.0 else 0.0
            damped_N -= following.energy.damping_share * spare * estimator.output_velocity_m_s
        shaped = self.shaper.shape(
            damped_N,
            supervisor.bounds.force_low_N,
            supervisor.bounds.force_high_N,
            dt_s,
            not stiffness_N_m > 0.0,
        )
        self.shaped_force_N = shaped
        supervisor.bounds.note_shaped(shaped)
        effort = self.effort.answer(
            shaped, estimator, supervisor, limit, self.motor_torque_N_m, stiffness_N_m, late_s
        )
        following.follow(
            estimator,
            force,
            damped_N,
            potential_N,
            shaped,
            effort,
            self.force_controller.saturated,
            dt_s,
        )
        torque = effort if self.by_velocity == 0 else 0.0
        self.torque_N_m = torque
        self.velocity_m_s = effort if self.by_velocity == 1 else 0.0
        self.estimator.command(NAN if self.by_velocity == 1 else torque)
        self.limited = self.shaper.limited | supervisor.bounds.limited | following.limited
