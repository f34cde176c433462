"""Prediction of a weight's move: the bench's own position behaviour and force law on the plant."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import numpy as np

from hil.control import moved_mass, start_behaviour
from hil.core import HoldPosition
from hil.measure.characteristic import Floats
from hil.measure.guarded import middle_m
from hil.measure.impedance import designed_gains
from hil.measure.predicted_rig import FRICTION_TRIED, Load, PredictedRig, half_range
from hil.measure.weight_moves import lasts_s, rubbing_N, way_m
from hil.profile import Profile, tilt_share
from hil.sizing import sagged_V

# Own uncertainty, expanded: common practice, no source. Of an efficiency it is absolute.
EFFICIENCY_KNOWN, POWER_KNOWN, SAG_KNOWN = 0.1, 0.1, 0.25


@dataclass(frozen=True)
class PredictedMove:
    """One lift or lowering, from rest to rest; each with its expanded uncertainty.

    Attributes:
        efficiency: work over electrical energy while lifting, the inverse while lowering.
        peak_W: highest power at the output, as a magnitude.
        sag_V: sag of the supply, from the hold before; NaN if the profile states no supply.
    """

    efficiency: tuple[float, float]
    peak_W: tuple[float, float]
    sag_V: tuple[float, float]


def predicted_move(
    profile: Profile, mass: float, speed: float, sense: float, idle_W: float = 0.0
) -> PredictedMove:
    """Return what a move with a weight is expected to take.

    Friction off by ``FRICTION_KNOWN`` either way counts as uncertainty.

    Args:
        sense: +1 lifts, −1 lowers.
        idle_W: the drive's own consumption, if the supply's power is measured.
    """
    tried = [
        _figures(profile, mass, speed, sense, idle_W, factor) for factor in (1.0, *FRICTION_TRIED)
    ]
    known = (EFFICIENCY_KNOWN, POWER_KNOWN * tried[0][1], SAG_KNOWN * tried[0][2])
    efficiency, peak, sag = (
        (figures[0], math.hypot(own, half_range(list(figures))))
        for own, figures in zip(known, zip(*tried, strict=True), strict=True)
    )
    return PredictedMove(efficiency, peak, sag)


def _figures(
    profile: Profile, mass: float, speed: float, sense: float, idle_W: float, friction: float
) -> tuple[float, float, float]:
    """Return (efficiency, peak power in W, sag in V).

    The supply is a voltage source behind its resistance.

    Args:
        friction: factor on the stated friction.
    """
    motor, per_metre = profile.actuator.motor, profile.actuator.radians_per_metre
    t, force, v, nut_v, torque = _moved(profile, mass, speed, sense, friction)
    heat = motor.winding_resistance / motor.torque_constant**2
    electrical = torque * per_metre * nut_v + heat * torque**2 + idle_W
    work, taken = float(np.trapezoid(force * v, t)), float(np.trapezoid(electrical, t))
    sag = math.nan
    if profile.simulation is not None:
        stated = profile.simulation
        before, lowest = (
            sagged_V(stated.supply, stated.supply_resistance, power)
            for power in (float(electrical[0]), float(np.max(electrical)))
        )
        sag = before - lowest
    ratio = work / taken if sense > 0 else taken / work
    return ratio, float(np.max(np.abs(force * v))), sag


def _moved(
    profile: Profile, mass: float, speed: float, sense: float, friction: float
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return (time in s, spring force in N, speeds of output and nut in m/s, torque in N·m).

    The move there comes first: a weight that was lowered rests against friction, and the motor holds
    it with another torque than one that was lifted.
    """
    own_kg, own_N, kg_per_N = moved_mass(profile)
    at_rod = kg_per_N * profile.rig.gravity
    weight_N = own_N + mass * profile.rig.gravity * at_rod
    tilt = partial(tilt_share, profile.rig)
    load = Load(own_kg + mass * at_rod**2, weight_N, rubbing_N(profile), tilt)
    half = 0.5 * sense * way_m(profile)
    ends = middle_m(profile) - half, middle_m(profile) + half
    rig = PredictedRig(profile, load, weight_N * tilt(ends[1]), ends[1], friction, caps=True)
    lasts = round(lasts_s(profile, speed) / rig.period_s)
    gains = designed_gains(profile)
    rows = np.empty((lasts, 4))
    for end in ends:
        to = HoldPosition(position_m=end, speed_m_s=speed)
        hold = start_behaviour(to, profile, rig.output_m, rig.force_N, gains)
        for row in rows:
            rig.step(partial(hold.force, dt=rig.period_s), spring=True)
            row[:] = rig.force_N, rig.output_m_s, rig.nut_m_s, rig.torque_N_m
    t: Floats = rig.period_s * np.arange(lasts).astype(np.float64)
    force, v, nut_v, torque = rows.T
    return t, force, v, nut_v, torque
