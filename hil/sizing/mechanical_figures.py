"""Figures of springs and transmission: stress, room, buckling, life, speeds."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drivers.motion import FORCE, LENGTH, SPEED, STIFFNESS, in_words, worded
from hil.sizing.choice_profile import DEFLECTION_TRIPPED
from hil.sizing.combination import Combination
from hil.sizing.figure import Figure
from hil.sizing.spring import SURGE_TIMES
from hil.sizing.spring_parts import SpringPart, TorsionSpringPart
from hil.sizing.torsion_spring import MANDREL_SHARE
from hil.sizing.transmission_parts import ScrewPart


def spring_figures(choice: Combination) -> Iterator[Figure]:
    """Yield the figures of the springs, in the motion that is spoken of."""
    required, sets, spring = choice.required, choice.sets, choice.springs
    coil = sets.coil
    most = _most_N(choice)
    yield Figure.along(STIFFNESS, "spring_rate", "Spring rate, at rest", sets.inner_N_m)
    knee = "one set goes slack"
    yield Figure.along(FORCE, "knee_force", "Force at the knee", sets.knee_N, note=knee)
    yield Figure.along(
        LENGTH,
        "deflection",
        "Deflection when it trips",
        sets.deflection_m(most),
        choice.most_deflection_m,
        least=False,
        note=worded(
            "least permitted length, or the sensor's span",
            "permitted bending, room for the mandrel, or the sensor's span",
        ),
    )
    yield Figure.along(
        LENGTH,
        "solid_deflection",
        worded("Deflection at solid length", "Deflection at which coils close on the mandrel"),
        sets.solid_deflection_m,
    )
    yield from _room(choice)
    forces = [phase.force for phase in required.duty]
    high = max(sets.coil_force_N(force) if force > 0 else 0.0 for force in forces)
    span = coil.corrected_stress_Pa(coil.rate_N_m * _coil_swing(choice))
    formula, other = spring.corrections
    yield Figure(
        "stress_range_MPa",
        "Stress range over the duty, corrected",
        span / 1e6,
        "MPa",
        spring.stress_range / 1e6,
        least=False,
        note=f"{spring.STANDARD}, {formula} {span / 1e6 * other:.0f} MPa; up to "
        f"{FORCE(high):.3g}{FORCE} a spring",
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


def _most_N(choice: Combination) -> float:
    """Return the force that springs and transmission must withstand: that of the last trip."""
    return DEFLECTION_TRIPPED * choice.required.force


def _room(choice: Combination) -> Iterator[Figure]:
    """Yield what the kind of spring needs of stress and room at its end of travel."""
    sets, spring, most = choice.sets, choice.springs, _most_N(choice)
    permitted, reason = spring.static_Pa
    if isinstance(spring, TorsionSpringPart):
        torsion = spring.coil
        yield Figure("body_length_mm", "Length of a spring's body", 1e3 * torsion.body_m, "mm")
        yield Figure(
            "bending_stress_MPa",
            "Bending stress when it trips",
            torsion.stress_Pa(sets.coil_force_N(most)) / 1e6,
            "MPa",
            permitted / 1e6,
            least=False,
            note=reason,
        )
        wound = LENGTH.rotary.factor * (sets.preload_m + sets.deflection_m(most))
        yield Figure(
            "inner_diameter_mm",
            "Inner diameter of a spring when it trips",
            1e3 * torsion.inner_m(math.radians(wound)),
            "mm",
            1e3 * torsion.mandrel_m / MANDREL_SHARE,
            note=f"EN 13906-3, mandrel at most {MANDREL_SHARE:g} of it",
        )
    elif isinstance(spring, SpringPart):
        coil = spring.coil
        yield Figure("solid_length_mm", "Solid length of a spring", 1e3 * coil.solid_m, "mm")
        yield Figure(
            "solid_stress_MPa",
            "Stress at solid length",
            coil.stress_Pa(coil.rate_N_m * coil.solid_travel_m) / 1e6,
            "MPa",
            permitted / 1e6,
            least=False,
            note=reason,
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


def transmission_figures(choice: Combination) -> Iterator[Figure]:
    """Yield the figures of the screw or gear, in the motion that is spoken of."""
    required, part = choice.required, choice.transmission
    turns = [(p.force, abs(p.speed) * p.duration / part.lead_m) for p in required.duty]
    per_duty = sum(many for _, many in turns)
    length = sum(phase.duration for phase in required.duty)
    rating = part.rating
    load = rating.equivalent_load_N(turns)
    life = rating.life_turns(load)
    hours = life / per_duty * length / 3600 if per_duty > 0 else math.inf
    yield Figure(
        f"{part.KIND}_life_h",
        in_words("Screw life L10 on the duty"),
        hours,
        "h",
        required.life / 3600,
        note=in_words(
            f"{rating.source}, mean load {FORCE(load):.3g}{FORCE}, {life / 1e6:.3g} million turns"
        ),
    )
    if math.isfinite(part.repeated_N):
        yield Figure.along(
            FORCE,
            "repeated_force",
            "Force that may repeat",
            part.repeated_N,
            max(abs(phase.force) for phase in required.duty),
            note="largest of the duty",
        )
    yield Figure(
        "static_safety",
        worded("Static rating over the largest force", "Momentary torque over the largest"),
        part.static_N / _most_N(choice),
        "",
        part.STATIC_SAFETY,
    )
    if isinstance(part, ScrewPart):
        yield from _shaft_figures(choice, part)


def _shaft_figures(choice: Combination, screw: ScrewPart) -> Iterator[Figure]:
    """Yield what a screw needs besides as a turning shaft of some length."""
    required, most = choice.required, _most_N(choice)
    yield Figure.along(
        SPEED,
        "critical_speed",
        "Nut speed at 0.8 of the critical speed",
        choice.speed_bounds(0.0)["critical speed"],
        max(required.speed, *(abs(phase.speed) for phase in required.duty)),
        note=screw.ends.replace("_", "–"),
    )
    yield Figure.along(
        FORCE,
        "buckling",
        "Half of the screw's buckling load",
        screw.most_force_N,
        most,
        note="Euler",
    )
    yield Figure.along(
        LENGTH,
        "nut_travel",
        "Travel of the nut",
        screw.travel,
        required.stroke + 2 * choice.sets.deflection_m(most),
        note="stroke and the deflection at either end",
    )
