"""The commissioning record: verified steps, their evidence, and the point to resume from.

It is a folder: ``bringup.yaml`` for programs, ``bringup.html`` for people (self-contained), and in
``evidence`` each step's samples (Parquet, columns as in ``hil.core.samples``) and plots (SVG, and
JSON for redrawing). It is complete on disk after each step, however the bring-up ends.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import platform
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from drivers.base import PowerStage
from drivers.motion import in_words
from hil.bench import DriveFacts
from hil.bringup.procedure import watched
from hil.bringup.record_files import (
    EVIDENCE,
    HTML,
    SCHEMA_VERSION,
    YAML,
    RecordError,
    Rows,
    plot_text,
    read_record,
    record_text,
    write_samples,
)
from hil.bringup.step import Context, Plot, Result, Step, Verdict
from hil.control import verify, withdraw
from hil.core import INDEX
from hil.procedures import Action, Procedure, Seen
from hil.profile import Profile, profile_to_dict
from hil.recorder import own_version, write_whole

POWER, FORCE, SPEED = (
    INDEX[name] for name in ("power_stage", "spring_force_N", "nut_velocity_m_s")
)
BEGUN = "begun; interrupted unless running now"


def profile_hash(profile: Profile) -> str:
    """Return the SHA-256 of the profile without its ``simulation`` part."""
    data = profile_to_dict(profile)
    data.pop("simulation", None)
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()


class BringUpRecord:
    """A growing record. Its files are written in their own thread, so the bench continues.

    Args:
        folder: made if missing.
        data: contents of ``bringup.yaml``; see :meth:`begin` and :meth:`load`.
        steps: all steps of the bring-up, for their texts and their ``needs``.

    Attributes:
        passed: keys of the verified steps; shared with ``hil.bringup.procedure.bring_up``.
        known: what the steps have measured.
        peak_force_N, peak_speed_m_s: largest seen with the power stage on, by the sensors.
    """

    def __init__(self, folder: Path, data: dict[str, Any], steps: Sequence[Step]) -> None:
        self.folder = folder
        self.data = data
        self._steps = {step.key: step for step in steps}
        self.known: dict[str, float] = dict(data["known"])
        self.passed = {e["step"] for e in data["steps"] if e["verdict"] == Verdict.PASS}
        self.peak_force_N = self.peak_speed_m_s = 0.0
        self._rows: list[Rows] = []
        self._jobs = ThreadPoolExecutor(1, "record")
        self._error: Exception | None = None
        self._profile: Profile | None = None  # its rig is verified when all steps have passed

    @classmethod
    def begin(
        cls,
        folder: Path | str,
        profile: Profile,
        profile_path: str,
        facts: DriveFacts,
        steps: Sequence[Step],
        simulated: bool,
    ) -> BringUpRecord:
        """Return a new record; written at once, with every step not run.

        Raises:
            RecordError: the folder already holds one.
            OSError: it cannot be written.
        """
        folder = Path(folder)
        if (folder / YAML).exists():
            raise RecordError(
                f"'{folder}' already holds a bring-up record; resume it (--resume), or "
                "name another folder"
            )
        (folder / EVIDENCE).mkdir(parents=True, exist_ok=True)
        now = _now()
        record = cls(
            folder,
            {
                "schema_version": SCHEMA_VERSION,
                "profile": {
                    "name": profile.name,
                    "file": Path(profile_path).name,
                    "sha256": profile_hash(profile),
                },
                "drive": {"identity": facts.identity, "details": dict(facts.details)},
                "simulated": simulated,
                "begun": now,
                "updated": now,
                "resumed": [],
                "software": {"hookeline": own_version(), "python": platform.python_version()},
                "cautions": profile.stop.load,
                "carried_out_by": None,
                "place": None,
                "signed": None,
                "known": {},
                "proposed_changes": {},
                "applied_changes": {},
                "steps": [_entry(step) for step in steps],
            },
            steps,
        )
        record._profile = profile
        record._save()
        record.wait()
        return record

    @classmethod
    def load(cls, folder: Path | str, profile: Profile, steps: Sequence[Step]) -> BringUpRecord:
        """Return the record in ``folder``, to be resumed.

        Raises:
            RecordError: not found, damaged, or of another profile.
        """
        data = read_record(folder)
        theirs = data["profile"]
        if theirs["name"] != profile.name:
            raise RecordError(
                f"'{folder}' is the record of '{theirs['name']}', not of '{profile.name}'; name "
                "that one's profile, or begin a new bring-up"
            )
        if theirs["sha256"] != profile_hash(profile):
            raise RecordError(
                f"the profile '{profile.name}' has changed since '{folder}' was recorded, so the "
                "verification may no longer be valid; begin a new bring-up, or undo the "
                "change"
            )
        known = {step.key for step in steps}
        kept = {e["step"]: e for e in data["steps"] if e["step"] in known}
        data["steps"] = [kept.get(step.key) or _entry(step) for step in steps]
        data["resumed"] = [*data.get("resumed", []), _now()]
        record = cls(Path(folder), data, steps)
        record._profile = profile
        return record

    def to_run(self) -> list[Step]:
        """Return the steps of a resumed bring-up, in order.

        These are the ones that may have changed meanwhile or have not passed.
        """
        return [s for s in self._steps.values() if s.recheck_on_resume or s.key not in self.passed]

    def to_reach(self, key: str) -> list[Step]:
        """Return the step ``key``, preceded by the steps it needs that are not verified now."""
        wanted = needed(key, self._steps)
        return [
            s
            for s in self._steps.values()
            if s.key == key
            or (s.key in wanted and (s.recheck_on_resume or s.key not in self.passed))
        ]

    def context(self, profile: Profile, facts: DriveFacts, simulated: bool) -> Context:
        """Return the context for the steps; it shares ``known``."""
        return Context(profile, facts, self.known, simulated)

    # -- while it runs ------------------------------------------------------------------

    def on_start(self, step: Step) -> None:
        """Record that a step begins, so that an interruption shows in the record."""
        self._rows.clear()
        # It is not verified while it runs, nor are the steps that rely on it if it is interrupted.
        self.passed.discard(step.key)
        entry = self._entry_of(step.key)
        entry.clear()
        entry.update(_entry(step, BEGUN))
        self._save()
        self._verify()

    def on_result(self, step: Step, result: Result) -> None:
        """Write a step that has ended, its samples and its plots."""
        if result.verdict is not Verdict.PASS:
            # Steps that rely on this one are no longer verified.
            for other in self._steps:
                if step.key in needed(other, self._steps):
                    self.passed.discard(other)
                    if self._entry_of(other)["verdict"] == Verdict.PASS:
                        self._entry_of(other).update(
                            verdict=str(Verdict.NOT_RUN), text=f"to be verified again: {step.key}"
                        )
        rows = np.concatenate(self._rows) if self._rows else None
        self._rows.clear()
        entry = self._entry_of(step.key)
        entry.clear()
        entry.update(_entry(step) | _result(result))
        number = list(self._steps).index(step.key) + 1
        stem = f"{number:02d}-{step.key}"
        if rows is not None and len(rows):
            entry["samples"] = f"{EVIDENCE}/{stem}.parquet"
            self._later(lambda: write_samples(self.folder / f"{EVIDENCE}/{stem}.parquet", rows))
        for i, plot in enumerate(result.plots, 1):
            name = f"{EVIDENCE}/{stem}-{i}"
            entry["plots"].append(
                {"title": plot.title, "file": f"{name}.svg", "data": f"{name}.json"}
            )
            self._later(lambda name=name, plot=plot: self._draw(name, plot))  # type: ignore[misc]
        self._save()
        self._verify()

    def watch(self, procedure: Procedure) -> Generator[Action, Seen, Any]:
        """Run the procedure, keeping every sample that it receives as evidence."""
        return watched(procedure, self._keep)

    def applied(self, profile: Profile, changes: dict[str, str]) -> None:
        """Note that proposed changes were written to the profile, which is now ``profile``."""
        self.data["applied_changes"] = {**self.data["applied_changes"], **changes}
        self.data["profile"]["sha256"] = profile_hash(profile)
        for entry in self.data["steps"]:
            for holder in (entry, *entry["findings"]):
                holder["changes"] = {k: v for k, v in holder["changes"].items() if k not in changes}
        self._profile = profile
        self._save()
        self._verify()

    def close(self) -> None:
        """Wait until everything is on disk.

        Raises:
            OSError: writing failed.
            RecordError: something else went wrong.
        """
        self._jobs.shutdown()
        self._complain()

    def wait(self) -> None:
        """Wait as :meth:`close` does, but keep the record open."""
        self._jobs.submit(lambda: None).result()
        self._complain()

    # -- internal -------------------------------------------------------------------------

    def _complain(self) -> None:
        error, self._error = self._error, None
        if isinstance(error, OSError):
            raise error
        if error is not None:
            raise RecordError(
                f"'{self.folder}' was not written completely ({type(error).__name__}: {error})"
            ) from error

    def _verify(self) -> None:
        """Keep the rig's verification when every step has passed; withdraw it otherwise."""
        profile = self._profile
        if profile is None or self.data["simulated"]:
            return  # a simulated rig's record says nothing about a real one
        if all(entry["verdict"] == Verdict.PASS for entry in self.data["steps"]):
            when = self.data["updated"]
            self._later(lambda: verify(profile, self.folder, when))
        else:
            self._later(lambda: withdraw(profile))

    def _keep(self, seen: Seen) -> None:
        if not len(seen.rows):
            return
        self._rows.append(seen.rows)
        driven = seen.rows[seen.rows[:, POWER] == PowerStage.ON]
        if len(driven):
            force, speed = np.nanmax(np.abs(driven[:, [FORCE, SPEED]]), axis=0, initial=0.0)
            self.peak_force_N = max(self.peak_force_N, float(force))
            self.peak_speed_m_s = max(self.peak_speed_m_s, float(speed))

    def _entry_of(self, key: str) -> dict[str, Any]:
        entry: dict[str, Any] = next(e for e in self.data["steps"] if e["step"] == key)
        return entry

    def _later(self, job: Callable[[], object]) -> None:
        def guarded() -> None:
            try:
                job()
            except Exception as error:  # raised by close and wait
                self._error = self._error or error

        self._jobs.submit(guarded)

    def _draw(self, name: str, plot: Plot) -> None:
        from hil.bringup.record_page import plot_svg

        write_whole(self.folder / f"{name}.json", plot_text(plot).encode())
        write_whole(self.folder / f"{name}.svg", plot_svg(plot).encode())

    def _save(self) -> None:
        changes: dict[str, str] = {}
        for entry in self.data["steps"]:
            changes |= entry["changes"]
            for found in entry["findings"]:
                changes |= found["changes"]
        self.data["proposed_changes"] = changes
        self.data["known"] = {k: float(v) for k, v in self.known.items()}
        self.data["updated"] = _now()
        snapshot = json.loads(json.dumps(self.data))
        self._later(lambda: self._write(snapshot))

    def _write(self, data: dict[str, Any]) -> None:
        # The page uses matplotlib, which takes a second to load: import it only when needed.
        from hil.bringup.record_page import page

        write_whole(self.folder / YAML, record_text(data).encode())
        write_whole(self.folder / HTML, page(self.folder, data).encode())


