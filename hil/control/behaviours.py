"""Behaviours: the force setpoint of each cycle, by one object per active behaviour.

A virtual spring stiffer than the real one cannot be rendered passively by a force loop around
that spring (Vallery et al., "Compliant actuation of rehabilitation robots", IEEE Robotics &
Automation Magazine 15(3), 2008; Tagliamonte and Accoto, "Passivity constraints for the
impedance control of series elastic actuators", Proc. IMechE Part I 228(3), 2014), so stiffness
is limited to a fraction of the spring's own, on each of its slopes. That theory has no delay of
the force; here it comes ``lead_s`` later, so a spring is computed where the output will be then.
Without that it would add K·lead_s of negative damping.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Protocol

from hil.control.behaviour_checks import Checked as Checked
from hil.control.behaviour_checks import check_behaviour as check_behaviour
from hil.control.calibration import passive_bounds as passive_bounds
from hil.control.coupled import NO_OTHERS, Coupled, Followed
from hil.control.source import Gains
from hil.core import (
    AxisSeen,
    Behaviour,
    BehaviourCode,
    ConstantForce,
    Float,
    HoldPosition,
    Limit,
    VirtualSpring,
    Waveform,
)
from hil.profile import Profile

NAN = float("nan")
HOLD_STIFFNESS_SHARE = 0.5  # of the passive bound
HOLD_INTEGRAL_1_S = 2.0
HOLD_DAMPING_S = 0.05  # of the stiffness
SHORTEST_MOVE_S = 0.2


class ActiveBehaviour(Protocol):
    """One running behaviour; ``force`` advances it by ``dt``.

    ``rest_m`` and ``stiffness_N_m`` are NaN if it has none; ``limited`` is the mask of the
    limits that act on it in this cycle; ``finished`` is True once it holds its last value.
    ``damping_N_s_m`` is the virtual damping within the force.
    """

    code: BehaviourCode
    rest_m: float
    stiffness_N_m: float
    damping_N_s_m: float
    finished: bool
    limited: int

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        """Return the force setpoint in N on the output rod."""

    def potential_force(self, output_position_m: float, output_velocity_m_s: float) -> float:
        """Return the force in N of the behaviour's potential: no damping, no lead; after ``force``."""


def start_behaviour(
    behaviour: Behaviour,
    profile: Profile,
    output_position_m: float,
    force_N: float,
    gains: Gains,
    others: Mapping[str, AxisSeen] = NO_OTHERS,
) -> ActiveBehaviour:
    """Make a checked behaviour active from the present output position and force.

    ``gains`` are those of the force loop that will render it, ``others`` the axes that a coupled
    one may follow.
    """
    lead_s = gains.lead_s
    if isinstance(behaviour, ConstantForce | VirtualSpring) and behaviour.coupling is not None:
        followed = Followed(behaviour, others[behaviour.coupling.axis], profile)
        if isinstance(behaviour, ConstantForce):
            return _CoupledForce(behaviour, followed)
        return _CoupledSpring(behaviour, followed, profile, lead_s, output_position_m)
    if isinstance(behaviour, Float):
        return _Force(BehaviourCode.FLOAT, 0.0, behaviour.damping_N_s_m)
    if isinstance(behaviour, ConstantForce):
        return _Force(BehaviourCode.CONSTANT_FORCE, behaviour.force_N, behaviour.damping_N_s_m)
    if isinstance(behaviour, VirtualSpring):
        return _Spring(behaviour, profile, lead_s)
    if isinstance(behaviour, HoldPosition):
        return _Hold(behaviour, profile, output_position_m, force_N, gains)
    if isinstance(behaviour, Waveform):
        return _Wave(behaviour, profile, lead_s)
    raise AssertionError(behaviour)  # open loop: hil.control.commissioning


def carry_on(before: ActiveBehaviour | object, after: ActiveBehaviour) -> None:
    """Let a waveform or a move that replaces another continue where that one is."""
    if isinstance(before, _Wave) and isinstance(after, _Wave):
        after.go_to(before)
    if isinstance(before, _Hold) and isinstance(after, _Hold):
        after.go_to(before)
    if isinstance(before, _CoupledSpring) and isinstance(after, _CoupledSpring):
        after.go_to(before)


