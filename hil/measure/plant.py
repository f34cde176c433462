"""Plant, output blocked: motor torque to spring force; mass, damping, stiffness, delay."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from drivers.motion import FORCE
from hil.control import ForceCalibration, observer_gains, sine_N
from hil.core import Waveform
from hil.measure.characteristic import (
    TORQUE_SHARE,
    Characteristic,
    Diagram,
    Evaluation,
    Floats,
    Line,
    RecordedRun,
    Window,
    cut,
    jackknife_u95,
    mean_u95,
    windows,
)
from hil.measure.guarded import (
    PLANT,
    GuardedTest,
    Part,
    apply,
    blocked_in_the_middle,
    envelope,
    under_power,
    window,
)
from hil.measure.loop_prediction import COMMAND_DELAY_CYCLES, FRICTION_KNOWN, MASS_KNOWN
from hil.measure.plant_identification import (
    CLEAR_OF_STRIBECK,
    Identified,
    Motion,
    command_delay_s,
    equations,
    identify,
)
from hil.measure.plant_proposal import proposal_of
from hil.measure.response import Complex, Multisine, Spectra, coefficients, multisine
from hil.measure.slope import bend_share
from hil.procedures import Hand, Pause
from hil.profile import Profile, rig_parameters

SINES_Hz = (2.0, 4.0, 7.0, 11.0, 16.0)
CYCLES = 12
BLOCKS = 6  # of the cycles of each sine, left out in turn
AMPLITUDE_SHARE = 0.8  # of the mean force, so that the force keeps its sign
RATE_SHARE = 0.7  # of the force rate limit
SETTLE_S = 0.6
PERIOD_S = 1.0
LINES = 24
HIGHEST_BANDWIDTHS = 3.0
POINTS_PER_S = 400
SPARE_S = 0.5
REALISATIONS = 4
WAVES = {"small": 0.4, "medium": 1.0}  # of control.bandwidth_amplitude


def _amplitude_N(profile: Profile, frequency_Hz: float) -> float:
    level = sine_N(profile)[0]
    rate = RATE_SHARE * profile.limits.force_rate.limited / (2 * math.pi * frequency_Hz)
    return min(AMPLITUDE_SHARE * level, rate)


def _wave(profile: Profile, name: str, realisation: int) -> Multisine:
    bandwidth = profile.control.force_bandwidth
    lines = (1.0, HIGHEST_BANDWIDTHS * bandwidth)
    drawn = multisine(realisation + 31, lines, LINES, PERIOD_S, 0.25 * bandwidth)
    most = WAVES[name] * sine_N(profile)[1]
    return drawn.scaled(most, RATE_SHARE * profile.limits.force_rate.limited)


def _run(profile: Profile) -> Part:
    level = sine_N(profile)[0]
    yield from blocked_in_the_middle(profile)
    # Motor and springs are compared: a mass or friction other than stated is not a change.
    yield from under_power(envelope(profile), "Force sines and waves against the clamp", True)
    for frequency in SINES_Hz:
        lasts = SETTLE_S + CYCLES / frequency
        yield from apply(
            Waveform(
                shape="sine",
                offset=level,
                amplitude=_amplitude_N(profile, frequency),
                frequency_Hz=frequency,
                duration_s=lasts + SPARE_S,
            )
        )
        yield Pause(SETTLE_S)
        yield from window("sine", CYCLES / frequency, {"frequency_Hz": frequency})
    for name in WAVES:
        for realisation in range(REALISATIONS):
            lasts = SETTLE_S + PERIOD_S + SPARE_S
            points = _wave(profile, name, realisation).points(POINTS_PER_S, lasts, level)
            yield from apply(Waveform(shape="table", of="force", points=points, duration_s=lasts))
            yield Pause(SETTLE_S)
            yield from window(f"wave {name}", PERIOD_S + 0.01, {"realisation": realisation})
    yield Hand("let_output_go", "Power goes off now; then take the clamp off the output.")


def _motion(run: RecordedRun, part: Window, profile: Profile) -> Motion:
    return Motion(
        cut(run, part, "time_s"),
        cut(run, part, "nut_position_m"),
        cut(run, part, "nut_velocity_m_s"),
        profile.actuator.radians_per_metre * cut(run, part, "measured_torque_N_m"),
        cut(run, part, "spring_force_N"),
    )


def _blocks(run: RecordedRun, profile: Profile) -> list[tuple[Floats, Floats]]:
    """Return the equations of the sines in ``BLOCKS`` groups, each with a part of every sine."""
    rows: list[list[Floats]] = [[] for _ in range(BLOCKS)]
    left: list[list[Floats]] = [[] for _ in range(BLOCKS)]
    least = CLEAR_OF_STRIBECK * profile.actuator.friction.stribeck_speed
    for part in windows(run, "sine"):
        edges = np.linspace(part.begin, part.end, BLOCKS + 1).astype(int)
        for i in range(BLOCKS):
            piece = Window(part.name, int(edges[i]), int(edges[i + 1]))
            motion = _motion(run, piece, profile)
            found, value = equations(motion, least, profile.control.current_loop_lag)
            rows[i].append(found)
            left[i].append(value)
    if not any(len(value) for block in left for value in block):
        raise ValueError("the sines were not recorded")
    return [(np.concatenate(r), np.concatenate(v)) for r, v in zip(rows, left, strict=True)]


def _of_blocks(blocks: list[tuple[Floats, Floats]], without: int | None = None) -> Identified:
    chosen = [block for i, block in enumerate(blocks) if i != without]
    return identify(
        np.concatenate([rows for rows, _ in chosen]), np.concatenate([left for _, left in chosen])
    )


def _stiffness(run: RecordedRun) -> Floats:
    """Return the slope of the spring force over the nut of each sine, N/m."""
    found = []
    for part in windows(run, "sine"):
        nut, force = cut(run, part, "nut_position_m"), cut(run, part, "spring_force_N")
        found.append(float(np.polyfit(nut - nut.mean(), force, 1)[0]))
    return np.array(found)


def _evaluate(run: RecordedRun, profile: Profile) -> Evaluation:
    blocks = _blocks(run, profile)
    whole = _of_blocks(blocks)
    left_out = [_of_blocks(blocks, i) for i in range(len(blocks))]

    level = sine_N(profile)[0]
    bend = bend_share(profile, level)

    def of_all(take: Callable[[Identified], float], share: float) -> tuple[float, float]:
        value = take(whole)
        spread = jackknife_u95(np.array([take(each) for each in left_out]), value)
        return value, math.hypot(spread, share * value)

    actuator, friction = profile.actuator, profile.actuator.friction
    per_metre = actuator.radians_per_metre
    law = ForceCalibration(profile.calibration, profile.sensors.deflection)
    stiffness = law.stiffness(law.deflection_for(level))
    relative = 2 * profile.calibration.relative_uncertainty
    sines = f"output blocked, sines of {SINES_Hz[0]:g} to {SINES_Hz[-1]:g} Hz about {FORCE(level):.0f}{FORCE}"
    sliding = f"{sines}, sliding stretches only; by the stated torque constant"
    mass, mass_u95 = of_all(lambda p: p.mass, TORQUE_SHARE)
    viscous, viscous_u95 = of_all(lambda p: 1e-3 * p.viscous, math.hypot(TORQUE_SHARE, bend))
    dry, dry_u95 = of_all(lambda p: 1e3 * p.dry / per_metre, math.hypot(TORQUE_SHARE, bend))
    rate, rate_u95 = mean_u95(1e-3 * _stiffness(run), 1e-3 * math.hypot(relative, bend) * stiffness)
    period = 1.0 / profile.control.rate
    delay, delay_u95 = _delay_ms(run, profile)
    own_Hz = math.sqrt(1e3 * rate / mass) / (2 * math.pi)
    stated_Hz = math.sqrt(stiffness / actuator.reflected_mass) / (2 * math.pi)
    found = (
        Characteristic(
            "plant.reflected_mass",
            "Reflected mass of motor, screw and nut",
            mass,
            mass_u95,
            "kg",
            actuator.reflected_mass,
            MASS_KNOWN * actuator.reflected_mass,
            conditions=sliding,
            causes="inertia of rotor, coupling and screw, torque constant",
        ),
        Characteristic(
            "plant.stiffness",
            "Stiffness from nut to force, small deflections",
            rate,
            rate_u95,
            "N/mm",
            1e-3 * stiffness,
            1e-3 * relative * stiffness,
            conditions=sines,
            causes="compliance of the clamp and the frame, springs that differ from their calibration",
        ),
        Characteristic(
            "plant.natural_frequency",
            "Natural frequency, output blocked",
            own_Hz,
            0.5 * own_Hz * math.hypot(mass_u95 / mass, rate_u95 / rate),
            "Hz",
            stated_Hz,
            0.5 * stated_Hz * math.hypot(MASS_KNOWN, relative),
            conditions=f"{sliding}; √(k/m)/2π of both figures above",
            causes="inertia of rotor, coupling and screw, stiffness of the springs",
        ),
        Characteristic(
            "plant.damping",
            "Viscous damping of screw and springs while they slide (predicted: screw alone)",
            viscous,
            viscous_u95,
            "N·s/mm",
            1e-3 * friction.viscous * per_metre**2,
            0.5e-3 * friction.viscous * per_metre**2,
            conditions=sliding,
            causes="damping within the springs, which no profile states and only a measurement shows; "
            "lubrication, temperature",
        ),
        Characteristic(
            "plant.dry_friction",
            "Dry friction of the screw, from the sines",
            dry,
            dry_u95,
            "mN·m",
            1e3 * friction.coulomb,
            FRICTION_KNOWN * 1e3 * friction.coulomb,
            conditions=sliding,
            causes="lubrication, alignment, preload of the nut",
        ),
        Characteristic(
            "plant.delay",
            "Delay from a sample to its torque",
            delay,
            delay_u95,
            "ms",
            1e3 * COMMAND_DELAY_CYCLES * period,
            0.25e3 * period,
            conditions="output blocked, waves; without the current loop",
            causes="cycles that the drive needs for a command, bus",
        ),
    )
    proposal = proposal_of(profile, found)
    return Evaluation(found, _diagrams(run, profile, whole, stiffness), (proposal.sentence,))


def _waves(
    run: RecordedRun, profile: Profile, name: str, given: str, answer: str, scale: float
) -> Spectra:
    """Return both signals rotated by the phases of the setpoint, which is the instrument.

    Two-channel estimate: noise that goes round the loop is not read as response, unlike
    with H1 of torque and force (Bendat and Piersol, Random Data, 4th ed., 6.1.4, from memory).
    """
    f = _wave(profile, name, 0).frequencies_Hz
    xs, ys = [], []
    for part in windows(run, f"wave {name}"):
        time_s = cut(run, part, "time_s")
        wave = coefficients(time_s, cut(run, part, "setpoint_force_N"), f, PERIOD_S)
        turn = np.conj(wave) / np.abs(wave)
        xs.append(scale * turn * coefficients(time_s, cut(run, part, given), f, PERIOD_S))
        ys.append(turn * coefficients(time_s, cut(run, part, answer), f, PERIOD_S))
    if len(xs) < 3:
        raise ValueError(f"{len(xs)} of {REALISATIONS} waves were recorded")
    return Spectra(f, np.array(xs), np.array(ys))


def _delay_ms(run: RecordedRun, profile: Profile) -> tuple[float, float]:
    waves = [
        _waves(run, profile, name, "commanded_torque_N_m", "measured_torque_N_m", 1.0)
        for name in WAVES
    ]
    f = waves[-1].frequencies_Hz
    command = np.concatenate([w.given for w in waves])
    torque = np.concatenate([w.answer for w in waves])
    period, lag = 1.0 / profile.control.rate, profile.control.current_loop_lag
    each = np.array(
        [
            1e3 * command_delay_s(f, command[i : i + 1], torque[i : i + 1], period, lag)
            for i in range(len(command))
        ]
    )
    # With the lag known to a fifth, this much is left at the end of a held period of four lags.
    return mean_u95(each, 0.06e3 * lag)


def plant_response(
    plant: Identified, stiffness: float, at_Hz: Floats, drag: float = 0.0
) -> Complex:
    """Return the response of spring to motor force, ``drag`` (N·s/m) added to the plant's damping."""
    s = 2j * math.pi * at_Hz
    gain = 0.5 * (plant.gain_extending + plant.gain_retracting)
    return np.asarray(
        stiffness / (plant.mass * s**2 + (plant.viscous + drag) * s + gain * stiffness)
    )


