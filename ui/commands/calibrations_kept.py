"""``hookeline calibrate --list``, ``--compare`` and ``--use``: calibrations on file."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from drivers.motion import FORCE, worded
from hil.calibration import (
    FOLDER,
    CalibrationFile,
    CalibrationFileError,
    age_warning,
    check_belongs,
    check_samples,
    compare,
    list_calibrations,
    load_calibration,
    use_in_profile,
)
from hil.core import UseCalibration
from hil.link import Client, LinkError
from hil.profile import find_profile, load_profile, profile_from_dict
from ui.commands.answers import BAD_INPUT, NOT_REACHED, OK, CommandError, answer, say

SHOWN_FORCES = 9


def beside(profile: str) -> Path:
    """Return the folder of a profile's calibrations: next to it, or here for a shipped name."""
    return (Path(profile).parent if Path(profile).exists() else Path()) / FOLDER


def require_writable(folder: Path) -> None:
    """Raise CommandError if no file can be written in a folder, made or still to be made."""
    present = next(each for each in (folder, *folder.absolute().parents) if each.exists())
    try:
        with tempfile.TemporaryFile(dir=present):
            pass
    except OSError as error:
        raise CommandError(
            f"'{present}' cannot be written to: {error.strerror}. Fix: name another folder with --out",
            BAD_INPUT,
        ) from None


def list_kept(options: argparse.Namespace) -> int:
    folder = options.list
    rig = None
    if options.profile is not None:
        rig = load_profile(options.profile)
        if folder == Path(FOLDER):
            folder = beside(options.profile)
    rows: list[dict[str, Any]] = []
    for found in list_calibrations(folder):
        if isinstance(found, CalibrationFileError):
            say(options, f"cannot be used: {found}")
            rows.append({"problem": str(found)})
            continue
        row = _row(found)
        if rig is not None:
            try:
                check_belongs(found, rig)
            except CalibrationFileError as error:
                row["problem"] = str(error)
            row["active"] = found.identity == rig.calibration.identity
        rows.append(row)
        _show(options, row)
    if not rows:
        say(options, f"no calibrations in '{folder}'")
    answer(options, {"folder": folder, "calibrations": rows})
    return OK


def _row(file: CalibrationFile) -> dict[str, Any]:
    content = file.content
    old = age_warning(file.calibration)
    return {
        "file": file.path,
        "identity": file.identity,
        "sha256": file.sha256,
        "made": content.made,
        "profile": content.profile.name,
        "simulated": content.simulated,
        "law": content.law.law,
        "points": len(content.points.rows),
        "range_N": list(file.range_N),
        "largest_u95_N": file.largest_u95_N,
        "note": content.note,
        "old": old is not None,
        "problem": "; ".join(f"{f.sentence}; {f.fix}" for f in file.errors) or None,
    }


def _show(options: argparse.Namespace, row: dict[str, Any]) -> None:
    marks = [
        text
        for text, on in (
            ("in the profile", row.get("active")),
            ("old", row["old"]),
            ("simulated", row["simulated"]),
            (f"not to be used: {row['problem']}", row["problem"]),
        )
        if on
    ]
    say(
        options,
        f"{row['made'][:16].replace('T', ' ')}  {row['file']}\n"
        f"    {row['profile']}, {row['law'].replace('_', ' ')}, {row['points']} points, "
        f"{FORCE(row['range_N'][0]):.0f} to {FORCE(row['range_N'][1]):.0f}{FORCE}, "
        f"±{FORCE(row['largest_u95_N']):.2g}{FORCE} or better"
        + (f"; {'; '.join(marks)}" if marks else ""),
    )
    if row["note"]:
        say(options, f"    {row['note']}")


def compare_kept(options: argparse.Namespace) -> int:
    a, b = (load_calibration(path) for path in options.compare)
    found = compare(a, b)
    say(options, f"A  {a.identity}\nB  {b.identity}\n")
    unit = FORCE.unit
    say(
        options,
        f"{worded('force', 'torque')} by A / {unit}   B less A / {unit}   ±U of both, k = 2 / {unit}",
    )
    for i in np.linspace(0, found.force_N.size - 1, SHOWN_FORCES).astype(int):
        beyond = abs(found.difference_N[i]) > 2 * found.u_N[i]
        say(
            options,
            f"{FORCE(found.force_N[i]):14.1f} {FORCE(found.difference_N[i]):+14.2f} "
            f"{FORCE(2 * found.u_N[i]):14.2f}{'   beyond it' if beyond else ''}",
        )
    say(
        options,
        f"\nzero: B less A {found.zero_counts:+.1f} counts, {FORCE(found.zero_N):+.1f}{FORCE}",
    )
    say(
        options,
        "A and B agree within their uncertainty"
        if found.agree
        else f"A and B differ by up to {found.apart:.1f} times the uncertainty of both: "
        "see what was changed at the rig between them, or calibrate again",
    )
    answer(options, {"a": a.identity, "b": b.identity, **found.as_data()})
    return OK


def use_kept(options: argparse.Namespace) -> int:
    if options.profile is None and options.link is None:
        raise CommandError(
            "name the target: --profile P (the rig's file) or --link DIR (a running bench)",
            BAD_INPUT,
        )
    file = load_calibration(options.use)
    check_samples(file)
    data: dict[str, Any] = {
        "identity": file.identity,
        "sha256": file.sha256,
        "written": [],
        "bench": None,
    }
    if options.profile is not None:
        data["written"] = put_into_profile(options, file)
    if options.link is not None:
        data["bench"] = _give_to_bench(file, options.link)
        say(options, data["bench"])
    answer(options, data)
    return OK


def put_into_profile(options: argparse.Namespace, file: CalibrationFile) -> list[Path]:
    """Write it into the profile and report it; return the changed files."""
    written = use_in_profile(file, options.profile)
    for change in written:
        say(options, f"{file.identity}\nis now in {change.file}; previous file: {change.backup}")
    found = age_warning(file.calibration)
    if found is not None:
        say(options, f"warning: {found.sentence}; {found.fix}")
    return [change.file for change in written]


def _give_to_bench(file: CalibrationFile, link: str) -> str:
    try:
        connected = Client.connect(link, name="calibrate")
    except LinkError as error:
        raise CommandError(str(error), NOT_REACHED) from None
    with connected as client:
        check_belongs(file, profile_from_dict(client.description["profile"]))
        client.take_control()
        with client.keep_control():
            text = client.request(UseCalibration(calibration=file.part))
        client.release_control()
    return text


def is_shipped(profile: str) -> bool:
    """Return whether the profile ships with the program; such a file is never changed."""
    from hil.profile import SHIPPED

    return find_profile(profile).resolve().is_relative_to(SHIPPED)
