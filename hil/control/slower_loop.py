"""Slower force loops for a rig under power: designed in advance, changed to without a bump.

A design takes many cycles, so the loops that may be needed are designed before power on. Each is
the designed loop with its poles slowed by one factor, in law, integral action and smoothing alike.
Lead and bounds of virtual springs are its own; they apply from the moment of the request, so the
loops on the way to it must be stable with them too.
"""

from __future__ import annotations

from dataclasses import replace

from hil.control.force_design import (
    DAMPING_GRID,
    ForceGains,
    lead_of,
    overshoot,
    plants,
    predict,
    specification_of,
    with_bounds,
)
from hil.control.force_model import LawGains, Loop, law_gains
from hil.control.observer_gains import observer_gains
from hil.control.rig_model import moved_mass
from hil.profile import Profile

# Of the designed speed. At a third a stiff spring has no margin left on the way (measured on the
# shipped profiles); a loop that slow is redesigned.
SHARES = (0.7, 0.5)
CEILING = 0.7  # of the virtual stiffness that a slower loop tolerates once reached; measured, too
ON_THE_WAY = (0.3, 0.6, 0.9, 1.0)
SLIDE_S = 0.5  # of the change from one loop to the other; common practice, no source


def slower_loops(
    profile: Profile, gains: ForceGains, period_s: float, delay_s: float
) -> tuple[ForceGains, ...]:
    """Return slower loops than ``gains``, the quickest first, if the way there is stable.

    Args:
        period_s: period of the cycle. delay_s: delay from a sample to the moment its command acts.
    """
    found = (_slower(profile, gains, period_s, delay_s, share) for share in SHARES)
    return tuple(loop for loop in found if way_is_stable(profile, gains, loop, period_s, delay_s))


def _slower(
    profile: Profile, gains: ForceGains, period_s: float, delay_s: float, share: float
) -> ForceGains:
    choices, observer = plants(profile, period_s, delay_s), observer_gains(profile, period_s)
    before = gains.law
    law = law_gains(
        gains.plant,
        share * gains.natural_rad_s,
        gains.damping_ratio,
        share * before.disturbance_rad_s,
        gains.predictor,
        # A corner at ``share`` of the frequency; without smoothing none is added.
        1.0 - (1.0 - before.shaping) ** share if before.shaping < 1.0 else 1.0,
    )
    loops = [Loop(plant, law, observer) for plant in choices]
    found = replace(
        gains,
        natural_rad_s=share * gains.natural_rad_s,
        law=law,
        lead_s=lead_of(loops[0]),
        predicted=predict(loops, specification_of(profile), overshoot(loops[0])),
    )
    found = with_bounds(profile, choices, observer, found)
    stiffest = CEILING * min(found.most_stiffness_N_m, gains.most_stiffness_N_m)
    stiffnesses = [share * stiffest for share in DAMPING_GRID]
    return replace(
        found,
        damping_bounds=tuple((k, found.most_damping(k)) for k in stiffnesses),
        most_stiffness_N_m=stiffest,
    )


def way_is_stable(
    profile: Profile, before: ForceGains, after: ForceGains, period_s: float, delay_s: float
) -> bool:
    """Return whether the loops from ``before`` to ``after`` are stable within the latter's bounds."""
    observer, lightest = observer_gains(profile, period_s), moved_mass(profile)[0]
    return all(
        Loop(
            replace(plant, output_mass=lightest),
            law_between(before.law, after.law, share),
            observer,
            virtual_stiffness=min(stiffness, profile.control.passive_fraction * plant.stiffness),
            virtual_damping=damping,
            lead_s=after.lead_s,
        ).stable
        for share in ON_THE_WAY
        for plant in plants(profile, period_s, delay_s)
        for stiffness, damping in after.damping_bounds[1:]
    )


def law_between(before: LawGains, after: LawGains, share: float) -> LawGains:
    """Return the law at ``share`` of the way; both are of one plant, so prediction is the same."""

    def between(one: float, other: float) -> float:
        return one + share * (other - one)

    return replace(
        after,
        position=between(before.position, after.position),
        rate=between(before.rate, after.rate),
        current=between(before.current, after.current),
        disturbance_rad_s=between(before.disturbance_rad_s, after.disturbance_rad_s),
        shaping=between(before.shaping, after.shaping),
    )
