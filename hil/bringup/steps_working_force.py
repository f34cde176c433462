"""Working force: the springs loaded against each end, in stages up to the rated force, and back."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass

import numpy as np

from drivers.motion import FORCE, LENGTH, STIFFNESS, in_words
from hil.bringup.findings import finding
from hil.bringup.spring_curve import Curve, Push, Screw, spring_curve
from hil.bringup.step import Context, Result, Step
from hil.bringup.steps_force import slacken
from hil.bringup.under_power import (
    Floats,
    Gentle,
    after,
    findings_as_text,
    gentle,
    power_up,
    run_ended,
    seek_end,
    watch,
)
from hil.bringup.working_force_verdicts import (
    deflection_scale,
    judge_both,
    judge_motor,
    judge_stage,
)
from hil.core import Apply, Commission, MotorTorque
from hil.procedures import Action, Ask, BenchStopped, Pause, ProcedureFailed, Seen, column, restart

STAGES = (0.3, 0.6, 1.0)  # of the rated force
TOP_SHARE = 0.97  # of a stage: force at which it turns back
RISES_S = 4.0  # for the rated force, so that the springs are always quasi-static
FAST_M_S = 0.03  # only the nut moves
TORQUE_SPARE = 1.12  # a screw may lose a little more than stated
FRICTION_SPARE = 1.3
TRAVEL_SPARE = 1.3
LAGS_M, LAGS_SHARE = 0.0003, 0.08  # lag of the sensor behind the nut at which the push turns back
TRAILS_SHARE, TRAILS_N_m = 0.12, 0.03  # likewise, lag of the torque behind the command
POLL_S = 0.02
RELEASED_SHARE = 0.02
TOP_RATED = 0.1  # of the rated force: several times the jump of a stick-slip nut
STOPS_OF_A_PUSH = ("Speed", "Force", "Force rate", "Deflection", "Disagreement")
# A push that did not turn back ends here, by the sensor: share of the stage, plus a share of the
# rated force for stick-slip of the nut.
ENDS_SHARE, ENDS_RATED = 1.05, 0.04
MOTOR_SAYS = 1.04  # of the stage, by the motor: turns back, whatever the sensor shows


@dataclass
class _Stage:
    """Figures of one stage at one end; all positive, SI."""

    share: float
    sense: int
    force_N: float  # at which the push turns back
    torque_N_m: float
    travel_m: float
    ramp_s: float
    ends_N: float
    envelope: Commission

    def __str__(self) -> str:
        return f"{self.end} end, {100 * self.share:.0f} %"

    @property
    def end(self) -> str:
        return "lower" if self.sense < 0 else "upper"


@findings_as_text
def _working_force(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("working_force")
    g = gentle(context.profile)
    rest = yield from watch(0.2)
    rated = context.profile.limits.force.limited
    supply_V = float(np.median(rest.of("supply_V")))
    curves: dict[int, Curve] = {}
    for sense in (-1, 1):
        yield from power_up(
            g.envelope(g.seeking_N_m, 0.02),
            f"Working force: slowly to the {'lower' if sense < 0 else 'upper'} end",
        )
        end = yield from seek_end(g, sense)
        if end.reason not in ("force", "blocked"):
            raise ProcedureFailed(
                f"the end was not met where it was before ({end.reason}): repeat travel"
            )
        yield from slacken(g, sense)
        for share in STAGES:
            stage = _stage(context, g, sense, share)
            yield from restart(
                stage.envelope,
                f"Working force: up to {FORCE(stage.force_N):.0f}{FORCE} against the {stage.end} end",
            )
            try:
                push = yield from _push(context, g, stage)
            except BenchStopped as stop:
                if stop.cause not in map(in_words, STOPS_OF_A_PUSH):
                    raise
                result.findings.append(finding("push_ended", note=f"{stop.cause}, {stage}"))
                return result
            curve = spring_curve(push, _screw(g), _scale(context), TOP_RATED * rated)
            found = judge_stage(context, result, push, curve, stage.end, str(stage), supply_V)
            if found is None and share == STAGES[0]:
                found = judge_motor(context, result, curve, stage.end, _scale(context))
            if found is not None:
                result.findings.append(found)
                return result
        curves[sense] = curve
    found = judge_both(context, result, curves[1], curves[-1])
    if found is not None:
        result.findings.append(found)
        return result
    result.text = _summary(context)
    return result


def _screw(g: Gentle) -> Screw:
    screw = g.profile.actuator.transmission
    return Screw(g.per_torque, screw.efficiency_forward, screw.efficiency_backward)


def _scale(context: Context) -> float:
    """Return true force over force by the motor: first from the spring push, then from stage 1."""
    return 1.0 / after(context, "motor_over_spring_force", 1.0)


def _true_share(context: Context, g: Gentle) -> float:
    """Return true force over the force shown by the sensor, about the middle."""
    return after(context, "rate_inner_N_m", g.rate_N_m) / g.rate_N_m


def _stage(context: Context, g: Gentle, sense: int, share: float) -> _Stage:
    profile = context.profile
    rated = profile.limits.force.limited
    force = share * TOP_SHARE * rated
    friction = max(after(context, "breakaway_N_m", 0.0), g.breakaway_N_m)
    screw = profile.actuator.transmission
    weaker = max(1.0, after(context, "motor_over_spring_force", 1.0))
    torque = FRICTION_SPARE * friction + TORQUE_SPARE * weaker * force / (
        g.per_torque * screw.efficiency_forward
    )
    # A single set is the softest possible case.
    travel = TRAVEL_SPARE * force / profile.actuator.springs.rate_per_set + 0.001
    ramp = RISES_S * share * torque * g.per_torque / force
    envelope = Commission(
        force_N=share * rated,
        speed_m_s=min(FAST_M_S, profile.limits.speed.limited),
        torque_N_m=torque,
    )
    limit = profile.limits.force
    tripped = limit.tripped if limit.tripped is not None else 1.1 * rated
    ends = min((ENDS_SHARE * share + ENDS_RATED) * rated, 0.5 * (rated + tripped))
    return _Stage(share, sense, force, torque, travel, ramp, ends, envelope)


def _push(context: Context, g: Gentle, stage: _Stage) -> Generator[Action, Seen, Push]:
    """Run one push and its release; turn back early if something does not follow."""
    sense = stage.sense
    start = yield from watch(0.1)
    nut_m, deflection_m = (
        float(np.median(start.of(name))) for name in ("nut_position_m", "deflection_m")
    )
    parts: list[Floats] = [start.rows]
    yield from _ask(g, stage, sense * stage.torque_N_m, stage.ramp_s)
    top, ended = 0, ""
    waited = 0.0
    while waited < stage.ramp_s + 0.3:
        seen = yield Pause(POLL_S)
        waited += POLL_S
        parts.append(seen.rows)
        ended = run_ended(seen)
        if ended or _turns_back(context, g, stage, seen.rows, nut_m, deflection_m):
            break
    top = sum(len(part) for part in parts)
    if not ended:
        ended = yield from _release(g, stage, parts)
    rows = np.concatenate(parts)
    return Push(
        travel=sense * (column(rows, "nut_position_m") - nut_m),
        deflection=sense
        * (column(rows, "deflection_m") - deflection_m)
        / deflection_scale(context),
        force=sense * column(rows, "spring_force_N"),
        torque=sense * column(rows, "measured_torque_N_m"),
        commanded=sense * column(rows, "commanded_torque_N_m"),
        supply=column(rows, "supply_V"),
        top=top,
        ended=ended,
    )


def _turns_back(
    context: Context, g: Gentle, stage: _Stage, rows: Floats, nut_m: float, deflection_m: float
) -> bool:
    """Return whether the stage is reached, or sensor, motor and nut no longer agree."""
    if not len(rows):
        return False
    sense = stage.sense

    def last(name: str) -> float:
        return sense * float(np.median(column(rows, name)[-10:]))

    force = last("spring_force_N") * max(1.0, _true_share(context, g))
    travel = last("nut_position_m") - sense * nut_m
    given = (last("deflection_m") - sense * deflection_m) / deflection_scale(context)
    commanded, got = last("commanded_torque_N_m"), last("measured_torque_N_m")
    screw = _screw(g)
    friction = after(context, "friction_N_m", g.profile.actuator.friction.coulomb)
    by_motor = (got - friction) * screw.per_torque * screw.forward * _scale(context)
    return (
        not force < stage.force_N
        or not by_motor < MOTOR_SAYS * stage.force_N
        or not travel < stage.travel_m
        or abs(travel - given) > LAGS_M + LAGS_SHARE * abs(travel)
        or commanded - got > TRAILS_N_m + TRAILS_SHARE * commanded
    )


def _release(g: Gentle, stage: _Stage, parts: list[Floats]) -> Generator[Action, Seen, str]:
    """Release as slowly as the push, until the springs hold almost no force."""
    sense = stage.sense
    torque = sense * float(column(parts[-1], "commanded_torque_N_m")[-1])
    last = -1.5 * g.breakaway_N_m
    ramp = stage.ramp_s * (torque - last) / stage.torque_N_m
    yield from _ask(g, stage, sense * last, ramp)
    small = RELEASED_SHARE * g.profile.limits.force.limited
    ended, waited = "", 0.0
    while waited < ramp + 0.3:
        seen = yield Pause(POLL_S)
        waited += POLL_S
        parts.append(seen.rows)
        ended = run_ended(seen)
        acts = sense * float(np.median(column(seen.rows, "commanded_torque_N_m")))
        force = sense * float(np.median(column(seen.rows, "spring_force_N")))
        # A slipped sensor never returns to zero: little torque means little force.
        if ended or (force < small and acts < 0.5 * stage.torque_N_m) or acts < 0.9 * last:
            break
    yield from _ask(g, stage, 0.0, 0.05)
    seen = yield Pause(0.3)
    parts.append(seen.rows)
    return ended


def _ask(
    g: Gentle, stage: _Stage, torque_N_m: float, ramp_s: float
) -> Generator[Action, Seen, None]:
    behaviour = MotorTorque(
        torque_N_m=torque_N_m,
        ramp_s=ramp_s,
        duration_s=ramp_s + 2.0,
        speed_m_s=0.9 * FAST_M_S,
        travel_m=1.5 * stage.travel_m + 0.001,
        force_N=stage.ends_N,
    )
    seen = yield Ask(Apply(behaviour=behaviour))
    if not seen.accepted:
        raise ProcedureFailed(f"the push was refused: {seen.text}")


def _summary(context: Context) -> str:
    known = context.known
    springs = (
        f"springs {STIFFNESS(known['outer_push_N_m']):.0f}{STIFFNESS} pushing and "
        f"{STIFFNESS(known['outer_pull_N_m']):.0f}{STIFFNESS} pulling beyond a preload of "
        f"{LENGTH(known['preload_m']):.1f}{LENGTH}, by the motor"
        if "preload_m" in known
        else "the springs are as stated up to the rated force"
    )
    return f"{springs}; nothing binds up to {LENGTH(known['springs_free_to_m']):.1f}{LENGTH}"


WORKING_FORCE = Step(
    key="working_force",
    title="Working force",
    happens="The nut presses the springs against each end in three stages, up to 30, 60 and "
    "100 % of limits.force.limited, slowly up and slowly back; each stage needs the previous one.",
    wrong="Springs that bind, a sensor that slips or a supply that sags show here for the first "
    "time. Without power the pressed springs turn the screw back at once.",
    clear="Hands away from screw, springs and output: the whole rated force acts between them. No "
    "weight on the rod.",
    run=_working_force,
    energises=True,
    needs=("spring_push",),
)
