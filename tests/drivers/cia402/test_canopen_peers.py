"""The ``canopen`` package as the peer: its host drives our node, our drive drives its node."""

from __future__ import annotations

import contextlib
import struct
import threading
import time
from pathlib import Path

import can
import canopen
import pytest

from drivers.base import Command, DriverError
from drivers.cia402 import protocol
from drivers.cia402.mapping import pdos
from tests.drivers.cia402.cia402_rig import Rig

pytestmark = pytest.mark.real_time

EDS = Path(__file__).parents[3] / "profiles" / "drives" / "bench_cia402.eds"
PERIOD = 0.002


def test_base_node_of_canopen_walks_our_node_to_operation_enabled(tmp_path):
    """``BaseNode402`` with the shipped EDS reads the PDOs by SDO and changes states by TPDO and
    RPDO."""
    rig = Rig(tmp_path)
    drive = rig.drive(rpdo_transmission="event", host_loss="5 s")
    drive.open()  # configures the PDOs, then leaves the bus to the other host
    configured = {pdo.cob_id: pdo for group in pdos(drive._options) for pdo in group}
    drive.close()
    network = canopen.Network()
    network.connect(interface="local_socket", channel=rig.channel)
    try:
        node = canopen.BaseNode402(5, str(EDS))
        network.add_node(node)
        node.nmt.state = "PRE-OPERATIONAL"
        time.sleep(0.1)
        node.tpdo.read()
        node.rpdo.read()
        seen = {
            m.cob_id & 0x7FF: m for m in [*node.tpdo.values(), *node.rpdo.values()] if m.enabled
        }
        assert set(seen) == set(configured)
        for identifier, pdo in configured.items():
            assert [(v.index, v.subindex) for v in seen[identifier].map] == [
                (e.index, e.subindex) for e in pdo.entries
            ]
        node.setup_402_state_machine(read_pdos=False)
        network.sync.start(0.005)
        node.nmt.state = "OPERATIONAL"
        time.sleep(0.1)
        node.op_mode = "CYCLIC SYNCHRONOUS TORQUE"
        node.state = "READY TO SWITCH ON"
        node.state = "SWITCHED ON"
        node.state = "OPERATION ENABLED"
        assert node.state == "OPERATION ENABLED"
        node.state = "SWITCH ON DISABLED"
        assert node.state == "SWITCH ON DISABLED"
        assert node.sdo[0x1008].raw == "bench drive, simulated"  # segmented upload
    finally:
        network.sync.stop()
        network.disconnect()
        rig.end()


class CanopenNode:
    """A drive built on the ``canopen`` package's ``LocalNode``; it packs its own TPDOs."""

    def __init__(self, channel: str) -> None:
        self.bus = can.Bus(interface="local_socket", channel=channel, role="hub")
        self.network = canopen.Network(self.bus)
        self.node = canopen.LocalNode(5, str(EDS))
        self.node.sdo.RESPONSE_TIMEOUT = 1.0  # type: ignore[attr-defined]  # a stock node's own
        for index, subindex, kind, value in (
            (0x6076, 0, "I", 900),
            (0x608F, 1, "I", 4096),
            (0x608F, 2, "I", 1),
            (0x6072, 0, "H", 3000),
            (0x6502, 0, "I", 0x380),
        ):
            self.node.set_data(index, subindex, struct.pack("<" + kind, value))
        self.received: list[tuple[int, bytes]] = []
        self.writes: list[tuple[int, int]] = []
        self.node.add_write_callback(
            lambda index, subindex, od, data: self.writes.append((index, subindex))
        )
        self.network.notifier = can.Notifier(self.bus, [*self.network.listeners], 0.01)
        self.network.add_node(self.node)
        self.network.subscribe(0x80, self.sync)
        self.network.subscribe(0x205, lambda i, data, t: self.received.append((i, bytes(data))))
        self.node.nmt.send_command(0x82)
        self.lock = threading.Lock()

    def sync(self, *_):
        if self.node.nmt.state != "OPERATIONAL":
            return
        with contextlib.suppress(can.CanError), self.lock:
            self.bus.send(
                can.Message(
                    arbitration_id=0x185,
                    is_extended_id=False,
                    data=struct.pack("<Hih", 0x0240, 4096, 250),
                )
            )
            self.bus.send(
                can.Message(
                    arbitration_id=0x285,
                    is_extended_id=False,
                    data=struct.pack("<ihb", 2048, -77, 10),
                )
            )

    def value(self, index, subindex, kind):
        return struct.unpack("<" + kind, self.node.get_data(index, subindex))[0]

    def end(self):
        self.network.notifier.stop()
        self.bus.shutdown()


