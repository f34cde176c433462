"""PDO mapping: the objects of each PDO, and their packing."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from drivers.cia402 import objects as od
from drivers.cia402.options import Cia402Options

PDO_BYTES = 8


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


STATUS = Entry(od.STATUS_WORD, 0, "UNSIGNED16")
POSITION = Entry(od.POSITION_ACTUAL, 0, "INTEGER32")
TORQUE = Entry(od.TORQUE_ACTUAL, 0, "INTEGER16")
VELOCITY = Entry(od.VELOCITY_ACTUAL, 0, "INTEGER32")
MODE = Entry(od.MODES_OF_OPERATION_DISPLAY, 0, "INTEGER8")
SUPPLY = Entry(od.DC_LINK_VOLTAGE, 0, "UNSIGNED32")
ERROR = Entry(od.ERROR_CODE, 0, "UNSIGNED16")


def deflection(options: Cia402Options) -> Entry:
    o = options.deflection_object
    return Entry(o.index, o.subindex, o.type)


def temperature(options: Cia402Options) -> Entry | None:
    o = options.temperature_object
    return None if o is None else Entry(o.index, o.subindex, o.type)


def supply_current(options: Cia402Options) -> Entry | None:
    o = options.supply_current_object
    return None if o is None else Entry(o.index, o.subindex, o.type)


def spare(options: Cia402Options) -> Entry | None:
    o = options.spare_object
    return None if o is None else Entry(o.index, o.subindex, o.type)


def inputs(options: Cia402Options) -> Entry | None:
    o = options.inputs_object
    return None if o is None else Entry(o.index, o.subindex, o.type)


def pdos(options: Cia402Options) -> tuple[tuple[Pdo, ...], tuple[Pdo, ...]]:
    """Return (receive, transmit) PDOs as seen from the drive.

    TPDO 1 and 2 come with every SYNC, the others with every ``slow_every``-th. TPDO 2 holds
    velocity and deflection first; the mode is sent slowly if it does not fit there.
    """
    node = options.node
    receive_type = 1 if options.rpdo_transmission == "sync" else 255
    offset = (Entry(od.TORQUE_OFFSET, 0, "INTEGER16"),) if options.torque_offset else ()
    receive = (
        Pdo(
            1,
            0x200 + node,
            receive_type,
            (
                Entry(od.CONTROL_WORD, 0, "UNSIGNED16"),
                Entry(od.MODES_OF_OPERATION, 0, "INTEGER8"),
                Entry(od.TARGET_TORQUE, 0, "INTEGER16"),
                *offset,
            ),
        ),
        Pdo(
            2,
            0x300 + node,
            receive_type,
            (Entry(od.TARGET_VELOCITY, 0, "INTEGER32"), Entry(od.TARGET_POSITION, 0, "INTEGER32")),
        ),
    )
    fast = [VELOCITY, deflection(options)]
    slow = [SUPPLY, ERROR]
    (fast if _bytes([*fast, MODE]) <= PDO_BYTES else slow).append(MODE)
    heat = temperature(options)
    if heat is not None:
        slow.append(heat)
    drawn = supply_current(options)
    if drawn is not None:
        slow.append(drawn)
    second_input = spare(options)
    if second_input is not None:
        slow.append(second_input)
    bits = inputs(options)
    if bits is not None:
        slow.append(bits)
    first = slow
    second: list[Entry] = []
    while _bytes(first) > PDO_BYTES:
        second.insert(0, first.pop())
    transmit = [
        Pdo(1, 0x180 + node, 1, (STATUS, POSITION, TORQUE)),
        Pdo(2, 0x280 + node, 1, tuple(fast)),
        Pdo(3, 0x380 + node, options.slow_every, tuple(first)),
    ]
    if second:
        transmit.append(Pdo(4, 0x480 + node, options.slow_every, tuple(second)))
    return receive, tuple(transmit)


def _bytes(entries: list[Entry]) -> int:
    return sum(od.size(entry.kind) for entry in entries)
