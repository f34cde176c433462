"""Commissioning records on the disk, as the Bring-up page lists and shows them. No Qt."""

from __future__ import annotations

import contextlib
import math
import re
from pathlib import Path
from typing import Any

from hil.bringup import YAML, Finding, Measured, Result, Verdict, kept_plots
from ui.dashboard.guided import KeptFolder, newest_folders


def kept_records(records: Path, rig: str, steps: int) -> list[KeptFolder]:
    """Return records of this rig, newest first; a folder that cannot be read is left out."""
    name = re.compile(rf"^  name: (['\"]?){re.escape(rig)}\1$", re.M)

    def text_of(folder: Path) -> str:
        # Parsing takes a while; a record is read in full once it is chosen.
        with contextlib.suppress(OSError, UnicodeDecodeError):
            return (folder / YAML).read_text("utf-8")
        return ""

    def of_rig(folder: Path) -> bool:
        return bool(name.search(text_of(folder)))

    return [
        KeptFolder(folder, f"{passed_in(text_of(folder))} of {steps} verified")
        for folder in newest_folders(records, of_rig)
    ]


def passed_in(text: str) -> int:
    """Return the number of passed steps in a record's text."""
    return len(re.findall(r"^  verdict: pass$", text, re.M))


def result_of(folder: Path, entry: dict[str, Any]) -> Result:
    """Return the result of a step from the record in ``folder``."""
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
