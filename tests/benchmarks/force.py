"""Closed-loop force bandwidth, phase margin, overshoot and steady error, against prediction.

On the simulated demo rig with its output blocked, by sines and steps; beside it what the
discrete model (scipy) says of the same profile, dry friction included by its describing
function (``hil.control.dry_friction``). The profile is judged as it is shipped. Then the
published plant of Paine, Oh, Sentis 2014 (IEEE/ASME T-Mech 19(3); 350 N/mm, 360 kg,
2200 N·s/m, values from memory; 70 Hz reported) with the attainable bandwidth over the loop's delay.
"""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
from table import Benchmark

sys.path.insert(0, str(Path(__file__).parents[1] / "hil" / "control"))
from blocked_rig import FORCE, NET, TORQUE, BlockedRig  # type: ignore[import-not-found]

from drivers.simulated.parameters import RigParameters
from hil.control.dry_friction import friction_N, rubbed, sine_N
from hil.control.estimation import observer_gains
from hil.control.force_design import ForceGains, design
from hil.control.force_model import Loop
from hil.profile.devices import rig_parameters
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

MARGIN_DEG = 30.0
REPORTED_HZ = 70.0
PUSH_N = 500.0  # at the plant's input, to measure the loop
STEP_N = (100.0, 250.0)
RATIOS = (0.5, 0.6, 0.7, 0.8, 1.0)  # damping ratios tried for the attainable bandwidth
LONGEST_MS = 5.0  # of the curve over delay, in whole periods of each rate
RATES_HZ = (1000.0, 2000.0, 4000.0)
GOAL_HZ = 25.0  # of the demo rig, as shipped


def with_control(profile: Profile, **values: Any) -> Profile:
    return profile.model_copy(update={"control": profile.control.model_copy(update=values)})


def response(
    profile: Profile,
    gains: ForceGains,
    parameters: RigParameters | None,
    frequency: float,
    level: float,
    amplitude: float,
    delay_cycles: int = 0,
) -> complex:
    """Actual over desired force at one frequency, over whole periods after a second."""
    rig = BlockedRig(profile, gains=gains, parameters=parameters, delay_cycles=delay_cycles)
    period = rig.period
    settled = round(1.0 / period)
    count = round(round(frequency) / frequency / period)
    rows = rig.run(
        (settled + count) * period,
        lambda t: level + amplitude * math.sin(2 * math.pi * frequency * t),
    )
    n = np.arange(settled, settled + count)
    turn = np.exp(-2j * np.pi * frequency * period * n)
    return 2j * complex(np.mean((rows[n, FORCE] - level) * turn)) / amplitude


def bandwidth(
    profile: Profile,
    gains: ForceGains,
    parameters: RigParameters | None,
    level: float,
    amplitude: float,
    delay_cycles: int = 0,
) -> float:
    """Measured −3 dB point, interpolated between sines around the predicted one."""
    expected = gains.predicted.bandwidth_Hz
    frequencies = expected * np.array([0.7, 0.8, 0.88, 0.95, 1.02, 1.1, 1.2, 1.35])
    sizes = [
        abs(response(profile, gains, parameters, f, level, amplitude, delay_cycles))
        for f in frequencies
    ]
    for (f0, s0), (f1, s1) in zip(
        zip(frequencies, sizes, strict=True),
        list(zip(frequencies, sizes, strict=True))[1:],
        strict=False,
    ):
        if s0 >= math.sqrt(0.5) > s1:
            return float(f0 + (s0 - math.sqrt(0.5)) / (s0 - s1) * (f1 - f0))
    return math.nan


def margin(
    profile: Profile,
    gains: ForceGains,
    parameters: RigParameters | None,
    level: float,
    push_N: float,
    near_Hz: float,
    delay_cycles: int = 0,
) -> float:
    """Phase margin in degrees at the crossover near ``near_Hz``, by sines added to the torque."""
    gear = 1 / profile.actuator.radians_per_metre
    frequencies = near_Hz * np.array([0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25])
    loops = []
    for frequency in frequencies:
        rig = BlockedRig(profile, gains=gains, parameters=parameters, delay_cycles=delay_cycles)
        period = rig.period
        settled, count = round(1.0 / period), round(round(frequency) / frequency / period)
        rows = rig.run(
            (settled + count) * period,
            lambda t: level,
            lambda t, f=frequency: push_N * gear * math.sin(2 * math.pi * f * t),
        )
        n = np.arange(settled, settled + count)
        turn = np.exp(-2j * np.pi * frequency * period * n)
        answer, sent = np.mean(rows[n, TORQUE] * turn), np.mean(rows[n, NET] * turn)
        loops.append(-answer / sent)
    return least_margin(frequencies, np.array(loops))[1]


