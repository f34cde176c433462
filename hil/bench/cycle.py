"""One control cycle, and the bench state it advances.

``Bench.advance`` is a function of (state, telemetry, dt): it does no input or output, reads
no clock and starts no thread, so the same code runs paced against hardware and unpaced
against the simulated rig. Order of one cycle, one direction, no step calls back:

telemetry → calibration → estimation → supervision → behaviour → shaping → force law →
command → sample.
"""

from __future__ import annotations

from typing import NamedTuple

from drivers.base import Mode, PowerRequest, Telemetry
from hil.bench.capping import CappedBench
from hil.bench.referencing import LOST
from hil.control import (
    LONGEST_S,
    MOST_LATE_S,
    ActiveBehaviour,
    OpenLoop,
    Progress,
    ReferenceSeek,
    Removal,
    VelocityController,
)
from hil.core import Cause, Sample, State

NAN = float("nan")
AGE_CREEP = 1e-4  # a cycle, towards larger ages: seconds until a slower way is the usual one
MOST_SKEW_PERIODS = 0.5  # less between deflection and motor is the way of two messages


class CycleTiming(NamedTuple):
    """Times of a cycle, which its sample tells.

    Attributes:
        time_s: of its wake-up since the rig host started.
        wake_latency_s: how late it woke after it was due.
        work_s: of the cycle before, wake-up to end of work.
        answer_s: wake-up to the arrival of the drive's telemetry.
    """

    time_s: float
    wake_latency_s: float = 0.0
    work_s: float = 0.0
    answer_s: float = 0.0


