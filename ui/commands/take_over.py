"""``hookeline take-over``: import of a handed-over package on another bench."""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path
from typing import Any

from hil.calibration import age_warning
from hil.handover import PackageError, receive, take_profile
from hil.measure import SheetError, read_sheet
from ui.commands.answers import BAD_INPUT, FAILED, OK, CommandError, add_command, answer, say
from ui.commands.sheets_compared import show_comparison


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "take-over",
        "import a package of 'hand-over' as a profile, compare its data sheet",
        "Check that a package (its folder or zip) is whole and unchanged, and write its profile\n"
        "into a folder of this bench. With --measured, compare the data sheet in the package with\n"
        "the one that this bench measured: each figure by E_n, the difference over the root of both\n"
        "squared uncertainties (ISO 13528). If |E_n| exceeds 1 it differs, and the exit code is 1.\n"
        "Nothing is opened and nothing can move.",
        "  hookeline take-over my_law.zip --out my_rig\n"
        "  hookeline take-over my_law.zip --measured measured/DIR\n",
    )
    parser.add_argument("package", type=Path, help="folder or zip of 'hookeline hand-over'")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="folder to write the profile into; must not exist"
    )
    parser.add_argument(
        "--measured",
        type=Path,
        metavar="DIR",
        help="folder of 'hookeline measure' on this bench: compare its data sheet",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    try:
        package = receive(options.package)
        law = package.law
        say(
            options,
            f"law {law['identity']} of '{law['name']}', written {law['written']} by {law['program']}: "
            f"{len(package.files)} files, unchanged",
        )
        data: dict[str, Any] = {"identity": law["identity"], "name": law["name"]}
        if options.out is not None:
            data |= _take(options, package)
        found = None
        if options.measured is not None:
            found = show_comparison(options, package.sheet, read_sheet(options.measured))
            data |= found
    except (PackageError, SheetError) as error:
        raise CommandError(str(error), BAD_INPUT) from None
    answer(options, data)
    return FAILED if found is not None and found["differing"] else OK


def _take(options: argparse.Namespace, package: Any) -> dict[str, Any]:
    profile, notes = take_profile(package, options.out)
    old = age_warning(profile.calibration, datetime.date.today())
    if old is not None:
        notes.append(f"{old.sentence}; {old.fix}")
    file = options.out / "profile.yaml"
    say(options, f"profile {file}")
    for sentence in notes:
        say(options, f"note: {sentence}")
    return {"profile": file, "notes": notes}
