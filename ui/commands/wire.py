"""``--log-wire`` and ``--replay``: wire traffic, recorded and replayed."""

from __future__ import annotations

import argparse
from pathlib import Path

from hil.host import replay
from hil.procedures import Ended
from hil.profile import Profile
from hil.recorder import number_and_name
from hil.sequences import Sequence
from ui.commands.answers import BAD_INPUT, CommandError
from ui.commands.session import Performed


def add_wire(parser: argparse.ArgumentParser, replay: bool = True) -> None:
    """Add the options to a command that runs a bench."""
    parser.add_argument(
        "--log-wire",
        action="store_true",
        help="record the wire traffic in the run: bus.log, serial.log and wire.jsonl",
    )
    if replay:
        parser.add_argument(
            "--replay",
            type=Path,
            metavar="FILE",
            help="no device: replay a bus.log (or its folder) recorded by --log-wire, with its "
            "requests; gives the same samples",
        )


def check_wire(options: argparse.Namespace) -> None:
    """Raise CommandError if two options exclude each other."""
    if options.lockstep and (options.log_wire or options.replay is not None):
        raise CommandError("--lockstep has no wires: leave it out", BAD_INPUT)
    if options.log_wire and options.replay is not None:
        raise CommandError("--replay opens no wires: leave --log-wire out", BAD_INPUT)


def perform_replay(
    options: argparse.Namespace, sequence: Sequence, profile: Profile, runs: Path
) -> Performed:
    """Replay a recording; raises as :func:`hil.host.replaying.replay`."""
    about = f"replay of {options.replay.name}"
    run = replay(profile, options.replay, runs, f"{sequence.name}-replay", about)
    return Performed(Ended("finished"), run, about)


def last_run(runs: Path) -> Path | None:
    """Return the latest run folder in a directory of runs."""
    folders = [folder for folder in runs.glob("*") if number_and_name(folder)]
    return max(folders, key=lambda folder: number_and_name(folder) or (0, ""), default=None)
