"""The force loop: its polarity while it is open, then closed in stages with a margin check each."""

from __future__ import annotations

import cmath
import math
from collections.abc import Generator

import numpy as np

from drivers.motion import FORCE, in_words
from hil.bringup.findings import finding
from hil.bringup.loop_stage import Stage, plot_of
from hil.bringup.step import Context, Finding, Measured, Plot, Result, Step
from hil.bringup.under_power import (
    Floats,
    Gentle,
    RunData,
    after,
    findings_as_text,
    gentle,
    go_to,
    power_down,
    power_up,
    run,
    trace,
    watch,
)
from hil.control import (
    Gains,
    Loop,
    ObserverGains,
    VelocityGains,
    VelocityLoop,
    design_source,
    moved_mass,
    observer_gains,
    restricted_profile,
)
from hil.core import Apply, Commission, ConstantForce, MotorTorque, State, Waveform
from hil.procedures import Action, Ask, BenchStopped, Hand, Pause, ProcedureFailed, Seen, restart

STAGES = (0.3, 0.5, 0.75, 1.0)  # of the profile's bandwidth
WAVE_SHARE = 0.04  # of the rated force
# If power is removed at any moment, the nut's momentum presses the springs: limits the wave's speed.
WAVE_MOMENTUM_SHARE = 0.05
# Frequencies of the check, in bandwidths: well inside, where the phase turns, and at −3 dB.
TRIED = (0.35, 0.7, 1.0)
AT_BANDWIDTH = 2  # index of the last
PERIODS = 4
LEAST_S = 0.4
FAST_M_S = 0.08  # the nut alone moves, the output is clamped
COMMAND_DELAY_CYCLES = 1.0  # from a sample to its command; most drives apply it a cycle later
OVER_OWN_LOAD = 1.4
POLARITY_TORQUE = 1.35  # of break-away: enough to be visible, harmless with the wrong sign
# Closed-loop peak Mt leaves at least 2·asin(1/(2·Mt)) of phase margin (Skogestad and
# Postlethwaite, Multivariable Feedback Control, 2nd ed., eq. 2.41; from memory).
LEAST_MARGIN_DEG = 30.0
SLOWER = 0.4  # of the predicted size at least, since friction takes its share of a small wave
OVER_FRICTION = 3.0  # force demanded by the error, over break-away: below it size is not judged
LOUDER = 1.6  # of the predicted size at most
RESTLESS_SHARE = 0.012  # standard deviation of the force at rest, of the rated force


@findings_as_text
def _loop(context: Context) -> Generator[Action, Seen, Result]:
    result = Result("loop")
    g = gentle(context.profile)
    yield from power_up(
        g.envelope(g.seeking_N_m, 0.02), "The nut moves to the middle of its travel"
    )
    middle = 0.5 * (
        after(context, "stroke_low_m", 0.0) + after(context, "stroke_high_m", g.stroke_m)
    )
    yield from go_to(g, middle)
    yield from power_down()
    yield Hand(
        "hold_output",
        "Clamp the output firmly, so that neither hand nor motor can move it: the force loop is "
        "first tried against a fixed output.",
    )
    try:
        yield from _clamped(context, result, g)
    except BenchStopped as stop:
        found = _stopped(stop)
        if found is not None and result.closed_loop:
            result.findings.append(found)
        yield from power_down()
        yield Hand("let_output_go", "Take the clamp off the output.")
        if not result.findings:
            raise
        return result
    yield from power_down()
    yield Hand("let_output_go", "Take the clamp off the output.")
    return result


def _stopped(stop: BenchStopped) -> Finding | None:
    """Return a finding on the loop if a limit tripped while it was closed, else None."""
    if stop.cause in map(in_words, ("Force", "Force rate", "Speed", "Deflection", "Travel")):
        return finding("loop_restless", note=f"stopped by {stop.cause.lower()}")
    return None


def _clamped(context: Context, result: Result, g: Gentle) -> Generator[Action, Seen, None]:
    profile = context.profile
    # A design takes longer than a heartbeat may be late: compute all before power comes on.
    designed = []
    for share in STAGES:
        bandwidth = share * profile.control.force_bandwidth
        envelope = _envelope(g, bandwidth)
        designed.append((bandwidth, envelope, _designed(context, envelope)))
        yield Pause(0.02)
    torque = POLARITY_TORQUE * max(after(context, "breakaway_N_m", 0.0), g.breakaway_N_m)
    torque = min(torque, g.seeking_N_m)
    yield from restart(
        g.envelope(g.seeking_N_m, 0.02), "A small torque each way against the clamp, the loop open"
    )
    yield from _polarity(result, g, torque)
    if result.findings:
        return
    stages: list[Stage] = []
    for bandwidth, envelope, gains in designed:
        yield from restart(envelope, f"Small waves, the loop closed at {bandwidth:.1f} Hz")
        result.closed_loop = True
        stage = yield from _stage(g, gains, bandwidth, envelope)
        stages.append(stage)
        _judge(result, g, stage, gains)
        if result.findings:
            break
        context.known["loop_bandwidth_Hz"] = stage.reached_Hz
        context.known["loop_margin_deg"] = stage.margin_deg
    result.plots.append(plot_of(stages))
    last = stages[-1]
    result.text = (
        f"the force loop works up to {context.known.get('loop_bandwidth_Hz', 0.0):.1f} Hz; phase "
        f"margin at least {last.margin_deg:.0f}° at {last.bandwidth_Hz:.1f} Hz"
    )


