"""Springs measured by the motor: rates, knee and losses of one push and release."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GRID = 120
EDGE = 0.04  # of the travel, at either end of it: the nut starts, turns and stops there
KNEE_FROM, KNEE_TO = 0.1, 0.85  # of the travel: range in which a knee leaves enough on either side
STANDS_M = 1e-5
STUCK_ROWS = 20  # in which a nut that sticks stands
JUMP_M, JUMP_ROWS = 2.5e-5, 100  # least jump, and how long one may take; less is creep
LEAST_YIELDS = 2  # of a nut that sticks, in either direction: friction and slope of one line
APART = 0.2  # of the travel, between the first and the last of them
BEND_YIELDS = 3  # on either side of a knee, of both directions together
RESTS = 0.15  # of the travel, from which the output rests at its end for certain


@dataclass(frozen=True)
class Push:
    """One push and release against an end, all positive towards the end; SI.

    ``top``: number of samples that belong to the push. ``torque`` as measured by the drive.
    """

    travel: Floats
    deflection: Floats
    force: Floats
    torque: Floats
    commanded: Floats
    supply: Floats
    top: int
    ended: str = ""  # why it ended by itself, if it did


@dataclass(frozen=True)
class Screw:
    """The screw. ``per_torque``: N per N·m without loss; efficiencies as stated in the profile."""

    per_torque: float
    forward: float
    backward: float

    @property
    def both(self) -> float:
        """Ratio of torque to lossless torque, mean of push and release at one force."""
        return 0.5 * (1.0 / self.forward + self.backward)

    @property
    def lost(self) -> float:
        """Half the difference of the two, in the same terms."""
        return 0.5 * (1.0 / self.forward - self.backward)


@dataclass(frozen=True)
class Curve:
    """Force by the motor against travel of the nut, friction cancelled.

    Attributes:
        travel, force: m and N. inner, outer: slopes in N/m before and after ``knee`` (m);
            without a knee ``outer`` and ``knee`` are NaN. loss: half the width of the force's
            loop over the force, beyond the loss of the screw.
        end_rate: slope of the last part of the push, N/m; infinite if the nut stood still.
    """

    travel: Floats = field(default_factory=lambda: np.zeros(0))
    force: Floats = field(default_factory=lambda: np.zeros(0))
    inner: float = math.nan
    outer: float = math.nan
    knee: float = math.nan
    loss: float = math.nan
    end_rate: float = math.nan


def spring_curve(push: Push, screw: Screw, scale: float, top_N: float) -> Curve:
    """Return the curve of one push; ``scale`` is true force over force by the motor.

    ``top_N``: the last part of the push, by which binding is judged; well above stiction.

    Going in T = F·lead/(2π·η) + T_f, coming back T = F·lead·η_b/2π − T_f. The mean of both
    at one position is free of friction; their difference contains it twice, plus the losses of
    screw and springs.
    """
    up, down = slice(0, push.top), slice(push.top, None)
    far = float(np.max(push.travel[up], initial=0.0))
    per = screw.per_torque * scale
    end_rate = _end_rate(push, per * screw.forward, top_N)
    if push.top < 20 or len(push.travel) - push.top < 20 or far < 10 * STANDS_M:
        return Curve(end_rate=end_rate)
    # On release the nut stands still at first, while friction reverses.
    back = push.travel[down] < far - max(2 * STANDS_M, EDGE * far)
    if np.count_nonzero(back) < 10:
        return Curve(end_rate=end_rate)
    low = max(EDGE * far, float(np.min(push.travel[down][back])))
    at = np.linspace(low, (1 - 2 * EDGE) * far, GRID)
    first, then = (
        rows[push.travel[part][rows] > RESTS * far]
        for part, rows in ((up, yields(push.travel[up])), (down, yields(-push.travel[down])))
    )
    going_at, coming_at = (
        (push.travel[part][rows], push.torque[part][rows] * per)
        for part, rows in ((up, first), (down, then))
    )
    if all(len(x) >= LEAST_YIELDS and np.ptp(x) > APART * far for x, _ in (going_at, coming_at)):
        return _sticking(going_at, coming_at, screw, end_rate)
    going = _over(push.travel[up], push.torque[up], at)
    coming = _over(push.travel[down][back], push.torque[down][back], at)
    force = 0.5 * (going + coming) * per / screw.both
    width = 0.5 * (going - coming) * per / screw.both
    loss = float(np.polyfit(force, width, 1)[0]) - screw.lost / screw.both
    inner, outer, knee = two_slopes(at, force)
    return Curve(at, force, inner, outer, knee, loss, end_rate)


def yields(travel: Floats) -> NDArray[np.intp]:
    """Return the rows at which a nut that has stood jumps on, by ``travel`` (m, rising)."""
    before = np.full(len(travel), math.inf)
    before[STUCK_ROWS:] = travel[STUCK_ROWS:] - travel[:-STUCK_ROWS]
    stands = np.abs(before) < 0.25 * STANDS_M
    last = np.flatnonzero(stands[:-1] & ~stands[1:])
    ahead = np.minimum(last + JUMP_ROWS, len(travel) - 1)
    return last[travel[ahead] - travel[last] > JUMP_M]


def _sticking(
    going: tuple[Floats, Floats], coming: tuple[Floats, Floats], screw: Screw, end_rate: float
) -> Curve:
    """Return the curve by travel (m) and torque (as N without loss) at which a stuck nut yields.

    Between two of them the nut jumps, and its torque is not that of a balance. Going and coming
    each have two slopes, with one knee.
    """
    both_x = np.concatenate([going[0], coming[0]])
    near, far = float(np.min(both_x)), float(np.max(both_x))

    def fitted(knee: float) -> tuple[float, Floats]:
        rest, found = 0.0, []
        for x, torque in (going, coming):
            bend = [np.maximum(x - knee, 0.0)] if math.isfinite(knee) else []
            part = np.column_stack([np.ones_like(x), x, *bend])
            found.append(np.linalg.lstsq(part, torque)[0])
            rest += float(np.sum((part @ found[-1] - torque) ** 2))
        return rest, np.array(found)

    plain = fitted(math.inf)
    places = near + (far - near) * np.linspace(KNEE_FROM, KNEE_TO, 60)
    bent = [(fitted(float(place)), float(place)) for place in places]
    (rest, found), knee = min(bent, key=lambda each: each[0][0])
    slopes = np.sum(found, axis=0) / (2 * screw.both)
    inner, outer = float(slopes[1]), float(slopes[1] + slopes[2])
    sides = int(np.sum(both_x < knee)), int(np.sum(both_x > knee))
    # Two lines have four numbers; two with a common knee have seven and leave less in any case.
    spare = (len(both_x) - 7) / (len(both_x) - 4) if min(sides) >= BEND_YIELDS else 0.0
    bends = rest < 0.5 * spare * plain[0] and abs(outer / inner - 1) > 0.2
    if not bends or knee == places[-1]:
        found = plain[1]
        inner, outer, knee = float(np.sum(found[:, 1]) / (2 * screw.both)), math.nan, math.nan
    at = np.linspace(near, far, GRID)
    bend = [np.maximum(at - knee, 0.0)] if math.isfinite(knee) else []
    up, down = found @ np.stack([np.ones_like(at), at, *bend])
    force, width = 0.5 * (up + down) / screw.both, 0.5 * (up - down) / screw.both
    loss = float(np.polyfit(force, width, 1)[0]) - screw.lost / screw.both
    return Curve(at, force, inner, outer, knee, loss, end_rate)


def two_slopes(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Return (slope before, slope after, knee) of the two best lines; NaN if one line fits."""
    single = np.polyfit(x, y, 1)
    plain = float(np.sum((np.polyval(single, x) - y) ** 2))
    best = (plain, float(single[0]), math.nan, math.nan)
    span = float(x[-1] - x[0])
    places = np.linspace(x[0] + KNEE_FROM * span, x[0] + KNEE_TO * span, 60)
    for knee in places:
        basis = np.column_stack([np.ones_like(x), x, np.maximum(x - knee, 0.0)])
        found, *_ = np.linalg.lstsq(basis, y, rcond=None)
        rest = float(np.sum((basis @ found - y) ** 2))
        if rest < best[0]:
            best = (rest, float(found[1]), float(found[1] + found[2]), float(knee))
    rest, inner, outer, knee = best
    # A bend that hardly improves the fit, or hardly bends, does not count; nor does one at the last
    # place: the knee is further on, and the slope beyond it is a mean over both.
    if not rest < 0.5 * plain or not abs(outer / inner - 1) > 0.2 or knee == places[-1]:
        return float(single[0]), math.nan, math.nan
    return inner, outer, knee


def _over(x: Floats, y: Floats, at: Floats) -> Floats:
    """Return the mean of ``y`` near each position; samples may be in any order."""
    order = np.argsort(x)
    x, y = x[order], y[order]
    half = 0.5 * (at[1] - at[0])
    sums = np.concatenate([[0.0], np.cumsum(y)])
    first, last = np.searchsorted(x, at - half), np.searchsorted(x, at + half)
    many = np.maximum(last - first, 1)
    means = (sums[last] - sums[first]) / many
    return np.asarray(np.where(last > first, means, np.interp(at, x, y)))


def _end_rate(push: Push, per_torque: float, top_N: float) -> float:
    torque, travel = push.torque[: push.top], push.travel[: push.top]
    if len(torque) < 20:
        return math.nan
    most = float(np.max(torque))
    last = torque > most - top_N / per_torque
    if np.count_nonzero(last) < 5:
        return math.nan
    moved = float(np.ptp(travel[last]))
    return top_N / moved if moved > STANDS_M else math.inf
