"""Figures of a combination with their requirements and limits."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drivers.motion import FORCE, MASS, SPEED, STIFFNESS, in_words, speaking, worded
from hil.control import design, rig_mass
from hil.profile import ProfileError, rig_force
from hil.sizing.choice_profile import choice_profile
from hil.sizing.combination import Combination
from hil.sizing.figure import ENDINGS, Figure
from hil.sizing.force_band import natural_Hz
from hil.sizing.mechanical_figures import spring_figures, transmission_figures
from hil.sizing.motor import rms, settled_rise_K

PASSIVE_SHARE = 0.98  # of the springs' own rate, as control.passive_fraction
COMMAND_DELAY_CYCLES = 1.0  # a cyclic command takes effect with the next synchronous message
# The design may fall a little short of the requested bandwidth before it reports it.
BANDWIDTH_SHARE = 0.97


def figures(choice: Combination) -> list[Figure]:
    """Return every figure but the designed loop's, which takes longest."""
    with speaking(choice.required.motion):
        return [
            *_force(choice),
            *_duty(choice),
            *_dynamics(choice),
            *spring_figures(choice),
            *transmission_figures(choice),
            *_supply(choice),
        ]


def loop_figure(choice: Combination) -> Figure:
    """Return the force bandwidth of the loop that the bench would run (−3 dB, output blocked)."""
    with speaking(choice.required.motion):
        return _loop_figure(choice)


def _loop_figure(choice: Combination) -> Figure:
    sine = choice.required.finest
    note = f"designed loop, {_text(sine.amplitude)}"
    value = 0.0
    try:
        period = 1.0 / choice.required.rate
        gains = design(choice_profile(choice), period, COMMAND_DELAY_CYCLES * period)
        value, note = gains.predicted.bandwidth_Hz, gains.notice or note
    except ProfileError as error:
        note = str(error).splitlines()[0]
    return Figure(
        "small_force_bandwidth_Hz",
        in_words("Force bandwidth, small"),
        value,
        "Hz",
        sine.frequency,
        note=note,
        enough=BANDWIDTH_SHARE,
    )


def _text(force_N: float) -> str:
    return f"{FORCE(force_N):.4g}{FORCE}"


def _force(choice: Combination) -> Iterator[Figure]:
    required = choice.required
    current = choice.pushing_torque_N_m(required.force) / choice.motor.torque_constant
    formula = worded("F = 2π·η·T/lead", "T = η·ratio·T of the motor")
    yield Figure.along(
        FORCE,
        "peak_force",
        "Force at peak current",
        choice.force_N(choice.most_current_A),
        required.force,
        note=f"{choice.most_current_A:.4g} A of motor and drive; {formula}",
    )
    label = in_words("Current for the required force")
    yield Figure("force_current_A", label, current, "A")
    standing = choice.standing_current_A * choice.motor.torque_constant * choice.radians_per_metre
    yield Figure.along(
        FORCE,
        "held_force",
        "Continuous force at rest",
        standing,
        note=f"{choice.standing_current_A:.4g} A, hottest phase at its rating",
    )
    held = [
        weight for weight in required.rig.weights if rig_force(required.rig, weight) <= standing
    ]
    if required.rig.weights:
        yield Figure(
            "held_weight_kg",
            "Heaviest weight held continuously",
            max(held, default=0.0),
            "kg",
            note=f"of {len(required.rig.weights)} required, {len(held)} are",
        )
    speed, why = choice.speed_m_s(required.speed_force)
    yield Figure.along(
        SPEED, "speed", f"Speed at {_text(required.speed_force)}", speed, required.speed, note=why
    )


def _duty(choice: Combination) -> Iterator[Figure]:
    loads, motor = choice.loads, choice.motor
    peak = max(loads, key=lambda load: abs(load.current_A))
    currents = [(load.phase.duration, load.current_A) for load in loads]
    mean = rms(currents)
    yield Figure("peak_torque_N_m", "Motor torque over the duty, peak", abs(peak.torque_N_m), "N·m")
    yield Figure(
        "rms_torque_N_m", "Motor torque over the duty, rms", mean * motor.torque_constant, "N·m"
    )
    yield Figure(
        "peak_current_A",
        "Current over the duty, peak",
        abs(peak.current_A),
        "A",
        choice.most_current_A,
        least=False,
        note="motor and drive",
    )
    yield Figure(
        "rms_current_A",
        "Current over the duty, rms",
        mean,
        "A",
        motor.continuous_current,
        least=False,
        note="continuous current",
    )
    warmest = choice.heat.warmest(
        [(load.phase.duration, load.current_A, load.phase.speed == 0) for load in loads]
    )
    yield Figure(
        "motor_heat",
        "Motor heat, share of the rating",
        warmest,
        "",
        1.0,
        least=False,
        note="two bodies, hottest phase at standstill",
    )
    rise = settled_rise_K(motor.rated_rise_K, (mean / motor.continuous_current) ** 2)
    yield Figure("winding_rise_K", "Winding over ambient, mean", rise, "K")
    losses = [(load.phase.duration, load.copper_W) for load in loads]
    total = sum(t for t, _ in losses)
    copper = sum(t * loss for t, loss in losses) / total
    yield Figure("copper_loss_W", "Copper loss, mean", copper, "W", note="winding at its rating")


