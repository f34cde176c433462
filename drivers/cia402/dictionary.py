"""Object dictionary of the simulated node: values, access rights, hooks."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from drivers.cia402 import objects as od
from drivers.cia402.options import Cia402Options

ABORT_NO_OBJECT = 0x0602_0000
ABORT_NO_SUBINDEX = 0x0609_0011
ABORT_READ_ONLY = 0x0601_0002
ABORT_LENGTH = 0x0607_0010
ABORT_NOT_MAPPABLE = 0x0604_0041
ABORT_TOO_LONG = 0x0604_0042
ABORT_RANGE = 0x0609_0030


class Abort(Exception):
    """An SDO abort with its code of CiA 301."""

    def __init__(self, code: int) -> None:
        super().__init__(f"{code:#010x}")
        self.code = code


@dataclass
class Item:
    """One entry; ``get`` overrides the stored value, ``put`` sees each write."""

    kind: str
    value: int = 0
    writable: bool = False
    mappable: bool = False
    get: Callable[[], int] | None = None
    put: Callable[[int], None] | None = None

    def read(self) -> int:
        return self.get() if self.get is not None else self.value


class Dictionary:
    """Entries by (index, subindex)."""

    def __init__(self) -> None:
        self.items: dict[tuple[int, int], Item] = {}

    def add(self, index: int, subindex: int, kind: str, **more: Any) -> Item:
        item = Item(kind, **more)
        self.items[index, subindex] = item
        return item

    def find(self, index: int, subindex: int) -> Item:
        """Raises ``Abort`` for an entry that does not exist."""
        item = self.items.get((index, subindex))
        if item is None:
            known = any(i == index for i, _ in self.items)
            raise Abort(ABORT_NO_SUBINDEX if known else ABORT_NO_OBJECT)
        return item

    def upload(self, index: int, subindex: int) -> bytes:
        item = self.find(index, subindex)
        return struct.pack("<" + od.FORMATS[item.kind], clip(item.kind, item.read()))

    def download(self, index: int, subindex: int, data: bytes) -> None:
        item = self.find(index, subindex)
        if not item.writable:
            raise Abort(ABORT_READ_ONLY)
        if len(data) != od.size(item.kind):
            raise Abort(ABORT_LENGTH)
        value = struct.unpack("<" + od.FORMATS[item.kind], data)[0]
        if item.put is not None:
            item.put(value)
        item.value = value


def clip(kind: str, value: int) -> int:
    """Saturate to the type, as a drive does."""
    bits = od.size(kind) * 8
    if kind.startswith("U"):
        return max(0, min((1 << bits) - 1, value))
    return max(-(1 << bits - 1), min((1 << bits - 1) - 1, value))


def build(options: Cia402Options, core: Any, status: Callable[[], int]) -> Dictionary:
    """The simulated node's dictionary over a ``SimulatedDriveCore``."""
    p = core.parameters
    d = Dictionary()
    rated = p.rated_torque_N_m
    peak = min(p.drive_max_torque_N_m, p.peak_current_A * p.torque_constant_N_m_A)
    counts = int(p.encoder_counts_per_revolution)
    speed_unit = 2 * math.pi / (60 if options.velocity_unit == "rpm" else counts)
    d.add(od.DEVICE_TYPE, 0, "UNSIGNED32", value=0x0002_0192)
    d.add(od.ERROR_REGISTER, 0, "UNSIGNED8", get=lambda: 1 if core.fault_code else 0)
    d.add(od.SYNC_COB_ID, 0, "UNSIGNED32", value=0x80)
    d.add(od.EMCY_COB_ID, 0, "UNSIGNED32", value=0x80 + options.node)
    d.add(od.CONSUMER_HEARTBEAT, 0, "UNSIGNED8", value=1)
    d.add(od.CONSUMER_HEARTBEAT, 1, "UNSIGNED32", writable=True)
    d.add(od.PRODUCER_HEARTBEAT, 0, "UNSIGNED16", writable=True)
    d.add(od.IDENTITY, 0, "UNSIGNED8", value=4)
    for subindex, value in enumerate((0, 1, 1, 1), 1):
        d.add(od.IDENTITY, subindex, "UNSIGNED32", value=value)
    for base_com, base_map, base_id in (
        (od.RPDO_COMMUNICATION, od.RPDO_MAPPING, (0x200, 0x300)),
        (od.TPDO_COMMUNICATION, od.TPDO_MAPPING, (0x180, 0x280, 0x380)),
    ):
        for n, cob in enumerate(base_id):
            d.add(base_com + n, 0, "UNSIGNED8", value=2)
            cob_id = 0xC000_0000 + cob + options.node
            d.add(base_com + n, 1, "UNSIGNED32", value=cob_id, writable=True)
            d.add(base_com + n, 2, "UNSIGNED8", value=1, writable=True)
            for i in range(1, 9):
                d.add(base_map + n, i, "UNSIGNED32", writable=True, put=_mappable(d))
            d.add(base_map + n, 0, "UNSIGNED8", writable=True, put=_count(d, base_map + n))
    d.add(od.ABORT_CONNECTION_OPTION, 0, "INTEGER16", value=1, writable=True)
    d.add(od.QUICK_STOP_OPTION, 0, "INTEGER16", value=2, writable=True)
    m = {"mappable": True}
    d.add(od.ERROR_CODE, 0, "UNSIGNED16", get=lambda: int(core.fault_code), **m)
    d.add(od.CONTROL_WORD, 0, "UNSIGNED16", writable=True, **m)
    d.add(od.STATUS_WORD, 0, "UNSIGNED16", get=status, **m)
    d.add(od.MODES_OF_OPERATION, 0, "INTEGER8", value=10, writable=True, put=_mode, **m)
    d.add(od.MODES_OF_OPERATION_DISPLAY, 0, "INTEGER8", get=lambda: int(core.mode), **m)
    d.add(od.POSITION_ACTUAL, 0, "INTEGER32", get=lambda: int(core.position_counts), **m)
    d.add(
        od.VELOCITY_ACTUAL, 0, "INTEGER32",
        get=lambda: round(core.velocity_rad_s / speed_unit), **m,
    )
    d.add(od.TARGET_TORQUE, 0, "INTEGER16", writable=True, **m)
    d.add(od.MAX_TORQUE, 0, "UNSIGNED16", value=min(65535, round(1000 * peak / rated)))
    d.add(od.MOTOR_RATED_CURRENT, 0, "UNSIGNED32",
          value=round(1000 * rated / p.torque_constant_N_m_A))
    d.add(od.MOTOR_RATED_TORQUE, 0, "UNSIGNED32", value=round(1000 * rated))
    d.add(od.TORQUE_ACTUAL, 0, "INTEGER16",
          get=lambda: round(1000 * core.torque_N_m / rated), **m)
    d.add(od.DC_LINK_VOLTAGE, 0, "UNSIGNED32", get=lambda: round(1000 * core.supply_V), **m)
    d.add(od.TARGET_POSITION, 0, "INTEGER32", writable=True, **m)
    d.add(od.ENCODER_RESOLUTION, 0, "UNSIGNED8", value=2)
    d.add(od.ENCODER_RESOLUTION, 1, "UNSIGNED32", value=counts)
    d.add(od.ENCODER_RESOLUTION, 2, "UNSIGNED32", value=1)
    d.add(od.TARGET_VELOCITY, 0, "INTEGER32", writable=True, **m)
    d.add(od.SUPPORTED_MODES, 0, "UNSIGNED32", value=1 << 7 | 1 << 8 | 1 << 9)
    deflection = options.deflection_object
    d.add(deflection.index, deflection.subindex, deflection.type,
          get=lambda: int(core.deflection_counts), **m)
    t = options.temperature_object
    if t is not None:
        d.add(t.index, t.subindex, t.type, get=lambda: round(core.temperature_degC / t.scale), **m)
    return d


def _mode(value: int) -> None:
    if value not in (8, 9, 10):
        raise Abort(ABORT_RANGE)


def _mappable(d: Dictionary) -> Callable[[int], None]:
    def put(word: int) -> None:
        item = d.items.get((word >> 16, word >> 8 & 0xFF))
        if item is None:
            raise Abort(ABORT_NO_OBJECT)
        if not item.mappable or od.size(item.kind) * 8 != word & 0xFF:
            raise Abort(ABORT_NOT_MAPPABLE)

    return put


def _count(d: Dictionary, index: int) -> Callable[[int], None]:
    def put(count: int) -> None:
        if count > 8:
            raise Abort(ABORT_TOO_LONG)
        bits = sum(d.items[index, i].value & 0xFF for i in range(1, count + 1))
        if bits > 64:
            raise Abort(ABORT_TOO_LONG)

    return put
