"""Following and energy limits of a profile: as written, or by default from the force loop.

A force loop of bandwidth f follows a ramp at the force rate limit r with a lag of r/(2π·f)
newtons (first-order lag in steady state). The defaults are multiples of that lag, but at least a
share of the force limit, which covers friction and knee. The multiples were
measured: sudden loads, hands, weights and late cycles in lockstep stay below the limited value
or are explained by a cap (tests/campaigns/healthy_sessions.py).
"""

from __future__ import annotations

import math

from hil.profile.limit_schema import EnergyLimit, FollowingLimit, PositionFollowingLimit
from hil.profile.schema import Profile

# Limited, tripped; in lags; measured, see above. A weight of 7.5 kg that falls off at once gives
# 2.5.
FORCE_LAGS = (1.5, 2.8)
SETPOINT_LAGS = (1.5, 4.0)
LEAST_SHARES = (0.1, 0.2)  # of the force limit
ENERGY_SHARES = (0.1, 0.3)  # of the springs' energy at the force limit; measured, see above

STROKE_SHARE = 0.01  # a larger position error spoils results; an assumption, no source
LEAST_COUNTS = 20.0  # of the motor sensor; common practice, no source


def ramp_lag(profile: Profile) -> float:
    """Return the lag in N of the force behind a ramp at the force rate limit."""
    return profile.limits.force_rate.limited / (2 * math.pi * profile.control.force_bandwidth)


def force_following(profile: Profile) -> FollowingLimit:
    """Return the limits in N on spring force against shaped force."""
    return profile.limits.force_following or _following(profile, FORCE_LAGS)


def setpoint_following(profile: Profile) -> FollowingLimit:
    """Return the limits in N on shaped force against setpoint."""
    return profile.limits.setpoint_following or _following(profile, SETPOINT_LAGS)


def output_energy(profile: Profile) -> EnergyLimit:
    """Return the limits in J on energy delivered at the output."""
    if profile.limits.output_energy is not None:
        return profile.limits.output_energy
    stored = 0.5 * profile.limits.force.limited * profile.limits.deflection.limited
    limited, tripped = ENERGY_SHARES
    return EnergyLimit.model_construct(limited=limited * stored, tripped=tripped * stored)


def position_following(profile: Profile) -> PositionFollowingLimit:
    """Return the limits in m of nut travel on position against the drive's velocity.

    By default a share of the stroke; differences explained by velocity lag do not count.
    """
    limit = profile.limits.position_following
    if limit is None:
        resolution = (
            profile.actuator.transmission.lead / profile.sensors.motor.counts_per_revolution
        )
        share = STROKE_SHARE * profile.actuator.stroke
        limit = PositionFollowingLimit.model_construct(
            tripped=max(share, LEAST_COUNTS * resolution)
        )
    return limit


def _following(profile: Profile, lags: tuple[float, float]) -> FollowingLimit:
    lag, force = ramp_lag(profile), profile.limits.force.limited
    limited, tripped = (
        max(many * lag, share * force) for many, share in zip(lags, LEAST_SHARES, strict=True)
    )
    return FollowingLimit.model_construct(limited=limited, tripped=tripped)
