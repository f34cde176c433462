"""A calibration as a dated, self-contained file that shows whether it was changed.

``calibrations/20260115-093000-footplate-trainer.yaml`` holds points, law, figures, uncertainty,
conditions and the profile's ``calibration`` part ready for use; the raw samples lie next to it
as ``.parquet`` and the certificate as ``.html``. Its SHA-256 covers all values in a canonical form,
so comments and order may change and values may not.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import ValidationError

from drivers.motion import spoken
from hil.calibration.content import SCHEMA_VERSION, Content, Finding, plain_values
from hil.calibration.file_text import as_text
from hil.calibration.fingerprint import canonical_hash, facts_hash, rig_facts
from hil.control import ForceCalibration, changed_calibration
from hil.core import COLUMNS, Column, PlainYamlError, dated, free_path, one_word, read_plain_yaml
from hil.profile import Calibration, DeflectionSensor, Profile, fact_differences, motion_of
from hil.recorder import batch_of, named_calibration, own_version, schema_of, write_whole

FOLDER = "calibrations"
MOST_BYTES = 8_000_000
DEEPEST = 12
MOST_LETTERS = 40  # of the rig's name in that of a file
RAW_POINT = Column("point", "1", "row of the file's points, from 0; -1 between them", "int32")
Rows = NDArray[np.float64]


class CalibrationFileError(Exception):
    """A calibration file cannot be used; the text says why and what to do."""


@dataclass(frozen=True)
class CalibrationFile:
    """A calibration on disk with a correct hash.

    Attributes:
        path: path of the YAML file.
        content: its values.
        sha256: their hash.
        calibration: the profile's part.
        law: the same, for computation.
    """

    path: Path
    content: Content
    sha256: str
    calibration: Calibration
    law: ForceCalibration

    @property
    def identity(self) -> str:
        return self.calibration.identity

    @property
    def range_N(self) -> tuple[float, float]:
        """Lowest and highest calibrated force; beyond them the law is extrapolated."""
        return self.content.law.load_range

    @property
    def largest_u95_N(self) -> float:
        """Largest expanded uncertainty (k = 2) within ``range_N``."""
        low, high = self.range_N
        inside = [f for f, _u in self.content.uncertainty if low < f < high]
        return max(self.law.u95(force) for force in (low, *inside, high))

    @property
    def errors(self) -> list[Finding]:
        """Findings that forbid its use."""
        return [found for found in self.content.findings if found.severity == "error"]

    @property
    def made(self) -> datetime.datetime:
        return datetime.datetime.fromisoformat(self.content.made)

    @property
    def part(self) -> dict[str, Any]:
        """The profile's ``calibration`` part in SI with its identity, as requests take it."""
        return self.calibration.model_dump(mode="json")


def identity_of(name: str, sha256: str) -> str:
    """Return the name for a run: the file and the beginning of its hash."""
    return f"{name} sha256:{sha256[:16]}"


