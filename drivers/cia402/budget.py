"""Bus load of the cyclic exchange with a CiA 402 drive, and its claims on the bus."""

from __future__ import annotations

from drivers.cia402.mapping import pdos
from drivers.cia402.options import Cia402Options
from drivers.transport import SYNC, Budget, CanLoad, Claim, FrameSize, bus_name, identifier_text


def budgets(options: Cia402Options, period_s: float) -> tuple[Budget, ...]:
    """Return the load of SYNC, all PDOs and both heartbeats, without the rare SDO and EMCY."""
    load = CanLoad(options.bus)
    receive, transmit = pdos(options)
    load.each_cycle(FrameSize(0), sent=True)
    for pdo in receive:
        load.each_cycle(FrameSize(pdo.packing.size), sent=True)
    for pdo in transmit:
        load.each_cycle(FrameSize(pdo.packing.size), False, max(1, pdo.transmission))
    load.each(FrameSize(1), True, options.host_heartbeat)
    load.each(FrameSize(1), False, options.drive_heartbeat)
    return load.budgets(period_s)


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
