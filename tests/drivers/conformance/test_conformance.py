"""The four shipped kinds of drive, and a CiA 402 motor beside a separate sensor."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import pytest
from conformance_bench import (
    LONG_ENOUGH,
    PERIOD_S,
    Bench,
    Board,
    cycle_until,
    cycles,
    energise,
    moved,
)
from conformance_suite import DriveConformance

from drivers.base import Mode, PowerRequest
from drivers.cia402 import dictionary, node
from drivers.cia402.objects import SUPPORTED_MODES
from drivers.declared.combined.drive import CombinedDrive
from drivers.declared.combined.simulated import SharedCore
from drivers.registry import find_protocol, redirected
from hil.profile.loader import load_profile

pytestmark = pytest.mark.real_time

# The shipped profiles treat 50 ms of silence as a loss. Tests on a busy computer can delay a board
# in a thread by as much.
SILENCE = "100 ms"


@cache
def shipped(name: str) -> dict[str, Any]:
    return load_profile(name).drive


def at_a_terminal(data: dict[str, Any], directory: Path) -> dict[str, Any]:
    return {**data, "port": {**data["port"], "path": str(directory / "board.tty")}}


class TestCia402(DriveConformance):
    def drive(self, host_loss: str) -> dict[str, Any]:
        loss = {"host_loss": host_loss, "drive_loss": SILENCE}
        return {**shipped("bench_slide"), **loss, "drive_heartbeat": "20 ms"}

    def test_a_mode_that_the_drive_lacks_gives_no_power(
        self, before_power_up: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        build = dictionary.build

        def of_torque_alone(*arguments: Any) -> Any:
            dictionary = build(*arguments)
            dictionary.items[SUPPORTED_MODES, 0].value = 1 << 9
            return dictionary

        monkeypatch.setattr(node, "build", of_torque_alone)
        before_power_up.start_board()
        self.test_a_command_acts_within_its_cycles(before_power_up, Mode.VELOCITY)

    def test_the_node_powers_on_at_a_transition_and_boots_without_power(self, bench: Bench) -> None:
        """A restart comes from another thread, between any two steps of the node."""
        drive, core = bench.opened(), bench.core
        command = energise(drive, core)
        cycles(drive, command, LONG_ENOUGH)
        assert core.asked.count(PowerRequest.ON) == 1
        core.begin_anew(then_on=True)
        cycle_until(drive, command, lambda t: t.lost != "", "the loss")
        assert core.off


class TestCanBoard(DriveConformance):
    def drive(self, host_loss: str) -> dict[str, Any]:
        return {**shipped("treadle_can"), "host_loss": host_loss, "silence": SILENCE}

    def checked_frames(self, options: Any) -> frozenset[int]:
        return frozenset(m.id for m in options.messages.values() if m.checksum is not None)


class TestLineBoard(DriveConformance):
    """The line board over a pseudo-terminal; simulated rigs use a local socket."""

    def drive(self, host_loss: str) -> dict[str, Any]:
        return {**shipped("treadle_lines"), "host_loss": host_loss, "silence": SILENCE}

    def placed(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        return at_a_terminal(data, directory)


class TestFrameBoard(DriveConformance):
    """A motor board with byte-stuffed binary frames and a current command: invented, not shipped."""

    def drive(self, host_loss: str) -> dict[str, Any]:
        # The forms of commands and states are those of the line board.
        kept = ("status", "fault_texts", "heartbeat", "poll", "rated_torque", "peak_torque")
        order = {
            name: [{"send": "order", "with": {"action": action}}]
            for name, action in (("de_energise", 0), ("clear_fault", 2))
        }
        energise = {"send": "order", "with": {"action": 1}, "expect": {"energised": True}}
        return {
            **{key: shipped("treadle_lines")[key] for key in kept},
            "protocol": "declared_frames",
            "port": {"path": "/dev/ttyACM0"},
            "framing": {
                "cobs": True,
                "head": ["identifier"],
                "checksum": {"width": 16, "polynomial": 0x1021, "init": 0xFFFF, "covers": [0, -3]},
            },
            "frames": {
                "ask": {"identifier": 1, "layout": "<"},
                "state": {
                    "identifier": 2,
                    "layout": "<dffHBB",
                    "answers": "ask",
                    "fields": ["angle", "speed", "amperes", "probe", "flags", "count"],
                    "counter": {"field": "count"},
                },
                "health": {
                    "identifier": 3,
                    "layout": "<fhH",
                    "fields": ["volts", "tenths", "fault"],
                    "every": "10 ms",
                },
                "demand": {"identifier": 4, "layout": "<f", "fields": ["amperes"]},
                "order": {"identifier": 5, "layout": "<B", "fields": ["action"]},
                "alive": {"identifier": 6, "layout": "<"},
            },
            "gives": {
                "position": {"from": "state.angle"},
                "velocity": {"from": "state.speed"},
                "current": {"from": "state.amperes"},
                "deflection": {"from": "state.probe"},
                "status": {"from": "state.flags"},
                "supply": {"from": "health.volts"},
                "temperature": {"from": "health.tenths", "scale": 0.1},
                "fault": {"from": "health.fault"},
            },
            "takes": {"current": {"to": "demand.amperes"}},
            "torque_constant": "0.09 N*m/A",
            "sequences": {"energise": [energise], **order},
            "host_loss": host_loss,
            "silence": SILENCE,
        }


class BesideASensor:
    """Further requirements on a rig of two devices."""

    def placed(self, data: dict[str, Any], directory: Path) -> dict[str, Any]:
        data = redirected(data, directory)
        probe = at_a_terminal(data["members"]["probe"], directory)
        return {**data, "members": {**data["members"], "probe": probe}}

    @pytest.mark.parametrize("name", ["motor", "probe"])
    def test_either_device_lost_ends_power(self, before_power_up: Bench, name: str) -> None:
        bench, members = before_power_up, before_power_up.options.members
        shared = SharedCore(bench.core)
        boards = {
            member: Board(find_protocol(options.protocol), options, shared)
            for member, options in members.items()
        }
        try:
            drive = bench.opened()
            command = energise(drive, bench.core)
            boards[name].end()
            cycle_until(drive, command, lambda t: t.lost != "", "the loss")
            assert drive.telemetry.lost.startswith(f"{name}: ")
            if name == "probe":
                # The motor still receives: it is commanded off although power is still requested.
                assert drive.telemetry.deflection_age_s > drive.telemetry.age_s
                cycle_until(drive, command, lambda _: bench.core.off, "the end of power")
            drive.close()
        finally:
            for board in boards.values():
                board.end()

    def test_the_motor_is_reported_of_at_the_time_of_the_deflection(self, bench: Bench) -> None:
        """The deflection is measured 3 ms before it is received: the motor was further back then."""
        options = bench.options.model_copy(update={"latency": {"probe": 0.003}})
        members = {
            name: find_protocol(member.protocol).make(member, PERIOD_S)
            for name, member in options.members.items()
        }
        drive = CombinedDrive(members, options)
        drive.open()
        try:
            command = moved(drive, bench.core)
            cycle_until(drive, command, lambda _: drive.shift_s < -0.0025, "the shift")
            motor, told = members["motor"].telemetry, drive.telemetry
            back = told.position_rad - motor.position_rad
            assert told.velocity_rad_s > 1.0
            assert back == pytest.approx(told.velocity_rad_s * drive.shift_s)
        finally:
            drive.close()


def beside_a_sensor(motor: dict[str, Any], **more: Any) -> dict[str, Any]:
    probe = {**shipped("treadle_frames")["members"]["probe"], "silence": SILENCE}
    return {"protocol": "combined", "members": {"motor": motor, "probe": probe}, **more}


class TestFrameSensorBesideACanMotor(BesideASensor, TestCanBoard):
    def drive(self, host_loss: str) -> dict[str, Any]:
        motor = shipped("treadle_frames")["members"]["motor"]
        return beside_a_sensor({**motor, "host_loss": host_loss, "silence": SILENCE})

    def checked_frames(self, options: Any) -> frozenset[int]:
        return super().checked_frames(options.members["motor"])


class TestFrameSensorBesideACia402Motor(BesideASensor, TestCia402):
    def drive(self, host_loss: str) -> dict[str, Any]:
        # The motor's drive has an input for a sensor, with nothing wired to it.
        return beside_a_sensor(super().drive(host_loss), quantities={"deflection": "probe"})
