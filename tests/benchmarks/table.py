"""Print and judge measured figures in one way, for all benchmark programs.

A program measures, then hands its rows and its goals over::

    from table import Benchmark            # beside this file; run as  python tests/benchmarks/x.py

    bench = Benchmark("Wake-up of the cycle", __doc__)   # --json, --check, --seconds are parsed
    bench.parser.add_argument("--window", type=float, default=10.0)   # more, if wanted
    options = bench.parse()
    ...
    bench.samples("wake-up", latencies_s, unit="us", scale=1e6)          # an array: percentiles
    bench.samples("empty loop", empty_s, unit="us", scale=1e6)           # the baseline, same run
    bench.ratio("wake-up p99.9 to empty loop", "wake-up", "empty loop", "p99.9", most=2.0)
    bench.figure("late cycles", 0.01, unit="%", most=0.06)               # one number and its goal
    bench.figure("simulated per second", 12.0, unit="s/s", least=5.0)
    bench.note("SCHED_FIFO 60 granted")
    raise SystemExit(bench.finish())

``finish`` prints the machine and the date, the tables, the notes and, with ``--json``, one JSON
object on the last line. It returns 0; with ``--check`` it returns 1 if a goal is missed or a
figure is not a number, and names each on stderr.
"""

from __future__ import annotations

import argparse
import datetime
import json
import math
import os
import platform
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field

import numpy as np
from numpy.typing import ArrayLike

PERCENTILES = {"median": 50.0, "p99": 99.0, "p99.9": 99.9, "max": 100.0}


@dataclass
class Samples:
    """Percentiles of one measured quantity in ``unit``."""

    name: str
    unit: str
    count: int
    values: dict[str, float]


@dataclass
class Figure:
    """One number; ``most``/``least`` is its goal, if any."""

    name: str
    value: float
    unit: str = ""
    most: float | None = None
    least: float | None = None
    baseline: str = ""

    @property
    def reached(self) -> bool:
        """Return False for a missed goal; a figure that is not a number always misses it."""
        if self.most is None and self.least is None:
            return True
        if not math.isfinite(self.value):
            return False
        return (self.most is None or self.value <= self.most) and (
            self.least is None or self.value >= self.least
        )

    @property
    def goal(self) -> str:
        words = []
        if self.least is not None:
            words.append(f"≥ {self.least:.4g}")
        if self.most is not None:
            words.append(f"≤ {self.most:.4g}")
        return ", ".join(words)


