"""The hand-over package: one folder with law, code, vectors and tests, and a zip of it."""

from __future__ import annotations

import datetime
import hashlib
import json
import math
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import yaml
from pydantic import BaseModel

from hil.bench import LockstepBench
from hil.control import ForceGains
from hil.handover.c_source import c_source
from hil.handover.law import Law
from hil.handover.python_source import PACKAGE, objects, python_files
from hil.handover.robot_description import robot_description
from hil.handover.vectors import INPUTS, OUTPUTS, record
from hil.profile import Profile, holding_force, profile_to_dict, single_file, without_folders

TEMPLATES = Path(__file__).parent / "templates"
FIRST_DATE = (1980, 1, 1, 0, 0, 0)  # of every file in the zip: one law, one zip

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


class HandoverError(Exception):
    """The package cannot be written; the text says why and what to do."""


class Gains(BaseModel):
    """Figures that the force loop is designed for, output blocked."""

    natural_rad_s: float
    damping_ratio: float
    bandwidth_Hz: float
    phase_margin_deg: float
    lead_s: float


class Signs(BaseModel):
    """From the drive's counts to the profile's positions and torques."""

    torque: Literal[-1, 1]
    nut_m_per_rad: float
    sense: str


class LawFile(BaseModel):
    """``law.json``. ``identity`` is the SHA-256 over all else, 12 digits."""

    schema_version: Literal[1]
    identity: str
    name: str
    written: str
    program: str
    profile_sha256: str
    simulated: bool
    units: dict[str, str]
    signs: Signs
    period_s: float
    peak_torque_N_m: float
    bare_load_N: float
    actuator: dict[str, Any]
    sensors: dict[str, Any]
    calibration: dict[str, Any]
    control: dict[str, Any]
    limits: dict[str, Any]
    gains: Gains
    objects: dict[str, Any]


@dataclass(frozen=True)
class Package:
    """Place and date of writing, and the law's identity."""

    folder: Path
    archive: Path
    identity: str
    files: tuple[str, ...]


def law_of(profile: Profile) -> tuple[Law, float]:
    """Return the law of a profile, and its period in s, as the bench would build it.

    The drive's own most torque and delay are those of its simulation.

    Raises:
        HandoverError: the drive is commanded in velocity.
    """
    bench = LockstepBench(profile).bench
    if not isinstance(bench.gains, ForceGains):
        raise HandoverError(
            "the law of a drive that takes velocity is not handed over. Fix: control.source: torque"
        )
    return Law(profile, bench.gains, bench.period_s, bench.peak_torque_N_m), bench.period_s


