"""The data sheet: figures and plots of all recorded tests in a folder, made from the runs alone."""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drivers.motion import in_words, speaking
from hil.control import safety_fingerprint, with_plant
from hil.core import TriedPlant, dated, free_path, one_word
from hil.measure.characteristic import Characteristic, Diagram
from hil.measure.guarded import RUN_PREFIX, GuardedTest, finished
from hil.measure.rig_words import in_rig_words
from hil.measure.truth import TRUE_FILE, TrueRun
from hil.profile import Profile, profile_from_dict
from hil.recorder import Run, described_motion, load_run

RUNS = "runs"
MEASURED = "measured"  # folder of the measurements of several rigs


class SheetError(Exception):
    """A data sheet that cannot be made or read; the text gives the reason and the fix."""


def new_measurement_folder(measured: Path, rig: str) -> Path:
    """Return an unused folder in ``measured`` for this rig, named by date; it is not created."""
    return free_path(measured / dated(one_word(rig)))


@dataclass(frozen=True, eq=False)
class EvaluatedRun:
    """One test's run and its figures; ``problem`` gives the reason if there are none."""

    test: GuardedTest
    run: Run
    characteristics: tuple[Characteristic, ...] = ()
    diagrams: tuple[Diagram, ...] = ()
    notes: tuple[str, ...] = ()
    problem: str = ""

    @property
    def shown(self) -> list[Characteristic]:
        """Return the characteristics in the units that people read."""
        with speaking(described_motion(self.run.meta)):
            return [c.as_shown() for c in self.characteristics]

    @property
    def day(self) -> str:
        return str(self.run.meta.get("started", ""))[:10]


@dataclass(frozen=True, eq=False)
class Sheet:
    """Content of a data sheet.

    Attributes:
        profile: profile of the newest run.
        tested: results in the plan's order.
        missing: keys of tests without a finished run.
    """

    profile: Profile
    tested: tuple[EvaluatedRun, ...]
    missing: tuple[str, ...]

    @property
    def characteristics(self) -> list[Characteristic]:
        return [c for tested in self.tested for c in tested.characteristics]

    @property
    def shown(self) -> list[Characteristic]:
        """Return the characteristics in the units that people read."""
        return [c for tested in self.tested for c in tested.shown]

    @property
    def differences(self) -> list[str]:
        """Sentences on figures that differ from their prediction by more than both uncertainties."""
        return [
            f"{c.title}: measured {shown(c.value, c.u95)}{unit}, predicted "
            f"{shown(c.predicted, c.predicted_u95)}{unit}; likely causes: "
            f"{c.causes or 'not known'}"
            for c in self.shown
            if c.differs
            for unit in ("" if c.unit == "1" else f" {c.unit}",)
        ]

    @property
    def notes(self) -> list[str]:
        """Sentences on what could not be measured or predicted, and why."""
        found = [note for tested in self.tested for note in tested.notes]
        source = self.profile.control.source
        if source != "torque":
            found.append(
                f"The force loop acts by {source}. Its predictions are those of a loop over torque with "
                "the same required bandwidth, which delays less."
            )
        return found

    def as_data(self) -> dict[str, Any]:
        """Return the content for JSON; unknown values are None."""
        return {
            "data_sheet": 1,
            "profile": self.profile.name,
            "profile_fingerprint": safety_fingerprint(self.profile),
            "calibration": self.profile.calibration.identity or "written by hand",
            "figures": [
                {
                    "name": c.name,
                    "title": c.title,
                    "value": _known(c.value),
                    "u95": _known(c.u95),
                    "unit": c.unit,
                    "predicted": _known(c.predicted),
                    "predicted_u95": _known(c.predicted_u95),
                    "limit": _known(c.limit),
                    "truth": _known(c.truth),
                    "differs": c.differs,
                    "conditions": c.conditions,
                    "test": tested.test.key,
                    "run": tested.run.path.name,
                    "date": tested.day,
                }
                for tested in self.tested
                for c in tested.shown
            ],
            "differences": self.differences,
            "notes": self.notes,
            "problems": {t.test.key: t.problem for t in self.tested if t.problem},
            "missing": list(self.missing),
        }


