"""The simulated node's loop: real time, the bus, the simulation control."""

from __future__ import annotations

import time
from typing import Any

import can

from drivers.base import DriverError
from drivers.cia402.node import SimulatedNode
from drivers.cia402.options import Cia402Options
from drivers.simulated import advance, real_time
from drivers.transport import open_bus

SYNC_ID = 0x80
IDLE_S = 0.001
TICK_S = 0.002
DOOR_S = 0.01
HELD_UP_S = 0.01


def simulate(options: Cia402Options, core: Any, control: Any) -> None:
    """Run the node until ``control.ending``; physics is paced by real time.

    On ``local_socket`` the node is the hub, so the bus ends with it; with ``role: member`` among
    the bus's options it joins another node's hub.

    Raises:
        DriverError: the bus does not open or was lost.
    """
    extra = options.bus.extra()
    if options.bus.interface == "local_socket":
        extra.setdefault("role", "hub")
    bus = open_bus(options.bus.interface, options.bus.channel, extra)
    real_time()
    try:
        _run(bus, SimulatedNode(bus, options, core), core, control)
    except can.CanError as error:
        raise DriverError(f"the bus was lost: {error}") from error
    finally:
        bus.shutdown()


def _run(bus: can.BusABC, node: SimulatedNode, core: Any, control: Any) -> None:
    monotonic = time.monotonic
    recv = bus.recv
    node.boot()
    control.ready()
    turned = last = monotonic()
    polled = ticked = 0.0
    while not control.ending:
        message = recv(IDLE_S)
        now = monotonic()
        if now - turned > HELD_UP_S:
            node.slept(now - turned)
        turned = now
        if message is None:
            advance(core, now - last)
            last = now
        elif message.arbitration_id == SYNC_ID and not message.is_extended_id:
            advance(core, now - last)
            last = now
            node.sync()
        else:
            node.take(message)
        if now - ticked > TICK_S:
            ticked = now
            node.tick()
        if now - polled > DOOR_S:
            polled = now
            if now - last > IDLE_S:  # frames, but no SYNC: time still passes
                advance(core, now - last)
                last = now
            control.poll()
