"""Uncertainty of a calibration's slope: a law known in force to a band may bend within it."""

from __future__ import annotations

import math

from hil.profile import Calibration, Profile, TwoSlopes


def slope_share(stated: Calibration, force_N: float) -> float:
    """Return the relative expanded uncertainty of the calibration's slope at this force.

    Scale, and the possible bend up to there: straight for two slopes; any other law may err by
    a·sin(π·F/F₀), whose slope at F₀ is π times as large.
    """
    bend = stated.absolute_uncertainty / force_N
    if not isinstance(stated.spring_law, TwoSlopes):
        bend *= math.pi
    return 2 * math.hypot(stated.relative_uncertainty, bend)


def bend_share(profile: Profile, force_N: float = 0.0) -> float:
    """Return how much of a slope a free law may bend at this force, relative and expanded.

    0 for two slopes, which bend nowhere but at their knee. About zero force F₀ is the limit.
    """
    stated = profile.calibration
    if isinstance(stated.spring_law, TwoSlopes):
        return 0.0
    return 2 * math.pi * stated.absolute_uncertainty / (force_N or profile.limits.force.limited)


def gain_u95(key: str, value: float, share: float) -> float:
    """Return what a gain that is off by ``share`` shifts a figure of a force response by.

    A bandwidth by as much or less, a margin by that angle, a peak in dB by its own decibels; a delay
    not at all.
    """
    shifts = {
        "bandwidth": share * value,
        "margin": math.degrees(share),
        "peak": 20 * math.log10(1 + share),
    }
    return shifts.get(key, 0.0)
