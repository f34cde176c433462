"""A bench that takes requests; each acts from the next cycle on, and moves nothing by itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from drivers.base import Capabilities
from drivers.motion import FORCE
from hil.bench.powering import PoweringBench
from hil.control import (
    ForceCalibration,
    changed_calibration,
    plant_refused,
    reduced_profile,
    restricted_profile,
    slide_s,
)
from hil.core import (
    Cause,
    Commission,
    Enable,
    EndCommission,
    EndRun,
    Marker,
    Message,
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
)
from hil.core import Stop as StopRequest
from hil.profile import Profile

LIMITS_OWN: Final = "the limits are the profile's"


class AskedBench(PoweringBench):
    """A bench that answers requests, with one method per kind."""

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        super().__init__(profile, capabilities, period_s)
        self._answers: dict[type[Message], Callable[[Any], Outcome]] = {
            StopRequest: self._stop_asked,
            Enable: self._enable,
            PowerOn: self._energise,
            PowerOff: self._power_off,
            Reset: self._reset,
            Tare: self._tare,
            Commission: self._commission,
            EndCommission: self._commission,
            WithholdHeartbeat: self._withhold_heartbeat,
            UseCalibration: self._use_calibration,
            Marker: self._mark,
            StartRun: self._start_run,
            EndRun: self._end_run,
        }

    def ask(self, request: Request) -> Outcome:
        """Take or refuse a request; its effect shows from the next cycle on."""
        return self._answers[type(request)](request)

    def _stop_asked(self, request: StopRequest) -> Outcome:
        self.stop(Cause.OPERATOR, request.cause)
        return Outcome(True, "stopped")

    def _mark(self, request: Marker) -> Outcome:
        self._event("marker", text=request.text, values=dict(request.values))
        return Outcome(True, "marked")

    def _start_run(self, request: StartRun) -> Outcome:
        self._event("start_run", name=request.name, note=request.note)
        return Outcome(True, "the recorder was requested to start a run")

    def _end_run(self, _request: EndRun) -> Outcome:
        self._event("end_run")
        return Outcome(True, "the recorder was requested to end the run")

    def _commission(self, request: Commission | EndCommission) -> Outcome:
        if (
            self.state in (State.STANDBY, State.RUNNING)
            or self.energising
            or self.controlled_stop.running
        ):
            return Outcome(False, "power off first: limits change only while de-energised")
        if isinstance(request, Commission) and (why := plant_refused(self.own_profile, request)):
            return Outcome(False, why)
        if isinstance(request, EndCommission):
            self.envelope = None
            self.hold_to_run.needed = False
            self._adopt(reduced_profile(self.own_profile) if self.reduced else self.own_profile)
        else:
            self.envelope = request
            self.hold_to_run.needed = request.hold_to_run
            position = self.estimator.output_position_m
            # Only bring-up, under hold-to-run, may exceed the reduced limits of an unverified rig.
            narrowed = self.reduced and not request.hold_to_run
            base = reduced_profile(self.own_profile) if narrowed else self.own_profile
            self._adopt(restricted_profile(base, request, position))
        self._event(
            "envelope", envelope=self.envelope and self.envelope.model_dump(exclude_none=True)
        )
        return Outcome(True, self._limits_text())

    def _limits_text(self) -> str:
        if self.envelope is not None:
            return "taken"
        return "the limits are reduced: unverified rig" if self.reduced else LIMITS_OWN

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
        return Outcome(True, "the calibration is in use")

    def _tare(self, request: Tare) -> Outcome:
        if self.state is State.RUNNING:
            return Outcome(False, "a behaviour is active and would jump: power off, then tare")
        before_N = self.tare_N
        if request.undo:
            self.tare_N = self.tare_before_N
        elif request.clear:
            self.tare_N = 0.0
        elif abs(self._spring_force + self.tare_N) > 0.2 * self.profile.limits.force.limited:
            return Outcome(
                False,
                "more than a fifth of the force limit hangs on the rod: take the load off first",
            )
        else:
            self.tare_N += self._spring_force
        self.tare_before_N = before_N
        self._event("tare", tare_N=self.tare_N)
        return Outcome(True, f"tare is {FORCE(self.tare_N):.1f}{FORCE}")
