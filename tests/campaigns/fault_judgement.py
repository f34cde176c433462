"""Judgement of a session with faults, by what the simulation knows."""

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
MOST_S = 0.101  # and the period in which it is seen
REMOVED_S = ALLOWED_S + 0.02  # wait for the drive, then the drive's own watch (15 ms)


def right_causes(session: Session) -> frozenset[int]:
    return frozenset().union(*(FAULTS[name].causes for name in session.faults))


def named(outcome: Outcome) -> bool:
    """The stop, if there was one, has a right name, or would have come without the fault."""
    if not outcome.cause:
        return True
    if outcome.cause == Limit.DRIVE_FAULT and FAULT_TEXTS[OVERSPEED] in outcome.text:
        # In standby a hand drives the nut past both limits within a cycle: the same name.
        return Limit.SPEED in right_causes(outcome.session)
    asks = any(FAULTS[name].asks_stop for name in outcome.session.faults)
    if asks and outcome.cause == Cause.OPERATOR:
        # Asked for, and power went before it had to be called still on.
        return outcome.stopped_s < ALLOWED_S
    return outcome.own or outcome.cause in right_causes(outcome.session)


def late(outcome: Outcome) -> list[str]:
    """Whether it goes on too long, from what must stop it or from the first false figure."""
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
    """Whether anything that the host does takes power away: an OFF that is heard, or a watch.

    Otherwise the load falls or is thrown under power until somebody presses the emergency stop,
    and the stop's name alone is judged: it must tell so.
    """
    return not any(FAULTS[name].entry.get("value") == 2.0 for name in session.faults)


def excused(outcome: Outcome) -> bool:
    """Whether its force is beyond what is permitted, and removal of power would bring as much."""
    return outcome.share > MOST_FORCE and not any("force" in s for s in shortfalls(outcome))


def shortfalls(outcome: Outcome) -> list[str]:
    """What is not as it must be."""
    if not removable(outcome.session):
        return [] if named(outcome) else [f"named '{label(outcome.cause)}': {outcome.text}"]
    short = []
    most = MOST_FORCE
    laws = ("spring_factor", "deflection_factor")
    kinds = {FAULTS[name].entry["what"] for name in outcome.session.faults}
    if outcome.session.behaviour == DE_ENERGISED and kinds.intersection(laws):
        # A force limit is no truer than a law that was false before the rig ever moved.
        most /= 1.0 - UNKNOWN_SHARE
    if not outcome.share <= most and not outcome.share_without > MOST_FORCE:
        short.append(
            f"force {100 * outcome.share:.0f} % of the limit that trips, "
            f"{100 * outcome.share_without:.0f} % without power"
        )
    asks = any(FAULTS[name].asks_stop for name in outcome.session.faults)
    # A drive that ignores OFF takes no torque: the nut runs free until its own watch acts, and
    # nothing of the host brakes the load before. That time is judged.
    free = asks and outcome.stopped_s <= REMOVED_S
    held = not max(outcome.without_mm_s, outcome.braked_mm_s) > END_MM_S
    if outcome.end_mm_s > END_MM_S and held and not free:
        short.append(
            f"an end met at {outcome.end_mm_s:.0f} mm/s, {outcome.without_mm_s:.0f} without power"
        )
    short += late(outcome)
    if not named(outcome):
        short.append(f"named '{label(outcome.cause)}': {outcome.text}")
    return short
