"""A first session for the profile of a choice: the demo's steps, sized as the profile is."""

from __future__ import annotations

import math
from pathlib import Path

from drivers.motion import DAMPING, FORCE, LENGTH, SPEED, STIFFNESS, speaking
from hil.control import moved_mass
from hil.sizing.choice_profile import choice_profile
from hil.sizing.combination import Combination

SUFFIX = ".demo.yaml"
# Shares as in the shipped demo of the footplate trainer; common practice, no source.
HEAVIEST = 0.7  # of the force limit, lever and weight together
SPEED_SHARE = 0.4  # of the speed limit
LEAST_MOVE_S = 1.5  # over the whole travel
PEAK = 1.875  # of a minimum-jerk move over its mean speed
SETTLE_S = 0.8
LOW = 0.06  # of the travel above its lower end
DAMPING_PER_S = 4.6  # of a weight that floats, over its mass
DAMPING_RATIO = 0.3
SOFT = 0.2  # of the stiffness that is required
SWING = 0.05  # of the travel


def sequence_beside(profile: Path) -> Path:
    """Return the place of the first session that belongs to a sized profile."""
    return profile.with_name(profile.name.removesuffix(".yaml") + SUFFIX)


def sequence_text(choice: Combination) -> str:
    """Return the session as YAML: a weight floats, a spring is felt, the load is set down.

    Raises:
        ProfileError: the choice's profile is impossible.
    """
    with speaking(choice.required.motion):
        return _sequence_text(choice)


def _sequence_text(choice: Combination) -> str:
    profile = choice_profile(choice)
    limits, rig = profile.limits, profile.rig
    mass, own_N, kg_per_N = moved_mass(profile)
    arms = kg_per_N * rig.gravity
    light = [
        kg
        for kg in sorted(rig.weights)
        if own_N + kg * rig.gravity * arms <= HEAVIEST * limits.force.limited
    ]
    hung = light[0] if light and arms else 0.0
    force_N = own_N + hung * rig.gravity * arms
    mass += hung * arms**2
    lower, upper = limits.travel.lower, limits.travel.upper
    travel = upper - lower
    middle, low = 0.5 * (lower + upper), lower + LOW * travel
    speed = min(SPEED_SHARE * limits.speed.limited, travel / LEAST_MOVE_S)
    move_s = PEAK * 0.5 * travel / speed + SETTLE_S
    stiffness = SOFT * choice.required.touch_stiffness
    floats = min(DAMPING_PER_S * mass, limits.damping)
    spring = min(2 * DAMPING_RATIO * math.sqrt(stiffness * mass), limits.damping)
    push_N = stiffness * SWING * travel / (arms or 1.0)
    hang = [f"  - {{do: hang, mass: {hung:g} kg, for: 0.4 s}}"] if hung else []
    take_off = [
        f"  - {{do: hold_position, position: {LENGTH.written(low, '.3g')}, "
        f"speed: {SPEED.written(speed, '.3g')}, "
        f"for: {move_s:.2g} s}}",
        "  - power_off",
        "  - {do: wait, for: 1 s}",
    ]
    take_off += ["  - {do: hang, mass: 0 kg, for: 0.6 s}"] if hung else []
    bias = f"bias: {FORCE.written(force_N, '.4g')}, " if force_N else ""
    lines = [
        f"# First session of {choice.required.name}: {choice.name}, written by 'hookeline size'.",
        "name: demo",
        f'description: "Lift, float, a soft spring, set down; sized for {choice.name}"',
        "steps:",
        *hang,
        "  - power_on",
        f"  - {{do: hold_position, position: {LENGTH.written(middle, '.4g')}, "
        f"speed: {SPEED.written(speed, '.3g')}, "
        f"for: {move_s:.2g} s}}",
        f"  - {{do: constant_force, force: {FORCE.written(force_N, '.4g')}, "
        f"damping: {DAMPING.written(floats, '.3g')}, "
        "for: 3 s, settle: 1 s, measure: floating weight, tolerance: 5 %}",
        f"  - {{do: virtual_spring, stiffness: {STIFFNESS.written(stiffness, '.4g')}, rest: "
        f"{LENGTH.written(middle, '.4g')}, {bias}damping: {DAMPING.written(spring, '.3g')}, push: "
        f"{{force: {push_N:.3g} N, frequency: 0.7 Hz}}, for: 4.2 s, settle: 1.2 s, measure: soft, "
        "tolerance: 5 %}",
        *take_off,
        "  - power_on",
        f"  - {{do: float, damping: {DAMPING.written(floats, '.3g')}, for: 1 s}}",
        '  - {do: stop, measure: "operator\'s stop", for: 1 s}',
        "  - reset",
    ]
    return "\n".join(lines) + "\n"
