"""``--unverified``: the full limits of an unverified rig, opened by typing its name."""

from __future__ import annotations

import argparse
import sys

from hil.control import reduced_text, standing
from hil.profile import Profile
from ui.commands.answers import BAD_INPUT, CommandError, say

ASK = ""


def add_unverified(parser: argparse.ArgumentParser) -> None:
    """Add the option to a command that closes the loop."""
    parser.add_argument(
        "--unverified",
        nargs="?",
        const=ASK,
        metavar="NAME",
        help="use the full limits of a rig that no bring-up has verified: type the profile's name "
        "when prompted, or give it here; every run records it. Otherwise force, speed and current "
        "are reduced",
    )


def confirmed_unverified(options: argparse.Namespace, profile: Profile) -> str:
    """Return the name typed to open the limits; empty if not requested or not needed.

    Reports why limits are reduced.

    Raises:
        CommandError: the request is not confirmed by the profile's name.
    """
    found = standing(profile)
    if found.open:
        return ""
    if options.unverified is None:
        say(options, f"{found.text}. Now {reduced_text(profile)}")
        return ""
    typed = options.unverified
    if typed == ASK:
        if not sys.stdin.isatty():
            raise CommandError(
                "--unverified: no terminal for a prompt. Fix: confirm it with "
                f"--unverified='{profile.name}'",
                BAD_INPUT,
            )
        print(
            f"{found.text}\nTo use the profile's full limits nevertheless, type its name "
            f"({profile.name}): ",
            end="",
            file=sys.stderr,
            flush=True,
        )
        typed = sys.stdin.readline().strip()
    if typed != profile.name:
        raise CommandError(
            f"--unverified: '{typed}' is not the name of this profile. Fix: type "
            f"'{profile.name}', or leave --unverified out and work at reduced limits",
            BAD_INPUT,
        )
    say(options, f"UNVERIFIED rig '{profile.name}': limits opened by confirmation")
    return str(typed)
