"""Acyclic services through the ``canopen`` package: NMT, SDO, PDO mapping.

Each value is written, read back and compared; the package's own PDO writer is not used,
since it silently skips unexpected declarations of the dictionary.
"""

from __future__ import annotations

import contextlib
import math
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import can
import canopen

from drivers.base import DriverError, Mode
from drivers.cia402 import objects as od
from drivers.cia402.data_sheet import DataSheet
from drivers.cia402.mapping import Pdo, pdos
from drivers.cia402.options import Cia402Options

NOT_VALID = 1 << 31
NO_REMOTE_REQUEST = 1 << 30
IDENTIFIER = 0x1FFF_FFFF
BOOT_WAIT_S = 0.6
MILLISECOND = 1e-3
LOOK_S = 0.01  # the bus reader ends within this time on request
NMT_START, NMT_PRE_OPERATIONAL = 0x01, 0x80
DISABLE_VOLTAGE_OPTION = 2
# no such object, no such subindex, no data available
ABSENT = (0x0602_0000, 0x0609_0011, 0x060A_0023)
T = TypeVar("T")
MODES = {"torque": Mode.TORQUE, "velocity": Mode.VELOCITY, "position": Mode.POSITION}


@dataclass(frozen=True)
class Found:
    """Values reported by the node."""

    identity: str
    rated_torque_N_m: float
    max_torque_per_mille: int
    counts_per_revolution: float
    modes: frozenset[Mode]
    own_limits: dict[str, float]  # as ``drivers.base.Capabilities.own_limits``


class Absent(DriverError):
    """Error for an object that the node does not have."""