def _envelope(g: Gentle, bandwidth_Hz: float) -> Commission:
    # Torque for the envelope's force and the friction of the screw, and no more.
    torque = g.envelope_N / g.per_torque / 0.85 + 1.5 * g.breakaway_N_m
    # The caps before the soft ends assume the output's own weight, balanced or not: a force limit
    # below it would leave them no braking force, and the loop no range.
    force = max(g.envelope_N, OVER_OWN_LOAD * moved_mass(g.profile)[1])
    return g.envelope(torque, FAST_M_S).model_copy(
        update={
            "force_N": min(force, g.profile.limits.force.limited),
            "closed_loop": True,
            "ends_known": True,
            "bandwidth_Hz": bandwidth_Hz,
        }
    )


def _designed(context: Context, envelope: Commission) -> Gains:
    profile = context.profile
    period = 1.0 / profile.control.rate
    return design_source(
        restricted_profile(profile, envelope), period, COMMAND_DELAY_CYCLES * period
    )


def _polarity(result: Result, g: Gentle, torque: float) -> Generator[Action, Seen, None]:
    """Apply a torque each way, loop open: force, deflection and nut must follow its sign."""
    runs: list[RunData] = []
    for sense in (1, -1):
        request = MotorTorque(
            torque_N_m=sense * torque,
            ramp_s=0.5,
            duration_s=0.7,
            speed_m_s=0.018,
            travel_m=0.003,
            force_N=g.end_N,
        )
        runs.append((yield from run(request, 0.2)))
    changes = [
        float(np.median(ran.of("spring_force_N")[-50:]) - np.median(ran.of("spring_force_N")[:50]))
        for ran in runs
    ]
    swing = changes[0] - changes[1]
    most = 2.5 * torque * g.per_torque
    good = 0.1 * g.touch_N < swing < most
    result.measured.append(
        Measured(
            "force that follows a torque, loop open",
            swing,
            "N",
            f"rising with the torque, up to {FORCE(most):.0f}{FORCE}",
            "a loop closed with the wrong sign runs away",
            good,
        )
    )
    result.plots.append(
        Plot(
            "Loop open: force follows torque",
            "torque (mN·m)",
            "force by the springs (N)",
            tuple(
                trace(
                    "positive" if i == 0 else "negative",
                    1e3 * ran.of("measured_torque_N_m"),
                    ran.of("spring_force_N"),
                )
                for i, ran in enumerate(runs)
            ),
        )
    )
    if swing <= 0.1 * g.touch_N:
        moved = runs[0].moved_m - runs[1].moved_m
        code = "loop_polarity_wrong" if swing < -g.touch_N else "forces_disagree"
        result.findings.append(finding(code, force_N=swing, nut_mm=1e3 * moved))
    elif not good:
        result.findings.append(finding("torque_constant_wrong", force_N=swing, most_N=most))


def _stage(
    g: Gentle, gains: Gains, bandwidth: float, envelope: Commission
) -> Generator[Action, Seen, Stage]:
    yield from _apply(ConstantForce(force_N=0.0))
    yield Pause(0.3)
    rest = yield from watch(0.4)
    restless = float(np.std(rest.of("spring_force_N")))
    profile = restricted_profile(g.profile, envelope)
    period = 1.0 / profile.control.rate
    frequencies = np.array([share * bandwidth for share in TRIED])
    predicted, smoothing = _predicted(gains, observer_gains(profile, period), frequencies)
    measured = []
    for frequency in frequencies:
        amplitude = _wave(g, float(frequency))
        periods = max(PERIODS, math.ceil(LEAST_S * frequency))
        settle = max(2 / frequency, 0.15)
        yield from _apply(
            Waveform(
                shape="sine",
                of="force",
                amplitude=amplitude,
                frequency_Hz=float(frequency),
                duration_s=settle + periods / frequency + 1.0,
            )
        )
        yield Pause(settle)
        ran = yield from watch(periods / frequency)
        measured.append(_answer(ran, float(frequency)))
    yield from _apply(ConstantForce(force_N=0.0))
    yield Pause(0.2)
    return Stage(
        bandwidth,
        frequencies,
        tuple(measured),
        predicted,
        smoothing,
        restless,
        _calls_up(gains) * _wave(g, bandwidth) / g.rate_N_m,
    )


