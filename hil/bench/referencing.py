"""Position reference: how zero was obtained, and whether it can be relied on."""

from __future__ import annotations

from typing import Any, Final

from drivers.base import Capabilities, Telemetry
from drivers.motion import LENGTH, SPEED
from hil.bench.applying import ApplyingBench
from hil.control import Estimator, ReferenceSeek, repeatability
from hil.core import (
    Apply,
    ConfirmReference,
    MotorSpeed,
    MotorTorque,
    Outcome,
    PowerOff,
    PowerOn,
    SeekReference,
    State,
)
from hil.profile import Profile, rig_parameters

# Guesses: the force loop stays open.
UNVERIFIED: Final = "unverified"
KEPT: Final = "kept"
LOST: Final = "lost"
# Verified: by the operator, by a seek, by design.
CONFIRMED: Final = "confirmed"
MARK: Final = "mark"
FOUND: Final = "found"
HOME_SWITCH: Final = "home_switch"
ABSOLUTE: Final = "absolute"
SIMULATED: Final = "simulated"
STARTS_ON_END_M: Final = (
    1e-4  # nearer is on it: rest on a stiff end stop, common practice, no source
)
STANDS_M_S: Final = (
    0.005  # slower is at rest: above the noise of the estimate, common practice, no source
)
STATE_IT: Final = (
    "Fix: power off; let the output rest on its lower end, or move it by hand to the profile's "
    "mark, and confirm it"
)
FIX: Final = f"{STATE_IT}; or seek the reference ('hookeline reference')"
NOT_VERIFIED: Final = (
    f"reference not verified: zero is only where the rig was when the rig host started. {FIX}"
)
WHY_OPEN: Final = {
    UNVERIFIED: NOT_VERIFIED,
    KEPT: f"reference not verified: zero is kept from the last session, but not checked. {FIX}",
    # A seek needs power, which is refused while the motor position is unknown.
    LOST: f"reference lost: positions are no longer valid. {STATE_IT}",
}


def is_verified(reference: str) -> bool:
    """Return whether the force loop may be closed on a reference so obtained."""
    return bool(reference) and reference not in WHY_OPEN


def first_reference(profile: Profile) -> str:
    """Return how zero is obtained when the rig host starts.

    A simulated rig that starts on its lower end is known to be there.
    """
    if profile.sensors.motor.reference == "absolute":
        return ABSOLUTE
    if profile.simulation is None:
        return UNVERIFIED
    starts_m = rig_parameters(profile).initial_output_m
    return SIMULATED if abs(starts_m) <= STARTS_ON_END_M else UNVERIFIED


def why_not_confirmed(
    position_m: float, profile: Profile, estimator: Estimator, telemetry: Telemetry, has_zero: bool
) -> str:
    """Return why a de-energised rig's position cannot be confirmed now; empty if it can."""
    if profile.sensors.motor.reference == ABSOLUTE:
        return (
            "the motor sensor is absolute: its zero is the profile's. Fix: correct "
            "sensors.motor.absolute_offset"
        )
    if not has_zero or telemetry.lost or not telemetry.age_s <= profile.limits.telemetry_age:
        return "no fresh sample from the drive: wait for one, then confirm"
    stroke = profile.actuator.stroke
    if not 0.0 <= position_m <= stroke:
        return (
            f"{LENGTH(position_m):.1f}{LENGTH} lies outside the stroke, 0 to "
            f"{LENGTH(stroke):.1f}{LENGTH}. Fix: state where the output is"
        )
    speed = max(abs(estimator.output_velocity_m_s), abs(estimator.nut_velocity_m_s))
    if not speed <= STANDS_M_S:
        return f"the rig still moves, at {SPEED(speed):.0f}{SPEED}: let it rest, then confirm"
    return ""


