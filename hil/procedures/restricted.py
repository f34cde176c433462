"""Parts of procedures that move a rig in restricted operation: begin it, and seek a reference."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

from drivers.motion import FORCE, SPEED
from hil.control import seek_figures
from hil.core import Apply, Commission, EndCommission, PowerOff, PowerOn, SeekReference, State
from hil.procedures.procedure import (
    Action,
    Ask,
    Confirm,
    Pause,
    ProcedureFailed,
    RequireHoldToRun,
    Seen,
    wait_for_state,
)
from hil.profile import Profile

HOLD = (
    "Hold the hold-to-run control until told otherwise; release it if anything unexpected happens."
)
RESTS_WITHIN_S = 5.0
LOOK_S = 0.05
LONGEST_SEEK_S = 600.0  # 50 touches and the longest stroke; each of its phases ends by itself


@dataclass(frozen=True)
class Sought:
    """Result of a seek.

    Attributes:
        text: the result as a sentence.
        shift_m: shift of the zero.
        touches_m: positions of the touches, from the lower end.
        repeatability_m: unidirectional, R = 4 s (ISO 230-2).
    """

    text: str
    shift_m: float
    touches_m: tuple[float, ...]
    repeatability_m: float


def restart(
    envelope: Commission, text: str, measures_law: bool = False
) -> Generator[Action, Seen, None]:
    """Begin restricted operation with the hold-to-run control held and power on.

    The load stays as it is. Powers off first, since envelopes are accepted only without power.

    Args:
        measures_law: as in :class:`PowerOn`.

    Raises:
        ProcedureFailed: one of them is refused; nothing is energised then.
    """
    yield RequireHoldToRun(False)
    yield Ask(PowerOff())
    yield Pause(0.05)
    seen = yield Ask(envelope)
    if not seen.accepted:
        raise ProcedureFailed(f"restricted operation was refused: {seen.text}")
    seen = yield RequireHoldToRun(True, f"{text}. {HOLD}")
    if not seen.accepted:
        raise ProcedureFailed("the hold-to-run control is not held: nothing was energised")
    for _ in range(round(RESTS_WITHIN_S / 0.1)):
        # Refused while the output still swings after manual actions.
        seen = yield Ask(PowerOn(load_supported=True, measures_law=measures_law))
        if seen.accepted:
            yield from wait_for_state(State.STANDBY)
            return
        yield Pause(0.1)
    raise ProcedureFailed(seen.text)


def clear_to_seek(profile: Profile) -> str:
    """Return the instruction to the operator before a reference is sought."""
    figures = seek_figures(profile)
    return (
        "Take every weight off, and clear the whole travel: the output moves to its end, or over "
        f"its whole stroke, at {SPEED(figures.speed_m_s):.0f}{SPEED}, and presses with "
        f"{FORCE(figures.rise_N):.0f}{FORCE}"
    )


def find_reference(profile: Profile, sought: SeekReference) -> Generator[Action, Seen, Sought]:
    """Ask for a clear travel, then seek the reference.

    Raises:
        ProcedureFailed: as :func:`seek_reference`, or the travel is not clear.
    """
    seen = yield Confirm(f"{clear_to_seek(profile)}. Is this done?")
    if not seen.accepted:
        raise ProcedureFailed("the travel is not clear: nothing was energised")
    what = "home switch" if sought.by == "home_switch" else f"{sought.end} end"
    return (yield from seek_reference(profile, sought, f"Seeking the {what}"))


def seek_reference(
    profile: Profile, sought: SeekReference, text: str, envelope: Commission | None = None
) -> Generator[Action, Seen, Sought]:
    """Seek the reference with the hold-to-run control held; afterwards the rig is without power.

    Args:
        envelope: narrower than that of :func:`hil.control.seek_figures`.

    Raises:
        ProcedureFailed: refused, or not found: with what was met, and the fix.
    """
    yield from restart(envelope or seek_figures(profile).envelope, text)
    seen = yield Ask(Apply(behaviour=sought))
    if not seen.accepted:
        raise ProcedureFailed(f"the seek was refused: {seen.text}")
    waited_s = 0.0
    while waited_s < LONGEST_SEEK_S:
        for event in seen.events:
            if event["kind"] == "reference_not_found":
                raise ProcedureFailed(str(event["text"]))
            if event["kind"] == "reference" and "touches_mm" in event:
                yield RequireHoldToRun(False, "The reference is found: release the control.")
                yield Pause(0.1)
                yield Ask(EndCommission())
                return Sought(
                    str(event["text"]),
                    event["shift_mm"] / 1e3,
                    tuple(at / 1e3 for at in event["touches_mm"]),
                    event["repeatability_um"] / 1e6,
                )
        seen = yield Pause(LOOK_S)
        waited_s += LOOK_S
    raise ProcedureFailed("the seek did not end. Fix: check the rig host's notices, then repeat")
