"""Transport of frames and bytes: CAN buses, serial ports, their load and their traffic."""

from drivers.transport.board_quantities import (
    GIVEN_UNITS,
    TAKEN_UNITS,
    InputMap,
    OutputMap,
    Part,
    Scaling,
)
from drivers.transport.can_bus import BusOptions, open_bus
from drivers.transport.can_load import CanLoad, FrameSize
from drivers.transport.kernel_stamps import StampClock, StampedFrame
from drivers.transport.listening import (
    BusMonitor,
    CanMonitor,
    Listenable,
    MessageStats,
    Take,
    Undeclared,
    identifier_text,
)
from drivers.transport.ports import can_adapters, serial_ports
from drivers.transport.serial_port import PortOptions, SerialPort
from drivers.transport.shared_bus import MOST_WAITING, sharing_buses
from drivers.transport.wire_budget import (
    REFUSE_SHARE,
    WARN_SHARE,
    Budget,
    Budgeting,
    CanWire,
    WireLoad,
    serial_s,
)
from drivers.transport.wire_claims import SYNC, Claim, Claiming, bus_name

__all__ = [
    "GIVEN_UNITS",
    "MOST_WAITING",
    "REFUSE_SHARE",
    "SYNC",
    "TAKEN_UNITS",
    "WARN_SHARE",
    "Budget",
    "Budgeting",
    "BusMonitor",
    "BusOptions",
    "CanLoad",
    "CanMonitor",
    "CanWire",
    "Claim",
    "Claiming",
    "FrameSize",
    "InputMap",
    "Listenable",
    "MessageStats",
    "OutputMap",
    "Part",
    "PortOptions",
    "Scaling",
    "SerialPort",
    "StampClock",
    "StampedFrame",
    "Take",
    "Undeclared",
    "WireLoad",
    "bus_name",
    "can_adapters",
    "identifier_text",
    "open_bus",
    "serial_ports",
    "serial_s",
    "sharing_buses",
]
