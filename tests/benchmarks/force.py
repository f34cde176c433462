"""Closed-loop force bandwidth, phase margin, overshoot and steady error, against prediction.

On the simulated demo rig with its output blocked, by sines and steps; beside it what the discrete
model (scipy) says of the same profile, dry friction included by its describing function
(``hil.control.dry_friction``). The profile is judged as shipped. Then the published plant of Paine,
Oh, Sentis 2014 (IEEE/ASME T-Mech 19(3); 350 N/mm, 360 kg, 2200 N·s/m, values from memory; 70 Hz
reported) with the attainable bandwidth over the loop's delay.
"""

from __future__ import annotations

import json
from pathlib import Path

from force_loop import bandwidth, crossover, margin, predicted_margin, step_figures
from force_plants import MARGIN_DEG, attainable, frictionless, published
from table import Benchmark

from hil.control.dry_friction import sine_N
from hil.control.force_design import design
from hil.control.force_model import Loop
from hil.control.observer_gains import observer_gains
from hil.profile.loader import load_profile

REPORTED_HZ = 70.0
PUSH_N = 500.0  # at the plant's input, to measure the loop
LONGEST_MS = 5.0  # of the curve over delay, in whole periods of each rate
RATES_HZ = (1000.0, 2000.0, 4000.0)
GOAL_HZ = 25.0  # of the demo rig, as shipped


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


def measure_published(
    bench: Benchmark, rate: float, extra: int, predictor: bool, name: str
) -> None:
    """Measure the design of greatest bandwidth, its commands late by ``extra`` cycles beyond one."""
    profile, parameters = published(rate)
    gains = attainable(profile, (1 + extra) / rate, predictor)
    loop = Loop(gains.plant, gains.law, observer_gains(profile, 1 / rate))
    expected = gains.predicted
    measured = bandwidth(profile, gains, parameters, 300.0, 20.0, extra)
    left = margin(profile, gains, parameters, 300.0, 2000.0, crossover(loop), extra)
    bench.figure(
        f"published plant, {name}, bandwidth",
        measured,
        unit="Hz",
        least=0.9 * expected.bandwidth_Hz,
        most=1.1 * expected.bandwidth_Hz,
        baseline=f"predicted {expected.bandwidth_Hz:.1f}; reported {REPORTED_HZ:.0f}",
    )
    bench.figure(
        f"published plant, {name}, margin",
        left,
        unit="°",
        least=MARGIN_DEG - 1.5,
        baseline=f"predicted {expected.phase_margin_deg:.1f}",
    )


def published_plant(bench: Benchmark) -> dict[str, list[tuple[float, float]]]:
    """Measure the figures, and the attainable bandwidth over the delay for each way of control."""
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
        for predictor, word in ((False, "without predictor"), (True, "with predictor")):
            measure_published(bench, 1000.0, extra, predictor, f"{1 + extra} ms, {word}")
    measure_published(bench, 2000.0, 1, True, "1 ms at 2 kHz, with predictor")
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
    """Put attainable bandwidth over delay into a table in the notes and a picture in ``out``."""
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
    bench = Benchmark("Force loop: measured on the simulated rig and predicted", __doc__)
    bench.parser.add_argument("--out", type=Path, help="folder for the curve over delay (PNG)")
    options = bench.parse()
    demo_rig(bench)
    smooth_rig(bench)
    show_curves(bench, published_plant(bench), options.out)
    return bench.finish()


if __name__ == "__main__":
    raise SystemExit(main())
