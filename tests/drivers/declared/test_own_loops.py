"""Described boards that take velocity or position, against the simulated rig over real wires."""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from typing import Any

import pytest

from drivers.base import Command, DriverError, Mode, PowerRequest, PowerStage
from drivers.registry import find_protocol
from drivers.simulated.drive_core import SimulatedDriveCore
from drivers.simulated.parameters import RigParameters
from hil.profile import SHIPPED, ProfileError, load_profile
from tests.drivers.declared.declared_rig import ON, PERIOD_S, cycle, cycles, options_of
from tests.drivers.declared.test_can_rigs import FLEXIBLE, flexible

BY_POSITION = {"position": {"to": "demand.torque"}}
SPEED_RAD_S = 3.0


def boards(tmp_path: Path, takes: str) -> dict[str, Any]:
    """Return a line board on a socket and a CAN FD board, each with one command other than torque.

    Both have a long host-loss time: their host is a thread beside them.
    """
    port = {"path": str(tmp_path / "board.sock"), "baud": 1_000_000}
    command = {takes: {"to": "demand.torque"}}
    patience: dict[str, Any] = {"host_loss": "2 s", "silence": "4 s"}
    wire = FLEXIBLE.replace("  torque: {to: DEMAND.TORQUE,", f"  {takes}: {{to: DEMAND.TORQUE,")
    wire = wire.replace("host_loss: 100 ms", "host_loss: 2 s\nsilence: 4 s")
    return {
        "declared_lines": options_of(
            "treadle_lines", tmp_path, port=port, takes=command, **patience
        ),
        "declared_can": flexible(tmp_path / "can.sock", wire),
    }


@pytest.mark.real_time
@pytest.mark.parametrize("protocol", ["declared_lines", "declared_can"])
@pytest.mark.parametrize("takes", ["velocity", "position"])
def test_a_board_turns_as_it_is_asked_and_rests_without_power(
    tmp_path: Path, far: Any, takes: str, protocol: str
) -> None:
    options = boards(tmp_path, takes)[protocol]
    core = SimulatedDriveCore(RigParameters(), 1)
    far(options, core)
    drive: Any = find_protocol(protocol).make(options, PERIOD_S)
    drive.open()
    telemetry, mode = drive.telemetry, Mode[takes.upper()]
    assert drive.capabilities.modes == {mode} and options.modes == (takes,)
    cycle(drive, Command(), lambda: telemetry.frames > 5)
    began = telemetry.position_rad
    command = Command(power=PowerRequest.ON, mode=mode, velocity_rad_s=SPEED_RAD_S)
    command.position_rad = began
    cycle(drive, command, lambda: telemetry.power is PowerStage.ON)
    assert telemetry.mode == mode
    command.position_rad = began + 1.0
    cycle(drive, command, lambda: telemetry.position_rad > began + 0.8)
    if takes == "velocity":
        cycle(drive, command, lambda: abs(telemetry.velocity_rad_s - SPEED_RAD_S) < 0.5)
    else:
        cycle(drive, command, lambda: abs(telemetry.velocity_rad_s) < 0.1)
        assert telemetry.position_rad == pytest.approx(began + 1.0, abs=0.1)
    with pytest.raises(DriverError, match="takes no torque"):
        drive.write(ON)
    cycle(drive, Command(mode=mode), lambda: core.power is PowerStage.OFF)
    # The last command before power went off requests no motion.
    at, targets = core._position_rad(), (core._targets.velocity_rad_s, core._targets._position_rad)
    assert targets[0] == 0.0
    if takes == "position":
        assert targets[1] == pytest.approx(at, abs=0.2)
    cycles(drive, Command(mode=mode), 0.02)
    assert not telemetry.lost
    drive.close()


def test_two_commands_leave_open_which_is_followed(tmp_path: Path) -> None:
    port = {"path": str(tmp_path / "board.sock"), "baud": 1_000_000}
    both = {"velocity": {"to": "demand.torque"}, **BY_POSITION}
    with pytest.raises(ValueError, match="position and velocity do not define which"):
        options_of("treadle_lines", tmp_path, port=port, takes=both)


