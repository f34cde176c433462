"""``hookeline check --listen`` and ``--ports``: connected devices, and what they send."""

from __future__ import annotations

import argparse
import contextlib
import math
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from drivers.registry import find_protocol
from drivers.transport import BusMonitor, Listenable, MessageStats
from hil.host import start_rig
from hil.profile import drive_options, load_profile
from ui.commands.answers import BAD_INPUT, FAILED, OK, CommandError, answer, say

TURN_S = 0.5
USUAL_S = 5.0


def listen(options: argparse.Namespace) -> int:
    """Listen for ``--seconds``; return 1 if a message is missing, too slow or damaged."""
    profile = load_profile(options.profile)
    protocol = find_protocol(str(profile.drive["protocol"]))
    if not isinstance(protocol, Listenable):
        raise CommandError(f"protocol '{protocol.name}' cannot be listened to", BAD_INPUT)
    seconds = options.seconds if options.seconds is not None else USUAL_S
    if not 0 < seconds <= 86400:
        raise CommandError("--seconds: between 0 and one day", BAD_INPUT)
    with contextlib.ExitStack() as stack:
        simulated = None
        if profile.simulation is not None:
            simulated = stack.enter_context(start_rig(profile)).link_directory
        period = 1.0 / profile.control.rate
        ears = protocol.bus_monitor(drive_options(profile, simulated), period)
        for ear in ears:
            ear.open()
            stack.callback(ear.close)
            sent = f"only {ear.polling} is sent" if ear.polling else "nothing is sent"
            say(options, f"listening to {profile.name} for {seconds:g} s; {sent}")
        pool = stack.enter_context(ThreadPoolExecutor(len(ears)))
        lines = 0
        interrupted = False
        end = time.monotonic() + seconds
        live = sys.stdout.isatty() and not options.json
        try:
            while (now := time.monotonic()) < end:
                # In parallel: slices in turn would leave gaps in the other members' messages.
                turns = [pool.submit(ear.turn, min(end, now + TURN_S)) for ear in ears]
                for turn in turns:
                    turn.result()
                if live:
                    lines = _redraw(table(ears, time.monotonic()), lines)
        except KeyboardInterrupt:
            interrupted = True
        now = time.monotonic()
    if live:
        _redraw(table(ears, now), lines)
    else:
        say(options, "\n".join(table(ears, now)))
    data = as_data(ears, now)
    for line in data["problems"]:
        say(options, f"warning: {line}")
    answer(
        options, {"profile": profile.name, "seconds": seconds, "interrupted": interrupted, **data}
    )
    return FAILED if data["problems"] else OK


def as_data(ears: tuple[BusMonitor, ...], now_s: float) -> dict[str, Any]:
    """Return everything received as plain values, and its problems as text."""
    declared = [stats for ear in ears for stats in ear.declared]
    undeclared = [seen for ear in ears for seen in ear.undeclared.values()]
    problems = [problem for stats in declared for problem in _problems(stats)]
    return {
        "declared": [stats.as_data(now_s) for stats in declared],
        "never_came": [stats.name for stats in declared if not stats.count],
        "undeclared": [
            {"what": seen.what, "count": seen.count, "bytes": seen.size, "last": seen.last.hex()}
            for seen in undeclared
        ],
        "polling": [ear.polling for ear in ears if ear.polling],
        "problems": problems,
    }


def _problems(stats: MessageStats) -> list[str]:
    found = [
        f"{stats.name} ({stats.what}): {count} {kind}"
        for kind, count in stats.troubles.items()
        if count
    ]
    if not stats.count and not stats.note:
        found.append(
            f"{stats.name} ({stats.what}) never came: check its identifier, length and checksum "
            "in the description, and that the board is on"
        )
    elif stats.every_s and stats.rate_Hz < 0.5 / stats.every_s:
        found.append(
            f"{stats.name} arrives at {stats.rate_Hz:.4g} Hz, declared are {1 / stats.every_s:.4g} Hz"
        )
    return found


def table(ears: tuple[BusMonitor, ...], now_s: float) -> list[str]:
    """Return the lines of a table for a terminal."""
    lines = [
        f"{'message':16} {'on the wire':>12} {'count':>8} {'Hz':>8} {'jitter ms':>9} "
        f"{'age ms':>8}  values"
    ]
    for stats in (stats for ear in ears for stats in ear.declared):
        age = 1e3 * (now_s - stats.last_s) if stats.count else math.nan
        values = "  ".join(
            f"{name} {value:.5g}{' ' + unit if unit else ''}"
            for name, (value, unit) in stats.values.items()
        )
        trouble = ", ".join(f"{count} {kind}" for kind, count in stats.troubles.items() if count)
        if not stats.count:
            values = f"never came{': ' + stats.note if stats.note else ''}"
        lines.append(
            f"{stats.name[:16]:16} {stats.what:>12} {stats.count:8} {_number(stats.rate_Hz)} "
            f"{_number(1e3 * stats.jitter_s, 9)} {_number(age)}  {values}"
            + (f"  [{trouble}]" if trouble else "")
        )
    for seen in (seen for ear in ears for seen in ear.undeclared.values()):
        lines.append(
            f"{'(not declared)':16} {seen.what:>12} {seen.count:8} {'':>8} {'':>9} "
            f"{'':>8}  {seen.size} bytes, last {seen.last.hex(' ')}"
        )
    return lines


def _number(value: float, width: int = 8) -> str:
    return f"{value:{width}.4g}" if math.isfinite(value) else " " * (width - 1) + "–"


def _redraw(lines: list[str], before: int) -> int:
    """Overwrite the previous table; return the number of lines written."""
    up = f"\x1b[{before}A" if before else ""
    print(up + "\n".join(f"\x1b[2K{line}" for line in lines), flush=True)
    return len(lines)


def ports(options: argparse.Namespace) -> int:
    """List CAN adapters that python-can finds and serial ports, with their stable names."""
    # Imported only here: finding adapters loads every interface.
    from drivers.transport import can_adapters, serial_ports

    buses, serial = can_adapters(), serial_ports()
    say(options, "CAN buses (interface and channel as drive.bus takes them):")
    for entry in buses:
        more = {k: v for k, v in entry.items() if k not in ("interface", "channel")}
        extra = "".join(f"  {key}: {value}" for key, value in more.items())
        say(options, f"  {{interface: {entry['interface']}, channel: {entry['channel']}}}{extra}")
    if not buses:
        say(options, "  none found; some adapters show only when their driver is installed")
    say(options, "serial ports (path or usb as drive.port takes them):")
    for port in serial:
        usb = port["usb"]
        say(
            options,
            f"  {port['stable_path'] or port['path']}  {port['description']}"
            + (
                ""
                if usb is None
                else f"  usb: {{vendor_id: 0x{usb['vendor_id']:04x}, product_id: "
                f"0x{usb['product_id']:04x}, serial_number: {usb['serial_number']}}}"
            )
            + (
                ""
                if port["held_back_ms"] is None
                else f"  holds bytes back for {port['held_back_ms']:g} ms until it is opened"
            ),
        )
    if not serial:
        say(options, "  none found; check the plug and the permission to use it")
    answer(options, {"buses": buses, "serial_ports": serial})
    return OK
