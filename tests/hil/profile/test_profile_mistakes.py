"""Every mistake in a profile gets one line that names file, line, key and fix."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.profile.loader import SHIPPED, examine_profile, load_profile
from hil.profile.problems import ProfileError
from tests.hil.profile.mistaken_profiles import (
    FOOTPLATE,
    Mistake,
    edited,
    line_of,
    one_is_named,
    problems_of,
)

TABLE: list[Mistake] = [
    # Unknown keys.
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
    # Missing keys.
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
    # Units and dimensions.
    (
        "inner_rate: 120 N/mm ",
        "inner_rate: 120 N ",
        "120 N ",
        "calibration.spring_law.inner_rate",
        "'120 N' is not a stiffness",
        "for instance '60 N/mm'",
    ),
    (
        "limited: 580 N,",
        "limited: 580 N/mm,",
        "580 N/mm",
        "limits.force.limited",
        "not a force",
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
    ("span: 15 mm ", "span: 15 kg ", "15 kg", "sensors.deflection.span", "not a length", "'10 mm'"),
    ("rate: 1000 Hz", "rate: 60000 rpm", "60000 rpm", "control.rate", "not a frequency", "'25 Hz'"),
    (
        "3.662109375 um/count",
        "3.662109375 um",
        "3.662109375 um",
        "calibration.deflection_per_count",
        "not a length for each count",
        "um/count",
    ),
    (
        "telemetry_age: 20 ms",
        "telemetry_age: five ms",
        "five ms",
        "limits.telemetry_age",
        "not a time",
        "'20 ms'",
    ),
    ("low: 31 V", "low: 9**9**9**9 V", r"9**9**9**9", "limits.supply.low", "not a voltage", "36 V"),
    ("low: 31 V", "low: [31 V]", "[31 V]", "limits.supply.low", "a list is not a quantity", "36 V"),
    ("low: 31 V", "low: 1e999 V", "1e999", "limits.supply.low", "impossible", "36 V"),
    (
        "limited: 70 degC",
        "limited: 70 V",
        "70 V",
        "limits.drive_temperature.limited",
        "not a temperature",
        "70 degC",
    ),
    # Wrong types and impossible values.
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
    ("name: footplate trainer", "name: ' '", "name: ' '", "name", "empty", "write a text"),
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
        "not a mapping",
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
        "not a date",
        "ISO 8601",
    ),
    # Parts.
    (
        "actuators/footplate.yaml",
        "actuators/footplat.yaml",
        "footplat.yaml",
        "actuator",
        "no file 'actuators/footplat.yaml'",
        "file.s directory",
    ),
    (
        "actuators/footplate.yaml",
        "footplate",
        "actuator: footplate",
        "actuator",
        "'footplate' is not a mapping",
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
]


@pytest.mark.parametrize("mistake", TABLE, ids=[f"{r[3]}:{r[4]}" for r in TABLE])
def test_mistake_is_named(tmp_path: Path, mistake: Mistake) -> None:
    one_is_named(tmp_path, mistake)


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


def test_all_mistakes_are_reported_at_once(tmp_path: Path) -> None:
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


def test_a_name_too_long_to_read_is_shown_by_its_ends() -> None:
    with pytest.raises(ProfileError) as caught:
        load_profile("a" * 1500 + "b" * 1500)
    assert str(caught.value).startswith(f"{'a' * 40}…{'b' * 40} (3000 characters): ")
    assert len(str(caught.value)) < 250
