"""Spring push: force by the springs against force by the motor, friction cancelled."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np

from drivers.motion import FORCE, STIFFNESS
from hil.bringup.findings import finding
from hil.bringup.step import Context, Measured, Plot, Result, Step, Trace
from hil.bringup.under_power import Gentle, after, findings_as_text, gentle, power_up, run, seek_end
from hil.core import Apply, MotorSpeed, MotorTorque
from hil.procedures import Action, Ask, Pause, ProcedureFailed, Seen, column

PUSH_SHARE = 0.065  # of the rated force; without momentum, so well below 15 %
STAIRS = 30  # up to the push: a stair is the resolution of the torque at which a nut yields
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
    stands: list[bool] = field(default_factory=list)  # the nut, at the end of the stair
    top: int = 0  # number of stairs going up
    true_share: float = 1.0  # true force over the force that the profile's calibration shows
    ended: str = ""  # why the last of them ended by itself
    too_strong: bool = False

    @property
    def jump_N(self) -> float:
        """Largest rise of force from one stand of the nut to the next: a nut that sticks jumps."""
        stood = np.array(self.force)[np.array(self.stands, dtype=bool)]
        return float(np.max(np.diff(stood), initial=0.0))


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
        # The next jump must not reach the force that ends the push: it shows no strong motor.
        if force > wanted or stairs.force[-1] + stairs.jump_N > g.envelope_N - g.touch_N:
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
    nut = column(seen.rows, "nut_position_m")
    stairs.stands.append(bool(np.ptp(nut) < SLACK_M / 2))
    return True


def _compared(g: Gentle, stairs: Stairs) -> Compared:
    """Compare force by the motor with force by the springs where the nut starts to move.

    There T = F·lead/(2π·η) + T_f going in, T = F·lead·η_b/2π − T_f coming out. Both lie between the
    torques of two stairs. Unknown are the ratio of the two forces and the friction T_f, by least
    squares over push and release; the efficiencies are as stated.
    """
    torque, force = np.array(stairs.torque), stairs.true_share * np.array(stairs.force)
    nut, top = np.array(stairs.nut), stairs.top
    # Before the output rests at its end, the nut moves it along.
    pressed = np.abs(force) > 0.3 * float(np.max(np.abs(force), initial=0.0))
    follows = shown = math.nan
    if np.count_nonzero(pressed) > 2 and np.ptp(nut[pressed]) > 0:
        given = np.array(stairs.deflection)[pressed]
        follows = float(np.polyfit(nut[pressed], given, 1)[0])
        shown = float(np.polyfit(nut[pressed], force[pressed], 1)[0])
    unknown = Compared(math.nan, math.nan, follows, math.nan)
    if top < 2 or len(torque) - top < 2 or float(np.max(force)) < g.touch_N:
        return unknown
    moved, stood = np.diff(nut), np.array(stairs.stands[:-1], dtype=bool)
    going = stood & (moved > SLACK_M) & (np.arange(len(moved)) < top - 1)
    coming = stood & (moved < -SLACK_M) & (np.arange(len(moved)) >= top - 1)
    if not going.any() or not coming.any():
        return unknown
    screw = g.profile.actuator.transmission
    motor_N, held_N = 0.5 * (torque[1:] + torque[:-1]) * g.per_torque, force[:-1]
    lossy_N = np.concatenate(
        [held_N[going] / screw.efficiency_forward, held_N[coming] * screw.efficiency_backward]
    )
    signs = np.repeat([1.0, -1.0], [np.count_nonzero(going), np.count_nonzero(coming)])
    basis = np.column_stack([lossy_N, signs])
    (ratio, friction_N), _, rank, _ = np.linalg.lstsq(
        basis, np.concatenate([motor_N[going], motor_N[coming]])
    )
    if rank < 2:
        return unknown
    # Without torque the nut yields where F·η_b holds the friction.
    back_drive = float(friction_N / ratio / screw.efficiency_backward) if ratio > 0 else math.nan
    return Compared(float(ratio), float(ratio * shown), follows, back_drive)


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
    # A nut that reached its force in one jump shows neither slope; later steps judge the sensor.
    seen = not math.isnan(compared.follows)
    follows = abs(compared.follows - 1) < FOLLOWS or (good and not seen)
    result.measured += [
        Measured(
            f"force by motor over force by springs, {end} end",
            compared.ratio,
            "1",
            f"{LEAST_RATIO} to {MOST_RATIO}",
            "torques of push and release at which the nut starts to move: friction cancels",
            good,
        ),
        Measured(
            f"deflection over nut travel, {end} end",
            compared.follows if seen else "reached in one jump",
            "1" if seen else "",
            f"1 ± {FOLLOWS}",
            "the output rests at its end, so the springs deflect as far as the nut moves",
            follows,
        ),
        Measured(
            f"spring rate by the motor, {end} end",
            1e-3 * compared.rate_N_m if seen else "reached in one jump",
            "N/mm" if seen else "",
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
    elif not follows and seen:
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
