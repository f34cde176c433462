"""Figures of weights that are held at rest and then lifted: force at the rod, sag of the supply."""

from __future__ import annotations

import math

import numpy as np

from hil.measure.characteristic import Characteristic, RecordedRun, Window, cut, mean_u95, windows
from hil.measure.guarded import middle_m
from hil.measure.move_prediction import predicted_move
from hil.measure.weight_moves import way_m, weights_lifted
from hil.profile import Profile, tilt_share

REST_SAMPLES = 300  # before a move, while the position is held
LEVER_KNOWN = (
    0.05  # of the weight at the rod, expanded: arms and masses; common practice, no source
)


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
    half = 0.5 * way_m(profile)
    tilted = np.mean([tilt_share(profile.rig, middle_m(profile) + x) for x in (-half, half)])
    expected = force * float(tilted)
    return Characteristic(
        f"force_speed.rod_force_{mass:g}_kg",
        f"Force at the rod that holds {mass:g} kg",
        value,
        u95,
        "N",
        expected,
        LEVER_KNOWN * expected,
        profile.limits.force.limited,
        conditions=f"{mass:g} kg on the lever, at rest before its moves, mean of both ends",
        causes="arms and own mass of the lever, friction in its bearing, calibration",
    )


def supply_sag(run: RecordedRun, profile: Profile, idle_W: float = 0.0) -> Characteristic:
    """Return the sag of the supply while the weight is lifted that makes it sag most.

    Predicted from the supply's resistance that the profile states for its simulation; the drive's
    own consumption ``idle_W`` is part of it if measured.
    """
    sags: dict[float, list[float]] = {}
    for part in windows(run, "lift"):
        rest = float(np.median(cut(run, _before(part), "supply_V")))
        low = float(np.min(cut(run, part, "supply_V")))
        sags.setdefault(part.values["weight_kg"], []).append(rest - low)
    # Weights differ in their moves: a mean over all would be that of none.
    mass = max(sags, key=lambda each: float(np.mean(sags[each])))
    value, u95 = mean_u95(np.array(sags[mass]), 0.02)
    speeds = {each: speed for each, _force, speed in weights_lifted(profile)}
    expected = predicted_move(profile, mass, speeds[mass], 1.0, idle_W).sag_V
    return Characteristic(
        "force_speed.supply_sag",
        "Sag of the supply while lifting, largest",
        value,
        u95,
        "V",
        *expected,
        limit=profile.limits.supply.high - profile.limits.supply.low,
        conditions=f"{mass:g} kg lifted, from the hold before to the lowest voltage",
        causes="resistance of supply and leads, a supply that regulates slowly, losses of the drive",
    )
