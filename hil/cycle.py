"""One control cycle, and the bench state it advances.

``Bench.advance`` is a function of (state, telemetry, dt): it does no input or output, reads
no clock and starts no thread, so the same code runs paced against hardware and unpaced
against the simulated rig. Order of one cycle, one direction, no step calls back:

telemetry → calibration → estimation → supervision → behaviour → shaping → force law →
command → sample.
"""

from __future__ import annotations

import math
from typing import Any

from drivers.base import Capabilities, Command, Mode, PowerRequest, PowerStage, Telemetry
from hil.behaviours import ActiveBehaviour, check_behaviour, start_behaviour
from hil.calibration import ForceCalibration
from hil.controlled_stop import ControlledStop
from hil.estimation import Estimator
from hil.force_design import design
from hil.force_law import ForceLaw
from hil.limit_texts import bound_names, label, sentence
from hil.limits import ALWAYS_CATEGORY_0, CHOSEN, Cause, Limit
from hil.power_sequence import LONGEST_S, PowerSequence, Progress
from hil.profile.schema import Profile
from hil.requests import (
    Apply,
    EndRun,
    Energise,
    Marker,
    Outcome,
    PowerOff,
    Request,
    Reset,
    StartRun,
    Tare,
)
from hil.requests import Stop as StopRequest
from hil.samples import State
from hil.shaping import Shaper
from hil.supervision import Supervisor

NAN = float("nan")


