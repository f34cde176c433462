"""One control cycle, and the bench state it advances.

``Bench.advance`` is a function of (state, telemetry, dt): it does no input or output, reads
no clock and starts no thread, so the same code runs paced against hardware and unpaced
against the simulated rig. Order of one cycle, one direction, no step calls back:

telemetry → calibration → estimation → supervision → behaviour → shaping → force law →
command → sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from drivers.base import Capabilities, Mode, PowerRequest, Telemetry
from hil.bench.capping import CappedBench
from hil.bench.referencing import LOST
from hil.control import (
    MOST_LATE_S,
    ActiveBehaviour,
    OpenLoop,
    PositionTarget,
    ReferenceSeek,
    VelocityController,
)
from hil.core import Cause, Limit, Sample, State
from hil.profile import Profile

# Looked up once: by its class, a member costs several look-ups in each cycle.
_STANDBY: Final = State.STANDBY
_RUNNING: Final = State.RUNNING
_POWER_ON: Final = PowerRequest.ON
_POSITION: Final = Mode.POSITION
_VELOCITY: Final = Mode.VELOCITY
_TORQUE: Final = Mode.TORQUE
_DRIVE_LOST: Final = Cause.DRIVE_LOST

NAN: Final = float("nan")
AGE_CREEP: Final = (
    1e-4  # per cycle, towards larger ages: a slower path is the usual one after seconds
)
MOST_SKEW_PERIODS: Final = 0.5  # less between deflection and motor is the transport of two messages


@dataclass(slots=True)
class CycleTiming:
    """Times of a cycle, as its sample reports them.

    Attributes:
        time_s: its wake-up since the rig host started.
        wake_latency_s: delay of its wake-up.
        work_s: wake-up to end of work, of the previous cycle.
        answer_s: wake-up to the arrival of the drive's telemetry.
    """

    time_s: float
    wake_latency_s: float = 0.0
    work_s: float = 0.0
    answer_s: float = 0.0


@dataclass(slots=True)
class Answer:
    """Answer of one cycle to what is active; one object, refilled.

    Attributes:
        torque_N_m: torque of the motor, profile sign. velocity_m_s: velocity of the nut. 0
            unless something acts.
        offset_N_m: torque that a drive adds to that of its own loop.
        behaviour: code of what acts, 0 for none.
        setpoint_N: force of the behaviour. rest_m, stiffness_N_m: its own. NaN if none.
        limited: bit mask of the limits that act.
    """

    torque_N_m: float = 0.0
    velocity_m_s: float = 0.0
    offset_N_m: float = 0.0
    behaviour: int = 0
    setpoint_N: float = NAN
    rest_m: float = NAN
    stiffness_N_m: float = NAN
    limited: int = 0

    def clear(self) -> None:
        """Clear every value."""
        self.torque_N_m = self.velocity_m_s = self.offset_N_m = 0.0
        self.behaviour = self.limited = 0
        self.setpoint_N = self.rest_m = self.stiffness_N_m = NAN


class Bench(CappedBench):
    """The bench, and one cycle of it; see :class:`~hil.bench.bench_state.BenchState`.

    Attributes:
        late_s: age of a reused sample beyond the usual, s.
    """

    late_s = 0.0
    _usual_age_s = float("inf")

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        super().__init__(profile, capabilities, period_s)
        self._answer = Answer()
        self._nut = self._deflection = self._true_force = 0.0

    def advance(self, telemetry: Telemetry, dt_s: float, timing: CycleTiming) -> Sample:
        """Run one cycle; return the sample row and leave the command in ``command``.

        ``dt_s`` is the time between wake-ups: setpoint rates and timers use it. Measured values
        use the times at which the samples were taken.
        """
        self.cycle += 1
        self.time_s = timing.time_s
        self._telemetry = telemetry
        self._measure(telemetry, dt_s)
        self._follow_cap(dt_s)
        self._supervise(telemetry, dt_s)
        self._follow_power(telemetry, dt_s)
        self._follow_removal(telemetry, dt_s)
        self._follow_program()
        answer = self._answer
        answer.clear()
        self._act(answer, dt_s)
        self.command.torque_offset_N_m = answer.offset_N_m * self.sign
        self._command(0.0 if self.by_velocity else answer.torque_N_m, answer.velocity_m_s)
        self.estimator.command(NAN if self.by_velocity else self.command.torque_N_m * self.sign)
        if self._limit_notices.new(answer.limited, dt_s):
            self._event("limited", limits=self._limit_names(answer.limited))
        self.row = self._sample(telemetry, answer, timing)
        return self.row

    def _measure(self, telemetry: Telemetry, dt_s: float) -> None:
        """Turn the sample into SI, and estimate from it."""
        calibration = self.calibration
        calibration.advance(dt_s)
        self._deflection = deflection = calibration.deflection(telemetry.deflection_counts)
        nut = telemetry.position_rad * self.nut_per_rad
        offset = self._nut_offset
        self._nut = nut = nut + (
            self._reference(telemetry, nut, deflection) if offset is None else offset
        )
        self._true_force = true_force = calibration.force(deflection)
        self._spring_force = true_force - self.tare_N
        self._take_sample(telemetry, nut, deflection, true_force, telemetry.torque_N_m * self.sign)

    def _supervise(self, telemetry: Telemetry, dt_s: float) -> None:
        """Check every limit, and stop for the cause found."""
        supervisor = self.supervisor
        state = self.state
        # A controlled stop still drives the motor: a cause that makes this unsafe must cut it short.
        energised = state is _STANDBY or state is _RUNNING or self.controlled_stop.running
        supervisor.open_loop = isinstance(self._active, OpenLoop)
        supervisor.idle = state is _STANDBY
        cause = supervisor.check(telemetry, self.estimator, self._true_force, energised, dt_s)
        if supervisor.reference_lost and self.reference != LOST:
            self.state_reference(LOST, 0.0, text=supervisor.reference_lost)
        if cause and (energised or self.energising or cause == _DRIVE_LOST):
            self.stop(cause, supervisor.detail)
        if self.hold_to_run.needed:
            self._follow_hold_to_run(dt_s)

    def _act(self, answer: Answer, dt_s: float) -> None:
        """Answer for what is active: a behaviour, an open-loop run, a controlled stop, or nothing."""
        active = self._active if self.state is _RUNNING else None
        feedforward = self.torque_feedforward
        if feedforward is not None and (active is None or isinstance(active, OpenLoop)):
            feedforward.reset()
        if active is None:
            self._stop_controlled(answer, dt_s)
            self.supervisor.following.reset()
        elif isinstance(active, OpenLoop):
            self._run_open_loop(active, answer, dt_s)
            self.supervisor.following.reset()
        else:
            self._behave(active, answer, dt_s)

    def _stop_controlled(self, answer: Answer, dt_s: float) -> None:
        """Brake the nut while a controlled stop runs."""
        stop = self.controlled_stop
        if not stop.running:
            return
        if self.by_velocity:
            answer.velocity_m_s = stop.velocity(self.estimator, dt_s)
            return
        most = self._most_torque()
        answer.torque_N_m = stop.torque(self.estimator, self._true_force, dt_s, most)

    def _run_open_loop(self, active: OpenLoop, answer: Answer, dt_s: float) -> None:
        """Answer with an open-loop run's torque, and report its end."""
        was_over = active.finished
        most = self._most_torque()
        if self.by_velocity:
            measured = self._telemetry.torque_N_m * self.sign
            answer.velocity_m_s = active.velocity(
                self.estimator, self._true_force, dt_s, most, measured
            )
            answer.torque_N_m = active.asked_N_m
            target = self.position_target
            answer.rest_m = (
                active.path_m if target is None else target.ahead(self._nut, answer.velocity_m_s)
            )
        else:
            answer.torque_N_m = active.torque(self.estimator, self._true_force, dt_s, most)
        answer.behaviour = int(active.code)
        if active.finished and not was_over:
            self._event("run_ended", reason=active.ended)
            if isinstance(active, ReferenceSeek):
                self._seek_ended(active)

    def _behave(self, active: ActiveBehaviour, answer: Answer, dt_s: float) -> None:
        """Close the force loop around a behaviour's setpoint."""
        estimator, supervisor = self.estimator, self.supervisor
        bounds, following = supervisor.bounds, supervisor.following
        tare = self.tare_N
        most = self._most_torque()
        position, velocity = estimator.output_position_m, estimator.output_velocity_m_s
        # The output's position now, not at the time of an old sample.
        answer.setpoint_N = setpoint = active.force(
            position + self.late_s * velocity, velocity, dt_s
        )
        share = following.energy.damping_share
        if share > 0.0:
            setpoint -= share * self._spare_damping(active) * velocity
        low, high = bounds.force_low_N - tare, bounds.force_high_N - tare
        stiffness = active.stiffness_N_m
        self._shaped = shaped = self.shaper.shape(setpoint, low, high, dt_s, not stiffness > 0.0)
        true_shaped = shaped + tare
        bounds.note_shaped(true_shaped)
        answer.stiffness_N_m = stiffness
        controller = self.force_controller
        if isinstance(controller, VelocityController):
            answer.velocity_m_s = effort = controller.velocity(
                true_shaped,
                estimator,
                stiffness if stiffness > 0.0 else 0.0,
                most,
                self._telemetry.torque_N_m * self.sign,
            )
            following.force.drag_N_s_m = controller.drag_N_s_m
            if controller.at_torque:
                bounds.limited |= 1 << Limit.CURRENT
            if self.torque_feedforward is not None:
                answer.torque_N_m = answer.offset_N_m = self.torque_feedforward.torque(
                    true_shaped,
                    self._telemetry.torque_N_m * self.sign,
                    max(-most, bounds.torque_low_N_m),
                    min(most, bounds.torque_high_N_m),
                    dt_s,
                    estimator.step_s > 0.0,
                )
        else:
            answer.torque_N_m = effort = controller.torque(
                true_shaped,
                estimator,
                most,
                bounds.torque_low_N_m,
                bounds.torque_high_N_m,
                self.late_s,
            )
            if controller.saturated:
                bounds.note_torque(effort)
        following.follow(
            estimator,
            self._true_force,
            setpoint + tare,
            active.potential_force(position, velocity) + tare,
            true_shaped,
            effort,
            controller.saturated,
            dt_s,
        )
        answer.behaviour = int(active.code)
        answer.rest_m = active.rest_m
        answer.limited = (
            active.limited | self._request_limits | self.shaper.limited | supervisor.limited
        )

    def _most_torque(self) -> float:
        """Update the bounds; return the largest torque in N·m, in either direction."""
        supervisor = self.supervisor
        supervisor.renew_bounds(self.estimator, self._true_force)
        most, peak = supervisor.bounds.torque_limit_N_m, self.peak_torque_N_m
        return peak if peak < most else most

    def _sample(self, telemetry: Telemetry, answer: Answer, timing: CycleTiming) -> Sample:
        estimator, supervisor = self.estimator, self.supervisor
        following = supervisor.following
        # By position, as in a test: by name a row took 4 us of each cycle, this way half of one.
        values = (
            timing.time_s,  # time_s
            self.cycle,  # cycle
            int(self.state),  # state
            answer.behaviour,  # behaviour
            answer.setpoint_N,  # setpoint_force_N
            self._shaped,  # shaped_force_N
            self._spring_force,  # spring_force_N
            self.calibration.u95(self._true_force),  # force_u95_N
            estimator.motor_force_N - self.tare_N,  # motor_force_N
            telemetry.deflection_counts,  # deflection_counts
            self._deflection,  # deflection_m
            estimator.deflection_rate_m_s,  # deflection_rate_m_s
            estimator.output_position_m,  # output_position_m
            estimator.output_velocity_m_s,  # output_velocity_m_s
            self._nut,  # nut_position_m
            estimator.nut_velocity_m_s,  # nut_velocity_m_s
            answer.torque_N_m,  # commanded_torque_N_m
            telemetry.torque_N_m * self.sign,  # measured_torque_N_m
            telemetry.supply_V,  # supply_V
            telemetry.supply_A,  # supply_A
            telemetry.temperature_degC,  # drive_temperature_degC
            supervisor.heat.heat,  # motor_heat
            answer.rest_m,  # rest_position_m
            answer.stiffness_N_m,  # virtual_stiffness_N_m
            answer.limited,  # limited
            self.cause,  # tripped
            int(telemetry.power),  # power_stage
            telemetry.fault_code,  # fault_code
            telemetry.status_word,  # status_word
            telemetry.age_s,  # telemetry_age_s
            timing.wake_latency_s,  # wake_latency_s
            timing.work_s,  # work_s
            timing.answer_s,  # answer_s
            following.force.error_N,  # force_following_N
            following.setpoint.error_N,  # setpoint_following_N
            following.energy.energy_J,  # output_energy_J
            supervisor.position_following_m,  # position_following_m
        )
        return tuple.__new__(Sample, values)

    def _spare_damping(self, active: ActiveBehaviour) -> float:
        """Return the damping in N·s/m that may be added to a behaviour's own without shaking."""
        stiffness = active.stiffness_N_m
        most = self.gains.most_damping(stiffness if stiffness > 0.0 else 0.0)
        limit = self.profile.limits.damping
        spare = (most if most < limit else limit) - active.damping_N_s_m
        return spare if spare > 0.0 else 0.0

    def _take_sample(
        self, telemetry: Telemetry, nut: float, deflection: float, force: float, torque: float
    ) -> None:
        """Update the estimate if the sample is new, by the time at which it was taken.

        A repeated sample would read as standstill.
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
            dt = self.period_s  # the first, or the first after a restart of the drive
        skew = taken_s - telemetry.deflection_time_s
        if telemetry.deflection_time_s <= 0.0 or abs(skew) < MOST_SKEW_PERIODS * self.period_s:
            skew = 0.0
        estimator.update(nut, deflection, force, torque, dt, telemetry.time_error_s, skew)

    def _follow_age(self, age_s: float, new: bool) -> None:
        """Update ``late_s`` from the sample's age and whether it is new.

        A reused sample is older than usual by the time since. Nothing is predicted for an answer
        that was waited for: the next cycle is due at once and corrects the command. In lockstep
        the force then stayed closer to that of punctual cycles than with a prediction.
        """
        usual = self._usual_age_s
        late = age_s - usual
        if new:
            self.late_s = 0.0
            if age_s >= 0.0:
                # The smallest recent age: delays only add to it.
                self._usual_age_s = usual + AGE_CREEP * late if late > 0.0 else age_s
        elif late > 0.0:
            self.late_s = late if late < MOST_LATE_S else MOST_LATE_S

    def _reference(self, telemetry: Telemetry, nut: float, deflection: float) -> float:
        """Return the nut offset from the first fresh sample; provisional (0) until one arrives."""
        if telemetry.age_s > self.profile.limits.telemetry_age:
            return 0.0
        offset = self.first_offset(nut, deflection)
        self._nut_offset = offset
        self.estimator.reset(nut + offset, deflection)
        return offset

    def _target(self, target: PositionTarget, velocity_rad_s: float) -> float:
        """Return the position setpoint of the motor in rad."""
        position = self._telemetry.position_rad
        active = self._active
        if isinstance(active, OpenLoop) and active.finished and velocity_rad_s == 0.0:
            return target.holding(position)  # where the run ended, not where it is now
        if self.state is _RUNNING or self.controlled_stop.running:
            return target.moving(position, velocity_rad_s)
        return target.holding(position) if self.state is _STANDBY else target.free(position)

    def _command(self, torque: float, velocity_m_s: float) -> None:
        command = self.command
        velocity = velocity_m_s / self.nut_per_rad
        command.velocity_rad_s = velocity
        if self.position_target is not None:
            command.mode = _POSITION
            command.position_rad = self._target(self.position_target, velocity)
        else:
            command.mode = _VELOCITY if self.by_velocity else _TORQUE
        command.heartbeat = self._withheld_s <= 0.0
        if not command.heartbeat:
            self._withheld_s -= self.period_s
        elif self.removal.withhold_heartbeat:
            command.heartbeat = False
        if self.state is _RUNNING or self.controlled_stop.running:
            command.power = _POWER_ON
            command.torque_N_m = torque * self.sign
            return
        command.torque_N_m = 0.0
        command.power = _POWER_ON if self.state is _STANDBY else self._power.requested
