"""Commissioning records on the disk, as the Bring-up page lists and shows them. No Qt."""

from __future__ import annotations

import contextlib
import datetime
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hil.bringup import YAML, Finding, Measured, Result, Verdict, kept_plots

MOST_RECORDS = 20


@dataclass(frozen=True)
class Kept:
    """A record on the disk; ``passed`` steps of ``steps`` stand verified."""

    folder: Path
    passed: int
    steps: int

    @property
    def text(self) -> str:
        """Its date, by the name of its folder, and its progress."""
        begun = re.match(r"(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)", self.folder.name)
        name = "{}-{}-{} {}:{}".format(*begun.groups()) if begun else self.folder.name
        return f"{name} · {self.passed} of {self.steps} verified"


def new_folder(records: Path, rig: str) -> Path:
    """A folder in ``records`` that is free, named by date and rig; not made."""
    word = re.sub(r"[^A-Za-z0-9]+", "-", rig).strip("-").lower() or "rig"
    stem = f"{datetime.datetime.now():%Y%m%d-%H%M%S}-{word}"
    free, number = records / stem, 1
    while free.exists():
        number += 1
        free = records / f"{stem}-{number}"
    return free


def kept_records(records: Path, rig: str, steps: int) -> list[Kept]:
    """Records of this rig, newest first; a folder that cannot be read is left out."""
    name = re.compile(rf"^  name: (['\"]?){re.escape(rig)}\1$", re.M)
    try:
        folders = sorted((p for p in records.iterdir() if p.is_dir()), reverse=True)
    except OSError:
        return []
    kept = []
    for folder in folders[:MOST_RECORDS]:
        # Read whole it takes a while; it is looked at closely once it is chosen.
        with contextlib.suppress(OSError, UnicodeDecodeError):
            text = (folder / YAML).read_text("utf-8")
            if name.search(text):
                kept.append(Kept(folder, len(re.findall(r"^  verdict: pass$", text, re.M)), steps))
    return kept


def result_of(folder: Path, entry: dict[str, Any]) -> Result:
    """A step as the record in ``folder`` has it."""
    return Result(
        entry["step"],
        Verdict(entry["verdict"]),
        str(entry["text"]),
        [
            Measured(
                m["name"],
                math.nan if m["value"] is None else m["value"],
                m["unit"],
                m["expected"],
                m["why"],
                m["good"],
            )
            for m in entry["measured"]
        ],
        [
            Finding(f["code"], f["sentence"], f["fix"], dict(f["changes"]))
            for f in entry["findings"]
        ],
        kept_plots(folder, entry),
        dict(entry["changes"]),
        closed_loop=bool(entry["closed_loop"]),
    )
