"""``law.json``: everything about an actuator that goes with its law, and the schema of that file."""

from __future__ import annotations

import datetime
import hashlib
import json
import math
from collections.abc import Mapping
from importlib.metadata import version
from typing import Any, Literal

from pydantic import BaseModel

from drivers.base import Capabilities
from drivers.motion import ARC_RADIUS_M
from hil.control import ForceGains
from hil.handover.known import (
    Evidence,
    HeatFile,
    PlantFile,
    ReferenceFile,
    SourcesFile,
    SpringLawFile,
    VerifiedFile,
    known_parts,
)
from hil.handover.law import Law
from hil.handover.operations import worst_case
from hil.handover.python_source import objects
from hil.profile import Profile, holding_force, profile_to_dict, without_folders

UNITS = {
    "position": "m",
    "velocity": "m/s",
    "force": "N",
    "stiffness": "N/m",
    "damping": "N*s/m",
    "torque": "N*m",
    "current": "A",
    "voltage": "V",
    "temperature": "degC",
    "time": "s",
    "angle": "rad",
}
# Of the profile's own limits, within which a receiver's rig is tested: common practice, no source.
FORCE_SHARE = 0.2
SPEED_SHARE = 0.3
TRAVEL_SHARE = 0.15  # of the stroke, by the nut from the lower end


class Gains(BaseModel):
    """Figures that the force loop is designed for, output blocked."""

    natural_rad_s: float
    damping_ratio: float | None  # none over a drive that takes velocity or position
    bandwidth_Hz: float
    phase_margin_deg: float
    lead_s: float


class Signs(BaseModel):
    """From the drive's counts to the profile's positions and torques.

    ``arc_radius_m``: of a rotary actuator the law's positions in m are those on an arc of this
    radius around the joint, its forces in N act along it: an angle in rad is position/radius, a
    torque in N·m force·radius. None for a linear one.
    """

    torque: Literal[-1, 1]
    nut_m_per_rad: float
    sense: str
    arc_radius_m: float | None = None


class DriveFile(BaseModel):
    """Drive that the law was made for. ``identity`` is empty if it was not recorded."""

    protocol: str
    identity: str
    rated_torque_N_m: float
    torque_resolution_N_m: float
    command_delay_cycles: float
    current_loop_lag_s: float


class Envelope(BaseModel):
    """Limits of the acceptance tests, narrower than the profile's."""

    force_N: float
    speed_m_s: float
    nut_m: float
    torque_N_m: float


class LawFile(BaseModel):
    """``law.json``. ``identity`` is the SHA-256 over all else, 12 digits.

    ``operations`` are those of the worst case, by function and kind (``hil.handover.operations``);
    ``fingerprints`` are the SHA-256 of files that belong to it: vectors, profile, data sheet.
    """

    schema_version: Literal[1]
    identity: str
    name: str
    written: str
    program: str
    profile_sha256: str
    simulated: bool
    units: dict[str, str]
    signs: Signs
    drive: DriveFile
    envelope: Envelope
    period_s: float
    peak_torque_N_m: float
    bare_load_N: float
    actuator: dict[str, Any]
    sensors: dict[str, Any]
    calibration: dict[str, Any]
    control: dict[str, Any]
    limits: dict[str, Any]
    gains: Gains
    plant: PlantFile
    spring_law: SpringLawFile
    heat_model: HeatFile
    reference: ReferenceFile
    verified: VerifiedFile
    sources: SourcesFile
    licence_of_use: str
    operations: dict[str, dict[str, int]]
    fingerprints: dict[str, str]
    objects: dict[str, Any]


def envelope(profile: Profile, peak_torque_N_m: float) -> dict[str, float]:
    """Return the limits within which a receiver's rig is tested."""
    force = FORCE_SHARE * profile.limits.force.limited
    breakaway = profile.actuator.friction.breakaway
    screw = profile.actuator.transmission
    torque = force / (profile.actuator.radians_per_metre * screw.efficiency_forward)
    return {
        "force_N": force,
        "speed_m_s": SPEED_SHARE * profile.limits.speed.limited,
        "nut_m": TRAVEL_SHARE * profile.actuator.stroke,
        "torque_N_m": min(torque + 2.0 * breakaway, peak_torque_N_m),
    }


