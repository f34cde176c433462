"""State of the bench between two cycles, and its stop.

``hil.bench.cycle`` advances it. Nothing here reads a clock, does input or output, or moves anything
by itself: a request changes what the next cycle does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from drivers.base import Capabilities, Command, PowerRequest, Telemetry
from hil.control import (
    NO_CAP,
    NO_OTHERS,
    ActiveBehaviour,
    ControlledStop,
    Estimator,
    ForceCalibration,
    HoldToRun,
    LiveCalibration,
    LoopSlide,
    OpenLoop,
    PowerRemoval,
    PowerSequence,
    Shaper,
    Slide,
    VelocityController,
    capped_gains,
    capped_profile,
    design_source,
    make_controller,
    make_position_target,
    make_torque_feedforward,
    reduced_profile,
    tiers_of,
    within_passivity,
)
from hil.core import (
    ALWAYS_CATEGORY_0,
    CHOSEN,
    NO_SAMPLE,
    AxisSeen,
    Behaviour,
    Cause,
    Commission,
    State,
    label,
    limit_names,
    sentence,
)
from hil.profile import Profile
from hil.supervision import LimitNotices, Supervisor

NAN: Final = float("nan")
# A stop sent to every axis at once comes within two cycles; a person presses no key twice so quickly.
# Common practice, no source.
SAME_STOP_S: Final = 0.05
# Looked up once: by its class, a member costs several look-ups in each cycle.
_STANDBY: Final = State.STANDBY
_RUNNING: Final = State.RUNNING
_POWER_ON: Final = PowerRequest.ON


class BenchState:
    """State kept from one cycle to the next, and the requests that change it.

    Args:
        profile: the rig.
        capabilities: capabilities of the opened drive.
        period_s: cycle period in s.

    ``axis`` is its name among several, ``others`` are those; empty for a single one.
    ``command`` must be sent to the drive after ``advance``. ``events`` collects what a
    reader of the run needs to know; the owner of the loop empties it.
    """

    _slide: Slide | None = None  # of limits, and of the force loop, towards narrower ones
    _loop_slide: LoopSlide | None = None
    _slowed = False  # the force loop is one of the slower ones, not the design for its bandwidth

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        self.axis = ""
        self._delay_s = capabilities.command_delay_cycles * period_s
        profile = within_passivity(profile, period_s, self._delay_s)
        self.own_profile = profile  # as loaded; ``profile`` may be narrower
        self.wide = profile  # before the session cap
        self.cap = NO_CAP
        self.profile = profile
        self.reduced = False  # an unverified rig: its limits stay reduced
        self.period_s = period_s
        self.capabilities = capabilities
        hand = 1 if profile.actuator.transmission.hand == "right" else -1
        self.sign = hand * profile.sensors.motor.sign
        self.nut_per_rad = self.sign * profile.actuator.transmission.lead / (2 * math.pi)
        self.position_target = make_position_target(profile)
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
        self._stopped_s = 0.0
        self._loss_reported = False  # a loss of the drive after the stop was reported
        self.tare_N = self.tare_before_N = 0.0
        self.row = NO_SAMPLE
        # Other axes by name, refilled each cycle by the owner of the loop; none on a single axis.
        self.others: Mapping[str, AxisSeen] = NO_OTHERS

        self.envelope: Commission | None = None
        self.hold_to_run = HoldToRun()

        self._power = PowerSequence()
        self.removal = PowerRemoval.of_drive(capabilities)
        self._active: ActiveBehaviour | OpenLoop | None = None
        self.applied: Behaviour | None = None  # behaviour behind ``_active``, once checked
        self.provoked_loss = False  # a loss of the drive would follow from our own request
        self._withheld_s = 0.0  # time for which the heartbeat is still withheld
        self._request_limits = 0
        self._limit_notices = LimitNotices()
        self._nut_offset: float | None = None
        self._shaped = NAN
        self._spring_force = 0.0
        self._telemetry = Telemetry()
        self._sampled_s = math.nan  # when the youngest motor sample was taken

    @property
    def energising(self) -> bool:
        """True if power on was requested and the power stage is not on yet."""
        return self._power.requested is _POWER_ON

    @property
    def powered(self) -> bool:
        """True if the power stage is on, or turning on, to follow requests."""
        state = self.state
        return state is _STANDBY or state is _RUNNING or self.energising

    @property
    def by_velocity(self) -> bool:
        """True if the force controller commands a nut velocity."""
        return isinstance(self.force_controller, VelocityController)

    def reduce(self, reduced: bool = True) -> None:
        """Reduce the limits of an unverified rig, or restore the profile's own; without power only."""
        self.reduced = reduced
        self._adopt(reduced_profile(self.own_profile) if reduced else self.own_profile)

    def _adopt(self, profile: Profile) -> None:
        """Use this profile's limits and force loop, and the session cap; without power only."""
        self.wide = profile
        capped = capped_profile(profile, self.cap)
        # The force loop is that of the rig: a cap on its force does not change its friction.
        profile = profile.model_copy(update={"control": capped.control})
        if profile.actuator != self.profile.actuator:
            self.estimator.use(profile)
        self._slide = self._loop_slide = None
        slowed, self._slowed = self._slowed, False
        other = profile.control != self.profile.control or profile.actuator != self.profile.actuator
        if other or slowed:
            # The redesign blocks the bus for about 60 ms: only if needed.
            self._gains = design_source(profile, self.period_s, self._delay_s)
        self.gains = capped_gains(self._gains, self.cap)
        self.profile = capped
        self.force_controller = make_controller(
            profile, self.gains, self.period_s, self.calibration
        )
        self.torque_feedforward = make_torque_feedforward(profile, self.gains)
        if not self.capabilities.adds_torque:
            self.torque_feedforward = None  # ``check`` has refused it
        if isinstance(self.force_controller, VelocityController):
            self.force_controller.narrow(capped.limits.speed.limited)
        self.shaper = Shaper(profile)
        before, self.supervisor = self.supervisor, Supervisor(profile, self.period_s)
        self.supervisor.take_over(before)
        self.supervisor.narrow(capped, tiers_of(capped))
        self.supervisor.restricted = profile.limits.force != self.own_profile.limits.force
        self.controlled_stop = ControlledStop(profile)

    def stop(self, cause: int, detail: str = "") -> None:
        """Enter Stopped and latch the first cause; power is removed as the profile states."""
        if self.state is State.STOPPED:
            if cause == Cause.OPERATOR and self._stopped_with_another:
                return
            # The first cause may persist; any other, or another stop by the operator, requires
            # power off now.
            if cause != self.cause or cause in CHOSEN or cause in ALWAYS_CATEGORY_0:
                self._cut_short(detail or sentence(cause))
            if cause == Cause.DRIVE_LOST != self.cause and not self._loss_reported:
                # The screen keeps the first cause: only a notice shows this one.
                self._loss_reported = True
                why = (detail or sentence(cause)).removeprefix("the drive is lost: ")
                self._event("notice", text=f"the drive is lost as well, after the stop: {why}")
            if cause != Cause.POWER_NOT_REMOVED or self.cause == cause:
                return
            # It outranks the first cause, which stays in the text.
            detail = f"{detail} (stopped first for: {label(self.cause).lower()})"
        moving_under_power = self.state in (State.STANDBY, State.RUNNING)
        self._loss_reported = False
        self._stopped_s = self.time_s
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

    @property
    def _stopped_with_another(self) -> bool:
        """True right after the stop of another axis: the same stop may have been sent to each."""
        since_s = self.time_s - self._stopped_s
        return self.cause == Cause.OTHER_AXIS and since_s < SAME_STOP_S

    def _cut_short(self, why: str) -> None:
        """End a controlled stop in category 0, and report it."""
        if self.controlled_stop.running:
            self.controlled_stop.abandon()
            self._event("notice", text=f"controlled stop cut short, power off commanded: {why}")

    def held_up(self, late_s: float, most_s: float) -> None:
        """Stop a bench under power after a cycle ``late_s`` late, above ``most_s``."""
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

    def _limit_names(self, mask: int) -> list[str]:
        return limit_names(mask)

    def _limited_by(self, mask: int) -> str:
        names = ", ".join(name[0].lower() + name[1:] for name in self._limit_names(mask))
        return f", limited by {names}" if names else ""

    def _enter(self, state: State) -> None:
        self.state = state
        self._event("state", state=state.name, cause="", cause_text="")

    def _event(self, kind: str, **more: Any) -> None:
        self.events.append({"kind": kind, "time_s": self.time_s, "cycle": self.cycle, **more})