def least_margin(frequencies: np.ndarray, loops: np.ndarray) -> tuple[float, float]:
    """(frequency, phase margin in degrees) of the crossover that leaves least."""
    sizes = np.log(np.abs(loops))
    found = [(math.nan, math.nan)]
    for i in np.nonzero(sizes[:-1] * sizes[1:] < 0)[0]:
        share = sizes[i] / (sizes[i] - sizes[i + 1])
        phase = np.angle(-loops[i] * (loops[i + 1] / loops[i]) ** share)
        found.append(
            (
                float(frequencies[i] + share * (frequencies[i + 1] - frequencies[i])),
                abs(math.degrees(phase)),
            )
        )
    return min(found, key=lambda crossing: crossing[1] if crossing[1] == crossing[1] else 1e3)


def at_sine(loop: Loop, friction: float, given: str, size: float, frequency: float) -> Loop:
    """``rubbed`` at the velocity that the loop itself then has, by iteration."""
    found = loop
    for _ in range(12):
        deflection = abs(found.response("deflection", given, np.array([frequency]))[0]) * size
        found = rubbed(loop, friction, 2 * math.pi * frequency * deflection)
    return found


def predicted_margin(profile: Profile, loop: Loop, level: float, push: float) -> float:
    """Phase margin with friction in full: a steady demand gives the feed-forward nothing."""
    frequencies = crossover(loop) * np.linspace(0.5, 1.3, 60)
    friction = friction_N(profile, level)
    loops = [
        at_sine(loop, friction, "torque_N", push, f).opened(np.array([f]))[0] for f in frequencies
    ]
    return least_margin(frequencies, np.array(loops))[1]


def crossover(loop: Loop) -> float:
    """Frequency at which the model crosses gain 1 with the least phase to spare."""
    frequencies = loop.frequencies()
    return least_margin(frequencies, loop.opened(frequencies))[0]


def step_figures(
    profile: Profile, gains: ForceGains, parameters: RigParameters | None
) -> tuple[float, float, float]:
    """(overshoot as a share of the step, steady error in N, torque ripple at rest in N·m)."""
    rig = BlockedRig(profile, gains=gains, parameters=parameters)
    low, high = STEP_N
    rig.run(1.0, lambda t: low)
    rows = rig.run(2.0, lambda t: high)
    late = rows[-1000:]
    # The mean of three samples: one count of noise is no overshoot.
    smooth = np.convolve(rows[:, FORCE], np.ones(3) / 3, "valid")
    return (
        max(0.0, (smooth.max() - high) / (high - low)),
        abs(late[:, FORCE].mean() - high),
        float(late[:, TORQUE].std()),
    )


def frictionless(profile: Profile) -> tuple[Profile, RigParameters]:
    """The same rig without dry friction and screw loss, in the rig and in what is believed."""
    actuator = profile.actuator
    plain = profile.model_copy(
        update={
            "actuator": actuator.model_copy(
                update={
                    "friction": actuator.friction.model_copy(
                        update={"coulomb": 0.0, "breakaway": 0.0}
                    ),
                    "screw": actuator.screw.model_copy(
                        update={"efficiency_forward": 1.0, "efficiency_backward": 1.0}
                    ),
                }
            )
        }
    )
    parameters = rig_parameters(plain).but(
        {"friction_coulomb_N_m": 0.0, "friction_breakaway_N_m": 0.0, "spring_hysteresis": 0.0}
    )
    return plain, parameters


def published(rate: float = 1000.0) -> tuple[Profile, RigParameters]:
    """The published plant as a rig: no dry friction, a motor and a supply that suffice."""
    base, _ = frictionless(load_profile("footplate_trainer"))
    actuator = base.actuator
    per_m = actuator.radians_per_metre
    profile = with_control(base, rate=rate, phase_margin=MARGIN_DEG, friction_compensation=0.01)
    profile = profile.model_copy(
        update={
            "actuator": actuator.model_copy(
                update={
                    "motor": actuator.motor.model_copy(
                        update={
                            "rotor_inertia": (360.0 - actuator.nut_mass) / per_m**2,
                            "torque_constant": 1.0,
                            "continuous_current": 60.0,
                            "peak_current": 120.0,
                            "winding_resistance": 0.05,
                        }
                    ),
                    "friction": actuator.friction.model_copy(update={"viscous": 2200.0 / per_m**2}),
                    "springs": actuator.springs.model_copy(update={"rate_per_set": 175e3}),
                }
            ),
            "calibration": base.calibration.model_copy(
                update={
                    "deflection_per_count": 15e-3 / 2**16,
                    "zero": 2.0**15,
                    "spring_law": base.calibration.spring_law.model_copy(
                        update={"inner_rate": 350e3, "outer_rate": 175e3}
                    ),
                }
            ),
            "sensors": base.sensors.model_copy(
                update={"deflection": base.sensors.deflection.model_copy(update={"bits": 16})}
            ),
        }
    )
    parameters = rig_parameters(profile).but(
        {
            "friction_coulomb_N_m": 0.0,
            "friction_breakaway_N_m": 0.0,
            "spring_hysteresis": 0.0,
            "supply_V": 800.0,
            "supply_resistance_ohm": 0.0,
            "drive_overvoltage_V": 2000.0,
            "drive_overspeed_rad_s": 1e4,
            "drive_overcurrent_A": 1e4,
            "spring_damping_N_s_m": 0.0,
            "sensor_noise_counts": 1.0,
        }
    )
    return profile, parameters


