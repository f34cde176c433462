"""Judgement of a session with faults, by the simulation's truth."""

from __future__ import annotations

import math

from fault_rigs import DE_ENERGISED
from fault_sessions import Outcome, Session
from fault_table import FAULTS
from fault_watch import UNKNOWN_SHARE

from drivers.simulated.drive_faults import FAULT_TEXTS, OVERSPEED
from hil.control.power_removal import ALLOWED_S
from hil.core import Cause, Limit
from hil.core.limit_texts import label

MOST_FORCE = 1.05  # of the force limit that trips
END_MM_S = 20.0
# Beyond these two, power may make it worse by no more than a repetition in another phase of the
# same swing does (3 to 12 mm/s about the speed of the fall; the comparison takes the largest).
WORSE_FORCE, WORSE_MM_S = 1.05, 5.0
MOST_S = 0.101  # and the period in which it is noticed
REMOVED_S = ALLOWED_S + 0.02  # wait for the drive, then the drive's own watch (15 ms)


def right_causes(session: Session) -> frozenset[int]:
    return frozenset().union(*(FAULTS[name].causes for name in session.faults))


def named(outcome: Outcome) -> bool:
    """Return whether the stop, if any, has a right name or would have come without the fault."""
    if not outcome.cause:
        return True
    if outcome.cause == Limit.DRIVE_FAULT and FAULT_TEXTS[OVERSPEED] in outcome.text:
        # In standby a hand drives the nut past both limits within a cycle: the same name.
        return Limit.SPEED in right_causes(outcome.session)
    asks = any(FAULTS[name].asks_stop for name in outcome.session.faults)
    if asks and outcome.cause == Cause.OPERATOR:
        # Requested, and power went before it had to be reported as still on.
        return outcome.stopped_s < ALLOWED_S
    return outcome.own or outcome.cause in right_causes(outcome.session)


def late(outcome: Outcome) -> list[str]:
    """Return whether it continues too long after the fault that must stop it, or the first false
    figure."""
    faults = [FAULTS[name] for name in outcome.session.faults]
    if any(fault.asks_stop for fault in faults):
        if not removable(outcome.session):
            return []
        most_s, since_s = REMOVED_S, 0.0
    else:
        most_s, since_s = MOST_S, math.inf
        off = outcome.session.behaviour == DE_ENERGISED
        for at_s, fault in zip(outcome.at_s, faults, strict=True):
            if fault.at_once and not (off and fault.over_before_power):
                since_s = min(at_s - outcome.at_s[0], since_s)
    short = []
    if since_s < math.inf and not outcome.stopped_s - since_s <= most_s:
        after_ms = 1e3 * (outcome.stopped_s - since_s)
        short.append(f"stops after {after_ms:.0f} ms" if outcome.stopped else "goes on")
    if outcome.visible_s > MOST_S:
        short.append(
            f"{'stops' if outcome.stopped else 'goes on'} with a false figure in sight for "
            f"{1e3 * outcome.visible_s:.0f} ms, {outcome.false_N:.0f} N from the truth"
        )
    return short


def removable(session: Session) -> bool:
    """Return whether any action of the host removes power: an OFF that the drive receives, or a
    watch.

    Otherwise the load falls or is thrown under power until somebody presses the emergency stop, and
    only the stop's name is judged: it must say so.
    """
    return not any(FAULTS[name].entry.get("value") == 2.0 for name in session.faults)


def runs_free(outcome: Outcome) -> bool:
    """Return whether the drive ignored the stop until its own watch acted.

    A drive that ignores OFF accepts no torque: the nut runs free, and the host cannot brake the
    load until then. That time is judged.
    """
    asks = any(FAULTS[name].asks_stop for name in outcome.session.faults)
    return asks and outcome.stopped_s <= REMOVED_S


def excuse(outcome: Outcome) -> str:
    """Why its force or its end is beyond what is permitted and does not fall short; empty if within."""
    if not (outcome.share > MOST_FORCE or outcome.end_mm_s > END_MM_S):
        return ""
    if not removable(outcome.session):
        return "nothing removes power"
    if forces_short(outcome) or ends_short(outcome):
        return ""
    if runs_free(outcome):
        return "OFF ignored, nut free"
    if outcome.end_mm_s > END_MM_S and not _ends_within(outcome, outcome.without_mm_s):
        return "braked with all force"
    if outcome.share > MOST_FORCE and not _force_within(outcome, outcome.share_without):
        return "law false before power"
    return outcome.peak if outcome.share > MOST_FORCE else "an end as without power"


def _force_within(outcome: Outcome, without: float) -> bool:
    return outcome.share <= MOST_FORCE or MOST_FORCE < without >= outcome.share / WORSE_FORCE


def _ends_within(outcome: Outcome, without_mm_s: float) -> bool:
    # A comparison that was not needed is NaN.
    return outcome.end_mm_s <= END_MM_S or (
        without_mm_s > END_MM_S and outcome.end_mm_s <= without_mm_s + WORSE_MM_S
    )


def forces_short(outcome: Outcome) -> str:
    """Return a text for a force that exceeds the limit and, by more than the margin, the force
    without power."""
    most = MOST_FORCE
    laws = ("spring_factor", "deflection_factor")
    kinds = {FAULTS[name].entry["what"] for name in outcome.session.faults}
    if outcome.session.behaviour == DE_ENERGISED and kinds.intersection(laws):
        # A force limit is no more accurate than a spring law that was false before the rig moved.
        most /= 1.0 - UNKNOWN_SHARE
    if outcome.share <= most or _force_within(outcome, outcome.share_without):
        return ""
    if runs_free(outcome):
        return ""
    return (
        f"force {100 * outcome.share:.0f} % of the limit that trips, "
        f"{100 * outcome.share_without:.0f} % without power"
    )


def ends_short(outcome: Outcome) -> str:
    """Return a text for an end met harder than the limit and, by more than the margin, both
    comparisons."""
    if any(_ends_within(outcome, v) for v in (outcome.without_mm_s, outcome.braked_mm_s)):
        return ""
    if runs_free(outcome):
        return ""
    text = f"an end met at {outcome.end_mm_s:.0f} mm/s, {outcome.without_mm_s:.0f} without power"
    if not math.isnan(outcome.braked_mm_s):
        text += f", {outcome.braked_mm_s:.0f} braked at once"
    return text


def shortfalls(outcome: Outcome) -> list[str]:
    """Return the violations as text."""
    if not removable(outcome.session):
        return [] if named(outcome) else [f"named '{label(outcome.cause)}': {outcome.text}"]
    short = [found for found in (forces_short(outcome), ends_short(outcome)) if found]
    short += late(outcome)
    if not named(outcome):
        short.append(f"named '{label(outcome.cause)}': {outcome.text}")
    return short
