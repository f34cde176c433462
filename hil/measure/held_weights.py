"""Figures of weights that are held at rest and then lifted: force at the rod, sag of the supply."""

from __future__ import annotations

import math

import numpy as np

from hil.measure.characteristic import Characteristic, RecordedRun, Window, cut, mean_u95, windows
from hil.profile import Profile

REST_SAMPLES = 300  # before a move, while the position is held
LEVER_KNOWN = 0.05  # of the weight at the rod, expanded: a lever tilted by 15° pulls 3 % less


def _before(part: Window) -> Window:
    """Return the rest before a move."""
    return Window(part.name, max(0, part.begin - REST_SAMPLES), part.begin, part.values)


def rod_force(run: RecordedRun, profile: Profile, mass: float, force: float) -> Characteristic:
    """Return the spring force that holds a weight at rest, the mean of both ends of the moves."""
    each = [
        float(np.mean(cut(run, _before(part), "spring_force_N")))
        for name in ("lift", "lower")
        for part in windows(run, name)
        if part.values["weight_kg"] == mass
    ]
    stated = profile.calibration
    known = 2 * math.hypot(stated.absolute_uncertainty, stated.relative_uncertainty * force)
    value, u95 = mean_u95(np.array(each), known)
    return Characteristic(
        f"force_speed.rod_force_{mass:g}_kg",
        f"Force at the rod that holds {mass:g} kg",
        value,
        u95,
        "N",
        force,
        LEVER_KNOWN * force,
        profile.limits.force.limited,
        conditions=f"{mass:g} kg on the lever, at rest before its moves, mean of both ends",
        causes="arms, tilt and own mass of the lever, friction in its bearing, calibration",
    )


def supply_sag(run: RecordedRun, profile: Profile) -> Characteristic:
    """Return the sag of the supply while the weight is lifted that makes it sag most."""
    sags: dict[float, list[float]] = {}
    for part in windows(run, "lift"):
        rest = float(np.median(cut(run, _before(part), "supply_V")))
        low = float(np.min(cut(run, part, "supply_V")))
        sags.setdefault(part.values["weight_kg"], []).append(rest - low)
    # Weights differ in their moves: a mean over all would be that of none.
    mass = max(sags, key=lambda each: float(np.mean(sags[each])))
    value, u95 = mean_u95(np.array(sags[mass]), 0.02)
    return Characteristic(
        "force_speed.supply_sag",
        "Sag of the supply while lifting, largest",
        value,
        u95,
        "V",
        limit=profile.limits.supply.high - profile.limits.supply.low,
        conditions=f"{mass:g} kg lifted, from the hold before to the lowest voltage",
    )
