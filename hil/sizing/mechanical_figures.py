"""Figures of springs and screw: stress, length, buckling, life, critical speed."""

from __future__ import annotations

import math
from collections.abc import Iterator

from hil.sizing.choice_profile import DEFLECTION_TRIPPED
from hil.sizing.combination import Combination
from hil.sizing.figure import Figure
from hil.sizing.screw import equivalent_load_N, life_turns
from hil.sizing.spring import SOLID_STRESS_SHARE, SURGE_TIMES, wahl

STATIC_SAFETY = 2.0  # static rating over the largest force; common practice, no source


def spring_figures(choice: Combination) -> Iterator[Figure]:
    """Yield the figures of the springs."""
    required, sets, spring = choice.required, choice.sets, choice.springs
    coil = sets.coil
    most = DEFLECTION_TRIPPED * required.force  # the springs must withstand the trip force
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


def screw_figures(choice: Combination) -> Iterator[Figure]:
    """Yield the figures of the screw."""
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
