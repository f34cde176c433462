"""A bench whose force setpoint a program on the link may renew every cycle."""

from __future__ import annotations

from drivers.base import Capabilities
from hil.bench.referencing import WHY_OPEN, ReferencedBench, is_verified
from hil.control import Coupled, ExternalForce
from hil.core import Apply, Cause, ExternalSetpoint, Outcome, Setpoint, State
from hil.profile import Profile


class ExternallySetBench(ReferencedBench):
    """A bench that takes setpoints from a program, and stops when none arrives in time."""

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        super().__init__(profile, capabilities, period_s)
        self._answers[Setpoint] = self._renew

    def _renew(self, values: Setpoint) -> Outcome:
        active = self._active
        if self.state is not State.RUNNING or not isinstance(active, ExternalForce):
            return Outcome(False, "no external setpoint is active: apply 'external_setpoint' first")
        checked = active.renew(values)
        if checked.refusal:
            return Outcome(False, checked.refusal)
        return Outcome(True, f"taken{self._limited_by(checked.limited_mask)}")

    def _apply(self, request: Apply) -> Outcome:
        behaviour = request.behaviour
        if not isinstance(behaviour, ExternalSetpoint):
            return super()._apply(request)
        if text := self._why_not_apply():
            return Outcome(False, text)
        if self.envelope is not None:
            return Outcome(False, "restricted operation takes no setpoints from a program")
        if not is_verified(self.reference):
            return self._refused(WHY_OPEN[self.reference])
        if not request.load_may_move:
            return self._refused(
                "a program will move the load. Fix: make sure that it may fall or be driven to an "
                "end, then apply with 'load_may_move'"
            )
        active = ExternalForce(behaviour, self.profile, self.gains)
        checked = active.renew(behaviour)
        if checked.refusal:
            return self._refused(checked.refusal)
        self._begin(active, behaviour.model_dump(), 0)
        return Outcome(True, "applied")

    @property
    def follows(self) -> str:
        """The axis that the present setpoint follows; '' if it follows none."""
        active = self._active
        if isinstance(active, Coupled) and self.state is State.RUNNING:
            return active.followed.axis
        return ""

    def _follow_program(self) -> None:
        """Stop when an external setpoint is not renewed in time, or an axis to follow is silent."""
        active = self._active
        if isinstance(active, Coupled) and self.state is State.RUNNING:
            if silence := active.followed.silence(self.time_s):
                self.stop(Cause.SETPOINT_LATE, silence)
            return
        if isinstance(active, ExternalForce) and active.overdue and self.state is State.RUNNING:
            self.stop(
                Cause.SETPOINT_LATE,
                f"no setpoint for {1e3 * active.gap_s:.0f} ms, longer than "
                f"{1e3 * active.longest_gap_s:g} ms",
            )
