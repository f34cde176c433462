"""Figures of a combination beside what is required, and what limits each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from hil.control import design, rig_mass
from hil.profile import ProfileError, rig_force
from hil.sizing.choice_profile import DEFLECTION_TRIPPED, choice_profile
from hil.sizing.combination import Combination
from hil.sizing.force_band import natural_Hz
from hil.sizing.motor import rms, settled_rise_K
from hil.sizing.screw import equivalent_load_N, life_turns
from hil.sizing.spring import SOLID_STRESS_SHARE, SURGE_TIMES, wahl

PASSIVE_SHARE = 0.98  # of the springs' own rate, as control.passive_fraction
STATIC_SAFETY = 2.0  # static rating over the largest force; common practice, no source
COMMAND_DELAY_CYCLES = 1.0  # a cyclic command is taken over with the next synchronous message
# The design may yield a little of the asked bandwidth before it says so.
BANDWIDTH_SHARE = 0.97


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes:
        key: with the unit of ``value``.
        required: bound on it, None if nothing is asked.
        least: the bound is a lower one.
        note: what limits it, or its formula.
        enough: share of ``required`` that meets it. Below 1 the figure is designed for it
            and has nothing to spare: once met, its margin says nothing.
    """

    key: str
    label: str
    value: float
    unit: str
    required: float | None = None
    least: bool = True
    note: str = ""
    enough: float = 1.0

    @property
    def margin(self) -> float:
        """Ratio to the requirement: 1 just meets it; infinite without a requirement."""
        if self.required is None:
            return math.inf
        if math.isnan(self.value):
            return 0.0
        above, below = (self.value, self.required) if self.least else (self.required, self.value)
        if below <= 0:
            return math.inf if above >= below else 0.0
        ratio = max(0.0, above / below)
        return math.inf if self.enough <= ratio and self.enough < 1 else ratio

    @property
    def met(self) -> bool:
        return self.margin >= 1 - 1e-9


def figures(choice: Combination) -> list[Figure]:
    """Return every figure but the designed loop's, which takes longest."""
    return [
        *_force(choice),
        *_duty(choice),
        *_dynamics(choice),
        *_springs(choice),
        *_screw(choice),
        *_supply(choice),
    ]


def loop_figure(choice: Combination) -> Figure:
    """Return the force bandwidth of the loop that the bench would run (−3 dB, output blocked)."""
    sine = choice.required.finest
    note = f"designed loop, {sine.amplitude:.4g} N"
    value = 0.0
    try:
        period = 1.0 / choice.required.rate
        gains = design(choice_profile(choice), period, COMMAND_DELAY_CYCLES * period)
        value, note = gains.predicted.bandwidth_Hz, gains.notice or note
    except ProfileError as error:
        note = str(error).splitlines()[0]
    return Figure(
        "small_force_bandwidth_Hz",
        "Force bandwidth, small",
        value,
        "Hz",
        sine.frequency,
        note=note,
        enough=BANDWIDTH_SHARE,
    )