def _dynamics(choice: Combination) -> Iterator[Figure]:
    required, sets = choice.required, choice.sets
    mass = choice.mass_kg
    yield Figure.along(
        MASS,
        "reflected_mass",
        worded("Mass of motor and screw at the nut", "Inertia of motor and gear at the joint"),
        mass,
        note=worded("J·(2π/lead)²", "J·ratio² + the gear's output"),
    )
    output = rig_mass(required.rig)[0]
    yield Figure.along(MASS, "output_mass", "Moved mass at the rod", output, note="without weights")
    yield Figure(
        "natural_frequency_Hz",
        "Natural frequency, output blocked",
        natural_Hz(sets.inner_N_m, mass),
        "Hz",
        note=worded("√(k/m)/2π", "√(C/J)/2π"),
    )
    yield Figure(
        "free_frequency_Hz",
        "Natural frequency, output free",
        natural_Hz(sets.inner_N_m, mass * output / (mass + output)),
        "Hz",
    )
    for sine in required.sines:
        frequency, why = choice.band(sine.amplitude).bandwidth_Hz(sine.amplitude)
        amplitude, ending = FORCE(sine.amplitude), ENDINGS[FORCE.unit]
        yield Figure(
            f"bandwidth_{amplitude:.4g}_{ending}_Hz",
            f"Possible bandwidth at {_text(sine.amplitude)}",
            frequency,
            "Hz",
            sine.frequency,
            note=in_words(why),
        )
    sensor = required.deflection_sensor
    count = sets.inner_N_m * sensor.span / 2**sensor.bits
    yield Figure.along(
        FORCE,
        "force_resolution",
        "Force resolution, one count",
        count,
        required.force_resolution,
        least=False,
        note="k·span/2^bits",
    )
    noise = count * sensor.noise
    yield Figure.along(FORCE, "force_noise", "Force noise", noise, note="sensor alone")
    yield Figure.along(
        STIFFNESS,
        "touch_stiffness",
        "Virtual stiffness, passive up to",
        PASSIVE_SHARE * sets.inner_N_m,
        required.touch_stiffness,
        note=f"{PASSIVE_SHARE:g} of the springs' own",
    )


def _supply(choice: Combination) -> Iterator[Figure]:
    required, loads = choice.required.supply, choice.loads
    voltages = [load.supply_V for load in loads]
    lowest = math.nan if any(map(math.isnan, voltages)) else min(voltages)
    yield Figure(
        "lowest_supply_V",
        "Supply over the duty, lowest",
        lowest,
        "V",
        note=f"{required.voltage:.4g} V open"
        if lowest == lowest
        else "it cannot deliver that power",
    )
    reserve = min(
        (
            choice.supply.modulation * load.supply_V / abs(load.winding_V)
            if load.supply_V == load.supply_V and load.winding_V
            else (math.inf if load.supply_V == load.supply_V else 0.0)
        )
        for load in loads
    )
    yield Figure(
        "voltage_reserve",
        "Available over needed voltage",
        min(reserve, 99.0),
        "",
        1.0,
        note="worst phase of the duty",
    )
    total = sum(load.phase.duration for load in loads)
    taken = sum(load.phase.duration * max(load.power_W, 0.0) for load in loads) / total
    peak = max(load.power_W for load in loads)
    yield Figure("peak_power_W", "Power from the supply, peak", peak, "W")
    yield Figure(
        "mean_power_W", "Power from the supply, mean", taken, "W", note="no energy is returned"
    )
    if required.battery is not None:
        yield Figure(
            "runtime_h",
            "Battery lasts",
            required.battery / taken / 3600 if taken > 0 else math.inf,
            "h",
            None if required.runtime is None else required.runtime / 3600,
        )