def attainable(
    profile: Profile, delay_s: float, predictor: bool, most_Hz: float = 400.0
) -> ForceGains:
    """The design of most bandwidth at the margin, over the damping ratios tried."""
    period = 1 / profile.control.rate
    return max(
        (
            design(
                with_control(
                    profile, force_bandwidth=most_Hz, damping_ratio=ratio, predictor=predictor
                ),
                period,
                delay_s,
            )
            for ratio in RATIOS
        ),
        key=lambda gains: (
            gains.predicted.bandwidth_Hz
            if gains.predicted.phase_margin_deg >= MARGIN_DEG - 0.1
            else 0.0
        ),
    )


def demo_rig(bench: Benchmark) -> None:
    profile = load_profile("footplate_trainer")
    period = 1 / profile.control.rate
    gains = design(profile, period, period)
    loop = Loop(gains.plant, gains.law, observer_gains(profile, period))
    level, amplitude = sine_N(profile)
    measured = bandwidth(profile, gains, None, level, amplitude)
    plain = gains.predicted
    expected = plain.bandwidth_Hz
    bench.figure(
        f"demo rig as shipped, bandwidth at {amplitude:.0f} N",
        measured,
        unit="Hz",
        least=GOAL_HZ,
        baseline=f"predicted {expected:.1f}, without friction {loop.bandwidth_Hz():.1f}",
    )
    bench.figure(
        "bandwidth, measured to predicted", measured / expected, unit="×", least=0.9, most=1.1
    )
    measured = margin(profile, gains, None, level, PUSH_N, crossover(loop))
    expected = predicted_margin(profile, loop, level, PUSH_N)
    bench.figure(
        "demo rig as shipped, phase margin",
        measured,
        unit="°",
        least=MARGIN_DEG,
        baseline=f"predicted {expected:.1f}, without friction "
        f"{loop.margins()[0]:.1f}, least slope {plain.phase_margin_deg:.1f}",
    )
    bench.figure(
        "phase margin, measured to predicted", measured / expected, unit="×", least=0.9, most=1.1
    )
    overshoot, error, ripple = step_figures(profile, gains, None)
    bench.figure(
        "demo rig, overshoot",
        100 * overshoot,
        unit="% of the step",
        most=100 * plain.overshoot + 1,
        baseline=f"predicted {100 * plain.overshoot:.2f}",
    )
    bench.figure(
        "demo rig, steady error",
        error,
        unit="N",
        most=plain.steady_error_N,
        baseline="dead zone and one count",
    )
    bench.figure(
        "demo rig, torque at rest, rms",
        1e3 * ripple,
        unit="mN·m",
        baseline=f"predicted at most {1e3 * plain.torque_ripple_N_m:.1f}",
    )


def smooth_rig(bench: Benchmark) -> None:
    profile, parameters = frictionless(load_profile("footplate_trainer"))
    period = 1 / profile.control.rate
    gains = design(profile, period, period)
    loop = Loop(gains.plant, gains.law, observer_gains(profile, period))
    level = sine_N(profile)[0]
    measured = bandwidth(profile, gains, parameters, level, 60.0)
    bench.figure(
        "without dry friction, bandwidth to predicted",
        measured / gains.predicted.bandwidth_Hz,
        unit="×",
        least=0.95,
        most=1.05,
    )
    measured = margin(profile, gains, parameters, level, 200.0, crossover(loop))
    bench.figure(
        "without dry friction, margin to predicted",
        measured / loop.margins()[0],
        unit="×",
        least=0.95,
        most=1.05,
    )
    overshoot, error, _ = step_figures(profile, gains, parameters)
    bench.figure(
        "without dry friction, overshoot less predicted",
        100 * (overshoot - gains.predicted.overshoot),
        unit="% of the step",
        least=-2.0,
        most=2.0,
    )
    bench.figure(
        "without dry friction, steady error", error, unit="N", most=gains.predicted.steady_error_N
    )


