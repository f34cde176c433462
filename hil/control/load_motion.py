"""Motion of the present load under behaviours that do not hold it: what, where to, and how fast."""

from __future__ import annotations

import math
from typing import Final

from hil.control.calibration import passive_bounds
from hil.control.rig_model import moved_mass
from hil.core import Behaviour, ConstantForce, HoldPosition, VirtualSpring, Waveform
from hil.profile import Lever, Profile

# Below both, friction and a hand hold the imbalance; common practice, no source.
OUT_OF_BALANCE_SHARE: Final = 0.15  # of the balanced load
LEAST_OUT_OF_BALANCE_SHARE: Final = 0.05  # of the force limit
LEAST_ROOM_M: Final = 0.005  # to an end: a shorter motion is over before it is fast
SWING_M: Final = 0.01  # a sine that moves the free load by less is not a fall
LEAST_KG: Final = 0.2  # hung; below this it is called the empty rig


def expected_motion(
    behaviour: Behaviour, profile: Profile, balance_N: float, position_m: float
) -> str:
    """Return the motion of the present load under a behaviour, as text; "" if the load is held.

    Args:
        behaviour: checked behaviour, within the limits.
        profile: profile of the rig.
        balance_N: force on the rod that balances the load now.
        position_m: position of the output. At or below the lower soft end the load may rest on the
            mechanical end, where the springs do not show it: upward motion is not reported.
    """
    travel = profile.limits.travel
    low_N, high_N, damping = _force_range(behaviour, profile, balance_N)
    most = max(
        OUT_OF_BALANCE_SHARE * abs(balance_N),
        LEAST_OUT_OF_BALANCE_SHARE * profile.limits.force.limited,
    )
    falls, rises = balance_N - low_N, high_N - balance_N
    if falls > most and position_m - travel.lower > LEAST_ROOM_M:
        return _words(profile, balance_N, falls, damping, up=False)
    resting = position_m <= travel.lower
    if rises > most and travel.upper - position_m > LEAST_ROOM_M and not resting:
        return _words(profile, balance_N, rises, damping, up=True)
    return ""


def _force_range(
    behaviour: Behaviour, profile: Profile, balance_N: float
) -> tuple[float, float, float]:
    """Return the lowest and highest force in N that act on the load for long, and N·s/m of damping.

    A spring whose equilibrium lies inside the travel holds the load: its force is the balance.
    """
    if isinstance(behaviour, HoldPosition):
        return balance_N, balance_N, 0.0
    damping: float = getattr(behaviour, "damping_N_s_m", 0.0)
    if isinstance(behaviour, VirtualSpring):
        rests = (behaviour.rest_m, behaviour.rest_m)
        low, high = _spring(profile, behaviour.stiffness_N_m, rests, behaviour.bias_N, balance_N)
    elif isinstance(behaviour, Waveform):
        values = _wave_range(behaviour, profile, balance_N)
        if behaviour.of == "rest":
            low, high = _spring(profile, behaviour.stiffness_N_m, values, 0.0, balance_N)
        else:
            low, high = values
    else:
        low = high = behaviour.force_N if isinstance(behaviour, ConstantForce) else 0.0
    return low, high, damping


def _spring(
    profile: Profile, stiffness: float, rests: tuple[float, float], bias: float, balance: float
) -> tuple[float, float]:
    """Return the force that a spring still has towards an end at that end, else the balance."""
    travel = profile.limits.travel
    stiffness = min(stiffness, passive_bounds(profile)[0])
    at_lower = stiffness * (rests[0] - travel.lower) + bias
    at_upper = stiffness * (rests[1] - travel.upper) + bias
    return min(at_lower, balance), max(at_upper, balance)


def _wave_range(wave: Waveform, profile: Profile, balance: float) -> tuple[float, float]:
    if wave.shape == "table":
        values = [value for _, value in wave.points]
        return min(values), max(values)
    if wave.shape == "step":
        ends = wave.offset, wave.offset + wave.amplitude
        return min(ends), max(ends)
    swing = abs(wave.amplitude)
    if wave.of == "force":
        mass, own_load, per_load = moved_mass(profile)
        mass += per_load * max(balance - own_load, 0.0)
        slowest = (
            2
            * math.pi
            * min(wave.frequency_Hz, wave.end_frequency_Hz if wave.shape == "sweep" else math.inf)
        )
        if swing / (mass * slowest**2) < SWING_M:
            swing = 0.0
    return wave.offset - swing, wave.offset + swing


def _words(profile: Profile, balance: float, net: float, damping: float, *, up: bool) -> str:
    rig = profile.rig
    hung = max(balance - moved_mass(profile)[1], 0.0)
    speed = profile.limits.speed.limited
    if damping > 0:
        speed = min(speed, net / damping)
    if isinstance(rig, Lever):
        speed *= rig.load_arm / rig.rod_arm
        mass = hung * rig.rod_arm / (rig.load_arm * rig.gravity)
        empty = "the empty lever"
    else:
        mass = hung / rig.gravity if rig.vertical else 0.0
        empty = "the empty carriage" if rig.vertical else "the carriage"
    what = f"about {mass:.1f} kg" if mass >= LEAST_KG else empty
    if up:
        verb, end = "be driven", "upper"
    else:
        verb, end = "fall" if mass >= LEAST_KG or balance > 0 else "be driven", "lower"
    return f"{what} will {verb} to the {end} end, at up to {speed:.3g} m/s at the load"
