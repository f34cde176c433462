"""Listen to a CiA 402 drive. Nothing is sent, not even SYNC: with it a drive would obey."""

from __future__ import annotations

import math

import can

from drivers.cia402 import mapping
from drivers.cia402.emergency import text_of
from drivers.cia402.mapping import Pdo, pdos
from drivers.cia402.options import Cia402Options
from drivers.transport import CanMonitor, MessageStats, Take, identifier_text

HEARTBEAT, EMCY = 0x700, 0x80
SYNC_NOTE = "comes with SYNC, which is not sent while listening"
NAMES = {
    mapping.STATUS: "status word",
    mapping.POSITION: "position",
    mapping.TORQUE: "torque",
    mapping.VELOCITY: "velocity",
    mapping.MODE: "mode",
    mapping.SUPPLY: "supply",
    mapping.ERROR: "error code",
}
UNITS = {mapping.POSITION: "counts", mapping.TORQUE: "per mille of rated", mapping.SUPPLY: "mV"}


def bus_monitor(options: Cia402Options) -> CanMonitor:
    """Return a monitor of heartbeat, EMCY and the transmit PDOs, triggered by any host."""
    declared: list[MessageStats] = []
    takes: dict[tuple[int, bool], Take] = {}

    def add(stats: MessageStats, identifier: int, take: Take) -> None:
        declared.append(stats)
        takes[identifier, False] = take

    node = options.node
    heartbeat = MessageStats(
        "heartbeat",
        identifier_text(HEARTBEAT + node, False),
        options.drive_heartbeat,
        note="a drive that no host has configured yet may send none",
    )
    add(heartbeat, HEARTBEAT + node, _one_byte(heartbeat, "NMT state"))
    emergency = MessageStats("EMCY", identifier_text(EMCY + node, False), note="comes with a fault")
    add(emergency, EMCY + node, _emergency(emergency))
    for pdo in pdos(options)[1]:
        stats = MessageStats(
            f"TPDO {pdo.number}", identifier_text(pdo.cob_id, False), note=SYNC_NOTE
        )
        add(stats, pdo.cob_id, _pdo(stats, pdo, options))
    return CanMonitor(options.bus, declared, takes)


def _one_byte(stats: MessageStats, name: str) -> Take:
    def take(frame: can.Message, now_s: float) -> None:
        if len(frame.data) != 1:
            stats.troubles["malformed"] = stats.troubles.get("malformed", 0) + 1
            return
        stats.received(now_s)
        stats.values[name] = float(frame.data[0]), ""

    return take


def _emergency(stats: MessageStats) -> Take:
    def take(frame: can.Message, now_s: float) -> None:
        if len(frame.data) != 8:
            stats.troubles["malformed"] = stats.troubles.get("malformed", 0) + 1
            return
        stats.received(now_s)
        code = int.from_bytes(frame.data[:2], "little")
        stats.values["error code"] = float(code), ""
        stats.note = text_of(code)

    return take


def _pdo(stats: MessageStats, pdo: Pdo, options: Cia402Options) -> Take:
    packing = pdo.packing
    names = dict(NAMES)
    names[mapping.deflection(options)] = "deflection"
    units = dict(UNITS)
    units[mapping.deflection(options)] = "counts"
    scales: dict[mapping.Entry, float] = {}
    heat, spare = mapping.temperature(options), mapping.spare(options)
    if heat is not None and options.temperature_object is not None:
        names[heat], units[heat] = "temperature", "degC"
        scales[heat] = options.temperature_object.scale
    drawn = mapping.supply_current(options)
    if drawn is not None and options.supply_current_object is not None:
        names[drawn], units[drawn] = "supply current", "A"
        scales[drawn] = options.supply_current_object.scale
    if spare is not None:
        names[spare] = "spare input"
    inputs = mapping.inputs(options)
    if inputs is not None:
        names[inputs] = "digital inputs"

    def take(frame: can.Message, now_s: float) -> None:
        if len(frame.data) != packing.size:
            stats.troubles["malformed"] = stats.troubles.get("malformed", 0) + 1
            return
        stats.received(now_s)
        for entry, value in zip(pdo.entries, packing.unpack(frame.data), strict=True):
            scaled = value * scales.get(entry, 1.0)
            if math.isfinite(scaled):
                stats.values[names.get(entry, hex(entry.index))] = scaled, units.get(entry, "")

    return take