def published_plant(bench: Benchmark) -> dict[str, list[tuple[float, float]]]:
    """Figures, and the attainable bandwidth over the delay for each way of control."""
    profile, parameters = published()
    curves: dict[str, list[tuple[float, float]]] = {}
    for rate in RATES_HZ:
        plant, _ = published(rate)
        cycles = range(0, round(LONGEST_MS * 1e-3 * rate) + 1, 1 if rate == RATES_HZ[0] else 2)
        for predictor, word in ((False, "without"), (True, "with")):
            if rate == RATES_HZ[0] or predictor:
                curves[f"{rate:.0f} Hz, {word} predictor"] = [
                    (1e3 * n / rate, attainable(plant, n / rate, predictor).predicted.bandwidth_Hz)
                    for n in cycles
                ]
    for extra in (0, 1, 2):
        delay_s = (1 + extra) * 1e-3
        for predictor, word in ((False, "without predictor"), (True, "with predictor")):
            gains = attainable(profile, delay_s, predictor)
            loop = Loop(gains.plant, gains.law, observer_gains(profile, 1e-3))
            expected = gains.predicted
            measured = bandwidth(profile, gains, parameters, 300.0, 20.0, extra)
            left = margin(profile, gains, parameters, 300.0, 2000.0, crossover(loop), extra)
            name = f"published plant, {1 + extra} ms, {word}"
            bench.figure(
                f"{name}, bandwidth",
                measured,
                unit="Hz",
                least=0.9 * expected.bandwidth_Hz,
                most=1.1 * expected.bandwidth_Hz,
                baseline=f"predicted {expected.bandwidth_Hz:.1f}; reported 70",
            )
            bench.figure(
                f"{name}, margin",
                left,
                unit="°",
                least=MARGIN_DEG - 1.5,
                baseline=f"predicted {expected.phase_margin_deg:.1f}",
            )
    for name, curve in curves.items():
        enough = [delay for delay, value in curve if value >= REPORTED_HZ]
        bench.note(
            f"{name}: {REPORTED_HZ:.0f} Hz at {MARGIN_DEG:.0f}° "
            + (f"up to {max(enough):g} ms of delay" if enough else "at no delay")
        )
    return curves


def show_curves(
    bench: Benchmark, curves: dict[str, list[tuple[float, float]]], out: Path | None
) -> None:
    """Attainable bandwidth over delay: a table in the notes, and a picture in ``out``."""
    delays = [delay for delay, _ in curves[next(iter(curves))]]
    head = "| delay in ms | " + " | ".join(curves) + " |"
    rule = "|---" * (len(curves) + 1) + "|"
    rows = [
        f"| {delay:g} | "
        + " | ".join(f"{dict(curve)[delay]:.1f}" for curve in curves.values())
        + " |"
        for delay in delays
    ]
    bench.note(
        "published plant, attainable bandwidth in Hz at 30°:\n" + "\n".join([head, rule, *rows])
    )
    if out is None:
        return
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    out.mkdir(parents=True, exist_ok=True)
    figure, axes = plt.subplots(figsize=(8, 5), dpi=150)
    for (name, curve), mark in zip(curves.items(), "os^D", strict=True):
        axes.plot(*zip(*curve, strict=True), marker=mark, markersize=4, label=name)
    axes.axhline(REPORTED_HZ, color="0.4", linestyle="--", linewidth=1)
    axes.annotate("reported for this plant", (LONGEST_MS, REPORTED_HZ), ha="right", va="bottom")
    axes.set(
        xlabel="delay from sample to command in ms",
        ylabel=f"force bandwidth in Hz at ≥ {MARGIN_DEG:.0f}° phase margin",
        ylim=(0, None),
    )
    axes.grid(alpha=0.3)
    axes.legend()
    figure.tight_layout()
    figure.savefig(out / "force_bandwidth_over_delay.png")
    plt.close(figure)
    (out / "force_bandwidth_over_delay.json").write_text(json.dumps(curves, indent=1))


def main() -> int:
    bench = Benchmark("Force loop: measured on the simulated rig, beside its prediction", __doc__)
    bench.parser.add_argument("--out", type=Path, help="folder for the curve over delay (PNG)")
    options = bench.parse()
    demo_rig(bench)
    smooth_rig(bench)
    show_curves(bench, published_plant(bench), options.out)
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