class ReferencedBench(ApplyingBench):
    """A bench that keeps its force loop open until its reference is verified.

    Attributes:
        reference: how zero was obtained; see :func:`first_reference`.
    """

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        super().__init__(profile, capabilities, period_s)
        self.reference = first_reference(profile)
        self.kept_offset_m: float | None = None  # a guess from the last session, to begin with
        self._answers[ConfirmReference] = self._confirm_reference

    @property
    def nut_offset_m(self) -> float | None:
        """Nut position where the motor sensor counts 0; None before the first fresh sample."""
        return self._nut_offset

    def first_offset(self, nut_m: float, deflection_m: float) -> float:
        """Return the initial nut offset: absolute, kept, or from where the rig is."""
        motor = self.profile.sensors.motor
        if motor.reference == ABSOLUTE:
            return motor.absolute_offset
        kept_m = self.kept_offset_m
        if kept_m is not None and self.reference == UNVERIFIED:
            output_m = nut_m + kept_m - deflection_m
            room_m = self.own_profile.limits.travel.tripped_beyond
            if -room_m <= output_m <= self.own_profile.actuator.stroke + room_m:
                self.state_reference(KEPT, output_m)
                return kept_m
            self._event(
                "notice",
                text=f"the kept reference is discarded: the output would be at "
                f"{LENGTH(output_m):.1f}{LENGTH}, outside the stroke",
            )
        return deflection_m - nut_m

    def _energise(self, request: PowerOn) -> Outcome:
        if not self.powered:
            self.supervisor.law_is_measured = request.measures_law
        return super()._energise(request)

    def state_reference(self, how: str, position_m: float, **more: Any) -> None:
        """Record how zero was obtained, and report it."""
        self.reference = how
        self._event("reference", how=how, position_m=position_m, **more)

    def home_switch_acts(self) -> bool:
        """Return whether the profile's home switch is active in the latest sample."""
        switch, inputs = self.own_profile.reference.home_switch, self._telemetry.digital_inputs
        if switch is None or inputs < 0:
            return False
        return bool(inputs >> switch.input & 1) == (switch.active == "high")

    def _apply(self, request: Apply) -> Outcome:
        if isinstance(request.behaviour, SeekReference):
            return self._seek(request.behaviour)
        open_loop = isinstance(request.behaviour, MotorTorque | MotorSpeed)
        if not (open_loop or is_verified(self.reference) or self._why_not_apply()):
            return self._refused(WHY_OPEN[self.reference])
        return super()._apply(request)

    def _seek(self, sought: SeekReference) -> Outcome:
        if self.envelope is None:
            return Outcome(False, "a reference can be sought in restricted operation only")
        if self.state is not State.STANDBY:
            return Outcome(False, "a reference can be sought from standby only: power off, then on")
        if self.profile.sensors.motor.reference == ABSOLUTE:
            return Outcome(False, "the motor sensor is absolute: there is nothing to seek")
        if sought.by == HOME_SWITCH:
            if self.own_profile.reference.home_switch is None:
                return Outcome(
                    False, "the profile names no home switch. Fix: write reference.home_switch"
                )
            if self._telemetry.digital_inputs < 0:
                return Outcome(
                    False,
                    "the drive reports no digital inputs, so a home switch cannot be read. "
                    "Fix: seek an end; or name the drive's inputs in the profile",
                )
        seek = ReferenceSeek(
            sought,
            self.own_profile,
            self.estimator,
            self._spring_force + self.tare_N,
            self.reference not in (UNVERIFIED, LOST),
            self.home_switch_acts,
        )
        self._active = seek
        self._request_limits = 0
        self._event("applied", behaviour=sought.model_dump())
        self._enter(State.RUNNING)
        return Outcome(True, "seeking")

    def _seek_ended(self, seek: ReferenceSeek) -> None:
        """Remove power, and set zero by what was found."""
        self._power_off(PowerOff())
        if seek.ended != "found":
            self._event("reference_not_found", text=seek.text)
            return
        self._shift(seek.shift_m)
        touches = [1e3 * (at + seek.shift_m) for at in seek.touches_m]
        self.state_reference(
            HOME_SWITCH if seek.by_switch else FOUND,
            touches[-1] / 1e3,
            text=seek.text,
            shift_mm=1e3 * seek.shift_m,
            touches_mm=touches,
            repeatability_um=1e6 * repeatability(seek.touches_m),
        )

    def _shift(self, shift_m: float) -> None:
        """Move zero so that positions read ``shift_m`` more."""
        estimator = self.estimator
        self._nut_offset = (self._nut_offset or 0.0) + shift_m
        estimator.reset(estimator.nut_position_m + shift_m, estimator.deflection_m)
        self.supervisor.shift_positions(shift_m)
        self.supervisor.find_reference()

    def _confirm_reference(self, request: ConfirmReference) -> Outcome:
        if self.state is not State.DE_ENERGISED or self.energising or self.removal.pending:
            return Outcome(
                False, "the reference can be confirmed only while de-energised: power off"
            )
        if self.envelope is not None:
            return Outcome(False, "end restricted operation first: its limits depend on positions")
        mark = self.own_profile.reference.mark
        if request.mark and mark is None:
            return Outcome(False, "the profile names no mark. Fix: write reference.mark")
        position_m = mark.position if request.mark and mark else request.position_m
        refusal = why_not_confirmed(
            position_m, self.profile, self.estimator, self._telemetry, self._nut_offset is not None
        )
        if refusal:
            return Outcome(False, refusal)
        shift_m = position_m - self.estimator.output_position_m
        self._shift(shift_m)
        self.state_reference(
            MARK if request.mark else CONFIRMED, position_m, shift_mm=1e3 * shift_m
        )
        return Outcome(True, f"the output is at {LENGTH(position_m):.1f}{LENGTH}")