def calibration_hash(part: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a profile's ``calibration`` part in SI numbers, from a file or not."""
    data = Calibration.model_validate(dict(part), context={"si": True}).model_dump(mode="json")
    named = named_calibration(data)
    assert named is not None and named["sha256"] is not None
    return named["sha256"]


# -- write -------------------------------------------------------------------------------------


def owner_of(profile: Profile, profile_file: str) -> dict[str, Any]:
    """Return ``Content.profile`` for a profile."""
    facts = rig_facts(profile)
    return {
        "name": profile.name,
        "file": Path(profile_file).name,
        "sha256": facts_hash(profile.name, facts),
        "facts": facts,
    }


def write_calibration(
    folder: Path | str,
    content: Mapping[str, Any],
    raw: Iterable[tuple[int, Rows]] = (),
    made: datetime.datetime | None = None,
) -> CalibrationFile:
    """Write a new file and its raw samples; each is on the disk whole or not at all.

    Args:
        folder: made if missing.
        content: as :class:`Content`, without ``schema_version``, ``name``, ``made``, ``software`` and
            ``samples``, and ``calibration`` without ``dated`` and ``identity``.
        raw: number of the point (−1 between points) and its rows, shape (n, len(COLUMNS)).
        made: now, if not given.

    Raises:
        CalibrationFileError: content that no reader would accept.
        OSError: writing failed.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    made = made or datetime.datetime.now().astimezone()
    word = one_word(content["profile"]["name"].lower())[:MOST_LETTERS]
    path = free_path(folder / f"{dated(word, made)}.yaml")
    stem = path.stem
    content = {key: plain_values(value) for key, value in content.items()}
    samples = _write_raw(folder / f"{stem}.parquet", raw)
    data = {
        "schema_version": SCHEMA_VERSION,
        "name": stem,
        "made": made.isoformat(timespec="seconds"),
        "software": f"hookeline {own_version()}",
        "samples": samples,
        **content,
        "calibration": {**content["calibration"], "dated": f"{made:%Y-%m-%d}", "identity": ""},
    }
    # Write the values exactly as a reader would parse them.
    try:
        plain = Content.model_validate(data).model_dump(mode="json")
    except ValidationError as error:
        raise CalibrationFileError(f"the calibration cannot be kept: {_first(error)}") from None
    part = Calibration.model_validate(plain["calibration"], context={"si": True})
    plain["calibration"] = part.model_dump(mode="json")
    sha256 = _hash(plain)
    plain["calibration"]["identity"] = identity_of(stem, sha256)
    write_whole(path, as_text({**plain, "sha256": sha256}).encode())
    return load_calibration(path)


def _write_raw(path: Path, raw: Iterable[tuple[int, Rows]]) -> dict[str, Any] | None:
    blocks = [
        np.column_stack((rows, np.full(len(rows), number))) for number, rows in raw if len(rows)
    ]
    if not blocks:
        return None
    rows = np.concatenate(blocks)
    columns = (*COLUMNS, RAW_POINT)
    schema = schema_of(columns, spoken())
    sink = pa.BufferOutputStream()
    pq.write_table(
        pa.Table.from_batches([batch_of(rows, columns, schema, spoken())], schema),
        sink,
        compression="zstd",
        compression_level=3,
    )
    data = sink.getvalue().to_pybytes()
    write_whole(path, data)
    return {"file": path.name, "sha256": _bytes_hash(data), "rows": len(rows)}


def _bytes_hash(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _hash(plain: Mapping[str, Any]) -> str:
    data = {key: value for key, value in plain.items() if key != "sha256"}
    part = {key: value for key, value in data["calibration"].items() if key != "identity"}
    return canonical_hash({**data, "calibration": part})


# -- read --------------------------------------------------------------------------------------


def load_calibration(path: Path | str, profile: Profile | None = None) -> CalibrationFile:
    """Read a file, verify its hash, and that it belongs to ``profile`` if one is given.

    Raises:
        CalibrationFileError: missing, damaged, changed, or of another rig.
    """
    path = Path(path)
    data = _parsed(path)
    schema_version = data.get("schema_version")
    if schema_version != SCHEMA_VERSION:
        raise CalibrationFileError(
            f"'{path}' is not a calibration file of schema_version {SCHEMA_VERSION}; name one that "
            "'hookeline calibrate --list' shows"
        )
    stored = data.pop("sha256", None)
    try:
        part = data["calibration"]
        right = _hash(data)
        # A renamed file stays valid: its identity keeps the original name.
        changed = stored != right or part["identity"] != identity_of(data["name"], right)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _damaged(path, "a part is missing") from None
    if changed:
        raise CalibrationFileError(
            f"'{path}' was changed after it was written: its SHA-256 does not match its contents; "
            "take the unchanged file, or calibrate again"
        )
    try:
        content = Content.model_validate(data)
        calibration = Calibration.model_validate(part, context={"si": True})
        datetime.datetime.fromisoformat(content.made)
        facts = content.profile.facts
        sensor = DeflectionSensor.model_validate(
            facts["sensors"]["deflection"], context={"si": True, "motion": motion_of(facts)}
        )
        law = ForceCalibration(calibration, sensor)
    except ValidationError as error:
        raise _damaged(path, _first(error)) from None
    except (ValueError, KeyError, TypeError):
        raise _damaged(path, "its date or its sensor is missing") from None
    found = CalibrationFile(path, content, right, calibration, law)
    if profile is not None:
        check_belongs(found, profile)
    return found


def check_belongs(file: CalibrationFile, profile: Profile) -> None:
    """Check that the calibration belongs to this rig and may be used on it.

    Raises:
        CalibrationFileError: of another rig, of this one before it was changed, or with a
            finding that forbids its use.
    """
    owner = file.content.profile
    if owner.name != profile.name:
        raise CalibrationFileError(
            f"'{file.path}' is a calibration of '{owner.name}', not of '{profile.name}'; name "
            "one of this rig, or calibrate it"
        )
    facts = rig_facts(profile)
    if owner.sha256 != facts_hash(profile.name, facts):
        raise CalibrationFileError(
            f"'{file.path}' was made before '{profile.name}' was changed "
            f"({fact_differences(owner.facts, facts)}); calibrate again, or undo the change"
        )
    for found in file.errors:
        raise CalibrationFileError(
            f"'{file.path}' is not to be used: {found.sentence}; {found.fix}"
        )
    fits = changed_calibration(profile, file.part)
    if isinstance(fits, str):
        raise CalibrationFileError(f"'{file.path}': {fits}")


def check_samples(file: CalibrationFile) -> None:
    """Check that the raw samples next to the file are those it was made from.

    Raises:
        CalibrationFileError: missing or changed.
    """
    samples = file.content.samples
    if samples is None:
        return
    beside = file.path.parent / samples.file
    try:
        right = _bytes_hash(beside.read_bytes()) == samples.sha256
    except OSError as error:
        raise CalibrationFileError(
            f"raw samples '{beside}' cannot be read ({error.strerror}); keep them next to the file"
        ) from None
    if not right:
        raise CalibrationFileError(f"raw samples '{beside}' were changed after they were written")


def _parsed(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise CalibrationFileError(
                f"'{path}' is larger than {MOST_BYTES // 10**6} MB: not a calibration file"
            )
        data = read_plain_yaml(path)
    except FileNotFoundError:
        raise CalibrationFileError(
            f"'{path}': no such file; 'hookeline calibrate --list' shows the calibrations"
        ) from None
    except OSError as error:
        raise CalibrationFileError(f"'{path}' cannot be read: {error.strerror}") from None
    except PlainYamlError as error:
        raise _damaged(path, str(error)) from None
    if not isinstance(data, dict):
        raise _damaged(path, "not a mapping of keys to values")
    return data


def _damaged(path: Path, why: str) -> CalibrationFileError:
    return CalibrationFileError(
        f"'{path}' is damaged ({why}); use an intact copy, or calibrate again"
    )


def _first(error: ValidationError) -> str:
    first = error.errors()[0]
    return f"{'.'.join(str(part) for part in first['loc'])}: {first['msg']}"


# -- list ------------------------------------------------------------------------------------


def list_calibrations(folder: Path | str) -> list[CalibrationFile | CalibrationFileError]:
    """Return the calibrations in a folder by date; one that cannot be used appears as its error.

    Raises:
        CalibrationFileError: the folder cannot be read.
    """
    folder = Path(folder)
    try:
        paths: Sequence[Path] = sorted(p for p in folder.iterdir() if p.suffix == ".yaml")
    except OSError as error:
        raise CalibrationFileError(
            f"folder '{folder}' cannot be read: {error.strerror}; name one with --list DIR"
        ) from None
    found: list[CalibrationFile | CalibrationFileError] = []
    for path in paths:
        try:
            found.append(load_calibration(path))
        except CalibrationFileError as error:
            found.append(error)
    return found
