"""Parts of ``law.json`` that are read and not run: plant, spring law, heat, zero, verified steps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from drivers.motion import in_words
from hil.control import ForceGains
from hil.handover.law import Law
from hil.profile import Profile

POINTS = 41  # of each table of the spring law, over the permitted range
LICENCE = (
    "The code in c/, python/ and acceptance/ is under the licence in LICENSE.txt. The builder has stated no "
    "licence for the numbers, texts and recordings about the actuator: ask before you pass them on."
)
ZERO = {
    "absolute": "The motor sensor is absolute: zero follows from sensors.motor.absolute_offset.",
    "lower_end_at_start": "The motor sensor counts from where the drive was switched on. Zero is the lower "
    "mechanical end of the output: take all weights off, clear the whole travel, and turn the screw slowly "
    "toward the end until the spring force has risen while the output stands still; wait, back off, "
    "repeat. An end counts if it yields hardly, releases the output, repeats, and is one stroke away from "
    "the other end. Or state, having seen it, that the output rests on its lower end. Until then the "
    "force loop stays open.",
}


@dataclass(frozen=True)
class Evidence:
    """Files and facts that accompany the profile in a package, as read by the caller.

    Attributes:
        sheet: files of a data sheet, by name. sheet_data: contents of its JSON.
        record: contents of a bring-up record. record_file: the file itself.
        licence: licence of use, as text.
        recording: session recorded with ``--log-wire``, whose cycles are the test vectors; None: they
            are recorded on the simulated rig.
    """

    sheet: Mapping[str, bytes] = field(default_factory=dict)
    sheet_data: Mapping[str, Any] = field(default_factory=dict)
    record: Mapping[str, Any] = field(default_factory=dict)
    record_file: bytes = b""
    licence: str = LICENCE
    recording: Path | None = None


class PlantFile(BaseModel):
    """The actuator at its nut, output blocked, as the force loop is designed for.

    ``lag_s`` is that of the current loop, 0 where the drive has a velocity loop of its own.

    Friction at the nut is that of the screw without its load; the load's follows from the efficiencies.
    """

    mass_kg: float
    viscous_N_s_m: float
    stiffness_N_m: float
    coulomb_N: float
    breakaway_N: float
    efficiency_forward: float
    efficiency_backward: float
    delay_s: float
    lag_s: float


class SpringLawFile(BaseModel):
    """The spring law both ways, as tables; ``u95_N`` is expanded, k = 2."""

    deflection_m: list[float]
    force_N: list[float]
    u95_N: list[float]
    stiffness_N_m: list[float]
    inverse_force_N: list[float]
    inverse_deflection_m: list[float]


class HeatFile(BaseModel):
    """Two bodies, winding and housing, heated by the square of the current.

    Each share follows its time constant; at standstill the hottest phase has ``standstill_factor``
    times the mean loss.
    """

    continuous_current_A: float
    winding_time_constant_s: float
    housing_time_constant_s: float
    housing_share: float
    standstill_factor: float
    winding_rise_K: float
    ambient_degC: float


class ReferenceFile(BaseModel):
    """Source of the zero of positions; speeds and forces are None if the rig's defaults apply."""

    sensor: str
    procedure: str
    settings: dict[str, Any]


class VerifiedFile(BaseModel):
    """Steps of the bring-up with their verdicts; ``by`` is empty if the package has no record."""

    by: str
    begun: str
    drive: str
    steps: list[dict[str, str]]


class SourcesFile(BaseModel):
    """Sources of numbers: calibration, runs of the data sheet, bring-up record."""

    calibration: dict[str, str]
    vectors: str
    data_sheet_runs: list[str]
    bring_up: str


def known_parts(
    profile: Profile, law: Law, plain: Mapping[str, Any], evidence: Evidence
) -> dict[str, Any]:
    """Return the parts as data, checked against their models.

    Args:
        plain: the profile as data.
    """
    parts: dict[str, BaseModel] = {
        "plant": _plant(profile, law),
        "spring_law": _spring_law(profile, law),
        "heat_model": _heat(profile),
        "reference": ReferenceFile(
            sensor=profile.sensors.motor.reference,
            procedure=in_words(ZERO[profile.sensors.motor.reference]),
            settings=plain["reference"],
        ),
        "verified": _verified(evidence.record),
        "sources": SourcesFile(
            calibration={
                "identity": profile.calibration.identity or "written by hand",
                "dated": profile.calibration.dated,
            },
            vectors="simulated rig in lockstep, in time and late"
            if evidence.recording is None
            else f"recorded wires of {_session(evidence.recording)}",
            data_sheet_runs=sorted(
                {str(figure.get("run", "")) for figure in evidence.sheet_data.get("figures", [])}
                - {""}
            ),
            bring_up=str(evidence.record.get("begun", "")),
        ),
    }
    return {name: part.model_dump(mode="json") for name, part in parts.items()} | {
        "licence_of_use": evidence.licence
    }


def _session(recording: Path) -> str:
    """Return the name of the run that a recording lies in."""
    return recording.name if recording.is_dir() else recording.resolve().parent.name


def _plant(profile: Profile, law: Law) -> PlantFile:
    actuator, gains, plant = profile.actuator, law.gains, law.gains.plant
    return PlantFile(
        mass_kg=plant.mass,
        viscous_N_s_m=plant.viscous,
        stiffness_N_m=plant.stiffness,
        coulomb_N=actuator.friction.coulomb * actuator.radians_per_metre,
        breakaway_N=actuator.friction.breakaway * actuator.radians_per_metre,
        efficiency_forward=actuator.transmission.efficiency_forward,
        efficiency_backward=actuator.transmission.efficiency_backward,
        delay_s=plant.delay_s,
        lag_s=gains.plant.lag_s if isinstance(gains, ForceGains) else 0.0,
    )


def _spring_law(profile: Profile, law: Law) -> SpringLawFile:
    calibration = law.calibration
    most = profile.limits.deflection.tripped
    deflections = [most * (2 * i / (POINTS - 1) - 1) for i in range(POINTS)]
    forces = [calibration.force(x) for x in deflections]
    low, high = forces[0], forces[-1]
    even = [low + (high - low) * i / (POINTS - 1) for i in range(POINTS)]
    return SpringLawFile(
        deflection_m=deflections,
        force_N=forces,
        u95_N=[calibration.u95(force) for force in forces],
        stiffness_N_m=[calibration.stiffness(x) for x in deflections],
        inverse_force_N=even,
        inverse_deflection_m=[calibration.deflection_for(force) for force in even],
    )


def _heat(profile: Profile) -> HeatFile:
    motor = profile.actuator.motor
    return HeatFile(
        continuous_current_A=motor.continuous_current,
        winding_time_constant_s=motor.thermal_time_constant,
        housing_time_constant_s=motor.housing_time_constant,
        housing_share=motor.housing_share,
        standstill_factor=motor.standstill_factor,
        winding_rise_K=motor.winding_rise,
        ambient_degC=motor.ambient_temperature,
    )


def _verified(record: Mapping[str, Any]) -> VerifiedFile:
    return VerifiedFile(
        by=str(record.get("carried_out_by") or ("not said" if record else "")),
        begun=str(record.get("begun", "")),
        drive=str(record.get("drive", {}).get("identity", "")),
        steps=[
            {
                "step": str(entry["step"]),
                "verdict": str(entry["verdict"]),
                "ended": str(entry.get("ended") or ""),
            }
            for entry in record.get("steps", [])
        ],
    )
