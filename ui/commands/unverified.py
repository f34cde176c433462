"""``--unverified``: the full limits of an unverified rig, opened by typing its name."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping

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
        action="append",
        metavar="NAME",
        help="use the full limits of a rig that no bring-up has verified: type the profile's name "
        "when prompted, or give it here; every run records it. Otherwise force, speed and current "
        "are reduced. For axes it may be given several times, with the profile's name of each axis",
    )


def confirmed_of_axes(
    options: argparse.Namespace, profiles: Mapping[str, Profile]
) -> dict[str, str]:
    """Return, by axis, the name typed to open the limits; each axis has its own verification.

    Reports for each axis why limits are reduced.

    Raises:
        CommandError: a name is not that of the profile of an axis, or no prompt is possible.
    """
    given = options.unverified or []
    names = {profile.name for profile in profiles.values()}
    for typed in given:
        if typed != ASK and typed not in names:
            quoted = " or ".join(f"'{name}'" for name in sorted(names))
            raise CommandError(
                f"--unverified: '{typed}' is not the name of an axis's profile. Fix: type {quoted}, "
                "or leave --unverified out and work at reduced limits",
                BAD_INPUT,
            )
    confirmed = {}
    for axis, profile in profiles.items():
        named = [typed for typed in given if typed in (ASK, profile.name)]
        confirmed[axis] = _confirmed(options, profile, named[-1] if named else None, f"{axis}: ")
    return confirmed


def confirmed_unverified(options: argparse.Namespace, profile: Profile) -> str:
    """Return the name typed to open the limits; empty if not requested or not needed.

    Reports why limits are reduced.

    Raises:
        CommandError: the request is not confirmed by the profile's name.
    """
    given = options.unverified
    return _confirmed(options, profile, given[-1] if given else None)


def _confirmed(
    options: argparse.Namespace, profile: Profile, typed: str | None, axis: str = ""
) -> str:
    """Return the name typed; ``axis`` begins each text."""
    found = standing(profile)
    if found.open:
        return ""
    if typed is None:
        say(options, f"{axis}{found.text}. Now {reduced_text(profile)}")
        return ""
    if typed == ASK:
        if not sys.stdin.isatty():
            raise CommandError(
                "--unverified: no terminal for a prompt. Fix: confirm it with "
                f"--unverified='{profile.name}'",
                BAD_INPUT,
            )
        print(
            f"{axis}{found.text}\nTo use the profile's full limits nevertheless, type its name "
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
    say(options, f"{axis}UNVERIFIED rig '{profile.name}': limits opened by confirmation")
    return str(typed)
