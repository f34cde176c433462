"""Mistakes in a linear rig and in a drive's file."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.profile.loader import SHIPPED, load_profile
from tests.hil.profile.mistaken_profiles import FOOTPLATE, edited, line_of, problems_of

SLIDE = (SHIPPED / "bench_slide.yaml").read_text()
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
        "not a mass",
        "'5 kg'",
    ),
    (
        "weights: [2 kg, 5 kg, 10 kg]",
        "weights: [2 kg, 5 kg, 50 kg]",
        "50 kg",
        "rig.weights[2]",
        "needs 549.2 N",
        "leave it out",
    ),
    (
        "weights: [2 kg, 5 kg, 10 kg]",
        "weights: 2 kg",
        "weights: 2 kg",
        "rig.weights",
        "not a list",
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
        "does not increase near",
        "fit again",
    ),
    (
        "[0.0, 53.7,",
        "[12.0, 53.7,",
        "12.0",
        "calibration.spring_law.coefficients",
        "12 N at zero deflection",
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


DRIVE = (SHIPPED / "drives" / "bench_cia402.yaml").read_text()


@pytest.mark.parametrize(
    ("old", "new", "part", "key", "what", "fix"),
    [
        ("node: 5", "node: 500", "500", "drive.node", "less than or equal to 127", "change it"),
        ("node: 5", "nod: 5", "nod: 5", "drive.nod", "unknown key", "did you mean 'node'"),
        ("node: 5\n", "", "protocol", "drive.node", "missing", "add 'node: 1' under 'drive'"),
        ("node: 5", "node: 127", "127", "drive.node", "node and host_node must differ", "correct"),
        ("host_loss: 15 ms", "host_loss: 20 N", "20 N", "drive.host_loss", "not a time", "'20 ms'"),
        (
            "host_loss: 15 ms",
            "host_loss: 9 ms",
            "9 ms",
            "drive.host_loss",
            "at least twice host_heartbeat",
            "correct",
        ),
        # Rounded to the wire's milliseconds, these would disable the drive's watch.
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
            "# Invented drive board of the footplate trainer, CiA 301/402 over CAN.", "#"
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
    # A missing key is reported where its mapping begins: at the key that names the part, or 'bus'.
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
