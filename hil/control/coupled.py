"""Setpoints that follow another axis: its measured value, taken in each cycle, times a ratio.

Such a setpoint has the limits of one that a person writes: the force limit or the travel. A rest
position moves no faster than the output may. The result is shaped as any setpoint.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from drivers.suggest import nearest
from hil.core import AxisSeen, Behaviour, ConstantForce, Coupling, Limit, VirtualSpring
from hil.profile import Profile

NO_OTHERS: Mapping[str, AxisSeen] = {}


def coupling_of(behaviour: Behaviour) -> Coupling | None:
    """Return the coupling of a behaviour, None if it follows no other axis."""
    if isinstance(behaviour, VirtualSpring | ConstantForce):
        return behaviour.coupling
    return None


def coupled_now(
    behaviour: Behaviour, axis: str, others: Mapping[str, AxisSeen], profile: Profile, time_s: float
) -> Behaviour:
    """Return a coupled behaviour with the value that it has now; any other one as it is.

    Args:
        axis: name of this axis.

    Raises:
        ValueError: the other axis does not exist or follows this one, or its value is too old.
    """
    coupling = coupling_of(behaviour)
    if coupling is None:
        return behaviour
    if not others:
        raise ValueError(
            f"no axis '{coupling.axis}' to follow: this bench has one axis. Fix: start an axes "
            "file that has both"
        )
    if coupling.axis == axis:
        raise ValueError(f"axis '{axis}' would follow itself. Fix: name another axis")
    if coupling.axis not in others:
        raise ValueError(f"no axis '{coupling.axis}' to follow{nearest(coupling.axis, others)}")
    if circle := _circle(axis, coupling.axis, others):
        raise ValueError(
            f"axes would follow each other: {circle}. Fix: let one of them hold its own setpoint"
        )
    followed = Followed(behaviour, others[coupling.axis], profile)
    if silence := followed.silence(time_s):
        raise ValueError(f"{silence}. Fix: find out why it is silent")
    value = followed.source
    name = "force_N" if isinstance(behaviour, ConstantForce) else "rest_m"
    return behaviour.model_copy(update={name: value})


def _circle(axis: str, followed: str, others: Mapping[str, AxisSeen]) -> str:
    """Return the circle of axes that this axis would close by following ``followed``, '' if none.

    Setpoints that follow each other are a feedback loop without a design: with a ratio above 1 they
    run away to their limits.
    """
    way = [axis, followed]
    while (following := others[way[-1]].follows()) in others and following not in way:
        way.append(following)
    return " → ".join([*way, axis]) if axis and following == axis else ""


class Followed:
    """Value of another axis that a setpoint follows, limited as the setpoint is.

    Attributes:
        axis: name of the followed axis.
        value: setpoint in m or N after the last ``advance``.
        limited: mask of the limit that acts on it.
    """

    def __init__(self, behaviour: Behaviour, seen: AxisSeen, profile: Profile) -> None:
        coupling = coupling_of(behaviour)
        assert coupling is not None
        limits = profile.limits
        self.axis, self._ratio, self._offset = coupling.axis, coupling.ratio, coupling.offset
        self._seen = seen
        self._by_force = isinstance(behaviour, ConstantForce)
        if self._by_force:
            most = limits.force.limited
            self._low, self._high, self._limit = -most, most, 1 << Limit.FORCE
            self._rate = math.inf  # the shaper limits it
        else:
            self._low, self._high = limits.travel.lower, limits.travel.upper
            self._limit = 1 << Limit.TRAVEL
            self._rate = limits.speed.limited
        # As old as a sample of this axis may be.
        self._oldest_s = limits.telemetry_age
        self.value = math.nan
        self.limited = 0

    @property
    def source(self) -> float:
        """Setpoint that the other axis's present value gives, without limits."""
        seen = self._seen
        return self._ratio * (seen.force_N if self._by_force else seen.output_m) + self._offset

    def start(self, value: float) -> None:
        """Start at this setpoint."""
        self.value = max(self._low, min(self._high, value))

    def advance(self, dt: float) -> float:
        """Return the setpoint of this cycle; without a value of the other axis it stays."""
        source = self.source
        if not -math.inf < source < math.inf:
            return self.value
        wanted = max(self._low, min(self._high, source))
        self.limited = 0 if wanted == source else self._limit
        step = self._rate * dt
        change = wanted - self.value
        self.value = wanted if -step <= change <= step else self.value + math.copysign(step, change)
        return self.value

    def silence(self, time_s: float) -> str:
        """Return why the value cannot be used at this time; '' if it can."""
        if not math.isfinite(self.source):
            return f"the axis '{self.axis}' has measured nothing yet"
        age_s = time_s - self._seen.time_s
        if age_s <= self._oldest_s:
            return ""
        return (
            f"no value of the axis '{self.axis}' for {1e3 * age_s:.0f} ms, longer than "
            f"{1e3 * self._oldest_s:g} ms"
        )


class Coupled:
    """Base of the active behaviours that follow another axis."""

    followed: Followed
