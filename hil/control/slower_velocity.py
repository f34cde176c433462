"""Slower force loops over a drive that takes velocity or position, for a rig under power.

Each is the designed loop with its proportional gain reduced by one factor, and the integral that
goes with it. The bounds of a slower loop (virtual stiffness, damping, feed-forward) are reduced to
what every loop on the way to it renders passively and stably: behaviours are limited to it at once,
while the gains change in ``SLIDE_S``. The integral is a velocity, so it needs no change.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hil.control.observer_gains import observer_gains
from hil.control.rig_model import moved_mass
from hil.control.slower_loop import ON_THE_WAY, SHARES, SLIDE_S
from hil.control.velocity_controller import SLIDE_S as FEED_SLIDE_S
from hil.control.velocity_design import (
    FEED_SHARE,
    VelocityGains,
    gains_of,
    law_for,
    velocity_plants,
    with_velocity_bounds,
)
from hil.control.velocity_model import VelocityLaw, VelocityLoop, VelocityPlant
from hil.control.velocity_passivity import passive_feedforward, passive_stiffness
from hil.profile import Profile

BETWEEN = ON_THE_WAY[:-1]
# Share of the slide at which the feed-forward of the previous loop still acts.
WITH_THE_OLD_FEED = 3 * FEED_SLIDE_S / SLIDE_S


def slower_velocity_loops(
    profile: Profile, gains: VelocityGains, period_s: float, delay_s: float
) -> tuple[VelocityGains, ...]:
    """Return slower loops than ``gains``, the quickest first, if the way there is stable.

    Args:
        period_s: period of the cycle. delay_s: delay from a sample to the moment its command acts.
    """
    choices = velocity_plants(profile, period_s, delay_s)
    observer = observer_gains(profile, period_s)
    found = []
    for share in SHARES:
        law = law_for(choices, share * gains.law.proportional_1_s, gains.law.torque_share)
        loops = [VelocityLoop(plant, law, observer) for plant in choices]
        slower = with_velocity_bounds(profile, loops, gains_of(profile, loops))
        slower = _within_the_way(choices, gains, slower)
        if _way_is_stable(profile, choices, gains, slower):
            found.append(slower)
    return tuple(found)


def velocity_law_between(before: VelocityLaw, after: VelocityLaw, share: float) -> VelocityLaw:
    """Return the law at ``share`` of the way."""

    def between(one: float, other: float) -> float:
        return one + share * (other - one)

    return VelocityLaw(
        between(before.proportional_1_s, after.proportional_1_s),
        between(before.integral_1_s2, after.integral_1_s2),
        between(before.torque_share, after.torque_share),
    )


def _within_the_way(
    choices: Sequence[VelocityPlant], before: VelocityGains, after: VelocityGains
) -> VelocityGains:
    """Return ``after`` with bounds that are passive with each law from ``before`` on."""
    # Those at both ends already keep to their own bounds.
    laws = [velocity_law_between(before.law, after.law, share) for share in BETWEEN]
    ceilings = [[passive_stiffness(plant, law) for plant in choices] for law in laws]
    most = min(after.most_stiffness_N_m, before.most_stiffness_N_m, *(c[0] for c in ceilings))
    scale = most / after.most_stiffness_N_m if after.most_stiffness_N_m else 0.0
    dampings, feeds = [], []
    for stiffness, damping in after.damping_bounds:
        narrower = scale * stiffness
        passive = min(
            passive_feedforward(plant, law, min(narrower, ceiling))
            for law, of_law in zip(laws, ceilings, strict=True)
            for plant, ceiling in zip(choices, of_law, strict=True)
        )
        feed = min(after.feedforward(narrower), before.feedforward(narrower), FEED_SHARE * passive)
        feeds.append((narrower, feed))
        bounds = after.most_damping(narrower), before.most_damping(narrower), damping
        dampings.append((narrower, min(bounds)))
    return replace(
        after,
        damping_bounds=tuple(dampings),
        feedforward_bounds=tuple(feeds),
        most_stiffness_N_m=most,
        drag_N_s_m=(1.0 - feeds[0][1]) * after.plant.stiffness / after.law.proportional_1_s,
    )


def _way_is_stable(
    profile: Profile, choices: Sequence[VelocityPlant], before: VelocityGains, after: VelocityGains
) -> bool:
    """Return whether the loops from ``before`` to ``after`` are stable within the latter's bounds."""
    observer, lightest = observer_gains(profile, choices[0].period_s), moved_mass(profile)[0]
    ways = [(share, after) for share in BETWEEN] + [(WITH_THE_OLD_FEED, before)]
    for share, feeding in ways:
        law = velocity_law_between(before.law, after.law, share)
        for plant in choices:
            most, light = passive_stiffness(plant, law), replace(plant, output_mass=lightest)
            for stiffness, damping in after.damping_bounds:
                loop = VelocityLoop(
                    light,
                    law,
                    observer,
                    virtual_stiffness=min(stiffness, most),
                    virtual_damping=damping,
                    feedforward=feeding.feedforward(stiffness),
                )
                if not loop.stable:
                    return False
    return True
