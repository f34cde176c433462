"""Bus load of the cyclic exchange with a CiA 402 drive, and its claims on the bus."""

from __future__ import annotations

from drivers.cia402.mapping import pdos
from drivers.cia402.options import Cia402Options
from drivers.transport import SYNC, Budget, CanWire, Claim, WireLoad, bus_name, identifier_text


def budget(options: Cia402Options, period_s: float) -> Budget:
    """Return the load of SYNC, all PDOs and both heartbeats, without the rare SDO and EMCY."""
    wire = CanWire.of(options.bus.extra())
    load = WireLoad()
    receive, transmit = pdos(options)
    load.each_cycle(wire.frame_s(0))
    for pdo in receive:
        load.each_cycle(wire.frame_s(pdo.packing.size))
    for pdo in transmit:
        load.each_cycle(wire.frame_s(pdo.packing.size), max(1, pdo.transmission))
    for every_s in (options.host_heartbeat, options.drive_heartbeat):
        load.each(wire.frame_s(1), every_s)
    return load.budget(period_s, wire.words)


def claims(options: Cia402Options) -> tuple[Claim, ...]:
    """Return both node identifiers, the SYNC and the identifiers of all PDOs."""
    wire = bus_name(options.bus.interface, options.bus.channel)
    receive, transmit = pdos(options)
    return (
        Claim(wire, f"node {options.node}", "node"),
        Claim(wire, f"node {options.host_node}", "host_node"),
        Claim(wire, SYNC, "bus"),
        *(
            Claim(wire, f"identifier {identifier_text(pdo.cob_id, False)}", "node")
            for pdo in (*receive, *transmit)
        ),
    )
