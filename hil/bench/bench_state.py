"""State of the bench between two cycles, and the effect of requests on it.

``hil.bench.cycle`` advances it. Nothing here reads a clock, does input or output, or moves anything
by itself: a request changes what the next cycle does.
"""

from __future__ import annotations

import math
from typing import Any

from drivers.base import Capabilities, Command, PowerRequest, PowerStage, Telemetry
from hil.control import (
    BY_TORQUE,
    NO_CAP,
    ActiveBehaviour,
    ControlledStop,
    Estimator,
    ForceCalibration,
    HoldToRun,
    LiveCalibration,
    OpenLoop,
    PowerRemoval,
    PowerSequence,
    Shaper,
    VelocityController,
    capped_gains,
    capped_profile,
    changed_calibration,
    design_source,
    make_controller,
    reduced_profile,
    restricted_profile,
    slide_s,
    tiers_of,
    within_passivity,
)
from hil.core import (
    ALWAYS_CATEGORY_0,
    CHOSEN,
    NO_SAMPLE,
    Behaviour,
    Cause,
    Commission,
    Enable,
    EndCommission,
    EndRun,
    Marker,
    Outcome,
    PowerOff,
    PowerOn,
    Request,
    Reset,
    StartRun,
    State,
    Tare,
    UseCalibration,
    WithholdHeartbeat,
    label,
    limit_names,
    sentence,
)
from hil.core import Stop as StopRequest
from hil.profile import Profile
from hil.supervision import LimitNotices, Supervisor

NAN = float("nan")
LIMITS_OWN = "the limits are the profile's"


