"""``hookeline hand-over``: the law of a rig as a package that runs without this program."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from hil.calibration import age_warning
from hil.control import safety_fingerprint
from hil.handover import HandoverError, hand_over
from hil.measure import SheetError, read_sheet
from hil.profile import Profile, load_profile, shipped_profiles
from ui.commands.answers import BAD_INPUT, OK, CommandError, add_command, answer, say


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "hand-over",
        "write the law as C and Python that run without this program",
        "Write calibration, estimation, limits, force controller and motor heat of a profile as a\n"
        "package: numbers in law.json, C99 without allocation, Python on numpy, test vectors of a\n"
        "session on the simulated rig, and tests that find what was changed. Code is written from\n"
        "the source that the bench runs. Nothing is opened and nothing can move.",
        "  hookeline hand-over --profile my_rig.yaml --out my_law\n"
        "  make -C my_law/c check && python my_law/python/test_law.py\n"
        "  hookeline take-over my_law.zip --out my_rig   # on the receiver's bench\n",
    )
    parser.add_argument(
        "--profile",
        required=True,
        help=f"profile file, or a shipped one: {', '.join(shipped_profiles())}",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder to write; a zip goes beside"
    )
    parser.add_argument(
        "--data-sheet",
        type=Path,
        metavar="DIR",
        help="folder of 'hookeline measure' whose data sheet goes with the package",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    profile = load_profile(options.profile)
    sheet = None if options.data_sheet is None else _sheet(options.data_sheet, profile)
    old = age_warning(profile.calibration)
    if old is not None:
        say(options, f"warning: {old.sentence}; {old.fix}")
    say(options, "recording test vectors on the simulated rig …")
    try:
        package = hand_over(profile, options.out, source=options.profile, sheet=sheet)
    except HandoverError as error:
        raise CommandError(str(error), BAD_INPUT) from None
    say(options, f"law {package.identity} of '{profile.name}' in '{package.folder}'")
    say(options, f"{len(package.files)} files, also in '{package.archive}'")
    answer(
        options,
        {
            "identity": package.identity,
            "folder": package.folder,
            "archive": package.archive,
            "files": list(package.files),
            "warnings": [] if old is None else [old.sentence],
        },
    )
    return OK


def _sheet(folder: Path, profile: Profile) -> dict[str, bytes]:
    """Return the files of a data sheet by name.

    Raises:
        CommandError: there is none, or it is of another rig or calibration.
    """
    try:
        data = read_sheet(folder)
    except SheetError as error:
        raise CommandError(f"--data-sheet: {error}", BAD_INPUT) from None
    if data.get("profile_fingerprint") != safety_fingerprint(profile):
        raise CommandError(
            f"--data-sheet: '{folder}' is of another state of the profile than this one. Fix: measure "
            "it again with this profile",
            BAD_INPUT,
        )
    place = folder if folder.is_dir() else folder.parent
    return {file.name: file.read_bytes() for file in sorted(place.glob("data_sheet.*"))}
