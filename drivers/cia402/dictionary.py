"""Object dictionary of the simulated node: values, access rights, hooks."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from drivers.cia402 import objects as od
from drivers.cia402.options import Cia402Options

# Abort codes of CiA 301
ABORT_NO_OBJECT = 0x0602_0000
ABORT_NO_SUBINDEX = 0x0609_0011
ABORT_READ_ONLY = 0x0601_0002
ABORT_LENGTH = 0x0607_0010
ABORT_NOT_MAPPABLE = 0x0604_0041
ABORT_TOO_LONG = 0x0604_0042
ABORT_RANGE = 0x0609_0030
ABORT_STATE = 0x0800_0022  # not in the present device state

PDO_COUNT = 4
DEVICE_NAME = b"bench drive, simulated"
NOT_VALID = 1 << 31
DEVICE_TYPE_SERVO = 0x0002_0192  # servo drive, device profile 402
TPDO_IDS = (0x180, 0x280, 0x380, 0x480)
RPDO_IDS = (0x200, 0x300, 0x400, 0x500)


class Abort(Exception):
    """An SDO abort with its code of CiA 301."""

    def __init__(self, code: int) -> None:
        super().__init__(f"{code:#010x}")
        self.code = code


@dataclass(slots=True)
class Item:
    """One entry; ``get`` overrides the stored value, ``put`` is called before each write."""

    kind: str
    value: int = 0
    writable: bool = False
    mappable: bool = False
    get: Callable[[], int] | None = None
    put: Callable[[int], None] | None = None
    text: bytes = b""  # of a VISIBLE_STRING
    low: int = 0
    high: int = 0

    def __post_init__(self) -> None:
        if self.kind in od.FORMATS:
            bits = od.size(self.kind) * 8
            signed = self.kind.startswith("I")
            self.low = -(1 << bits - 1) if signed else 0
            self.high = (1 << bits - signed) - 1

    def read(self) -> int:
        """Return the present value, saturated to the type as in a drive."""
        value = self.value if self.get is None else self.get()
        return self.low if value < self.low else self.high if value > self.high else value


class Dictionary:
    """Entries by (index, subindex)."""

    def __init__(self) -> None:
        self.items: dict[tuple[int, int], Item] = {}
        self.pdos_changed = True

    def add(self, index: int, subindex: int, kind: str, **more: Any) -> Item:
        item = Item(kind, **more)
        self.items[index, subindex] = item
        return item

    def find(self, index: int, subindex: int) -> Item:
        """Return an entry. Raises ``Abort`` if it does not exist."""
        item = self.items.get((index, subindex))
        if item is None:
            known = any(i == index for i, _ in self.items)
            raise Abort(ABORT_NO_SUBINDEX if known else ABORT_NO_OBJECT)
        return item

    def upload(self, index: int, subindex: int) -> bytes:
        """Return the value on the wire. Raises ``Abort``."""
        item = self.find(index, subindex)
        return item.text or struct.pack("<" + od.FORMATS[item.kind], item.read())

    def download(self, index: int, subindex: int, data: bytes) -> None:
        """Write a value from the wire. Raises ``Abort`` and leaves it unchanged."""
        item = self.find(index, subindex)
        if not item.writable:
            raise Abort(ABORT_READ_ONLY)
        if len(data) != od.size(item.kind):
            raise Abort(ABORT_LENGTH)
        value = struct.unpack("<" + od.FORMATS[item.kind], data)[0]
        if item.put is not None:
            item.put(value)
        item.value = value
        if od.RPDO_COMMUNICATION <= index < 0x1C00:
            self.pdos_changed = True


def build(options: Cia402Options, core: Any, status: Callable[[], int]) -> Dictionary:
    """Return the simulated node's dictionary over a ``SimulatedDriveCore``."""
    p = core.parameters
    d = Dictionary()
    _communication(d, options, core)
    for n in range(PDO_COUNT):
        _PdoRecord(d, n, RPDO_IDS[n] + options.node, transmit=False)
        _PdoRecord(d, n, TPDO_IDS[n] + options.node, transmit=True)
    rated = p.rated_torque_N_m
    constant = p.stated_torque_constant_N_m_A
    peak = min(p.drive_max_torque_N_m, p.peak_current_A * constant)
    counts = int(p.encoder_counts_per_revolution)
    speed_unit = 2 * math.pi / (60 if options.velocity_unit == "rpm" else counts)
    m = {"mappable": True}
    d.add(od.ABORT_CONNECTION_OPTION, 0, "INTEGER16", value=1, writable=True, put=_within(0, 3))
    d.add(od.ERROR_CODE, 0, "UNSIGNED16", get=lambda: int(core.fault_code), **m)
    d.add(od.CONTROL_WORD, 0, "UNSIGNED16", writable=True, **m)
    d.add(od.STATUS_WORD, 0, "UNSIGNED16", get=status, **m)
    d.add(od.QUICK_STOP_OPTION, 0, "INTEGER16", value=2, writable=True, put=_only(2))
    d.add(od.MODES_OF_OPERATION, 0, "INTEGER8", value=10, writable=True, put=_within(8, 10), **m)
    d.add(od.MODES_OF_OPERATION_DISPLAY, 0, "INTEGER8", get=lambda: int(core.mode), **m)
    d.add(od.POSITION_ACTUAL, 0, "INTEGER32", get=lambda: int(core.position_counts), **m)
    d.add(
        od.VELOCITY_ACTUAL, 0, "INTEGER32", get=lambda: round(core.velocity_rad_s / speed_unit), **m
    )
    d.add(od.TARGET_TORQUE, 0, "INTEGER16", writable=True, **m)
    d.add(od.TORQUE_OFFSET, 0, "INTEGER16", writable=True, **m)
    d.add(od.MAX_TORQUE, 0, "UNSIGNED16", value=min(65535, round(1000 * peak / rated)))
    d.add(
        od.MAX_CURRENT,
        0,
        "UNSIGNED16",
        value=min(65535, round(1000 * p.drive_max_torque_N_m / rated)),
    )
    d.add(
        od.MAX_MOTOR_SPEED,
        0,
        "UNSIGNED32",
        value=round(p.drive_overspeed_rad_s * 60 / (2 * math.pi)),
    )
    d.add(od.MOTOR_RATED_CURRENT, 0, "UNSIGNED32", value=round(1000 * rated / constant))
    d.add(od.MOTOR_RATED_TORQUE, 0, "UNSIGNED32", value=round(1000 * rated))
    d.add(od.TORQUE_ACTUAL, 0, "INTEGER16", get=lambda: round(1000 * core.torque_N_m / rated), **m)
    d.add(od.DC_LINK_VOLTAGE, 0, "UNSIGNED32", get=lambda: round(1000 * core.supply_V), **m)
    d.add(od.TARGET_POSITION, 0, "INTEGER32", writable=True, **m)
    d.add(od.ENCODER_RESOLUTION, 0, "UNSIGNED8", value=2)
    d.add(od.ENCODER_RESOLUTION, 1, "UNSIGNED32", value=counts)
    d.add(od.ENCODER_RESOLUTION, 2, "UNSIGNED32", value=1)
    d.add(od.INTERPOLATION_PERIOD, 0, "UNSIGNED8", value=2)
    d.add(od.INTERPOLATION_PERIOD, 1, "UNSIGNED8", value=1, writable=True)
    d.add(od.INTERPOLATION_PERIOD, 2, "INTEGER8", value=-3, writable=True, put=_within(-6, 0))
    d.add(od.TARGET_VELOCITY, 0, "INTEGER32", writable=True, **m)
    d.add(od.SUPPORTED_MODES, 0, "UNSIGNED32", value=1 << 7 | 1 << 8 | 1 << 9)
    deflection, spare = options.deflection_object, options.spare_object
    d.add(
        deflection.index,
        deflection.subindex,
        deflection.type,
        get=lambda: round(core.deflection_counts / deflection.scale),
        **m,
    )
    if spare is not None:
        d.add(
            spare.index,
            spare.subindex,
            spare.type,
            get=lambda: round(core.spare_counts / spare.scale),
            **m,
        )
    inputs = options.inputs_object
    if inputs is not None:
        d.add(
            inputs.index,
            inputs.subindex,
            inputs.type,
            get=lambda: max(0, int(core.digital_inputs)),
            **m,
        )
    for index in {deflection.index} | ({spare.index} if spare else set()):
        last = max(subindex for i, subindex in d.items if i == index)
        if last:
            d.add(index, 0, "UNSIGNED8", value=last)
    drawn = options.supply_current_object
    if drawn is not None:
        d.add(
            drawn.index,
            drawn.subindex,
            drawn.type,
            get=lambda: round(core.supply_A / drawn.scale),
            **m,
        )
    t = options.temperature_object
    if t is not None:
        d.add(t.index, t.subindex, t.type, get=lambda: round(core.temperature_degC / t.scale), **m)
    return d


