"""A bench that powers on and off, and verifies that power was removed."""

from __future__ import annotations

from drivers.base import PowerRequest, PowerStage, Telemetry
from hil.bench.bench_state import NAN, BenchState
from hil.control import LONGEST_S, Progress, Removal
from hil.core import Cause, Enable, Outcome, PowerOff, PowerOn, Reset, State, WithholdHeartbeat


class PoweringBench(BenchState):
    """A bench that takes power requests, and follows the drive's power stage."""

    def _energise(self, request: PowerOn) -> Outcome:
        if self.state is State.STOPPED:
            return Outcome(False, "the bench is stopped: find the cause, then reset")
        if self.state is not State.DE_ENERGISED or self.energising:
            return Outcome(False, "the power stage is already on")
        for name, seen in self.others.items():
            if seen.stopped:
                return Outcome(False, f"axis '{name}' is stopped: find the cause, then reset it")
        if self.hold_to_run.needed and not self.hold_to_run.held:
            return Outcome(
                False, "hold the hold-to-run control first: motion only while it is held"
            )
        if not request.load_supported:
            return Outcome(
                False, "support the load and confirm it first: " + self.profile.stop.load
            )
        if self._telemetry.power == PowerStage.FAULT:
            return Outcome(
                False, f"the drive has a fault ({self._telemetry.fault_text}): reset to clear it"
            )
        if self.removal.pending:
            return Outcome(
                False,
                "the drive has not reported yet that its power is off: wait; if this persists, press "
                "the emergency stop and find the cause",
            )
        refusal = self.supervisor.refusal(self._telemetry, self.estimator, self._spring_force)
        if refusal:
            return Outcome(False, refusal)
        self._power.ask(PowerRequest.ON)
        return Outcome(True, "energising")

    def _power_off(self, _request: PowerOff) -> Outcome:
        if self.state is State.STOPPED:
            self._cut_short("power off was requested")
            if self.removal.still_on:
                return Outcome(True, "POWER IS STILL ON: press the emergency stop")
            return Outcome(True, "the bench is stopped; it requests no power from the drive")
        self._active = None
        self._shaped = NAN
        if self.energising:
            self._power.ask(PowerRequest.OFF)
        self._enter(State.DE_ENERGISED)
        return Outcome(True, "power off is commanded")

    def _reset(self, _request: Reset) -> Outcome:
        if self.state not in (State.STOPPED, State.DE_ENERGISED):
            return Outcome(False, "nothing to reset: the bench is not stopped")
        if self._telemetry.lost:
            return Outcome(
                False, f"the drive is lost ({self._telemetry.lost}): restart the rig host"
            )
        if self.controlled_stop.running:
            return Outcome(False, "wait: the controlled stop is still running")
        if self.removal.still_on:
            return Outcome(
                False,
                "POWER IS STILL ON: press the emergency stop. Reset is possible once the drive "
                "reports that its power is off",
            )
        # A drive that has just been reconnected may not have reported its fault yet.
        faulty = self._telemetry.power == PowerStage.FAULT or self.provoked_loss
        if self.provoked_loss:
            self.removal.forgive()
        self.provoked_loss = False
        self._power.ask(PowerRequest.CLEAR_FAULT if faulty else PowerRequest.OFF)
        self.cause = 0
        self.cause_text = ""
        self.supervisor.reset()
        if self.state is State.STOPPED:
            self._enter(State.DE_ENERGISED)
        return Outcome(True, "reset" if self.removal.pending else "reset; power is off")

    def _enable(self, request: Enable) -> Outcome:
        self.hold_to_run.hold(request.held)
        powered = self.state in (State.STANDBY, State.RUNNING) or self.energising
        if self.hold_to_run.needed and not request.held and powered:
            self.stop(Cause.HOLD_TO_RUN_RELEASED)
        return Outcome(True, "held" if request.held else "released")

    def _withhold_heartbeat(self, request: WithholdHeartbeat) -> Outcome:
        if self.envelope is None or self.state is not State.STANDBY:
            return Outcome(False, "for restricted operation in standby only")
        self._withheld_s = request.seconds
        self.provoked_loss = True
        return Outcome(True, "the heartbeat is withheld")

    def _follow_power(self, telemetry: Telemetry, dt_s: float) -> None:
        """Act on a change of the drive's power stage that was waited for."""
        requested = self._power.requested
        progress = self._power.follow(telemetry.power, dt_s)
        if progress is Progress.NONE:
            return
        reached = progress is Progress.REACHED
        if requested is PowerRequest.CLEAR_FAULT:
            text = (
                "the drive's fault is cleared"
                if reached
                else f"the drive's fault persists ({telemetry.fault_text}): "
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
        """Verify that power goes off once not requested; ``command`` is still that of the last cycle."""
        removal = self.removal
        asked = self.command.power is PowerRequest.ON
        fresh = telemetry.age_s <= self.profile.limits.telemetry_age and not telemetry.lost
        news = removal.follow(asked, telemetry.power, fresh, dt_s)
        if news is Removal.NONE:
            return
        if news is Removal.STILL_ON:
            text = (
                "POWER IS STILL ON: press the emergency stop. The drive reports its power stage "
                f"{telemetry.power.name.lower().replace('_', ' ')} although no power is requested; "
                "OFF is repeated and the heartbeat withheld"
            )
            self.stop(Cause.POWER_NOT_REMOVED, text)
        elif news is Removal.SHOWN_OFF:
            text = "the drive now reports that its power is off"
        elif removal.has_watch:
            text = (
                "power is presumed off: the drive does not report it, but its host "
                "watchdog must have acted"
            )
        else:
            text = "power is presumed off: the drive does not report it, and has no host watchdog"
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