def _diagrams(
    run: RecordedRun, profile: Profile, plant: Identified, stiffness: float
) -> tuple[Diagram, ...]:
    sizes, phases, coherences, errors = [], [], [], []
    actuator = profile.actuator
    per_metre = actuator.radians_per_metre
    period = 1.0 / profile.control.rate
    now = observer_gains(profile, period).torque_now
    for name in WAVES:
        spectra = _waves(run, profile, name, "measured_torque_N_m", "spring_force_N", per_metre)
        f = spectra.frequencies_Hz
        turn = np.exp(-2j * math.pi * f * period)
        # Mean force over the period before a sample, which is half a period later than it acts.
        held = (now + (1 - now) * turn) * np.exp(1j * math.pi * f * period)
        response = spectra.answer.sum(axis=0) / spectra.given.sum(axis=0) / held
        sizes.append(Line(name, f, 20 * np.log10(np.abs(response)), points=True))
        phases.append(Line(name, f, np.degrees(np.unwrap(np.angle(response))), points=True))
        coherences.append(Line(name, f, spectra.coherence, points=True))
        errors.append(Line(name, f, spectra.error_shown, points=True))
    dense = np.geomspace(1.0, HIGHEST_BANDWIDTHS * profile.control.force_bandwidth, 200)
    viscous = actuator.friction.viscous * per_metre**2
    stated = Identified(actuator.reflected_mass, viscous, 0.0, 1.0, 1.0, 0.0)
    for label, model, kind in (
        ("identified, sliding", plant, "measured"),
        ("profile", stated, "predicted"),
    ):
        line = plant_response(model, stiffness, dense)
        sizes.append(Line(label, dense, 20 * np.log10(np.abs(line)), kind))
        phases.append(Line(label, dense, np.degrees(np.unwrap(np.angle(line))), kind))
    return (
        Diagram(
            "Spring force over motor force", "frequency (Hz)", "magnitude (dB)", tuple(sizes), True
        ),
        Diagram("Phase of the plant", "frequency (Hz)", "phase (°)", tuple(phases), True),
        Diagram("Coherence of the plant", "frequency (Hz)", "γ²", tuple(coherences), True),
        Diagram(
            "Random error of the plant, k = 2", "frequency (Hz)", "error (%)", tuple(errors), True
        ),
    )