class Configurator:
    """SDO and NMT client of one node; ``configure`` leaves it in state Operational.

    Args:
        bus: used, and left open; no one else may read it meanwhile.
        options: options of the profile.
        period_s: cycle period, set in drives that interpolate between targets.

    Raises:
        DriverError: the electronic data sheet cannot be used.
    """

    def __init__(self, bus: can.BusABC, options: Cia402Options, period_s: float) -> None:
        self._options = options
        self._bus = bus
        self._period_s = period_s
        self._sheet = DataSheet(options)
        self._network = canopen.Network(bus)
        self._node = canopen.RemoteNode(options.node, self._sheet.dictionary)

    def configure(self) -> Found:
        """Configure the node, whatever state it is in, and set it to Operational.

        Raises:
            DriverError: no answer, an abort, or a value that does not read back.
        """
        network = self._network
        notifier = can.Notifier(self._bus, network.listeners, LOOK_S)
        network.notifier = notifier
        try:
            network.add_node(self._node)
            self._node.sdo.RESPONSE_TIMEOUT = self._options.sdo_timeout
            return self._configure()
        except can.CanError as error:
            raise DriverError(f"drive.bus: {error}; is the adapter still connected?") from error
        finally:
            with contextlib.suppress(Exception):
                self._node.remove_network()
            # The bus stays open: from here on only the cycle's own thread reads it.
            notifier.stop(2.0)
            network.bus = None

    def _configure(self) -> Found:
        o = self._options
        self._node.nmt.send_command(NMT_PRE_OPERATIONAL)
        time.sleep(0.02)
        device_type = self._read(od.DEVICE_TYPE, 0, "I", patience_s=BOOT_WAIT_S)
        if device_type & 0xFFFF != 402:
            raise DriverError(
                f"node {o.node} is of device profile {device_type & 0xFFFF}, not 402: "
                "set drive.node to the drive's node identifier"
            )
        vendor = self._read(od.IDENTITY, 1, "I")
        product = self._optional(lambda: self._read(od.IDENTITY, 2, "I"), 0)
        self._sheet.check_identity(vendor, product)
        self._write(od.CONTROL_WORD, 0, "H", 0)
        self._watch_each_other()
        receive, transmit = pdos(o)
        for pdo in receive:
            self._map(pdo, od.RPDO_COMMUNICATION, od.RPDO_MAPPING)
        for pdo in transmit:
            self._map(pdo, od.TPDO_COMMUNICATION, od.TPDO_MAPPING)
        self._silence(od.RPDO_COMMUNICATION, len(receive))
        self._silence(od.TPDO_COMMUNICATION, len(transmit))
        modes = self._modes()
        self._confirm(od.MODES_OF_OPERATION, 0, "b", int(MODES[o.modes[0]]))
        self._pace(modes)
        if o.quick_stop is not None:
            self._confirm(od.QUICK_STOP_OPTION, 0, "h", o.quick_stop)
        rated = self._read(od.MOTOR_RATED_TORQUE, 0, "I") * 1e-3  # mN·m on the wire
        if rated <= 0:
            raise DriverError(
                f"{od.name_of(od.MOTOR_RATED_TORQUE)} is 0: set the motor's rated torque in the "
                "drive, torque commands are per mille of it"
            )
        name = self._optional(lambda: self._read_text(od.DEVICE_NAME), "")
        found = Found(
            f"{name or 'drive'}, node {o.node}, identity {vendor:#x}/{product:#x}",
            rated,
            self._optional(lambda: self._read(od.MAX_TORQUE, 0, "H"), 1000),
            self._counts_per_revolution(),
            modes,
            self._own_limits(rated),
        )
        self._node.nmt.send_command(NMT_START)
        return found

    def _own_limits(self, rated_torque_N_m: float) -> dict[str, float]:
        """Read the drive's own limits: torque and current are per mille of rated."""
        limits: tuple[tuple[str, int, str, Callable[[], float]], ...] = (
            ("torque_N_m", od.MAX_TORQUE, "H", lambda: 1e-3 * rated_torque_N_m),
            ("current_A", od.MAX_CURRENT, "H", self._rated_current_A_per_mille),
            ("speed_rad_s", od.MAX_MOTOR_SPEED, "I", lambda: 2 * math.pi / 60),  # rpm
        )
        own = {}
        for name, index, kind, unit in limits:
            with contextlib.suppress(Absent):
                own[name] = self._read(index, 0, kind) * unit()
        return own

    def _rated_current_A_per_mille(self) -> float:
        return 1e-6 * self._read(od.MOTOR_RATED_CURRENT, 0, "I")  # mA on the wire

    def _watch_each_other(self) -> None:
        """Configure heartbeats both ways, and the drive's reaction to a silent host."""
        o = self._options
        self._ensure(od.SYNC_COB_ID, 0, 0x80, IDENTIFIER | 1 << 30)
        self._ensure(od.EMCY_COB_ID, 0, 0x80 + o.node, IDENTIFIER | NOT_VALID)
        self._confirm(od.PRODUCER_HEARTBEAT, 0, "H", round(o.drive_heartbeat / MILLISECOND))
        limit = round(o.host_loss / MILLISECOND)
        if o.watch == "heartbeat":
            # A watch started by an earlier connection would still run, and expire before the first
            # cycle.
            self._write(od.CONSUMER_HEARTBEAT, 1, "I", 0)
            self._confirm(od.CONSUMER_HEARTBEAT, 1, "I", o.host_node << 16 | limit)
        try:
            self._confirm(od.ABORT_CONNECTION_OPTION, 0, "h", DISABLE_VOLTAGE_OPTION)
        except Absent as error:
            raise DriverError(
                f"{error}; without it the drive's reaction to a dead host is unknown, so power on "
                "is refused"
            ) from error

    def _modes(self) -> frozenset[Mode]:
        """Return the supported modes, which include the requested (0x6502 bit = mode - 1)."""
        wanted = frozenset(MODES[name] for name in self._options.modes)
        try:
            supported = self._read(od.SUPPORTED_MODES, 0, "I")
        except Absent:
            return wanted
        for mode in wanted:
            if not supported >> (int(mode) - 1) & 1:
                raise DriverError(
                    f"the drive does not support cyclic synchronous {mode.name.lower()} mode "
                    f"({od.name_of(od.SUPPORTED_MODES)} is {supported:#x}): remove it from "
                    "drive.modes or enable it in the drive"
                )
        return frozenset(mode for mode in Mode if supported >> (int(mode) - 1) & 1)

    def _pace(self, modes: frozenset[Mode]) -> None:
        """Set the cycle period in drives that interpolate (0x60C2: value · 10^exponent s)."""
        if modes == {Mode.TORQUE}:
            return
        for exponent in (-3, -4, -5, -6):
            value = round(self._period_s / 10.0**exponent)
            if abs(value * 10.0**exponent - self._period_s) < 1e-9 and 0 < value < 256:
                break
        else:
            return
        with contextlib.suppress(Absent):
            self._confirm(od.INTERPOLATION_PERIOD, 2, "b", exponent)
            self._confirm(od.INTERPOLATION_PERIOD, 1, "B", value)

    def _counts_per_revolution(self) -> float:
        wanted = self._options.counts_per_revolution
        try:
            increments = self._read(od.ENCODER_RESOLUTION, 1, "I")
            reported = increments / max(self._read(od.ENCODER_RESOLUTION, 2, "I"), 1)
        except Absent as error:
            if wanted is None:
                raise DriverError(
                    f"{error}: write drive.counts_per_revolution from the motor's data sheet"
                ) from error
            return float(wanted)
        if reported <= 0 or (wanted is not None and abs(reported - wanted) > 1e-6 * wanted):
            raise DriverError(
                f"{od.name_of(od.ENCODER_RESOLUTION)}: the drive counts {reported:g} per revolution"
                + (f", the profile {wanted}" if wanted is not None else "")
                + ": correct the one that is wrong"
            )
        return reported

    # ------------------------------------------------------------------ PDOs

    def _map(self, pdo: Pdo, communication: int, mapping: int) -> None:
        """Map a PDO in the order of CiA 301: invalid, count 0, entries, count, type, valid."""
        com, where = communication + pdo.number - 1, mapping + pdo.number - 1
        was = self._read(com, 1, "I")
        # With its previous identifier: a PDO's identifier may not change while it is valid.
        self._write(com, 1, "I", was | NOT_VALID)
        self._write(where, 0, "B", 0)
        if communication == od.RPDO_COMMUNICATION and pdo.number == 1:
            self._set_deadline(com)
        for i, entry in enumerate(pdo.entries, 1):
            self._confirm(where, i, "I", entry.word)
        self._confirm(where, 0, "B", len(pdo.entries))
        self._confirm(com, 2, "B", pdo.transmission)
        # Some drives require that remote requests stay disabled; none is sent from here.
        kept = was & NO_REMOTE_REQUEST
        self._confirm(com, 1, "I", pdo.cob_id | kept, mask=~NO_REMOTE_REQUEST & 0xFFFF_FFFF)

    def _set_deadline(self, com: int) -> None:
        """Set the RPDO deadline if commands are the drive's watch over the host, or remove it."""
        if self._options.watch == "rpdo_timer":
            limit = round(self._options.host_loss / MILLISECOND)
            self._confirm(com, od.EVENT_TIMER, "H", limit)
            return
        with contextlib.suppress(Absent):
            # One set by another host would expire between opening and the first cycle.
            if self._read(com, od.EVENT_TIMER, "H"):
                self._confirm(com, od.EVENT_TIMER, "H", 0)

    def _silence(self, communication: int, used: int) -> None:
        """Disable other PDOs that the drive would send or obey."""
        for com in range(communication + used, communication + od.PREDEFINED_PDOS):
            with contextlib.suppress(Absent):
                was = self._read(com, 1, "I")
                if not was & NOT_VALID:
                    self._confirm(com, 1, "I", was | NOT_VALID, mask=NOT_VALID)

    # ------------------------------------------------------------------ SDO

    def _ensure(self, index: int, subindex: int, value: int, mask: int) -> None:
        """Write only a different value: in many drives it is constant."""
        with contextlib.suppress(Absent):
            if self._read(index, subindex, "I") & mask != value & mask:
                self._confirm(index, subindex, "I", value, mask)

    def _confirm(
        self, index: int, subindex: int, kind: str, value: int, mask: int = 0xFFFF_FFFF
    ) -> None:
        self._write(index, subindex, kind, value)
        back = self._read(index, subindex, kind)
        if back & mask != value & mask:
            raise DriverError(
                f"{self._name(index, subindex)}: wrote {value:#x}, the drive kept {back:#x}: it "
                "does not accept this setting; change it in the profile or in the drive"
            )

    def _write(self, index: int, subindex: int, kind: str, value: int) -> None:
        data = struct.pack("<" + kind, value)

        def download() -> bytes:
            self._node.sdo.download(index, subindex, data)
            return b""

        self._try(index, subindex, download)

    def _read(self, index: int, subindex: int, kind: str, patience_s: float = 0.0) -> int:
        data = self._upload(index, subindex, patience_s)
        size = struct.calcsize("<" + kind)
        if len(data) != size:
            raise DriverError(
                f"{self._name(index, subindex)}: {len(data)} bytes received, {size} expected"
            )
        return int(struct.unpack("<" + kind, data)[0])

    def _read_text(self, index: int) -> str:
        text = self._upload(index, 0).decode("ascii", "replace").strip("\0 ")
        return "".join(c for c in text if c.isprintable())[:64]

    def _optional(self, read: Callable[[], T], default: T) -> T:
        try:
            return read()
        except Absent:
            return default

    def _upload(self, index: int, subindex: int, patience_s: float = 0.0) -> bytes:
        return self._try(
            index, subindex, lambda: bytes(self._node.sdo.upload(index, subindex)), patience_s
        )

    def _try(
        self, index: int, subindex: int, call: Callable[[], bytes], patience_s: float = 0.0
    ) -> bytes:
        give_up = time.monotonic() + patience_s
        tries = 0
        while True:
            tries += 1
            try:
                return call()
            except canopen.SdoAbortedError as error:
                kind = Absent if error.code in ABSENT else DriverError
                raise kind(
                    f"node {self._options.node} refuses {self._name(index, subindex)}: {error}"
                ) from error
            except (canopen.SdoCommunicationError, TimeoutError) as error:
                if tries >= self._options.sdo_tries and time.monotonic() > give_up:
                    raise DriverError(
                        f"node {self._options.node} does not answer ({error}; requested "
                        f"{self._name(index, subindex)} {tries} times): check power, wiring, "
                        "termination, bit rate and drive.node"
                    ) from error

    def _name(self, index: int, subindex: int) -> str:
        return self._sheet.name_of(index, subindex)
