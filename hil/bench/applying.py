"""A bench that applies behaviours: checked, then refused with the reason or started without a jump."""

from __future__ import annotations

import math
from typing import Any

from drivers.base import Capabilities
from hil.bench.asking import AskedBench
from hil.bench.bench_state import NAN
from hil.control import (
    ActiveBehaviour,
    SpeedRun,
    TorqueRun,
    check_behaviour,
    coupled_now,
    coupling_of,
    expected_motion,
    start_behaviour,
)
from hil.core import (
    CONFIRM_LOAD_MOTION,
    Apply,
    BehaviourCode,
    ConstantForce,
    MotorSpeed,
    MotorTorque,
    Outcome,
    State,
    Waveform,
)
from hil.profile import Profile


class ApplyingBench(AskedBench):
    """A bench that takes the request to apply a behaviour."""

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        super().__init__(profile, capabilities, period_s)
        self._answers[Apply] = self._apply

    def _why_not_apply(self) -> str:
        """Return why no behaviour can be applied now; '' if one can."""
        if self.state is State.STOPPED:
            return "the bench is stopped: find the cause, then reset"
        return "power is off: power on first" if self.state is State.DE_ENERGISED else ""

    def _refused(self, text: str) -> Outcome:
        self._event("refused", text=text)
        return Outcome(False, text)

    def _apply(self, request: Apply) -> Outcome:
        if text := self._why_not_apply():
            return Outcome(False, text)
        if isinstance(request.behaviour, MotorTorque | MotorSpeed):
            return self._apply_open_loop(request.behaviour)
        if self.envelope is not None and not self.envelope.closed_loop:
            return Outcome(False, "restricted operation: the force loop must stay open")
        coupled = coupling_of(request.behaviour) is not None
        if coupled and self.envelope is not None:
            return Outcome(False, "restricted operation follows no other axis")
        try:
            asked = coupled_now(
                request.behaviour, self.axis, self.others, self.profile, self.time_s
            )
        except ValueError as error:
            return self._refused(str(error))
        checked = check_behaviour(asked, self.profile, self.gains)
        if checked.refusal:
            return self._refused(checked.refusal)
        if coupled and isinstance(asked, ConstantForce) and not request.load_may_move:
            return self._refused(
                f"A force that follows another axis does not hold the load. {CONFIRM_LOAD_MOTION}"
            )
        if self.envelope is None and not request.load_may_move:
            # Restricted operation has reduced force and speed, and a hold-to-run control.
            motion = expected_motion(
                checked.behaviour,
                self.profile,
                self.supervisor.balance_N,
                self.estimator.output_position_m,
            )
            if motion:
                return self._refused(f"{motion[0].upper()}{motion[1:]}. {CONFIRM_LOAD_MOTION}")
        active = start_behaviour(
            checked.behaviour,
            self.profile,
            self.estimator.output_position_m,
            self._spring_force if self.state is State.STANDBY else self._shaped,
            self.gains,
            self.others,
        )
        described = checked.behaviour.model_dump(exclude={"points"})
        if isinstance(checked.behaviour, Waveform):
            described["point_count"] = len(checked.behaviour.points)
        self.applied = checked.behaviour
        self._begin(active, described, checked.limited_mask)
        return Outcome(True, f"applied{self._limited_by(checked.limited_mask)}")

    def _begin(self, active: ActiveBehaviour, described: dict[str, Any], limited_mask: int) -> None:
        """Close the force loop around another behaviour, without a force jump."""
        if self.state is State.STANDBY:
            self.force_controller.reset(0.0)
            self.shaper.start(self._spring_force)
        else:
            self.shaper.start(self._shaped)
        self._active = active
        self._request_limits = limited_mask
        by_time = active.code == BehaviourCode.WAVEFORM
        self.supervisor.following.change(by_time and not active.stiffness_N_m > 0.0)
        self._event("applied", behaviour=described)
        if self.state is not State.RUNNING:
            self._enter(State.RUNNING)

    def _apply_open_loop(self, behaviour: MotorTorque | MotorSpeed) -> Outcome:
        if self.envelope is None:
            return Outcome(
                False, f"{behaviour.kind.replace('_', ' ')} is for restricted operation only"
            )
        if not all(math.isfinite(v) for _, v in behaviour if isinstance(v, float)):
            return Outcome(False, "refused: a value is not a finite number")
        most = min(self.supervisor.bounds.torque_limit_N_m, self.envelope.torque_N_m)
        if abs(behaviour.torque_N_m) > most + 1e-9:
            return Outcome(
                False,
                f"{abs(behaviour.torque_N_m):.3g} N·m is refused: the envelope ends at {most:.3g} N·m",
            )
        if self.by_velocity and not math.isfinite(self._telemetry.torque_N_m):
            return Outcome(
                False,
                "restricted operation relies on measured torque, and the drive reports none. "
                "Fix: let it report torque or current ('gives' of a described board)",
            )
        if isinstance(behaviour, MotorSpeed) and behaviour.shake_m_s and not self.by_velocity:
            return Outcome(False, "a drive commanded in torque has no loop to shake")
        if isinstance(behaviour, MotorTorque):
            acts = self._telemetry if self.by_velocity else self.command
            self._active = TorqueRun(
                behaviour, self.estimator, self.profile, acts.torque_N_m * self.sign
            )
        else:
            if abs(behaviour.speed_m_s) > self.profile.limits.speed.limited:
                return Outcome(False, "the speed is refused: it is outside the envelope")
            self._active = SpeedRun(behaviour, self.estimator, self.profile)
        self._request_limits = 0
        self._shaped = NAN
        self._event("applied", behaviour=behaviour.model_dump())
        if self.state is not State.RUNNING:
            self._enter(State.RUNNING)
        return Outcome(True, "applied")
