"""A package as it is received: checked whole, then its profile and data sheet for another bench."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

from hil.handover.law_file import LawFile, identity, profile_sha256
from hil.profile import Profile, load_profile

MOST_BYTES = 200_000_000  # a package has some megabytes; common practice, no source
ANEW = "Fix: fetch the package again, or have it handed over again"
PROFILE, SHEET = "profile/profile.yaml", "data_sheet/data_sheet.json"


class PackageError(Exception):
    """Rejected package; the text begins with the name of the fault."""


@dataclass(frozen=True)
class Received:
    """Package whose files are all as they were handed over.

    Attributes:
        files: contents by name. law: data of law.json.
    """

    files: Mapping[str, bytes]
    law: Mapping[str, Any]

    @property
    def sheet(self) -> dict[str, Any]:
        """Data sheet that was handed over.

        Raises:
            PackageError: the package has none.
        """
        if SHEET not in self.files:
            raise PackageError(
                "no data sheet in the package. Fix: have it handed over with "
                "'hookeline hand-over --data-sheet'"
            )
        data: dict[str, Any] = json.loads(self.files[SHEET])
        return data


def receive(path: Path) -> Received:
    """Return the package in a folder or a zip.

    Raises:
        PackageError: ``not a package``, ``altered``, ``of another law`` or ``damaged``, with the file.
    """
    try:
        files = _of_folder(path) if path.is_dir() else _of_zip(path)
    except OSError as error:
        where = error.filename or path
        raise PackageError(f"not a package: '{where}': {error.strerror}. {ANEW}") from None
    except zipfile.BadZipFile:
        raise PackageError(f"not a package: '{path}' is not a zip file. {ANEW}") from None
    try:
        manifest = json.loads(files["manifest.json"])
        law = json.loads(files["law.json"])
        LawFile.model_validate(law)
    except KeyError as error:
        raise PackageError(f"not a package: '{path}' lacks {error}. {ANEW}") from None
    except (ValueError, ValidationError) as error:
        first = str(error).splitlines()[0]
        raise PackageError(
            f"damaged: '{path}': law.json or manifest.json: {first}. {ANEW}"
        ) from None
    _check(manifest, files, "altered", path)
    if identity(law) != law["identity"]:
        raise PackageError(
            f"altered: '{path}': law.json: its values give {identity(law)}, it says "
            f"{law['identity']}. {ANEW}"
        )
    _check(law["fingerprints"], files, "of another law", path)
    return Received({name: files[name] for name in manifest}, law)


def take_profile(package: Received, folder: Path) -> tuple[Profile, list[str]]:
    """Write the package's profile into a new folder, for this bench.

    Returns:
        The profile, and sentences that a receiver must know.

    Raises:
        PackageError: the package has no profile, or the folder exists.
        ProfileError: this program cannot read it.
        OSError: the disk refused.
    """
    if PROFILE not in package.files:
        raise PackageError("no profile in the package. Fix: have it handed over again")
    if folder.exists():
        raise PackageError(f"'{folder}' already exists. Fix: name another with --out")
    folder.mkdir(parents=True)
    for name, content in package.files.items():
        if PurePosixPath(name).parent.name == "profile":
            (folder / PurePosixPath(name).name).write_bytes(content)
    profile = load_profile(folder / PurePosixPath(PROFILE).name)
    law, notes = package.law, []
    if profile_sha256(profile) != law["profile_sha256"]:
        notes.append(
            f"this program reads the profile differently from {law['program']}: it has keys that "
            "one of the two does not know; see 'hookeline check'"
        )
    notes.append(
        "rig and drive are those of the bench that wrote it: change what differs here, then bring the "
        "rig up"
    )
    if profile.simulation is not None:
        notes.append(
            "the profile has a 'simulation' part: until it is removed, this bench moves a simulated rig"
        )
    return profile, notes


def _check(digests: Any, files: Mapping[str, bytes], what: str, path: Path) -> None:
    """Check files against their digests.

    Raises:
        PackageError: a file is missing or differs.
    """
    if not isinstance(digests, dict):
        raise PackageError(f"damaged: '{path}': manifest.json. {ANEW}")
    for name, digest in digests.items():
        if name not in files:
            raise PackageError(f"damaged: '{path}': {name} is missing. {ANEW}")
        if hashlib.sha256(files[name]).hexdigest() != digest:
            raise PackageError(f"{what}: '{path}': {name} is not what was handed over. {ANEW}")


def _of_folder(path: Path) -> dict[str, bytes]:
    """Return the files that the manifest of a folder names; others are not part of the package."""
    names = ["manifest.json"]
    with contextlib.suppress(ValueError, TypeError):  # the caller reports it
        names += [str(name) for name in json.loads((path / "manifest.json").read_bytes())]
    root = path.resolve()
    found = {}
    for name in names:
        file = (root / name).resolve()
        if file.is_relative_to(root) and file.is_file():
            found[name] = file.read_bytes()
    return found


def _of_zip(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as archive:
        entries = [entry for entry in archive.infolist() if not entry.is_dir()]
        if sum(entry.file_size for entry in entries) > MOST_BYTES:
            raise zipfile.BadZipFile(f"more than {MOST_BYTES / 1e6:g} MB")
        return {"/".join(e.filename.split("/")[1:]): archive.read(e) for e in entries}
