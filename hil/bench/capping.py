"""A bench whose limits may be narrowed for the session at any time, and widened only without power."""

from __future__ import annotations

import math
from typing import Final

from drivers.base import Capabilities
from drivers.motion import FORCE
from hil.bench.external import ExternallySetBench
from hil.control import (
    ActiveBehaviour,
    ExternalForce,
    ForceController,
    ForceGains,
    LawGains,
    LoopSlide,
    OpenLoop,
    Slide,
    VelocityController,
    VelocityGains,
    VelocityLaw,
    cap_data,
    cap_text,
    capped_gains,
    capped_profile,
    carry_on,
    check_behaviour,
    coupling_of,
    design_slower,
    merged_cap,
    own_values,
    start_behaviour,
    tiers_of,
    widened,
)
from hil.core import Limit, Outcome, SessionCap, State, Waveform, label
from hil.profile import Profile

# Over the present load on the rod: at a closer limit the load would sink at the next disturbance.
# Common practice, no source.
LEAST_OVER_BORNE: Final = 1.1
LIMITS_OF: dict[int, str] = {
    Limit.FORCE: "force_N",
    Limit.SPEED: "speed_m_s",
    Limit.VIRTUAL_STIFFNESS: "stiffness_N_m",
}


class CappedBench(ExternallySetBench):
    """A bench that takes a session cap, and slides to it while power is on."""

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        super().__init__(profile, capabilities, period_s)
        self._answers[SessionCap] = self._cap
        self._loops: tuple[ForceGains | VelocityGains, ...] = ()

    def stop(self, cause: int, detail: str = "") -> None:
        """Stop as :class:`BenchState` does; the detail names the cap if the cap tripped."""
        super().stop(cause, f"{detail}{self._by_cap(cause)}" if detail else "")

    def _by_cap(self, limit: int) -> str:
        """Return the phrase that names the cap as the origin of a limit's value; '' if it is not."""
        name = LIMITS_OF.get(limit, "")
        most = getattr(self.cap, name, None)
        if most is None or most >= own_values(self.wide)[name]:
            return ""
        return f", by the session cap of {cap_text(SessionCap.model_validate({name: most}))}"

    def _refused(self, text: str) -> Outcome:
        if self._by_cap(Limit.VIRTUAL_STIFFNESS) and text.startswith("virtual stiffness"):
            text = f"{text.partition(',')[0]}, the session cap; request less"
        return super()._refused(text)

    def _limit_names(self, mask: int) -> list[str]:
        return [
            f"{label(limit)} (session cap)" if self._by_cap(limit) else label(limit)
            for limit in Limit
            if mask >> limit & 1
        ]

    def _cap(self, request: SessionCap) -> Outcome:
        new = merged_cap(self.cap, request)
        powered = self.powered or self.controlled_stop.running
        if wider := widened(self.wide, self.cap, new):
            if powered:
                return Outcome(
                    False, f"{wider} in force: power off first, limits widen only without power"
                )
            if not request.widen:
                return Outcome(False, f"{wider} in force. Fix: confirm it with 'widen'")
        slower: ForceGains | VelocityGains | None = None
        if powered:
            if new.bandwidth_Hz is not None and new.bandwidth_Hz != self.cap.bandwidth_Hz:
                found = self._slower(new.bandwidth_Hz)
                if isinstance(found, str):
                    return Outcome(False, found)
                slower = found
            if refusal := self._too_near(new):
                return Outcome(False, refusal)
        before = tiers_of(self.profile)
        self.cap = new
        if powered:
            if slower is not None:
                self._slow_down(slower)
            self._narrow(slower is not None)
            self._slide = Slide(before, tiers_of(self.profile))
        else:
            self._adopt(self.wide)
        text = f"session cap {cap_text(new)}" if cap_text(new) else "no session cap"
        if slower is not None:
            text += f"; the force loop changes to {slower.predicted.bandwidth_Hz:.1f} Hz"
        self._event("session_cap", cap=cap_data(new), text=text)
        return Outcome(True, text)

    def prepare_slower(self) -> None:
        """Design the loops that a cap may change to under power; takes about 100 ms."""
        self._loops = design_slower(self.own_profile, self.period_s, self._delay_s)

    def _slower(self, most_Hz: float) -> ForceGains | VelocityGains | str | None:
        """Return a loop of at most this bandwidth, None if the present one is; else why not, as text."""
        now, own = self._gains, self.own_profile
        another = self.wide.control != own.control or self.wide.actuator != own.actuator
        if self.envelope is not None or another:
            return "power off first: for another bandwidth this force loop is redesigned"
        if now.predicted.bandwidth_Hz <= most_Hz:
            return None
        if not self._loops:
            self.prepare_slower()  # the rig host has done so; in lockstep there is time
        for loop in self._loops:
            if loop.predicted.bandwidth_Hz <= most_Hz and loop.natural_rad_s < now.natural_rad_s:
                return loop
        if not self._loops:
            return "power off first: this rig has no slower loop that it can change to under power"
        least = self._loops[-1].predicted.bandwidth_Hz
        return (
            f"power off first: below {math.ceil(10 * least) / 10:.1f} Hz the force loop is redesigned, "
            "which takes longer than a cycle"
        )

    def _slow_down(self, loop: ForceGains | VelocityGains) -> None:
        """Change to a slower force loop; the limits that it sets apply at once."""
        before = self._loop_slide or self._gains
        self._loop_slide = LoopSlide(before.law, before.natural_rad_s, loop)
        controller = self.force_controller
        if isinstance(controller, VelocityController) and isinstance(loop, VelocityGains):
            controller.use_feedforward(loop)
        self._gains = self.gains = loop
        self._slowed = True
        control = self.profile.control.model_copy(
            update={"force_bandwidth": loop.predicted.bandwidth_Hz}
        )
        # At once as well: the model of the slower loop allows for the difference of both.
        self.supervisor.use_loop(self.profile.model_copy(update={"control": control}))

    def _too_near(self, new: SessionCap) -> str:
        """Return why the force limit cannot be narrowed so far while power is on; '' if it can."""
        borne = max(
            abs(self.supervisor.balance_N), abs(self._spring_force + self.tare_N), key=float
        )
        least = LEAST_OVER_BORNE * borne
        force = capped_profile(self.wide, new).limits.force.limited
        if force >= self.profile.limits.force.limited or force >= least:
            return ""
        return (
            f"the rod carries {FORCE(borne):.0f}{FORCE}, and a limit of "
            f"{FORCE(force):.4g}{FORCE} would let the load sink. "
            f"Fix: take the load off first, or narrow to {FORCE(least):.0f}{FORCE} or more"
        )

    def _narrow(self, anew: bool) -> None:
        """Check behaviours against the narrower profile at once, and renew the active one.

        Args:
            anew: renew it even if its values stay: another force loop renders it.
        """
        self.profile = capped_profile(self.wide, self.cap)
        self.gains = capped_gains(self.gains, self.cap)
        active = self._active
        if self.state is not State.RUNNING or active is None or isinstance(active, OpenLoop):
            return
        # An active behaviour is limited, never refused.
        control = self.profile.control.model_copy(update={"over_stiff": "bound"})
        trimming = self.profile.model_copy(update={"control": control})
        if isinstance(active, ExternalForce):
            active.narrow(trimming, self.profile, self.gains)
            return
        behaviour = self.applied
        if behaviour is None:
            return
        checked = check_behaviour(behaviour, trimming, self.gains)
        # A coupled setpoint has the limits of the profile with which it began.
        anew |= coupling_of(behaviour) is not None
        if checked.refusal or (checked.behaviour == behaviour and not anew):
            return
        new: ActiveBehaviour = start_behaviour(
            checked.behaviour,
            self.profile,
            self.estimator.output_position_m,
            self._shaped,
            self.gains,
            self.others,
        )
        carry_on(active, new)
        described = checked.behaviour.model_dump(exclude={"points"})
        if isinstance(checked.behaviour, Waveform):
            described["point_count"] = len(checked.behaviour.points)
        self.applied = checked.behaviour
        self._begin(new, described, checked.limited_mask)

    def _follow_cap(self, dt_s: float) -> None:
        """Continue to the narrower limits; once a cycle."""
        loop, controller = self._loop_slide, self.force_controller
        if loop is not None:
            loop.advance(dt_s)
            law = loop.law
            if isinstance(law, LawGains) and isinstance(controller, ForceController):
                controller.retune(law, loop.natural_rad_s)
            elif isinstance(law, VelocityLaw) and isinstance(controller, VelocityController):
                controller.retune(law)
            if loop.ended:
                self._loop_slide = None
        slide = self._slide
        if slide is None:
            return
        tiers = slide.advance(dt_s)
        self.supervisor.narrow(self.profile, tiers)
        if isinstance(self.force_controller, VelocityController):
            self.force_controller.narrow(tiers.speed_m_s)
        if slide.ended:
            self._slide = None
