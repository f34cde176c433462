"""Signs of wear over weeks: computed from every recorded run that shows them, by actuator.

Results are cached in ``wear.json`` in the folder of runs, so that a run is read once.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from drivers.motion import METRES, Motion, restated, speaking, unit_name, worded
from hil.recorder import Run, RunError, load_run
from hil.wear.run_signs import COLUMNS, run_signs
from hil.wear.signs import signs_of_columns
from hil.wear.trend import Change, Trend

FILE, FORM = "wear.json", 1
# Increased when a sign is added or computed differently: older entries are computed again.
SIGNS_FORM = 2
MOST_BYTES = 64 * 1024 * 1024
BASELINE = 10  # runs before one can show a change
# Name: words, unit, factor from SI, smallest credible standard deviation from run to run.
# Runs differ in motion and temperature, so these are wider than from cycle to cycle; no source.
SIGNS: dict[str, tuple[str, str, float, float]] = {
    "friction_N": ("friction", "N", 1.0, 0.3),
    "stiffness_N_m": ("stiffness", "N/mm", 1e-3, 300.0),
    "zero_m": ("zero", "um", 1e6, 3e-6),
    "noise_counts": ("sensor noise", "counts", 1.0, 0.02),
    "winding_share": ("motor heat", "%", 100.0, 0.05),
    "bandwidth_Hz": ("force bandwidth", "Hz", 1.0, 1.0),
    "knee_m": ("knee", "um", 1e6, 3e-5),
    "lost_motion_m": ("lost motion", "um", 1e6, 5e-6),
}
_COLUMNS = (
    "time_s",
    "state",
    "nut_velocity_m_s",
    "nut_position_m",
    "output_velocity_m_s",
    "deflection_m",
    "deflection_counts",
    "motor_force_N",
    "motor_heat",
    "telemetry_age_s",
)


@dataclass(frozen=True)
class Entry:
    """Signs of one run.

    Attributes:
        actuator: profile's name and the drive's identity. started: ISO 8601.
        travel_m: nut travel, both directions.
        signs_form: ``SIGNS_FORM`` when it was computed: an older entry lacks newer signs.
    """

    run: str
    actuator: str
    started: str
    travel_m: float
    signs: dict[str, float]
    signs_form: int = SIGNS_FORM
    motion: Motion = "linear"


@dataclass(frozen=True)
class Finding:
    """A sign that has changed.

    Attributes:
        since: run at which it began, by its number in ``runs``.
        runs: that run and those after it. travel_m: nut travel before it.
    """

    actuator: str
    sign: str
    change: Change
    since: Entry
    runs: tuple[str, ...]
    travel_m: float

    @property
    def text(self) -> str:
        """Change in a sentence."""
        with speaking(self.since.motion):
            return self._text()

    def _text(self) -> str:
        words, unit, factor, _ = SIGNS[self.sign]
        before, now = (restated(factor * v, unit) for v in (self.change.before, self.change.now))
        return (
            f"{words}: {before:.4g} to {now:.4g} {unit_name(unit)} since {self.since.started[:10]} "
            f"(run {self.since.run}, after {METRES(self.travel_m):.0f}{METRES} of "
            f"{worded('nut travel', 'rotation')})"
        )


class History:
    """Signs of the runs in a folder.

    Attributes:
        entries: entries by the run's folder name. trouble: why the kept file was not used, or ''.
    """

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.entries: dict[str, Entry] = {}
        self.trouble = ""
        try:
            self._read()
        except FileNotFoundError:
            pass
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            # It can be computed from the runs again.
            self.entries.clear()
            self.trouble = f"{directory / FILE} is damaged ({type(error).__name__}): computed again"

    def _read(self) -> None:
        with (self.directory / FILE).open("rb") as stream:
            raw = stream.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise ValueError("too large")
        data = json.loads(raw)
        if data["form"] != FORM:
            raise ValueError("another form")
        for name, kept in data["runs"].items():
            signs = {sign: float(value) for sign, value in kept["signs"].items() if sign in SIGNS}
            if not all(map(math.isfinite, [*signs.values(), float(kept["travel_m"])])):
                raise ValueError("not finite")
            self.entries[name] = Entry(
                name,
                str(kept["actuator"]),
                str(kept["started"]),
                float(kept["travel_m"]),
                signs,
                int(kept.get("signs_form", 1)),
                "rotary" if kept.get("motion") == "rotary" else "linear",
            )

    @property
    def outdated(self) -> list[str]:
        """Return the runs that were computed before all present signs existed."""
        return [name for name, entry in self.entries.items() if entry.signs_form != SIGNS_FORM]

    def scan(self, tell: Callable[[str], None] = lambda _name: None) -> list[str]:
        """Add runs that are missing or lack newer signs; drop deleted ones.

        Returns the problems. A run that can no longer be read keeps its signs.
        """
        troubles = []
        again = set(self.outdated)
        there = sorted(path.parent for path in self.directory.glob("*/run.yaml"))
        names = {path.name for path in there}
        for gone in self.entries.keys() - names:
            del self.entries[gone]
        for path in there:
            if path.name not in self.entries or path.name in again:
                tell(path.name)
                try:
                    self.take(load_run(path))
                except RunError as error:
                    troubles.append(f"{path.name}: {error}")
        return troubles

    def take(self, run: Run) -> None:
        """Add the signs of a complete run; ignore any other.

        Raises:
            RunError: it is damaged.
        """
        if not run.complete:
            return
        profile = run.meta.get("profile")
        name = profile.get("name") if isinstance(profile, dict) else None
        drive = run.meta.get("drive")
        drive_name = drive.get("identity") if isinstance(drive, dict) else drive
        actuator = f"{name or 'unknown rig'} · {drive_name or 'unknown drive'}"
        started = str(run.meta.get("started") or "")
        known: dict[str, float] = {}
        travel_m = 0.0
        there = run.names
        # A run of an older format lacks columns: it shows nothing, and is not read again.
        if there.issuperset(_COLUMNS):
            columns = {column: np.asarray(run.column(column), float) for column in _COLUMNS}
            known = signs_of_columns(columns).as_data()
            if there.issuperset(COLUMNS):
                more = {column: np.asarray(run.column(column), float) for column in COLUMNS}
                known |= run_signs(columns | more)
            travel_m = float(np.nansum(np.abs(np.diff(columns["nut_position_m"]))))
        self.entries[run.path.name] = Entry(
            run.path.name, actuator, started, travel_m, known, motion=run.motion
        )

    def save(self) -> None:
        """Write the signs; an older file is replaced atomically.

        Raises:
            OSError: it cannot be written.
        """
        runs: dict[str, Any] = {
            entry.run: {
                "actuator": entry.actuator,
                "started": entry.started,
                "travel_m": entry.travel_m,
                "signs": entry.signs,
                "signs_form": entry.signs_form,
                "motion": entry.motion,
            }
            for entry in self.entries.values()
        }
        part = self.directory / f"{FILE}.part"
        with part.open("w", encoding="utf-8") as stream:
            json.dump({"form": FORM, "runs": runs}, stream, allow_nan=False)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, self.directory / FILE)

    def by_actuator(self) -> dict[str, list[Entry]]:
        """Return the entries of each actuator in order of time."""
        sorted_: dict[str, list[Entry]] = {}
        for entry in sorted(self.entries.values(), key=lambda e: (e.started, e.run)):
            sorted_.setdefault(entry.actuator, []).append(entry)
        return sorted_

    def findings(self) -> list[Finding]:
        """Return the signs that have changed."""
        return [
            finding
            for actuator, entries in self.by_actuator().items()
            for sign in SIGNS
            for finding in _changed(actuator, sign, entries)
        ]


def _changed(actuator: str, sign: str, entries: list[Entry]) -> Iterator[Finding]:
    shown = [entry for entry in entries if sign in entry.signs]
    trend = Trend(sign, BASELINE, SIGNS[sign][3])
    # By run order: runs are neither evenly spaced in time nor all dated differently.
    for number, entry in enumerate(shown):
        trend.add(float(number), entry.signs[sign])
    if trend.change is None:
        return
    change = trend.dated(trend.change.found_at)
    since = shown[min(math.ceil(change.onset), len(shown) - 1)]
    travel_m = sum(entry.travel_m for entry in entries[: entries.index(since)])
    runs = tuple(entry.run for entry in shown[shown.index(since) :])
    yield Finding(actuator, sign, change, since, runs, travel_m)