def _predicted(
    gains: Gains, observer: ObserverGains, frequencies_Hz: Floats
) -> tuple[tuple[complex, ...], tuple[complex, ...]]:
    """Return force over setpoint by design, and the part of it that lies before the loop."""
    if isinstance(gains, VelocityGains):
        around = VelocityLoop(gains.plant, gains.law, observer)
        answer = around.response("deflection", "reference_m", frequencies_Hz)
        return tuple(answer), (1.0 + 0.0j,) * len(frequencies_Hz)
    loop = Loop(gains.plant, gains.law, observer)
    turn = np.exp(-2j * math.pi * frequencies_Hz * gains.plant.period_s)
    smoothing = gains.law.shaping / (1 - (1 - gains.law.shaping) * turn)
    return tuple(loop.response("deflection", "reference_m", frequencies_Hz)), tuple(smoothing)


def _calls_up(gains: Gains) -> float:
    """Return the force on the nut that an error of deflection asks for at once, N/m."""
    if isinstance(gains, VelocityGains):
        plant = gains.plant
        return gains.law.proportional_1_s * plant.mass * plant.loop_rad_s
    return gains.law.position


def _wave(g: Gentle, frequency: float) -> float:
    """Return the amplitude of the wave in N at a frequency."""
    rated = g.profile.limits.force.limited
    mass = g.profile.actuator.reflected_mass
    speed = WAVE_MOMENTUM_SHARE * rated / math.sqrt(g.rate_N_m * mass)
    return min(WAVE_SHARE * rated, g.rate_N_m * speed / (2 * math.pi * frequency))


def _apply(behaviour: ConstantForce | Waveform) -> Generator[Action, Seen, None]:
    seen = yield Ask(Apply(behaviour=behaviour))
    if not seen.accepted:
        raise ProcedureFailed(f"the loop's check was refused: {seen.text}")


def _answer(ran: RunData, frequency: float) -> complex:
    """Return measured force over setpoint at one frequency, correlated over whole periods."""
    time = ran.of("time_s")
    turn = np.exp(-2j * math.pi * frequency * time)
    setpoint, measured = ran.of("shaped_force_N"), ran.of("spring_force_N")
    if not np.all(ran.of("state") == State.RUNNING):
        return complex(math.nan, math.nan)
    if not np.std(setpoint) > 0.5 * np.std(ran.of("setpoint_force_N")):
        raise ProcedureFailed(
            "a limit cuts the test wave of the loop: widen the soft ends or the force limit"
        )
    setpoint, measured = setpoint - np.mean(setpoint), measured - np.mean(measured)
    return complex(np.sum(measured * turn) / np.sum(setpoint * turn))


def _judge(result: Result, g: Gentle, stage: Stage, gains: Gains) -> None:
    rated = g.profile.limits.force.limited
    name = f"at {stage.bandwidth_Hz:.1f} Hz"
    answer, design_answer = stage.measured[AT_BANDWIDTH], stage.predicted[AT_BANDWIDTH]
    size, wanted = abs(answer), abs(design_answer)
    least = SLOWER if stage.calls_up_N > OVER_FRICTION * g.breakaway_N_m * g.per_torque else 0.0
    enough = least * wanted <= size < LOUDER * wanted
    restful = stage.restless_N < RESTLESS_SHARE * rated
    margin = stage.margin_deg > LEAST_MARGIN_DEG
    result.measured += [
        Measured(
            f"size of the answer {name}",
            size,
            "1",
            f"{wanted:.2f} by design",
            "below it the loop is slower than designed; friction takes a share",
            enough,
        ),
        Measured(
            f"lag of the answer {name}",
            -math.degrees(cmath.phase(answer)),
            "°",
            f"{-math.degrees(cmath.phase(design_answer)):.0f}° by design",
            "delay of the loop",
        ),
        Measured(
            f"phase margin {name}, at least",
            stage.margin_deg,
            "°",
            f"above {LEAST_MARGIN_DEG:.0f}°, design {gains.predicted.phase_margin_deg:.0f}°",
            "2·asin(1/(2·Mt)) of the closed loop's peak Mt",
            margin,
        ),
        Measured(
            f"force at rest {name}, standard deviation",
            stage.restless_N,
            "N",
            f"below {FORCE(RESTLESS_SHARE * rated):.1f}{FORCE}",
            "a loop that hunts is never at rest",
            restful,
        ),
    ]
    if not restful:
        result.findings.append(
            finding("loop_restless", at_Hz=stage.bandwidth_Hz, force_N=stage.restless_N)
        )
    elif not margin or not enough:
        result.findings.append(
            finding(
                "loop_margin_low",
                at_Hz=stage.bandwidth_Hz,
                margin_deg=stage.margin_deg,
                size_ratio=size / wanted,
            )
        )


LOOP = Step(
    key="loop",
    title="Force loop",
    happens="With the output clamped and the loop still open, a small torque shows that force "
    "follows it. Then the loop is closed at a low bandwidth, which is raised in stages; small waves "
    "at each show how much margin is left.",
    wrong="A loop with too little margin hums or shakes; the envelope and your hand end it.",
    clear="Hands away from screw and springs; the clamp on the output holds.",
    run=_loop,
    energises=True,
    needs=("working_force",),
)
