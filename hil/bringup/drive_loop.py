"""The drive's own velocity and position loop, measured: bandwidth, integral share and delay.

The nut is shaken a little while it travels. The commanded speed v_c, the nut's position x and the torque
T that the drive reports are recorded. Then

    T(t) = K_v·(v_c(t − d) − v(t)) + K_i·∫(v_c(t − d) − v(t))

gives the gains, the delay d and a lag of the torque (current loop, speed filter), whatever the friction
and the load. In a drive that takes position, v_c = ω_p·(x_c(t − d) − x(t)).
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np

from drivers.motion import SPEED
from hil.bringup.findings import finding
from hil.bringup.step import Context, Measured, Plot, Result
from hil.bringup.under_power import Floats, Gentle, RunData, go_to, power_down, run, trace
from hil.core import MotorSpeed
from hil.procedures import Action, ProcedureFailed, Seen, restart
from hil.profile import Profile

# In turn, one each way. Below, the output swings on its springs; above, little torque is left.
SHAKEN_Hz = (12.0, 22.0, 35.0, 50.0)
TRAVELS_S = 1.4
TRAVEL_SHARE = 0.35  # of the speed of a gentle run
SHAKE_SHARE = 0.4
FASTEST_M_S = 0.03
FULL_Hz = 25.0  # from here on; below, near the output's own frequency, the springs swing
USUAL_Hz, MOST_SHAKE = 60.0, 1.5
TORQUE_SHARE = 3.0  # of the torque that moves the nut: room for the shaking
GRID_S = 0.001
SMOOTHED_S = 0.003  # Gaussian: passes the shaking, damps the sensor's quantisation
EDGE = 40  # of the grid: where smoothing and delays reach beyond the run
FIRST_S = (0.001, 0.005, 0.01)  # initial delays of the fit; the highest frequency's period is 20 ms
SCALES = (0.1, 0.1, 0.001, 0.001, 0.1)
COMMAND_CYCLES = 1.0  # from a sample to the command that answers it
INTERPOLATION_CYCLES = 1.0  # within which a drive moves from one position to the next
# Shares of the stated values. Within the first a value passes, within the second it is proposed.
AGREES, PROPOSED = 0.20, 0.40
INTEGRAL_OFF = 0.5
DELAY_OFF_S, DELAY_PROPOSED_S = 0.0015, 0.001
MOST_UNEXPLAINED = 0.30  # of the torque's standard deviation


@dataclass(frozen=True)
class DriveLoop:
    """Loop of the drive as measured.

    Attributes:
        bandwidth_Hz: crossover of the velocity loop, by the mass that the profile states.
        integral_share: K_i/K_v over that crossover in rad/s.
        delay_s: delay in addition to the cycle's own.
        position_Hz: gain of the position loop over 2π; NaN for a drive that takes velocity.
        unexplained: share of the torque's standard deviation that the fit leaves.
    """

    bandwidth_Hz: float
    integral_share: float
    delay_s: float
    position_Hz: float
    unexplained: float


def measure_drive_loop(
    context: Context, result: Result, g: Gentle, middle_m: float
) -> Generator[Action, Seen, None]:
    """Shake the nut about the middle of its travel, then compare the loop with the profile's.

    Raises:
        ProcedureFailed: the nut did not reach the middle, or a run ended early.
    """
    yield from restart(
        g.envelope(TORQUE_SHARE * g.torque_N_m, FASTEST_M_S),
        "The nut is shaken by some ten micrometres: the drive's own loop is measured",
    )
    yield from go_to(g, middle_m)
    runs = yield from _shaken(g)
    yield from power_down()
    _judge(context, result, g, runs)


def _shaken(g: Gentle) -> Generator[Action, Seen, list[RunData]]:
    runs = []
    # A stiff loop leaves little error: shake it more.
    shake = min(max(1.0, g.profile.control.velocity_loop.bandwidth / USUAL_Hz), MOST_SHAKE)
    speed = TRAVEL_SHARE * g.speed_m_s
    for i, frequency in enumerate(SHAKEN_Hz):
        request = MotorSpeed(
            speed_m_s=speed if i % 2 == 0 else -speed,
            shake_m_s=shake * min(1.0, frequency / FULL_Hz) * SHAKE_SHARE * g.speed_m_s,
            shake_Hz=frequency,
            torque_N_m=TORQUE_SHARE * g.torque_N_m,
            duration_s=TRAVELS_S,
            travel_m=0.2 * g.stroke_m,
            force_N=g.leave_N,
        )
        ran = yield from run(request, 0.1)
        if ran.reason != "time":
            raise ProcedureFailed(
                f"the shaking that measures the drive's own loop ended early ({ran.reason}): see "
                "that the output is free in the middle of its travel, and repeat"
            )
        runs.append(ran)
    return runs


def _judge(context: Context, result: Result, g: Gentle, runs: list[RunData]) -> None:
    """Compare the loop with ``control.velocity_loop`` and ``position_loop``."""
    profile = g.profile
    found = _fitted(profile, runs)
    stated, control = profile.control.velocity_loop, profile.control
    result.plots.append(_plot(runs[0]))
    clear = found.unexplained < MOST_UNEXPLAINED
    result.measured.append(
        Measured(
            "torque that the drive's own loop does not explain",
            100 * found.unexplained,
            "%",
            f"below {100 * MOST_UNEXPLAINED:.0f} % of it",
            "a PI loop of velocity, as the force loop is designed with",
            clear,
        )
    )
    if not clear:
        result.findings.append(finding("velocity_loop_unclear", unexplained=found.unexplained))
        return
    context.known |= {
        "velocity_loop_Hz": found.bandwidth_Hz,
        "velocity_loop_integral": found.integral_share,
        "velocity_loop_delay_s": found.delay_s,
    }
    wrong: dict[str, str] = {}
    if _off(result, "drive's velocity loop, bandwidth", found.bandwidth_Hz, stated.bandwidth):
        wrong["control.velocity_loop.bandwidth"] = f"{found.bandwidth_Hz:.3g} Hz"
    off = found.integral_share - stated.integral_share
    most = max(INTEGRAL_OFF * stated.integral_share, 0.05)
    result.measured.append(
        Measured(
            "drive's velocity loop, integral share",
            found.integral_share,
            "1",
            f"{stated.integral_share:g} ± {most:g}",
            "K_i/K_v over the loop's crossover",
            abs(off) < most,
        )
    )
    if abs(off) >= most:
        wrong["control.velocity_loop.integral_share"] = f"{max(found.integral_share, 0.0):.2g}"
    if wrong:
        result.findings.append(
            finding(
                "velocity_loop_wrong",
                measured_Hz=found.bandwidth_Hz,
                stated_Hz=stated.bandwidth,
                integral_share=found.integral_share,
                changes=wrong,
            )
        )
    late = abs(found.delay_s - stated.delay) >= DELAY_OFF_S
    result.measured.append(
        Measured(
            "drive's velocity loop, delay of its own",
            1e3 * found.delay_s,
            "ms",
            f"{1e3 * stated.delay:g} ± {1e3 * DELAY_OFF_S:g} ms",
            "from command to torque, the bus's and the cycle's own taken off",
            not late,
        )
    )
    change = {"control.velocity_loop.delay": f"{1e3 * max(found.delay_s, 0.0):.2g} ms"}
    if late:
        result.findings.append(
            finding("velocity_loop_late", measured_ms=1e3 * found.delay_s, changes=change)
        )
    elif abs(found.delay_s - stated.delay) > DELAY_PROPOSED_S:
        result.changes |= change
    if control.source == "position":
        context.known["position_loop_Hz"] = found.position_Hz
        gain = control.position_loop.bandwidth
        if _off(result, "drive's position loop, gain over 2π", found.position_Hz, gain):
            result.findings.append(
                finding(
                    "position_loop_wrong",
                    measured_Hz=found.position_Hz,
                    stated_Hz=gain,
                    changes={"control.position_loop.bandwidth": f"{found.position_Hz:.3g} Hz"},
                )
            )
        elif abs(found.position_Hz / gain - 1) > AGREES:
            result.changes["control.position_loop.bandwidth"] = f"{found.position_Hz:.3g} Hz"
    if not wrong and abs(found.bandwidth_Hz / stated.bandwidth - 1) > AGREES:
        result.changes["control.velocity_loop.bandwidth"] = f"{found.bandwidth_Hz:.3g} Hz"


def _off(result: Result, name: str, measured_Hz: float, stated_Hz: float) -> bool:
    """Record one bandwidth; return whether it is further off than a proposal corrects."""
    low, high = stated_Hz / (1 + PROPOSED), stated_Hz * (1 + PROPOSED)
    good = low < measured_Hz < high
    result.measured.append(
        Measured(
            name,
            measured_Hz,
            "Hz",
            f"{low:.3g} to {high:.3g} Hz, stated {stated_Hz:g} Hz",
            "the force loop is designed around it",
            good,
        )
    )
    return not good


@dataclass(frozen=True)
class _Even:
    """One run on an even grid: times in s, torque in N·m, nut and command in m, smoothed alike."""

    time_s: Floats
    torque: Floats
    nut_m: Floats
    command_m: Floats


def _fitted(profile: Profile, runs: list[RunData]) -> DriveLoop:
    """Return the loop whose torque is nearest to the one that the drive reported.

    A drive that applies commands on arrival applies that of a late cycle late; one that applies them by
    the cycle holds the command before it. The better fit counts.
    """
    found = [
        _nearest(profile, [_even(profile, ran, by_cycle) for ran in runs], by_cycle)
        for by_cycle in (True, False)
    ]
    return min(found, key=lambda loop: loop.unexplained)


def _nearest(profile: Profile, evens: list[_Even], by_cycle: bool) -> DriveLoop:
    from scipy.optimize import least_squares  # slow to load

    control, actuator = profile.control, profile.actuator
    position = control.source == "position"
    inertia = actuator.reflected_mass / actuator.radians_per_metre
    torque = [_level(run.torque[EDGE:-EDGE]) for run in evens]

    def left(guess: Floats) -> Floats:
        crossover, share, delay, lag = np.exp(guess[0]), guess[1], guess[2], guess[3]
        parts = []
        for one, reported in zip(evens, torque, strict=True):
            nut = np.interp(one.time_s - lag, one.time_s, one.nut_m)
            missing = np.interp(one.time_s - lag - delay, one.time_s, one.command_m) - nut
            if position:
                missing = GRID_S * np.cumsum(np.exp(guess[4]) * missing) - nut
            by_loop = np.gradient(missing, GRID_S) + share * crossover * missing
            parts.append(_level(inertia * crossover * by_loop[EDGE:-EDGE]) - reported)
        return np.concatenate(parts)

    stated = control.velocity_loop
    first = [math.log(2 * math.pi * stated.bandwidth), stated.integral_share]
    last = [control.current_loop_lag]
    if position:
        last.append(math.log(2 * math.pi * control.position_loop.bandwidth))
    scales = SCALES[: 3 + len(last)]
    best = min(
        (least_squares(left, [*first, delay, *last], x_scale=scales) for delay in FIRST_S),
        key=lambda found: float(found.cost),
    )
    crossover, share, delay = best.x[:3]
    cycles = (0.0 if by_cycle else COMMAND_CYCLES) + (INTERPOLATION_CYCLES if position else 0.0)
    varies = float(np.sum(np.concatenate(torque) ** 2))
    return DriveLoop(
        math.exp(crossover) / (2 * math.pi),
        float(share),
        float(delay) - cycles / control.rate,
        math.exp(best.x[4]) / (2 * math.pi) if position else math.nan,
        math.sqrt(2 * float(best.cost) / varies) if varies > 0.0 else math.inf,
    )


def _even(profile: Profile, ran: RunData, by_cycle: bool) -> _Even:
    """Return a run on an even grid; reported values count from the time of their measurement."""
    running = np.isfinite(ran.of("rest_position_m"))
    woke, nut = ran.of("time_s")[running], ran.of("nut_position_m")[running]
    command = ran.of("rest_position_m")[running]
    taken = woke - ran.of("telemetry_age_s")[running]
    if profile.control.source == "position":
        command, command_s = (command[:-1], woke[1:]) if by_cycle else (command, woke)
        command = command - nut[0]
    else:
        # The bench counts whole periods from cycle to cycle.
        rate = profile.control.rate
        speeds = np.diff(command) * rate / np.maximum(1.0, np.rint(np.diff(woke) * rate))
        if by_cycle:
            speeds = np.concatenate([[0.0], speeds[:-1]])
        command, command_s = np.concatenate([[0.0], np.cumsum(speeds * np.diff(woke))]), woke
    time_s = np.arange(max(command_s[0], taken[0]), min(woke[-1], taken[-1]), GRID_S)
    at = np.arange(-3 * SMOOTHED_S, 3 * SMOOTHED_S + GRID_S / 2, GRID_S)
    kernel = np.exp(-0.5 * (at / SMOOTHED_S) ** 2)
    kernel /= np.sum(kernel)

    def smooth(by: Floats, values: Floats) -> Floats:
        return np.asarray(np.convolve(np.interp(time_s, by, values), kernel, "same"))

    torque = ran.of("measured_torque_N_m")[running]
    return _Even(
        time_s, smooth(taken, torque), smooth(taken, nut - nut[0]), smooth(command_s, command)
    )


def _level(values: Floats) -> Floats:
    """Return values without their linear trend: an integral's start is unknown."""
    at = np.linspace(-1.0, 1.0, len(values))
    return values - np.mean(values) - at * float(np.dot(at, values) / np.dot(at, at))


def _plot(ran: RunData) -> Plot:
    time = ran.of("time_s") - ran.of("time_s")[:1]
    return Plot(
        f"The drive's own loop, shaken at {SHAKEN_Hz[0]:g} Hz",
        "time (s)",
        f"nut ({SPEED.unit}), torque (mN·m)",
        (
            trace("nut", time, SPEED.factor * ran.of("nut_velocity_m_s")),
            trace("torque", time, 1e3 * ran.of("measured_torque_N_m")),
        ),
    )