def _force(choice: Combination) -> Iterator[Figure]:
    required = choice.required
    current = choice.pushing_torque_N_m(required.force) / choice.motor.torque_constant
    yield Figure(
        "peak_force_N",
        "Force at peak current",
        choice.force_N(choice.most_current_A),
        "N",
        required.force,
        note=f"{choice.most_current_A:.4g} A of motor and drive; F = 2π·η·T/lead",
    )
    yield Figure("force_current_A", "Current for the required force", current, "A")
    standing = choice.standing_current_A * choice.motor.torque_constant * choice.radians_per_metre
    yield Figure(
        "held_force_N",
        "Continuous force at rest",
        standing,
        "N",
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
    yield Figure(
        "speed_mm_s",
        f"Speed at {required.speed_force:.4g} N",
        1e3 * speed,
        "mm/s",
        1e3 * required.speed,
        note=why,
    )


def _duty(choice: Combination) -> Iterator[Figure]:
    loads, motor = choice.loads, choice.motor
    peak = max(loads, key=lambda load: abs(load.current_A))
    currents = [(load.phase.duration, load.current_A) for load in loads]
    mean = rms(currents)
    yield Figure("peak_torque_N_m", "Torque over the duty, peak", abs(peak.torque_N_m), "N·m")
    yield Figure("rms_torque_N_m", "Torque over the duty, rms", mean * motor.torque_constant, "N·m")
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
    yield Figure(
        "reflected_mass_kg", "Mass of motor and screw at the nut", mass, "kg", note="J·(2π/lead)²"
    )
    output = rig_mass(required.rig)[0]
    yield Figure("output_mass_kg", "Moved mass at the rod", output, "kg", note="without weights")
    yield Figure(
        "natural_frequency_Hz",
        "Natural frequency, output blocked",
        natural_Hz(sets.inner_N_m, mass),
        "Hz",
        note="√(k/m)/2π",
    )
    yield Figure(
        "free_frequency_Hz",
        "Natural frequency, output free",
        natural_Hz(sets.inner_N_m, mass * output / (mass + output)),
        "Hz",
    )
    for sine in required.sines:
        frequency, why = choice.band(sine.amplitude).bandwidth_Hz(sine.amplitude)
        yield Figure(
            f"bandwidth_{sine.amplitude:.4g}_N_Hz",
            f"Possible bandwidth at {sine.amplitude:.4g} N",
            frequency,
            "Hz",
            sine.frequency,
            note=why,
        )
    sensor = required.deflection_sensor
    count = sets.inner_N_m * sensor.span / 2**sensor.bits
    yield Figure(
        "force_resolution_N",
        "Force resolution, one count",
        count,
        "N",
        required.force_resolution,
        least=False,
        note="k·span/2^bits",
    )
    yield Figure("force_noise_N", "Force noise", count * sensor.noise, "N", note="sensor alone")
    yield Figure(
        "touch_stiffness_N_per_mm",
        "Virtual stiffness, passive up to",
        PASSIVE_SHARE * sets.inner_N_m / 1e3,
        "N/mm",
        required.touch_stiffness / 1e3,
        note=f"{PASSIVE_SHARE:g} of the springs' own",
    )


def _springs(choice: Combination) -> Iterator[Figure]:
    required, sets, spring = choice.required, choice.sets, choice.springs
    coil = sets.coil
    most = DEFLECTION_TRIPPED * required.force  # the springs must bear what the rig trips at
    yield Figure("spring_rate_N_per_mm", "Spring rate, at rest", sets.inner_N_m / 1e3, "N/mm")
    yield Figure("knee_force_N", "Force at the knee", sets.knee_N, "N", note="one set goes slack")
    yield Figure(
        "deflection_mm",
        "Deflection when it trips",
        1e3 * sets.deflection_m(most),
        "mm",
        1e3 * choice.most_deflection_m,
        least=False,
        note="least permitted length, or the sensor's span",
    )
    yield Figure(
        "solid_deflection_mm", "Deflection at solid length", 1e3 * sets.solid_deflection_m, "mm"
    )
    yield Figure("solid_length_mm", "Solid length of a spring", 1e3 * coil.solid_m, "mm")
    solid = coil.stress_Pa(coil.rate_N_m * coil.solid_travel_m)
    yield Figure(
        "solid_stress_MPa",
        "Stress at solid length",
        solid / 1e6,
        "MPa",
        SOLID_STRESS_SHARE * spring.tensile_strength / 1e6,
        least=False,
        note="EN 13906-1, 0.56 of the tensile strength",
    )
    forces = [phase.force for phase in required.duty]
    high = max(sets.coil_force_N(force) if force > 0 else 0.0 for force in forces)
    span = coil.corrected_stress_Pa(sets.coil.rate_N_m * _coil_swing(choice))
    yield Figure(
        "stress_range_MPa",
        "Stress range over the duty, corrected",
        span / 1e6,
        "MPa",
        spring.stress_range / 1e6,
        least=False,
        note=f"EN 13906-1, k = (w + 0.5)/(w − 0.75); by Wahl "
        f"{span / 1e6 * _wahl_ratio(coil.index):.0f} MPa; up to {high:.0f} N a spring",
    )
    highest = max(sine.frequency for sine in required.sines)
    yield Figure(
        "surge_Hz",
        "Natural frequency of the coils",
        coil.surge_Hz,
        "Hz",
        SURGE_TIMES * highest,
        note=f"{SURGE_TIMES:g} times the highest required frequency",
    )
    buckling = coil.buckling_travel_m()
    yield Figure(
        "spring_buckling_mm",
        "Compression at which a spring buckles",
        1e3 * min(buckling, coil.free_m),
        "mm",
        1e3 * (sets.preload_m + sets.deflection_m(most)),
        note="never" if math.isinf(buckling) else "between guided plates, EN 13906-1",
    )


def _wahl_ratio(index: float) -> float:
    return wahl(index) * (index - 0.75) / (index + 0.5)


def _coil_swing(choice: Combination) -> float:
    """Return the travel in m that the springs of a set go through over the duty."""
    sets = choice.sets
    signed = [
        math.copysign(sets.deflection_m(phase.force), phase.force) for phase in choice.required.duty
    ]
    # A slack set goes no further than its free length.
    lengths = [max(sets.preload_m + d, 0.0) for d in signed]
    others = [max(sets.preload_m - d, 0.0) for d in signed]
    return max(max(lengths) - min(lengths), max(others) - min(others))


def _screw(choice: Combination) -> Iterator[Figure]:
    required, screw = choice.required, choice.screw
    turns = [(p.force, abs(p.speed) * p.duration / screw.lead) for p in required.duty]
    per_duty = sum(many for _, many in turns)
    length = sum(phase.duration for phase in required.duty)
    load = equivalent_load_N(turns)
    life = life_turns(screw.dynamic_rating, load)
    hours = life / per_duty * length / 3600 if per_duty > 0 else math.inf
    yield Figure(
        "screw_life_h",
        "Screw life L10 on the duty",
        hours,
        "h",
        required.life / 3600,
        note=f"ISO 3408-5, mean load {load:.0f} N, {life / 1e6:.3g} million turns",
    )
    yield Figure(
        "static_safety",
        "Static rating over the largest force",
        screw.static_rating / (DEFLECTION_TRIPPED * required.force),
        "",
        STATIC_SAFETY,
    )
    yield Figure(
        "critical_speed_mm_s",
        "Nut speed at 0.8 of the critical speed",
        1e3 * choice.speed_bounds(0.0)["critical speed"],
        "mm/s",
        1e3 * max(required.speed, *(abs(phase.speed) for phase in required.duty)),
        note=screw.ends.replace("_", "–"),
    )
    yield Figure(
        "buckling_N",
        "Half of the screw's buckling load",
        choice.buckling_N,
        "N",
        DEFLECTION_TRIPPED * required.force,
        note="Euler",
    )
    needed = required.stroke + 2 * choice.sets.deflection_m(DEFLECTION_TRIPPED * required.force)
    yield Figure(
        "nut_travel_mm",
        "Travel of the nut",
        1e3 * screw.travel,
        "mm",
        1e3 * needed,
        note="stroke and the deflection at either end",
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
        note=f"{required.voltage:.4g} V open" if lowest == lowest else "it cannot give that power",
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
        "Voltage that is there over that needed",
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
        "mean_power_W", "Power from the supply, mean", taken, "W", note="nothing is given back"
    )
    if required.battery is not None:
        yield Figure(
            "runtime_h",
            "Battery lasts",
            required.battery / taken / 3600 if taken > 0 else math.inf,
            "h",
            None if required.runtime is None else required.runtime / 3600,
        )
