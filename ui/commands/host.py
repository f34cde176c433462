"""``hookeline host``: can this computer hold the rate."""

from __future__ import annotations

import argparse
from typing import Any

from drivers.compiled import compiled_modules
from hil.host import measure_host, measure_share, more_than_one_processor
from ui.commands.answers import (
    BAD_INPUT,
    FAILED,
    OK,
    CommandError,
    add_command,
    answer,
    number,
    say,
)

DEMO = "footplate_trainer"


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "host",
        "is this computer fast enough",
        "Run an empty loop at the given rate and report its wake-up latency, with a histogram,\n"
        "which real-time scheduling the system granted, and what to correct; then the same with\n"
        "the processor kept awake. --load also runs a busy program on every processor, as a\n"
        "dashboard and a browser would. Last, the demo rig runs without power; its share of a\n"
        "processor is reported, with the share above which its processes are separated or power\n"
        "is refused; --loop-only skips this. Exit code 1 if the rate is not held or the share is\n"
        "not safe. No hardware is opened and nothing can move.",
        "  hookeline host\n  hookeline host --rate 1000 --seconds 30 --load\n  hookeline host --loop-only\n",
    )
    parser.add_argument(
        "--rate", type=number, default=1000.0, metavar="HZ", help="cycles a second (default: 1000)"
    )
    parser.add_argument("--seconds", type=number, default=10.0, help="duration in s (default: 10)")
    parser.add_argument("--load", action="store_true", help="with every processor busy")
    parser.add_argument("--loop-only", action="store_true", help="skip the demo rig")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if not 1 <= options.rate <= 20_000:
        raise CommandError("--rate must be between 1 and 20000 Hz", BAD_INPUT)
    if not 0.1 <= options.seconds <= 3600:
        raise CommandError("--seconds must be between 0.1 and 3600 s", BAD_INPUT)
    say(options, f"Measuring for {options.seconds:g} s ...")
    report = measure_host(options.rate, options.seconds, options.load)
    say(options, report.text())
    compiled = bool(compiled_modules())
    say(
        options,
        "The cycle runs compiled."
        if compiled
        else "The cycle runs from its source; 'hookeline compile' cuts its time to a fraction.",
    )
    data = report.as_data() | {"compiled": compiled}
    holds = report.holds
    if more_than_one_processor():
        awake = measure_host(options.rate, options.seconds, options.load, awake=True)
        say(options, "\n" + awake.awake_text())
        data |= {"kept_awake": awake.as_data()}
        holds = report.holds or awake.holds
        if awake.holds and not report.holds:
            say(options, "Kept awake, this computer holds the rate.")
    else:
        say(
            options,
            "\nWith one processor, a bench does not keep it awake: that would block other programs.",
        )
    if not options.loop_only:
        say(options, "\nRunning the demo rig without power ...")
        share = measure_share(DEMO)
        say(options, share.text)
        data["share"] = {"host": share.host, "rig": share.rig, "safe": share.safe}
        holds = holds and share.safe
    answer(options, data | {"holds": holds})
    return OK if holds else FAILED
