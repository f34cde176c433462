"""The process of several hosts: ``python -m hil.host.axes_process --axes FILE``.

FILE is JSON, ``{"hosts": {AXIS: [argument, …]}, "leaders": {AXIS: AXIS}}``: for each axis, the
arguments of ``hil.host`` and the axis that sends the SYNC of its bus. Drives are opened in this
order; if one of them cannot be opened, no axis runs.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from drivers.base import DriverError
from drivers.capture import WireRecorder, wires
from drivers.transport import sharing_buses
from hil.core import read_private
from hil.host.axes_loop import AxesLoop
from hil.host.host import Host
from hil.host.host_process import (
    Opened,
    ended_code,
    exit_code,
    load,
    obey_signals,
    open_host,
    parser,
    prepare,
)
from hil.host.processor_share import ShareWatch
from hil.host.realtime import own_processor, processors_given


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the process; exit codes are those of ``hil.host``."""
    options = _parser().parse_args(arguments)
    described = json.loads(read_private(options.axes))
    asked = {name: parser().parse_args(given) for name, given in described["hosts"].items()}
    opened = {name: Opened() for name in asked}
    with sharing_buses():
        return exit_code(
            lambda: _run(options, asked, described["leaders"], opened), opened.values()
        )


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="hookeline rig host of several axes")
    parser.add_argument("--axes", required=True, type=Path, help="JSON file, see this module")
    parser.add_argument("--keep-awake", type=int, help="process that keeps the processor awake")
    parser.add_argument("--hold", action="store_true", help="wait for a line on standard input")
    parser.add_argument("--log-wire", type=Path, help="record the wires into this directory")
    parser.add_argument("--priority", type=int, default=60)
    parser.add_argument("--processor", type=int, default=own_processor(), help="stay on this one")
    return parser


def _run(
    options: argparse.Namespace,
    asked: dict[str, argparse.Namespace],
    leaders: dict[str, str],
    opened: dict[str, Opened],
) -> int:
    """Open every axis, run until a signal ends the loop, and return the exit code.

    Raises:
        ProfileError, LinkError, CurveKeyError: bad input.
        DriverError: a drive cannot be reached; the text names the axis.
    """
    parent = os.getppid()
    loaded = {name: load(one, opened[name]) for name, one in asked.items()}
    if options.hold and not sys.stdin.readline():
        return 0
    if options.log_wire is not None:
        wire = WireRecorder(options.log_wire)
        wires.record(wire)
        for each in opened.values():
            each.wire = wire
    for name, axis in loaded.items():
        try:
            axis.drive.open()
        except DriverError as error:
            raise DriverError(f"axis '{name}': {error}") from None
    prepared = prepare(options, parent)
    hosts: dict[str, Host] = {}
    for name, one in asked.items():
        hosts[name] = open_host(one, loaded[name], prepared, opened[name], name, tuple(asked))
    for each in tuple(opened.values())[:-1]:
        each.wire = None  # the last one closes it, after every drive
    rigs = [one.rig for one in asked.values() if one.rig is not None]
    rate_Hz = next(iter(loaded.values())).profile.control.rate
    share = ShareWatch(rigs, rate_Hz, prepared.given - processors_given())
    loop = AxesLoop(hosts, leaders, options.keep_awake, share)
    obey_signals(loop.end_soon, tuple(hosts.values()))
    print("ready", flush=True)
    loop.run()
    return ended_code(tuple(hosts.values()))


if __name__ == "__main__":
    sys.exit(main())
