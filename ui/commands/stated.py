"""``--reference-at-lower-end``: the operator states the output's position at the start."""

from __future__ import annotations

import argparse
import sys

from hil.bench import NOT_VERIFIED, UNVERIFIED, first_reference
from hil.profile import Profile
from ui.commands.answers import say

QUESTION = "Does the output rest on its lower end? [y/N] "


def add_reference(parser: argparse.ArgumentParser) -> None:
    """Add the option to a command that closes the loop."""
    parser.add_argument(
        "--reference-at-lower-end",
        action="store_true",
        help="confirm that the output rests on its lower end now; zero is set there. Without "
        "it the force loop stays open until the reference is verified",
    )


def stated_reference(options: argparse.Namespace, profile: Profile, ask: bool = False) -> bool:
    """Return whether the operator states that the output rests on its lower end.

    Args:
        ask: prompt at a terminal if the statement is needed and missing.
    """
    if first_reference(profile) != UNVERIFIED:
        return False
    stated: bool = options.reference_at_lower_end
    if not stated and ask and sys.stdin.isatty():
        print(QUESTION, end="", file=sys.stderr, flush=True)
        stated = sys.stdin.readline().strip().lower() in ("y", "yes")
    say(options, "reference: lower end, stated by the operator" if stated else NOT_VERIFIED)
    return stated
