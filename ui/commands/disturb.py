"""``--disturb``: rehearsed faults of a simulated rig."""

from __future__ import annotations

import argparse
from pathlib import Path

from hil.bench import Rehearsal, load_rehearsal
from hil.profile import Axes, Profile
from ui.commands.answers import BAD_INPUT, CommandError


def add_disturb(parser: argparse.ArgumentParser) -> None:
    """Add the option to a command that runs a bench."""
    parser.add_argument(
        "--disturb",
        type=Path,
        metavar="FILE",
        help="simulated rig: rehearse the faults in this YAML file",
    )


def rehearsal_of_axes(options: argparse.Namespace, axes: Axes) -> Rehearsal | None:
    """Return the rehearsal of several axes; see :func:`rehearsal_of`."""
    if getattr(options, "disturb", None) is None:
        return None
    if not axes.simulated:
        raise CommandError(
            f"--disturb is for simulated rigs, and '{axes.name}' describes real ones: leave it "
            "out, or add a 'simulation' part to copies of the profiles",
            BAD_INPUT,
        )
    return load_rehearsal(options.disturb, tuple(axes.profiles))


def rehearsal_of(options: argparse.Namespace, profile: Profile) -> Rehearsal | None:
    """Return the rehearsal that ``--disturb`` names, None without it.

    Raises:
        CommandError: the profile describes a real rig.
        ProfileError: the file is invalid.
    """
    if options.disturb is None:
        return None
    if profile.simulation is None:
        raise CommandError(
            f"--disturb is for simulated rigs, and '{profile.name}' describes a real one: leave "
            "it out, or add a 'simulation' part to a copy of the profile",
            BAD_INPUT,
        )
    return load_rehearsal(options.disturb)
