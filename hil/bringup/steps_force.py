"""Spring push: force by the springs against force by the motor, friction cancelled."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from drivers.motion import FORCE, STIFFNESS
from hil.bringup.findings import finding
from hil.bringup.step import Context, Measured, Plot, Result, Step, Trace
from hil.bringup.under_power import (
    Floats,
    Gentle,
    after,
    findings_as_text,
    gentle,
    power_up,
    run,
    seek_end,
)
from hil.core import Apply, MotorSpeed, MotorTorque
from hil.procedures import Action, Ask, Pause, ProcedureFailed, Seen, column

PUSH_SHARE = 0.065  # of the rated force; without momentum, so well below 15 %
STAIRS = 14  # up to the push
SLACK_M = 2e-5
DWELL_S = 0.12
MEAN_S = 0.04  # the last part of a stair
# A screw gives at most its lossless force; above that the motor makes more torque than commanded.
LOSSLESS = 1.15
# Half of such a small push is friction: ratios closer to 1 are judged by the working force.
LEAST_RATIO, MOST_RATIO = 0.6, 1.65
FOLLOWS = 0.25  # deflection against nut while the output rests at an end


@dataclass
class Stairs:
    """One push and release: one value per stair, all positive towards the end."""

    sense: int
    torque: list[float] = field(default_factory=list)
    force: list[float] = field(default_factory=list)
    nut: list[float] = field(default_factory=list)
    deflection: list[float] = field(default_factory=list)
    top: int = 0  # number of stairs going up
    true_share: float = 1.0  # true force over the force that the profile's calibration shows
    ended: str = ""  # why the last of them ended by itself
    too_strong: bool = False


@dataclass(frozen=True)
class Compared:
    """Comparison at one end. ``ratio``: force by the motor over force by the springs."""

    ratio: float
    rate_N_m: float
    follows: float
    back_drive_N: float


@findings_as_text
def _spring_push(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("spring_push")
    g = gentle(context.profile)
    most = _most_torque(context, g)
    yield from power_up(
        g.envelope(most, 0.02), "Spring push: gently against each end in small steps, and back"
    )
    found = []
    for sense in (-1, 1):
        end = yield from seek_end(g, sense)
        if end.reason not in ("force", "blocked"):
            raise ProcedureFailed(
                f"the end was not met where it was before ({end.reason}): repeat travel"
            )
        yield from slacken(g, sense)
        # The rate measured by hand, with a known force, takes precedence over the profile's.
        share = after(context, "rate_inner_N_m", g.rate_N_m) / g.rate_N_m
        stairs = yield from _stairs(g, sense, most, after(context, "breakaway_N_m", 0.0), share)
        compared = _compared(g, stairs)
        _judge(result, g, stairs, compared)
        if result.findings:
            return result
        found.append(compared)
    ratio = sum(c.ratio for c in found) / 2
    context.known |= {
        "motor_over_spring_force": ratio,
        "push_rate_N_m": sum(c.rate_N_m for c in found) / 2,
        "back_drive_N": sum(c.back_drive_N for c in found) / 2,
    }
    result.text = (
        f"force by the motor is {ratio:.2f} times force by the springs; the springs drive the "
        f"screw back from about {FORCE(context.known['back_drive_N']):.0f}{FORCE}"
    )
    return result


def _most_torque(context: Context, g: Gentle) -> float:
    friction = after(context, "breakaway_N_m", g.breakaway_N_m)
    push = PUSH_SHARE * context.profile.limits.force.limited
    efficiency = context.profile.actuator.transmission.efficiency_forward
    return max(1.2 * friction + push / (g.per_torque * efficiency), g.seeking_N_m)


def slacken(g: Gentle, sense: int) -> Generator[Action, Seen, None]:
    """Move back from the end until the springs hold no force that friction could sustain."""
    for _ in range(4):
        seen = yield Pause(0.05)
        force = float(np.median(column(seen.rows, "spring_force_N")))
        if abs(force) < 0.3 * g.touch_N:
            return
        back = MotorSpeed(
            speed_m_s=-sense * 0.5 * g.speed_m_s,
            torque_N_m=g.seeking_N_m,
            duration_s=2.0,
            travel_m=abs(force) / g.rate_N_m + SLACK_M,
            force_N=g.envelope_N,
        )
        yield from run(back, 0.3)


def _stairs(
    g: Gentle, sense: int, most: float, breakaway: float, true_share: float
) -> Generator[Action, Seen, Stairs]:
    stairs = Stairs(sense, true_share=true_share)
    wanted = PUSH_SHARE * g.profile.limits.force.limited
    lowest = 0.5 * g.breakaway_N_m
    step = (most - lowest) / STAIRS
    torque = lowest
    while torque < most + 1e-9:
        alive = yield from _stair(g, stairs, torque)
        if not alive:
            stairs.too_strong = stairs.ended == "force"
            break
        force = true_share * stairs.force[-1]
        if force > LOSSLESS * torque * g.per_torque + g.touch_N:
            stairs.too_strong = True
            break
        if force > wanted:
            break
        torque += step
    stairs.top = len(stairs.torque)
    torque = min(torque, most)
    while not stairs.too_strong and torque > -1.5 * max(breakaway, g.breakaway_N_m):
        torque -= step
        alive = yield from _stair(g, stairs, torque)
        if not alive or stairs.force[-1] < 0.1 * max(stairs.force):
            break
    yield Ask(Apply(behaviour=_held(g, 0.0)))
    yield Pause(0.1)
    return stairs


def _held(g: Gentle, torque_N_m: float) -> MotorTorque:
    return MotorTorque(
        torque_N_m=torque_N_m,
        ramp_s=0.0,
        duration_s=1.0,
        speed_m_s=0.018,
        travel_m=0.003,
        force_N=g.envelope_N,
    )


def _stair(g: Gentle, stairs: Stairs, torque: float) -> Generator[Action, Seen, bool]:
    sense = stairs.sense
    seen = yield Ask(Apply(behaviour=_held(g, sense * torque)))
    if not seen.accepted:
        raise ProcedureFailed(f"the push was refused: {seen.text}")
    seen = yield Pause(DWELL_S - MEAN_S)
    events = seen.events
    seen = yield Pause(MEAN_S)
    for event in (*events, *seen.events):
        if event["kind"] == "run_ended":
            stairs.ended = str(event["reason"])
            return False
    mean = {
        name: sense * float(np.mean(column(seen.rows, name)))
        for name in ("measured_torque_N_m", "spring_force_N", "nut_position_m", "deflection_m")
    }
    stairs.torque.append(mean["measured_torque_N_m"])
    stairs.force.append(mean["spring_force_N"])
    stairs.nut.append(mean["nut_position_m"])
    stairs.deflection.append(mean["deflection_m"])
    return True


def _rising(x: Floats, y: Floats, at: Floats) -> Floats:
    order = np.argsort(x)
    return np.asarray(np.interp(at, x[order], y[order]))


def _compared(g: Gentle, stairs: Stairs) -> Compared:
    """Compare push and release at the same force: their mean torque is free of friction.

    F = 2π·η·T/lead going in, T = F·lead·η_b/2π coming out; so the mean torque at one force
    is F·lead/2π·(1/η + η_b)/2.
    """
    torque, force = np.array(stairs.torque), stairs.true_share * np.array(stairs.force)
    nut = np.array(stairs.nut)
    # Before the output rests at its end, the nut moves it along.
    pressed = np.abs(force) > 0.3 * float(np.max(np.abs(force), initial=0.0))
    follows = math.nan
    if np.count_nonzero(pressed) > 2 and np.ptp(nut[pressed]) > 0:
        given = np.array(stairs.deflection)[pressed]
        follows = float(np.polyfit(nut[pressed], given, 1)[0])
    if stairs.top < 4 or len(torque) - stairs.top < 3:
        return Compared(math.nan, math.nan, follows, math.nan)
    top = stairs.top
    most = float(np.max(force))
    # On release the nut stands still at first, while the torque falls: not compared.
    back = np.arange(len(force)) >= top
    back &= force < 0.95 * most
    if np.count_nonzero(back) < 2 or most < g.touch_N:
        return Compared(math.nan, math.nan, follows, math.nan)
    low = max(0.35 * most, float(np.min(force[back])), float(np.min(force[:top])))
    at = np.linspace(low, 0.9 * most, 8)
    mean = 0.5 * (_rising(force[:top], torque[:top], at) + _rising(force[back], torque[back], at))
    screw = g.profile.actuator.transmission
    both = 0.5 * (1.0 / screw.efficiency_forward + screw.efficiency_backward)
    by_motor = mean * g.per_torque / both
    ratio = float(np.sum(by_motor) / np.sum(at))
    place = _rising(force[:top], nut[:top], at)
    rate = float(np.polyfit(place, by_motor, 1)[0]) if np.ptp(place) > 0 else math.nan
    back_drive = float(np.interp(0.0, torque[top:][::-1], force[top:][::-1]))
    return Compared(ratio, rate, follows, back_drive)


def _judge(result: Result, g: Gentle, stairs: Stairs, compared: Compared) -> None:
    end = "lower" if stairs.sense < 0 else "upper"
    torque, force = np.array(stairs.torque), np.array(stairs.force)
    result.plots.append(
        Plot(
            f"Push and release at the {end} end",
            "force by the springs (N)",
            "torque (mN·m)",
            (Trace("stairs", force, 1e3 * torque),),
        )
    )
    good = LEAST_RATIO < compared.ratio < MOST_RATIO and not stairs.too_strong
    follows = abs(compared.follows - 1) < FOLLOWS
    result.measured += [
        Measured(
            f"force by motor over force by springs, {end} end",
            compared.ratio,
            "1",
            f"{LEAST_RATIO} to {MOST_RATIO}",
            "mean torque of push and release at the same force: friction cancels",
            good,
        ),
        Measured(
            f"deflection over nut travel, {end} end",
            compared.follows,
            "1",
            f"1 ± {FOLLOWS}",
            "the output rests at its end, so the springs deflect as far as the nut moves",
            follows,
        ),
        Measured(
            f"spring rate by the motor, {end} end",
            1e-3 * compared.rate_N_m,
            "N/mm",
            f"roughly {STIFFNESS(g.rate_N_m):.0f}{STIFFNESS}",
            "slope of that force over nut travel",
        ),
        Measured(
            f"back-drive force, {end} end",
            compared.back_drive_N,
            "N",
            "depends on friction",
            "spring force at which the nut yields without torque",
        ),
    ]
    if compared.follows < 0:
        result.findings.append(finding("deflection_reversed", follows_ratio=compared.follows))
    elif stairs.too_strong:
        result.findings.append(
            finding(
                "torque_constant_wrong",
                torque_Nm=max(stairs.torque, default=math.nan),
                note="more force than a screw without loss would give",
                force_N=max(stairs.force, default=math.nan),
            )
        )
    elif not follows and not math.isnan(compared.follows):
        result.findings.append(finding("deflection_scale_wrong", follows_ratio=compared.follows))
    elif not good:
        known = not math.isnan(compared.ratio)
        code = "torque_constant_wrong" if known else "forces_disagree"
        result.findings.append(finding(code, motor_over_spring_ratio=compared.ratio))


SPRING_PUSH = Step(
    key="spring_push",
    title="Spring push",
    happens="The nut presses the springs against each end in small steps of torque and releases "
    "them; force by the springs is compared with force by the motor.",
    wrong="If the motor makes more torque than commanded, the force rises faster than it "
    "should; the push then ends.",
    clear="The whole stroke of the output, hands included. No weight on the rod.",
    run=_spring_push,
    energises=True,
    needs=("travel",),
)
