"""Run a session with faults, and the session that it is compared with."""

from __future__ import annotations

import copy
import math
from collections import deque

import numpy as np
from fault_judgement import END_MM_S, MOST_FORCE, MOST_S, WORSE_FORCE, WORSE_MM_S, right_causes
from fault_rigs import DE_ENERGISED, MIDDLE_M, STANDBY, running
from fault_sessions import Outcome, Session, moments, rehearsal
from fault_table import FAULTS
from fault_watch import ENERGISED, Watch

from hil.bench.lockstep import LockstepBench
from hil.bench.rehearsal import Rehearsal
from hil.core import Outcome as RequestOutcome
from hil.core import State
from hil.core.requests import Apply, ConstantForce, HoldPosition, PowerOn, Stop

WATCHED_S = 1.2  # after the fault
AFTER_S = 0.4  # after the stop
POWERED_S = 0.05  # from the request for power to power on
ASKED_AFTER_S = 0.2  # from the fault to the request to stop, for faults that show only then
# A weight laid on at rest has moved by 0.3 mm then (1.4 m/s2 at the rod), a count or two.
BRAKED_AFTER_S = 0.02
LOADS = ("hang", "push")  # these bring force and motion of their own, whatever is commanded
ANOTHER_S, MOMENTS = 0.002, 50  # between moments at which power is removed for comparison
LIFTED_S = 1.2  # in which a load is lifted
# Without power 7.5 kg sink at 18 mm/s by the drag of the shorted windings and swing on their springs by 3 to
# 12 mm/s about that, at 3 to 4 Hz; in which phase of the swing they meet an end is chance.
SWING_S = 0.3


def run(session: Session) -> Outcome:
    """One session, and its comparison."""
    at_s = moments(session)
    bench = copy.deepcopy(running(session.behaviour, session.load_kg, session.rig))
    bench.drive.core._random.seed(session.seed)
    bench.rehearse(rehearsal(session), lambda _text: None)
    bench.run(at_s[0] - 0.001)
    before = copy.deepcopy(bench)
    if bench.bench.state is State.STOPPED:
        raise RuntimeError(f"{session.name}: stopped before its fault: {bench.bench.cause_text}")
    asks = any(FAULTS[name].asks_stop for name in session.faults)
    refused = ""
    if session.behaviour == DE_ENERGISED:
        bench.run(ASKED_AFTER_S)
    watch = Watch(bench)
    asked_s = 0.0
    if session.behaviour == DE_ENERGISED:
        at_s = (0.0,) * len(at_s)
        refused = _power_on(watch)
    elif asks:
        watch.go_on(ASKED_AFTER_S)
        asked_s = watch.now_s - watch.began_s
        if not watch.stopped_s <= asked_s:
            bench.request(Stop())
            _until_off(watch)
    else:
        watch.go_on(WATCHED_S)
    watch.fall(AFTER_S)
    state = bench.environment.state()
    end, without = 1e3 * state["peak_end_speed_m_s"], math.nan
    tripped = bench.profile.limits.force.tripped
    share, share_without = state["peak_spring_force_N"] / tripped, math.nan
    cause = bench.bench.cause
    if end > END_MM_S or share > MOST_FORCE:
        in_time = watch.stopped_s <= MOST_S or watch.visible_s <= MOST_S
        until_s = watch.stopped_s if in_time and watch.stopped_s < WATCHED_S else 0.0
        share_without, without = _without_power(
            before,
            session,
            bench.time_s - watch.began_s,
            until_s,
            watch.borne_N,
            (MOST_FORCE if asks else share / WORSE_FORCE) if share > MOST_FORCE else 0.0,
            (END_MM_S if asks else end - WORSE_MM_S) if end > END_MM_S else 0.0,
        )
    braked = math.nan
    loaded = any(FAULTS[name].entry["what"] in LOADS for name in session.faults)
    if end > END_MM_S and not without + WORSE_MM_S >= end and loaded:
        braked = _braked(before, session, bench.time_s - watch.began_s)
    own = False
    if cause and cause not in right_causes(session):
        undisturbed = copy.deepcopy(before)
        undisturbed._rehearser = None
        undisturbed.run(bench.time_s - watch.began_s)
        own = undisturbed.bench.cause == cause
    return Outcome(
        session,
        at_s,
        share,
        share_without,
        end,
        without,
        braked,
        watch.stopped_s - asked_s,
        watch.false_s,
        watch.false_N,
        watch.visible_s,
        watch.unseen_N,
        int(cause),
        bench.bench.cause_text or refused,
        own,
        watch.peak,
    )


def _without_power(
    before: LockstepBench,
    session: Session,
    seconds: float,
    until_s: float,
    borne_N: float,
    share: float,
    end_mm_s: float,
) -> tuple[float, float]:
    """Return the largest (share of the tripped force limit, end met in mm/s) if power is removed
    meanwhile.

    Power is removed at the fault, and at moments from then to the bench's own stop with nothing of the
    fault but what a weight or a hand does: a light nut and a heavy weight in motion are caught by the
    shorted windings in any phase of their swing. A session that began without power asks for it there
    as well, and lifts its load until the springs bear as much as at that stop (``borne_N``): a load that was
    never lifted falls on nothing. Moments are tried until both figures given are reached.
    """
    tripped = before.profile.limits.force.tripped
    most_share = most_mm_s = 0.0
    moments = [copy.deepcopy(before), *_moments(before, session, until_s, borne_N)]
    if len(moments) > MOMENTS:
        moments = [moments[round(n)] for n in np.linspace(0, len(moments) - 1, MOMENTS)]
    while moments and not (most_share > share and most_mm_s > end_mm_s):
        stopped = moments.pop()  # the latest first: it is closest to the bench's own stop
        core = stopped.drive.core
        core.reset_peaks()
        stopped.request(Stop())
        most_mm_s = max(most_mm_s, _sink(stopped, seconds))
        most_share = max(most_share, core.peak_spring_force_N / tripped)
    return most_share, most_mm_s


