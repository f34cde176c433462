"""Journal of an endurance run: one line an entry, on disk before it counts.

A computer that loses its supply truncates at most the last line; it is ignored on reading
and overwritten. Nothing else may be wrong in the file.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from pathlib import Path
from typing import Any

FORM = 1
MOST_BYTES = 512 * 1024 * 1024
LONGEST_LINE = 64 * 1024


class JournalError(Exception):
    """Unusable journal: file, line and fix are in the text."""


class Journal:
    """Journal file, open to be continued.

    Attributes:
        entries: its contents, the head first; count: cycles so far.
        seconds: running time so far, in s. damage: by part, as shares of life.
    """

    def __init__(self, file: Path, head: dict[str, Any], go_on: bool) -> None:
        """Open it.

        Args:
            head: identity of the run; must match that of a journal to be continued.
            go_on: continue an existing journal; else none may exist.

        Raises:
            JournalError: it exists and must not be continued, belongs to another run,
                is damaged, or is written by another process.
            OSError: it cannot be read or written.
        """
        self.file = file
        self.entries: list[dict[str, Any]] = []
        self.count, self.seconds = 0, 0.0
        self.damage: dict[str, float] = {}
        there = file.exists()
        if there and not go_on:
            raise JournalError(
                f"{file}: a journal exists. Fix: --go-on continues its count, or choose "
                "another --out"
            )
        file.parent.mkdir(parents=True, exist_ok=True)
        self._stream = file.open("r+b" if there else "x+b")
        try:
            whole = self._take_over(head, there)
        except BaseException:
            self._stream.close()
            raise
        self._stream.truncate(whole)
        self._stream.seek(whole)
        if not self.entries:
            self.write({"kind": "head", "form": FORM, **head})
            # The folder entry must be on disk as well as the file.
            with contextlib.suppress(OSError):
                folder = os.open(file.parent, os.O_RDONLY)
                os.fsync(folder)
                os.close(folder)

    def _take_over(self, head: dict[str, Any], there: bool) -> int:
        """Lock the file for this process and read its entries; return the bytes of whole ones."""
        try:
            fcntl.flock(self._stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise JournalError(
                f"{self.file}: another process writes it. Fix: end that one, or choose another "
                "--out"
            ) from None
        whole = 0
        if there:
            self.entries, whole = read_journal(self.file)
        if self.entries:
            self._belongs(head)
            for entry in self.entries:
                self._count(entry)
        return whole

    def _belongs(self, head: dict[str, Any]) -> None:
        first = self.entries[0]
        if first.get("kind") != "head" or first.get("form") != FORM:
            raise JournalError(f"{self.file}:1: not a journal of this form; choose another --out")
        for key, value in head.items():
            if first.get(key) != value:
                raise JournalError(
                    f"{self.file}:1: belongs to another {key} ('{first.get(key)}', now '{value}')."
                    " Fix: give the same, or choose another --out"
                )

    def _count(self, entry: dict[str, Any]) -> None:
        if entry.get("kind") == "cycles":
            self.count = int(entry["count"])
            self.seconds = float(entry["seconds"])
            self.damage = {str(k): float(v) for k, v in entry.get("damage", {}).items()}

    def write(self, entry: dict[str, Any]) -> None:
        """Write an entry; it is on disk when this returns."""
        self._stream.write(json.dumps(entry, separators=(",", ":"), allow_nan=False).encode())
        self._stream.write(b"\n")
        self._stream.flush()
        os.fsync(self._stream.fileno())
        self.entries.append(entry)
        self._count(entry)

    def close(self) -> None:
        """Close the file."""
        self._stream.close()


def read_journal(file: Path) -> tuple[list[dict[str, Any]], int]:
    """Return the whole entries of a journal, and their size in bytes.

    Raises:
        JournalError: a line other than a truncated last one is damaged, or the file is too large.
    """
    if file.stat().st_size > MOST_BYTES:
        raise JournalError(f"{file}: larger than {MOST_BYTES >> 20} MB; is this a journal?")
    entries: list[dict[str, Any]] = []
    whole = 0
    with file.open("rb") as stream:
        for number, line in enumerate(iter(lambda: stream.readline(LONGEST_LINE), b""), 1):
            if not line.endswith(b"\n"):
                if len(line) >= LONGEST_LINE:
                    raise JournalError(f"{file}:{number}: line too long; is this a journal?")
                break  # the supply failed while it was written
            try:
                entry = json.loads(line)
                if not isinstance(entry, dict):
                    raise ValueError("not a mapping")
                if entry.get("kind") == "cycles":
                    if not (int(entry["count"]) >= 0 and float(entry["seconds"]) >= 0.0):
                        raise ValueError("a count below 0")
                    {k: float(v) for k, v in entry.get("damage", {}).items()}
            except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
                raise JournalError(
                    f"{file}:{number}: damaged ({type(error).__name__}). Fix: remove the line, "
                    "and find the cause"
                ) from None
            entries.append(entry)
            whole += len(line)
    return entries, whole