def _communication(d: Dictionary, options: Cia402Options, core: Any) -> None:
    d.add(od.DEVICE_TYPE, 0, "UNSIGNED32", value=DEVICE_TYPE_SERVO)
    d.add(od.ERROR_REGISTER, 0, "UNSIGNED8", get=lambda: error_register(core.fault_code))
    d.add(od.SYNC_COB_ID, 0, "UNSIGNED32", value=0x80)
    d.add(od.DEVICE_NAME, 0, "VISIBLE_STRING", text=DEVICE_NAME)
    d.add(od.EMCY_COB_ID, 0, "UNSIGNED32", value=0x80 + options.node)
    d.add(od.CONSUMER_HEARTBEAT, 0, "UNSIGNED8", value=1)
    d.add(od.CONSUMER_HEARTBEAT, 1, "UNSIGNED32", writable=True, put=_within(0, 0x7F_FFFF))
    d.add(od.PRODUCER_HEARTBEAT, 0, "UNSIGNED16", writable=True)
    d.add(od.IDENTITY, 0, "UNSIGNED8", value=4)
    for subindex, value in enumerate((0, 1, 1, 1), 1):  # invented: no vendor has number 0
        d.add(od.IDENTITY, subindex, "UNSIGNED32", value=value)


def error_register(code: int) -> int:
    """Return the error register of CiA 301 for a code: bit 0 any, others by the code's class."""
    classes = {0x2: 0x02, 0x3: 0x04, 0x4: 0x08, 0x8: 0x10}
    return 1 | classes.get(code >> 12, 0) if code else 0


