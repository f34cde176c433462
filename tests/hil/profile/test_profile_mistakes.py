"""Every mistake in a profile gets one line that names file, line, key and fix."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.profile.loader import SHIPPED, Problem, ProfileError, examine_profile, load_profile

FOOTPLATE = (SHIPPED / "footplate_trainer.yaml").read_text()
SLIDE = (SHIPPED / "bench_slide.yaml").read_text()


def edited(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def problems_of(path: Path) -> list[Problem]:
    with pytest.raises(ProfileError) as caught:
        load_profile(path)
    assert str(caught.value).splitlines() == [str(p) for p in caught.value.problems]
    return caught.value.problems


def line_of(text: str, part: str) -> int:
    assert text.count(part) == 1, f"{part!r} stands {text.count(part)} times"
    return text[: text.index(part)].count("\n") + 1


# old text, new text, a part of the new text in the line to be named, key, what, fix
TABLE = [
    # unknown keys
    (
        "phase_margin: 40           #",
        "phase_margn: 40 #",
        "phase_margn",
        "control.phase_margn",
        "unknown key",
        "did you mean 'phase_margin'",
    ),
    ("link:\n", "lnik:\n", "lnik", "lnik", "unknown key", "did you mean 'link'"),
    (
        "  seed: 1\n",
        "  seed: 1\n  zzz: 2\n",
        "zzz",
        "simulation.zzz",
        "unknown key",
        "known here: seed, supply",
    ),
    (
        "limited: 250 mm/s",
        "limit: 250 mm/s",
        "limit: 250",
        "limits.speed.limit",
        "unknown key",
        "did you mean 'limited'",
    ),
    # missing keys
    (
        "  damping: 1.0 N*s/mm\n",
        "",
        "limits:",
        "limits.damping",
        "missing",
        r"add 'damping: 0.3 N\*s/mm' under 'limits'",
    ),
    (
        "    kind: two_slopes\n",
        "",
        "spring_law:",
        "calibration.spring_law",
        "'kind' is missing",
        "one of 'two_slopes', 'polynomial'",
    ),
    (
        "    knee: 3 mm\n",
        "",
        "spring_law:",
        "calibration.spring_law.knee",
        "missing",
        "add 'knee: 10 mm' under 'calibration.spring_law'",
    ),
    # units and dimensions
    (
        "inner_rate: 120 N/mm ",
        "inner_rate: 120 N ",
        "120 N ",
        "calibration.spring_law.inner_rate",
        "'120 N' is no quantity of the kind N/m",
        "for instance '60 N/mm'",
    ),
    (
        "limited: 580 N,",
        "limited: 580 N/mm,",
        "580 N/mm",
        "limits.force.limited",
        "no quantity of the kind N",
        "'600 N'",
    ),
    (
        "  damping: 1.0 N*s/mm",
        "  damping: 1.0",
        "damping: 1.0",
        "limits.damping",
        "no unit",
        r"'0.3 N\*s/mm'",
    ),
    ("span: 15 mm ", "span: 15 kg ", "15 kg", "sensors.deflection.span", "kind m", "'10 mm'"),
    ("rate: 1000 Hz", "rate: 60000 rpm", "60000 rpm", "control.rate", "kind Hz", "'25 Hz'"),
    (
        "3.662109375 um/count",
        "3.662109375 um",
        "3.662109375 um",
        "calibration.deflection_per_count",
        "kind m/count",
        "um/count",
    ),
    (
        "telemetry_age: 20 ms",
        "telemetry_age: five ms",
        "five ms",
        "limits.telemetry_age",
        "no quantity of the kind s",
        "'20 ms'",
    ),
    ("low: 31 V", "low: 9**9**9**9 V", r"9**9**9**9", "limits.supply.low", "no quantity", "36 V"),
    ("low: 31 V", "low: [31 V]", "[31 V]", "limits.supply.low", "a list is no quantity", "36 V"),
    ("low: 31 V", "low: 1e999 V", "1e999", "limits.supply.low", "impossible", "36 V"),
    (
        "limited: 70 degC",
        "limited: 70 V",
        "70 V",
        "limits.drive_temperature.limited",
        "kind degC",
        "70 degC",
    ),
    # wrong types and impossible values
    (
        "bits: 12",
        "bits: twelve",
        "twelve",
        "sensors.deflection.bits",
        "not a whole number",
        "write a whole number",
    ),
    ("bits: 12", "bits: 12.5", "12.5", "sensors.deflection.bits", "not a whole number", "whole"),
    ("bits: 12", "bits: 99", "bits: 99", "sensors.deflection.bits", "less than or equal to 24", ""),
    ("sign: 1\n", "sign: 2\n", "sign: 2", "sensors.motor.sign", "'2' is not permitted", "-1 or 1"),
    (
        "predictor: true",
        "predictor: maybe",
        "maybe",
        "control.predictor",
        "neither true nor",
        "true or false",
    ),
    (
        "over_stiff: bound  ",
        "over_stiff: bend  ",
        "bend",
        "control.over_stiff",
        "not permitted",
        "'refuse' or 'bound'",
    ),
    (
        "kind: two_slopes",
        "kind: cubic",
        "spring_law:",
        "calibration.spring_law",
        "'kind: cubic' is not known",
        "'two_slopes', 'polynomial'",
    ),
    ("category: 0", "category: 2", "category: 2", "stop.category", "not permitted", "0 or 1"),
    ("name: footplate trainer", "name: 5", "name: 5", "name", "not text", "quotes"),
    ("name: footplate trainer", "name: ' '", "name: ' '", "name", "empty", "words"),
    (
        "relative_uncertainty: 0.004",
        "relative_uncertainty: .nan",
        ".nan",
        "calibration.relative_uncertainty",
        "'.nan' is not a number",
        "write a number",
    ),
    ("zero: 2048 ", "zero: nan ", "zero: nan", "calibration.zero", "finite", ""),
    (
        "link:\n  control_heartbeat: 150 ms",
        "link: 150 ms",
        "link: 150 ms",
        "link",
        "no mapping",
        "indent its keys",
    ),
    (
        "span: 15 mm ",
        "span: 15 km ",
        "15 km",
        "sensors.deflection.span",
        "impossible here",
        "is the unit right",
    ),
    (
        "telemetry_age: 20 ms",
        "telemetry_age: 5 s",
        "telemetry_age: 5 s",
        "limits.telemetry_age",
        "impossible here",
        "0.1 ms to 100 ms",
    ),
    (
        'dated: "2026-01-15"',
        "dated: yesterday",
        "yesterday",
        "calibration.dated",
        "no date",
        "ISO 8601",
    ),
    # parts
    (
        "actuators/footplate.yaml",
        "actuators/footplat.yaml",
        "footplat.yaml",
        "actuator",
        "no file 'actuators/footplat.yaml'",
        "own directory",
    ),
    (
        "actuators/footplate.yaml",
        "footplate",
        "actuator: footplate",
        "actuator",
        "'footplate' is no mapping",
        "ends in .yaml",
    ),
    (
        "actuators/footplate.yaml",
        "profile.yaml",
        "profile.yaml",
        "actuator",
        "names itself",
        "another file",
    ),
    # the parts against each other
    (
        "limited: 580 N, tripped: 615 N",
        "limited: 620 N, tripped: 615 N",
        "620 N",
        "limits.force.limited",
        "above the trip",
        "at or below 'tripped'",
    ),
    (
        "low: 31 V, high: 42 V",
        "low: 43 V, high: 42 V",
        "43 V",
        "limits.supply.low",
        "not below 'high'",
        "swap",
    ),
    (
        "tripped: 7.4 mm",
        "tripped: 9.5 mm",
        "9.5 mm",
        "limits.deflection.tripped",
        "solid",
        "before the coils touch",
    ),
    (
        "tripped: 7.4 mm",
        "tripped: 7.6 mm",
        "7.6 mm",
        "limits.deflection.tripped",
        "rail at 7.46",
        "trip below 7.46",
    ),
    (
        "limited: 7.0 mm, tripped: 7.4 mm",
        "limited: 5 mm, tripped: 6 mm",
        "limited: 580",
        "limits.force.limited",
        "deflection trips first, at 540 N",
        "below 540 N",
    ),
    (
        "limited: 22 A",
        "limited: 8 A",
        "limited: 580",
        "limits.force.limited",
        "pushes with 390.2 N at most",
        "more current",
    ),
    (
        "tripped: 30 A",
        "tripped: 40 A",
        "40 A",
        "limits.current.tripped",
        "peak current of 33 A",
        "at most 33 A",
    ),
    (
        "upper: 53 mm",
        "upper: 56 mm",
        "56 mm",
        "limits.travel.upper",
        "outside the stroke",
        "inside",
    ),
    (
        "lower: 2 mm",
        "lower: 1 mm",
        "tripped_beyond",
        "limits.travel.tripped_beyond",
        "beyond the lower mechanical end",
        "less than 1 mm",
    ),
    (
        "stop:\n",
        "reference: {mark: {position: 61 mm}}\nstop:\n",
        "61 mm",
        "reference.mark.position",
        "outside the stroke",
        "lower mechanical end",
    ),
    (
        "stop:\n",
        "reference: {seek_speed: 30 mm/s}\nstop:\n",
        "30 mm/s",
        "reference.seek_speed",
        "too fast to meet an end",
        "at most 10 mm/s",
    ),
    (
        "stop:\n",
        "reference: {seek_force: 300 N}\nstop:\n",
        "300 N",
        "reference.seek_force",
        "no gentle force",
        "11.6 N to 116 N",
    ),
    (
        "stop:\n",
        "reference: {home_switch: {input: 2, position: 5 mm}}\nstop:\n",
        "input: 2",
        "reference.home_switch.input",
        "reports no digital inputs",
        "drive.inputs_object",
    ),
    (
        "tripped_beyond: 1.5 mm",
        "tripped_beyond: 2.5 mm",
        "2.5 mm",
        "limits.travel.tripped_beyond",
        "beyond the lower mechanical end",
        "less than 2 mm",
    ),
    (
        "inner_rate: 120 N/mm",
        "inner_rate: 60 N/mm ",
        "inner_rate",
        "calibration.spring_law.inner_rate",
        "more than 30% from twice the rate of one set, 120 N/mm",
        "calibrate again",
    ),
    (
        "outer_rate: 60 N/mm",
        "outer_rate: 85 N/mm",
        "85 N/mm",
        "calibration.spring_law.outer_rate",
        "more than 30%",
        "actuator.springs",
    ),
    (
        "knee: 3 mm",
        "knee: 4.5 mm",
        "knee",
        "calibration.spring_law.knee",
        "more than 30% from the preload, 3 mm",
        "calibrate again",
    ),
    (
        "3.662109375 um/count",
        "3.662109375 mm/count",
        "mm/count",
        "calibration.deflection_per_count",
        "1e.03 times",
        "is the unit right",
    ),
    (
        "3.662109375 um/count",
        "0 um/count",
        "0 um/count",
        "calibration.deflection_per_count",
        "0 m/count is impossible",
        "span",
    ),
    (
        "zero: 2048 ",
        "zero: 4090 ",
        "4090",
        "calibration.zero",
        "at or beyond the sensor's rail",
        "no load",
    ),
    (
        "absolute_uncertainty: 1.5 N",
        "absolute_uncertainty: 90 N",
        "90 N",
        "calibration.absolute_uncertainty",
        "no measurement",
        "calibrate again",
    ),
    (
        "force_bandwidth: 26 Hz",
        "force_bandwidth: 250 Hz",
        "250 Hz",
        "control.force_bandwidth",
        "too high for a rate of 1000 Hz",
        "at most 100 Hz",
    ),
    (
        "telemetry_age: 20 ms",
        "telemetry_age: 1 ms",
        "telemetry_age: 1 ms",
        "limits.telemetry_age",
        "up to a cycle old",
        "at least 2 ms",
    ),
    (
        "cycle_late: 13 ms",
        "cycle_late: 15 ms",
        "cycle_late: 15 ms",
        "limits.cycle_late",
        "misses the host after 15 ms",
        "less than 15 ms",
    ),
    (
        "counts: 200",
        "counts: 20",
        "counts: 20",
        "limits.sensor_jump.counts",
        "honest motion changes 93 counts",
        "at least 141",
    ),
    (
        "tripped: 180 N",
        "tripped: 3 N",
        "tripped: 3 N",
        "limits.disagreement.tripped",
        "own uncertainty",
        "at least",
    ),
    (
        "  supply: 36 V",
        "  supply: 48 V",
        "48 V",
        "simulation.supply",
        "outside limits.supply",
        "correct one",
    ),
    (
        "category: 0",
        "category: 1\n  deceleration: 0.4 m/s^2",
        "stop:",
        "stop.longest",
        "takes 0.8 s",
        "brake harder",
    ),
    # the simulated rig
    (
        "off_state: shorted  ",
        "off_stat: shorted  ",
        "off_stat:",
        "simulation.actual.off_stat",
        "did you mean 'off_state'",
        "by its name",
    ),
    (
        "off_state: shorted  ",
        "off_state: half  ",
        "half",
        "simulation.actual.off_state",
        "must be open or shorted",
        "by its name",
    ),
    (
        "friction_coulomb_N_m: 0.032",
        "friction_coulomb_N_m: 0.032 N*m",
        "0.032 N*m",
        "simulation.actual.friction_coulomb_N_m",
        "number in SI units",
        "by its name",
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "part", "key", "what", "fix"), TABLE, ids=[f"{r[3]}:{r[4]}" for r in TABLE]
)
def test_mistake_is_named(
    tmp_path: Path, old: str, new: str, part: str, key: str, what: str, fix: str
) -> None:
    text = edited(FOOTPLATE, old, new)
    file = tmp_path / "profile.yaml"
    file.write_text(text)
    problems = problems_of(file)
    found = [p for p in problems if p.key == key and re.search(what, p.what)]
    assert len(found) == 1, [str(p) for p in problems]
    problem = found[0]
    assert problem.file == str(file)
    assert problem.line == line_of(text, part)
    assert re.search(fix, problem.fix), problem.fix
    assert problem.fix
    assert str(problem) == f"{file}:{problem.line}: {key}: {problem.what}; {problem.fix}"


SLIDE_TABLE = [
    ("kind: linear", "kind: arm", "rig:", "rig", "'kind: arm' is not known", "'lever', 'linear'"),
    (
        "carriage_mass: 6 kg",
        "carriage_mas: 6 kg",
        "carriage_mas:",
        "rig.carriage_mas",
        "unknown key",
        "did you mean 'carriage_mass'",
    ),
    (
        "weights: [2 kg, 5 kg, 10 kg]",
        "weights: [2 kg, 5 N, 10 kg]",
        "[2 kg, 5 N",
        "rig.weights[1]",
        "kind kg",
        "'5 kg'",
    ),
    (
        "weights: [2 kg, 5 kg, 10 kg]",
        "weights: [2 kg, 5 kg, 50 kg]",
        "50 kg",
        "rig.weights[2]",
        "takes 549.2 N",
        "leave it out",
    ),
    (
        "weights: [2 kg, 5 kg, 10 kg]",
        "weights: 2 kg",
        "weights: 2 kg",
        "rig.weights",
        "no list",
        "brackets",
    ),
    (
        "continuous_current: 7 A",
        "continuous_current: 70 A",
        "70 A",
        "actuator.motor.continuous_current",
        "above the peak current of 18 A",
        "swap",
    ),
    (
        "breakaway: 0.015 N*m",
        "breakaway: 0.005 N*m",
        "0.005",
        "actuator.friction.breakaway",
        "below the coulomb friction",
        "correct one",
    ),
    (
        "preload: 4 mm",
        "preload: 40 mm",
        "40 mm",
        "actuator.springs.preload",
        "not below the solid deflection",
        "correct one",
    ),
    ("lead: 5 mm", "lead: -5 mm", "-5 mm", "actuator.screw.lead", "greater than 0", "'10 mm'"),
    (
        "lead: 5 mm",
        "lead: 5 m",
        "lead: 5 m",
        "actuator.screw.lead",
        "impossible here",
        "0.2 mm to 200 mm",
    ),
    (
        "efficiency_forward: 0.88",
        "efficiency_forward: 88",
        "efficiency_forward: 88",
        "actuator.screw.efficiency_forward",
        "less than or equal to 1",
        "change it",
    ),
    (
        "-0.409",
        "-0.9",
        "-0.9",
        "calibration.spring_law.coefficients",
        "does not grow near",
        "fit again",
    ),
    (
        "[0.0, 53.7,",
        "[12.0, 53.7,",
        "12.0",
        "calibration.spring_law.coefficients",
        "12 N at no deflection",
        "calibration.zero",
    ),
    (
        "[0.0, 53.7, 0.0, -0.409, 0.0, 0.0024]",
        "[0.0, 90.0]",
        "90.0",
        "calibration.spring_law.coefficients",
        "more than 30% from the springs' 325 N",
        "calibrate again",
    ),
    (
        "[0.0, 53.7, 0.0, -0.409, 0.0, 0.0024]",
        "[0.0]",
        "[0.0]",
        "calibration.spring_law.coefficients",
        "at least 2 items",
        "",
    ),
    (
        "protocol: cia402",
        "protocol: cia42",
        "cia42",
        "drive.protocol",
        "did you mean 'cia402'",
        "write one of: cia402",
    ),
    ("  protocol: cia402\n", "", "drive:", "drive.protocol", "missing", "write one of: cia402"),
]


@pytest.mark.parametrize(
    ("old", "new", "part", "key", "what", "fix"),
    SLIDE_TABLE,
    ids=[f"{r[3]}:{r[4]}" for r in SLIDE_TABLE],
)
def test_mistake_in_a_linear_rig_is_named(
    tmp_path: Path, old: str, new: str, part: str, key: str, what: str, fix: str
) -> None:
    text = edited(SLIDE, old, new)
    file = tmp_path / "slide.yaml"
    file.write_text(text)
    found = [p for p in problems_of(file) if p.key == key]
    assert [(p.file, p.line) for p in found] == [(str(file), line_of(text, part))]
    assert re.search(what, found[0].what), found[0].what
    assert re.search(fix, found[0].fix), found[0].fix


def test_a_mistake_in_a_part_names_the_part_and_its_line(tmp_path: Path) -> None:
    part = tmp_path / "actuators" / "mine.yaml"
    part.parent.mkdir()
    text = (SHIPPED / "actuators" / "footplate.yaml").read_text()
    part.write_text(edited(text, "lead: 10 mm", "lead: 10 N"))
    file = tmp_path / "profile.yaml"
    file.write_text(edited(FOOTPLATE, "actuators/footplate.yaml", "actuators/mine.yaml"))
    (problem,) = problems_of(file)
    assert problem.file == str(part)
    assert problem.line == line_of(text, "lead: 10 mm")
    assert problem.key == "actuator.screw.lead"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "empty"),
        ("- a\n", "not a mapping"),
        ("screw: {a: 1\n", "not YAML"),
        ("a: 1\na: 2\n", "first in line 1"),
    ],
)
def test_a_broken_part_names_the_part(tmp_path: Path, text: str, what: str) -> None:
    part = tmp_path / "mine.yaml"
    part.write_text(text)
    file = tmp_path / "profile.yaml"
    file.write_text(edited(FOOTPLATE, "actuators/footplate.yaml", "mine.yaml"))
    (problem,) = problems_of(file)
    assert problem.file == str(part)
    assert what in problem.what


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    text = edited(FOOTPLATE, "bits: 12", "bits: 99")
    text = edited(text, "low: 31 V", "low: 31 mm")
    text = edited(text, "phase_margin: 40 ", "phase_margn: 40 ")
    text = edited(text, "rigs/footplate_lever.yaml", "{kind: lever, rod_arm: 3}")
    file = tmp_path / "profile.yaml"
    file.write_text(text)
    keys = {p.key for p in problems_of(file)}
    assert keys >= {
        "sensors.deflection.bits",
        "limits.supply.low",
        "control.phase_margn",
        "rig.rod_arm",
        "rig.load_arm",
        "rig.level_position",
    }


def test_warnings_do_not_refuse(tmp_path: Path) -> None:
    text = edited(FOOTPLATE, "force_bandwidth: 26 Hz", "force_bandwidth: 150 Hz")
    file = tmp_path / "profile.yaml"
    file.write_text(text)
    examined = examine_profile(file)
    assert examined.profile is not None
    assert [(p.key, p.line) for p in examined.warnings] == [
        ("control.force_bandwidth", line_of(text, "150 Hz"))
    ]
    assert load_profile(file) == examined.profile


DRIVE = (SHIPPED / "drives" / "bench_cia402.yaml").read_text()


@pytest.mark.parametrize(
    ("old", "new", "part", "key", "what", "fix"),
    [
        ("node: 5", "node: 500", "500", "drive.node", "less than or equal to 127", "change it"),
        ("node: 5", "nod: 5", "nod: 5", "drive.nod", "unknown key", "did you mean 'node'"),
        ("node: 5\n", "", "protocol", "drive.node", "missing", "add 'node: 1' under 'drive'"),
        ("node: 5", "node: 127", "127", "drive.node", "node and host_node must differ", "correct"),
        ("host_loss: 15 ms", "host_loss: 20 N", "20 N", "drive.host_loss", "kind s", "'20 ms'"),
        (
            "host_loss: 15 ms",
            "host_loss: 9 ms",
            "9 ms",
            "drive.host_loss",
            "at least twice host_heartbeat",
            "correct",
        ),
        # Rounded to the wire's milliseconds these would switch the drive's watch off.
        (
            "host_heartbeat: 5 ms\nhost_loss: 15 ms",
            "host_heartbeat: 0 s\nhost_loss: 0 s",
            "host_loss",
            "drive.host_loss",
            "0 ms is impossible",
            "5 ms to 1 s",
        ),
        (
            "host_heartbeat: 5 ms",
            "host_heartbeat: 0.2 ms",
            "0.2 ms",
            "drive.host_heartbeat",
            "0.2 ms is impossible",
            "1 ms to 500 ms",
        ),
        (
            "eds: bench_cia402.eds",
            "eds: none.eds",
            "none.eds",
            "drive.eds",
            "no file 'none.eds'",
            "directory of the file",
        ),
        (
            "node: 5",
            "node: 5\ncounts_per_revolution: 8192",
            "8192",
            "drive.counts_per_revolution",
            "8192 differs from the 4096 of sensors.motor",
            "leave this one out",
        ),
        (
            "node: 5",
            "node: 5\ndeflection_object: {index: 3}",
            "index: 3",
            "drive.deflection_object.index",
            "greater than or equal to 4096",
            "change it",
        ),
        (
            "interface: local_socket",
            "interfac: local_socket",
            "bus:",
            "drive.bus.interface",
            "missing",
            "add 'interface: text' under 'drive.bus'",
        ),
        (
            "protocol: cia402",
            "protocol: 402",
            "protocol: 402",
            "drive.protocol",
            "'402' is not text",
            "write one of",
        ),
    ],
)
def test_mistake_in_the_drive_is_named(
    tmp_path: Path, old: str, new: str, part: str, key: str, what: str, fix: str
) -> None:
    text = edited(
        DRIVE.replace(
            "# Invented drive board of the footplate trainer, spoken to by CiA 301/402 over CAN.",
            "#",
        ),
        old,
        new,
    )
    drive = tmp_path / "drive.yaml"
    drive.write_text(text)
    file = tmp_path / "profile.yaml"
    file.write_text(edited(FOOTPLATE, "drives/bench_cia402.yaml", "drive.yaml"))
    found = [p for p in problems_of(file) if p.key == key]
    assert [p.file for p in found] == [str(drive)]
    # A missing key is shown where its mapping begins: the key that names the part, or 'bus'.
    assert re.search(what, found[0].what), found[0].what
    assert re.search(fix, found[0].fix), found[0].fix
    assert found[0].line == line_of(text, part)


def test_eds_is_found_beside_the_file_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "drives").mkdir()
    (tmp_path / "drives" / "mine.eds").write_text(
        (SHIPPED / "drives" / "bench_cia402.eds").read_text()
    )
    (tmp_path / "drives" / "mine.yaml").write_text(
        edited(DRIVE, "eds: bench_cia402.eds", "eds: mine.eds")
    )
    file = tmp_path / "profile.yaml"
    file.write_text(edited(FOOTPLATE, "drives/bench_cia402.yaml", "drives/mine.yaml"))
    assert load_profile(file).drive["eds"] == str(tmp_path / "drives" / "mine.eds")
