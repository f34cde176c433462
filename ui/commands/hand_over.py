"""``hookeline hand-over``: the law of a rig as a package that runs without this program."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from hil.bringup import YAML, RecordError, profile_hash, read_record
from hil.calibration import age_warning
from hil.control import safety_fingerprint
from hil.handover import LICENCE, Evidence, HandoverError, hand_over
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
        "session on the rig or its simulation, and tests that detect changes. Code is generated from\n"
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
        "--out",
        type=Path,
        required=True,
        metavar="DIR",
        help="folder to write; a zip goes next to it",
    )
    parser.add_argument(
        "--data-sheet",
        type=Path,
        metavar="DIR",
        help="folder of 'hookeline measure' whose data sheet goes with the package",
    )
    parser.add_argument(
        "--bring-up",
        type=Path,
        metavar="DIR",
        help="record of 'hookeline bringup' whose verified steps and drive go with the package",
    )
    parser.add_argument(
        "--recording",
        type=Path,
        metavar="RUN",
        help="run recorded on the rig with --log-wire: its cycles become the test vectors, and its "
        "drive is that of the law; without it they are recorded on the simulated rig",
    )
    parser.add_argument(
        "--licence",
        type=Path,
        metavar="FILE",
        help="text of your licence of use for numbers and recordings (none is stated without it)",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    profile = load_profile(options.profile)
    evidence = _evidence(options, profile)
    old = age_warning(profile.calibration)
    if old is not None:
        say(options, f"warning: {old.sentence}; {old.fix}")
    of = "the simulated rig" if options.recording is None else "the recorded session"
    say(options, f"taking test vectors from {of} …")
    try:
        package = hand_over(profile, options.out, source=options.profile, evidence=evidence)
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


def _evidence(options: argparse.Namespace, profile: Profile) -> Evidence:
    """Return the evidence that accompanies the profile in the package.

    Raises:
        CommandError: it cannot be read, or is from another rig.
    """
    sheet, sheet_data = (
        ({}, {}) if options.data_sheet is None else _sheet(options.data_sheet, profile)
    )
    record, record_file = (
        ({}, b"") if options.bring_up is None else _record(options.bring_up, profile)
    )
    licence = LICENCE
    if options.licence is not None:
        try:
            licence = options.licence.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "not UTF-8 text"
            raise CommandError(
                f"--licence: '{options.licence}': {reason}. Fix: name a text file", BAD_INPUT
            ) from None
        if not licence:
            raise CommandError(
                f"--licence: '{options.licence}' is empty. Fix: write your terms, or leave it out",
                BAD_INPUT,
            )
    return Evidence(sheet, sheet_data, record, record_file, licence, options.recording)


def _record(folder: Path, profile: Profile) -> tuple[dict[str, Any], bytes]:
    """Return a bring-up record, and its file.

    Raises:
        CommandError: not found, or made with another state of the profile.
    """
    try:
        data = read_record(folder)
    except RecordError as error:
        raise CommandError(f"--bring-up: {error}", BAD_INPUT) from None
    if data["profile"]["sha256"] != profile_hash(profile):
        raise CommandError(
            f"--bring-up: '{folder}' was made with another state of the profile. Fix: bring the "
            "rig up again with this profile",
            BAD_INPUT,
        )
    return data, (folder / YAML).read_bytes()


def _sheet(folder: Path, profile: Profile) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Return the files of a data sheet by name, and its data.

    Raises:
        CommandError: not found, or made with another rig or calibration.
    """
    try:
        data = read_sheet(folder)
    except SheetError as error:
        raise CommandError(f"--data-sheet: {error}", BAD_INPUT) from None
    if data.get("profile_fingerprint") != safety_fingerprint(profile):
        raise CommandError(
            f"--data-sheet: '{folder}' was made with another state of the profile. Fix: measure "
            "it again with this profile",
            BAD_INPUT,
        )
    place = folder if folder.is_dir() else folder.parent
    return {file.name: file.read_bytes() for file in sorted(place.glob("data_sheet.*"))}, data
