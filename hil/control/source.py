"""Source of motion: the quantity commanded to the drive, and the force loop that goes with it."""

from __future__ import annotations

import math
from functools import lru_cache

from hil.control.calibration import LiveCalibration
from hil.control.force_controller import ForceController
from hil.control.force_design import ForceGains, design
from hil.control.kept_designs import kept
from hil.control.position_target import PositionTarget
from hil.control.slower_loop import slower_loops
from hil.control.slower_velocity import slower_velocity_loops
from hil.control.torque_feedforward import TorqueFeedforward
from hil.control.velocity_controller import VelocityController
from hil.control.velocity_design import VelocityGains, design_velocity
from hil.profile import Profile

Gains = ForceGains | VelocityGains
Controller = ForceController | VelocityController


# Connection and simulation of the rig: a design uses neither, and neither can be hashed.
_NOT_DESIGNED_FOR = ("drive", "simulation")
MOST_DESIGNS = 16  # kept; a bench needs one


class _Designable:
    """A profile by what a design uses of it, so that the same is not designed again.

    A design takes as long as two seconds of lockstep.
    """

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        names = [name for name in Profile.model_fields if name not in _NOT_DESIGNED_FOR]
        self._facts = tuple(getattr(profile, name) for name in names)

    def arguments(self, period_s: float, delay_s: float) -> str:
        """Return all that a design depends on besides the code, in full."""
        return f"{self._facts!r} {period_s!r} {delay_s!r}"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Designable) and self._facts == other._facts

    def __hash__(self) -> int:
        return hash(self._facts)


def design_source(profile: Profile, period_s: float, delay_s: float) -> Gains:
    """Return the gains of the force loop over the profile's source; arguments as of ``design``."""
    return _designed(_Designable(profile), period_s, delay_s)


@lru_cache(maxsize=MOST_DESIGNS)
def _designed(designable: _Designable, period_s: float, delay_s: float) -> Gains:
    if designable.profile.control.source == "torque":
        return _designed_over_torque(designable, period_s, delay_s)
    return kept(
        "over velocity",
        designable.arguments(period_s, delay_s),
        VelocityGains,
        lambda: design_velocity(designable.profile, period_s, delay_s),
    )


def design_over_torque(profile: Profile, period_s: float, delay_s: float) -> ForceGains:
    """Return the gains of the force loop over torque, whatever the source; arguments as of ``design``."""
    return _designed_over_torque(_Designable(profile), period_s, delay_s)


@lru_cache(maxsize=MOST_DESIGNS)
def _designed_over_torque(designable: _Designable, period_s: float, delay_s: float) -> ForceGains:
    return kept(
        "over torque",
        designable.arguments(period_s, delay_s),
        ForceGains,
        lambda: design(designable.profile, period_s, delay_s),
    )


def design_slower(profile: Profile, period_s: float, delay_s: float) -> tuple[Gains, ...]:
    """Return the loops that may be changed to under power, the quickest first."""
    return _designed_slower(_Designable(profile), period_s, delay_s)


@lru_cache(maxsize=MOST_DESIGNS)
def _designed_slower(designable: _Designable, period_s: float, delay_s: float) -> tuple[Gains, ...]:
    profile = designable.profile

    def loops() -> tuple[Gains, ...]:
        gains = _designed(designable, period_s, delay_s)
        if isinstance(gains, VelocityGains):
            return slower_velocity_loops(profile, gains, period_s, delay_s)
        return slower_loops(profile, gains, period_s, delay_s)

    arguments = designable.arguments(period_s, delay_s)
    return kept("slower", arguments, tuple[ForceGains | VelocityGains, ...], loops)


@lru_cache(maxsize=MOST_DESIGNS)
def _passive_share(designable: _Designable, period_s: float, delay_s: float) -> float:
    return kept(
        "passive share",
        designable.arguments(period_s, delay_s),
        float,
        lambda: design_velocity(designable.profile, period_s, delay_s, bounds=False).passive_share,
    )


def make_controller(
    profile: Profile, gains: Gains, period_s: float, calibration: LiveCalibration
) -> Controller:
    """Return the force law for these gains."""
    if isinstance(gains, VelocityGains):
        return VelocityController(profile, gains, calibration)
    return ForceController(profile, gains, period_s, calibration)


def make_torque_feedforward(profile: Profile, gains: Gains) -> TorqueFeedforward | None:
    """Return the torque feed-forward of these gains; None without one."""
    if isinstance(gains, VelocityGains) and gains.law.torque_share > 0.0:
        return TorqueFeedforward(profile, gains)
    return None


def make_position_target(profile: Profile) -> PositionTarget | None:
    """Return the converter of velocities to positions; None unless the drive takes position."""
    control = profile.control
    if control.source != "position":
        return None
    per_rad = profile.actuator.transmission.lead / (2 * math.pi)
    gain = 2 * math.pi * control.position_loop.bandwidth
    return PositionTarget(gain, profile.limits.speed.limited / per_rad)


def within_passivity(profile: Profile, period_s: float, delay_s: float) -> Profile:
    """Return the profile with ``control.passive_fraction`` reduced to what its source can render."""
    if profile.control.source == "torque":
        return profile
    share = _passive_share(_Designable(profile), period_s, delay_s)
    fraction = min(profile.control.passive_fraction, share)
    control = profile.control.model_copy(update={"passive_fraction": fraction})
    return profile.model_copy(update={"control": control})