def _truth(profile: Profile) -> dict[str, float]:
    p = rig_parameters(profile)
    per_metre = 2 * math.pi / p.screw_lead_m
    screw = 0.5 * (1 / p.screw_efficiency_forward + p.screw_efficiency_backward)
    mass = p.rotor_inertia_kg_m2 * per_metre**2 + p.nut_mass_kg
    rate = p.spring_rate_push_N_m + p.spring_rate_pull_N_m
    return {
        "plant.reflected_mass": mass,
        "plant.stiffness": 1e-3 * rate,
        "plant.natural_frequency": math.sqrt(rate / mass) / (2 * math.pi),
        # The springs' own damping acts on the nut through the screw, as their force does.
        "plant.damping": 1e-3
        * (p.friction_viscous_N_m_s * per_metre**2 + p.spring_damping_N_s_m * screw),
        "plant.dry_friction": 1e3 * p.friction_coulomb_N_m,
        "plant.delay": 1e3 * COMMAND_DELAY_CYCLES / profile.control.rate,
    }


TEST = GuardedTest(
    key=PLANT,
    title="Plant",
    purpose="motor torque to spring force: reflected mass, damping, stiffness, delay",
    risk="Sines shake the clamped output at up to 16 Hz; the clamp must withstand that.",
    fitting=("output blocked",),
    lasts_s=lambda _profile: (
        4.0
        + sum(SETTLE_S + CYCLES / f for f in SINES_Hz)
        + len(WAVES) * REALISATIONS * (SETTLE_S + PERIOD_S)
    ),
    run=_run,
    evaluate=_evaluate,
    truth=_truth,
)
