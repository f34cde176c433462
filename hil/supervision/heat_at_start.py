"""Motor heat when a rig host starts, from the record of the last use.

If the last use ended in order, both bodies have cooled without current since then. If it did not,
the motor may have worked on unseen for a while: the worst that the limits permit in that time is
assumed, and cooling counts from its end. If the time is unknown, heat starts at the tripped limit.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from hil.profile import Profile, most_current
from hil.supervision.motor_heat import MotorHeat

# Clocks are corrected by this much without a jump; common practice, no source.
SLEW_S = 5.0


@dataclass(frozen=True)
class Moment:
    """A moment by two clocks.

    Attributes:
        wall_s: seconds since 1970. It may be set.
        boot: identifier of the computer's boot; empty if unknown.
        boot_s: seconds since then, suspension included. It cannot be set.
    """

    wall_s: float
    boot: str = ""
    boot_s: float = 0.0

    def since(self, earlier: Moment) -> float | None:
        """Return the seconds from ``earlier`` to this; None if the clock was set back in between."""
        if self.boot and self.boot == earlier.boot:
            passed = self.boot_s - earlier.boot_s
        else:
            passed = self.wall_s - earlier.wall_s
            passed = 0.0 if -SLEW_S <= passed < 0.0 else passed
        return passed if passed >= 0.0 else None


@dataclass(frozen=True)
class KeptHeat:
    """Heat at some moment of the last use.

    Attributes:
        winding, housing: shares of the steady-state rise at ``continuous_current_A``.
        at: the moment.
        continuous_current_A: continuous current of the profile in use then.
        unseen_s: time for which the motor may have been used after ``at``; 0 after an orderly end.
    """

    winding: float
    housing: float
    at: Moment
    continuous_current_A: float
    unseen_s: float = 0.0


@dataclass(frozen=True)
class HeatAtStart:
    """Heat that a rig host starts with.

    Attributes:
        winding, housing: shares of what is permitted continuously.
        how: ``cold`` (no earlier use is known), ``simulated``, ``kept``, ``unseen`` (use did not
            end in order) or ``unknown`` (kept, but of no known time).
        text: the reason, as a sentence.
    """

    winding: float
    housing: float
    how: str
    text: str

    def as_data(self) -> dict[str, Any]:
        """Return plain values, for the link."""
        return asdict(self)


SIMULATED_START = HeatAtStart(0.0, 0.0, "simulated", "a simulated motor starts cold")
COLD_START = HeatAtStart(
    0.0, 0.0, "cold", "no earlier use of this actuator is known here: the motor is assumed cold"
)


def heat_at_start(profile: Profile, kept: KeptHeat, now: Moment) -> HeatAtStart:
    """Return the initial heat, from the record of the last use."""
    passed_s = now.since(kept.at)
    if passed_s is None:
        return unknown_heat(profile, "the clock was set back since the last use")
    ratio = (kept.continuous_current_A / profile.actuator.motor.continuous_current) ** 2
    unseen_s = min(kept.unseen_s, passed_s)
    heat = MotorHeat(profile)
    heat.begin(*worst_after(profile, ratio * kept.winding, ratio * kept.housing, unseen_s))
    heat.begin(heat.winding, heat.housing, passed_s - unseen_s)
    ago = f"{duration(passed_s)} ago"
    if kept.unseen_s > 0.0:
        text = (
            f"the last use did not end in order; it was last seen {ago}, and the worst that the "
            f"limits permit in the {duration(unseen_s)} after it is assumed"
        )
    else:
        text = f"kept from the last use, which ended {ago}"
    return _with_wait(profile, heat, "unseen" if kept.unseen_s > 0.0 else "kept", text)


def unknown_heat(profile: Profile, reason: str) -> HeatAtStart:
    """Return the worst heat that the limits permit; its cooling time is unknown."""
    heat = MotorHeat(profile)
    heat.begin(*[profile.limits.motor_heat.tripped] * 2)
    return _with_wait(profile, heat, "unknown", f"{reason}: the worst heat is assumed")


def worst_after(
    profile: Profile, winding: float, housing: float, seconds: float
) -> tuple[float, float]:
    """Return the largest shares of winding and housing after this time at any permitted current.

    The current is the largest that the bench permits, at standstill; at the tripped limit of
    heat it would have ended.
    """
    motor, share = profile.actuator.motor, profile.actuator.motor.housing_share
    loss = (most_current(profile) / motor.continuous_current) ** 2
    tripped = profile.limits.motor_heat.tripped
    own = max(winding - share * housing, 0.0)
    own_loss = (1.0 - share) * motor.standstill_factor * loss
    own += max(own_loss - own, 0.0) * -math.expm1(-seconds / motor.thermal_time_constant)
    hot = housing + max(loss - housing, 0.0) * -math.expm1(-seconds / motor.housing_time_constant)
    hot = min(hot, max(tripped, housing))
    return min(own + share * hot, max(tripped, winding)), hot


def wait_s(profile: Profile, winding: float, housing: float) -> float:
    """Return the time in s that a motor this hot must cool before power on."""
    limited = profile.limits.motor_heat.limited
    heat = MotorHeat(profile)

    def cool(seconds: float) -> bool:
        heat.begin(winding, housing, seconds)
        return heat.heat <= limited

    if cool(0.0):
        return 0.0
    low, high = 0.0, 1.0
    while not cool(high):
        low, high = high, 2.0 * high
    while high - low > 0.5:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if cool(middle) else (middle, high)
    return high


def winding_degC(profile: Profile, winding: float) -> float:
    """Return the estimated temperature of the winding's hottest phase in °C."""
    motor = profile.actuator.motor
    return motor.ambient_temperature + motor.winding_rise * winding


def _with_wait(profile: Profile, heat: MotorHeat, how: str, text: str) -> HeatAtStart:
    wait = wait_s(profile, heat.winding, heat.housing)
    if wait > 0.0:
        text += f"; power may come on in {duration(wait)}"
    return HeatAtStart(heat.winding, heat.housing, how, text)


def duration(seconds: float) -> str:
    """Return a duration for people, by its largest unit."""
    if seconds < 120.0:
        return f"{math.ceil(seconds)} s"
    if seconds < 7200.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.0f} h" if seconds < 172800.0 else f"{seconds / 86400.0:.0f} days"