@pytest.fixture
def peer(tmp_path):
    channel = str(tmp_path / "peer.sock")
    peer = CanopenNode(channel)
    yield (
        peer,
        {
            "protocol": "cia402",
            "node": 5,
            "sdo_timeout": "1 s",
            "bus": {"interface": "local_socket", "channel": channel},
        },
    )
    peer.end()


def make(data, **more):
    return protocol.make(protocol.options.model_validate({**data, **more}), PERIOD)


def test_our_drive_configures_a_node_of_canopen(peer):
    peer, data = peer
    drive = make(data, eds=str(EDS), counts_per_revolution=4096)
    drive.open()
    try:
        receive, transmit = pdos(drive._options)
        for group, com, where in ((receive, 0x1400, 0x1600), (transmit, 0x1800, 0x1A00)):
            for pdo in group:
                n = pdo.number - 1
                assert peer.value(com + n, 1, "I") & 0x800007FF == pdo.cob_id
                assert peer.value(com + n, 2, "B") == pdo.transmission
                assert peer.value(where + n, 0, "B") == len(pdo.entries)
                for i, entry in enumerate(pdo.entries, 1):
                    assert peer.value(where + n, i, "I") == entry.word
                # CiA 301, order of writes: PDO invalid, zero entries, the entries, their number,
                # PDO valid
                order = [w for w in peer.writes if w[0] in (com + n, where + n)]
                assert order[0] == (com + n, 1) and order[1] == (where + n, 0)
                assert order[-1] == (com + n, 1) and order[-3] == (where + n, 0)
        assert peer.value(0x1016, 1, "I") == 127 << 16 | 100  # node-ID of the host, time in ms
        assert peer.value(0x1017, 0, "H") == 50
        assert peer.value(0x6007, 0, "h") == 2  # abort connection option 2: disable voltage
        telemetry = drive.read(time.monotonic() + 0.2)
        assert telemetry.position_rad == pytest.approx(2 * 3.141592653589793)
        assert telemetry.torque_N_m == pytest.approx(0.25 * 0.9)
        assert telemetry.deflection_counts == -77
        drive.write(Command())
        deadline = time.monotonic() + 2
        while not peer.received and time.monotonic() < deadline:
            time.sleep(0.01)
        assert peer.received[-1][1] == struct.pack("<Hbh", 0, 10, 0)
    finally:
        drive.close()


@pytest.mark.parametrize(
    ("place", "value", "changes", "says"),
    [
        ((0x6076, 0), struct.pack("<I", 0), {}, "set the motor's rated torque"),
        ((0x1000, 0), struct.pack("<I", 401), {}, "device profile 401, not 402"),
        ((0x6502, 0), struct.pack("<I", 0x80), {}, "not support cyclic synchronous torque"),
        ((0x6502, 0), struct.pack("<I", 0x200), {"modes": ["torque", "velocity"]}, "velocity mode"),
        (
            (0x608F, 1),
            struct.pack("<I", 2000),
            {"counts_per_revolution": 4096},
            "counts 2000 per revolution, the profile 4096",
        ),
        ((0x6076, 0), b"\1\0", {}, "6076 motor rated torque: 2 bytes received, 4 expected"),
    ],
)
def test_what_a_drive_says_is_judged(peer, place, value, changes, says):
    peer, data = peer
    peer.node.data_store.setdefault(place[0], {})[place[1]] = value
    with pytest.raises(DriverError, match=says):
        make(data, **changes).open()


def test_a_value_that_does_not_read_back_is_named(peer):
    peer, data = peer

    # As from a drive with a fixed heartbeat time.
    peer.node.add_read_callback(lambda index, subindex, od: 10 if index == 0x1017 else None)
    with pytest.raises(DriverError, match=r"0x1017 producer heartbeat time: wrote 0x32.*kept 0xa"):
        make(data).open()


def test_a_drive_without_optional_objects(peer):
    peer, data = peer
    for index in (0x1008, 0x608F, 0x6502, 0x6072, 0x60C2, 0x605A):
        del peer.node.object_dictionary[index]
    with pytest.raises(DriverError, match=r"0x605a quick stop option code"):
        make(data).open()
    with pytest.raises(DriverError, match=r"write drive\.counts_per_revolution"):
        make(data, quick_stop=None).open()
    drive = make(data, quick_stop=None, counts_per_revolution=4096)
    drive.open()
    assert drive.capabilities.peak_torque_N_m == pytest.approx(0.9)
    drive.close()
    del peer.node.object_dictionary[0x6007]
    with pytest.raises(DriverError, match="drive's reaction to a dead host"):
        make(data, quick_stop=None, counts_per_revolution=4096).open()
