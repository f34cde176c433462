"""Travel lost between nut and deflection sensor, attributed to springs or sensor."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass

import numpy as np

from hil.bringup.manual_actions import Spot, at_spot, hold_output, stated_rate_N_m
from hil.bringup.step import Context
from hil.procedures import Action, Read, Seen
from hil.profile import arm_ratio

STANDS_M = 3e-5  # three steps of a caliper
FOLLOWS = 0.15
WIDER = 1.8  # times the gentle deflection: the hand stays within 15 % of the rated force
LOST_M = 1.2e-4  # a dozen steps of a caliper
SOFTEST, STIFFEST = 0.6, 1.6  # of the stated rate
BENT_M = 4e-5  # off a straight line, over its slope: four caliper steps
BALANCE = Read(
    "Force on the spring balance, + if it pulls in the direction in which the rod extends",
    "balance_N",
    "N",
)


@dataclass(frozen=True)
class Sweep:
    """Ratio of shown deflection to that by caliper, and the travel lost at a reversal, in m."""

    scale: float
    lost_m: float


def judge_sweep(spots: Sequence[Spot]) -> Sweep:
    """Distinguish a wrong scale from lost travel by five spots: 0, outward, 0, inward, 0.

    A wrong scale leaves a straight line; stiction or slack loses its width in the two legs after
    the first reversal (with the scale assumed correct, this is the smallest possible width).
    """
    true = np.array([spot.true_nut_m for spot in spots])
    shown = np.array([spot.deflection_m for spot in spots])
    line = np.polyfit(true - true[0], shown, 1)
    scale = float(line[0])
    off = float(np.max(np.abs(np.polyval(line, true - true[0]) - shown)))
    if abs(scale) >= FOLLOWS and off < BENT_M * abs(scale):
        return Sweep(scale, 0.0)
    lost = abs(float(true[3] - true[1])) - abs(float(shown[3] - shown[1]))
    return Sweep(scale, max(0.0, lost))


def wider_sweep(spots: list[Spot], lead: float, gentle_m: float) -> Generator[Action, Seen, Sweep]:
    """Sweep a sensor that showed nothing farther, out and back; its spots are added to ``spots``.

    A sensor that sticks by more than the width of the first sweep now follows, less its lost
    travel; one that is not connected to the springs does not.
    """
    for target in (WIDER * gentle_m, -WIDER * gentle_m, 0.0):
        away = spots[0].true_nut_m + target - spots[-1].true_nut_m
        spots.append((yield from at_spot(away / lead, caliper=True)))
    moved = spots[-2].true_nut_m - spots[-3].true_nut_m
    shown = spots[-2].deflection_m - spots[-3].deflection_m
    return Sweep(shown / moved, max(0.0, abs(moved) - abs(shown)))


def pressed_share(context: Context, lead: float, gentle_m: float) -> Generator[Action, Seen, float]:
    """Return the share of the sensor's lost travel that the springs show as force on a balance.

    About 1: the springs follow the nut and the sensor does not. About 0: the nut moves alone.
    NaN without a balance, or if nothing was lost.
    """
    profile = context.profile
    arms = arm_ratio(profile.rig)
    yield hold_output(
        "Travel is lost between nut and sensor. Hook a spring balance to the load point and hold "
        "the load point with it, so that it does not move; you will read the balance."
    )
    spots, forces = [], []
    for away_m in (gentle_m, -2.0 * gentle_m, -gentle_m):
        spots.append((yield from at_spot(away_m / lead, caliper=True)))
        forces.append(arms * (yield BALANCE).value)
    true = np.abs(np.diff([spot.true_nut_m for spot in spots]))
    shown = np.abs(np.diff([spot.deflection_m for spot in spots]))
    steps = np.abs(np.diff(forces))
    if true[0] - shown[0] < STANDS_M or not np.all(np.isfinite(steps)):
        return math.nan
    # Without a reversal no travel is lost: that gives the rate, within plausible bounds.
    stated = stated_rate_N_m(profile)
    rate = steps[1] / true[1] if true[1] > LOST_M else stated
    given = steps[0] / min(max(rate, SOFTEST * stated), STIFFEST * stated)
    return float((given - shown[0]) / (true[0] - shown[0]))