def _moments(
    before: LockstepBench, session: Session, until_s: float, borne_N: float
) -> list[LockstepBench]:
    """Yield the bench at the moments of power removal, with loads but without faults."""
    bench = copy.deepcopy(before)
    _keep_loads(bench, session)
    another_s = max(ANOTHER_S, until_s / MOMENTS)
    found: list[LockstepBench] = []
    if session.behaviour == DE_ENERGISED:
        bench.run(ASKED_AFTER_S)
        if until_s > 0.0:
            found.append(copy.deepcopy(bench))
        _ask_for_power(bench)
        until_s -= POWERED_S
    else:
        borne_N = 0.0
    began_s = bench.time_s
    physics = bench.drive.core.physics
    while (passed_s := bench.time_s - began_s) < until_s or (
        physics.spring_force_N < borne_N and passed_s < LIFTED_S
    ):
        found.append(copy.deepcopy(bench))
        bench.run(another_s)
    return found


def _keep_loads(bench: LockstepBench, session: Session) -> None:
    """Leave the faults out; keep a weight or a hand that accompanies them."""
    if all(FAULTS[name].entry["what"] in LOADS for name in session.faults):
        bench._rehearser = None
        return
    began_s = bench._rehearsal_began_s
    loads = tuple(fault for fault in rehearsal(session).faults if fault.what in LOADS)
    bench.rehearse(Rehearsal(loads), lambda _text: None)
    bench._rehearsal_began_s = began_s


def _sink(bench: LockstepBench, seconds: float) -> float:
    """Return the hardest end in mm/s met without power, in any phase of the last swing before
    it."""
    core = bench.drive.core
    speeds: deque[float] = deque(maxlen=round(SWING_S / bench.period_s))
    most_mm_s = met_mm_s = 0.0
    for _ in range(round(seconds / bench.period_s)):
        bench.step()
        velocity = core.physics.output_velocity_m_s
        if core.peak_end_speed_m_s > met_mm_s:
            met_mm_s = core.peak_end_speed_m_s
            up = core.physics.output_position_m > MIDDLE_M
            towards = [v if up else -v for v in speeds]
            most_mm_s = max(most_mm_s, 1e3 * met_mm_s, 1e3 * max(towards, default=0.0))
        speeds.append(velocity)
    return most_mm_s


def _braked(before: LockstepBench, session: Session, seconds: float) -> float:
    """Hardest end met in mm/s under all the permitted force against the load.

    What meets an end then, no controller within the force limit holds: 7.5 kg take 561 N of the
    580 N, which leaves 0.05 m/s2 to brake what has fallen while the force came.
    """
    if session.behaviour in (STANDBY, DE_ENERGISED):
        return 0.0  # no force is commanded there
    most_mm_s = 0.0
    for up in (True, False):
        bench = copy.deepcopy(before)
        core = bench.drive.core
        core.reset_peaks()
        bench.run(BRAKED_AFTER_S)
        force = bench.profile.limits.force.limited
        behaviour = ConstantForce(force_N=force if up else -force)
        bench.request(Apply(behaviour=behaviour, load_may_move=True))
        until_s = bench.time_s + seconds
        braking = False
        while bench.time_s < until_s and bench.bench.state is not State.STOPPED:
            bench.step()
            velocity = core.physics.output_velocity_m_s
            away = velocity if up else -velocity
            if braking and away > 0.0:
                break  # it has come to rest: from here it would be driven
            braking |= away < -0.02
        else:
            bench.run(AFTER_S)
        if braking:
            most_mm_s = max(most_mm_s, 1e3 * core.peak_end_speed_m_s)
    return most_mm_s


def _ask_for_power(bench: LockstepBench) -> RequestOutcome:
    """Request power and, once it is on, a move to mid-stroke; return the answer."""
    answer = bench.request(PowerOn(load_supported=True))
    if answer.accepted:
        bench.run(POWERED_S)
        if bench.bench.state is State.STANDBY:
            hold = HoldPosition(position_m=MIDDLE_M, speed_m_s=0.06)
            answer = bench.request(Apply(behaviour=hold, load_may_move=True))
    return answer


def _power_on(watch: Watch) -> str:
    """Request power and a behaviour while the fault is present; return the reason if refused."""
    bench = watch.bench
    answer = _ask_for_power(bench)
    if answer.accepted and bench.bench.state is not State.STOPPED:
        watch.go_on(WATCHED_S)
        return ""
    watch.stopped_s = 0.0
    return answer.text


def _until_off(watch: Watch) -> None:
    """Continue after a requested stop until the drive's power is truly off."""
    bench = watch.bench
    for _ in range(round(WATCHED_S / bench.period_s)):
        bench.step()
        watch.note_peak()
        if watch.core.power not in ENERGISED:
            watch.stopped_s = watch.now_s - watch.began_s
            return
