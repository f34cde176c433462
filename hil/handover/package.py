"""The hand-over package: one folder with law, code, vectors and tests, and a zip of it."""

from __future__ import annotations

import datetime
import hashlib
import json
import math
import textwrap
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import yaml

from drivers.base import Capabilities
from drivers.compiled import UNCOMPILED, compiled_modules
from drivers.motion import ARC_RADIUS_M, FORCE, LENGTH, SPEED, speaking, worded
from hil.bench import Bench, LockstepBench
from hil.handover.c_source import c_source
from hil.handover.known import Evidence
from hil.handover.law import Law
from hil.handover.law_file import UNITS, LawFile, law_data
from hil.handover.python_source import PACKAGE, python_files
from hil.handover.recorded import RecordingError, check_vectors, recorded_vectors
from hil.handover.robot_description import robot_description
from hil.handover.vectors import EFFORT, INPUTS, OUTPUTS, outputs_of, record
from hil.profile import Profile, single_file

TEMPLATES = Path(__file__).parent / "templates"
FIRST_DATE = (1980, 1, 1, 0, 0, 0)  # of every file in the zip: one law, one zip


class HandoverError(Exception):
    """Failure to write a package; the text gives the reason and the fix."""


@dataclass(frozen=True)
class Package:
    """Place and date of writing, and the law's identity."""

    folder: Path
    archive: Path
    identity: str
    files: tuple[str, ...]


def law_of(profile: Profile) -> tuple[Law, float]:
    """Return the law of a profile, and its period in s, as the bench would build it.

    The drive's own peak torque and delay are those of its simulation.

    Raises:
        HandoverError: the cycle runs compiled.
    """
    law, period_s, _ = _built(profile)
    return law, period_s


def _built(
    profile: Profile, capabilities: Capabilities | None = None
) -> tuple[Law, float, Capabilities]:
    if compiled_modules():
        raise HandoverError(
            "the law is translated from its source, and this process runs it compiled. "
            f"Fix: set {UNCOMPILED}=1 in the environment before it starts"
        )
    if profile.control.torque_feedforward > 0.0:
        raise HandoverError(
            "the law has one output, and no torque beside its velocity. "
            "Fix: set control.torque_feedforward to 0"
        )
    if capabilities is None:
        lockstep = LockstepBench(profile)
        bench, capabilities = lockstep.bench, lockstep.drive.capabilities
    else:
        bench = Bench(profile, capabilities, 1.0 / profile.control.rate)
    law = Law(bench.profile, bench.gains, bench.period_s, bench.peak_torque_N_m)
    return law, bench.period_s, capabilities


