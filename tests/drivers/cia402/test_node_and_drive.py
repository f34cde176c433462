"""Our drive against our node, and each against the ``canopen`` package, in real processes."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import can
import canopen
import pytest

from drivers.base import Command, DriverError, Mode, PowerRequest, PowerStage
from drivers.cia402.configuration import Configurator
from drivers.simulated.simulation_control import EnvironmentClient
from tests.drivers.cia402.cia402_rig import Rig, cycle, energise

pytestmark = [pytest.mark.real_time, pytest.mark.usefixtures("favoured_client")]

EDS = Path(__file__).parents[3] / "profiles" / "drives" / "bench_cia402.eds"


@pytest.fixture
def rig(tmp_path):
    """A rig for one test, which may move it or end it."""
    rig = Rig(tmp_path)
    yield rig
    rig.end()


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    rig = Rig(tmp_path_factory.mktemp("rig"))
    yield rig
    rig.end()


@pytest.fixture
def still_rig(running):
    """A shared rig for tests that do not move it; each test finds it as after power-up."""
    with can.Bus(interface="local_socket", channel=running.channel) as bus:
        bus.send(can.Message(arbitration_id=0, is_extended_id=False, data=[0x81, 5]))
        while (message := bus.recv(5.0)) is not None:
            if message.arbitration_id == 0x705 and message.data == b"\0":
                break
        assert message is not None, "the node did not boot"
    return running


def test_torque_moves_the_motor_and_off_removes_power(rig):
    drive = rig.drive()
    drive.open()
    try:
        assert drive.telemetry.power == PowerStage.OFF
        command = energise(drive)
        command.torque_N_m = 0.15
        assert cycle(drive, command, 0.3).position_rad > 1.0
        assert drive.telemetry.torque_N_m == pytest.approx(0.15, abs=0.01)
        assert drive.telemetry.supply_V > 30
        command.power = PowerRequest.OFF
        assert cycle(drive, command, 0.1).power == PowerStage.OFF
    finally:
        drive.close()


@pytest.mark.parametrize("mode", [Mode.VELOCITY, Mode.POSITION])
def test_velocity_and_position_modes(rig, mode):
    drive = rig.drive()
    drive.open()
    try:
        command = energise(drive, mode=mode, position_rad=drive.telemetry.position_rad)
        start = drive.telemetry.position_rad
        command.velocity_rad_s = 10.0
        command.position_rad = start + 5.0
        telemetry = cycle(drive, command, 0.6)
        if mode is Mode.VELOCITY:
            assert telemetry.velocity_rad_s == pytest.approx(10.0, rel=0.2)
        else:
            assert telemetry.position_rad == pytest.approx(start + 5.0, abs=0.3)
    finally:
        drive.close()


def test_opened_again_the_watch_over_the_host_begins_with_the_first_cycle(rig, monkeypatch):
    """A delay between configuration and first cycle does not count against the host-loss time."""
    drive = rig.drive()
    drive.open()
    cycle(drive, Command(), 0.02)
    drive.close()
    again = rig.drive()

    class HeldUp(Configurator):
        def configure(self):
            found = super().configure()
            time.sleep(0.25)  # limit is 0.1 s
            return found

    monkeypatch.setattr("drivers.cia402.drive.Configurator", HeldUp)
    again.open()
    assert not cycle(again, Command(), 0.05).lost
    again.close()


def test_drive_stops_by_itself_when_the_host_falls_silent(rig):
    drive = rig.drive()
    drive.open()
    command = energise(drive)
    cycle(drive, command, 0.05)
    with can.Bus(interface="local_socket", channel=rig.channel) as watcher:
        heard = []
        end = time.monotonic() + 1.0
        while time.monotonic() < end:
            message = watcher.recv(0.1)
            if message is not None:
                heard.append((message.arbitration_id, bytes(message.data)))
    emergencies = [data for identifier, data in heard if identifier == 0x85]
    assert emergencies and emergencies[0][:2] == b"\x30\x81"  # CiA 301: 8130h, heartbeat error
    states = [data[0] for identifier, data in heard if identifier == 0x705]
    assert states[-1] == 0x7F  # CiA 301: pre-operational
    assert drive.read(time.monotonic() + 0.01).lost
    drive.close()


def test_a_drive_without_heartbeat_consumer_is_watched_by_its_commands(still_rig):
    drive = still_rig.drive(watch="rpdo_timer", host_loss="60 ms")
    drive.open()
    try:
        # Host monitoring starts with the first command; until then no time runs out.
        time.sleep(0.15)
        command = energise(drive)
        assert not cycle(drive, command, 0.1).lost
        with can.Bus(interface="local_socket", channel=still_rig.channel) as watcher:
            command.heartbeat = False
            telemetry = cycle(drive, command, 1.0, lambda t: bool(t.lost))
            heard = []
            while (message := watcher.recv(0.05)) is not None:
                heard.append((message.arbitration_id, bytes(message.data[:2])))
        assert telemetry.lost and (0x85, b"\x50\x82") in heard  # CiA 301: 8250h, RPDO timeout
        command.heartbeat, command.power = True, PowerRequest.OFF
        drive.resume_cyclic()
        assert cycle(drive, command, 0.3).power == PowerStage.OFF and not drive.telemetry.lost
    finally:
        drive.close()


def test_fault_is_reported_and_clearing_never_energises(rig):
    drive = rig.drive()
    drive.open()
    control = EnvironmentClient(rig.control)
    try:
        command = energise(drive)
        control.disturb("drive_fault", 0x2310)
        telemetry = cycle(drive, command, 0.3, lambda t: t.power == PowerStage.FAULT)
        assert telemetry.power == PowerStage.FAULT
        assert "over current" in cycle(drive, command, 0.1).fault_text
        command.power = PowerRequest.CLEAR_FAULT
        telemetry = cycle(drive, command, 0.3)
        assert telemetry.power == PowerStage.OFF and telemetry.fault_code == 0
    finally:
        control.close()
        drive.close()


def test_restart_and_loss_of_the_bus_are_reported_as_lost(rig):
    drive = rig.drive()
    drive.open()
    control = EnvironmentClient(rig.control)
    try:
        control.disturb("restart", True)
    except Exception:
        with can.Bus(interface="local_socket", channel=rig.channel) as other:
            other.send(can.Message(arbitration_id=0, is_extended_id=False, data=[0x81, 5]))
            time.sleep(0.05)
    assert "restarted" in cycle(drive, Command(), 1.0, lambda t: bool(t.lost)).lost
    drive.close()
    second = rig.drive()
    second.open()
    rig.process.send_signal(signal.SIGKILL)
    assert "lost" in cycle(second, Command(), 1.0, lambda t: bool(t.lost)).lost
    second.close()
    control.close()


def test_foreign_short_and_garbage_frames_are_passed_over(still_rig):
    drive = still_rig.drive()
    drive.open()
    try:
        with can.Bus(interface="local_socket", channel=still_rig.channel) as other:
            for identifier in (0x185, 0x285, 0x385, 0x85, 0x705, 0x123):
                other.send(can.Message(arbitration_id=identifier, is_extended_id=False, data=b"\1"))
            other.send(can.Message(arbitration_id=0x185, is_extended_id=True, data=bytes(8)))
            telemetry = cycle(drive, Command(), 0.1)
        assert drive.malformed >= 3 and drive.foreign >= 2
        assert telemetry.age_s < 0.05
    finally:
        drive.close()


def test_a_node_that_never_answers_is_named(still_rig):
    with pytest.raises(DriverError, match="node 9 does not answer"):
        still_rig.drive(node=9, sdo_timeout="30 ms", sdo_tries=2).open()


def test_an_abort_names_the_object(still_rig):
    with pytest.raises(DriverError, match=r"0x6402:01.*refuses|refuses.*|0x0602"):
        still_rig.drive(deflection_object={"index": 0x6402, "subindex": 1}).open()


def test_canopen_package_as_host_of_our_node(still_rig):
    """``RemoteNode`` of the ``canopen`` package, an independent peer, reads and commands the node."""
    network = canopen.Network()
    network.connect(interface="local_socket", channel=still_rig.channel)
    try:
        node = network.add_node(5, canopen.ObjectDictionary())
        node.sdo.RESPONSE_TIMEOUT = 1.0
        time.sleep(0.05)
        assert int.from_bytes(node.sdo.upload(0x1000, 0), "little") & 0xFFFF == 402
        with pytest.raises(canopen.SdoAbortedError) as abort:
            node.sdo.upload(0x5000, 0)
        assert abort.value.code == 0x06020000  # CiA 301: object does not exist
        with pytest.raises(canopen.SdoAbortedError) as abort:
            node.sdo.download(0x1000, 0, b"\0\0\0\0")
        assert abort.value.code == 0x06010002  # CiA 301: read only
        for word in (b"\x06\0", b"\x07\0", b"\x0f\0"):
            node.sdo.download(0x6040, 0, word)
        time.sleep(0.3)
        node.sdo.download(0x6040, 0, b"\x00\0")
    finally:
        network.disconnect()


def test_an_answer_that_came_late_does_not_delay_those_after_it(rig):
    drive = rig.drive()
    drive.open()
    try:
        command = energise(drive, mode=Mode.VELOCITY)
        command.velocity_rad_s = 20.0
        cycle(drive, command, 0.3)
        for _ in range(3):  # answers that no request is waiting for
            drive.read(time.monotonic())
            time.sleep(0.002)
        drive.read(time.monotonic() + 0.05)
        first = drive.telemetry.position_rad
        time.sleep(0.05)
        drive.read(time.monotonic() + 0.05)
        # 50 ms at 20 rad/s: an answer left in the queue would report standstill
        assert drive.telemetry.position_rad - first > 0.5
    finally:
        drive.close()


def test_close_right_after_a_cycle_still_removes_power(still_rig):
    """Closing removes power even with the answers to the last SYNC unread."""
    drive = still_rig.drive()
    drive.open()
    command = energise(drive)
    drive.read(time.monotonic() + 0.01)
    drive.write(command)
    drive.close()
    with can.Bus(interface="local_socket", channel=still_rig.channel) as watcher:
        states: list[Any] = []
        end = time.monotonic() + 2.0
        while not states and time.monotonic() < end:
            message = watcher.recv(0.1)
            if message is not None and message.arbitration_id == 0x85:
                pytest.fail("only the lost heartbeat stopped the drive")
            if message is not None and message.arbitration_id == 0x705:
                states.append(message.data[0])
    assert states == [0x7F]  # sent to pre-operational before the loss of the host was detected


def test_killed_host_process_leaves_the_drive_without_power(rig):
    code = (
        "import json, sys, time\n"
        "from drivers.base import Command, PowerRequest\n"
        "from drivers.cia402 import protocol\n"
        "drive = protocol.make(protocol.options.model_validate(json.loads(sys.argv[1])), 0.002)\n"
        "drive.open()\n"
        "command = Command(power=PowerRequest.ON, torque_N_m=0.02)\n"
        "while True:\n"
        "    t = drive.read(time.monotonic() + 0.002)\n"
        "    drive.write(command)\n"
        "    if t.power == 3: print('on', flush=True)\n"
    )
    host = subprocess.Popen(
        [sys.executable, "-c", code, json.dumps(rig.data)], stdout=subprocess.PIPE, text=True
    )
    try:
        assert host.stdout.readline().strip() == "on"
        network = canopen.Network()
        network.connect(interface="local_socket", channel=rig.channel)
        try:
            node = network.add_node(5, canopen.ObjectDictionary())
            node.sdo.RESPONSE_TIMEOUT = 1.0
            host.kill()
            emergency = node.emcy.wait(0x8130, timeout=3.0)  # CiA 301: 8130h, heartbeat error
            assert emergency is not None
            status = int.from_bytes(node.sdo.upload(0x6041, 0), "little")
            assert status & 0x4F == 0x40  # CiA 402: switch on disabled, as 0x6007 = 2 requires
        finally:
            network.disconnect()
    finally:
        host.kill()
        host.wait()
        host.stdout.close()


def test_nothing_but_off_is_sent_once_the_drive_is_lost(still_rig):
    drive = still_rig.drive()
    drive.open()
    try:
        command = energise(drive)
        with can.Bus(interface="local_socket", channel=still_rig.channel) as other:
            other.send(can.Message(arbitration_id=0, is_extended_id=False, data=[0x80, 5]))
            telemetry = cycle(drive, command, 1.0, lambda t: bool(t.lost))
            assert "left state Operational" in telemetry.lost
            other.send(can.Message(arbitration_id=0, is_extended_id=False, data=[0x01, 5]))
            assert cycle(drive, command, 0.3).power == PowerStage.OFF
    finally:
        drive.close()


@pytest.mark.parametrize("mode", list(Mode))
def test_a_target_that_is_no_number_is_refused(still_rig, mode):
    drive = still_rig.drive()
    drive.open()
    try:
        drive.read(time.monotonic() + 0.05)
        bad = float("nan")
        with pytest.raises(DriverError, match="finite"):
            drive.write(Command(mode=mode, torque_N_m=bad, velocity_rad_s=bad, position_rad=bad))
    finally:
        drive.close()


def test_quick_stop_ends_without_power_and_needs_a_new_walk(rig):
    drive = rig.drive()
    drive.open()
    try:
        command = energise(drive)
        command.power = PowerRequest.QUICK_STOP
        telemetry = cycle(drive, command, 2.0, lambda t: t.power == PowerStage.OFF)
        assert telemetry.power == PowerStage.OFF
        assert cycle(drive, command, 0.05).power == PowerStage.OFF
    finally:
        drive.close()


def test_a_silent_drive_is_lost(still_rig):
    drive = still_rig.drive(drive_heartbeat="20 ms", drive_loss="60 ms")
    drive.open()
    control = EnvironmentClient(still_rig.control)
    try:
        control.disturb("silent", True)
        assert "no heartbeat" in cycle(drive, Command(), 2.0, lambda t: bool(t.lost)).lost
        assert drive.telemetry.age_s > 0.02
    finally:
        control.disturb("silent", None)
        control.close()
        drive.close()


def test_the_shipped_sheet_fits_the_node(still_rig):
    drive = still_rig.drive(eds=str(EDS), modes=["torque", "velocity", "position"])
    drive.open()
    assert drive.capabilities.identity.startswith("bench drive, simulated, node 5")
    assert drive.capabilities.modes == frozenset(Mode)
    drive.close()
    drive.open()  # once more, from whatever state the first session left
    drive.close()
    drive.close()


def test_event_driven_pdos_come_upon_change_and_by_their_timer(still_rig):
    network = canopen.Network()
    network.connect(interface="local_socket", channel=still_rig.channel)
    try:
        node = network.add_node(5, str(EDS))
        node.sdo.RESPONSE_TIMEOUT = 1.0
        heard = []
        network.subscribe(0x185, lambda i, data, t: heard.append(bytes(data)))
        node.sdo.download(0x1A00, 1, (0x60410010).to_bytes(4, "little"))
        node.sdo.download(0x1A00, 0, b"\x01")
        node.sdo.download(0x1800, 2, b"\xff")  # event-driven, by the device profile
        node.sdo.download(0x1800, 5, (20).to_bytes(2, "little"))  # event timer, ms
        node.sdo.download(0x1800, 1, (0x185).to_bytes(4, "little"))
        node.nmt.state = "OPERATIONAL"
        deadline = time.monotonic() + 3
        while len(heard) < 5 and time.monotonic() < deadline:
            time.sleep(0.01)
        assert len(heard) >= 5  # without any SYNC
        node.sdo.download(0x6040, 0, b"\x06\0")
        while heard[-1][0] & 0x6F != 0x21 and time.monotonic() < deadline:
            time.sleep(0.01)
        assert heard[-1][0] & 0x6F == 0x21  # CiA 402: ready to switch on
    finally:
        network.disconnect()
