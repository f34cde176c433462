"""``--springs``: the fitted set of springs, of those of a rig."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from drivers.motion import STIFFNESS
from hil.control import standing
from hil.profile import RigSets, SpringSet, choose_spring_set, rig_sets
from ui.commands.answers import BAD_INPUT, CommandError, say

if TYPE_CHECKING:
    from ui.dashboard.bench import SpringChoice


def add_springs(parser: argparse.ArgumentParser) -> None:
    """Add the option to a command that starts a bench."""
    parser.add_argument(
        "--springs",
        metavar="SET",
        help="fitted set of springs: name, or part of it, of a profile in the folder of --profile\n"
        "with the same base",
    )


def fitted_profile(options: argparse.Namespace) -> str:
    """Return the profile of the fitted springs, and report which they are.

    Raises:
        CommandError: --springs without --profile.
        ProfileError: no such set, or the profile cannot be read.
    """
    if options.springs is None:
        return str(options.profile)
    if options.profile is None:
        raise CommandError("--springs goes with --profile, the rig's", BAD_INPUT)
    chosen = choose_spring_set(options.profile, options.springs)
    say(options, f"springs: {set_text(chosen)}")
    for broken in rig_sets(options.profile).broken:
        say(options, f"springs: {broken}")
    return str(chosen.file)


def set_text(one: SpringSet) -> str:
    """Return one line with a set's name, rate, calibration and verification."""
    springs, calibration = one.profile.actuator.springs, one.profile.calibration
    dated = f"calibrated {calibration.dated[:10]}" if calibration.dated else "calibration undated"
    found = standing(one.profile)
    verified = "verified" if found.open else "not verified: reduced limits"
    return (
        f"'{one.name}', {STIFFNESS(springs.rate_per_set):.4g}{STIFFNESS} a set, {dated}, {verified}"
    )


def sets_of(profile: str) -> RigSets:
    """Return the sets of a rig that has several; empty for a rig with a single one."""
    found = rig_sets(profile)
    return found if len(found.sets) > 1 or found.broken else RigSets((), ())


def choice_of(profile: str) -> SpringChoice | None:
    """Return the sets for the window; None for a rig with a single one."""
    rig = sets_of(profile)
    if not rig.sets:
        return None
    from ui.dashboard.bench import SpringChoice

    return SpringChoice(
        tuple((one.file, set_text(one)) for one in rig.sets), tuple(map(str, rig.broken))
    )


def sets_data(sets: Iterable[SpringSet]) -> list[dict[str, Any]]:
    """Return sets for ``--json``."""
    return [
        {
            "name": one.name,
            "file": str(one.file),
            "rate_per_set_N_per_mm": one.profile.actuator.springs.rate_per_set / 1e3,
            "calibrated": one.profile.calibration.dated,
            "verified": standing(one.profile).open,
        }
        for one in sets
    ]