@dataclass
class Benchmark:
    """Collects rows and figures of one program; see the module's text for its use."""

    title: str
    description: str | None = None
    rows: list[Samples] = field(default_factory=list)
    figures: list[Figure] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    load: float | None = None  # average of the computer, once the command line was read

    def __post_init__(self) -> None:
        self.parser = argparse.ArgumentParser(
            description=self.description or self.title,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        self.parser.add_argument("--json", action="store_true", help="JSON on the last line")
        self.parser.add_argument(
            "--check", action="store_true", help="exit 1 and name each figure that falls short"
        )
        self.parser.add_argument(
            "--seconds", type=float, help="measure for about this long, where that applies"
        )
        self.options = argparse.Namespace(json=False, check=False, seconds=None)

    def parse(self, arguments: Sequence[str] | None = None) -> argparse.Namespace:
        """Parse the command line; the result is also kept as ``options``."""
        self.options = self.parser.parse_args(arguments)
        self.load = os.getloadavg()[0]
        return self.options

    def samples(self, name: str, values: ArrayLike, *, unit: str, scale: float = 1.0) -> Samples:
        """Add a row of percentiles from an array of any shape; ``scale`` converts it into ``unit``.

        Raises:
            ValueError: the name is taken.
        """
        if any(row.name == name for row in self.rows):
            raise ValueError(f"row '{name}' is there already")
        flat = np.asarray(values, dtype=float).ravel() * scale
        if flat.size:
            points = np.percentile(flat, list(PERCENTILES.values()))
        else:
            points = np.full(len(PERCENTILES), math.nan)
        row = Samples(
            name,
            unit,
            int(flat.size),
            {key: float(point) for key, point in zip(PERCENTILES, points, strict=True)},
        )
        self.rows.append(row)
        return row

    def figure(
        self,
        name: str,
        value: float,
        *,
        unit: str = "",
        most: float | None = None,
        least: float | None = None,
        baseline: str = "",
    ) -> Figure:
        """Add one number with its goal; ``baseline`` names what it is compared with."""
        figure = Figure(name, float(value), unit, most, least, baseline)
        self.figures.append(figure)
        return figure

    def percentile(
        self, name: str, row: str, percentile: str, *, most: float | None = None
    ) -> Figure:
        """Add a figure from a row: ``percentile`` is one of ``PERCENTILES``."""
        found = self._row(row)
        return self.figure(name, found.values[percentile], unit=found.unit, most=most)

    def ratio(
        self,
        name: str,
        row: str,
        baseline: str,
        percentile: str = "median",
        *,
        most: float | None = None,
        least: float | None = None,
    ) -> Figure:
        """Add one row's percentile over the baseline's as a figure; NaN if that is 0."""
        above, below = self._row(row), self._row(baseline)
        if above.unit != below.unit:
            raise ValueError(f"'{row}' is in {above.unit}, '{baseline}' in {below.unit}")
        divisor = below.values[percentile]
        value = above.values[percentile] / divisor if divisor else math.nan
        return self.figure(name, value, unit="×", most=most, least=least, baseline=baseline)

    def note(self, text: str) -> None:
        """Add a line below the tables, such as the scheduling granted."""
        self.notes.append(text)

    def finish(self) -> int:
        """Print everything and return the exit code."""
        if self.load is not None:
            now = os.getloadavg()[0]
            self.note(f"load average of the computer: {self.load:.1f} before, {now:.1f} after")
        print(f"{self.title}\n{machine_line()}\n")
        if self.rows:
            print(
                _grid(
                    ["", "unit", "n", *PERCENTILES],
                    [
                        [r.name, r.unit, str(r.count), *(_number(v) for v in r.values.values())]
                        for r in self.rows
                    ],
                )
            )
        if self.figures:
            print(
                _grid(
                    ["figure", "value", "unit", "goal", "", "beside"],
                    [
                        [
                            f.name,
                            _number(f.value),
                            f.unit,
                            f.goal,
                            "" if not f.goal else "reached" if f.reached else "SHORT",
                            f.baseline,
                        ]
                        for f in self.figures
                    ],
                )
            )
        for note in self.notes:
            print(f"- {note}")
        missed = [figure for figure in self.figures if not figure.reached]
        if self.options.check:
            for figure in missed:
                print(
                    f"falls short: {figure.name} is {_number(figure.value)} {figure.unit}, "
                    f"to reach {figure.goal}",
                    file=sys.stderr,
                )
        if self.options.json:
            print(json.dumps(self.as_data(), allow_nan=False))
        sys.stdout.flush()
        return 1 if self.options.check and missed else 0

    def as_data(self) -> dict[str, object]:
        """Return everything as plain values; NaN becomes null."""
        return {
            "title": self.title,
            "machine": machine(),
            "date": datetime.date.today().isoformat(),
            "rows": [
                {**asdict(r), "values": {k: _finite(v) for k, v in r.values.items()}}
                for r in self.rows
            ],
            "figures": [
                {**asdict(f), "value": _finite(f.value), "reached": f.reached} for f in self.figures
            ],
            "notes": self.notes,
        }

    def _row(self, name: str) -> Samples:
        for row in self.rows:
            if row.name == name:
                return row
        raise ValueError(f"no row '{name}'; there are: {', '.join(r.name for r in self.rows)}")


def machine() -> str:
    """Return processor count and kind, kernel and Python; no names of machine or user."""
    return (
        f"{len(os.sched_getaffinity(0))} cores {platform.machine()}, "
        f"{platform.system()} {platform.release().split('-')[0]}, "
        f"Python {platform.python_version()}"
    )


def machine_line() -> str:
    """Return machine and date for the head of a table."""
    return f"{machine()}, {datetime.date.today().isoformat()}"


def _number(value: float) -> str:
    return f"{value:.4g}" if math.isfinite(value) else "none"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _grid(head: list[str], body: list[list[str]]) -> str:
    """Return a table that is also valid Markdown, for the documents."""
    widths = [max(len(row[i]) for row in [head, *body]) for i in range(len(head))]
    lines = [
        "| " + " | ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) + " |"
        for row in [head, *body]
    ]
    lines.insert(1, "|" + "|".join("-" * (w + 2) for w in widths) + "|")
    return "\n".join(lines) + "\n"