class Bench(CappedBench):
    """The bench, and one cycle of it; see :class:`~hil.bench.bench_state.BenchState`.

    Attributes:
        late_s: by which a sample that is used again is older than usual.
    """

    late_s = 0.0
    _usual_age_s = float("inf")

    def advance(self, telemetry: Telemetry, dt_s: float, timing: CycleTiming) -> Sample:
        """Run one cycle; returns the sample row and leaves the command in ``command``.

        ``dt_s`` counts from wake-up to wake-up: rates of what is asked for, and timers, go by
        it. What is measured goes by the times at which the samples were taken.
        """
        self.cycle += 1
        self.time_s = time_s = timing.time_s
        self._telemetry = telemetry
        estimator = self.estimator

        nut = telemetry.position_rad * self.nut_per_rad
        torque_measured = telemetry.torque_N_m * self.sign
        self.calibration.advance(dt_s)
        deflection = self.calibration.deflection(telemetry.deflection_counts)
        if self._nut_offset is None:
            nut_offset = self._reference(telemetry, nut, deflection)
        else:
            nut_offset = self._nut_offset
        nut += nut_offset
        true_force = self.calibration.force(deflection)
        spring_force = true_force - self.tare_N
        self._spring_force = spring_force
        self._take_sample(telemetry, nut, deflection, true_force, torque_measured)

        self._follow_cap(dt_s)
        supervisor = self.supervisor
        state = self.state
        # A controlled stop still drives the motor: what makes that wrong must cut it short.
        energised = state is State.STANDBY or state is State.RUNNING or self.controlled_stop.running
        supervisor.open_loop = isinstance(self._active, OpenLoop)
        cause = supervisor.check(telemetry, estimator, true_force, energised, dt_s)
        if supervisor.reference_lost and self.reference != LOST:
            self.state_reference(LOST, text=supervisor.reference_lost)
        if cause and (energised or self.energising or cause == Cause.DRIVE_LOST):
            self.stop(cause, supervisor.detail)
        if self.hold_to_run.needed:
            self._follow_hold_to_run(dt_s)
        self._follow_power(telemetry, dt_s)
        self._follow_removal(telemetry, dt_s)
        self._follow_program()
        state = self.state

        setpoint = rest = stiffness = NAN
        behaviour = 0
        limited = 0
        torque = limit = velocity = 0.0
        active = None
        if state is State.RUNNING and self._active is not None:
            active = self._active
            supervisor.renew_bounds(estimator, true_force)
            limit = min(supervisor.bounds.torque_limit_N_m, self.peak_torque_N_m)
        if isinstance(active, OpenLoop):
            was_over = active.finished
            torque = active.torque(estimator, true_force, dt_s, limit)
            behaviour = int(active.code)
            if active.finished and not was_over:
                self._event("run_ended", reason=active.ended)
                if isinstance(active, ReferenceSeek):
                    self._seek_ended(active)
        elif active is not None:
            # Where the output is by now, not where an old sample saw it.
            output = estimator.output_position_m + self.late_s * estimator.output_velocity_m_s
            setpoint = active.force(output, estimator.output_velocity_m_s, dt_s)
            following = supervisor.following
            asked = setpoint
            if following.energy.damping_share > 0.0:
                added = following.energy.damping_share * self._spare_damping(active)
                asked -= added * estimator.output_velocity_m_s
            shaped = self.shaper.shape(
                asked,
                supervisor.bounds.force_low_N - self.tare_N,
                supervisor.bounds.force_high_N - self.tare_N,
                dt_s,
            )
            self._shaped = shaped
            supervisor.bounds.note_shaped(shaped + self.tare_N)
            controller = self.force_controller
            if isinstance(controller, VelocityController):
                stiffness = active.stiffness_N_m
                effort = velocity = controller.velocity(
                    shaped + self.tare_N, estimator, stiffness if stiffness > 0.0 else 0.0
                )
            else:
                effort = torque = controller.torque(
                    shaped + self.tare_N,
                    estimator,
                    limit,
                    supervisor.bounds.torque_low_N_m,
                    supervisor.bounds.torque_high_N_m,
                    self.late_s,
                )
                if controller.saturated:
                    supervisor.bounds.note_torque(torque)
            following.follow(
                estimator,
                true_force,
                asked + self.tare_N,
                active.potential_force(estimator.output_position_m, estimator.output_velocity_m_s)
                + self.tare_N,
                shaped + self.tare_N,
                effort,
                controller.saturated,
                dt_s,
            )
            behaviour = int(active.code)
            rest = active.rest_m
            stiffness = active.stiffness_N_m
            limited = (
                active.limited | self._request_limits | self.shaper.limited | supervisor.limited
            )
        elif self.controlled_stop.running and self.by_velocity:
            velocity = self.controlled_stop.velocity(estimator, dt_s)
        elif self.controlled_stop.running:
            supervisor.renew_bounds(estimator, true_force)
            torque = self.controlled_stop.torque(
                estimator,
                true_force,
                dt_s,
                min(supervisor.bounds.torque_limit_N_m, self.peak_torque_N_m),
            )
        if active is None or isinstance(active, OpenLoop):
            supervisor.following.reset()
        self._command(torque, velocity)
        if self._limit_notices.new(limited, dt_s):
            self._event("limited", limits=self._limit_names(limited))

        self.row = Sample(
            time_s=time_s,
            cycle=self.cycle,
            state=int(state),
            behaviour=behaviour,
            setpoint_force_N=setpoint,
            shaped_force_N=self._shaped,
            spring_force_N=spring_force,
            force_u95_N=self.calibration.u95(true_force),
            motor_force_N=estimator.motor_force_N - self.tare_N,
            deflection_counts=telemetry.deflection_counts,
            deflection_m=deflection,
            deflection_rate_m_s=estimator.deflection_rate_m_s,
            output_position_m=estimator.output_position_m,
            output_velocity_m_s=estimator.output_velocity_m_s,
            nut_position_m=nut,
            nut_velocity_m_s=estimator.nut_velocity_m_s,
            commanded_torque_N_m=self.command.torque_N_m * self.sign,
            measured_torque_N_m=torque_measured,
            supply_V=telemetry.supply_V,
            drive_temperature_degC=telemetry.temperature_degC,
            motor_heat=supervisor.motor_heat,
            rest_position_m=rest,
            virtual_stiffness_N_m=stiffness,
            limited=limited,
            tripped=self.cause,
            power_stage=int(telemetry.power),
            fault_code=telemetry.fault_code,
            status_word=telemetry.status_word,
            telemetry_age_s=telemetry.age_s,
            wake_latency_s=timing.wake_latency_s,
            work_s=timing.work_s,
            answer_s=timing.answer_s,
            force_following_N=supervisor.following.force.error_N,
            setpoint_following_N=supervisor.following.setpoint.error_N,
            output_energy_J=supervisor.following.energy.energy_J,
            position_following_m=supervisor.position_following_m,
        )
        return self.row

    def _spare_damping(self, active: ActiveBehaviour) -> float:
        """Damping in N·s/m that may be added to a behaviour's own without shaking."""
        stiffness = active.stiffness_N_m
        most = self.gains.most_damping(stiffness if stiffness > 0.0 else 0.0)
        limit = self.profile.limits.damping
        spare = (most if most < limit else limit) - active.damping_N_s_m
        return spare if spare > 0.0 else 0.0

    def _take_sample(
        self, telemetry: Telemetry, nut: float, deflection: float, force: float, torque: float
    ) -> None:
        """Estimate from the sample if it is a new one, by the time at which it was taken.

        The same once more must not pass for a motor that stands still.
        """
        estimator = self.estimator
        taken_s = telemetry.time_s
        dt = taken_s - self._sampled_s
        self._follow_age(telemetry.age_s, dt != 0.0)
        if dt == 0.0:
            estimator.miss()
            return
        self._sampled_s = taken_s
        if not dt > 0.0:
            dt = self.period_s  # the first, or the first of a drive that begins anew
        skew = taken_s - telemetry.deflection_time_s
        if telemetry.deflection_time_s <= 0.0 or abs(skew) < MOST_SKEW_PERIODS * self.period_s:
            skew = 0.0
        estimator.update(nut, deflection, force, torque, dt, telemetry.time_error_s, skew)

    def _follow_age(self, age_s: float, new: bool) -> None:
        """Renew ``late_s``, from the sample's age and whether it is a new one.

        A sample that is used again is older than usual by what has passed since. An answer that
        was waited for is not predicted for: the next cycle is due at once and corrects its
        command. In lockstep the force then kept closer to that of punctual cycles than with it.
        """
        usual = self._usual_age_s
        late = age_s - usual
        if new:
            self.late_s = 0.0
            if age_s >= 0.0:
                # The least of late: delays only add to it.
                self._usual_age_s = usual + AGE_CREEP * late if late > 0.0 else age_s
        elif late > 0.0:
            self.late_s = late if late < MOST_LATE_S else MOST_LATE_S

    def _reference(self, telemetry: Telemetry, nut: float, deflection: float) -> float:
        """Nut offset from the first fresh sample; provisional (0) until one has come."""
        if telemetry.age_s > self.profile.limits.telemetry_age:
            return 0.0
        offset = self.first_offset(nut, deflection)
        self._nut_offset = offset
        self.estimator.reset(nut + offset, deflection)
        return offset

    def _follow_power(self, telemetry: Telemetry, dt_s: float) -> None:
        """Act on what the drive's power stage has become, if it was waited for."""
        requested = self._power.requested
        progress = self._power.follow(telemetry.power, dt_s)
        if progress is Progress.NONE:
            return
        reached = progress is Progress.REACHED
        if requested is PowerRequest.CLEAR_FAULT:
            text = (
                "the drive's fault is cleared"
                if reached
                else f"the drive keeps its fault ({telemetry.fault_text}): "
                "correct the cause, then reset again"
            )
            self._event("notice", text=text)
        elif reached:
            self._enter(State.STANDBY)
        else:
            self.stop(
                Cause.DRIVE_DISABLED,
                f"the drive did not energise within {LONGEST_S[requested]:g} s "
                f"(power stage {telemetry.power.name}): check its enable input and supply",
            )

    def _follow_removal(self, telemetry: Telemetry, dt_s: float) -> None:
        """See power go once nothing asks for it; ``command`` is still that of the last cycle."""
        removal = self.removal
        asked = self.command.power is PowerRequest.ON
        fresh = telemetry.age_s <= self.profile.limits.telemetry_age and not telemetry.lost
        news = removal.follow(asked, telemetry.power, fresh, dt_s)
        if news is Removal.NONE:
            return
        if news is Removal.STILL_ON:
            text = (
                "POWER IS STILL ON: press the emergency stop. The drive shows its power stage "
                f"{telemetry.power.name.lower().replace('_', ' ')} though no power is requested; "
                "OFF is repeated and the heartbeat withheld"
            )
            self.stop(Cause.POWER_NOT_REMOVED, text)
        elif news is Removal.SHOWN_OFF:
            text = "the drive shows now that its power is off"
        elif removal.has_watch:
            text = (
                "power is presumed off: nothing shows it, but the drive's watch over "
                "its host must have acted"
            )
        else:
            text = (
                "power is presumed off: nothing shows it, and the drive has no watch over its host"
            )
        self._event(
            "power_removal", text=text, still_on=removal.still_on, shown=not removal.presumed
        )

    def _follow_hold_to_run(self, dt_s: float) -> None:
        hold_to_run = self.hold_to_run
        hold_to_run.wait(dt_s)
        if not hold_to_run.held and (
            self.state in (State.STANDBY, State.RUNNING) or self.energising
        ):
            self.stop(Cause.HOLD_TO_RUN_RELEASED)

    @property
    def by_velocity(self) -> bool:
        """True if the drive is commanded in velocity."""
        return isinstance(self.force_controller, VelocityController)

    def _command(self, torque: float, velocity_m_s: float) -> None:
        command = self.command
        command.mode = Mode.VELOCITY if self.by_velocity else Mode.TORQUE
        command.velocity_rad_s = velocity_m_s / self.nut_per_rad
        command.heartbeat = self._withheld_s <= 0.0
        if not command.heartbeat:
            self._withheld_s -= self.period_s
        elif self.removal.withhold_heartbeat:
            command.heartbeat = False
        if self.state is State.RUNNING or self.controlled_stop.running:
            command.power = PowerRequest.ON
            command.torque_N_m = torque * self.sign
            return
        command.torque_N_m = 0.0
        command.power = PowerRequest.ON if self.state is State.STANDBY else self._power.requested