class PassiveSpring:
    """Spring K·e up to the knee force of the real spring, beyond it no stiffer than its outer slope.

    ``stiffness_N_m`` is the local stiffness at the last ``force``.
    """

    def __init__(self, profile: Profile, stiffness_N_m: float) -> None:
        inner, outer, self._knee_force = passive_bounds(profile)
        self._inner = min(stiffness_N_m, inner)
        self._outer = min(stiffness_N_m, outer)
        self._knee = self._knee_force / self._inner
        self.stiffness_N_m = self._inner

    def force(self, stretch_m: float) -> float:
        """Return the force in N for rest minus position."""
        knee = self._knee
        self.stiffness_N_m = self._inner if -knee <= stretch_m <= knee else self._outer
        return self.potential_force(stretch_m)

    def potential_force(self, stretch_m: float) -> float:
        """Return the same force and leave ``stiffness_N_m`` as it is."""
        knee = self._knee
        if -knee <= stretch_m <= knee:
            return self._inner * stretch_m
        if stretch_m > 0.0:
            return self._knee_force + self._outer * (stretch_m - knee)
        return self._outer * (stretch_m + knee) - self._knee_force


class _Force:
    def __init__(self, code: BehaviourCode, force_N: float, damping_N_s_m: float) -> None:
        self.code = code
        self.rest_m = self.stiffness_N_m = NAN
        self.finished = False
        self.limited = 0
        self._force = force_N
        self.damping_N_s_m = damping_N_s_m

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        return self._force - self.damping_N_s_m * output_velocity_m_s

    def potential_force(self, output_position_m: float, output_velocity_m_s: float) -> float:
        return self._force


class _Spring:
    code = BehaviourCode.VIRTUAL_SPRING

    def __init__(self, behaviour: VirtualSpring, profile: Profile, lead_s: float) -> None:
        self.rest_m = behaviour.rest_m
        self.finished = False
        self.limited = 0
        self._limited_below_N_m = 0.999 * behaviour.stiffness_N_m
        self._bias = behaviour.bias_N
        self.damping_N_s_m = behaviour.damping_N_s_m
        self._lead = lead_s
        self._law = PassiveSpring(profile, behaviour.stiffness_N_m)
        self.stiffness_N_m = self._law.stiffness_N_m

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        law = self._law
        ahead = output_position_m + self._lead * output_velocity_m_s
        force = law.force(self.rest_m - ahead)
        self.stiffness_N_m = law.stiffness_N_m
        self.limited = (
            1 << Limit.VIRTUAL_STIFFNESS if law.stiffness_N_m < self._limited_below_N_m else 0
        )
        return force + self._bias - self.damping_N_s_m * output_velocity_m_s

    def potential_force(self, output_position_m: float, output_velocity_m_s: float) -> float:
        return self._law.potential_force(self.rest_m - output_position_m) + self._bias


class _CoupledForce(Coupled, _Force):
    """A force that follows another axis's spring force."""

    def __init__(self, behaviour: ConstantForce, followed: Followed) -> None:
        super().__init__(BehaviourCode.CONSTANT_FORCE, behaviour.force_N, behaviour.damping_N_s_m)
        self.followed = followed
        followed.start(behaviour.force_N)

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        self._force = self.followed.advance(dt)
        self.limited = self.followed.limited
        return super().force(output_position_m, output_velocity_m_s, dt)


class _CoupledSpring(Coupled, _Spring):
    """A spring whose rest position follows another axis's output, from the present position on."""

    def __init__(
        self,
        behaviour: VirtualSpring,
        followed: Followed,
        profile: Profile,
        lead_s: float,
        output_position_m: float,
    ) -> None:
        super().__init__(behaviour, profile, lead_s)
        self.followed = followed
        followed.start(output_position_m)
        self.rest_m = followed.value

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        self.rest_m = self.followed.advance(dt)
        force = super().force(output_position_m, output_velocity_m_s, dt)
        self.limited |= self.followed.limited
        return force

    def go_to(self, before: _CoupledSpring) -> None:
        """Continue with the rest position of another."""
        self.followed.start(before.rest_m)
        self.rest_m = self.followed.value


