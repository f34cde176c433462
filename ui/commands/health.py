"""``hookeline health``: changes of an actuator over its recorded runs, and their onset."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from drivers.motion import METRES, restated, speak, unit_name, worded
from hil.wear import SIGNS, Entry, History
from ui.commands.answers import BAD_INPUT, FAILED, OK, CommandError, add_command, answer, say

MOST_RUNS_NAMED = 6


def add(commands: Any) -> None:
    parser = add_command(
        commands,
        "health",
        "show what has changed on an actuator over weeks of runs",
        "Compute friction, stiffness, zero, sensor noise and motor heat from every recorded run that\n"
        "contains suitable motion, for each actuator, and monitor each by a cumulative sum about its\n"
        "first 10 runs. A change is reported with the run at which it began and the runs that show it.\n"
        "Results are cached in wear.json in the directory of runs.",
        "  hookeline health\n  hookeline health --runs /data/runs --json\n",
    )
    parser.add_argument(
        "--runs",
        type=Path,
        default=Path("runs"),
        metavar="DIR",
        help="directory of runs (default: runs)",
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    if not options.runs.is_dir():
        raise CommandError(f"--runs {options.runs}: no such directory; name one", BAD_INPUT)
    history = History(options.runs)
    if history.trouble:
        say(options, history.trouble)
    if outdated := len(history.outdated):
        say(options, f"{outdated} cached runs lack newer signs: computed again")
    troubles = history.scan()
    history.save()
    findings = history.findings()
    for trouble in troubles:
        say(options, f"not read: {trouble}")
    for actuator, entries in history.by_actuator().items():
        travel_m = sum(entry.travel_m for entry in entries)
        speak(entries[-1].motion)
        first, last = entries[0].started[:10], entries[-1].started[:10]
        way = f"{METRES(travel_m):.0f}{METRES} of {worded('nut', 'rotation')}"
        say(options, f"{actuator}: {len(entries)} runs, {first} to {last}, {way}")
        for sign in SIGNS:
            say(options, f"  {_line(sign, entries)}")
        for finding in findings:
            if finding.actuator == actuator:
                say(options, f"  CHANGED {finding.text}")
                named = ", ".join(finding.runs[:MOST_RUNS_NAMED])
                more = len(finding.runs) - MOST_RUNS_NAMED
                say(options, f"    shown by {named}{f' and {more} more' if more > 0 else ''}")
    if not history.entries:
        say(options, "no complete runs found")
    elif not findings:
        say(options, "Nothing has changed.")
    answer(
        options,
        {
            "runs": len(history.entries),
            "not_read": troubles,
            "changed": [
                {
                    "actuator": finding.actuator,
                    "sign": finding.sign,
                    "text": finding.text,
                    "since": finding.since.run,
                    "kind": finding.change.kind,
                    "before": finding.change.before,
                    "now": finding.change.now,
                    "runs": finding.runs,
                }
                for finding in findings
            ],
        },
    )
    return FAILED if findings else OK


def _line(sign: str, entries: list[Entry]) -> str:
    words, unit, factor, _ = SIGNS[sign]
    factor, unit = float(restated(factor, unit)), unit_name(unit)
    values = [factor * entry.signs[sign] for entry in entries if sign in entry.signs]
    if not values:
        return f"{words}: not shown by any run"
    first = values[:10]
    spread = f" ± {np.std(first, ddof=1):.2g}" if len(first) > 1 else ""
    return (
        f"{words}: first {np.mean(first):.4g}{spread} {unit}, latest {values[-1]:.4g} {unit} "
        f"({len(values)} runs)"
    )