class Bench:
    """Everything that lives from one cycle to the next, and the cycle itself.

    Args:
        profile: the rig.
        capabilities: of the opened drive.
        period_s: cycle period in s.

    ``command`` is what the drive must be sent after ``advance``. ``events`` collects what a
    reader of the run needs to know; the owner of the loop empties it.
    """

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        self.profile = profile
        self.period_s = period_s
        hand = 1 if profile.actuator.screw.hand == "right" else -1
        self.sign = hand * profile.sensors.motor.sign
        self.nut_per_rad = self.sign * profile.actuator.screw.lead / (2 * math.pi)
        self.calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
        self.estimator = Estimator(profile, period_s)
        self.gains = design(profile, period_s, capabilities.command_delay_cycles * period_s)
        self.force_law = ForceLaw(profile, self.gains, period_s)
        self.shaper = Shaper(profile)
        self.supervisor = Supervisor(profile, period_s)
        self.controlled_stop = ControlledStop(profile)
        self.peak_torque_N_m = capabilities.peak_torque_N_m

        self.command = Command()
        self.events: list[dict[str, Any]] = []
        self.state = State.DE_ENERGISED
        self.cycle = 0
        self.time_s = 0.0
        self.cause = 0
        self.cause_text = ""
        self.tare_N = 0.0
        self.row: tuple[float, ...] = ()

        self._power = PowerSequence()
        self._active: ActiveBehaviour | None = None
        self._request_bounds = 0
        self._announced_bounds = 0
        self._nut_offset: float | None = None
        self._torque = 0.0
        self._shaped = NAN
        self._spring_force = 0.0
        self._telemetry = Telemetry()

    @property
    def energising(self) -> bool:
        """Whether the power stage has been asked on and has not come yet."""
        return self._power.asked is PowerRequest.ON

    # ---------------------------------------------------------------- requests

    def ask(self, request: Request) -> Outcome:
        """Take or refuse a request; what it starts becomes visible from the next cycle on."""
        if isinstance(request, StopRequest):
            self.stop(Cause.OPERATOR, request.cause)
            return Outcome(True, "stopped")
        if isinstance(request, Apply):
            return self._apply(request)
        if isinstance(request, Energise):
            return self._energise(request)
        if isinstance(request, PowerOff):
            return self._power_off()
        if isinstance(request, Reset):
            return self._reset()
        if isinstance(request, Tare):
            return self._tare(request)
        if isinstance(request, Marker):
            self._event("marker", text=request.text, values=dict(request.values))
            return Outcome(True, "marked")
        if isinstance(request, StartRun):
            self._event("start_run", name=request.name, note=request.note)
            return Outcome(True, "the recorder was asked to start a run")
        if isinstance(request, EndRun):
            self._event("end_run")
            return Outcome(True, "the recorder was asked to end the run")
        raise AssertionError(request)

    def stop(self, cause: int, detail: str = "") -> None:
        """Enter Stopped and latch the first cause; power goes as the profile says."""
        if self.state is State.STOPPED:
            if cause in ALWAYS_CATEGORY_0:
                self.controlled_stop.abandon()
            return
        moving_under_power = self.state in (State.STANDBY, State.WORKING)
        self.cause = int(cause)
        self.cause_text = detail or sentence(cause)
        self.state = State.STOPPED
        if self.energising:
            self._power.ask(PowerRequest.OFF)
        self._active = None
        self._shaped = NAN
        if (
            self.profile.stop.category == 1
            and moving_under_power
            and cause not in ALWAYS_CATEGORY_0
        ):
            self.controlled_stop.start(self.estimator.nut_velocity_m_s)
        else:
            self.controlled_stop.abandon()
        trip = cause not in CHOSEN
        self._event(
            "stop",
            cause=label(cause),
            code=int(cause),
            detail=self.cause_text,
            trip=trip,
            category=1 if self.controlled_stop.running else 0,
            to_wire_ms=None,
        )
        self._event("state", state=self.state.name, cause=label(cause), cause_text=self.cause_text)

    def _energise(self, request: Energise) -> Outcome:
        if self.state is State.STOPPED:
            return Outcome(False, "the bench is stopped: find the cause, then reset")
        if self.state is not State.DE_ENERGISED or self.energising:
            return Outcome(False, "the power stage is on already")
        if not request.load_supported:
            return Outcome(
                False, "support the load and confirm it first: " + self.profile.stop.load
            )
        if self._telemetry.power == PowerStage.FAULT:
            return Outcome(
                False, f"the drive holds a fault ({self._telemetry.fault_text}): reset clears it"
            )
        refusal = self.supervisor.refusal(self._telemetry, self.estimator, self._spring_force)
        if refusal:
            return Outcome(False, refusal)
        self._power.ask(PowerRequest.ON)
        return Outcome(True, "energising")

    def _power_off(self) -> Outcome:
        if self.state is State.STOPPED:
            return Outcome(True, "power is off or on its way off: the bench is stopped")
        self._active = None
        self._shaped = NAN
        if self.energising:
            self._power.ask(PowerRequest.OFF)
        self._enter(State.DE_ENERGISED)
        return Outcome(True, "power off")

    def _reset(self) -> Outcome:
        if self.state not in (State.STOPPED, State.DE_ENERGISED):
            return Outcome(False, "nothing to reset: the bench is not stopped")
        if self._telemetry.lost:
            return Outcome(
                False, f"the drive is lost ({self._telemetry.lost}): restart the rig host"
            )
        if self.controlled_stop.running:
            return Outcome(False, "wait: the controlled stop is still running")
        faulty = self._telemetry.power == PowerStage.FAULT
        self._power.ask(PowerRequest.CLEAR_FAULT if faulty else PowerRequest.OFF)
        self.cause = 0
        self.cause_text = ""
        self.supervisor.reset()
        if self.state is State.STOPPED:
            self._enter(State.DE_ENERGISED)
        return Outcome(True, "reset; power is off")

    def _apply(self, request: Apply) -> Outcome:
        if self.state is State.STOPPED:
            return Outcome(False, "the bench is stopped: find the cause, then reset")
        if self.state is State.DE_ENERGISED:
            return Outcome(False, "power is off: energise first")
        checked = check_behaviour(request.behaviour, self.profile, self.gains)
        if checked.refusal:
            self._event("refused", text=checked.refusal)
            return Outcome(False, checked.refusal)
        if self.state is State.STANDBY:
            self.force_law.reset(0.0)
            self.shaper.start(self._spring_force)
        else:
            self.shaper.start(self._shaped)
        self._active = start_behaviour(
            checked.behaviour,
            self.profile,
            self.estimator.output_position_m,
            self._spring_force if self.state is State.STANDBY else self._shaped,
            self.gains,
        )
        self._request_bounds = checked.bounded_mask
        self._event("applied", behaviour=checked.behaviour.model_dump())
        if self.state is not State.WORKING:
            self._enter(State.WORKING)
        trimmed = ", ".join(bound_names(checked.bounded_mask)).lower()
        return Outcome(True, f"applied, trimmed by {trimmed}" if trimmed else "applied")

    def _tare(self, request: Tare) -> Outcome:
        if self.state is State.WORKING:
            return Outcome(False, "a behaviour is active and would jump: power off, then tare")
        if request.clear:
            self.tare_N = 0.0
        elif abs(self._spring_force + self.tare_N) > 0.2 * self.profile.limits.force.bounded:
            return Outcome(
                False,
                "more than a fifth of the force limit hangs on the rod: take the load off first",
            )
        else:
            self.tare_N += self._spring_force
        self._event("tare", tare_N=self.tare_N)
        return Outcome(True, f"tare is {self.tare_N:.1f} N")

    # ---------------------------------------------------------------- the cycle

    def advance(
        self,
        telemetry: Telemetry,
        dt_s: float,
        time_s: float,
        wake_latency_s: float = 0.0,
        work_s: float = 0.0,
        answer_s: float = 0.0,
    ) -> tuple[float, ...]:
        """Run one cycle; returns the sample row and leaves the command in ``command``.

        The timing arguments are only passed through to the sample.
        """
        self.cycle += 1
        self.time_s = time_s
        self._telemetry = telemetry
        estimator = self.estimator

        nut = telemetry.position_rad * self.nut_per_rad
        torque_measured = telemetry.torque_N_m * self.sign
        deflection = self.calibration.deflection(telemetry.deflection_counts)
        if self._nut_offset is None:
            nut_offset = self._reference(telemetry, nut, deflection)
        else:
            nut_offset = self._nut_offset
        nut += nut_offset
        true_force = self.calibration.force(deflection)
        spring_force = true_force - self.tare_N
        self._spring_force = spring_force
        estimator.update(nut, deflection, true_force, torque_measured, dt_s)

        supervisor = self.supervisor
        state = self.state
        # A controlled stop still drives the motor: what makes that wrong must cut it short.
        energised = (
            state is State.STANDBY or state is State.WORKING or self.controlled_stop.running
        )
        cause = supervisor.check(telemetry, estimator, true_force, energised, dt_s)
        if cause and (energised or self.energising or cause == Cause.DRIVE_LOST):
            self.stop(cause, supervisor.detail)
        self._follow_power(telemetry, dt_s)
        state = self.state

        asked = rest = stiffness = NAN
        behaviour = 0
        bounded = 0
        torque = 0.0
        if state is State.WORKING and self._active is not None:
            active = self._active
            supervisor.bounds(estimator, true_force)
            asked = active.force(estimator.output_position_m, estimator.output_velocity_m_s, dt_s)
            shaped = self.shaper.shape(
                asked,
                supervisor.force_low_N - self.tare_N,
                supervisor.force_high_N - self.tare_N,
                dt_s,
            )
            self._shaped = shaped
            supervisor.note_shaped(shaped + self.tare_N)
            limit = min(supervisor.torque_limit_N_m, self.peak_torque_N_m)
            torque = self.force_law.torque(shaped + self.tare_N, estimator, dt_s, limit)
            behaviour = int(active.code)
            rest = active.rest_m
            stiffness = active.stiffness_N_m
            bounded = (
                active.bounded | self._request_bounds | self.shaper.bounded | supervisor.bounded
            )
            if self.force_law.saturated:
                bounded |= 1 << Limit.CURRENT
        elif self.controlled_stop.running:
            supervisor.bounds(estimator, true_force)
            torque = self.controlled_stop.torque(
                estimator, true_force, dt_s, min(supervisor.torque_limit_N_m, self.peak_torque_N_m)
            )
        self._command(torque)
        if bounded & ~self._announced_bounds:
            self._event("bounded", limits=bound_names(bounded))
        # A bound that flickers is announced once; it is forgotten when all is clear.
        self._announced_bounds = (self._announced_bounds | bounded) if bounded else 0

        self.row = (
            time_s,
            self.cycle,
            int(state),
            behaviour,
            asked,
            self._shaped,
            spring_force,
            self.calibration.u95(true_force),
            estimator.motor_force_N - self.tare_N,
            telemetry.deflection_counts,
            deflection,
            estimator.deflection_rate_m_s,
            estimator.output_position_m,
            estimator.output_velocity_m_s,
            nut,
            estimator.nut_velocity_m_s,
            self.command.torque_N_m * self.sign,
            torque_measured,
            telemetry.supply_V,
            telemetry.temperature_degC,
            supervisor.motor_heat,
            rest,
            stiffness,
            bounded,
            self.cause,
            int(telemetry.power),
            telemetry.fault_code,
            telemetry.status_word,
            telemetry.age_s,
            wake_latency_s,
            work_s,
            answer_s,
        )
        return self.row

    def _reference(self, telemetry: Telemetry, nut: float, deflection: float) -> float:
        """Nut offset from the first fresh sample; provisional (0) until one has come."""
        if telemetry.age_s > self.profile.limits.telemetry_age:
            return 0.0
        motor = self.profile.sensors.motor
        offset = motor.absolute_offset if motor.reference == "absolute" else deflection - nut
        self._nut_offset = offset
        self.estimator.reset(nut + offset, deflection)
        return offset

    def _follow_power(self, telemetry: Telemetry, dt_s: float) -> None:
        """Act on what the drive's power stage has become, if it was waited for."""
        asked = self._power.asked
        progress = self._power.follow(telemetry.power, dt_s)
        if progress is Progress.NONE:
            return
        reached = progress is Progress.REACHED
        if asked is PowerRequest.CLEAR_FAULT:
            text = (
                "the drive's fault is cleared"
                if reached
                else f"the drive keeps its fault ({telemetry.fault_text}): "
                "mend the cause, then reset again"
            )
            self._event("notice", text=text)
        elif reached:
            self._enter(State.STANDBY)
        else:
            self.stop(
                Cause.DRIVE_DROPPED_OUT,
                f"the drive did not energise within {LONGEST_S[asked]:g} s "
                f"(power stage {telemetry.power.name}): check its enable input and supply",
            )

    def _command(self, torque: float) -> None:
        command = self.command
        command.mode = Mode.TORQUE
        if self.state is State.WORKING or self.controlled_stop.running:
            command.power = PowerRequest.ON
            command.torque_N_m = torque * self.sign
            return
        command.torque_N_m = 0.0
        command.power = PowerRequest.ON if self.state is State.STANDBY else self._power.asked

    def _enter(self, state: State) -> None:
        self.state = state
        self._event("state", state=state.name, cause="", cause_text="")

    def _event(self, kind: str, **more: Any) -> None:
        self.events.append({"kind": kind, "time_s": self.time_s, "cycle": self.cycle, **more})
