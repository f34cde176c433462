"""Injected faults of drive and bus, seen through real frames, and recovery from them."""

from __future__ import annotations

import contextlib
import itertools
import time
from typing import Any

import numpy as np
import pytest

from drivers.base import Command, PowerRequest, PowerStage, ResumesCyclic
from drivers.simulated.injected_faults import with_injected_faults
from drivers.simulated.parameters import RigParameters
from drivers.simulated.simulation_control import EnvironmentClient
from tests.drivers.cia402.cia402_rig import PERIOD, Rig

pytestmark = [pytest.mark.real_time, pytest.mark.usefixtures("favoured_client")]

SPARE = {"index": 0x6401, "subindex": 2}
MIDDLE = RigParameters(initial_output_m=0.02)
OFF = Command()


@contextlib.contextmanager
def reached(directory, *codes):
    """Return (drive, environment) of a rig in its own process, built with these faults."""
    rig = Rig(directory, with_injected_faults(MIDDLE, codes).to_json(), spare_object=SPARE)
    drive, client = rig.drive(), EnvironmentClient(rig.control)
    try:
        drive.open()
        yield drive, client
    finally:
        drive.close()
        client.close()
        rig.end()


def cycle(drive, command, count, until=None):
    """Return rows of (age, deflection age, position, deflection, spare), one for each cycle."""
    rows = []
    due = time.monotonic()
    for _ in range(count):
        due += PERIOD
        time.sleep(max(0.0, due - time.monotonic()))
        t = drive.read(due + 0.6 * PERIOD)
        drive.write(command)
        rows.append(
            (t.age_s, t.deflection_age_s, t.position_rad, t.deflection_counts, t.spare_counts)
        )
        if until is not None and until(t):
            break
    return np.array(rows)


def energised(drive):
    command = Command(power=PowerRequest.ON)
    cycle(drive, command, 1000, lambda t: t.power is PowerStage.ON)
    assert drive.telemetry.power is PowerStage.ON
    return command


def test_a_lossy_bus_loses_frames_each_on_its_own(tmp_path):
    with reached(tmp_path, "bus_lossy") as (drive, _):
        command = energised(drive)
        rows = cycle(drive, command, 800)
    # A lost frame leaves its value at least one period old: 1 − 0.9², within random scatter.
    lost = rows[:, :2] > 0.9 * PERIOD
    for share in np.mean(lost, axis=0):
        assert 0.10 < share < 0.35
    assert np.any(lost[:, 0] != lost[:, 1])


def test_half_the_rate_sends_every_value_twice(tmp_path):
    with reached(tmp_path, "sample_rate_half") as (drive, environment):
        cycle(drive, OFF, 100)
        environment.move_nut(0.02, 0.02)  # about 16 counts per cycle
        rows = cycle(drive, OFF, 400)
    positions = rows[150:350, 2]
    steps = [b != a for a, b in itertools.pairwise(positions)]
    # On a busy computer some cycles receive the answers to no SYNC or to several.
    assert 0.35 < np.mean(steps) < 0.65
    assert np.mean([a != b for a, b in itertools.pairwise(steps)]) > 0.6
    assert np.median(rows[:, 0]) < PERIOD


@pytest.mark.parametrize("code", [None, "heartbeat_ignored"])
def test_a_withheld_heartbeat_and_the_way_back(tmp_path, code):
    with reached(tmp_path, *([code] if code else [])) as (drive, _):
        command = energised(drive)
        command.heartbeat = False
        cycle(drive, command, 250, lambda t: bool(t.lost))
        if code:
            assert drive.telemetry.lost == ""
            assert drive.telemetry.power is PowerStage.ON
            return
        assert "Pre-operational" in drive.telemetry.lost
        assert drive.telemetry.fault_code == 0x8130
        resuming: Any = drive
        assert isinstance(resuming, ResumesCyclic)
        resuming.resume_cyclic()
        cycle(drive, OFF, 250, lambda t: t.age_s < 1.0 and t.deflection_age_s < 1.0)
        assert drive.telemetry.lost == ""
        # 0x6007 makes it disable voltage: the drive is off, without a fault.
        cycle(drive, OFF, 50)
        assert drive.telemetry.power is PowerStage.OFF
        assert drive.telemetry.fault_code == 0
        energised(drive)
        cycle(drive, Command(power=PowerRequest.ON), 200)
        assert drive.telemetry.lost == ""  # the drive monitors the host again


@pytest.mark.parametrize("swapped", [False, True])
def test_the_spare_input_travels_and_tells_swapped_channels(tmp_path, swapped):
    with reached(tmp_path, *(["channels_swapped"] if swapped else [])) as (drive, environment):
        environment.hold_screw(True)
        before = cycle(drive, OFF, 200)[-1, 3:]
        environment.push(-30.0)
        environment.hold_output(False)
        started = time.monotonic()

        def has_followed(t: Any) -> bool:
            """True once the push has had its time, and on a busy computer its effect."""
            counts = np.array([t.deflection_counts, t.spare_counts])
            return time.monotonic() - started > 0.6 and bool(np.max(abs(counts - before)) > 100)

        moved = np.abs(cycle(drive, OFF, 2000, has_followed)[-1, 3:] - before)
        assert drive.telemetry.lost == ""
    follows, rests = reversed(moved) if swapped else moved
    assert follows > 100  # 30 N at the load, 210 N at the rod
    assert rests < 8


def test_the_hard_wired_stop_is_seen_in_status_word_and_fault(tmp_path):
    with reached(tmp_path) as (drive, environment):
        command = energised(drive)
        assert drive.telemetry.status_word & 0x10  # voltage enabled
        environment.emergency_stop(True)
        cycle(drive, command, 250, lambda t: t.power is PowerStage.FAULT and t.supply_V < 10)
        assert drive.telemetry.power is PowerStage.FAULT
        assert drive.telemetry.fault_code == 0x3220
        assert not drive.telemetry.status_word & 0x10
        environment.emergency_stop(False)
        cycle(drive, command, 250, lambda t: t.supply_V > 30)
        assert drive.telemetry.status_word & 0x10
        assert drive.telemetry.power is PowerStage.FAULT
