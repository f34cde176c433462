"""Rotary profiles: angles and torques in their own units, computed along the joint's arc."""

from __future__ import annotations

import ast
import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import hil.measure
from drivers.motion import (
    ARC_RADIUS_M,
    BY_UNIT,
    FORCE,
    LENGTH,
    STIFFNESS,
    restated,
    speaking,
    spoken,
    unit_name,
)
from hil.calibration.profile_part import profile_lines
from hil.control import rig_mass
from hil.profile import (
    SHIPPED,
    Profile,
    ProfileError,
    force_following,
    load_profile,
    motor_force,
    profile_from_dict,
    profile_to_dict,
    rig_parameters,
)

JOINT = (SHIPPED / "rotary_joint.yaml").read_text()
TRAINER = SHIPPED / "footplate_trainer.yaml"
REPEATED = pytest.mark.parametrize("name", ["rotary_joint", "footplate_trainer"])


@pytest.fixture
def joint() -> Profile:
    return load_profile("rotary_joint")


def refused(folder: Path, old: str, new: str, text: str = JOINT) -> str:
    assert text.count(old) == 1, old
    file = folder / "joint.yaml"
    file.write_text(text.replace(old, new))
    with pytest.raises(ProfileError) as error:
        load_profile(file)
    assert len(error.value.problems) == 1, str(error.value)
    line = text[: text.index(old)].count("\n") + 1
    assert error.value.line == line
    return str(error.value)


def test_a_gear_is_a_screw_whose_lead_is_its_arc(joint: Profile) -> None:
    # One turn of the motor is 1/50 of a turn of the joint: 7.2° of the arc.
    lead = joint.actuator.transmission.lead
    assert lead == pytest.approx(math.radians(360 / 50) * ARC_RADIUS_M)
    assert rig_parameters(joint).screw_lead_m == lead
    # Rotor inertia times the ratio squared, plus the gear's own: kg·m² at the joint.
    reflected = joint.actuator.reflected_mass * ARC_RADIUS_M**2
    assert reflected == pytest.approx(5.0e-5 * 50**2 + 0.008)
    # Torque of the joint: ratio · efficiency · (k·I − friction).
    torque = motor_force(joint, 10.0) * ARC_RADIUS_M
    assert torque == pytest.approx(50 * 0.85 * (0.07 * 10.0 - 0.018))


def test_an_arm_on_the_joint_is_a_lever_of_that_arc(joint: Profile) -> None:
    # Moment of arm and pan at level, m·g·L, and their inertia about the joint.
    mass, load, per_newton = rig_mass(joint.rig)
    moment = 9.80665 * (0.8 * 0.12 + 0.2 * 0.3)
    assert load * ARC_RADIUS_M == pytest.approx(moment)
    inertia = 0.8 * 0.24**2 / 3 + 0.2 * 0.3**2
    assert mass * ARC_RADIUS_M**2 == pytest.approx(inertia)
    # A weight that adds 1 N·m adds L/g in kg·m².
    assert per_newton * ARC_RADIUS_M == pytest.approx(0.3 / 9.80665)


def test_values_are_those_along_the_arc(joint: Profile) -> None:
    assert joint.motion == "rotary"
    assert joint.actuator.stroke == pytest.approx(math.radians(120) * ARC_RADIUS_M)
    assert joint.limits.force.limited == 30.0 / ARC_RADIUS_M
    assert joint.actuator.springs.rate_per_set == 150.0 / ARC_RADIUS_M**2
    assert load_profile(TRAINER).motion == "linear"


@REPEATED
def test_a_profile_comes_back_from_plain_values(name: str) -> None:
    profile = load_profile(name)
    assert profile_from_dict(profile_to_dict(profile)) == profile


def test_plain_values_of_a_rotary_profile_are_in_rad_and_newton_metres(joint: Profile) -> None:
    values = profile_to_dict(joint)
    assert values["actuator"]["stroke"] == pytest.approx(math.radians(120))
    assert values["limits"]["force"] == {"limited": 30.0, "tripped": 32.0}
    assert values["limits"]["force_rate"]["limited"] == 600.0
    assert values["calibration"]["spring_law"]["inner_rate"] == 300.0
    assert values["rig"]["load_arm"] == 0.3  # a length, not an arc


def test_torque_rate_speed_and_following_trip_of_the_joint_fit_each_other(joint: Profile) -> None:
    """The figures of the profile's comment, along the arc; the current limit turns motor and gear."""
    limits, springs, control = joint.limits, joint.actuator.springs, joint.control
    pulsation = 2 * math.pi * control.force_bandwidth
    gained_m_s = (
        motor_force(joint, limits.current.limited) / joint.actuator.reflected_mass / pulsation
    )
    reached_N_s = 2 * springs.rate_per_set * gained_m_s
    assert 0.9 * reached_N_s < limits.force_rate.limited <= reached_N_s
    turning_m_s = limits.force_rate.limited / (2 * springs.rate_per_set)
    assert turning_m_s < 0.6 * limits.speed.limited
    assert limits.force_following is None
    tripped = force_following(joint).tripped
    assert tripped == pytest.approx(2.8 * limits.force_rate.limited / pulsation)
    assert tripped < 0.4 * limits.force.limited