def _known(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None


def shown(value: float, u95: float = math.nan) -> str:
    """Return a figure with its uncertainty, the latter to two digits."""
    if not math.isfinite(value):
        return "not measured"
    if not math.isfinite(u95) or u95 <= 0.0:
        return f"{value:.3g}"
    places = max(0, 1 - math.floor(math.log10(u95)))
    value = round(value, places) + 0.0  # no minus sign before zero
    return f"{value:.{places}f} ± {u95:.{places}f}"


def finished_runs(folder: Path) -> dict[str, Run]:
    """Return the newest finished run of each test in ``folder``, by the test's key."""
    found: dict[str, Run] = {}
    for file in sorted((folder / RUNS).rglob("run.yaml")):
        run = load_run(file.parent)
        if run.name.startswith(RUN_PREFIX) and run.complete and finished(run):
            key = run.name.removeprefix(RUN_PREFIX)
            before = found.get(key)
            if before is None or _order(run) >= _order(before):
                found[key] = run
    return found


def _order(run: Run) -> tuple[datetime.datetime, int]:
    return datetime.datetime.fromisoformat(str(run.meta["started"])), run.number


def assemble(folder: Path, tests: Sequence[GuardedTest]) -> Sheet:
    """Evaluate the newest finished run of each test.

    Raises:
        SheetError: the folder holds no finished run of a test.
        RunError: a run cannot be read.
    """
    runs = finished_runs(folder)
    tested = [evaluate_run(test, runs[test.key]) for test in tests if test.key in runs]
    if not tested:
        raise SheetError(
            f"'{folder}' holds no finished run of a test. Fix: name the folder that "
            "'hookeline measure' wrote, or measure again"
        )
    return sheet_of(tested, tests)


def sheet_of(tested: Sequence[EvaluatedRun], tests: Sequence[GuardedTest]) -> Sheet:
    """Return the sheet of runs that have been evaluated, at least one; ``tests`` is the plan."""
    newest = max((t.run for t in tested), key=_order)
    by_key = {t.test.key: t for t in tested}
    missing = tuple(t.key for t in tests if t.key not in by_key and not t.on_request)
    ordered = tuple(by_key[test.key] for test in tests if test.key in by_key)
    return Sheet(_profile(newest), ordered, missing)


def _profile(run: Run) -> Profile:
    """Return the profile of a run, with the plant for which its force loop was designed."""
    profile = profile_from_dict(run.meta["profile"])
    tried = next(
        (
            plant
            for event in run.events
            if event["kind"] == "envelope" and (plant := (event["envelope"] or {}).get("plant"))
        ),
        None,
    )
    return profile if tried is None else with_plant(profile, TriedPlant.model_validate(tried))


def evaluate_run(test: GuardedTest, run: Run) -> EvaluatedRun:
    """Evaluate one finished run; the result has a ``problem`` if no figures are found."""
    with speaking(described_motion(run.meta)):
        return _evaluated(test, run)


def _evaluated(test: GuardedTest, run: Run) -> EvaluatedRun:
    profile = _profile(run)
    try:
        found = in_rig_words(test.evaluate(run, profile), profile)
    except ValueError as error:
        return EvaluatedRun(test, run, problem=str(error))
    truth: dict[str, float] = {}
    if (run.path / TRUE_FILE).exists():
        true = test.evaluate(TrueRun(run, run.path), profile)
        truth = {c.name: c.value for c in true.characteristics} | test.truth(profile)
    characteristics = tuple(
        replace(c, truth=truth.get(c.name, math.nan)) for c in found.characteristics
    )
    return EvaluatedRun(
        test, run, characteristics, found.diagrams, tuple(map(in_words, found.notes))
    )