def hand_over(
    profile: Profile,
    folder: Path,
    written: datetime.date | None = None,
    source: str | Path | None = None,
    sheet: Mapping[str, bytes] | None = None,
) -> Package:
    """Write the package into a folder that is empty or not there, and a zip beside it.

    Args:
        written: date that the package bears; today by default.
        source: file or shipped name of the profile, which then goes with the package.
        sheet: files of a data sheet, by name, which then go with the package.

    Raises:
        HandoverError: the folder holds something, or the rig has no simulation for the vectors.
        NotTranslatable: the law cannot be written as C.
        OSError: the disk refused.
    """
    if profile.simulation is None:
        raise HandoverError(
            "the profile has no 'simulation' part, on which the test vectors are recorded; Fix: "
            "add one that resembles the rig"
        )
    archive = folder.with_name(folder.name + ".zip")
    if (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))) or archive.exists():
        raise HandoverError(f"'{folder}' or '{archive.name}' is there already; Fix: name another")
    law, period_s = law_of(profile)
    data = law_data(profile, law, period_s, written or datetime.date.today())
    files = _files(profile, law, period_s, data)
    if source is not None:
        text, beside = single_file(source)
        files["profile/profile.yaml"] = text
        for name, path in beside.items():
            files[f"profile/{name}"] = _text(path.read_bytes())
    for name, content in (sheet or {}).items():
        files[f"data_sheet/{name}"] = _text(content)
    manifest = {name: hashlib.sha256(_bytes(text)).hexdigest() for name, text in files.items()}
    files["manifest.json"] = json.dumps(manifest, indent=1) + "\n"
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(_bytes(text))
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as bundle:
        for name, text in sorted(files.items()):
            entry = zipfile.ZipInfo(f"{folder.name}/{name}", FIRST_DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            bundle.writestr(entry, _bytes(text))
    return Package(folder, archive, str(data["identity"]), tuple(sorted(files)))


def _text(content: bytes) -> str:
    return content.decode("utf-8", "surrogateescape")


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


def law_data(profile: Profile, law: Law, period_s: float, written: datetime.date) -> dict[str, Any]:
    """Return the contents of ``law.json``."""
    plain = profile_to_dict(profile)
    # Where files lie on the computer that wrote it is no part of a law.
    plain["drive"] = without_folders(plain["drive"])[0]
    whole = json.dumps(plain, sort_keys=True)
    gains, hand = law.gains, 1 if profile.actuator.screw.hand == "right" else -1
    sign = hand * profile.sensors.motor.sign
    data = {
        "schema_version": 1,
        "name": profile.name,
        "written": written.isoformat(),
        "program": f"Hookeline {version('hookeline')}",
        "profile_sha256": hashlib.sha256(whole.encode()).hexdigest(),
        "simulated": profile.simulation is not None,
        "units": UNITS,
        "signs": {
            "torque": sign,
            "nut_m_per_rad": sign * profile.actuator.screw.lead / (2 * math.pi),
            "sense": "positions grow as the rod extends; deflection is nut minus output; a positive "
            "spring force pushes the output out",
        },
        "period_s": period_s,
        "peak_torque_N_m": law.peak_torque_N_m,
        "bare_load_N": holding_force(profile, 0.0),
        **{key: plain[key] for key in ("actuator", "sensors", "calibration", "control", "limits")},
        "gains": {
            "natural_rad_s": gains.natural_rad_s,
            "damping_ratio": gains.damping_ratio,
            "bandwidth_Hz": gains.predicted.bandwidth_Hz,
            "phase_margin_deg": gains.predicted.phase_margin_deg,
            "lead_s": gains.lead_s,
        },
        "objects": objects(law),
    }
    data = json.loads(json.dumps(data))  # as it will be read
    data["identity"] = identity(data)
    LawFile.model_validate(data)
    return dict(data)


def identity(data: dict[str, Any]) -> str:
    """Return the fingerprint of a law: SHA-256 over all but the fingerprint itself, 12 digits."""
    rest = {key: value for key, value in data.items() if key != "identity"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def full_scale(profile: Profile, law: Law) -> list[float]:
    """Return the full scale of each of ``OUTPUTS``, by which differences are judged."""
    limits = profile.limits
    speed, force = limits.speed.tripped, limits.force.tripped
    scales = {
        "output_position_m": profile.actuator.stroke,
        "motor_force_N": force,
        "motor_heat": 1.0,
        "deflection_m": limits.deflection.tripped,
        "spring_force_N": force,
        "force_u95_N": force,
        "shaped_force_N": force,
        "torque_N_m": law.peak_torque_N_m,
        "limited": 1.0,
        "tripped": 1.0,
    }
    return [scales.get(name, speed) for name in OUTPUTS]


def _files(profile: Profile, law: Law, period_s: float, data: dict[str, Any]) -> dict[str, str]:
    code = c_source(law, profile.name, data["identity"], period_s, full_scale(profile, law))
    template = {
        path.relative_to(TEMPLATES).as_posix(): path.read_text(encoding="utf-8")
        for path in TEMPLATES.rglob("*")
        if path.is_file()
    }
    start = template["python/__init__.py.txt"]
    for name, value in (("inputs", INPUTS), ("outputs", OUTPUTS), ("units", UNITS)):
        start = start.replace(f"{{{name}}}", repr(value), 1)
    files = {
        "law.json": json.dumps(data, indent=1, ensure_ascii=False) + "\n",
        "law.yaml": yaml.safe_dump(data, sort_keys=False, allow_unicode=True),
        "actuator.urdf": robot_description(profile, data["identity"]),
        "law.schema.json": json.dumps(LawFile.model_json_schema(), indent=1) + "\n",
        "c/law.h": code.header,
        "c/law.c": code.source,
        "c/check.c": template["check.c"],
        "c/Makefile": template["Makefile"],
        f"python/{PACKAGE}/__init__.py": start,
        "python/test_law.py": template["python/test_law.py.txt"],
        **{
            name.removesuffix(".txt"): text
            for name, text in template.items()
            if name.startswith("acceptance/")
        },
        "vectors/in_time.csv": record(profile).csv(),
        "vectors/late.csv": record(profile, late=True).csv(),
        "README.md": template["README.md.txt"].format(
            name=profile.name,
            identity=data["identity"],
            written=data["written"],
            version=version("hookeline"),
            profile=data["profile_sha256"][:12],
            invented="\n**The profile is that of a simulated rig.**\n" if data["simulated"] else "",
            nut_per_rad=data["signs"]["nut_m_per_rad"],
            sign=data["signs"]["torque"],
            period_ms=1e3 * period_s,
        ),
    }
    for name, text in python_files(law).items():
        files[f"python/{PACKAGE}/{name}"] = text
    return files
