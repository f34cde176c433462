"""``labels.yaml``: labels given to a run after recording. The recorded files stay unchanged."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import yaml

from hil.core import PlainYamlError, read_plain_yaml
from hil.recorder.errors import RunError
from hil.recorder.folders import LABELS, write_whole

SCHEMA_VERSION = 1
LONGEST_NAME = 80
LONGEST_NOTE = 4000
MOST_TAGS = 20
_TAG = re.compile(r"[^\s,#]{1,40}")


@dataclass(frozen=True)
class RunLabels:
    """Name, note, tags and pin of a run.

    Attributes:
        name: "" for the recorded one.
        note: None for the recorded one.
        tags: words without blanks, commas or "#", each once.
        pinned: stays at the top of lists and cannot be moved into the bin.
    """

    name: str = ""
    note: str | None = None
    tags: tuple[str, ...] = ()
    pinned: bool = False


def read_labels(folder: Path) -> RunLabels:
    """Return the labels of a run; empty ones if it has none.

    Raises:
        RunError: the file exists and cannot be used.
    """
    file = folder / LABELS
    try:
        found = read_plain_yaml(file)
    except FileNotFoundError:
        return RunLabels()
    except OSError as error:
        raise RunError(f"'{file}' cannot be read: {error.strerror}") from None
    except PlainYamlError as error:
        raise RunError(f"'{file}' cannot be used ({error}); correct or remove it") from None
    return _labels(file, found)


def _labels(file: Path, found: Any) -> RunLabels:
    if not isinstance(found, Mapping):
        raise RunError(f"'{file}' is not a mapping of keys to values; correct or remove it")
    if found.get("schema_version") != SCHEMA_VERSION:
        raise RunError(
            f"'{file}' has schema_version {found.get('schema_version')!r}, this program reads "
            f"{SCHEMA_VERSION}; use the program that wrote it, or remove the file"
        )
    tags = found.get("tags") or []
    if not isinstance(tags, list):
        raise RunError(f"'{file}': tags is not a list; write tags: [first, second]")
    note = found.get("note")
    labels = RunLabels(
        str(found.get("name") or ""),
        None if note is None else str(note),
        tuple(str(tag) for tag in tags),
        found.get("pinned") is True,
    )
    try:
        return checked(labels)
    except RunError as error:
        raise RunError(f"'{file}': {error}") from None


def checked(labels: RunLabels) -> RunLabels:
    """Return labels as stored: stripped of blanks, each tag once.

    Raises:
        RunError: a name, note or tag that is not allowed; the text gives the reason.
    """
    name = " ".join(labels.name.split())
    if len(name) > LONGEST_NAME:
        raise RunError(f"a name of {len(name)} characters; use at most {LONGEST_NAME}")
    note = labels.note
    if note is not None:
        note = note.strip()
        if len(note) > LONGEST_NOTE:
            raise RunError(f"a note of {len(note)} characters; use at most {LONGEST_NOTE}")
    tags = tuple(dict.fromkeys(labels.tags))
    for tag in tags:
        if not _TAG.fullmatch(tag):
            raise RunError(
                f"'{tag}' is not a tag: use 1 to 40 characters without blank, comma or '#'"
            )
    if len(tags) > MOST_TAGS:
        raise RunError(f"{len(tags)} tags; use at most {MOST_TAGS}")
    return RunLabels(name, note, tags, labels.pinned)


def write_labels(folder: Path, labels: RunLabels) -> RunLabels:
    """Write the labels of a run and return them as stored.

    Raises:
        RunError: they are not allowed, or the disk refuses; the old ones are untouched.
    """
    labels = checked(labels)
    data: dict[str, Any] = {"schema_version": SCHEMA_VERSION}
    if labels.name:
        data["name"] = labels.name
    if labels.note is not None:
        data["note"] = labels.note
    data["tags"] = list(labels.tags)
    data["pinned"] = labels.pinned
    text = yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=100)
    try:
        write_whole(folder / LABELS, text.encode())
    except OSError as error:
        raise RunError(
            f"labels of run '{folder.name}' cannot be written: {error.strerror}; "
            "free disk space or check the permissions of its folder"
        ) from None
    return labels


def change_labels(folder: Path, **changes: Any) -> RunLabels:
    """Replace some fields of a run's labels, such as ``tags=("fast",)``; return all of them.

    Raises:
        RunError: the run does not exist, or see ``read_labels`` and ``write_labels``.
    """
    if not folder.is_dir():
        raise RunError(f"'{folder}' is not a run folder; 'hookeline runs' lists the runs")
    return write_labels(folder, replace(read_labels(folder), **changes))
