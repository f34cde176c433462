"""The command ``hookeline``: find the command, run it, and let no bare traceback out."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import signal
import sys
from collections.abc import Iterator, Sequence
from importlib.metadata import version
from types import FrameType
from typing import NoReturn

from drivers.compiled import run_the_source
from ui.commands.answers import BAD_INPUT, EXIT_CODES, Help, fail

COMMANDS = (
    "demo",
    "bench",
    "serve",
    "perform",
    "endure",
    "runs",
    "health",
    "check",
    "host",
    "compile",
    "bringup",
    "calibrate",
    "reference",
    "measure",
    "size",
    "hand-over",
    "take-over",
    "help",
)
OF_THE_SOURCE = ("hand-over",)  # they translate it, and run it for that


def parser(names: Sequence[str] = COMMANDS) -> argparse.ArgumentParser:
    """The command line with the options of these commands; loading all takes a second."""
    top = argparse.ArgumentParser(
        prog="hookeline",
        description="Bench instrument for spring-coupled (series elastic) actuators: force and\n"
        "virtual-spring control behind limits and a stop, recorded.",
        epilog=f"Start with 'hookeline demo'; 'hookeline COMMAND --help' explains each command.\n\n"
        f"{EXIT_CODES}",
        formatter_class=Help,
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=f"hookeline {version('hookeline')}")
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name in names:
        importlib.import_module(f"ui.commands.{name.replace('-', '_')}").add(commands)
    return top


@contextlib.contextmanager
def _termination_as_interrupt() -> Iterator[None]:
    """A polite kill ends a command as Ctrl-C does: rig first, then the rest."""

    def interrupt(_signal: int, _frame: FrameType | None) -> NoReturn:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit code."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    if arguments is None and given[:1] and given[0] in OF_THE_SOURCE:
        run_the_source()
    as_json = "--json" in given
    try:
        named = given[:1] if given[:1] and given[0] in COMMANDS else COMMANDS
        options = parser(named).parse_args(given)
    except SystemExit as end:
        return BAD_INPUT if end.code not in (0, None) else 0
    try:
        with _termination_as_interrupt():
            return int(options.run(options))
    except BrokenPipeError:
        # Whoever read our output has gone: nobody is left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except (Exception, KeyboardInterrupt) as error:
        return fail(error, as_json)


if __name__ == "__main__":
    sys.exit(main())
