"""Carry frames and bytes: CAN buses, serial ports, their load and what is received on them."""

from drivers.transport.board_quantities import GIVEN_UNITS, TAKEN_UNITS, Given, Part, Scaling, Taken
from drivers.transport.can_bus import BusOptions, open_bus
from drivers.transport.listening import (
    CanEar,
    Ear,
    Heard,
    Listenable,
    Take,
    Undeclared,
    identifier_text,
)
from drivers.transport.ports import can_adapters, serial_ports
from drivers.transport.serial_port import PortOptions, SerialPort
from drivers.transport.wire_budget import (
    REFUSE_SHARE,
    WARN_SHARE,
    Budget,
    Budgeting,
    CanWire,
    WireLoad,
    serial_s,
)

__all__ = [
    "GIVEN_UNITS",
    "REFUSE_SHARE",
    "TAKEN_UNITS",
    "WARN_SHARE",
    "Budget",
    "Budgeting",
    "BusOptions",
    "CanEar",
    "CanWire",
    "Ear",
    "Given",
    "Heard",
    "Listenable",
    "Part",
    "PortOptions",
    "Scaling",
    "SerialPort",
    "Take",
    "Taken",
    "Undeclared",
    "WireLoad",
    "can_adapters",
    "identifier_text",
    "open_bus",
    "serial_ports",
    "serial_s",
]
