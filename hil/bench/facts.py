"""Facts of the drive known before anything moves, in this process or received over the link."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any

from drivers.base import Capabilities
from drivers.registry import find_protocol
from drivers.transport import Budgeting
from hil.profile import Profile, drive_options


@dataclass(frozen=True)
class DriveFacts:
    """Facts of the drive known without moving it."""

    identity: str
    details: dict[str, str]
    own_limits: dict[str, float]  # as ``drivers.base.Capabilities.own_limits``
    host_loss_s: float
    rated_torque_N_m: float
    peak_torque_N_m: float
    bus_load: float = float("nan")  # worst case, share of the bus


def drive_facts(capabilities: Capabilities, profile: Profile) -> DriveFacts:
    """Return the facts of an opened drive."""
    protocol = find_protocol(str(profile.drive["protocol"]))
    share = math.nan
    if isinstance(protocol, Budgeting):
        budgets = protocol.budgets(drive_options(profile), 1.0 / profile.control.rate)
        share = max(budget.share for budget in budgets)
    return DriveFacts(
        capabilities.identity,
        dict(capabilities.details),
        dict(capabilities.own_limits),
        capabilities.host_loss_s,
        capabilities.rated_torque_N_m,
        capabilities.peak_torque_N_m,
        share,
    )


def facts_to_dict(facts: DriveFacts) -> dict[str, Any]:
    """Return plain values for JSON, with None for NaN, which JSON lacks."""
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in dataclasses.asdict(facts).items()
    }


def facts_from_dict(data: dict[str, Any]) -> DriveFacts:
    """Invert :func:`facts_to_dict`."""
    values: dict[str, Any] = {k: math.nan if v is None else v for k, v in data.items()}
    return DriveFacts(**values)