def needed(key: str, steps: dict[str, Step]) -> set[str]:
    """Return the keys of all steps that ``key`` relies on, directly or indirectly."""
    found: set[str] = set()
    waiting = list(steps[key].needs) if key in steps else []
    while waiting:
        other = waiting.pop()
        if other not in found:
            found.add(other)
            waiting += steps[other].needs if other in steps else ()
    return found


def first_finding(results: Iterable[Result]) -> dict[str, str] | None:
    """Return code, sentence and fix of the first finding, for programs."""
    for result in results:
        for found in result.findings:
            return {"code": found.code, "sentence": found.sentence, "fix": found.fix}
    return None


def _entry(step: Step, text: str = "") -> dict[str, Any]:
    return {
        "step": step.key,
        "title": in_words(step.title),
        "verdict": str(Verdict.NOT_RUN),
        "text": text,
        "ended": None,
        "energises": step.energises,
        "closed_loop": False,
        "measured": [],
        "findings": [],
        "changes": {},
        "plots": [],
        "samples": None,
    }


def _result(result: Result) -> dict[str, Any]:
    return {
        "verdict": str(result.verdict),
        "text": result.text,
        "ended": result.ended.isoformat(timespec="seconds") if result.ended else None,
        "closed_loop": result.closed_loop,
        "measured": [
            {
                "name": m.name,
                "value": m.value if isinstance(m.value, str) else float(m.value),
                "unit": m.unit,
                "expected": m.expected,
                "why": m.why,
                "good": bool(m.good),
            }
            for m in result.measured
        ],
        "findings": [
            {"code": f.code, "sentence": f.sentence, "fix": f.fix, "changes": dict(f.changes)}
            for f in result.findings
        ],
        "changes": dict(result.changes),
    }


def _now() -> str:
    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")
