"""Torque offset 0x60B2 beside a velocity: mapped on request, zero without power, in the EDS."""

from __future__ import annotations

import math
import struct
from pathlib import Path
from typing import Any

import can
import pytest

from drivers.base import Command, DriverError, Mode, PowerRequest, PowerStage
from drivers.cia402 import protocol
from drivers.cia402.data_sheet import DataSheet
from tests.drivers.cia402.cia402_rig import PERIOD, Rig, cycle, energise

EDS = Path(__file__).parents[3] / "profiles" / "drives" / "bench_cia402.eds"
RPDO_1 = 0x205
MODES: dict[str, Any] = {"modes": ("velocity", "torque"), "torque_offset": True}


@pytest.mark.real_time
def test_the_offset_goes_with_a_velocity_and_ends_with_power(tmp_path):
    rig = Rig(tmp_path, "{}", **MODES, host_loss="2 s")
    try:
        drive = rig.drive()
        drive.open()
        assert drive.capabilities.adds_torque
        unit = drive.capabilities.torque_resolution_N_m
        with can.Bus(interface="local_socket", channel=rig.channel) as bus:

            def sent():
                """Return the offsets sent since the last call, in units of the wire."""
                found = []
                while (message := bus.recv(0.0)) is not None:
                    if message.arbitration_id == RPDO_1:
                        found.append(struct.unpack("<Hbhh", message.data)[1:])
                return found

            command = energise(drive, mode=Mode.VELOCITY, torque_offset_N_m=0.2)
            cycle(drive, command, 5 * PERIOD)  # frames sent before power may still be on their way
            sent()
            before = drive.telemetry.position_rad
            cycle(drive, command, 0.2)
            assert set(sent()) == {(Mode.VELOCITY, 0, round(0.2 / unit))}
            # The velocity loop's integral cancels the offset: the motor moves a little, then rests.
            assert 0.001 < drive.telemetry.position_rad - before < 1.0
            command.torque_offset_N_m = 1e6
            cycle(drive, command, 3 * PERIOD)
            assert max(offset for _, _, offset in sent()) * unit <= (
                drive.capabilities.peak_torque_N_m + unit
            )
            command.torque_offset_N_m = math.nan
            with pytest.raises(DriverError, match="torque offset nan is not a finite number"):
                drive.write(command)
            off = Command(power=PowerRequest.OFF, mode=Mode.VELOCITY, torque_offset_N_m=0.2)
            cycle(drive, off, 0.5, lambda t: t.power is PowerStage.OFF)
            sent()
            cycle(drive, off, 0.02)
            assert {offset for _, _, offset in sent()} == {0}
        drive.close()
    finally:
        rig.end()


def options(**more):
    bus = {"interface": "virtual", "channel": "x"}
    return protocol.options.model_validate(
        {"protocol": "cia402", "node": 5, "bus": bus, "eds": str(EDS), **MODES, **more}
    )


def test_the_data_sheet_must_have_it(tmp_path):
    assert not DataSheet.shortcomings(options())
    lacking = tmp_path / "lacking.eds"
    lacking.write_text(EDS.read_text().replace("[60B2]", "[60B9]").replace("0x60B2", "0x60B9"))
    (found,) = DataSheet.shortcomings(options(eds=str(lacking)))
    assert "has no 0x60b2 torque offset" in found.what
    assert not DataSheet.shortcomings(options(eds=str(lacking), torque_offset=False))
