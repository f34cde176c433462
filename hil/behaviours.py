"""What force should act now: one object per active behaviour, asked once a cycle.

A virtual spring stiffer than the real one cannot be rendered passively by a force loop around
that spring (Vallery et al., "Compliant actuation of rehabilitation robots", IEEE Robotics &
Automation Magazine 15(3), 2008; Tagliamonte and Accoto, "Passivity constraints for the
impedance control of series elastic actuators", Proc. IMechE Part I 228(3), 2014), so stiffness
is held to a fraction of the spring's own, on each of its slopes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from hil.calibration import ForceCalibration
from hil.limits import Limit
from hil.profile.schema import Profile
from hil.requests import (
    Behaviour,
    ConstantForce,
    Float,
    HoldPosition,
    VirtualSpring,
    Waveform,
)
from hil.samples import BehaviourCode

NAN = float("nan")
HOLD_STIFFNESS_SHARE = 0.5  # of the passive bound
HOLD_INTEGRAL_1_S = 2.0


@dataclass(frozen=True)
class Checked:
    """A behaviour after its check: perhaps trimmed (``bounded_mask``) or refused."""

    behaviour: Behaviour
    bounded_mask: int
    refusal: str | None = None


class ActiveBehaviour(Protocol):
    """One running behaviour; ``force`` advances it by ``dt``."""

    code: BehaviourCode
    rest_m: float
    stiffness_N_m: float
    finished: bool
    bounded: int

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        """Asked force in N on the output rod."""


def passive_bounds(profile: Profile) -> tuple[float, float, float]:
    """(inner, outer, knee force): most virtual stiffness in N/m below and beyond the knee."""
    law = ForceCalibration(profile.calibration, profile.sensors.deflection)
    most = profile.limits.deflection.bounded
    fraction = profile.control.passive_fraction
    calibration = profile.calibration.spring_law
    if calibration.kind == "two_slopes":
        knee = calibration.inner_rate * calibration.knee
        return calibration.inner_rate * fraction, calibration.outer_rate * fraction, knee
    softest = min(law.stiffness(most * i / 20) for i in range(-20, 21))
    return softest * fraction, softest * fraction, math.inf


def check_behaviour(behaviour: Behaviour, profile: Profile) -> Checked:
    """Trim a behaviour to the profile's limits, or say in words why it is refused."""
    limits = profile.limits
    mask = 0
    changes: dict[str, float] = {}

    def bound(name: str, low: float, high: float, limit: Limit) -> None:
        nonlocal mask
        value = getattr(behaviour, name)
        kept = max(low, min(high, value))
        if kept != value:
            changes[name] = kept
            mask |= 1 << limit

    force = limits.force.bounded
    if isinstance(behaviour, ConstantForce):
        bound("force_N", -force, force, Limit.FORCE)
    if isinstance(behaviour, VirtualSpring):
        bound("bias_N", -force, force, Limit.FORCE)
        bound("rest_m", limits.travel.lower, limits.travel.upper, Limit.TRAVEL)
    if isinstance(behaviour, HoldPosition):
        bound("position_m", limits.travel.lower, limits.travel.upper, Limit.TRAVEL)
        bound("speed_m_s", 0.0, limits.speed.bounded, Limit.SPEED)
    if not isinstance(behaviour, HoldPosition):
        bound("damping_N_s_m", 0.0, limits.damping, Limit.DAMPING)
    springy = isinstance(behaviour, VirtualSpring) or (
        isinstance(behaviour, Waveform) and behaviour.of == "rest"
    )
    if springy:
        most = passive_bounds(profile)[0]
        asked = behaviour.stiffness_N_m  # type: ignore[union-attr]
        if asked > most:
            if profile.control.over_stiff == "refuse":
                return Checked(
                    behaviour,
                    1 << Limit.VIRTUAL_STIFFNESS,
                    f"virtual stiffness {asked / 1e3:.1f} N/mm is refused: above "
                    f"{most / 1e3:.1f} N/mm, a fraction of the spring's own rate, the rig would "
                    "feed energy into whoever touches it; ask for less",
                )
            bound("stiffness_N_m", 0.0, most, Limit.VIRTUAL_STIFFNESS)
    if isinstance(behaviour, Waveform):
        refusal = _wrong_waveform(behaviour, profile)
        if refusal:
            return Checked(behaviour, 0, refusal)
    return Checked(behaviour.model_copy(update=changes) if changes else behaviour, mask)


def _wrong_waveform(behaviour: Waveform, profile: Profile) -> str | None:
    fastest = profile.control.rate / 10
    if behaviour.shape in ("sine", "sweep"):
        for frequency in (behaviour.frequency_Hz, behaviour.end_frequency_Hz):
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


def start_behaviour(
    behaviour: Behaviour, profile: Profile, output_position_m: float, force_N: float
) -> ActiveBehaviour:
    """Make a checked behaviour active from the present output position and force."""
    if isinstance(behaviour, Float):
        return _Force(BehaviourCode.FLOAT, 0.0, behaviour.damping_N_s_m)
    if isinstance(behaviour, ConstantForce):
        return _Force(BehaviourCode.CONSTANT_FORCE, behaviour.force_N, behaviour.damping_N_s_m)
    if isinstance(behaviour, VirtualSpring):
        return _Spring(behaviour, profile)
    if isinstance(behaviour, HoldPosition):
        return _Hold(behaviour, profile, output_position_m, force_N)
    return _Wave(behaviour, profile)