def test_the_profile_must_command_what_the_board_takes(tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(SHIPPED, folder)
    board, profile = folder / "drives/treadle_lines.yaml", folder / "treadle_lines.yaml"
    board.write_text(board.read_text().replace("  torque: {to: demand", "  velocity: {to: demand"))
    with pytest.raises(ProfileError, match=r"in velocity only.* write control\.source: velocity"):
        load_profile(profile)
    profile.write_text(
        profile.read_text() + "\ncontrol: {source: velocity, force_bandwidth: 20 Hz}\n"
    )
    assert math.isclose(load_profile(profile).control.force_bandwidth, 20.0)


@pytest.mark.parametrize(
    ("source", "unit", "narrow", "wide"),
    [("velocity", "rad/s", 0.0002, 0.01), ("position", "rad", 0.0002, 0.01)],
)
def test_a_signal_must_hold_what_the_force_law_may_ask_for(
    tmp_path: Path, source: str, unit: str, narrow: float, wide: float
) -> None:
    folder = tmp_path / "mine"
    shutil.copytree(SHIPPED, folder)
    board, profile = folder / "drives/treadle_can.yaml", folder / "treadle_can.yaml"
    taken = f"  {source}: {{to: DEMAND.DEMAND_TORQUE}}"
    board.write_text(board.read_text().replace("  torque: {to: DEMAND.DEMAND_TORQUE}", taken))
    profile.write_text(
        profile.read_text() + f"\ncontrol: {{source: {source}, force_bandwidth: 20 Hz}}\n"
    )
    database = folder / "drives/treadle_board.dbc"
    text = database.read_text()
    for scale in (narrow, wide):
        signal = f'({scale},0) [-6.5|6.5] "{unit}" BOARD'
        database.write_text(text.replace('(0.0002,0) [-6.5|6.5] "Nm" BOARD', signal, 1))
        if scale == wide:
            assert load_profile(profile).control.source == source
            continue
        found = (
            rf"takes\.{source}: 'DEMAND\.DEMAND_TORQUE' ranges from -6\.554 to 6\.553 {unit}, but"
        )
        with pytest.raises(ProfileError, match=found):
            load_profile(profile)


@pytest.mark.real_time
@pytest.mark.parametrize("protocol", ["declared_lines", "declared_can"])
def test_a_torque_is_added_to_a_boards_loop_and_ends_with_power(
    tmp_path: Path, far: Any, protocol: str
) -> None:
    port = {"path": str(tmp_path / "board.sock"), "baud": 1_000_000}
    if protocol == "declared_lines":
        commands = {**load_profile("treadle_lines").drive["commands"]}
        commands["demand"] += " {add:+.4f}"
        options = options_of(
            "treadle_lines",
            tmp_path,
            port=port,
            commands=commands,
            takes={"velocity": {"to": "demand.torque"}, "torque_offset": {"to": "demand.add"}},
            host_loss="2 s",
            silence="4 s",
        )
    else:
        wire = FLEXIBLE.replace("  torque: {to: DEMAND.TORQUE,", "  velocity: {to: DEMAND.TORQUE,")
        wire = wire.replace("takes:\n", "takes:\n  torque_offset: {to: DEMAND.ADD}\n")
        wire = wire.replace(
            "      COUNT: {start: 72",
            "      ADD: {start: 48, bits: 16, signed: true, scale: 0.001}\n      COUNT: {start: 72",
        )
        wire = wire.replace("host_loss: 100 ms", "host_loss: 2 s\nsilence: 4 s")
        options = flexible(tmp_path / "can.sock", wire)
    core = SimulatedDriveCore(RigParameters(), 1)
    far(options, core)
    assert options.modes == ("velocity",) and options.torque_offset
    drive: Any = find_protocol(protocol).make(options, PERIOD_S)
    drive.open()
    assert drive.capabilities.adds_torque
    command = Command(power=PowerRequest.ON, mode=Mode.VELOCITY, torque_offset_N_m=0.2)
    cycle(drive, command, lambda: drive.telemetry.power is PowerStage.ON)
    cycle(drive, command, lambda: abs(core._targets.torque_N_m - 0.2) < 1e-3)
    command.torque_offset_N_m = 1e6
    most = drive.capabilities.peak_torque_N_m
    cycle(drive, command, lambda: abs(core._targets.torque_N_m - most) < 1e-3)
    command.torque_offset_N_m = math.nan
    with pytest.raises(DriverError, match="torque offset nan is not a finite number"):
        drive.write(command)
    off = Command(mode=Mode.VELOCITY, torque_offset_N_m=0.2)
    cycle(drive, off, lambda: core.power is PowerStage.OFF)
    cycles(drive, off, 0.02)
    assert core._targets.torque_N_m == 0.0 and not drive.telemetry.lost
    drive.close()


def test_a_torque_is_added_to_a_loop_only(tmp_path: Path) -> None:
    port = {"path": str(tmp_path / "board.sock"), "baud": 1_000_000}
    offset = {"torque_offset": {"to": "demand.torque"}}
    for takes in (offset, {"torque": {"to": "demand.torque"}, **offset}):
        with pytest.raises(ValueError, match="declare velocity or position as well"):
            options_of("treadle_lines", tmp_path, port=port, takes=takes)