def law_data(
    profile: Profile,
    law: Law,
    period_s: float,
    capabilities: Capabilities,
    written: datetime.date,
    files: Mapping[str, bytes],
    evidence: Evidence,
) -> dict[str, Any]:
    """Return the contents of ``law.json``.

    Args:
        capabilities: capabilities of the drive that the law was made for.
        files: those that the identity covers as well, by their names in the package.
        evidence: bring-up record, data sheet and licence that go with it.
    """
    plain = _plain(profile)
    drive = str(evidence.record.get("drive", {}).get("identity", ""))
    gains, hand = law.gains, 1 if profile.actuator.transmission.hand == "right" else -1
    sign = hand * profile.sensors.motor.sign
    data = {
        "schema_version": 1,
        "name": profile.name,
        "written": written.isoformat(),
        "program": f"Hookeline {version('hookeline')}",
        "profile_sha256": profile_sha256(profile),
        "simulated": profile.simulation is not None,
        "units": UNITS,
        "signs": {
            "torque": sign,
            "nut_m_per_rad": sign * profile.actuator.transmission.lead / (2 * math.pi),
            "sense": _sense(profile),
            "arc_radius_m": ARC_RADIUS_M if profile.motion == "rotary" else None,
        },
        "drive": {
            "protocol": str(plain["drive"]["protocol"]),
            "identity": drive or capabilities.identity,
            "rated_torque_N_m": capabilities.rated_torque_N_m,
            "torque_resolution_N_m": capabilities.torque_resolution_N_m,
            "command_delay_cycles": capabilities.command_delay_cycles,
            "current_loop_lag_s": profile.control.current_loop_lag,
        },
        "envelope": envelope(profile, law.peak_torque_N_m),
        "period_s": period_s,
        "peak_torque_N_m": law.peak_torque_N_m,
        "bare_load_N": holding_force(profile, 0.0),
        **{key: plain[key] for key in ("actuator", "sensors", "calibration", "control", "limits")},
        "gains": {
            "natural_rad_s": gains.natural_rad_s,
            "damping_ratio": gains.damping_ratio if isinstance(gains, ForceGains) else None,
            "bandwidth_Hz": gains.predicted.bandwidth_Hz,
            "phase_margin_deg": gains.predicted.phase_margin_deg,
            "lead_s": gains.lead_s,
        },
        **known_parts(profile, law, plain, evidence),
        "operations": worst_case(law),
        "fingerprints": {
            name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())
        },
        "objects": objects(law),
    }
    data = json.loads(json.dumps(data))  # as it will be read
    data["identity"] = identity(data)
    LawFile.model_validate(data)
    return dict(data)


def _sense(profile: Profile) -> str:
    if profile.motion == "rotary":
        return (
            "positions grow as the joint turns from its lower end; deflection is the gear's output "
            "minus the joint; a positive spring force turns the joint up"
        )
    return (
        "positions grow as the rod extends; deflection is nut minus output; a positive "
        "spring force pushes the output out"
    )


def identity(data: dict[str, Any]) -> str:
    """Return the fingerprint of a law: SHA-256 over all but the fingerprint itself, 12 digits."""
    rest = {key: value for key, value in data.items() if key != "identity"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def profile_sha256(profile: Profile) -> str:
    """Return the fingerprint of a whole profile, wherever its files lie."""
    whole = json.dumps(_plain(profile), sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()


def _plain(profile: Profile) -> dict[str, Any]:
    """Return a profile as data; where its files lie on a computer is not part of it."""
    plain = profile_to_dict(profile)
    plain["drive"] = without_folders(plain["drive"])[0]
    return plain
