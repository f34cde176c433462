"""``--open-house``: the dashboard locked for visitors."""

from __future__ import annotations

import argparse

from ui.commands.answers import BAD_INPUT, CommandError
from ui.manual.key_table import unlock_problem


def add_open_house(parser: argparse.ArgumentParser) -> None:
    """Add the options to a command that opens the dashboard."""
    parser.add_argument(
        "--open-house",
        metavar="LETTERS",
        help="lock the window for visitors once power is on: only presets and the stop, at a "
        "quarter of force and speed; typing LETTERS unlocks it",
    )
    parser.add_argument(
        "--attract",
        action="store_true",
        help="with --open-house: the rig moves a little while no visitor comes, within half of that",
    )


def check_open_house(options: argparse.Namespace) -> None:
    """Check the options.

    Raises:
        CommandError: letters that cannot unlock it, or an attract loop without it.
    """
    if options.open_house is not None and (problem := unlock_problem(options.open_house)):
        raise CommandError(f"--open-house: {problem}", BAD_INPUT)
    if options.attract and not options.open_house:
        raise CommandError("--attract goes with --open-house LETTERS", BAD_INPUT)
