"""A process that serves a link as the rig host does, without a rig.

Rows are made up and every request is accepted. ``python publisher.py DIRECTORY [--key value ...]``
prints ``ready ADDRESS``.
"""

from __future__ import annotations

import argparse
import datetime
import math
import signal
import sys
import time
from pathlib import Path
from typing import Any

from hil.core.requests import EndRun, Marker, StartRun, Stop
from hil.core.samples import COLUMNS, INDEX, Sample
from hil.link.keys import ServerKeys
from hil.link.server import LinkServer

NAN = math.nan


def made_row(cycle: int, rate_hz: float) -> Sample:
    """Return a row whose every value follows from its cycle number."""
    row = [float(cycle % 97) + i / 64 for i in range(len(COLUMNS))]
    row[INDEX["time_s"]] = cycle / rate_hz
    row[INDEX["cycle"]] = float(cycle)
    row[INDEX["state"]] = 2.0
    row[INDEX["rest_position_m"]] = NAN
    return Sample._make(
        math.floor(v) if COLUMNS[i].kind.startswith("int") else v for i, v in enumerate(row)
    )


def event_of(request: Any) -> dict[str, Any] | None:
    if isinstance(request, StartRun):
        return {"kind": "start_run", "name": request.name, "note": request.note}
    if isinstance(request, EndRun):
        return {"kind": "end_run"}
    if isinstance(request, Marker):
        return {"kind": "marker", "text": request.text, "values": dict(request.values)}
    if isinstance(request, Stop):
        return {
            "kind": "stop",
            "cause": "Operator",
            "detail": request.cause,
            "trip": request.cause.startswith("trip"),
        }
    return None


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("directory", type=Path)
    parser.add_argument("--rate", type=float, default=1000.0)
    parser.add_argument("--time-scale", type=float, default=1.0, help="of the rows' own time")
    parser.add_argument("--heartbeat", type=float, default=0.2)
    parser.add_argument("--tcp")
    parser.add_argument("--keys", type=Path)
    options = parser.parse_args()
    rate = options.rate
    rows_per_s = rate / options.time_scale
    description = {
        "profile": {"name": "made up", "calibration": {"zero": 2048.0}},
        "columns": [column._asdict() for column in COLUMNS],
        "rate_hz": rate,
        "period_s": 1 / rate,
        "version": "0",
    }
    server = LinkServer(
        options.directory,
        description,
        options.heartbeat,
        tcp=options.tcp,
        keys=ServerKeys.load(options.keys) if options.keys else None,
    )
    ending = []
    signal.signal(signal.SIGTERM, lambda *_: ending.append(True))
    print("ready", server.tcp, flush=True)
    started = time.monotonic()
    cycle = 0
    next_heartbeat = started
    step = max(1, round(rate / 500))  # rows at once: this process need not be on time

    def stamped(event: dict[str, Any]) -> dict[str, Any]:
        wall = datetime.datetime.now().astimezone().isoformat(timespec="milliseconds")
        return {**event, "time_s": cycle / rows_per_s, "wall": wall}

    while not ending:
        for _ in range(step):
            server.publish_row(made_row(cycle, rows_per_s))
            cycle += 1
        now = time.monotonic()
        for incoming in server.poll(now):
            server.reply(incoming, True, f"taken from {incoming.name}")
            event = event_of(incoming.request)
            if event is not None:
                server.publish_event(stamped(event))
        if server.holder_late(now):
            server.drop_holder()
        if now >= next_heartbeat:
            next_heartbeat = now + 0.04
            server.publish_event(
                stamped(
                    {
                        "kind": "heartbeat",
                        "holder": server.holder,
                        "holder_delay_ms": 1e3 * server.gate.delay_s,
                    }
                )
            )
        time.sleep(max(0.0, started + cycle / rate - time.monotonic()))
    server.publish_event(stamped({"kind": "host_ending"}))
    server.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
