"""Healthy rigs with the differences between rigs of one drawing."""

from __future__ import annotations

import random

from drivers.simulated.parameters import RigParameters

# Names of one group vary together: break-away friction stays above Coulomb friction.
GROUPS: tuple[tuple[str, ...], ...] = (
    ("friction_coulomb_N_m", "friction_breakaway_N_m"),
    ("friction_viscous_N_m_s",),
    ("pivot_friction_N_m", "guide_friction_N"),
    ("spring_hysteresis", "spring_guide_friction_N"),
    ("spring_rate_push_N_m", "spring_rate_pull_N_m"),
    ("sensor_noise_counts",),
)


def varied(parameters: RigParameters, seed: int, share: float = 0.2) -> RigParameters:
    """Return the rig with friction, noise and spring rate off by up to ``share``, uniformly.

    Each seed gives one rig.

    Raises:
        ValueError: ``share`` is not between 0 and 1.
    """
    if not 0 <= share < 1:
        raise ValueError(f"share = {share}: must be at least 0 and below 1")
    chance = random.Random(seed)
    values: dict[str, float] = {}
    for group in GROUPS:
        factor = chance.uniform(1 - share, 1 + share)
        values |= {name: factor * getattr(parameters, name) for name in group}
    return parameters.but(values)