@pytest.mark.parametrize(
    ("old", "new", "kind", "example"),
    [
        ("force: {limited: 30 N*m,", "force: {limited: 30 N,", "a torque", "0.03 N*m"),
        (
            "rate_per_set: 150 N*m/rad",
            "rate_per_set: 150 N/mm",
            "a stiffness in torsion",
            "150 N*m/rad",
        ),
        ("stroke: 120 deg", "stroke: 120 mm", "an angle", "15 deg"),
        ("damping: 4 N*m*s/rad", "damping: 4 N*s/mm", "a damping in torsion", "1.0e-4 N*m*s/rad"),
        ("load_arm: 300 mm", "load_arm: 30 deg", "a length", "10 mm"),
    ],
)
def test_the_unit_of_the_other_kind_is_refused_where_it_stands(
    tmp_path: Path, old: str, new: str, kind: str, example: str
) -> None:
    said = refused(tmp_path, old, new)
    assert f"is not {kind}; write for instance '{example}'" in said


def test_a_linear_profile_refuses_units_of_a_rotary_one(tmp_path: Path) -> None:
    text = TRAINER.read_text()
    said = refused(tmp_path, "force: {limited: 580 N,", "force: {limited: 580 N*m,", text)
    assert "is not a force; write for instance '600 N'" in said


def test_an_arm_needs_a_gear_and_a_gear_an_arm(tmp_path: Path) -> None:
    file = tmp_path / "mixed.yaml"
    file.write_text(f"based_on: {TRAINER}\nrig:\n  kind: joint_arm\n  load_arm: 300 mm\n"
                    "  level_position: 27 mm\n")  # fmt: skip
    with pytest.raises(ProfileError, match="turns with the joint of a rotary actuator"):
        load_profile(file)
    file.write_text("based_on: rotary_joint.yaml\nrig: {kind: linear, carriage_mass: 1 kg}\n")
    with pytest.raises(ProfileError, match=r"rig.kind: 'linear' is of a linear actuator"):
        load_profile(file)


def test_reading_a_profile_lets_the_process_speak_of_its_motion() -> None:
    load_profile("rotary_joint")
    assert (spoken(), FORCE.unit, LENGTH.unit) == ("rotary", "N·m", "°")
    load_profile(TRAINER)
    assert (spoken(), FORCE.unit, LENGTH.unit) == ("linear", "N", "mm")


@given(
    st.floats(-1e6, 1e6, allow_subnormal=False).filter(lambda x: x == 0.0 or abs(x) > 1e-6),
    st.sampled_from(sorted(BY_UNIT)),
    st.sampled_from(["linear", "rotary"]),
)
def test_every_number_shown_comes_back(number: float, unit: str, motion: str) -> None:
    with speaking("rotary" if motion == "rotary" else "linear"):
        quantity = BY_UNIT[unit]
        assert quantity.inside(quantity(number)) == pytest.approx(number, rel=1e-12)


def test_power_is_the_same_in_either_unit() -> None:
    # A change of unit keeps power: torque times angular speed equals force times speed.
    with speaking("rotary"):
        torque, radians = float(FORCE(480.0)), math.radians(float(LENGTH(0.2)))
        assert torque * radians == pytest.approx(480.0 * 0.2)
        assert float(STIFFNESS(1e5)) * radians == pytest.approx(float(FORCE(1e5 * 0.2)))


def test_a_calibration_written_into_a_rotary_profile_reads_back_unchanged(tmp_path: Path) -> None:
    joint = load_profile("rotary_joint")
    uneven = ((0.0, 0.7 / ARC_RADIUS_M), (20.0 / ARC_RADIUS_M, 0.9 / ARC_RADIUS_M))
    measured = joint.calibration.model_copy(
        update={"identity": "made up", "uncertainty_table": uneven}
    )
    lines = "\n".join(f"  {line}" for line in profile_lines(measured))
    assert "inner_rate: 300.0 N*m/rad" in lines and "- [20.0, 0.9]" in lines
    file = tmp_path / "joint.yaml"
    file.write_text(f"based_on: rotary_joint.yaml\ncalibration:\n{lines}\n")
    assert load_profile(file).calibration == measured


def test_each_unit_of_the_data_sheet_is_that_of_a_rotary_actuator_too() -> None:
    """Each unit that the tests write with a newton, a millimetre or a kilogram has its own."""
    texts = [
        node.value
        for file in (Path(hil.measure.__file__).parent).glob("*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    units = {text for text in texts if re.fullmatch(r"(N|mm|µm|kg)([/·][a-zµ/·]+)?", text)}
    units = {unit for unit in units if not unit.startswith("N·m")}
    assert {"N/min", "N/h", "N/mm", "mm"} <= units
    with speaking("rotary"):
        same = [unit for unit in units if unit_name(unit) == unit]
    assert not same
    # 1 N/min along the arc is R N·m/min about the joint.
    with speaking("rotary"):
        assert restated(1.0, "N/min") == pytest.approx(ARC_RADIUS_M)
        assert restated(1.0, "N/h") == pytest.approx(ARC_RADIUS_M)
