"""PDOs of the simulated node, compiled from its dictionary when it becomes Operational."""

from __future__ import annotations

import struct

import can

from drivers.cia402 import objects as od
from drivers.cia402.dictionary import NOT_VALID, PDO_COUNT, Dictionary, Item


class ReceivePdo:
    """PDO sent by the host.

    Attributes:
        transmission: type.
        packing: packing of its bytes.
        deadline_s: longest time between two receptions; 0 for none.
        received_s: time of the latest reception; 0 before the first.
    """

    def __init__(self, transmission: int, items: list[Item], deadline_s: float = 0.0) -> None:
        self.transmission = transmission
        self.deadline_s = deadline_s
        self.received_s = 0.0
        self.packing = _packing(items)
        self._items = items

    def store(self, data: bytes) -> None:
        """Store the values in the dictionary; bytes beyond those mapped are ignored (CiA 301)."""
        for item, value in zip(self._items, self.packing.unpack_from(data), strict=True):
            item.value = value


class TransmitPdo:
    """PDO sent by the node. Attributes: ``transmission`` type, ``message`` as last packed."""

    def __init__(
        self,
        identifier: int,
        transmission: int,
        items: list[Item],
        inhibit_s: float,
        event_s: float,
    ) -> None:
        self.transmission = transmission
        self.message = can.Message(arbitration_id=identifier, is_extended_id=False)
        self._pack = _packing(items).pack
        self._reads = [item.read for item in items]
        self._inhibit_s = inhibit_s
        self._event_s = event_s
        self._sent_s = 0.0

    def due_at_sync(self, count: int) -> bool:
        """Return whether to send at SYNC ``count``: every n-th (1 to 240), or on change (0)."""
        transmission = self.transmission
        if transmission == 0:
            before = self.message.data
            return self.pack().data != before
        return transmission <= 240 and count % transmission == 0

    def due_by_event(self, now_s: float) -> bool:
        """Return whether a value has changed or the event timer has expired; packs it if so."""
        since = now_s - self._sent_s
        if since < self._inhibit_s:
            return False
        before = self.message.data
        changed = self.pack().data != before
        if changed or 0 < self._event_s <= since:
            self._sent_s = now_s
            return True
        return False

    def pack(self) -> can.Message:
        """Return the message with present values; the same object each time."""
        message = self.message
        message.data = bytearray(self._pack(*[read() for read in self._reads]))
        message.dlc = len(message.data)
        return message


def _packing(items: list[Item]) -> struct.Struct:
    return struct.Struct("<" + "".join(od.FORMATS[item.kind] for item in items))


def compile_pdos(d: Dictionary) -> tuple[dict[int, ReceivePdo], list[TransmitPdo]]:
    """Return (receive by identifier, transmit in order), valid ones only."""
    receive, transmit = {}, []
    for n in range(PDO_COUNT):
        com = od.RPDO_COMMUNICATION + n
        cob = d.items[com, 1].value
        if not cob & NOT_VALID:
            items = _mapped(d, od.RPDO_MAPPING + n)
            deadline_s = d.items[com, od.EVENT_TIMER].value * 1e-3
            receive[cob & 0x7FF] = ReceivePdo(d.items[com, 2].value, items, deadline_s)
        com = od.TPDO_COMMUNICATION + n
        cob = d.items[com, 1].value
        if not cob & NOT_VALID:
            transmit.append(
                TransmitPdo(
                    cob & 0x7FF,
                    d.items[com, 2].value,
                    _mapped(d, od.TPDO_MAPPING + n),
                    d.items[com, 3].value * 1e-4,
                    d.items[com, od.EVENT_TIMER].value * 1e-3,
                )
            )
    return receive, transmit


def _mapped(d: Dictionary, where: int) -> list[Item]:
    words = [d.items[where, i].value for i in range(1, d.items[where, 0].value + 1)]
    return [d.items[word >> 16, word >> 8 & 0xFF] for word in words]
