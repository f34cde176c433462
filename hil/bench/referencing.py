"""Reference of the positions: how their zero was obtained, and whether it may be relied on."""

from __future__ import annotations

from drivers.base import Capabilities, Telemetry
from hil.bench.bench_state import BenchState
from hil.control import Estimator
from hil.core import Apply, ConfirmReference, MotorSpeed, MotorTorque, Outcome, Request, State
from hil.profile import Profile, rig_parameters

UNVERIFIED, CONFIRMED, ABSOLUTE, SIMULATED = "unverified", "confirmed", "absolute", "simulated"
STARTS_ON_END_M = 1e-4  # nearer is on it: rest on a stiff end stop, common practice, no source
STANDS_M_S = 0.005  # slower is at rest: above the noise of the estimate, common practice, no source
NOT_VERIFIED = (
    "reference not verified: zero is only where the rig stood when the rig host began. Fix: power "
    "off, let the output rest on its lower end and confirm it (request confirm_reference, or start "
    "with --reference-at-lower-end)"
)


def first_reference(profile: Profile) -> str:
    """Return how zero is obtained when the rig host begins.

    A simulated rig is known to stand on its lower end, if that is where it starts.
    """
    if profile.sensors.motor.reference == "absolute":
        return ABSOLUTE
    if profile.simulation is None:
        return UNVERIFIED
    starts_m = rig_parameters(profile).initial_output_m
    return SIMULATED if abs(starts_m) <= STARTS_ON_END_M else UNVERIFIED


def why_not_confirmed(
    request: ConfirmReference,
    profile: Profile,
    estimator: Estimator,
    telemetry: Telemetry,
    has_zero: bool,
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
    if not 0.0 <= request.position_m <= stroke:
        return (
            f"{1e3 * request.position_m:.1f} mm lies outside the stroke, 0 to {1e3 * stroke:.1f} "
            "mm. Fix: state where the output stands"
        )
    speed = max(abs(estimator.output_velocity_m_s), abs(estimator.nut_velocity_m_s))
    if not speed <= STANDS_M_S:
        return f"the rig still moves, at {1e3 * speed:.0f} mm/s: let it rest, then confirm"
    return ""


class ReferencedBench(BenchState):
    """A bench that keeps its force loop open until its reference is verified.

    Attributes:
        reference: how zero was obtained; see :func:`first_reference`.
    """

    def __init__(self, profile: Profile, capabilities: Capabilities, period_s: float) -> None:
        super().__init__(profile, capabilities, period_s)
        self.reference = first_reference(profile)

    def ask(self, request: Request) -> Outcome:
        """Take or refuse a request; what it starts becomes visible from the next cycle on."""
        if isinstance(request, ConfirmReference):
            return self._confirm_reference(request)
        return super().ask(request)

    def state_reference(self, how: str, position_m: float = 0.0) -> None:
        """Keep how zero was obtained, and tell so."""
        self.reference = how
        self._event("reference", how=how, position_m=position_m)

    def _apply(self, request: Apply) -> Outcome:
        # Restricted operation by a held control does not rest on it, or is there to verify it.
        held = self.envelope is not None and self.envelope.hold_to_run
        if (
            self.reference == UNVERIFIED
            and self.state in (State.STANDBY, State.RUNNING)
            and not held
            and not isinstance(request.behaviour, MotorTorque | MotorSpeed)
        ):
            self._event("refused", text=NOT_VERIFIED)
            return Outcome(False, NOT_VERIFIED)
        return super()._apply(request)

    def _confirm_reference(self, request: ConfirmReference) -> Outcome:
        if self.state is not State.DE_ENERGISED or self.energising or self.removal.pending:
            return Outcome(False, "the reference is confirmed while de-energised only: power off")
        if self.envelope is not None:
            return Outcome(False, "end restricted operation first: its limits rest on positions")
        refusal = why_not_confirmed(
            request, self.profile, self.estimator, self._telemetry, self._nut_offset is not None
        )
        if refusal:
            return Outcome(False, refusal)
        estimator = self.estimator
        shift_m = request.position_m - estimator.output_position_m
        self._nut_offset = (self._nut_offset or 0.0) + shift_m
        estimator.reset(estimator.nut_position_m + shift_m, estimator.deflection_m)
        self.supervisor.shift_positions(shift_m)
        self.state_reference(CONFIRMED, request.position_m)
        return Outcome(True, f"the output stands at {1e3 * request.position_m:.1f} mm")