class _PdoRecord:
    """Communication and mapping records of one PDO (CiA 301), initially not valid.

    Args:
        d: dictionary to which the records are added.
        number: number of the PDO, from 0.
        cob_id: initial identifier.
        transmit: the node sends it.
    """

    def __init__(self, d: Dictionary, number: int, cob_id: int, transmit: bool) -> None:
        self._d = d
        self._transmit = transmit
        com = od.TPDO_COMMUNICATION if transmit else od.RPDO_COMMUNICATION
        where = od.TPDO_MAPPING if transmit else od.RPDO_MAPPING
        self._com, self._where = com + number, where + number
        no_remote_request = 1 << 30 if transmit else 0
        d.add(self._com, 0, "UNSIGNED8", value=od.EVENT_TIMER)
        d.add(
            self._com,
            1,
            "UNSIGNED32",
            value=NOT_VALID | no_remote_request | cob_id,
            writable=True,
            put=self._put_identifier,
        )
        d.add(self._com, 2, "UNSIGNED8", value=1, writable=True, put=self._put_type)
        if transmit:
            d.add(self._com, 3, "UNSIGNED16", writable=True)  # inhibit time, 0.1 ms
        d.add(self._com, od.EVENT_TIMER, "UNSIGNED16", writable=True)  # ms
        d.add(self._where, 0, "UNSIGNED8", writable=True, put=self._put_count)
        for i in range(1, 9):
            d.add(self._where, i, "UNSIGNED32", writable=True, put=self._put_entry)

    @property
    def _identifier(self) -> int:
        return int(self._d.items[self._com, 1].value)

    @property
    def _unused(self) -> bool:
        return self._identifier & NOT_VALID != 0

    def _put_identifier(self, value: int) -> None:
        if value & 1 << 29 or (not self._unused and (value ^ self._identifier) & 0x7FF):
            raise Abort(ABORT_RANGE if value & 1 << 29 else ABORT_STATE)

    def _put_type(self, value: int) -> None:
        if 240 < value < 254:  # reserved, or sent on remote request only
            raise Abort(ABORT_RANGE)

    def _put_entry(self, word: int) -> None:
        items = self._d.items
        if not self._unused or items[self._where, 0].value:
            raise Abort(ABORT_STATE)
        item = items.get((word >> 16, word >> 8 & 0xFF))
        if item is None:
            raise Abort(ABORT_NO_OBJECT)
        if not item.mappable or od.size(item.kind) * 8 != word & 0xFF:
            raise Abort(ABORT_NOT_MAPPABLE)
        if not self._transmit and not item.writable:
            raise Abort(ABORT_NOT_MAPPABLE)

    def _put_count(self, count: int) -> None:
        if not self._unused:
            raise Abort(ABORT_STATE)
        if count > 8:
            raise Abort(ABORT_TOO_LONG)
        words = [self._d.items[self._where, i].value for i in range(1, count + 1)]
        if 0 in words:
            raise Abort(ABORT_NO_OBJECT)
        if sum(word & 0xFF for word in words) > 64:
            raise Abort(ABORT_TOO_LONG)


def _within(low: int, high: int) -> Callable[[int], None]:
    def put(value: int) -> None:
        if not low <= value <= high:
            raise Abort(ABORT_RANGE)

    return put


def _only(wanted: int) -> Callable[[int], None]:
    return _within(wanted, wanted)
