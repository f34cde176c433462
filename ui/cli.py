"""The command ``hookeline``: find the command, run it, and let no bare traceback out."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import signal
import sys
from collections.abc import Iterator, Sequence
from types import FrameType
from typing import NoReturn

# Only what loads at once: a Ctrl-C while the rest loads is handled in ``main``.

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
    from importlib.metadata import version

    from ui.commands.answers import EXIT_CODES, Help

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


def option_names(top: argparse.ArgumentParser, command: str) -> list[str]:
    """Return the options of a command, as they are typed."""
    [commands] = [each for each in top._actions if isinstance(each, argparse._SubParsersAction)]
    parsed: argparse.ArgumentParser = commands.choices[command]
    return list(parsed._option_string_actions)


def _parsed(given: Sequence[str]) -> argparse.Namespace:
    """Return the options.

    Raises:
        CommandError: an unknown command, option or word; the text names similar ones.
        SystemExit: help or version was printed, or the parser has printed what is wrong.
    """
    from drivers.suggest import did_you_mean
    from ui.commands.answers import BAD_INPUT, CommandError

    first = given[0] if given else ""
    if first and not first.startswith("-") and first not in COMMANDS:
        near = did_you_mean(first, COMMANDS) or "'hookeline --help' lists the commands"
        raise CommandError(f"no command '{first}'; {near}", BAD_INPUT)
    top = parser((first,) if first in COMMANDS else COMMANDS)
    options, unknown = top.parse_known_args(given)
    if unknown:
        name = options.command
        word = unknown[0].partition("=")[0]
        if not word.startswith("-"):
            raise CommandError(
                f"{name}: one word too many: '{word}'. Fix: leave it out; put a value that "
                "contains blanks in quotes",
                BAD_INPUT,
            )
        known = option_names(top, name)
        if word in known:
            raise CommandError(
                f"'{word}' is before the command. Fix: hookeline {name} {word} …", BAD_INPUT
            )
        near = did_you_mean(word, known) or f"'hookeline {name} --help' lists its options"
        raise CommandError(f"{name} has no option '{word}'; {near}", BAD_INPUT)
    return options


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
    try:
        return _main(arguments)
    except KeyboardInterrupt:  # nothing had begun yet
        print("hookeline: interrupted", file=sys.stderr, flush=True)
        return 130


def _main(arguments: Sequence[str] | None) -> int:
    from drivers.compiled import run_the_source
    from ui.commands.answers import BAD_INPUT, accept_any_encoding, fail

    accept_any_encoding()
    given = list(sys.argv[1:] if arguments is None else arguments)
    if arguments is None and given[:1] and given[0] in OF_THE_SOURCE:
        run_the_source()
    as_json = "--json" in given
    try:
        options = _parsed(given)
    except SystemExit as end:
        return BAD_INPUT if end.code not in (0, None) else 0
    except (Exception, KeyboardInterrupt) as error:
        return fail(error, as_json)
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