class PassiveSpring:
    """K·e up to the knee force of the real spring, beyond it no stiffer than its outer slope."""

    def __init__(self, profile: Profile, stiffness_N_m: float) -> None:
        inner, outer, self._knee_force = passive_bounds(profile)
        self._inner = min(stiffness_N_m, inner)
        self._outer = min(stiffness_N_m, outer)
        self._knee = self._knee_force / self._inner

    def force(self, stretch_m: float) -> tuple[float, float]:
        """(force in N, local stiffness in N/m)."""
        magnitude = abs(stretch_m)
        if magnitude <= self._knee:
            return self._inner * stretch_m, self._inner
        force = self._knee_force + self._outer * (magnitude - self._knee)
        return (force if stretch_m > 0 else -force), self._outer


class _Force:
    def __init__(self, code: BehaviourCode, force_N: float, damping_N_s_m: float) -> None:
        self.code = code
        self.rest_m = self.stiffness_N_m = NAN
        self.finished = False
        self.bounded = 0
        self._force = force_N
        self._damping = damping_N_s_m

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        return self._force - self._damping * output_velocity_m_s


class _Spring:
    code = BehaviourCode.VIRTUAL_SPRING

    def __init__(self, behaviour: VirtualSpring, profile: Profile) -> None:
        self.rest_m = behaviour.rest_m
        self.finished = False
        self.bounded = 0
        self._asked = behaviour.stiffness_N_m
        self._bias = behaviour.bias_N
        self._damping = behaviour.damping_N_s_m
        self._law = PassiveSpring(profile, behaviour.stiffness_N_m)
        self.stiffness_N_m = behaviour.stiffness_N_m

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        force, self.stiffness_N_m = self._law.force(self.rest_m - output_position_m)
        self.bounded = (
            1 << Limit.VIRTUAL_STIFFNESS if self.stiffness_N_m < 0.999 * self._asked else 0
        )
        return force + self._bias - self._damping * output_velocity_m_s


class _Hold:
    """Minimum-jerk path to the target, then a spring with an integral on top.

    Path: Flash and Hogan, "The coordination of arm movements", J. Neuroscience 5(7), 1985;
    its peak speed is 1.875 times the mean.
    """

    code = BehaviourCode.HOLD_POSITION

    def __init__(
        self, behaviour: HoldPosition, profile: Profile, output_position_m: float, force_N: float
    ) -> None:
        self.finished = False
        self.bounded = 0
        self._from = output_position_m
        self._way = behaviour.position_m - output_position_m
        self._duration = max(0.2, 1.875 * abs(self._way) / behaviour.speed_m_s)
        self._time = 0.0
        bound = min(passive_bounds(profile)[:2])
        self.stiffness_N_m = HOLD_STIFFNESS_SHARE * bound
        self.rest_m = output_position_m
        # Enough damping for the heaviest load the force limit can carry, within the bound.
        self._damping = min(profile.limits.damping, 0.05 * self.stiffness_N_m)
        self._integral = force_N
        self._most = profile.limits.force.bounded

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        self._time += dt
        speed = 0.0
        if self._time < self._duration:
            s = self._time / self._duration
            self.rest_m = self._from + self._way * s**3 * (10 - 15 * s + 6 * s * s)
            speed = self._way * 30 * s * s * (1 - s) ** 2 / self._duration
        else:
            self.rest_m = self._from + self._way
            self.finished = True
        error = self.rest_m - output_position_m
        proportional = self.stiffness_N_m * error + self._damping * (speed - output_velocity_m_s)
        integral = self._integral + HOLD_INTEGRAL_1_S * self.stiffness_N_m * error * dt
        if abs(proportional + integral) <= self._most or abs(integral) < abs(self._integral):
            self._integral = max(-self._most, min(self._most, integral))
        return proportional + self._integral


class _Wave:
    code = BehaviourCode.WAVEFORM

    def __init__(self, behaviour: Waveform, profile: Profile) -> None:
        self._b = behaviour
        self.finished = False
        self.bounded = 0
        self._time = 0.0
        self._next = 1
        self._spring = (
            PassiveSpring(profile, behaviour.stiffness_N_m) if behaviour.of == "rest" else None
        )
        self.rest_m = NAN
        self.stiffness_N_m = behaviour.stiffness_N_m if self._spring else NAN
        self._end = behaviour.points[-1][0] if behaviour.shape == "table" else behaviour.duration_s

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        value = self._value(self._time)
        self._time += dt
        self.finished = self._time > self._end
        force = value
        if self._spring is not None:
            self.rest_m = value
            force, self.stiffness_N_m = self._spring.force(value - output_position_m)
        return force - self._b.damping_N_s_m * output_velocity_m_s

    def _value(self, time: float) -> float:
        b = self._b
        if b.shape == "table":
            return self._interpolate(time)
        if time > b.duration_s:
            return b.offset
        if b.shape == "step":
            return b.offset + b.amplitude
        if b.shape == "sine":
            return b.offset + b.amplitude * math.sin(2 * math.pi * b.frequency_Hz * time)
        # Exponential sweep: equal time in every octave.
        ratio = b.end_frequency_Hz / b.frequency_Hz
        if abs(ratio - 1) < 1e-9:
            phase = b.frequency_Hz * time
        else:
            rate = math.log(ratio) / b.duration_s
            phase = b.frequency_Hz * (math.exp(rate * time) - 1) / rate
        return b.offset + b.amplitude * math.sin(2 * math.pi * phase)

    def _interpolate(self, time: float) -> float:
        points = self._b.points
        if time <= points[0][0]:
            return points[0][1]
        while self._next < len(points) and points[self._next][0] < time:
            self._next += 1
        if self._next >= len(points):
            return points[-1][1]
        (t0, y0), (t1, y1) = points[self._next - 1], points[self._next]
        return y0 + (y1 - y0) * (time - t0) / (t1 - t0)
