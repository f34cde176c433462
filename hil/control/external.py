"""Behaviour whose force, rest, stiffness and damping a program renews while it runs."""

from __future__ import annotations

import math
from typing import Final

from hil.control.behaviour_checks import Checked, check_behaviour
from hil.control.behaviours import ActiveBehaviour, start_behaviour
from hil.control.source import Gains
from hil.core import BehaviourCode, ConstantForce, ExternalSetpoint, Setpoint, VirtualSpring
from hil.profile import Profile

ROUNDING_S: Final = 1e-9  # periods that add up to the longest gap do not exceed it


def as_behaviour(values: ExternalSetpoint | Setpoint) -> ConstantForce | VirtualSpring:
    """Return the behaviour that these values set: a force, with a spring if it has a stiffness."""
    if values.stiffness_N_m > 0.0:
        return VirtualSpring(
            rest_m=values.rest_m,
            stiffness_N_m=values.stiffness_N_m,
            damping_N_s_m=values.damping_N_s_m,
            bias_N=values.force_N,
        )
    return ConstantForce(force_N=values.force_N, damping_N_s_m=values.damping_N_s_m)


class ExternalForce:
    """Active behaviour of the latest values, each renewal checked as any behaviour.

    Attributes:
        gap_s: time since the latest renewal. longest_gap_s: gap after which the rig stops.
        limits: mask of the limits that acted on the latest values.
    """

    code = BehaviourCode.EXTERNAL_SETPOINT
    finished = False

    def __init__(self, behaviour: ExternalSetpoint, profile: Profile, gains: Gains) -> None:
        self._profile = profile
        self._gains = gains
        self.longest_gap_s = behaviour.longest_gap_s
        self.gap_s = 0.0
        self.rest_m = self.stiffness_N_m = math.nan
        self.damping_N_s_m = 0.0
        self.limited = self.limits = 0
        self._inner: ActiveBehaviour | None = None
        self._values: ExternalSetpoint | Setpoint = behaviour

    def narrow(self, trimming: Profile, profile: Profile, gains: Gains) -> None:
        """Continue with narrower limits.

        Args:
            trimming: limits the present values. profile: checks the next ones.
        """
        gap_s = self.gap_s
        self._profile, self._gains = trimming, gains
        self.renew(self._values)
        self._profile, self.gap_s = profile, gap_s

    @property
    def overdue(self) -> bool:
        """True if the program has been silent for too long."""
        return self.gap_s > self.longest_gap_s + ROUNDING_S

    def renew(self, values: ExternalSetpoint | Setpoint) -> Checked:
        """Take new values; refused ones change nothing, and count as silence."""
        checked = check_behaviour(as_behaviour(values), self._profile, self._gains)
        if checked.refusal:
            return checked
        inner = start_behaviour(checked.behaviour, self._profile, 0.0, 0.0, self._gains)
        self._inner = inner
        self._values = values
        self.gap_s = 0.0
        self.limits = checked.limited_mask
        self.rest_m, self.stiffness_N_m = inner.rest_m, inner.stiffness_N_m
        self.damping_N_s_m = inner.damping_N_s_m
        return checked

    def force(self, output_position_m: float, output_velocity_m_s: float, dt: float) -> float:
        inner = self._inner
        assert inner is not None, "renewed when it is made active"
        self.gap_s += dt
        force = inner.force(output_position_m, output_velocity_m_s, dt)
        self.stiffness_N_m = inner.stiffness_N_m
        self.limited = inner.limited | self.limits
        return force

    def potential_force(self, output_position_m: float, output_velocity_m_s: float) -> float:
        assert self._inner is not None, "renewed when it is made active"
        return self._inner.potential_force(output_position_m, output_velocity_m_s)
