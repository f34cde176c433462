"""Everything that is not cyclic, through the ``canopen`` package: NMT, SDO, PDO mapping.

Each value is written, read back and compared; the package's own PDO writer is not used,
since it skips silently what the dictionary declares unexpectedly.
"""

from __future__ import annotations

import contextlib
import struct
import time
from dataclasses import dataclass

import can
import canopen

from drivers.base import DriverError
from drivers.cia402 import objects as od
from drivers.cia402.mapping import Pdo, pdos
from drivers.cia402.options import Cia402Options

NOT_VALID = 1 << 31
BOOT_WAIT_S = 0.6
MILLISECOND = 1e-3


@dataclass(frozen=True)
class Found:
    """What the node told of itself."""

    identity: str
    rated_torque_N_m: float
    max_torque_per_mille: int
    counts_per_revolution: float
    supported_modes: int


class Configurator:
    """Talks SDO and NMT with one node; ``configure`` leaves it in state Operational."""

    def __init__(self, bus: can.BusABC, options: Cia402Options) -> None:
        self._options = options
        self._bus = bus
        self._network = canopen.Network(bus)
        dictionary = canopen.ObjectDictionary()  # type: ignore[no-untyped-call]
        if options.eds is not None:
            try:
                dictionary = canopen.import_od(options.eds, options.node)
            except Exception as error:
                raise DriverError(f"drive.eds: {options.eds} cannot be read: {error}") from error
        self._node = canopen.RemoteNode(options.node, dictionary)

    def configure(self) -> Found:
        """Configure the node from reset to Operational.

        Raises:
            DriverError: no answer, an abort, or a value that does not read back.
        """
        network = self._network
        notifier = can.Notifier(self._bus, network.listeners, 0.05)
        network.notifier = notifier
        try:
            network.add_node(self._node)
            self._node.sdo.RESPONSE_TIMEOUT = self._options.sdo_timeout
            return self._configure()
        finally:
            with contextlib.suppress(Exception):
                self._node.remove_network()
            # The bus stays: from here on only the cycle's own thread reads it.
            notifier.stop(2.0)
            network.bus = None

    def _configure(self) -> Found:
        o = self._options
        self._node.nmt.send_command(0x80)  # pre-operational
        time.sleep(0.02)
        device_type = self._read(od.DEVICE_TYPE, 0, "I", patience_s=BOOT_WAIT_S)
        if device_type & 0xFFFF != 402:
            raise DriverError(
                f"node {o.node} is of device profile {device_type & 0xFFFF}, not 402: "
                "set drive.node to the drive's node identifier"
            )
        self._write(od.CONTROL_WORD, 0, "H", 0)
        self._confirm(od.PRODUCER_HEARTBEAT, 0, "H", round(o.drive_heartbeat / MILLISECOND))
        self._confirm(
            od.CONSUMER_HEARTBEAT,
            1,
            "I",
            o.host_node << 16 | round(o.host_loss / MILLISECOND),
        )
        # 2 = disable voltage: the drive removes power by itself when the host falls silent.
        self._confirm(od.ABORT_CONNECTION_OPTION, 0, "h", 2)
        receive, transmit = pdos(o)
        for pdo in receive:
            self._map(pdo, od.RPDO_COMMUNICATION, od.RPDO_MAPPING)
        for pdo in transmit:
            self._map(pdo, od.TPDO_COMMUNICATION, od.TPDO_MAPPING)
        self._confirm(od.MODES_OF_OPERATION, 0, "b", 10)
        vendor = self._read(od.IDENTITY, 1, "I")
        product = self._read(od.IDENTITY, 2, "I")
        rated = self._read(od.MOTOR_RATED_TORQUE, 0, "I") * 1e-3
        if rated <= 0:
            raise DriverError(
                f"{od.name_of(od.MOTOR_RATED_TORQUE)} is 0: set the motor's rated torque in the "
                "drive, torque commands are per mille of it"
            )
        increments = self._read(od.ENCODER_RESOLUTION, 1, "I")
        turns = self._read(od.ENCODER_RESOLUTION, 2, "I")
        found = Found(
            f"node {o.node}, identity {vendor:#x}/{product:#x}",
            rated,
            self._read(od.MAX_TORQUE, 0, "H"),
            increments / max(turns, 1),
            self._read(od.SUPPORTED_MODES, 0, "I"),
        )
        self._node.nmt.send_command(0x01)  # operational
        return found

    def _map(self, pdo: Pdo, communication: int, mapping: int) -> None:
        """In the order CiA 301 asks for: invalid, count 0, entries, count, type, valid."""
        com, where = communication + pdo.number - 1, mapping + pdo.number - 1
        self._write(com, 1, "I", pdo.cob_id | NOT_VALID)
        self._write(where, 0, "B", 0)
        for i, entry in enumerate(pdo.entries, 1):
            self._confirm(where, i, "I", entry.word)
        self._confirm(where, 0, "B", len(pdo.entries))
        self._confirm(com, 2, "B", pdo.transmission)
        self._confirm(com, 1, "I", pdo.cob_id, mask=~(1 << 30) & 0xFFFF_FFFF)

    def _confirm(
        self, index: int, subindex: int, kind: str, value: int, mask: int = 0xFFFF_FFFF
    ) -> None:
        self._write(index, subindex, kind, value)
        back = self._read(index, subindex, kind)
        if back & mask != value & mask:
            raise DriverError(
                f"{od.name_of(index, subindex)}: wrote {value:#x}, the drive kept {back:#x}"
            )

    def _write(self, index: int, subindex: int, kind: str, value: int) -> None:
        data = struct.pack("<" + kind, value)
        self._try(index, subindex, lambda: self._node.sdo.download(index, subindex, data))

    def _read(self, index: int, subindex: int, kind: str, patience_s: float = 0.0) -> int:
        data = self._try(
            index, subindex, lambda: self._node.sdo.upload(index, subindex), patience_s
        )
        size = struct.calcsize("<" + kind)
        if len(data) != size:
            raise DriverError(
                f"{od.name_of(index, subindex)}: {len(data)} bytes came, {size} are due"
            )
        return int(struct.unpack("<" + kind, data)[0])

    def _try(self, index: int, subindex: int, call: object, patience_s: float = 0.0) -> bytes:
        assert callable(call)
        give_up = time.monotonic() + patience_s
        tries = 0
        while True:
            tries += 1
            try:
                result = call()
                return bytes(result) if result is not None else b""
            except canopen.SdoAbortedError as error:
                raise DriverError(
                    f"node {self._options.node} refuses {od.name_of(index, subindex)}: {error}"
                ) from error
            except (canopen.SdoCommunicationError, TimeoutError) as error:
                if tries >= self._options.sdo_tries and time.monotonic() > give_up:
                    raise DriverError(
                        f"node {self._options.node} does not answer ({error}; asked for "
                        f"{od.name_of(index, subindex)} {tries} times): check power, wiring, "
                        "termination, bit rate and drive.node"
                    ) from error
            except can.CanError as error:
                raise DriverError(f"drive.bus: {error}") from error