class _Hold:
    """Minimum-jerk path to the target, then a spring with an integral on top.

    Path: Flash and Hogan, "The coordination of arm movements", J. Neuroscience 5(7), 1985;
    its peak speed is 1.875 times the mean.

    With stiffness K, integral Kᵢ/s and damping B the impedance at the output has the real part
    B − Kᵢ/ω²: not passive below √(Kᵢ/B)/2π, about 1.0 Hz with the shares above and 1.2 Hz where
    the force loop permits less damping. A slow hand can draw energy from it.
    """

    code = BehaviourCode.HOLD_POSITION

    def __init__(
        self,
        behaviour: HoldPosition,
        profile: Profile,
        output_position_m: float,
        force_N: float,
        loop: Gains,
    ) -> None:
        self.finished = False
        self.limited = 0
        self._from = output_position_m
        self._way = behaviour.position_m - output_position_m
        self._duration = max(SHORTEST_MOVE_S, 1.875 * abs(self._way) / behaviour.speed_m_s)
        self._time = 0.0
        stiffest = HOLD_STIFFNESS_SHARE * min(passive_bounds(profile)[:2])
        self.stiffness_N_m = min(stiffest, loop.most_stiffness_N_m)
        self.rest_m = output_position_m
        self.damping_N_s_m = min(
            profile.limits.damping,
            HOLD_DAMPING_S * self.stiffness_N_m,
            loop.most_damping(self.stiffness_N_m),
        )
        self._lead = loop.lead_s
        self._integral_rate = HOLD_INTEGRAL_1_S * self.stiffness_N_m
        self._most = profile.limits.force.limited
        self._integral = max(-self._most, min(self._most, force_N))

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        self._time += dt
        speed = 0.0
        if self._time < self._duration:
            s = self._time / self._duration
            self.rest_m = self._from + self._way * s * s * s * (10 - 15 * s + 6 * s * s)
            speed = self._way * 30 * s * s * (1 - s) * (1 - s) / self._duration
        else:
            self.rest_m = self._from + self._way
            self.finished = True
        error = self.rest_m - output_position_m
        slip = speed - output_velocity_m_s
        steady = self.stiffness_N_m * (error + self._lead * slip) + self.damping_N_s_m * slip
        most = self._most
        integral = self._integral + self._integral_rate * error * dt
        # Not further into the limit: only towards less force, or where there is room.
        total = steady + integral
        if -most <= total <= most or (total > most) == (error < 0.0):
            self._integral = max(-most, min(most, integral))
        return steady + self._integral

    def go_to(self, before: _Hold) -> None:
        """Continue another move to the same position, with the load that it has taken up."""
        self._from, self._way = before._from, before._way
        self._duration, self._time = before._duration, before._time
        self.rest_m, self._integral = before.rest_m, before._integral

    def potential_force(self, output_position_m: float, output_velocity_m_s: float) -> float:
        error = self.rest_m - output_position_m
        return self.stiffness_N_m * error + self._integral


class _Wave:
    """A force or a spring's rest position over time; afterwards its offset, or last point."""

    code = BehaviourCode.WAVEFORM

    def __init__(self, behaviour: Waveform, profile: Profile, lead_s: float) -> None:
        b = behaviour
        self.finished = False
        self.limited = 0
        self._time = 0.0
        self._next = 1
        self._shape, self._points = b.shape, b.points
        self._offset, self._amplitude = b.offset, b.amplitude
        self._pulsation = 2 * math.pi * b.frequency_Hz
        self._end = b.points[-1][0] if b.shape == "table" else b.duration_s
        # Exponential sweep: equal time in every octave.
        self._growth = math.log(b.end_frequency_Hz / b.frequency_Hz) / b.duration_s
        self.damping_N_s_m = b.damping_N_s_m
        self._lead = lead_s
        self._spring = PassiveSpring(profile, b.stiffness_N_m) if b.of == "rest" else None
        self._program_N = 0.0
        self.rest_m = NAN
        self.stiffness_N_m = b.stiffness_N_m if self._spring else NAN

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        value = self._value(self._time)
        self._time += dt
        self.finished = self._time > self._end
        spring = self._spring
        force = value
        if spring is not None:
            self.rest_m = value
            ahead = output_position_m + self._lead * output_velocity_m_s
            force = spring.force(value - ahead)
            self.stiffness_N_m = spring.stiffness_N_m
        self._program_N = value
        return force - self.damping_N_s_m * output_velocity_m_s

    def potential_force(self, output_position_m: float, output_velocity_m_s: float) -> float:
        if self._spring is None:
            return self._program_N
        return self._spring.potential_force(self._program_N - output_position_m)

    def go_to(self, other: _Wave) -> None:
        """Continue at the time of another."""
        self._time, self._next = other._time, other._next

    def _value(self, time: float) -> float:
        if self._shape == "table":
            return self._interpolate(time)
        if time > self._end:
            return self._offset
        if self._shape == "step":
            return self._offset + self._amplitude
        growth = self._growth
        if self._shape == "sine" or -1e-9 < growth < 1e-9:
            phase = self._pulsation * time
        else:
            phase = self._pulsation * math.expm1(growth * time) / growth
        return self._offset + self._amplitude * math.sin(phase)

    def _interpolate(self, time: float) -> float:
        points = self._points
        if time <= points[0][0]:
            return points[0][1]
        while self._next < len(points) and points[self._next][0] < time:
            self._next += 1
        if self._next >= len(points):
            return points[-1][1]
        (t0, y0), (t1, y1) = points[self._next - 1], points[self._next]
        return y0 + (y1 - y0) * (time - t0) / (t1 - t0)
