"""Session cap: limits narrower than the profile's, for as long as a rig host runs.

Force and speed are narrowed in limited and tripped values only. The design of the force loop and the
references of the watches stay the rig's own: a capped rig is not another rig.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from drivers.motion import FORCE, HERTZ, SPEED, STIFFNESS
from hil.control.calibration import passive_bounds
from hil.control.restricted import TRIPPED_OVER_BOUNDED, tiers
from hil.control.source import Gains
from hil.core import SessionCap
from hil.profile import Profile

SLIDE_S = (
    0.5  # in which a limit slides to a narrower value, then its trip; common practice, no source
)
SHOWN = (
    ("force_N", FORCE),
    ("speed_m_s", SPEED),
    ("stiffness_N_m", STIFFNESS),
    ("bandwidth_Hz", HERTZ),
)
NO_CAP = SessionCap()


class Tiers(NamedTuple):
    """Limited and tripped values of force in N and of speed in m/s."""

    force_N: float
    force_tripped_N: float
    speed_m_s: float
    speed_tripped_m_s: float


def own_values(profile: Profile) -> dict[str, float]:
    """Return the profile's values that a cap can narrow, by the cap's names."""
    return {
        "force_N": profile.limits.force.limited,
        "speed_m_s": profile.limits.speed.limited,
        "stiffness_N_m": passive_bounds(profile)[0],
        "bandwidth_Hz": profile.control.force_bandwidth,
    }


def merged_cap(standing: SessionCap, asked: SessionCap) -> SessionCap:
    """Return the cap after a request: omitted values stay, or are dropped if it may widen."""
    if asked.widen:
        return asked.model_copy(update={"widen": False})
    given = {name: value for name, value in asked if name not in ("kind", "widen") and value}
    return standing.model_copy(update=given)


def widened(profile: Profile, standing: SessionCap, new: SessionCap) -> str:
    """Return the first value of ``new`` that is wider than the one in force, as text; '' if none."""
    for name, of in SHOWN:
        own = own_values(profile)[name]
        before = min(own, getattr(standing, name) or own)
        after = min(own, getattr(new, name) or own)
        if after > before * (1 + 1e-9):
            return f"{of(after):.4g}{of} is wider than the {of(before):.4g}{of}"
    return ""


def capped_profile(profile: Profile, cap: SessionCap) -> Profile:
    """Return the profile with force, speed and bandwidth no wider than the cap, trips included."""
    limits = profile.limits
    changes: dict[str, object] = {}
    most = cap.force_N
    if most is not None and most < limits.force.limited:
        changes["force"] = tiers(limits.force, most, TRIPPED_OVER_BOUNDED * most)
    most = cap.speed_m_s
    if most is not None and most < limits.speed.limited:
        changes["speed"] = tiers(limits.speed, most, TRIPPED_OVER_BOUNDED * most)
    control = profile.control
    if cap.bandwidth_Hz is not None and cap.bandwidth_Hz < control.force_bandwidth:
        control = control.model_copy(update={"force_bandwidth": cap.bandwidth_Hz})
    if not changes and control is profile.control:
        return profile
    return profile.model_copy(
        update={"limits": limits.model_copy(update=changes), "control": control}
    )


def capped_gains(gains: Gains, cap: SessionCap) -> Gains:
    """Return the gains with their ceiling of virtual stiffness no higher than the cap."""
    most = cap.stiffness_N_m
    if most is None or most >= gains.most_stiffness_N_m:
        return gains
    return replace(gains, most_stiffness_N_m=most)


def cap_from(description: Mapping[str, Any]) -> SessionCap:
    """Return the cap that a bench works under, from its description to a client."""
    described = description.get("session_cap") or {}
    return SessionCap.model_validate(
        {name: described[name] for name, _ in SHOWN if described.get(name) is not None}
    )


def cap_data(cap: SessionCap) -> dict[str, float] | None:
    """Return the values of a cap by name, for run.yaml and the link; None without one."""
    given = {name: getattr(cap, name) for name, _ in SHOWN if getattr(cap, name) is not None}
    return given or None


def cap_text(cap: SessionCap) -> str:
    """Return the cap in numbers and units, such as "100 N, 50 mm/s"; '' without one."""
    return ", ".join(
        f"{of(getattr(cap, name)):.4g}{of}" for name, of in SHOWN if getattr(cap, name) is not None
    )


def tiers_of(profile: Profile) -> Tiers:
    """Return the tiers of a profile's force and speed limits."""
    force, speed = profile.limits.force, profile.limits.speed
    return Tiers(force.limited, force.tripped, speed.limited, speed.tripped)


@dataclass
class Slide:
    """Slide from one set of tiers to another: first the limited values, then the tripped ones.

    A limit that jumped below the acting value would cause a bump, and a trip would cause a stop.
    """

    before: Tiers
    after: Tiers
    _time_s: float = 0.0

    def advance(self, dt_s: float) -> Tiers:
        """Return the tiers ``dt_s`` later."""
        self._time_s += dt_s
        limited = min(1.0, self._time_s / SLIDE_S)
        tripped = min(1.0, max(0.0, self._time_s / SLIDE_S - 1.0))
        shares = (limited, tripped, limited, tripped)
        ways = zip(self.before, self.after, shares, strict=True)
        return Tiers(*(old + share * (new - old) for old, new, share in ways))

    @property
    def ended(self) -> bool:
        return self._time_s >= 2.0 * SLIDE_S
