"""Prediction of a weight's move: the bench's own position behaviour, stepped on the profile's plant."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.control import ForceCalibration, moved_mass, start_behaviour
from hil.core import HoldPosition
from hil.measure.characteristic import Floats
from hil.measure.guarded import middle_m
from hil.measure.impedance import designed_gains
from hil.measure.weight_moves import lasts_s, rubbing_N, way_m
from hil.profile import Profile
from hil.sizing import sagged_V

STEP_S = 0.001
CREEP = 0.1  # of the Stribeck speed: slower, the nut sticks; judged on two simulated rigs
FAST = 8.0  # times the designed bandwidth: a force loop that hardly lags
# Own uncertainty, expanded: common practice, no source. Of an efficiency it is absolute.
EFFICIENCY_KNOWN, POWER_KNOWN, SAG_KNOWN = 0.1, 0.1, 0.25


@dataclass(frozen=True)
class PredictedMove:
    """One lift or lowering, from rest to rest; each with its expanded uncertainty.

    Attributes:
        efficiency: work over electrical energy while lifting, the inverse while lowering.
        peak_W: highest power at the output, as a magnitude.
        sag_V: of the supply, from the hold before; NaN if the profile states no supply.
    """

    efficiency: tuple[float, float]
    peak_W: tuple[float, float]
    sag_V: tuple[float, float]


def predicted_move(
    profile: Profile, mass: float, speed: float, sense: float, idle_W: float = 0.0
) -> PredictedMove:
    """Return what a move with a weight is expected to take.

    The nut follows the deflection that ``HoldPosition`` sets, with hardly a lag; output and weight
    follow the force of the springs. So the move overshoots as on the bench. The difference to a
    first-order lag of the designed bandwidth counts as uncertainty.

    Args:
        sense: +1 lifts, −1 lowers.
        idle_W: the drive's own consumption, if the supply's power is measured.
    """
    fast, slow = (
        np.array(_figures(profile, mass, speed, sense, idle_W, factor)) for factor in (FAST, 1.0)
    )
    known = np.array([EFFICIENCY_KNOWN, POWER_KNOWN * fast[1], SAG_KNOWN * fast[2]])
    bands = np.hypot(known, fast - slow)
    efficiency, peak, sag = zip(fast.tolist(), bands.tolist(), strict=True)
    return PredictedMove(efficiency, peak, sag)


def _figures(
    profile: Profile, mass: float, speed: float, sense: float, idle_W: float, factor: float
) -> tuple[float, float, float]:
    """Return (efficiency, peak power in W, sag in V) with a bandwidth of so many times the design's.

    At the motor τ = (F/η + m·a)/n + friction, with the profile's efficiencies, Coulomb and viscous
    friction. A nut that creeps keeps the sense of its friction: after a move that overshot it has
    come back, and a weight that was lowered is held with the torque of lifting. The supply's
    voltage is that of a source behind its resistance.
    """
    actuator = profile.actuator
    motor, screw, friction = actuator.motor, actuator.transmission, actuator.friction
    per_metre = actuator.radians_per_metre
    t, force, v, nut_v = _moved(profile, mass, speed, sense, factor)
    way = _sense_of(nut_v, CREEP * friction.stribeck_speed, sense)
    driven = np.where(
        way * force > 0, force / screw.efficiency_forward, force * screw.efficiency_backward
    )
    torque = (driven + actuator.reflected_mass * np.gradient(nut_v, STEP_S)) / per_metre
    torque += way * friction.coulomb + friction.viscous * per_metre * nut_v
    heat = motor.winding_resistance / motor.torque_constant**2
    electrical = torque * per_metre * nut_v + heat * torque**2 + idle_W
    work, taken = float(np.trapezoid(force * v, t)), float(np.trapezoid(electrical, t))
    sag = math.nan
    if profile.simulation is not None:
        stated = profile.simulation
        held = heat * (force[0] / per_metre) ** 2 + idle_W
        before, lowest = (
            sagged_V(stated.supply, stated.supply_resistance, power)
            for power in (float(held), float(np.max(electrical)))
        )
        sag = before - lowest
    ratio = work / taken if sense > 0 else taken / work
    return ratio, float(np.max(np.abs(force * v))), sag


def _moved(
    profile: Profile, mass: float, speed: float, sense: float, factor: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return (time in s, spring force in N, speeds of output and nut in m/s)."""
    own_kg, own_N, kg_per_N = moved_mass(profile)
    at_rod = kg_per_N * profile.rig.gravity
    moved_kg = own_kg + mass * at_rod**2
    weight_N = own_N + mass * profile.rig.gravity * at_rod
    rub_N = rubbing_N(profile)
    calibration = ForceCalibration(profile.calibration, profile.sensors.deflection)
    half = 0.5 * sense * way_m(profile)
    x, v, force = middle_m(profile) - half, 0.0, weight_N
    hold = start_behaviour(
        HoldPosition(position_m=middle_m(profile) + half, speed_m_s=speed),
        profile,
        x,
        weight_N,
        designed_gains(profile),
    )
    lag = -math.expm1(-2 * math.pi * factor * profile.control.force_bandwidth * STEP_S)
    nut = x + calibration.deflection_for(weight_N)
    most = profile.limits.force.limited
    rows = []
    for _ in range(round(lasts_s(profile, speed) / STEP_S)):
        asked = max(-most, min(most, hold.force(x, v, STEP_S)))
        nut += (x + calibration.deflection_for(asked) - nut) * lag
        force = calibration.force(nut - x)
        free = v + STEP_S * (force - weight_N) / moved_kg
        slowed = STEP_S * rub_N / moved_kg
        v = math.copysign(max(abs(free) - slowed, 0.0), free)
        x += v * STEP_S
        rows.append((force, v, nut))
    table = np.array(rows)
    t = STEP_S * np.arange(len(table))
    nut_v: Floats = np.gradient(table[:, 2], STEP_S).astype(np.float64)
    return t.astype(np.float64), table[:, 0], table[:, 1], nut_v


def _sense_of(nut_v: Floats, least: float, first: float) -> Floats:
    """Return the sense of dry friction: that of the last speed above ``least``."""
    moving = np.where(np.abs(nut_v) > least, np.sign(nut_v), 0.0)
    last = np.maximum.accumulate(np.where(moving != 0.0, np.arange(len(moving)), -1))
    return np.where(last >= 0, moving[np.maximum(last, 0)], first)
