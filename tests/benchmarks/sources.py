"""Measure the force loop over torque, velocity and position on one plant, beside its prediction.

    .venv/bin/python tests/benchmarks/sources.py --check

The plant is the footplate trainer without dry friction, its output held or, for the ceiling, free and
without weight; the simulated rig runs in lockstep. ``--check`` exits 1 naming what differs by more
than 10 %.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from force_loop import STEP_N, least_margin
from force_plants import frictionless

sys.path.insert(0, str(Path(__file__).parents[1] / "hil" / "control"))
from blocked_rig import BlockedRig  # type: ignore[import-not-found]

from drivers.base import Mode
from drivers.compiled import run_the_source
from drivers.simulated.parameters import RigParameters
from hil.control.calibration import ForceCalibration
from hil.control.force_design import ForceGains, deflection_noise_m
from hil.control.force_model import Loop
from hil.control.observer_gains import observer_gains
from hil.control.position_target import PositionTarget
from hil.control.rig_model import moved_mass
from hil.control.source import design_source
from hil.control.velocity_controller import VelocityController
from hil.control.velocity_design import VelocityGains
from hil.control.velocity_model import VelocityLoop
from hil.profile.loader import load_profile
from hil.profile.schema import Profile

SOURCES = {
    "torque": "footplate_trainer",
    "velocity": "footplate_velocity",
    "position": "footplate_position",
}
LEVEL_N, WAVE_N = 100.0, 10.0
SETTLES_S, COUNTED_S = 1.0, 1.0
AGREES = 0.10
CEILING_ROUNDS = 8
RESTS_N = 1.5  # standard deviation of the force once a kick has died away: ten times its noise
MOST_STIFFNESS = 4.0  # springs, that are tried
Asked = Callable[[float], float]


class Commanded(BlockedRig):  # type: ignore[misc]
    """Rig under the law of its source; ``run`` as of :class:`BlockedRig`.

    Law and what is sent are torques in N·m, or nut velocities in m/s.
    """

    def __init__(self, profile: Profile, parameters: RigParameters, blocked: bool = True) -> None:
        period = 1 / profile.control.rate
        gains = design_source(profile, period, period)
        own = gains if isinstance(gains, ForceGains) else None
        super().__init__(profile, parameters=parameters, gains=own, blocked=blocked)
        self.gains = gains
        self.stiffness = 0.0
        self.true_N: list[float] = []
        if isinstance(gains, VelocityGains):
            self.by_velocity = VelocityController(profile, gains)
            self.by_velocity.narrow(1e3)
            self.per_rad = self.sign * profile.actuator.transmission.lead / (2 * math.pi)
            self.target: PositionTarget | None = None
            if profile.control.source == "position":
                gain = 2 * math.pi * profile.control.position_loop.bandwidth
                self.target = PositionTarget(gain, 1e6)

    def quiet(self) -> None:
        """Omit the dead zone of a nut at rest: the prediction of noise has none."""
        if isinstance(self.gains, VelocityGains):
            self.by_velocity._dead_m = 0.0
        else:
            torque_law: Any = self.law
            torque_law._dead = 0.0

    def run(self, seconds: float, asked: Asked, added: Asked | None = None) -> np.ndarray:
        self.true_N.clear()
        physics = self.drive.core.physics
        write = self.drive.write

        def keep(command: Any) -> None:
            self.true_N.append(physics.spring_force_N)
            write(command)

        self.drive.write = keep
        if not isinstance(self.gains, VelocityGains):
            rows = super().run(seconds, asked, added)
            self.drive.write = write
            return np.asarray(rows)
        controller, telemetry = self.by_velocity, self.drive.telemetry
        sent = [0.0, 0.0]

        class Law:
            """Velocity in the place of the torque that the rig asks its law for."""

            def torque(_self, force: float, estimator: Any, *_: Any) -> float:
                sent[0] = controller.velocity(force, estimator, self.stiffness)
                return sent[0]

        def turn(command: Any) -> None:
            # The value that the rig takes as a torque is a velocity of the nut.
            velocity = command.torque_N_m * self.sign / self.per_rad
            command.torque_N_m, command.velocity_rad_s = 0.0, velocity
            command.mode = Mode.VELOCITY if self.target is None else Mode.POSITION
            if self.target is not None:
                turned = telemetry.position_rad
                command.position_rad = self.target.moving(turned, velocity)
            keep(command)

        self.law, self.drive.write = Law(), turn
        rows = super().run(seconds, asked, added)
        self.drive.write = write
        return np.asarray(rows)


def answer(rig: Commanded, frequency: float, asked: bool, size: float) -> complex:
    """Return force over setpoint at one frequency, or the open loop by a sine added to the
    command."""
    period = rig.period
    settled = round(SETTLES_S / period)
    count = round(max(1, round(frequency * COUNTED_S)) / frequency / period)

    def wave(t: float) -> float:
        return size * math.sin(2 * math.pi * frequency * t)

    if asked:
        rows = rig.run((settled + count) * period, lambda t: LEVEL_N + wave(t))
    else:
        rows = rig.run((settled + count) * period, lambda t: LEVEL_N, wave)
    n = np.arange(settled, settled + count)
    turn = np.exp(-2j * np.pi * frequency * period * n)
    if asked:
        return 2j * complex(np.mean((rows[n, 0] - LEVEL_N) * turn)) / size
    return complex(-np.mean(rows[n, 1] * turn) / np.mean(rows[n, 2] * turn))


def measured(profile: Profile, parameters: RigParameters, loop: Loop | VelocityLoop) -> list[float]:
    """Measure bandwidth in Hz, margin in degrees, overshoot in %, force noise in N, ceiling in
    N/mm."""

    def rig(blocked: bool = True) -> Commanded:
        return Commanded(profile, parameters, blocked)

    expected = bandwidth_Hz(loop)
    tried = expected * np.array([0.8, 0.9, 1.0, 1.1, 1.25])
    sizes = [abs(answer(rig(), float(f), True, WAVE_N)) for f in tried]
    bandwidth = float(np.interp(-math.sqrt(0.5), -np.array(sizes), tried))
    near = crossover_Hz(loop)
    frequencies = near * np.array([0.7, 0.85, 1.0, 1.15, 1.3])
    push = 0.01 if isinstance(loop, VelocityLoop) else 200.0 / profile.actuator.radians_per_metre
    opened = np.array([answer(rig(), float(f), False, push) for f in frequencies])
    margin = least_margin(frequencies, opened)[1]
    low, high = STEP_N[0] * 0.4, STEP_N[0]
    stepped = rig()
    stepped.run(1.0, lambda t: low)
    rows = stepped.run(0.5, lambda t: high)
    true = np.array(stepped.true_N)
    overshoot = max(0.0, (float(true.max()) - high) / (high - low))
    del rows
    still = rig()
    still.quiet()
    still.run(3.0, lambda t: LEVEL_N)
    still.run(4.0, lambda t: LEVEL_N)
    # The integral is slow: the remaining approach to the level is not noise.
    at = np.linspace(-1.0, 1.0, len(still.true_N))
    noise = float(np.std(still.true_N - np.polyval(np.polyfit(at, still.true_N, 4), at)))
    return [bandwidth, margin, 100 * overshoot, noise, ceiling(profile, parameters)]


def predicted(profile: Profile, loop: Loop | VelocityLoop, noise_N: float) -> list[float]:
    """Predict the same by the model on the slope at rest."""
    answer = loop.step(500)
    overshoot = max(0.0, float(np.max(answer)) - 1.0)
    return [
        bandwidth_Hz(loop),
        loop.margins()[0],
        100 * overshoot,
        noise_N,
        predicted_ceiling(profile, loop),
    ]


def bandwidth_Hz(loop: Loop | VelocityLoop) -> float:
    return loop.bandwidth_Hz()


def crossover_Hz(loop: Loop | VelocityLoop) -> float:
    frequencies = loop.frequencies()
    if isinstance(loop, VelocityLoop):
        closed = loop.response("command", "velocity_m_s", frequencies)
        opened = -closed / (1 + closed)
    else:
        opened = loop.opened(frequencies)
    return float(least_margin(frequencies, opened)[0])


def highest_stable(stable: Callable[[float], bool], most: float) -> float:
    """The largest value up to ``most`` that is stable, by halving."""
    if stable(most):
        return most
    low, high = 0.0, most
    for _ in range(CEILING_ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if stable(middle) else (low, middle)
    return 0.5 * (low + high)


def predicted_ceiling(profile: Profile, loop: Loop | VelocityLoop) -> float:
    mass = moved_mass(profile)[0]
    gains = design_source(profile, loop.plant.period_s, loop.plant.period_s)

    def stable(stiffness: float) -> bool:
        tried: Any = loop
        more: dict[str, Any] = {"virtual_stiffness": stiffness}
        if isinstance(gains, VelocityGains):
            more["feedforward"] = gains.feedforward(stiffness)
        else:
            more["lead_s"] = gains.lead_s
        return bool(replace(tried, plant=replace(tried.plant, output_mass=mass), **more).stable)

    return 1e-3 * highest_stable(stable, MOST_STIFFNESS * float(loop.plant.stiffness))


def ceiling(profile: Profile, parameters: RigParameters) -> float:
    """Largest virtual stiffness at which a kick to the free output dies away, N/mm."""
    # Without weight, in mid-stroke, only the rendered spring acts.
    middle = 0.5 * profile.actuator.stroke
    free = parameters.but(
        {"gravity_m_s2": 0.0, "initial_output_m": middle, "pivot_friction_N_m": 0.0}
    )

    def stable(stiffness: float) -> bool:
        rig = Commanded(profile, free, blocked=False)
        rig.stiffness = stiffness
        rig.quiet()
        lead = 0.0 if isinstance(rig.gains, VelocityGains) else rig.gains.lead_s
        estimator = rig.estimator
        began: list[float] = []

        def asked(t: float) -> float:
            if not began:
                began.append(estimator.output_position_m)
            kick = 20.0 if 0.30 < t < 0.33 else 0.0
            away = estimator.output_position_m - began[0]
            return float(kick - stiffness * (away + lead * estimator.output_velocity_m_s))

        rig.run(1.8, asked)
        return bool(np.std(rig.true_N[-300:]) < RESTS_N)

    law = ForceCalibration(profile.calibration, profile.sensors.deflection)
    return 1e-3 * highest_stable(stable, MOST_STIFFNESS * float(law.stiffness(0.0)))


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--source", choices=list(SOURCES), help="one of them")
    parser.add_argument("--check", action="store_true", help="exit 1 naming what differs")
    parser.add_argument("--json", action="store_true", help="one JSON object as the last line")
    options = parser.parse_args(arguments)
    run_the_source()  # the drive's methods are replaced here, which compiled ones do not allow
    names = ("bandwidth Hz", "margin deg", "overshoot %", "noise N", "ceiling N/mm")
    print(f"{'source':10}" + "".join(f"{name:>26}" for name in names))
    print(f"{'':10}" + f"{'predicted':>16}{'measured':>10}" * len(names), flush=True)
    table, short = {}, []
    for source in [options.source] if options.source else SOURCES:
        profile, parameters = frictionless(load_profile(SOURCES[source]))
        parameters = parameters.but({"spring_damping_N_s_m": 0.0, "drive_overspeed_rad_s": 1e4})
        period = 1 / profile.control.rate
        gains = design_source(profile, period, period)
        observer = observer_gains(profile, period)
        loop: Loop | VelocityLoop
        if isinstance(gains, VelocityGains):
            loop = VelocityLoop(gains.plant, gains.law, observer)
            fed = replace(loop, feedforward=gains.feedforward(0.0))
            noise = gains.plant.stiffness * fed.noise_m(deflection_noise_m(profile))
        else:
            loop = Loop(gains.plant, gains.law, observer)
            noise = gains.predicted.force_noise_N
        # The rig's sensor is quieter than the profile states.
        counts = math.hypot(parameters.sensor_noise_counts, math.sqrt(1 / 12))
        per_count = abs(profile.calibration.deflection_per_count)
        noise *= counts * per_count / deflection_noise_m(profile)
        pairs = list(
            zip(predicted(profile, loop, noise), measured(profile, parameters, loop), strict=True)
        )
        table[source] = pairs
        print(f"{source:10}" + "".join(f"{p:16.2f}{m:10.2f}" for p, m in pairs), flush=True)
        for name, (p, m) in zip(names, pairs, strict=True):
            # Of an overshoot, per cent of the step: a tenth of nearly nothing says nothing.
            off = abs(m - p) / 100 if name == "overshoot %" else abs(m / p - 1) if p else math.inf
            if off > AGREES:
                short.append(f"{source}: {name} predicted {p:.2f}, measured {m:.2f}")
    if options.json:
        print(json.dumps({"table": table, "short": short}))
    if options.check and short:
        print("\n".join(f"short: {one}" for one in short), file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
