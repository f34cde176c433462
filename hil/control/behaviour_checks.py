"""Check of a behaviour against the profile's limits: limited to them, or refused with the reason."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from drivers.motion import STIFFNESS
from hil.control.calibration import passive_bounds
from hil.control.source import Gains
from hil.core import Behaviour, ConstantForce, HoldPosition, Limit, VirtualSpring, Waveform
from hil.profile import Profile

SAMPLES_PER_PERIOD = 10  # of the fastest wave that the cycle can shape


@dataclass(frozen=True)
class Checked:
    """A behaviour after its check: possibly limited (``limited_mask``) or refused."""

    behaviour: Behaviour
    limited_mask: int
    refusal: str | None = None


def check_behaviour(behaviour: Behaviour, profile: Profile, gains: Gains) -> Checked:
    """Limit a behaviour to the profile's limits, or state why it is refused.

    Stiffness and damping are also limited to what the force loop with these ``gains``
    renders without shaking.
    """
    numbers = [value for _, value in behaviour if isinstance(value, float)]
    if isinstance(behaviour, Waveform):
        numbers += [number for point in behaviour.points for number in point]
    if not all(math.isfinite(number) for number in numbers):
        return Checked(behaviour, 0, "refused: a value is not a finite number")
    trim = _Trim(behaviour)
    limits = profile.limits
    force, travel = limits.force.limited, limits.travel
    if isinstance(behaviour, ConstantForce):
        trim.bound("force_N", -force, force, Limit.FORCE)
    elif isinstance(behaviour, VirtualSpring):
        trim.bound("bias_N", -force, force, Limit.FORCE)
        trim.bound("rest_m", travel.lower, travel.upper, Limit.TRAVEL)
    elif isinstance(behaviour, HoldPosition):
        trim.bound("position_m", travel.lower, travel.upper, Limit.TRAVEL)
        trim.bound("speed_m_s", 0.0, limits.speed.limited, Limit.SPEED)
    elif isinstance(behaviour, Waveform):
        refusal = _wrong_waveform(behaviour, profile)
        if refusal:
            return Checked(behaviour, 0, refusal)
        if behaviour.of == "force":
            trim.wave(behaviour, -force, force, Limit.FORCE)
        else:
            trim.wave(behaviour, travel.lower, travel.upper, Limit.TRAVEL)
    stiffness = 0.0
    if isinstance(behaviour, VirtualSpring) or (
        isinstance(behaviour, Waveform) and behaviour.of == "rest"
    ):
        passive = passive_bounds(profile)[0]
        most = min(passive, gains.most_stiffness_N_m)
        asked = behaviour.stiffness_N_m
        if asked > most and profile.control.over_stiff == "refuse":
            reason = (
                "a fraction of the spring's own rate, the rig would feed energy into anyone "
                "who touches it"
                if most == passive
                else "the force loop is too slow to hold the empty rig steady"
            )
            return Checked(
                behaviour,
                1 << Limit.VIRTUAL_STIFFNESS,
                f"virtual stiffness {STIFFNESS(asked):.1f}{STIFFNESS} is refused: above "
                f"{STIFFNESS(most):.1f}{STIFFNESS}, {reason}; request less",
            )
        stiffness = trim.bound("stiffness_N_m", 0.0, most, Limit.VIRTUAL_STIFFNESS)
    if not isinstance(behaviour, HoldPosition):
        most = min(limits.damping, gains.most_damping(stiffness))
        trim.bound("damping_N_s_m", 0.0, most, Limit.DAMPING)
    changed = behaviour.model_copy(update=trim.changes) if trim.changes else behaviour
    return Checked(changed, trim.mask)


class _Trim:
    """Collector of the changes that limits impose on a behaviour."""

    def __init__(self, behaviour: Behaviour) -> None:
        self._behaviour = behaviour
        self.changes: dict[str, object] = {}
        self.mask = 0

    def bound(self, name: str, low: float, high: float, limit: Limit) -> float:
        value: float = getattr(self._behaviour, name)
        kept = max(low, min(high, value))
        if kept != value:
            self._change(name, kept, limit)
        return kept

    def wave(self, wave: Waveform, low: float, high: float, limit: Limit) -> None:
        """Keep all values of the wave between ``low`` and ``high``."""
        if wave.shape == "table":
            points = tuple((time, max(low, min(high, value))) for time, value in wave.points)
            if points != wave.points:
                self._change("points", points, limit)
            return
        offset = self.bound("offset", low, high, limit)
        up, down = high - offset, offset - low
        if wave.shape == "step":
            self.bound("amplitude", -down, up, limit)
        else:
            room = min(up, down)
            self.bound("amplitude", -room, room, limit)

    def _change(self, name: str, value: object, limit: Limit) -> None:
        self.changes[name] = value
        self.mask |= 1 << limit


def _wrong_waveform(behaviour: Waveform, profile: Profile) -> str | None:
    fastest = profile.control.rate / SAMPLES_PER_PERIOD
    frequencies = {
        "sine": [behaviour.frequency_Hz],
        "sweep": [behaviour.frequency_Hz, behaviour.end_frequency_Hz],
    }.get(behaviour.shape, [])
    for frequency in frequencies:
        if frequency > fastest:
            return (
                f"{frequency:g} Hz is refused: the cycle of {profile.control.rate:g} Hz "
                f"can shape waves up to {fastest:g} Hz"
            )
    if behaviour.shape == "table":
        times = [time for time, _ in behaviour.points]
        if len(times) < 2:
            return "a waveform table needs at least two points (time_s, value)"
        if any(not b > a for a, b in pairwise(times)):
            return "the times of a waveform table must rise from point to point"
    return None
