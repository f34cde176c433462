from __future__ import annotations

import dataclasses
import math

import pytest

from drivers.base import Command, DriverError, Mode, PowerRequest, PowerStage
from drivers.simulated.lockstep import LockstepDrive
from drivers.simulated.parameters import RigParameters


def session(seed: int) -> list[str]:
    drive = LockstepDrive(RigParameters(), seed, 0.001)
    drive.open()
    command = Command()
    rows = []
    for k in range(1500):
        rows.append(repr(dataclasses.astuple(drive.read(0.0))))  # NaN differs from itself
        if k == 20:
            command.power = PowerRequest.ON
        if k == 300:
            drive.core.environment.hang(2.5)
        command.torque_N_m = 0.4 + 0.2 * math.sin(k * 0.01)
        drive.write(command)
    drive.close()
    return rows


def test_one_seed_one_history():
    first = session(3)
    assert first == session(3)
    assert first != session(4)


def started(parameters: RigParameters | None = None) -> tuple[LockstepDrive, Command]:
    drive = LockstepDrive(parameters or RigParameters(initial_output_m=0.02))
    drive.open()
    command = Command(power=PowerRequest.ON)
    for _ in range(30):
        drive.read(0.0)
        drive.write(command)
    assert drive.telemetry.power is PowerStage.ON
    return drive, command


def test_a_command_acts_one_cycle_after_it_was_written():
    drive, command = started()
    command.torque_N_m = 0.3
    drive.write(command)
    drive.read(0.0)  # the command takes effect with this sample
    assert drive.telemetry.torque_N_m == 0.0
    drive.write(command)
    drive.read(0.0)  # one period has acted: four time constants of the current loop
    assert drive.telemetry.torque_N_m == pytest.approx(0.3 * (1 - math.exp(-4)), abs=0.001)


def test_values_have_the_resolution_of_a_wire():
    drive, command = started(RigParameters(initial_output_m=0.02, rated_torque_N_m=0.7))
    command.torque_N_m = 0.123456
    for _ in range(300):
        drive.write(command)
        telemetry = drive.read(0.0)
        for value, step in (
            (telemetry.torque_N_m, 0.0007),
            (telemetry.position_rad, 2 * math.pi / 4096),
            (telemetry.velocity_rad_s, 2 * math.pi / 4096),
            (telemetry.supply_V, 0.001),
            (telemetry.deflection_counts, 1.0),
        ):
            assert value / step == pytest.approx(round(value / step), abs=1e-6)
    assert drive.core.torque_N_m == pytest.approx(176 * 0.0007, rel=1e-9)


def test_de_energise_acts_without_another_cycle_and_forgets_the_last_command():
    drive, command = started()
    drive.write(command)
    drive.de_energise()
    assert drive.core.power is PowerStage.OFF
    drive.read(0.0)
    assert drive.core.power is PowerStage.OFF


def test_a_silent_host_is_a_fault_after_the_drives_own_limit():
    drive, _ = started()
    cycles = 0
    while drive.read(0.0).power is not PowerStage.FAULT:
        cycles += 1
        assert cycles < 200
    assert 49 <= cycles <= 52  # 50 ms, seen one sample later
    assert drive.telemetry.fault_code == 0x8130
    assert "host" in drive.telemetry.fault_text
    drive.write(Command(power=PowerRequest.CLEAR_FAULT))
    drive.read(0.0)
    assert drive.read(0.0).power is PowerStage.OFF
    assert drive.telemetry.fault_text == ""


def test_a_silent_node_lets_telemetry_age_and_stops_by_itself():
    drive, command = started()
    frames = drive.telemetry.frames
    drive.core.environment.disturb("silent", 1)
    for _ in range(100):
        drive.write(command)
        drive.read(0.0)
    assert drive.telemetry.frames == frames
    assert drive.telemetry.age_s == pytest.approx(0.1, abs=0.0015)
    assert drive.core.power is PowerStage.FAULT


@pytest.mark.parametrize("mode", list(Mode))
def test_a_target_that_is_no_number_is_refused(mode):
    drive, _ = started()
    bad = Command(
        power=PowerRequest.ON,
        mode=mode,
        torque_N_m=math.nan,
        velocity_rad_s=math.nan,
        position_rad=math.inf,
    )
    with pytest.raises(DriverError, match=mode.name):
        drive.write(bad)


def test_position_mode_through_the_drive():
    drive, command = started(RigParameters(initial_output_m=0.02))
    command.mode = Mode.POSITION
    command.position_rad = drive.telemetry.position_rad + 3.0
    target = command.position_rad
    for _ in range(2000):
        drive.write(command)
        drive.read(0.0)
    assert drive.telemetry.mode == Mode.POSITION
    assert drive.telemetry.position_rad == pytest.approx(target, abs=0.05)