class BenchState:
    """Everything that lives from one cycle to the next, and the requests that change it.

    Args:
        profile: the rig.
        capabilities: of the opened drive.
        period_s: cycle period in s.

    ``command`` is what the drive must be sent after ``advance``. ``events`` collects what a
    reader of the run needs to know; the owner of the loop empties it.
    """

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        self._delay_s = capabilities.command_delay_cycles * period_s
        profile = within_passivity(profile, period_s, self._delay_s)
        self.own_profile = profile  # as loaded; ``profile`` may be narrower
        self.wide = profile  # before the session cap
        self.cap = NO_CAP
        self.profile = profile
        self.reduced = False  # an unverified rig: the profile's own limits stay shut
        self.period_s = period_s
        self.capabilities = capabilities
        hand = 1 if profile.actuator.screw.hand == "right" else -1
        self.sign = hand * profile.sensors.motor.sign
        self.nut_per_rad = self.sign * profile.actuator.screw.lead / (2 * math.pi)
        self.calibration = LiveCalibration(
            ForceCalibration(profile.calibration, profile.sensors.deflection)
        )
        self.estimator = Estimator(profile, period_s)
        self.supervisor = Supervisor(profile, period_s)
        self._gains = self.gains = design_source(profile, period_s, self._delay_s)
        self._adopt(profile)
        self.peak_torque_N_m = capabilities.peak_torque_N_m

        self.command = Command()
        self.events: list[dict[str, Any]] = []
        self.state = State.DE_ENERGISED
        self.cycle = 0
        self.time_s = 0.0
        self.cause = 0
        self.cause_text = ""
        self.tare_N = 0.0
        self.row = NO_SAMPLE

        self.envelope: Commission | None = None
        self.hold_to_run = HoldToRun()

        self._power = PowerSequence()
        self.removal = PowerRemoval.of_drive(capabilities)
        self._active: ActiveBehaviour | OpenLoop | None = None
        self.applied: Behaviour | None = None  # what made it so, once checked
        self.provoked_loss = False  # a loss of the drive would be our own doing
        self._withheld_s = 0.0  # how long the drive is still to miss the heartbeat
        self._request_limits = 0
        self._limit_notices = LimitNotices()
        self._nut_offset: float | None = None
        self._torque = 0.0
        self._shaped = NAN
        self._spring_force = 0.0
        self._telemetry = Telemetry()
        self._sampled_s = math.nan  # when the youngest motor sample was taken

    @property
    def energising(self) -> bool:
        """True if the power stage has been asked on and has not come yet."""
        return self._power.requested is PowerRequest.ON

    @property
    def powered(self) -> bool:
        """True if the power stage is on, or coming on, to follow requests."""
        return self.state in (State.STANDBY, State.RUNNING) or self.energising

    def reduce(self, reduced: bool = True) -> None:
        """Shut the profile's own limits of a rig nobody verified, or open them; without power."""
        self.reduced = reduced
        self._adopt(reduced_profile(self.own_profile) if reduced else self.own_profile)

    def _adopt(self, profile: Profile) -> None:
        """Work to this profile's limits and force loop, and to the session cap; without power only."""
        self.wide = profile
        capped = capped_profile(profile, self.cap)
        # The force loop is that of the rig: a cap on its force does not change its friction.
        profile = profile.model_copy(update={"control": capped.control})
        if profile.control != self.profile.control:
            # Some 60 ms, in which the drive hears nothing: only where it is needed.
            self._gains = design_source(profile, self.period_s, self._delay_s)
        self.gains = capped_gains(self._gains, self.cap)
        self.profile = capped
        self.force_controller = make_controller(
            profile, self.gains, self.period_s, self.calibration
        )
        if isinstance(self.force_controller, VelocityController):
            self.force_controller.narrow(capped.limits.speed.limited)
        self.shaper = Shaper(profile)
        before, self.supervisor = self.supervisor, Supervisor(profile, self.period_s)
        self.supervisor.take_over(before)
        self.supervisor.narrow(capped, tiers_of(capped))
        self.supervisor.restricted = profile.limits.force != self.own_profile.limits.force
        self.controlled_stop = ControlledStop(profile)

    # ---------------------------------------------------------------- requests

    def ask(self, request: Request) -> Outcome:
        """Take or refuse a request; what it starts becomes visible from the next cycle on."""
        if isinstance(request, StopRequest):
            self.stop(Cause.OPERATOR, request.cause)
            return Outcome(True, "stopped")
        if isinstance(request, Enable):
            return self._enable(request)
        if isinstance(request, PowerOn):
            return self._energise(request)
        if isinstance(request, PowerOff):
            return self._power_off()
        if isinstance(request, Reset):
            return self._reset()
        if isinstance(request, Tare):
            return self._tare(request)
        if isinstance(request, Commission | EndCommission):
            return self._commission(request)
        if isinstance(request, WithholdHeartbeat):
            return self._withhold_heartbeat(request)
        if isinstance(request, UseCalibration):
            return self._use_calibration(request)
        if isinstance(request, Marker):
            self._event("marker", text=request.text, values=dict(request.values))
            return Outcome(True, "marked")
        if isinstance(request, StartRun):
            self._event("start_run", name=request.name, note=request.note)
            return Outcome(True, "the start of a run was requested of the recorder")
        if isinstance(request, EndRun):
            self._event("end_run")
            return Outcome(True, "the end of the run was requested of the recorder")
        raise AssertionError(request)

    def stop(self, cause: int, detail: str = "") -> None:
        """Enter Stopped and latch the first cause; power goes as the profile says."""
        if self.state is State.STOPPED:
            # The cause that began it may go on standing; anything else, or a person who asks
            # once more, wants power off now.
            if cause != self.cause or cause in CHOSEN or cause in ALWAYS_CATEGORY_0:
                self._cut_short(detail or sentence(cause))
            if cause != Cause.POWER_NOT_REMOVED or self.cause == cause:
                return
            # It outranks whatever was first; that stays in the text.
            detail = f"{detail} (stopped first for: {label(self.cause).lower()})"
        moving_under_power = self.state in (State.STANDBY, State.RUNNING)
        self.cause = int(cause)
        self.cause_text = detail or sentence(cause)
        self.state = State.STOPPED
        if self.energising:
            self._power.ask(PowerRequest.OFF)
        self._active = None
        self._withheld_s = 0.0
        self._shaped = NAN
        if (
            self.profile.stop.category == 1
            and moving_under_power
            and cause not in ALWAYS_CATEGORY_0
            and not self.supervisor.reference_lost
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

    def _cut_short(self, why: str) -> None:
        """End a controlled stop in category 0, and tell so."""
        if self.controlled_stop.running:
            self.controlled_stop.abandon()
            self._event("notice", text=f"controlled stop cut short, power off commanded: {why}")

    def held_up(self, late_s: float, most_s: float) -> None:
        """Stop what a cycle that came ``late_s`` too late, beyond ``most_s``, found under power."""
        if (
            self.state in (State.STANDBY, State.RUNNING)
            or self.energising
            or self.controlled_stop.running
        ):
            self.stop(
                Cause.CYCLE_LATE,
                f"a cycle came {1e3 * late_s:.1f} ms late, above {1e3 * most_s:g} ms: this computer "
                "held the rig host up",
            )

    def _energise(self, request: PowerOn) -> Outcome:
        if self.state is State.STOPPED:
            return Outcome(False, "the bench is stopped: find the cause, then reset")
        if self.state is not State.DE_ENERGISED or self.energising:
            return Outcome(False, "the power stage is on already")
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
                False, f"the drive holds a fault ({self._telemetry.fault_text}): reset clears it"
            )
        if self.removal.pending:
            return Outcome(
                False,
                "the drive has not shown yet that its power went off: wait; if it lasts, press "
                "the emergency stop and find out why",
            )
        refusal = self.supervisor.refusal(self._telemetry, self.estimator, self._spring_force)
        if refusal:
            return Outcome(False, refusal)
        self._power.ask(PowerRequest.ON)
        return Outcome(True, "energising")

    def _power_off(self) -> Outcome:
        if self.state is State.STOPPED:
            self._cut_short("power off was requested")
            if self.removal.still_on:
                return Outcome(True, "POWER IS STILL ON: press the emergency stop")
            return Outcome(True, "the bench is stopped; it requests no power of the drive")
        self._active = None
        self._shaped = NAN
        if self.energising:
            self._power.ask(PowerRequest.OFF)
        self._enter(State.DE_ENERGISED)
        return Outcome(True, "power off is commanded")

    def _reset(self) -> Outcome:
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
                "shows that its power is off",
            )
        # A drive that has just been taken back may not have told its fault yet.
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

    def _commission(self, request: Commission | EndCommission) -> Outcome:
        if (
            self.state in (State.STANDBY, State.RUNNING)
            or self.energising
            or self.controlled_stop.running
        ):
            return Outcome(False, "power off first: limits change only while de-energised")
        if isinstance(request, Commission) and self.profile.control.source != "torque":
            return Outcome(False, BY_TORQUE)
        if isinstance(request, EndCommission):
            self.envelope = None
            self.hold_to_run.needed = False
            self._adopt(reduced_profile(self.own_profile) if self.reduced else self.own_profile)
        else:
            self.envelope = request
            self.hold_to_run.needed = request.hold_to_run
            position = self.estimator.output_position_m
            # Only a bring-up, by a held control, may go beyond what an unverified rig may do.
            narrowed = self.reduced and not request.hold_to_run
            base = reduced_profile(self.own_profile) if narrowed else self.own_profile
            self._adopt(restricted_profile(base, request, position))
        self._event("envelope", envelope=self.envelope and self.envelope.model_dump())
        return Outcome(True, self._limits_text())

    def _limit_names(self, mask: int) -> list[str]:
        return limit_names(mask)

    def _limited_by(self, mask: int) -> str:
        names = ", ".join(name[0].lower() + name[1:] for name in self._limit_names(mask))
        return f", limited by {names}" if names else ""

    def _limits_text(self) -> str:
        if self.envelope is not None:
            return "taken"
        return "the limits are reduced: unverified rig" if self.reduced else LIMITS_OWN

    def _enable(self, request: Enable) -> Outcome:
        self.hold_to_run.hold(request.held)
        powered = self.state in (State.STANDBY, State.RUNNING) or self.energising
        if self.hold_to_run.needed and not request.held and powered:
            self.stop(Cause.HOLD_TO_RUN_RELEASED)
        return Outcome(True, "held" if request.held else "let go")

    def _withhold_heartbeat(self, request: WithholdHeartbeat) -> Outcome:
        if self.envelope is None or self.state is not State.STANDBY:
            return Outcome(False, "for restricted operation in standby only")
        self._withheld_s = request.seconds
        self.provoked_loss = True
        return Outcome(True, "the drive misses the heartbeat")

    def _use_calibration(self, request: UseCalibration) -> Outcome:
        changed = changed_calibration(self.own_profile, request.calibration)
        if isinstance(changed, str):
            return Outcome(False, changed)
        new = ForceCalibration(changed.calibration, changed.sensors.deflection)
        self.calibration.slide_to(
            new, slide_s(self.calibration.newest, new, self.own_profile.limits.deflection.limited)
        )
        self.own_profile = changed
        self.wide = self.wide.model_copy(update={"calibration": changed.calibration})
        self.profile = self.profile.model_copy(update={"calibration": changed.calibration})
        self.supervisor.use_calibration(self.profile)
        self._event("calibration", calibration=changed.calibration.model_dump(mode="json"))
        return Outcome(True, "the calibration is taken")

    def _tare(self, request: Tare) -> Outcome:
        if self.state is State.RUNNING:
            return Outcome(False, "a behaviour is active and would jump: power off, then tare")
        if request.clear:
            self.tare_N = 0.0
        elif abs(self._spring_force + self.tare_N) > 0.2 * self.profile.limits.force.limited:
            return Outcome(
                False,
                "more than a fifth of the force limit hangs on the rod: take the load off first",
            )
        else:
            self.tare_N += self._spring_force
        self._event("tare", tare_N=self.tare_N)
        return Outcome(True, f"tare is {self.tare_N:.1f} N")

    def _enter(self, state: State) -> None:
        self.state = state
        self._event("state", state=state.name, cause="", cause_text="")

    def _event(self, kind: str, **more: Any) -> None:
        self.events.append({"kind": kind, "time_s": self.time_s, "cycle": self.cycle, **more})
