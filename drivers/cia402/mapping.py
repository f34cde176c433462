"""Which objects travel in which PDO, and their packing."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from drivers.cia402 import objects as od
from drivers.cia402.options import Cia402Options


@dataclass(frozen=True)
class Entry:
    index: int
    subindex: int
    kind: str

    @property
    def word(self) -> int:
        """Mapping entry of CiA 301: index, subindex, length in bits."""
        return self.index << 16 | self.subindex << 8 | od.size(self.kind) * 8


@dataclass(frozen=True)
class Pdo:
    """One PDO: ``number`` from 1, ``cob_id``, transmission type, entries in order."""

    number: int
    cob_id: int
    transmission: int
    entries: tuple[Entry, ...]

    @property
    def packing(self) -> struct.Struct:
        return struct.Struct("<" + "".join(od.FORMATS[entry.kind] for entry in self.entries))


def pdos(options: Cia402Options) -> tuple[tuple[Pdo, ...], tuple[Pdo, ...]]:
    """(receive, transmit) PDOs as seen from the drive."""
    node = options.node
    receive_type = 1 if options.rpdo_transmission == "sync" else 255
    deflection = options.deflection_object
    receive = (
        Pdo(1, 0x200 + node, receive_type, (
            Entry(od.CONTROL_WORD, 0, "UNSIGNED16"),
            Entry(od.MODES_OF_OPERATION, 0, "INTEGER8"),
            Entry(od.TARGET_TORQUE, 0, "INTEGER16"),
        )),
        Pdo(2, 0x300 + node, receive_type, (
            Entry(od.TARGET_VELOCITY, 0, "INTEGER32"),
            Entry(od.TARGET_POSITION, 0, "INTEGER32"),
        )),
    )
    slow = [
        Entry(od.DC_LINK_VOLTAGE, 0, "UNSIGNED32"),
        Entry(od.ERROR_CODE, 0, "UNSIGNED16"),
    ]
    if options.temperature_object is not None:
        t = options.temperature_object
        slow.append(Entry(t.index, t.subindex, t.type))
    transmit = (
        Pdo(1, 0x180 + node, 1, (
            Entry(od.STATUS_WORD, 0, "UNSIGNED16"),
            Entry(od.POSITION_ACTUAL, 0, "INTEGER32"),
            Entry(od.TORQUE_ACTUAL, 0, "INTEGER16"),
        )),
        Pdo(2, 0x280 + node, 1, (
            Entry(od.VELOCITY_ACTUAL, 0, "INTEGER32"),
            Entry(deflection.index, deflection.subindex, deflection.type),
            Entry(od.MODES_OF_OPERATION_DISPLAY, 0, "INTEGER8"),
        )),
        Pdo(3, 0x380 + node, options.slow_every, tuple(slow)),
    )
    return receive, transmit
