"""Conventions of current and winding: converted on reading, and back on writing."""

from __future__ import annotations

import math
import shutil

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.profile import (
    SHIPPED,
    ProfileError,
    examine_profile,
    load_profile,
    profile_from_dict,
    profile_to_dict,
    rig_parameters,
    write_back,
)
from hil.profile.conventions import Conventions, converted, factors
from ui.commands.check import figures

PLAIN = load_profile("footplate_trainer")
MOTOR = PLAIN.actuator.motor
currents = st.sampled_from(["peak", "rms"])
windings = st.sampled_from(["equivalent", "phase", "line_to_line"])


@pytest.fixture
def folder(tmp_path):
    copied = tmp_path / "mine"
    shutil.copytree(SHIPPED, copied)
    return copied


def stated(folder, current, winding):
    """Return a profile whose file states the plain one's values in these conventions."""
    by = factors(current, winding)
    part = folder / "actuators" / "footplate.yaml"
    data = yaml.safe_load(part.read_text())
    motor = data["motor"]
    motor |= {"current_convention": current, "winding_convention": winding}
    for name, unit in (
        ("torque_constant", "N*m/A"),
        ("winding_resistance", "ohm"),
        ("winding_inductance", "H"),
        ("continuous_current", "A"),
        ("peak_current", "A"),
    ):
        motor[name] = f"{getattr(MOTOR, name) / by[f'actuator.motor.{name}']!r} {unit}"
    part.write_text(yaml.safe_dump(data))
    file = folder / "footplate_trainer.yaml"
    limits = yaml.safe_load(file.read_text())["limits"]["current"]
    text = file.read_text()
    old = next(line for line in text.splitlines() if line.strip().startswith("current:"))
    kept = {
        name: getattr(PLAIN.limits.current, name) / by[f"limits.current.{name}"] for name in limits
    }
    new = ", ".join(f"{name}: {value!r} A" for name, value in kept.items())
    file.write_text(text.replace(old, f"  current: {{{new}}}"))
    return file


@settings(
    max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(current=currents, winding=windings)
def test_one_motor_is_one_motor_however_it_is_stated(tmp_path_factory, current, winding):
    folder = tmp_path_factory.mktemp("stated") / "mine"
    shutil.copytree(SHIPPED, folder)
    profile = load_profile(stated(folder, current, winding))
    for one, other in (
        (profile.actuator.motor, MOTOR),
        (profile.limits.current, PLAIN.limits.current),
    ):
        for name in type(one).model_fields:
            value = getattr(other, name)
            close = isinstance(value, float)
            assert getattr(one, name) == (pytest.approx(value, rel=1e-12) if close else value)
    assert rig_parameters(profile).torque_constant_N_m_A == pytest.approx(MOTOR.torque_constant)
    # Numbers passed on as data are not converted again.
    assert profile_from_dict(profile_to_dict(profile)) == profile


@given(current=currents, winding=windings)
def test_losses_torque_and_voltage_agree_with_three_phases(current, winding):
    # Three sine phases of amplitude I: loss 3·R·(I/√2)²; the rms value is the peak over √2.
    by = factors(current, winding)
    amplitude, R, k = 7.0, 0.2, 0.06  # A, ohms per phase, N·m/A
    file_I = amplitude if current == "peak" else amplitude / math.sqrt(2)
    file_k = k if current == "peak" else k * math.sqrt(2)
    file_R = {"phase": R, "line_to_line": 2 * R, "equivalent": 1.5 * R}[winding]
    inside_I = file_I * by["actuator.motor.continuous_current"]
    inside_R = file_R * by["actuator.motor.winding_resistance"]
    assert inside_R * inside_I**2 == pytest.approx(3 * R * (amplitude / math.sqrt(2)) ** 2)
    assert file_k * by["actuator.motor.torque_constant"] * inside_I == pytest.approx(k * amplitude)


@given(current=currents, winding=windings, value=st.floats(1e-3, 1e3))
def test_what_is_written_back_is_the_inverse_of_what_is_read(current, winding, value):
    conventions = Conventions(current, winding)
    for key, factor in factors(current, winding).items():
        assert value * conventions.stated_over_inside(key) * factor == pytest.approx(value)
    assert conventions.stated_over_inside("actuator.stroke") == 1.0


def test_a_measured_value_is_written_as_the_file_states_it(folder):
    file = stated(folder, "rms", "line_to_line")
    asked = {
        "actuator.motor.torque_constant": "0.08 N*m/A",
        "actuator.motor.winding_resistance": "0.3 ohm",
        "limits.current.limited": "20 A",
        "actuator.motor.rotor_inertia": "1.5 kg*cm^2",
    }
    write_back(file, asked)
    profile = load_profile(file)
    assert profile.actuator.motor.torque_constant == pytest.approx(0.08, rel=1e-5)
    assert profile.actuator.motor.winding_resistance == pytest.approx(0.3, rel=1e-5)
    assert profile.limits.current.limited == pytest.approx(20.0, rel=1e-5)
    assert profile.actuator.motor.rotor_inertia == pytest.approx(1.5e-4)
    text = (folder / "actuators" / "footplate.yaml").read_text()
    assert "winding_resistance: 0.4 ohm" in text and "torque_constant: 0.113137 N*m/A" in text


def test_check_says_how_currents_and_winding_are_stated(folder):
    found = examine_profile(stated(folder, "rms", "phase"))
    assert found.profile is not None
    rows = {row[0]: row for row in figures(found.profile, found.conventions)}
    assert rows["current_convention"][2] == "effective values (rms)"
    assert f"{MOTOR.continuous_current:.4g} A, amplitude" in rows["current_convention"][4]
    assert rows["winding_convention"][2] == "phase of a star"


def test_an_unknown_convention_is_refused_with_those_that_there_are(folder):
    part = folder / "actuators" / "footplate.yaml"
    part.write_text(part.read_text().replace("motor:\n", "motor:\n  current_convention: mean\n", 1))
    with pytest.raises(ProfileError, match=r"current_convention.*peak.*rms"):
        load_profile(folder / "footplate_trainer.yaml")


def test_a_profile_in_the_own_convention_is_left_alone():
    assert converted(PLAIN) is PLAIN