def hand_over(
    profile: Profile,
    folder: Path,
    written: datetime.date | None = None,
    source: str | Path | None = None,
    evidence: Evidence | None = None,
) -> Package:
    """Write the package into an empty or new folder, and a zip next to it.

    Args:
        written: date that the package bears; today by default.
        source: file or shipped name of the profile, which then goes with the package.
        evidence: data sheet, bring-up record and licence of use, which then go with the package, and
            the recording of a session whose cycles are its test vectors.

    Raises:
        HandoverError: the folder is not empty, or there is no source of vectors.
        NotTranslatable: the law cannot be written as C.
        OSError: the disk refused.
    """
    evidence = evidence or Evidence()
    if profile.simulation is None and evidence.recording is None:
        raise HandoverError(
            "the profile has no 'simulation' part, on which the test vectors are recorded. Fix: "
            "name a session of the rig, recorded with --log-wire, with --recording"
        )
    archive = folder.with_name(folder.name + ".zip")
    if (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))) or archive.exists():
        raise HandoverError(f"'{folder}' or '{archive.name}' already exists. Fix: name another")
    with speaking(profile.motion):
        files, law_identity = _contents(profile, written, source, evidence)
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(_bytes(text))
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as bundle:
        for name, text in sorted(files.items()):
            entry = zipfile.ZipInfo(f"{folder.name}/{name}", FIRST_DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            bundle.writestr(entry, _bytes(text))
    return Package(folder, archive, law_identity, tuple(sorted(files)))


def _contents(
    profile: Profile, written: datetime.date | None, source: str | Path | None, evidence: Evidence
) -> tuple[dict[str, str], str]:
    """Return the files of a package by name, and the identity of its law."""
    law, period_s, capabilities, bound = _with_vectors(profile, evidence)
    bound["law.schema.json"] = json.dumps(LawFile.model_json_schema(), indent=1) + "\n"
    if source is not None:
        text, beside = single_file(source)
        bound["profile/profile.yaml"] = text
        for name, path in beside.items():
            bound[f"profile/{name}"] = _text(path.read_bytes())
    for name, content in evidence.sheet.items():
        bound[f"data_sheet/{name}"] = _text(content)
    if evidence.record_file:
        bound["bring_up/bringup.yaml"] = _text(evidence.record_file)
    day = written or datetime.date.today()
    covered = {name: _bytes(text) for name, text in bound.items()}
    data = law_data(profile, law, period_s, capabilities, day, covered, evidence)
    files = bound | _files(profile, law, period_s, data)
    manifest = {name: hashlib.sha256(_bytes(text)).hexdigest() for name, text in files.items()}
    files["manifest.json"] = json.dumps(manifest, indent=1) + "\n"
    return files, str(data["identity"])


def _with_vectors(
    profile: Profile, evidence: Evidence
) -> tuple[Law, float, Capabilities, dict[str, str]]:
    """Return law, period, drive and the files of vectors."""
    if evidence.recording is None:
        vectors = {"in_time": record(profile), "late": record(profile, late=True)}
        built = _built(profile)
    else:
        try:
            recorded, capabilities = recorded_vectors(profile, evidence.recording)
            built = _built(profile, capabilities)
            # A separate law: it changes while it runs.
            check_vectors(_built(profile, capabilities)[0], recorded, evidence.recording)
        except RecordingError as error:
            raise HandoverError(str(error)) from None
        vectors = {"recorded": recorded}
    return *built, {f"vectors/{name}.csv": found.csv() for name, found in vectors.items()}


def _text(content: bytes) -> str:
    return content.decode("utf-8", "surrogateescape")


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape")


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
        EFFORT: speed if law.by_velocity else law.peak_torque_N_m,
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
    outputs = outputs_of(bool(law.by_velocity))
    if law.by_velocity:
        start = start.replace("law.torque_N_m", "law.velocity_m_s")
        names = template["check.c"].replace("law->torque_N_m", "law->velocity_m_s")
        template["check.c"] = names.replace(f'"{EFFORT}"', '"velocity_m_s"')
    for name, value in (("inputs", INPUTS), ("outputs", outputs), ("units", UNITS)):
        start = start.replace(f"{{{name}}}", repr(value), 1)
    files = {
        "law.json": json.dumps(data, indent=1, ensure_ascii=False) + "\n",
        "law.yaml": yaml.safe_dump(data, sort_keys=False, allow_unicode=True),
        "actuator.urdf": robot_description(profile, data["identity"]),
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
        "conftest.py": template["conftest.py.txt"],
        "LICENSE.txt": template["LICENSE.txt"],
        "pytest.ini": template["pytest.ini.txt"],
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
            vectors=data["sources"]["vectors"],
            effort=_effort(profile),
            operations=_counted(data["operations"]["cycle"]),
            envelope=_envelope(data["envelope"]),
            joint=worded("prismatic", "revolute"),
            arc=worded("", ARC),
            grow=worded(
                "Positions grow as the rod extends, from the lower mechanical end;\ndeflection is nut "
                "minus output; a positive spring force pushes the output out. Motor angle times\n",
                "Positions grow as the joint turns, from its lower mechanical end;\ndeflection is the "
                "gear's output minus the joint; a positive spring force turns the joint up. "
                "Motor angle times\n",
            ),
            nut=worded("nut", "gear"),
        ),
    }
    for name, text in python_files(law).items():
        files[f"python/{PACKAGE}/{name}"] = text
    return files


# Of a rotary actuator, in the README.
ARC = f"""
**A rotary actuator, along an arc.** The law's inputs and outputs in m and N are those on an arc of
{ARC_RADIUS_M!r} m around the joint (`signs.arc_radius_m`), a power of two, so that conversion loses no
bit: an angle in rad is position/{ARC_RADIUS_M!r}, a torque in N m is force·{ARC_RADIUS_M!r}, a stiffness
in N m/rad is stiffness·{ARC_RADIUS_M**2!r}, likewise damping. `actuator.urdf` and the parts `actuator`,
`sensors`, `calibration`, `control` and `limits` of `law.json` are in rad and N m. Torques of the motor
are never converted.
"""


def _envelope(envelope: Mapping[str, float]) -> str:
    """Return the envelope of the acceptance tests in words."""
    force, speed, way = (envelope[key] for key in ("force_N", "speed_m_s", "nut_m"))
    return (
        f"{FORCE(force):.3g}{FORCE}, {SPEED(speed):.3g}{SPEED}, {LENGTH(way):.3g}{LENGTH} of the "
        f"{worded('nut', 'gear')} from the lower end, {envelope['torque_N_m']:.2g} N·m of the motor"
    )


def _effort(profile: Profile) -> str:
    """Return what the law answers with, in words."""
    control = profile.control
    if control.source == "torque":
        return "`torque_N_m` is the\nmotor torque."
    by = "`velocity_m_s` is the\nvelocity of the nut that is commanded to the drive."
    if control.source == "velocity":
        return by
    gain = 2 * math.pi * control.position_loop.bandwidth
    return (
        "`velocity_m_s` is the\ncommanded velocity of the nut. For the drive's position loop, command "
        f"the nut position of the sample\nplus `velocity_m_s`/{gain!r}. The drive must go evenly from "
        "one position to the next within a cycle."
    )


def _counted(operations: Mapping[str, int]) -> str:
    """Return a count as text."""
    plain = {
        "add": "additions",
        "multiply": "multiplications",
        "divide": "divisions",
        "compare": "comparisons",
        "integer": "integer operations",
    }
    found = [f"{operations[key]} {word}" for key, word in plain.items() if key in operations]
    found += [f"{many} `{name}`" for name, many in operations.items() if name not in plain]
    return textwrap.fill(", ".join(found), 100)
