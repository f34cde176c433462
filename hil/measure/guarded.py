"""Guarded tests: each a procedure recorded as a run, under hold-to-run, that ends with power off."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from typing import Literal

from hil.bringup import make_safe
from hil.core import (
    Apply,
    Behaviour,
    Commission,
    EndRun,
    HoldPosition,
    Limit,
    Marker,
    StartRun,
    fix,
)
from hil.measure.characteristic import Evaluation, RecordedRun
from hil.procedures import (
    Action,
    Ask,
    BenchStopped,
    Hand,
    Note,
    Pause,
    ProcedureFailed,
    Seen,
    restart,
    send_requests,
)
from hil.profile import Profile

Fitting = Literal["output blocked", "lever free", "weights"]
Part = Generator[Action, Seen, None]
BREATH_S = 0.05  # between EndRun and the next run: the host answers within a cycle or two
MOVE_S = 1.0  # beyond the duration of the move
RUN_PREFIX = "measure "
BALANCE = (
    "Take the weights off, and balance the output (a counterweight, a spring balance, or the "
    "rod uncoupled from it), so that no weight acts on the rod and it is free to move over the "
    "whole stroke."
)
BLOCK = "Clamp the output firmly where it is, so that neither hand nor motor can move it."
HANDS_AWAY = "Hands away from screw, springs and lever"
PLANT = "plant"  # the test that tolerates a rig that is not as stated
MEASURE_PLANT = (
    "If nothing on the rig has changed, its mass or friction differs from the profile: run the "
    f"test Plant ({PLANT}), which tolerates that, and take over the values that it proposes."
)


@dataclass(frozen=True)
class GuardedTest:
    """One test of the plan: texts for the operator, the procedure, and the evaluation of its run.

    Attributes:
        key: short name, as on the command line.
        fitting: what must be fitted.
        lasts_s: expected duration for a profile, without manual actions.
        run: the motion; power is off before and after.
        evaluate: figures from the recorded run alone, so that they can be recomputed.
        truth: exact figures of a simulated rig by name, if a formula gives them; the others are
            taken from its true states.
        on_request: too long for the default plan; run only if selected.
    """

    key: str
    title: str
    purpose: str
    risk: str
    fitting: tuple[Fitting, ...]
    lasts_s: Callable[[Profile], float]
    run: Callable[[Profile], Part]
    evaluate: Callable[[RecordedRun, Profile], Evaluation]
    truth: Callable[[Profile], dict[str, float]] = lambda _profile: {}
    on_request: bool = False

    @property
    def run_name(self) -> str:
        return RUN_PREFIX + self.key


@dataclass(frozen=True)
class EndOfTest:
    """End of one test; ``text`` says why if it did not finish."""

    key: str
    how: Literal["finished", "stopped", "failed"]
    text: str = ""


def measure_all(
    tests: Sequence[GuardedTest],
    profile: Profile,
    on_start: Callable[[GuardedTest], None],
    on_end: Callable[[EndOfTest], None],
) -> Generator[Action, Seen, list[EndOfTest]]:
    """Run the tests in order, up to the first that does not finish.

    After each test, power is off and the profile's own limits apply.

    Args:
        tests: those to run.
        profile: as in force on the bench.
        on_start, on_end: called for each test, so that a record is complete at any moment.
    """
    ends: list[EndOfTest] = []
    for test in tests:
        on_start(test)
        yield Note(f"{test.title}: {test.purpose}")
        end = EndOfTest(test.key, "finished")
        try:
            yield from send_requests([StartRun(name=test.run_name, note=test.purpose)])
            yield Pause(BREATH_S)
            yield from test.run(profile)
        except BenchStopped as stop:
            text = f"the bench stopped ({stop.cause}): {str(stop).rstrip('.')}. {fix(stop.code)}"
            if stop.code == Limit.DISAGREEMENT and test.key != PLANT:
                text = f"{text} {MEASURE_PLANT}"
            end = EndOfTest(test.key, "stopped", text.strip())
        except ProcedureFailed as failure:
            end = EndOfTest(test.key, "failed", str(failure))
        if end.how == "finished":
            yield from mark("finished", {})
        yield from make_safe()
        yield Ask(EndRun())
        yield Pause(BREATH_S)
        ends.append(end)
        on_end(end)
        if end.how != "finished":
            break
    return ends


def finished(run: RecordedRun) -> bool:
    """Return whether the test of this run finished."""
    return any(e["kind"] == "marker" and e["text"] == "finished" for e in run.events)


def mark(text: str, values: dict[str, float]) -> Part:
    """Set a marker in the run.

    Raises:
        ProcedureFailed: the marker is refused.
    """
    yield from send_requests([Marker(text=text, values=values)])


def window(name: str, seconds: float, values: dict[str, float] | None = None) -> Part:
    """Let time pass as a marked window of the run."""
    yield from mark(f"begin {name}", values or {})
    yield Pause(seconds)
    yield from mark(f"end {name}", {})


def apply(behaviour: Behaviour) -> Part:
    """Make a behaviour the active one.

    Raises:
        ProcedureFailed: the behaviour is refused, with the reason.
    """
    yield from send_requests([Apply(behaviour=behaviour, load_may_move=True)])


def envelope(
    profile: Profile, force_share: float = 1.0, speed_share: float = 1.0, closed: bool = True
) -> Commission:
    """Return restricted operation under hold-to-run, within shares of the profile's own limits."""
    limits = profile.limits
    return Commission(
        force_N=force_share * limits.force.limited,
        speed_m_s=speed_share * limits.speed.limited,
        torque_N_m=limits.current.limited * profile.actuator.motor.torque_constant,
        closed_loop=closed,
        ends_known=True,
    )


def under_power(limits: Commission, text: str, measures_law: bool = False) -> Part:
    """Power off, then power on within ``limits`` while the hold-to-run control is held.

    Args:
        measures_law: as in :class:`PowerOn`.

    Raises:
        ProcedureFailed: one of them is refused.
    """
    yield from restart(limits, f"{text}. {HANDS_AWAY}", measures_law)


def middle_m(profile: Profile) -> float:
    """Return the middle of the travel in m."""
    travel = profile.limits.travel
    return 0.5 * (travel.lower + travel.upper)


def move_to(profile: Profile, position_m: float, speed_share: float = 0.3) -> Part:
    """Move the output there and wait as long as the move takes; power is on.

    Raises:
        ProcedureFailed: the move is refused.
    """
    speed = speed_share * profile.limits.speed.limited
    yield from apply(HoldPosition(position_m=position_m, speed_m_s=speed))
    yield Pause(1.875 * profile.actuator.stroke / speed + MOVE_S)


def balanced_in_the_middle(profile: Profile) -> Part:
    """Balance the output and bring it to the middle of its travel; power is off afterwards.

    Raises:
        ProcedureFailed: a request is refused.
    """
    yield Hand("support_load", BALANCE)
    yield from under_power(envelope(profile, 0.5, 0.5), "The output goes to mid-travel")
    yield from move_to(profile, middle_m(profile))
    yield from make_safe()


def blocked_in_the_middle(profile: Profile) -> Part:
    """Bring the balanced output to mid-travel and clamp it there.

    Raises:
        ProcedureFailed: a request is refused.
    """
    yield from balanced_in_the_middle(profile)
    yield Hand("hold_output", BLOCK)
