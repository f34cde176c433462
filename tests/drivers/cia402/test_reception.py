"""Frames become telemetry: valid ones, and anything else that a bus may carry."""

from __future__ import annotations

import math
import struct
import time

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.base import PowerStage
from drivers.cia402 import mapping
from drivers.cia402.dictionary import build
from drivers.cia402.mapping import pdos
from drivers.cia402.options import Cia402Options
from drivers.cia402.reception import FAST_1, FAST_2, Reception
from drivers.simulated import RigParameters
from drivers.simulated.drive_core import SimulatedDriveCore

int16 = st.integers(-(2**15), 2**15 - 1)
int32 = st.integers(-(2**31), 2**31 - 1)


def reception(**more):
    r = Reception(Cia402Options(bus={"interface": "local_socket"}, node=5, **more), 0.001)
    r.start(0.9e-3, 4096)
    r.asked(time.monotonic())
    return r


def frame(identifier, data, **more):
    return can.Message(arbitration_id=identifier, is_extended_id=False, data=data, **more)


@given(status=st.integers(0, 0xFFFF), position=int32, torque=int16, velocity=int32, counts=int16)
def test_fast_pdos_come_out_in_si(status, position, torque, velocity, counts):
    r = reception()
    assert r.take(frame(0x185, struct.pack("<Hih", status, position, torque))) == FAST_1
    assert r.take(frame(0x285, struct.pack("<ihb", velocity, counts, 10))) == FAST_2
    t = r.telemetry
    assert t.status_word == status
    # CiA 402: torque in per mille of rated torque (here 0.9 N·m), position in counts
    assert t.torque_N_m == pytest.approx(torque / 1000 * 0.9)
    assert t.position_rad == pytest.approx(position / 4096 * 2 * math.pi)
    assert t.velocity_rad_s == pytest.approx(velocity / 4096 * 2 * math.pi)
    assert t.deflection_counts == counts and t.mode == 10 and r.complete


def test_digital_inputs_are_mapped_sent_and_read_bit_by_bit():
    inputs = {"index": 0x60FD, "type": "UNSIGNED32"}
    options = Cia402Options(bus={"interface": "local_socket"}, node=5, inputs_object=inputs)
    last = pdos(options)[1][-1]
    assert last.entries[-1] == mapping.inputs(options) and last.transmission > 1
    # The simulated node has the object, with the home switch at its bit.
    core = SimulatedDriveCore(RigParameters().but({"home_input": 2, "home_position_m": 0.006}))
    sent = build(options, core, lambda: 0).upload(0x60FD, 0)
    assert sent == struct.pack("<I", 1 << 2)
    r = reception(inputs_object=inputs)
    assert r.telemetry.digital_inputs == -1  # not received yet
    whole = last.packing.pack(*[0] * (len(last.entries) - 1), 0x8000_0004)
    r.take(frame(last.cob_id, whole))
    assert r.telemetry.digital_inputs == 0x8000_0004


def test_a_maker_s_object_gives_the_current_from_the_supply():
    drawn = {"index": 0x2012, "type": "INTEGER16", "scale": 0.01}
    options = Cia402Options(bus={"interface": "local_socket"}, node=5, supply_current_object=drawn)
    slow = next(p for p in pdos(options)[1] if mapping.supply_current(options) in p.entries)
    assert slow.transmission > 1
    core = SimulatedDriveCore(RigParameters())
    core.advance(0.01)
    sent = build(options, core, lambda: 0).upload(0x2012, 0)
    # At rest the drive takes its idle current.
    idle_A = core.parameters.drive_idle_W / core.parameters.supply_V
    assert struct.unpack("<h", sent)[0] * 0.01 == pytest.approx(idle_A, abs=0.01)
    r = reception(supply_current_object=drawn)
    assert math.isnan(r.telemetry.supply_A)
    values = [0] * len(slow.entries)
    values[slow.entries.index(mapping.supply_current(options))] = -250
    r.take(frame(slow.cob_id, slow.packing.pack(*values)))
    assert r.telemetry.supply_A == pytest.approx(-2.5)  # regenerated into the supply


@given(velocity=int32)
def test_velocity_in_rpm(velocity):
    r = reception(velocity_unit="rpm")
    r.take(frame(0x285, struct.pack("<ihb", velocity, 0, 9)))
    assert r.telemetry.velocity_rad_s == pytest.approx(velocity * 2 * math.pi / 60)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([0x185, 0x285, 0x385, 0x485, 0x85, 0x705, 0x80, 0x585, 0x123]),
            st.binary(max_size=8),
            st.booleans(),
            st.booleans(),
            st.booleans(),
        )
    )
)
def test_no_frame_raises_and_each_is_counted_once(frames):
    r = reception()
    for identifier, data, extended, remote, error in frames:
        r.take(
            can.Message(
                arbitration_id=identifier,
                is_extended_id=extended,
                data=data,
                is_remote_frame=remote,
                is_error_frame=error,
            )
        )
    assert r.telemetry.frames + r.foreign + r.malformed == len(frames)


def test_only_states_of_the_standard_pass_for_a_heartbeat():
    r = reception()
    r.take(frame(0x705, b"\x01"))
    assert not r.telemetry.lost and r.malformed == 1
    r.take(frame(0x705, b"\x05"))
    assert not r.telemetry.lost
    r.take(frame(0x705, b"\x00"))
    assert "restarted" in r.telemetry.lost


def test_emergency_ahead_of_the_statusword_keeps_its_text():
    r = reception()
    r.take(frame(0x85, bytes.fromhex("1023010000000000")))
    r.take(frame(0x185, struct.pack("<Hih", 0x0227, 0, 0)))  # sampled before the fault
    r.take(frame(0x185, struct.pack("<Hih", 0x0208, 0, 0)))
    assert r.telemetry.power is PowerStage.FAULT and "over current" in r.telemetry.fault_text
    r.take(frame(0x185, struct.pack("<Hih", 0x0240, 0, 0)))
    assert r.telemetry.fault_code == 0 and r.telemetry.fault_text == ""


def test_silence_of_the_drive_is_a_loss():
    r = reception(drive_heartbeat="20 ms", drive_loss="50 ms")
    r.watch()
    r.age(100.0)
    r.age(100.04)
    assert not r.telemetry.lost
    r.age(100.06)
    assert "no heartbeat of node 5 for 50 ms" in r.telemetry.lost


kinds = st.sampled_from(
    ["INTEGER8", "INTEGER16", "INTEGER32", "UNSIGNED8", "UNSIGNED16", "UNSIGNED32"]
)


@given(deflection=kinds, temperature=st.none() | kinds)
def test_no_choice_of_objects_overfills_a_pdo(deflection, temperature):
    options = Cia402Options(
        bus={"interface": "local_socket"},
        node=5,
        deflection_object={"index": 0x2020, "type": deflection},
        temperature_object=temperature and {"index": 0x2010, "type": temperature},
    )
    _, transmit = pdos(options)
    mapped = [entry.index for pdo in transmit for entry in pdo.entries]
    assert all(0 < pdo.packing.size <= 8 for pdo in transmit)  # CiA 301: 8 bytes at most
    wanted = {0x6041, 0x6064, 0x6077, 0x606C, 0x6061, 0x6079, 0x603F, 0x2020}
    assert sorted(mapped) == sorted(wanted | ({0x2010} if temperature else set()))
